"""The queue's filling, the ring of edges not yet played, and the end of a charge, one call at a time."""

from boxcore import journal as jn
from boxcore import player as pl
from boxcore import port, schedule
from boxcore import program as pg
from boxcore.bank import Bank

from tests.boxcore import fakes
from tests.boxcore.plans import S, plan

OWN_UA = 1_000
SUPPLY_MV = 10_000
BANK = Bank([1_000_000, 2_000_000, 4_000_000])  # 10, 20 and 40 mA at 10 V
STEADY = (pg.STEADY, 31_000)  # the first two channels and the own consumption: 31 mA
FASTEST = (pg.PULSE, 40_000, 10, 20, 10)  # off and on for 1 ms each


class Notes:
    """A journal that keeps every record: [(tick, kind, pattern, level_ua, supply_mv)]."""

    def __init__(self):
        self.all = []

    def add(self, tick, kind, arg=0, pattern=0, value=0, supply_mv=0):
        self.all.append((tick, kind, pattern, value, supply_mv))


class Bench:
    """A player at tick 0 with a program, ready to be launched."""

    def __init__(self, *draws, depth=1024, charge_mas=10**6, ticks=100 * S):
        self.hal = fakes.FakeHal(depth)
        self.journal = Notes()
        self.player = pl.Player(self.hal, BANK, OWN_UA, self.journal)
        self.player.begin(schedule.Schedule(plan(*draws), 1, OWN_UA), 0, charge_mas)
        self.player.rest(0, ticks)

    def go(self, now):
        """Let the hardware play to a tick, then call the player there."""
        self.hal.run_to(now)
        return self.player.go_on(now, SUPPLY_MV)

    def edges(self):
        return [(tick, pattern) for tick, kind, pattern, _, _ in self.journal.all if kind == jn.EDGE]


def test_a_queue_that_holds_enough_is_left_alone_and_full_behind_a_force():
    bench = Bench(STEADY)
    bench.player.launch(0, SUPPLY_MV)
    assert bench.player.refill(0, SUPPLY_MV) == 4_000  # of the second ahead, six tenths are left then
    assert bench.hal.queued == S
    for now in (1, 3_999):
        bench.hal.run_to(now)
        assert bench.player.refill(now, SUPPLY_MV) == 4_000
        assert bench.hal.queued == S - now
    assert bench.player.refill(3_999, SUPPLY_MV, True) == 7_999
    assert bench.hal.queued == S
    bench.hal.run_to(7_999)
    assert bench.player.refill(7_999, SUPPLY_MV) == 11_999
    assert bench.hal.queued == S


def test_a_queue_too_short_for_that_is_filled_when_half_of_it_has_gone():
    bench = Bench(FASTEST, depth=100)  # 100 words of 1 ms
    bench.player.launch(0, SUPPLY_MV)
    assert len(bench.hal.words) == 100
    assert bench.player.refill(0, SUPPLY_MV) == 500
    bench.hal.run_to(500)
    assert bench.player.refill(500, SUPPLY_MV) == 1_000


def test_as_many_edges_wait_as_there_is_room_for_and_none_is_lost():
    """The queue has room for more of the shortest words than the ring has for their edges."""
    bench = Bench(FASTEST)
    bench.player.launch(0, SUPPLY_MV)
    bench.player.refill(0, SUPPLY_MV)
    assert len(bench.hal.words) == 320
    now = 0
    while now < S:
        last, now = now, bench.go(now)
    bench.player.settle(last)
    expected = [(tick, 4 if tick % 20 else 0) for tick in range(0, last + 1, 10)]
    assert bench.hal.played == [edge for edge in expected if edge[0] < last]
    assert bench.edges() == expected


def test_a_charge_ends_at_the_first_tick_that_it_cannot_pay_for():
    # 31 mA for 10 s are 310 mA s; of 155 mA s the last is used after 5 s.
    bench = Bench(STEADY, charge_mas=155)
    bench.player.launch(0, SUPPLY_MV)
    now = 0
    while now < bench.player.stop_at:
        now = bench.go(now)
    bench.go(now)
    assert (bench.player.stop_at, bench.player.mas) == (5 * S, 155)
    bench.hal.run_to(6 * S)
    assert bench.hal.played == [(0, 3), (5 * S, 0)]


def test_the_next_edge_is_told_by_its_own_tick_far_from_zero():
    far = (1 << 40) + 12_345
    bench = Bench((pg.PULSE, 40_000, S // 2, S, 0))
    bench.hal.now = far
    bench.player.rest(far, 100 * S)
    bench.player.launch(far, SUPPLY_MV)
    bench.player.refill(far, SUPPLY_MV)
    assert bench.player.next_edge() == far
    bench.player.settle(far)
    assert bench.player.next_edge() == far + S // 2
    bench.player.settle(far + S // 2)
    assert bench.player.next_edge() == bench.player.at


def test_what_a_supply_too_high_for_the_record_measured_is_told_as_its_most():
    bench = Bench(STEADY)
    bench.player.launch(0, 70_000)
    bench.player.settle(1)
    assert bench.journal.all[-1][-1] == 0xFFFF


def test_a_word_is_never_longer_than_a_quarter_of_a_second():
    bench = Bench(STEADY)
    bench.player.launch(0, SUPPLY_MV)
    bench.player.refill(0, SUPPLY_MV)
    assert max(ticks for _, ticks in bench.hal.words) == 2_500 == port.MAX_WORD_TICKS


def test_a_start_ahead_of_the_schedule_waits_with_open_switches():
    """Primed for a tick that lies ahead, the queue begins with words of nothing until then."""
    bench = Bench(STEADY)
    bench.player.at = 6_000
    bench.player.prime(0, SUPPLY_MV)
    words = list(bench.hal.words)
    assert words[:3] == [(0, 2_500), (0, 2_500), (0, 1_000)]
    assert all(pattern == 3 for pattern, _ in words[3:])
    assert sum(ticks for _, ticks in words) == 9_000  # three tenths of a second of the schedule besides


def test_a_start_that_came_late_moves_every_tick_that_counts_from_it():
    """The hardware says that it began 37 ticks later: edges, the run's end, and that after a stop."""
    bench = Bench((pg.PULSE, 40_000, 1_000, 2_000, 0), ticks=5_000)
    bench.hal.enable = lambda: 37
    assert bench.player.launch(100, SUPPLY_MV) == 137
    bench.player.settle(2_137)
    assert bench.edges() == [(137, 4), (1_137, 0), (2_137, 4)]
    assert bench.player.stop_at == 5_037
    bench.player.stop(3_200)
    assert bench.player.stop_at == 5_037

"""Verdicts where other loads, an instrument, a journal that was read early, or another place of an even train
hide what would speak: what can't be told from the recording is neither agreed to nor accused."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from boxcore import program as pg
from nightdraw import programs
from nightdraw.capture import observed as ob
from nightdraw.capture.align import Piece
from nightdraw.capture.compare import Comparison, Place, compare
from nightdraw.capture.current import Current
from nightdraw.capture.instrument import Instrument
from nightdraw.capture.loads import Loads
from nightdraw.capture.place import Clock
from nightdraw.capture.read import from_arrays
from nightdraw.vehicle.expected import Again

from tests.capture import campaign, cases, twitches, vehicles
from tests.capture.synthetic import Floats, Run, pulse, run_of, steady

BEFORE_S = 2.0005  # edges lie halfway between the samples
STAIRCASE = (pg.REPLAY, 0, programs.pack_levels([(395_000, 52_711), (255_000, 56_437), (140_000, 78_817)]))


def samples_of(run: Run, seed: int = 3, sigma_ma: float = 0.5) -> tuple[Floats, Floats]:
    made = cases.Recorder(1000.0, sigma_ma, BEFORE_S)
    return made.samples(run.truth, np.random.default_rng(seed))


def shared(run: Run, t_s: Floats, ma: Floats) -> Comparison:
    return compare(run.asked, run.did, from_arrays(t_s, ma / 1000), Place(shared=True, monitored=True))


def test_what_other_loads_switch_is_no_wander_of_an_edge(seed: int) -> None:
    """Another load switches in every level, so no two levels of the base read alike: an edge is known to what
    the edges scatter by all the same. A variance of 118 normal values is known to 13 %; five of those."""
    rng = np.random.default_rng(seed)
    run = run_of([steady(40), pulse(200, 2.0, 5.0)], 300.0)
    t_s, ma = samples_of(run, seed)
    at_s = np.sort(np.append(run.truth.t_s, run.truth.t_s + 1.1)) + BEFORE_S + 0.4
    levels = rng.uniform(20, 60, len(at_s)) + 60 * (np.arange(len(at_s)) % 2)
    ma += np.append(0.0, levels)[np.searchsorted(at_s, t_s)]
    seen = Current.of(from_arrays(t_s, ma / 1000)).seen
    piece = Piece(Clock(BEFORE_S, 0.0, 9, 0.0, 0), t_s[0], t_s[-1], -np.inf, np.inf)
    found = ob.look(run.did.account, piece, from_arrays(t_s, ma / 1000), seen, Instrument(), shared=True)
    known = found.known
    assert np.count_nonzero(known) > 100
    assert np.mean(found.edge_ma[known] ** 2 / found.edge_var[known]) == pytest.approx(1.0, abs=0.65)


def test_a_resistor_is_named_though_others_switch_in_every_base() -> None:
    found = twitches.compared(twitches.wrong(470178))
    assert found.agree is False
    assert "channel 6 draws 25 % less" in found.text()


def test_a_lead_that_puts_a_level_off_but_no_step_accuses_nothing() -> None:
    """0.77 ohm, without a journal: a part of 134 mA is off by 2.8, the steps up to it by 2 and less."""
    found = campaign.alone(cases.right(310124))
    assert found.agree is None, found.text()
    assert "0.81 ohm in series" in found.text()


@pytest.mark.parametrize(
    ("height_ma", "from_ms", "on_ms"), [(109.6, 0.55, 4.0), (140.9, 0.7, 4.0), (132.3, -1.2, 6.0)]
)
def test_an_edge_of_another_height_tells_no_instant(height_ma: float, from_ms: float, on_ms: float) -> None:
    """A load that twitches within milliseconds of every eighth of the box's falls (of random twitches beside
    one edge in eight, which moved an edge in 19 of 120 recordings)."""
    run = run_of([steady(40), pulse(76, 0.4, 3.0), pulse(180, 0.5, 7.3, 1.1)], 90.0)
    t_s, ma = samples_of(run)
    for at_s in run.truth.t_s[np.diff(run.truth.level_ma, prepend=run.truth.idle_ma) < 0][3::8]:
        since_s = at_s + BEFORE_S + from_ms / 1000
        ma += height_ma * ((t_s > since_s) & (t_s <= since_s + on_ms / 1000))
    found = shared(run, t_s, ma)
    assert found.agree is not False, found.text()


def test_two_steps_of_one_direction_are_two_where_the_clamp_is_quick() -> None:
    """A load of 20 mA rises 5 ms before a pulse of the box's and falls as that rises: together 29 mA, as the
    box's own."""
    found = vehicles.right(650042).compared()
    assert found.agree is True, found.text()


@pytest.mark.parametrize("ma", [200.0, 90.0])
def test_an_edge_that_moved_is_still_told_among_loads(ma: float) -> None:
    """One end 30 ms late."""
    run = run_of([steady(40), pulse(ma, 0.4, 3.0), pulse(350, 0.5, 7.3, 1.1)], 90.0)
    late = replace(run.truth, t_s=run.truth.t_s + 0.03 * (np.arange(len(run.truth.t_s)) == 21))
    t_s, ma_ = samples_of(replace(run, truth=late))
    ma_ += 60 * ((t_s > 30.3) & (t_s < 31.7))
    found = shared(run, t_s, ma_)
    assert found.agree is False


def read_early(run: Run, share: float) -> Run:
    """The same run whose journal was read when so much of it was over, the box going on."""
    did = run.did
    until = int(share * len(did.account.t_s))
    account = did.account.part(slice(0, until))
    account = replace(account, idle_ma=did.account.idle_ma, end_s=float(account.t_s[-1]))
    return replace(
        run, did=replace(did, account=account, pattern=did.pattern[:until], supply_mv=did.supply_mv[:until])
    )


@pytest.mark.parametrize(
    ("draws", "share"),
    [([steady(40), pulse(200, 0.5, 9.0)], 0.8), ([STAIRCASE], 0.6)],
    ids=["pulses", "stairs"],
)
def test_an_even_train_that_goes_on_after_its_journal_was_read_did_not_begin_anew(
    draws: list[tuple[int, ...]], share: float
) -> None:
    run = read_early(run_of(draws, 240.0), share)
    t_s, ma = samples_of(run)
    found = compare(None, run.did, from_arrays(t_s, ma / 1000), Place(shared=False))
    assert found.agree is None, found.text()
    assert "later pulses aren't compared, read the journal after the recording" in found.text()


def test_two_recordings_put_together_are_no_train_that_goes_on() -> None:
    """The second begins after the journal's last record, where an even train lies as well."""
    found = campaign.alone(cases.wrong(310109))
    assert found.agree is not True, found.text()


def test_nothing_is_agreed_to_at_a_place_that_leaves_a_piece_beyond_the_runs_end() -> None:
    """A late tail of an even staircase: laid a period earlier the journal ends ahead of it."""
    found = twitches.compared(twitches.wrong(650045))
    assert found.agree is not True, found.text()


def test_what_a_script_lets_happen_once_explains_one_change() -> None:
    """Of two falls that might be it the likest; the other, like a pulse's end, has no owner."""
    loads = Loads(5.0, np.array([100.0]), np.array([-87.0]), ("a",), (), 0.0)
    at_s, height_ma = np.array([99.6, 99.7, 100.0]), np.array([81.0, -81.0, -86.5])
    owners = loads.explain(at_s, height_ma, np.full(3, 0.1), np.empty(0), 1e-3)
    assert owners == [None, None, "a"]


def test_two_twitches_may_meet() -> None:
    """8 and 20 mA: up together, or one up as the other goes down; none meets itself."""
    lamp, search = (Again(who, "F1", ma / 1000, 0.06, (2.0, 2.0), False) for who, ma in (("a", 8), ("b", 20)))
    loads = Loads(5.0, np.array([9.0]), np.array([-87.0]), ("c",), (lamp, search), 0.0)
    ma = np.array([8.0, 20.0, 87.0, 28.0, 12.0, 16.0, 40.0, 107.0])
    assert loads.draw(ma).tolist() == 3 * [True] + 5 * [False]
    assert loads.draw(ma, met=True).tolist() == 5 * [True] + 3 * [False]


def test_a_pulse_of_which_a_change_of_the_vehicles_was_taken_for_one_end_has_no_owner() -> None:
    """81 mA from 104.4 s on, which a module of 87 mA, off at 104.8 s, seemed to end."""
    found = vehicles.wrong(880065).compared()
    assert found.agree is None, found.text()


def test_a_pulse_that_ends_on_an_edge_of_the_boxs_is_not_agreed_to() -> None:
    """Only its beginning shows, 73 mA high: nothing in the vehicle draws that."""
    case = vehicles.right(320000)
    assert case.compared().agree is True
    assert case.did is not None
    assert case.did.cycle.zero_at_s is not None
    (t_s, ma), *more = case.recording.blocks()
    assert not more
    account = case.did.account
    for k in np.flatnonzero((account.step_ma > 0) & (account.lasting_s > 0.1))[4:6].tolist():
        until_s = case.did.cycle.zero_at_s + account.t_s[k]
        pulse_ma = 73.0 * ((t_s > until_s - 0.3) & (t_s <= until_s))
        recording = from_arrays(t_s, ma + pulse_ma, unit="mA", channel=case.recording.channel)
        assert replace(case, recording=recording).compared().agree is None

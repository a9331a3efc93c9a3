"""Which edges differ by chance and which by kind, by a loop over the kinds; and rows that name their pulse by
the leading account's number."""

from __future__ import annotations

import numpy as np
import pytest
from nightdraw.capture import differences as df
from nightdraw.capture.view import Prior, View, edges_off, reference_of

from tests.capture.by_hand import account_of, did_of_patterns, observed_of, train, view_of


def random_view(rng: np.random.Generator, journal: bool) -> View:
    """Some edges of few kinds, most of a kind off alike or not at all, some spoilt, some not seen."""
    pattern = [1]
    for _ in range(20):
        pattern += [int(rng.choice([5, 5, 9, 9, 13, 3])), 1]
    count = len(pattern)
    supply = rng.choice([12_600.0, 12_640.0, 12_655.0, 13_000.0], count)
    box = did_of_patterns(pattern, np.ones(count), supply)
    by_kind = {key: float(rng.choice([0.0, 0.0, 6.0, -9.0])) for key in (3, 5, 9, 13)}
    off = np.array([by_kind.get(p, 0.0) for p in pattern]) * rng.choice([1.0, 1.0, 1.0, 0.0], count)
    off += np.where(rng.random(count) < 0.2, rng.choice([3.0, 40.0, -40.0], count), 0.0)
    seen = observed_of(
        box.account,
        off,
        edge_var=rng.choice([0.01, 0.25, np.inf], count, p=[0.7, 0.2, 0.1]),
        systematic_ma=rng.choice([0.0, 0.5], count),
        ahead_ma=rng.choice([0.0, 1.5, -1.5], count),
    )
    return view_of(box, seen) if journal else view_of(None, seen, asked=box.account)


def naive_off(view: View) -> tuple[list[bool], list[bool]]:
    """Each kind by itself, kinds of fewer than three edges together."""
    seen, account, box = view.observed, view.observed.account, view.reference.box
    count = len(account.t_s)
    kinds: dict[tuple[float, ...], list[int]] = {}
    allowed = np.zeros(count)
    for k in range(count):
        if not np.isfinite(seen.edge_var[k]):
            continue
        allowed[k] = max(2.0, 0.02 * abs(account.step_ma[k])) + 5 * np.sqrt(seen.edge_var[k])
        allowed[k] += 3 * seen.systematic_ma[k] + abs(seen.ahead_ma[k])
        if box is None:
            key = (round(account.before_ma[k]), round(account.level_ma[k]))
        else:
            middle_mv = (box.supply_mv[max(k - 1, 0)] + box.supply_mv[k]) / 2
            key = (int(box.pattern[k - 1]) if k else 0, int(box.pattern[k]), round(middle_mv / 100))
        kinds.setdefault(key, []).append(k)
    off = np.abs(seen.edge_ma) > allowed
    chance, real, lone = [False] * count, [False] * count, []
    for members in kinds.values():
        if len(members) < 3:
            lone += members
            continue
        middle = float(np.median([seen.edge_ma[k] for k in members]))
        for k in members:
            alike = abs(seen.edge_ma[k] - middle) <= allowed[k]
            real[k] = bool(off[k] and alike and abs(middle) > allowed[k])
            chance[k] = bool((off[k] or not alike) and not real[k])
    most = len(lone) >= 3 and sum(off[k] for k in lone) > len(lone) / 2
    for k in lone:
        (real if most else chance)[k] = bool(off[k])
    return chance, real


@pytest.mark.parametrize("journal", [True, False])
def test_edges_are_off_by_chance_or_like_the_others_of_their_kind(journal: bool, seed: int) -> None:
    rng = np.random.default_rng(seed)
    kinds_of_both = 0
    for _ in range(40):
        view = random_view(rng, journal)
        chance, real = edges_off(view)
        assert (chance.tolist(), real.tolist()) == naive_off(view)
        kinds_of_both += bool(chance.any() and real.any())
    assert kinds_of_both  # some four in ten of the cases: none of forty once in 10^8


@pytest.mark.parametrize(("off", "real"), [(1, False), (2, False), (3, True)])
def test_lone_edges_are_off_for_a_reason_where_more_than_half_are(off: int, real: bool) -> None:
    """Four edges of four kinds, or three; two say nothing."""
    account = account_of([30.0, 90.0, 200.0, 400.0], np.ones(4), 10.0)
    for count, due in ((4, real), (3, off > 1), (2, False)):
        var = np.where(np.arange(4) < count, 0.01, np.inf)
        edge_ma = np.where(np.arange(4) < min(off, count), 20.0, 0.0)
        chance, found = edges_off(view_of(None, observed_of(account, edge_ma, edge_var=var), asked=account))
        assert found.any() == due
        assert chance.any() != due


def test_a_row_names_its_pulse_by_what_was_asked() -> None:
    """The journal lacks the second of five pulses, and has one that nobody asked for at the end."""
    asked = train(5)
    box = did_of_patterns([1, *[5, 1] * 5], [3.0, 1.0, 7.0, 1.0, 3.0, 1.0, 3.0, 1.0, 1.5, 0.2, 9.0])
    reference = reference_of(asked, box)
    assert reference.name == "did"
    assert [reference.number(k) for k in range(5)] == [1, 3, 4, 5, None]
    row = reference.row(df.TIME, 1, "start_s", 11.5, "late")
    assert (row.pulse, row.asked, row.did, row.seen) == (3, 11.0, 11.0, 11.5)
    row = reference.row(df.TIME, 0, "start_s", 3.5, "late")
    assert (row.pulse, row.asked, row.did) == (1, 3.0, 3.0)
    row = reference.level_row(df.LEVEL, 1, 80.0, "high")
    assert (row.pulse, row.asked, row.seen) == (1, 90.0, 80.0)
    row = reference.row(df.MISSING, 4, "start_s", None, "gone")
    assert (row.pulse, row.asked, row.did, row.seen) == (None, None, 21.5, None)
    high = float(box.account.level_ma[3])
    row = reference.level_row(df.LEVEL, 3, 80.0, "high")
    assert (row.pulse, row.asked, row.did, row.seen) == (3, 90.0, pytest.approx(high), 80.0)
    row = reference.level_row(df.LEVEL, 2, 31.0, "base")
    assert (row.pulse, row.asked, row.seen) == (None, 90.0, 31.0)  # half-way, at 7.5 s, a pulse was asked
    row = reference.base_row(33.0, "base")
    assert (row.kind, row.pulse, row.asked, row.seen) == (df.BASE, None, pytest.approx(30.0), 33.0)
    assert row.did == pytest.approx(box.account.level_ma[0])


def test_with_one_account_its_own_numbers_count() -> None:
    asked = train(3)
    reference = reference_of(asked, None)
    row = reference.row(df.TIME, 2, "start_s", 11.5, "late")
    assert (reference.name, row.pulse, row.asked, row.did) == ("asked", 3, 11.0, None)
    assert reference.base_row(1.0, "").asked is not None
    box = did_of_patterns([1, 5, 1, 5, 1], np.ones(5))
    reference = reference_of(None, box)
    row = reference.row(df.TIME, 1, "duration_s", 1.5, "long")
    assert (reference.name, row.pulse, row.asked, row.did) == ("did", 2, None, 1.0)
    assert reference.lost is box.lost
    with pytest.raises(AssertionError):
        reference_of(None, None)


def test_the_base_is_known_where_the_box_is_alone_or_a_vehicles_file_is_given() -> None:
    for shared, loads, known in ((False, None, True), (True, None, False), (True, object(), True)):
        assert Prior(shared=shared, loads=loads).base_known is known  # type: ignore[arg-type]

"""Bodies for channels: what is chosen bears its heat, keeps the resistance, and nothing smaller would do."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from nightdraw.bank.heat.overload import pulse_w
from nightdraw.bank.parts.preferred_values import OHMS_RANGE, series_values
from nightdraw.bank.parts.resistor_packages import AIR, CATALOGUE, PLATE, ResistorPackage, own_package
from nightdraw.bank.sizing.arrangement import SPLITS, USE, allowed_w, arrange

E24 = series_values("E24", *OHMS_RANGE)
PACKAGES = list(CATALOGUE.values())


@given(st.sampled_from(E24), st.sampled_from([15.0, 16.0, 32.0]), st.floats(25, 110))
def test_a_channel_keeps_its_resistance_and_bears_its_heat(
    ohms: Fraction, supply_v: float, surround_c: float
) -> None:
    found = arrange(ohms, supply_v, surround_c, PACKAGES, frozenset(E24))
    if found is None:
        most = max(
            9 * allowed_w(package, PLATE if package.plate else AIR, surround_c) for package in PACKAGES
        )
        assert supply_v**2 / float(ohms) > most or not any(
            package.ohms[0] <= float(ohms) <= package.ohms[1] for package in PACKAGES
        )
        return
    assert found.each * found.in_series / found.in_parallel == ohms
    assert found.each in E24
    assert found.package.ohms[0] <= float(found.each) <= found.package.ohms[1]
    total = (supply_v / found.in_series) ** 2 / float(found.each) * found.count
    assert total == pytest.approx(supply_v**2 / float(ohms))
    share = USE if found.roomy else 1
    assert found.worst_w <= share * allowed_w(found.package, found.mounting, surround_c)


@given(st.sampled_from(E24), st.sampled_from([16.0, 32.0]))
def test_nothing_smaller_would_do(ohms: Fraction, supply_v: float) -> None:
    found = arrange(ohms, supply_v, 65.0, PACKAGES, frozenset(E24))
    if found is None or not found.roomy:
        return
    if found.count > 1:  # no single resistor bears it at that share
        assert all(
            supply_v**2 / float(ohms) > USE * allowed_w(package, PLATE if package.plate else AIR, 65.0)
            for package in PACKAGES
            if package.ohms[0] <= float(ohms) <= package.ohms[1]
        )
    smaller = PACKAGES[: PACKAGES.index(found.package)]
    for package in smaller:
        if package.ohms[0] <= float(found.each) <= package.ohms[1]:
            assert found.worst_w > USE * allowed_w(package, PLATE if package.plate else AIR, 65.0)


def test_every_split_keeps_to_what_can_be_wired() -> None:
    assert all(1 <= side <= 3 for split in SPLITS for side in split)
    assert [side[0] * side[1] for side in SPLITS] == sorted(side[0] * side[1] for side in SPLITS)


def test_a_big_channel_is_split_and_a_bigger_one_is_refused() -> None:
    split = arrange(Fraction(12), 32.0, 65.0, PACKAGES, frozenset(E24))
    assert split is not None
    assert split.count > 1
    assert arrange(Fraction(1), 32.0, 65.0, PACKAGES, frozenset(E24)) is None


def test_a_body_is_not_used_beyond_its_voltage() -> None:
    """64 V on a resistor for 40 V: two in series, though one would bear the heat."""
    narrow = own_package("narrow", CATALOGUE["film-3w"], {"volts": Fraction(40)})
    found = arrange(Fraction(240), 64.0, 25.0, [narrow], frozenset(E24))
    assert found is not None
    assert 64 / found.in_series <= 40
    assert found.in_series > 1


def test_a_body_of_ones_own_differs_only_where_said() -> None:
    like = CATALOGUE["ceramic-5w"]
    own = own_package(
        "mine", like, {"rating": Fraction(7), "zero_at": Fraction(250), "tempco": Fraction(1, 10_000)}
    )
    assert own.air.rating_w == 7
    assert (own.air.full_to_c, own.air.zero_at_c, own.limit_c) == (70, 250, 250)
    assert own.tempco_ppm == pytest.approx(100)
    assert own.plate is None
    assert own.volts_max == like.volts_max
    plated = own_package("mine", like, {"plate_rating": Fraction(20)})
    assert plated.plate is not None
    assert plated.plate.rating_w == 20
    assert plated.plate_k_per_w == pytest.approx(plated.plate.k_per_w)


@given(st.sampled_from(PACKAGES), st.floats(1e-4, 1e4), st.floats(1.0, 4.0))
def test_a_longer_pulse_is_never_allowed_more(
    package: ResistorPackage, seconds: float, longer: float
) -> None:
    rating = package.air.rating_w
    assert pulse_w(package, rating, seconds * longer) <= pulse_w(package, rating, seconds) * (1 + 1e-12)
    assert pulse_w(package, rating, 1e9) == pytest.approx(rating)
    assert pulse_w(package, rating, package.overload_s) == pytest.approx(package.overload_times * rating)

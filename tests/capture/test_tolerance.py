"""What two levels may differ by: 2 mA, or 2 % of the level where that is more; never both."""

from __future__ import annotations

import numpy as np
import pytest
from nightdraw.capture import differences

CASES = [(0.0, 2.0), (50.0, 2.0), (100.0, 2.0), (100.5, 2.01), (350.0, 7.0), (-350.0, 7.0), (1_000.0, 20.0)]


@pytest.mark.parametrize(("level_ma", "allowed_ma"), CASES)
def test_the_larger_of_both_counts(level_ma: float, allowed_ma: float) -> None:
    assert differences.level_tolerance(level_ma) == pytest.approx(allowed_ma, abs=1e-9)


def test_the_same_holds_for_many_at_once() -> None:
    levels, allowed = np.array(CASES).T
    assert differences.tolerance_ma(levels) == pytest.approx(allowed, abs=1e-9)

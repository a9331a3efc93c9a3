"""The structure of what was seen: its tables belong together."""

from __future__ import annotations

import numpy as np
import pytest
from nightdraw.capture import seen as sn
from nightdraw.capture.events import see

from tests.capture.synthetic import Clamp, pulse, steady, truth_of


def test_the_tables_of_a_recording_belong_together() -> None:
    truth = truth_of([steady(40), pulse(250, 0.3, 2.0)], 30.0)
    seen = see(Clamp().recording(truth))
    steps = seen.events.kind == sn.STEP
    assert np.flatnonzero(steps).tolist() == [0]  # the run begins
    events = seen.events.take(~steps)
    assert np.all(events.kind == sn.PULSE)
    np.testing.assert_allclose(seen.edges.at_s[events.first_edge], events.start_s, atol=1e-3)
    np.testing.assert_allclose(
        seen.edges.at_s[events.last_edge], events.start_s + events.duration_s, atol=1e-3
    )
    np.testing.assert_allclose(seen.base.at(events.start_s), 40.0, rtol=0.01)
    np.testing.assert_allclose(np.abs(seen.edges.height[1:]), 250.0, rtol=0.02)  # 0: the run begins
    assert seen.shortest_s(250.0) == pytest.approx(2 * seen.interval_s), "a single sample is a spike"
    as_mv = seen.times(0.0077, "mV")
    np.testing.assert_allclose(as_mv.edges.height, seen.edges.height * 0.0077)
    assert len(seen.edges.take(seen.edges.height > 100)) == len(events)

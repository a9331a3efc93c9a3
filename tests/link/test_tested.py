"""What the host makes of a box's own self-test: which channels it then measures, and when it can't tell."""

from __future__ import annotations

from unittest import mock

import pytest
from nightdraw.link import LoopTransport, open_box, tested
from nightdraw.link.replies import Measurement
from nightdraw.link.trims import TrimmedChannel

from tests.micropython.link_rig import CHANNELS_NS, SUPPLY_MV, Rig

CHANNELS = [TrimmedChannel(k, ns, 3 * ns, True) for k, ns in enumerate(CHANNELS_NS, 1)]
OHMS = [channel.ohms for channel in CHANNELS]
SUPPLY_V = SUPPLY_MV / 1000


@pytest.fixture
def box(monkeypatch):
    """A box with a monitor; a channel that is closed alone draws what it should; `closed` lists them."""
    rig = Rig(monitor=True)
    box = open_box(LoopTransport(rig.say))
    box.closed = []

    def close(channel, for_s):
        box.closed.append(channel)
        rig.readings.bank_ua = round(SUPPLY_V / OHMS[channel - 1] * 1e6)

    def halt():
        rig.readings.bank_ua = 0

    halt()
    monkeypatch.setattr(box, "close_channel", close)
    monkeypatch.setattr(box, "halt", halt)
    monkeypatch.setattr(box, "channels", lambda: CHANNELS)
    return box


def run(box, monkeypatch, code, monitor=True):
    monkeypatch.setattr(box, "selftest", lambda: code)
    monkeypatch.setattr(box, "has_monitor", lambda: monitor)
    return tested.run(box)


@pytest.mark.parametrize("code", range(1, len(OHMS) + 1))
def test_a_channel_that_the_box_names_has_every_channel_measured(box, monkeypatch, code):
    found = run(box, monkeypatch, code)
    assert box.closed == list(range(1, len(OHMS) + 1))
    assert found.ok is False
    assert [one.channel for one in found.channels if one.ok is False] == [code]


@pytest.mark.parametrize(
    ("code", "ok", "said"),
    [
        (0, True, "every channel draws what it should"),
        (len(OHMS) + 1, False, "failed its check 6"),
        (100, False, "the program in slot 0 is damaged"),
        (109, False, "the program in slot 9 is damaged"),
        (110, None, "connect the box to a battery"),
        (111, False, "the current monitor doesn't answer"),
    ],
)
def test_what_names_no_channel_closes_none(box, monkeypatch, code, ok, said):
    found = run(box, monkeypatch, code)
    assert box.closed == []
    assert found.ok is ok
    assert said in found.message
    assert [one.ok for one in found.channels] == [True if ok else None] * len(OHMS)
    assert [one.ohms for one in found.channels] == [round(ohms, 1) for ohms in OHMS]


@pytest.mark.parametrize(
    ("code", "ok", "said"), [(0, None, "has no current monitor"), (103, False, "slot 3 is damaged")]
)
def test_without_a_monitor_only_what_is_stored_is_judged(box, monkeypatch, code, ok, said):
    found = run(box, monkeypatch, code, monitor=False)
    assert box.closed == []
    assert found.ok is ok
    assert said in found.message
    assert {one.ok for one in found.channels} == {None}


def judged(drawn_a, rest_a=0.0, named=False, stuck=False):
    """The verdict of a channel of 100 ohms at 12 V, which should draw 120 mA, good to 5 % and 0.15 mA."""

    box = mock.Mock()
    box.measure.return_value = Measurement(12.0, rest_a + drawn_a, None)
    found = tested._judge(box, TrimmedChannel(3, 10_000_000, 10_000_000, False), rest_a, named, stuck)
    assert box.mock_calls == [
        mock.call.close_channel(3, tested.CLOSE_S),
        mock.call.measure(),
        mock.call.halt(),
    ]
    return found


@pytest.mark.parametrize(
    ("drawn_a", "rest_a", "named", "stuck", "ok", "said"),
    [
        (0.120, 0.011, False, False, True, ""),
        (0.1261, 0.011, False, False, True, ""),  # 5 % and 0.15 mA: 6.15 mA to either side
        (0.1139, 0.011, False, False, True, ""),
        (0.1262, 0.011, False, False, False, "draws 126.20 mA, should draw 120.00 mA"),
        (0.1138, 0.011, False, False, False, "draws 113.80 mA"),
        (0.0, 0.011, False, False, False, "it never closes"),
        (0.006, 0.011, False, False, False, "it never closes"),
        (0.0063, 0.011, False, False, False, "draws 6.30 mA"),
        (0.0, 0.131, True, True, False, "its switch doesn't open"),
        (0.0, 0.131, False, True, False, "it never closes"),  # another one's switch conducts
        (0.120, 0.011, True, False, False, "the box's own test names it"),
        (0.120, 0.131, True, True, False, "the box's own test names it"),
    ],
)
def test_a_channel_is_judged_by_what_the_circuit_draws_more(drawn_a, rest_a, named, stuck, ok, said):
    found = judged(drawn_a, rest_a, named, stuck)
    assert (found.ok, found.channel) == (ok, 3)
    assert said in found.message
    assert bool(said) == bool(found.message)
    assert ("never closes" in found.message) == ("never closes" in said)
    if found.ohms is not None:
        assert found.ohms == pytest.approx(12 / drawn_a, abs=0.05)
    assert (found.ohms is None) == (drawn_a <= 0.00015)

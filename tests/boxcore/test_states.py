"""The tables of states, moves and faults: complete, consistent, and safe by their shape."""

import itertools

import pytest
from boxcore import box, ledger, panel
from boxcore import states as st

from tests.documents import EVENTS, MOVES

CLOSING = {("start", st.RUNNING), ("release", st.RUNNING), ("level", st.LEVEL)}


def test_every_row_speaks_of_known_states_and_events():
    for (state, event), after in MOVES.items():
        assert state in st.STATES
        assert after in st.STATES
        assert event in EVENTS
    assert {event for _, event in MOVES} == set(EVENTS)


def test_every_missing_row_is_a_refusal_with_the_standards_number():
    for state, event in itertools.product(st.STATES, EVENTS):
        if (state, event) in MOVES:
            assert st.next_state(state, event) == MOVES[state, event]
        else:
            with pytest.raises(st.BoxError) as refusal:
                st.next_state(state, event)
            assert refusal.value.code == -221  # SCPI-1999 vol. 2, 21.8.9: settings conflict


def test_every_state_can_be_reached_and_left_for_idle():
    reached = {st.IDLE}
    while True:
        more = {after for (state, _), after in MOVES.items() if state in reached}
        if more <= reached:
            break
        reached |= more
    assert reached == set(st.STATES)
    for state in st.STATES:
        assert MOVES[state, "halt"] == st.IDLE


def test_only_three_events_lead_to_where_a_switch_may_close():
    for (state, event), after in MOVES.items():
        if after in (st.RUNNING, st.LEVEL):
            assert (event, after) in CLOSING
        if after == st.HOLDING:
            assert state == st.RUNNING
    for state in (st.TRIPPED, st.ENDED, st.IDLE):
        assert not any(MOVES.get((state, event)) == st.RUNNING for event in EVENTS)
    assert not any(after == st.WAITING for (state, _), after in MOVES.items() if state == st.TRIPPED)


def test_every_state_has_what_walks_by_state():
    for table in (box.STEPS, ledger.PHASES, panel.BLINKS):
        assert set(table) == set(st.STATES)
    assert set(st.OPERATION) == {*st.PLAYING, st.WAITING}


def test_every_fault_has_a_name_an_event_and_the_standards_bit():
    names = [name for name, _, _ in st.FAULTS.values()]
    assert len(set(names)) == len(names)
    for number, (name, event, bit) in st.FAULTS.items():
        assert event in ("hold", "trip", "end", None)
        assert st.question_bit(number) == (0 if bit is None else 1 << bit)
        # SCPI-1999 vol. 1, 20.1: bit 0 voltage, 1 current, 2 time, 4 temperature; 9 to 12 are the designer's.
        assert bit == {"supply": 0, "bank": 4, "board": 4, "sensor": 4, "over": 1, "time": 2}.get(
            name.split("-")[0], {"charge": 9, "switch": 10}.get(name.split("-")[0])
        )
    assert st.question_bit(st.NO_FAULT) == 0

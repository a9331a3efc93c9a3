"""What the indicator shows: for each state of the box when it is lit. A table and a look-up; it drives
nothing.

It lights in short blinks only, and its brightness can be set to almost nothing or off, so that a class does
not find the box by its light. It never blinks in step with a draw.
"""

from boxcore import states as st

# state -> (blinks in a period, length of the period in ticks)
BLINKS = {
    st.IDLE: (1, 100_000),
    st.WAITING: (1, 40_000),
    st.RUNNING: (2, 40_000),
    st.HOLDING: (3, 40_000),
    st.LEVEL: (2, 20_000),
    st.ENDED: (1, 20_000),
    st.TRIPPED: (4, 20_000),
}
FLAGGED = (5, 20_000)  # something is wrong that did not stop the run: a switch, a sensor
BLINK_TICKS = 1_000  # 0.1 s lit
PAUSE_TICKS = 2_000  # 0.2 s dark between the blinks of a group


def lit(state, flagged, now):
    """True when the indicator is on at `now` (ticks) in a state; `flagged` for a fault that didn't stop the
    run."""
    blinks, period = FLAGGED if flagged and state != st.TRIPPED else BLINKS[state]
    at = now % period
    step = BLINK_TICKS + PAUSE_TICKS
    return at // step < blinks and at % step < BLINK_TICKS

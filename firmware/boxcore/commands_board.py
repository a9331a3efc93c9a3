"""The commands that only a real board has: what its shell reports, and the way into maintenance.

Rows for the instrument's table, see commands_common; nothing here is needed to run a program.
"""

from boxcore import states as st
from boxcore.commands_common import PROTECTED


def rows(hal, loop):
    """DIAGnostic:HARDware? answers faults (bits of sensors and hal_rp2), clk_sys in hertz, underruns, the
    latest start in ticks, room in the queue in words. DIAGnostic:MAINtenance ends the program and resets the
    board to its prompt, without a watchdog, so that files can be changed; refused while a program or a level
    plays."""

    def hardware(ins):
        return hal.faults, hal.clock_hz, hal.starved_count, hal.late_ticks, hal.room()

    def maintain(ins):
        if ins.box.state in st.BUSY:
            raise st.BoxError(-221, "halt first")
        loop.leave = True

    return (
        ("DIAGnostic:HARDware?", PROTECTED, 0, (), hardware),
        ("DIAGnostic:MAINtenance", PROTECTED, 0, (), maintain),
    )

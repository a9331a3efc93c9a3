"""A box's commands without a link: the handlers of their rows called straight, and what tests store and ask.

Runs under MicroPython too.
"""

from boxcore import commands_box
from boxcore import states as st
from boxcore.slots import BAD


class Caller:
    """What a handler is given in place of an instrument."""

    def __init__(self, box, now):
        self.box = box
        self.now = now

    def closes_switches(self):
        pass

    def refresh(self):
        pass


def rows():
    """Every row that any instrument has."""
    from boxcore import commands

    common, box = commands.TABLES
    late = [commands.late_rows(words) for words in (["*TST"], ["SYST", "PASS"], ["CAL"])]
    return common + late[0] + late[1] + box + late[2]


def error_texts():
    """{number: text} of every error that an instrument may tell."""
    from boxcore import scpi_status

    lines = scpi_status.TEXTS.strip().split("\n")
    return {int(line.split(" ", 1)[0]): line.split(" ", 1)[1] for line in lines}


def call(box, now, header, *values):
    """Do what the row of a header does, with parsed parameters."""
    from boxcore import commands

    for row in rows():
        if row[commands.HEADER] == header:
            return row[commands.HANDLER](Caller(box, now), *values)
    raise KeyError(header)


def store(box, slot, data):
    """Store a program's bytes in a slot, whole or not at all; returns its slots.Info."""
    commands_box.ask_change(box, slot)
    box.slots.open_write(slot)
    try:
        box.slots.write(data)
        return box.slots.commit()
    finally:
        box.slots.abort()


def bad(slots):
    """The damaged slots, ascending."""
    return [slot for slot in range(len(slots.infos)) if slots.infos[slot] is BAD]


def used(box, now):
    """(ticks, mas) of the budgets used until `now`, all boots together."""
    run = box.run_account
    if run is None:
        return box.ledger.used_ticks, box.ledger.used_mas
    return run.account(now, box.player.mas)[:2]


def questionable(box):
    """The QUEStionable condition bits: what holds, tripped or ended the run, and flagged switches."""
    return st.question_bit(box.fault) | st.question_bit(box.flagged)

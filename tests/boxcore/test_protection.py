"""What a locked box still does and what it refuses: every header, with every kind of parameter."""

import pytest
from boxcore import commands, commands_box, commands_common

from tests.boxcore.test_lock import STORED
from tests.micropython import doors, link_cases, link_rig


def locked_rig(plan=link_cases.PROGRAM, arm=True):
    """A box with a program, armed if asked, then locked; and it would rather run."""
    rig = link_rig.Rig({"lock": STORED})
    rig.box.lock.locked = False
    rig.say(b"PROG:NAME SLOT3;DEF " + link_cases.block(plan) + b"\n")
    if arm:
        rig.say(b"PROG:STAT RUN\n")
    rig.box.lock.locked = True
    assert rig.say(b"SYST:ERR?\n") == link_cases.NO_ERROR
    return rig


PARAMETERS = ("", "1", "ON", "RUN", "SLOT3", "'JOURNAL',0,160", "0,160", "SLOT3,0,160", "SLOT3,RUN", "0.1")
PARAMETERS += (link_cases.block(link_cases.OTHER), b"SLOT3," + link_cases.block(link_cases.OTHER))


def headers(*when_locked):
    rows = [row for row in doors.rows() if row[commands.LOCKED] in when_locked]
    return [row[commands.HEADER].replace("[", "").replace("]", "") for row in rows]


def messages(header):
    """The header with every kind of parameter."""
    for text in PARAMETERS:
        text = text if isinstance(text, bytes) else text.encode()
        yield header.encode() + b" " + text + b"\n"


@pytest.mark.parametrize("header", headers(commands_common.PROTECTED))
def test_what_is_protected_is_refused_and_changes_nothing(header):
    rig = locked_rig()
    files, state = dict(rig.store.files), rig.box.state
    for message in messages(header):
        rig.say(b"*CLS\n")
        assert rig.say(message) == b""
        assert rig.say(b"SYST:ERR?\n").startswith(b"-203,")
    assert (rig.store.files, rig.box.state) == (files, state)
    assert rig.box.lock.locked


@pytest.mark.parametrize("header", headers(commands_common.OPEN, commands_common.HALT))
def test_what_is_open_neither_unlocks_nor_makes_the_box_draw(header):
    rig = locked_rig(arm=False)
    for message in messages(header):
        rig.say(message)
        assert rig.box.state == "idle"
        assert rig.box.lock.locked
    assert set(rig.store.files) >= {"lock", "slot3"}


# Besides the common commands, STATus and the lock's own: whoever opens another header gives his reason here.
OPEN = {
    "SYSTem:ERRor:NEXT?": "a link can't be used without",
    "SYSTem:ERRor:COUNt?": "a link can't be used without",
    "SYSTem:VERSion?": "of the standard, not of the box's work",
    "OUTPut:STATe?": "whether it may draw: safety",
    "MEASure:SCALar:VOLTage:DC?": "a slow mean: any meter shows more",
    "DIAGnostic:BOARd?": "*IDN? has it too",
    "DIAGnostic:CLOCk?": "time",
    "DIAGnostic:SEAL?": "a link can't be used without",
    "DIAGnostic:STATe?": "whether it may draw: safety; STATus tells it too",
}
HALT = {"OUTPut:STATe": "off: safety", "PROGram:SELected:STATe": "stop: safety"}


def test_nothing_is_open_without_a_reason():
    common = ("*", "STATus:", "SYSTem:PASSword")
    assert {header for header in headers(commands_common.OPEN) if not header.startswith(common)} == set(OPEN)
    assert set(headers(commands_common.HALT)) == set(HALT)
    closed = [header for header in headers(commands_common.PROTECTED) if header.startswith(common)]
    assert closed == ["*TST?", "SYSTem:PASSword:NEW:SHARe", "SYSTem:PASSword:NEW", "SYSTem:PASSword:CLEar"]
    assert len(headers(commands_common.OPEN, commands_common.HALT, commands_common.PROTECTED)) == len(
        doors.rows()
    )


def test_the_boards_own_commands_are_protected_the_way_to_the_prompt_first():
    rows = commands_box.board_rows(None, None)
    assert "DIAGnostic:MAINtenance" in [row[commands.HEADER] for row in rows]
    assert {row[commands.LOCKED] for row in rows} == {commands_common.PROTECTED}


def test_what_is_open_says_nothing_about_the_program():
    """Every question that a locked box answers, asked of boxes with unlike programs: the same answers."""
    told = []
    for plan in (link_cases.PROGRAM, link_cases.OTHER, link_cases.LONG):
        rig = locked_rig(plan)
        rig.say(b"DIAG:SEAL? 1\n")  # the next ones are about what is asked here
        answers = []
        for _ in range(5):
            rig.wait(7_777)
            for header in headers(commands_common.OPEN):
                if header.endswith("?"):
                    answers += [(header, rig.say(message)) for message in messages(header)]
        told.append(answers)
    assert told[0] == told[1] == told[2]
    assert ("MEASure:SCALar:VOLTage:DC?", b"12.6\n") in told[0]
    assert len(told[0]) > 1000

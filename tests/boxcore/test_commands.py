"""The instrument's conversations, its bounds, and that nothing sent to it ever breaks or stops anything."""

import ast
from pathlib import Path
from random import Random

import pytest
from boxcore import board, commands, commands_box, commands_common, port, scpi, scpi_status
from boxcore import program as pg
from boxcore.port import ANSWER_BYTES
from nightdraw import journals

from tests.boxcore import noise
from tests.counts import tries
from tests.micropython import doors, link_cases, link_rig, talk_board

PUT = b"PROG:DEF " + link_cases.block(link_cases.PROGRAM) + b"\n"
LINES = 2_000  # of the quick noise; the campaign sends CAMPAIGN_LINES
CAMPAIGN_LINES = tries(100_000, 40_000)
HALTS = (b"STOP", b"*RST", b"OUTP")  # without one of these in it no line may end a run


@pytest.mark.parametrize("way", talk_board.WAYS)
@pytest.mark.parametrize("name", sorted(talk_board.CASES))
def test_conversation(name, way):
    assert talk_board.hold(name, way) is None


def test_every_command_has_a_conversation(monkeypatch):
    said, find = set(), commands.Instrument._row

    def note(instrument, words, query):
        row = find(instrument, words, query)
        said.add(row[commands.HEADER])
        return row

    monkeypatch.setattr(commands.Instrument, "_row", note)
    for name in talk_board.CASES:
        assert talk_board.hold(name, talk_board.whole) is None
    assert {row[commands.HEADER] for row in doors.rows()} - said == set()


@pytest.fixture
def rig():
    return link_rig.Rig()


def test_every_error_the_core_raises_is_in_the_table():
    """A number without a text would be answered with a wrong one."""
    missing = set()
    for path in Path(commands.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name | ast.Attribute):
                name = node.func.id if isinstance(node.func, ast.Name) else node.func.attr
                if name in ("BoxError", "fail", "report") and isinstance(node.args[0], ast.UnaryOp):
                    missing.add(ast.literal_eval(node.args[0]))
    assert missing
    assert missing - set(doors.error_texts()) == set()


def test_every_error_in_the_table_has_a_user():
    """The table is kept to what is used: each number stands somewhere else in the core, too."""
    sources = [path for path in Path(commands.__file__).parent.glob("*.py") if path.name != "scpi_status.py"]
    text = "\n".join(path.read_text() for path in sources)
    own = {0, scpi_status.OVERFLOW}
    assert [code for code in doors.error_texts() if code not in own and str(code) not in text] == []


def test_no_two_rows_answer_to_one_header():
    seen = {}
    for row in doors.rows():
        header = row[0]
        for form in _forms(header):
            assert form not in seen, f"{header} and {seen[form]}"
            seen[form] = header


def _forms(header):
    """Every header that a pattern accepts, in long form."""
    forms = [""]
    for node in header.replace("[:", ":[").replace(":]", "]:").replace("]?", "]:?").split(":"):
        word = node.strip("[]").upper()
        taken = [form + ":" + word for form in forms]
        forms = forms + taken if node.startswith("[") else taken
    return forms


def test_a_late_table_is_loaded_for_its_own_headers_alone():
    for words in (["*IDN"], ["SYST", "ERR"], ["MEAS", "VOLT"], ["SYST"], ["PASS"], ["CALL"]):
        assert commands.late_rows(words) == ()
    for words in (["*TST"], ["SYST", "PASS", "STAT"], ["SYSTEM", "PASSWORD"], ["CAL", "CLOS"]):
        assert commands.late_rows(words), words


def test_a_full_flash_is_an_error_and_no_more(rig):
    rig.say(PUT)
    rig.store.full = True
    error, done = rig.say(PUT + b"SYST:ERR?\n*OPC?\n").splitlines()
    assert error.startswith(b'-250,"Mass storage error;the store failed: ')
    assert done == b"1"
    rig.store.full = False
    assert rig.say(PUT + b"SYST:ERR?\nPROG:STAT RUN;STAT?\n") == b'0,"No error"\nRUN\n'


def test_lack_of_memory_is_an_error_and_no_more(rig):
    def starve(_):
        raise MemoryError

    table = (("TEST", commands_common.OPEN, 0, (), starve),)
    rig.instrument = commands.Instrument(rig.box, table)
    assert rig.say(b"TEST;*OPC?;:SYST:ERR?\n") == b'1;-225,"Out of memory"\n'


def test_no_sensor_no_temperature(rig):
    rig.readings.bank_cdeg = port.NOT_MEASURED
    assert rig.say(b"MEAS:TEMP?\nSYST:ERR?\n") == b'-241,"Hardware missing;no bank temperature sensor"\n'


def test_a_calculated_current_is_of_the_instant_it_is_asked_for(rig):
    """Between two steps of the box too: edges that have played since the last one count."""
    rig.say(PUT + b"PROG:STAT RUN\n")  # 100 mA, and 50 mA more in the first second of every ten
    rig.wait(5_000)
    began = rig.box.run_started
    now = rig.now
    told = []
    for at in (began + 6_000, began + 9_998, began + 10_001):
        assert at > now
        told.append(rig.instrument.feed(b"MEAS:CURR?\n", at))
    assert [float(text) for text in told] == pytest.approx([0.15, 0.15, 0.10], abs=0.007)


def test_a_fitted_monitor_is_believed(rig):
    rig.readings.bank_ua = 123_456
    assert rig.say(b"MEAS:CURR?\n") == b"0.134456\n"


def test_the_self_test_names_the_channel():
    rig = link_rig.Rig(monitor=True)
    assert rig.say(b"*TST?\n") == b"0\n"
    rig.hal.probe_pct = 80
    assert rig.say(b"*TST?\n") == b"1\n"


def test_questionable_follows_the_guards(rig):
    rig.say(PUT + b"STAT:QUES:ENAB 1\nPROG:STAT RUN\n")
    rig.readings.supply_mv = 8_000
    rig.wait(1_000)
    assert rig.say(b"STAT:QUES:COND?;:PROG:STAT?;*STB?\n") == b"1;PAUS;24\n"
    rig.readings.supply_mv = 12_600
    rig.wait(600_000)
    assert rig.say(b"STAT:QUES:COND?;EVEN?;:PROG:STAT?;*STB?\n") == b"0;1;RUN;16\n"


def test_an_event_between_two_messages_is_latched(rig):
    rig.say(b"OUTP ON\n")
    rig.wait(10)
    rig.say(b"OUTP OFF\n")
    assert rig.say(b"STAT:OPER:COND?;EVEN?\n") == b"0;512\n"


def test_a_block_begun_before_the_lock_is_not_stored_after_it(rig):
    """Another link, or a power-up in a test's place, locks the box meanwhile."""
    rig.say(PUT[:-20])
    rig.box.lock.locked = True
    assert rig.say(PUT[-20:] + b"SYST:ERR?\n") == b'-203,"Command protected;the box is locked"\n'
    rig.box.lock.locked = False
    assert rig.say(b"PROG:CAT?\n") == b'""\n'
    assert not [name for name in rig.store.files if name.startswith("slot")]


@pytest.mark.parametrize("size", [198, 199, 200, 201])
def test_an_answer_has_at_most_200_bytes_with_its_end(size):
    rig = link_rig.Rig()
    rows = (("TEST:LONG?", commands_common.OPEN, 0, (), lambda ins: "x" * size),)
    rig.instrument = commands.Instrument(rig.box, rows)
    answer = rig.say(b"TEST:LONG?\n")
    assert answer == (b"x" * size + b"\n" if size <= 199 else b"")
    assert rig.say(b"SYST:ERR?\n").startswith(b"0," if size <= 199 else b"-430,")


def test_a_long_block_of_the_journal_is_alone_in_its_message(rig):
    for k in range(250):
        rig.box.journal.add(k, 5)
    whole = journals.whole(rig.box.journal)
    assert len(whole) > 4096
    ask = b"MMEM:DATA? 'JOURNAL',0,4096"
    block = b"#44096" + whole[:4096]
    assert rig.say(ask + b"\n") == block + b"\n"
    assert rig.say(ask + b"\n*OPC?\n") == block + b"\n1\n"
    for message in (ask + b";*OPC?\n", b"*OPC?;:" + ask + b"\n", ask + b";DATA? 'JOURNAL',0,4096\n"):
        assert rig.say(message) == b""
        assert rig.say(b"SYST:ERR?\n").startswith(b"-430,")
    assert (
        rig.say(ask + b"\n" + ask + b"\n*OPC?\n") == block + b"\n1\n"
    )  # the second before the first is sent
    assert rig.say(b"SYST:ERR?\n").startswith(b"-430,")
    rig.say(b"DIAG:SEAL? 1\n")
    rig.say(ask + b"\n")
    heard, said = ask + b";DIAG:SEAL? 2;", block + b"\n"
    assert rig.say(b"DIAG:SEAL? 2\n") == link_cases.seal(2, heard, said) + b"\n"


def test_time_moved_by_a_unit_is_no_silence(rig):
    def skip(ins):
        ins.now += 10 * scpi.SILENCE_TICKS

    rig.instrument = commands.Instrument(rig.box, (("TEST:SKIP", commands_common.OPEN, 0, (), skip),))
    assert rig.instrument.feed(b"TEST:SKIP;:PROG:DEF #15he", 0) == b""
    late = 10 * scpi.SILENCE_TICKS + 1
    assert rig.instrument.feed(b"llo;*OPC?\n", late) == b"1\n"
    assert rig.instrument.feed(b"SYST:ERR?\n", late) == b'-285,"Program syntax error;the program is cut"\n'


def test_the_largest_answers_fit():
    """Sixteen channels of a siemens, ten slots, the longest error text: every query alone stays in bounds."""
    rig = link_rig.Rig()
    channels = [999_999_999] * 16
    the_board = board.Board("b" * 60, channels, range(16), 11_000, False, link_rig.CAPS)
    rig.box.board = the_board
    rig.box.bank.channels_ns = channels
    rig.box.serial = "s" * 60
    for slot in range(10):
        rig.say(b"PROG:EXPL:DEF SLOT%d,%s\n" % (slot, link_cases.block(link_cases.PROGRAM)))
    rig.now = 1 << 62
    rig.instrument.status.report(-221, "x" * 300)
    for row in doors.rows():
        if row[commands.HEADER].endswith("?") and row[commands.NEEDED] == 0:
            header = row[0].replace("[", "").replace("]", "").encode()
            if header in (b"SYSTem:PASSword:SHARe?", b"SYSTem:PASSword:CONFirm?"):
                continue  # they answer within an exchange only: a string of 130 or 64 digits
            answer = rig.say(header + b"\n")
            assert 2 <= len(answer) <= commands.MAX_ANSWER, header
            assert answer.count(b"\n") == 1
    assert len(rig.say(b"*IDN?\n")) <= 72 + 1  # 488.2, 10.14
    assert rig.say(b"SYST:ERR?\n") == b'0,"No error"\n'


def test_the_largest_block_fits_with_a_seal_beside_it(rig):
    rig.say(b"PROG:DEF " + link_cases.block(link_cases.LONG) + b"\n")
    answer = rig.say(b"PROG:DEF? 0,%d;:DIAG:SEAL? 9999\n" % commands_box.MAX_DATA)
    assert answer.startswith(b"#3160" + link_cases.LONG[:160] + b";9999,")
    assert len(answer) <= commands.MAX_ANSWER


def is_alive(rig):
    """After the silence that ends any block, a good line has its answer."""
    rig.wait(scpi.SILENCE_TICKS)
    rig.say(b"\n")
    return rig.say(b"*OPC?\n") == b"1\n"


def send_noise(rng, lines):
    """Random lines to a running box: its answers are bounded, and only a line that says so stops it."""
    rig = link_rig.Rig()
    rig.say(PUT.replace(b"DEF", b"NAME SLOT1;DEF") + b"PROG:STAT RUN\n")
    for _ in range(lines):
        state = rig.box.state
        sent = noise.line(rng)
        answers = rig.say(sent)
        # A piece of the journal is a block of its own bound.
        pieces = (ANSWER_BYTES + 8) * sent.upper().count(b"DATA?")
        assert len(answers) <= commands.MAX_ANSWER * sent.count(b"\n") + pieces
        if rig.box.state != state:
            assert any(word in sent.upper() for word in HALTS), sent
        if not rig.say(b"\n*OPC?\n").endswith(b"1\n"):
            assert is_alive(rig)
        if rig.box.state not in ("waiting", "running"):
            rig.say(b"OUTP OFF;:PROG:NAME SLOT1;DEF " + link_cases.block(link_cases.PROGRAM) + b";STAT RUN\n")
            assert rig.box.state in ("waiting", "running")
    assert is_alive(rig)
    rig.say(b"*CLS;BOGUS\n")
    assert rig.say(b"SYST:ERR?\n") == b'-113,"Undefined header"\n'


def test_noise_breaks_nothing(seed):
    send_noise(Random(seed), LINES)


@pytest.mark.campaign
def test_many_lines_of_noise_break_nothing(seed):
    send_noise(Random(seed + 1), CAMPAIGN_LINES)


def test_noise_never_changes_a_stored_program(seed):
    """Cut and bent uploads leave the old program or bring the whole new one, whatever else is in the line."""
    rng = Random(seed)
    programs = [link_cases.PROGRAM, link_cases.OTHER]
    rig = link_rig.Rig()
    rig.say(PUT)
    for _ in range(300):
        sent = b"PROG:DEF " + link_cases.block(rng.choice(programs)) + b"\n"
        at = rng.randrange(len(sent))
        sent = sent[:at] + rng.choice([b"", rng.randbytes(1)]) + sent[at + rng.randrange(3) :]
        rig.say(sent)
        rig.wait(scpi.SILENCE_TICKS)
        rig.say(b"\n")
        info = rig.box.slots.infos[0]
        stored = rig.box.slots.read_at(0, 0, pg.MAX_BYTES)
        assert stored in programs
        assert info.bytes == len(stored)

"""The message exchange: every case is fed whole, byte by byte, in random pieces and with a tail."""

import itertools

import pytest
from boxcore import scpi
from hypothesis import given
from hypothesis import strategies as st

UNIT, BLOCK, CLOSE, END, FAULT = "unit", "block", "close", "end", "fault"

OVER = (END, None)

ANY_BYTES = bytes(range(256))

CASES = [
    (b"*IDN?\n", [(UNIT, "*IDN?"), OVER]),
    (b"*IDN?\r\n", [(UNIT, "*IDN? "), OVER]),
    (b"\n", [OVER]),
    (b" ; ;\n", [OVER]),
    (b"*CLS;*ESE 4\n", [(UNIT, "*CLS"), (UNIT, "*ESE 4"), OVER]),
    (b"A\nB\n", [(UNIT, "A"), OVER, (UNIT, "B"), OVER]),
    (b'N "a;b#15",\'x"y;\'\n', [(UNIT, 'N "a;b#15",\'x"y;\''), OVER]),
    (b'N "open;*RST\n*CLS\n', [(UNIT, 'N "open;*RST'), OVER, (UNIT, "*CLS"), OVER]),
    (b"N\t1\n", [(UNIT, "N 1"), OVER]),
    (b"N \x7f\n", [(UNIT, "N \x7f"), OVER]),  # DEL is of ISO 646's 128 characters, the last
    (b"D #15he\nlo\n", [(BLOCK, "D ", 5, b"he\nlo"), (CLOSE, ""), OVER]),
    (b"D #10\n", [(BLOCK, "D ", 0, b""), (CLOSE, ""), OVER]),
    (b"D 3,#210;\"'#19\r\n\n;;E\n", [(BLOCK, "D 3,", 10, b";\"'#19\r\n\n;"), (CLOSE, ""), (UNIT, "E"), OVER]),
    (b"D #3256" + ANY_BYTES + b"\n", [(BLOCK, "D ", 256, ANY_BYTES), (CLOSE, ""), OVER]),
    (b"D #9000000001x;E\n", [(BLOCK, "D ", 1, b"x"), (CLOSE, ""), (UNIT, "E"), OVER]),
    (b"A;D #11xy\n", [(UNIT, "A"), (BLOCK, "D ", 1, b"x"), (CLOSE, "y"), OVER]),
    (b"D #11x;D #11y\n", [(BLOCK, "D ", 1, b"x"), (CLOSE, ""), (BLOCK, "D ", 1, b"y"), (CLOSE, ""), OVER]),
    (b"D #11x,#11y\n", [(BLOCK, "D ", 1, b"x"), (BLOCK, ",", 1, b"y"), (CLOSE, ""), OVER]),
    (b"*ESE #H1F;*ESE #b11\n", [(UNIT, "*ESE #H1F"), (UNIT, "*ESE #b11"), OVER]),
    (b"D#15\n", [(UNIT, "D#15"), OVER]),
    (b"#15\n", [(UNIT, "#15"), OVER]),
    (b"D #\n", [(UNIT, "D #"), OVER]),
    (b"A;D #0abc;*RST\nB\n", [(UNIT, "A"), (FAULT, -161), OVER, (UNIT, "B"), OVER]),
    (b"D #2x1;*RST\nB\n", [(FAULT, -161), OVER, (UNIT, "B"), OVER]),
    (b"D #21\nB\n", [(FAULT, -161), OVER, (UNIT, "B"), OVER]),
    (b"A;\xff;B\nC\n", [(UNIT, "A"), (FAULT, -101), OVER, (UNIT, "C"), OVER]),
    (b"D\x80 #13\n\n\n\nB\n", [(FAULT, -101), OVER, (UNIT, "B"), OVER]),
    (b"A" * 256 + b"\n", [(UNIT, "A" * 256), OVER]),
    (b"A" * 257 + b"\nB\n", [(FAULT, -363), OVER, (UNIT, "B"), OVER]),
    (b"*CLS;" * 52 + b"\nB\n", [(FAULT, -363), OVER, (UNIT, "B"), OVER]),
    (b"D #11x" + b" " * 300 + b";E\nB\n", [(BLOCK, "D ", 1, b"x"), (FAULT, -363), OVER, (UNIT, "B"), OVER]),
]  # fmt: skip


class Consumer:
    """Keeps what its receiver tells, a block's bytes joined to its event; after the event `last` it drops
    the rest of the message."""

    def __init__(self, last=None):
        self.receiver = scpi.Receiver(self)
        self.seen = []
        self._last = last

    def hear(self, *pieces, now=0):
        """What the receiver tells of some pieces."""
        self.seen = []
        for piece in pieces:
            self.receiver.touch(now)
            self.receiver.receive(piece)
        return self.seen

    def _see(self, *event):
        self.seen.append(event)
        if event == self._last:
            self.receiver.drop()

    def on_unit(self, text):
        self._see(UNIT, text)

    def on_block(self, text, size):
        self._see(BLOCK, text, size, b"")

    def on_data(self, piece):
        self.seen[-1] = (*self.seen[-1][:3], self.seen[-1][3] + bytes(piece))

    def on_close(self, text):
        self._see(CLOSE, text)

    def on_fault(self, code):
        self._see(FAULT, code)

    def on_end(self):
        self._see(*OVER)


@pytest.mark.parametrize(("message", "events"), CASES)
def test_whole(message, events):
    assert Consumer().hear(message) == events


@pytest.mark.parametrize(("message", "events"), CASES)
def test_byte_by_byte(message, events):
    assert Consumer().hear(*[bytes([b]) for b in message]) == events


@pytest.mark.parametrize(("message", "events"), CASES)
def test_with_a_tail(message, events):
    consumer = Consumer()
    assert consumer.hear(message + b"*WA") == events
    assert consumer.hear(b"I\n") == [(UNIT, "*WAI"), (END, None)]


@given(st.sampled_from(CASES), st.lists(st.integers(0, 600), max_size=5))
def test_in_pieces(case, cuts):
    message, events = case
    edges = [0, *sorted(min(cut, len(message)) for cut in cuts), len(message)]
    pieces = [message[a:b] for a, b in itertools.pairwise(edges)]
    assert Consumer().hear(*pieces) == events


@given(st.binary(max_size=4000))
def test_any_block_passes_unchanged(data):
    size = b"%d" % len(data)
    message = b"D #%d%s%s;E\n" % (len(size), size, data)
    events = [(BLOCK, "D ", len(data), data), (CLOSE, ""), (UNIT, "E"), (END, None)]
    assert Consumer().hear(message) == events


def test_dropping_passes_over_the_rest_of_the_message_only():
    seen = Consumer(last=(UNIT, "B")).hear(b"A;B;D #13\n\n\n;C\nE\n")
    assert seen == [(UNIT, "A"), (UNIT, "B"), OVER, (UNIT, "E"), (END, None)]


def test_a_refused_blocks_bytes_are_never_commands():
    seen = Consumer(last=(BLOCK, "D ", 5, b"")).hear(b"D #15\n*RST" + b"\nE\n")
    assert seen == [(BLOCK, "D ", 5, b""), OVER, (UNIT, "E"), (END, None)]


@pytest.mark.parametrize(
    "begun", [b"D #", b"D #3", b"D #32", b"D #15", b"D #15abcd", b"D #15abcde", b"D #15abcde "]
)
def test_silence_ends_a_block_once(begun):
    consumer = Consumer()
    consumer.hear(begun, now=1000)
    assert not consumer.receiver.expired(1000 + scpi.SILENCE_TICKS - 1)
    assert consumer.receiver.expired(1000 + scpi.SILENCE_TICKS)
    assert not consumer.receiver.expired(1000 + 2 * scpi.SILENCE_TICKS)
    assert consumer.hear(b"*IDN?\n") == [(UNIT, "*IDN?"), (END, None)]


@pytest.mark.parametrize("begun", [b"", b"*ID", b'N "x', b"A" * 300, b"D #0"])
def test_silence_elsewhere_is_patience(begun):
    consumer = Consumer()
    consumer.hear(begun)
    assert not consumer.receiver.expired(10 * scpi.SILENCE_TICKS)


def test_every_byte_of_a_block_renews_its_time():
    consumer = Consumer()
    now = 0
    for byte in b"D #15abcd":
        now += scpi.SILENCE_TICKS - 1
        assert not consumer.receiver.expired(now)
        consumer.receiver.touch(now)
        consumer.receiver.receive(bytes([byte]))


@given(st.binary(max_size=2000))
def test_whatever_comes_the_line_is_free_again(noise):
    consumer = Consumer()
    consumer.hear(noise)
    consumer.receiver.expired(scpi.SILENCE_TICKS)
    consumer.hear(b"\n")
    assert consumer.hear(b"*IDN?\n") == [(UNIT, "*IDN?"), (END, None)]

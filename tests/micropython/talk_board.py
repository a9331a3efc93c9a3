"""Holds the conversations of the *_cases.py; the same functions run under CPython and, as a script, under
MicroPython. As a script it prints how many it held and ends badly at the first wrong answer.

As a script: talk_board.py [NOISE ANSWERS]: also sends the bytes of one file, writes the answers to the other.
"""

import sys

if __name__ == "__main__":
    import link_cases
    import lock_cases
    import program_cases
    import trim_cases
    from link_rig import Rig
else:
    from tests.micropython import link_cases, lock_cases, program_cases, trim_cases
    from tests.micropython.link_rig import Rig

CASES = dict(link_cases.CASES)
CASES.update(lock_cases.CASES)
CASES.update(program_cases.CASES)
CASES.update(trim_cases.CASES)
TAIL = b"*OPC?"
BLANK = b" "  # the tail of conversations about the seal, which counts every unit
PIECE = 64  # what a USB packet brings


def whole(rig, data):
    """Everything at once."""
    return rig.say(data)


def byte_by_byte(rig, data):
    """One byte at a time."""
    return b"".join([rig.say(data[k : k + 1]) for k in range(len(data))])


def with_a_tail(rig, data):
    """With the beginning of the next message behind it, which must stay without effect until its end."""
    if not data.endswith(b"\n"):
        return rig.say(data)
    answer = rig.say(data + rig.tail)
    rest = rig.say(b"\n")
    return answer if rest == (b"" if rig.tail == BLANK else b"1\n") else rest


WAYS = (whole, byte_by_byte, with_a_tail)


def hold(name, way):
    """Hold one conversation; returns None, or what went wrong."""
    rig = Rig()
    rig.tail = BLANK if "seal" in name else TAIL
    for step in CASES[name]:
        if isinstance(step, int):
            rig.wait(step)
            continue
        data, wanted = step
        answer = way(rig, data)
        if answer != wanted:
            return "%s: %r gave %r, not %r" % (name, data, answer, wanted)
    return None


def answers_to(noise):
    """Every answer to a stream of bytes in USB-sized pieces, silence at times, then the whole error queue."""
    rig = Rig()
    answers = []
    for at in range(0, len(noise), PIECE):
        answers.append(rig.say(noise[at : at + PIECE]))
        if at % (4 * PIECE) == 0:
            rig.wait(20_000)
    rig.wait(20_000)
    answers.append(rig.say(b"\n*IDN?\n" + b"SYST:ERR?\n" * 17))
    return b"".join(answers)


def seals():
    """The seal's and the error queue's answers after each byte in each place of a unit, and in a string."""
    rig = Rig()
    answers = []
    for byte in range(256):
        one = bytes((byte,))
        for line in (one + b"*OPC?", b"*OP" + one + b"C?", b"*OPC?" + one, b"DIAG:SEAL? 1" + one,
                     b"PROG:NAME '" + one + b"'", b"PROG:NAME '" + one, b"PROG:NAME 'a" + one,
                     b"*OPC?;" + one, one + b";*OPC?", b"CURR" + one + b"0.1", b"CURR #" + one,
                     b"*ESE #H1" + one, b"PROG:DEF " + one + b"#15"):  # fmt: skip
            rig.say(b"\n*CLS;:DIAG:SEAL? 3\n")
            answers.append(rig.say(line + b"\nSYST:ERR?;:DIAG:SEAL? 4\n"))
            rig.wait(20_000)
    return b"".join(answers)


def main(arguments):
    """See above."""
    count = 0
    for name in sorted(CASES):
        for way in WAYS:
            wrong = hold(name, way)
            if wrong:
                raise ValueError(wrong)
            count += 1
    if arguments:
        with open(arguments[0], "rb") as file:
            noise = file.read()
        with open(arguments[1], "wb") as file:
            file.write(answers_to(noise) + seals())
    print(count)


if __name__ == "__main__":
    main(sys.argv[1:])

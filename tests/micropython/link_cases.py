"""Conversations with the instrument: what is sent, and the exact answer. Every one is held whole, byte by
byte, and with a tail, under both Pythons. Nothing here runs a box: link_rig.py does.

A conversation is a list of steps on a fresh rig: bytes and their answer, or a number of ticks to wait.
"""

import binascii

from boxcore import __version__, program
from nightdraw import programs

PROGRAM = programs.pack(
    program.Program(
        "two-steps",
        [(program.STEADY, 100_000), (program.PULSE, 50_000, 10_000, 100_000, 0)],
        supply_min_mv=10_000,
    )
)
OTHER = programs.pack(program.Program("other", [(program.STEADY, 200_000)]))
LONG = programs.pack(
    program.Program(
        "long", [(program.REPLAY, 1, programs.pack_levels([(k * 1000 + 10_000, 100) for k in range(40)]))]
    )
)
SECOND = 10_000  # ticks


def block(data):
    """A definite-length block with the shortest length field."""
    size = b"%d" % len(data)
    return b"#%d" % len(size) + size + data


def resting(below_mv):
    """A program that waits for the supply to rest that low for 60 s, and 30 s more, and runs for 108 s."""
    return programs.pack(
        program.Program(
            "rests",
            [(program.STEADY, 40_000)],
            start=program.START_REST,
            start_below_mv=below_mv,
            start_steady_ticks=60 * SECOND,
            start_after_ticks=30 * SECOND,
            run_ticks=108 * SECOND,
        )
    )


def seal(number, heard, said):
    """What DIAGnostic:SEAL? answers after the units heard and the bytes said since the last one."""
    return b"%d,%d,%d" % (number, binascii.crc32(heard), binascii.crc32(said))


def steps(*parts):
    """One conversation of steps and of lists of steps."""
    found = []
    for part in parts:
        found += part if isinstance(part, list) else [part]
    return found


IDENTITY = b"NIGHTDRAW,rig,42," + __version__.encode()
NO_ERROR = b'0,"No error"\n'
ASK = b"SYST:ERR?\n"

CASES = {
    "identity": [
        (b"*IDN?\n", IDENTITY + b"\n"),
        (b"*idn?\r\n", IDENTITY + b"\n"),
        (b"\t *Idn? \n", IDENTITY + b"\n"),
    ],
    "power on sets its event bit": [(b"*ESR?\n", b"128\n"), (b"*ESR?\n", b"0\n")],
    "no answer follows one whose end only the message's end tells": [
        (b"*OPC?;*IDN?;*OPC?;*ESE 1;:SYST:VERS?\n", b"1;" + IDENTITY + b"\n"),
        (
            b"*ESE?;:SYST:ERR?;ERR?\n",
            b'1;-440,"Query UNTERMINATED after indefinite response";-440,"Query UNTERMI'
            b'NATED after indefinite response"\n',
        ),
        (b"*OPC?;*IDN?\n", b"1;" + IDENTITY + b"\n"),
        (ASK, NO_ERROR),
        (b"*IDN?;*ESE? 1;*OPC\n", IDENTITY + b"\n"),  # a query error: the unit behind it is done
        (b"*ESR?;:SYST:ERR?\n", b'133;-440,"Query UNTERMINATED after indefinite response"\n'),
    ],
    "numbers have their least and their largest": [
        (b"OUTP:DUR 2.5;DUR?\n", b"2.5000\n"),
        (
            b"OUTP:DUR? MIN;DUR? MAX;DUR? DEF\n",
            b"0.0000;%d.%04d;0.0000\n" % divmod(program.MAX_TICKS, 10_000),
        ),
        (b"OUTP:DUR MAX;DUR?\n", b"%d.%04d\n" % divmod(program.MAX_TICKS, 10_000)),
        (b"OUTP:DUR minimum;DUR?\n", b"0.0000\n"),
        (b"OUTP:DUR 3;DUR DEFAULT;DUR?\n", b"0.0000\n"),
        (b"CURR MAX;CURR? MAX\n", b"0.401600\n"),
        (b"*ESE MAX\n", b""),
        (ASK, b'-148,"Character data not allowed"\n'),
        (b"OUTP:DUR MOST\n", b""),
        (ASK, b'-148,"Character data not allowed"\n'),
    ],
    "DEL is a character as any": [
        (b"MMEM:DATA? 'JOURNAL\x7f',0,16\n", b""),
        (ASK, b'-256,"File name not found"\n'),
        (b"*OPC\x7f?\n", b""),
        (ASK, b'-101,"Invalid character"\n'),
        (b"\x80*OPC?\n", b""),
        (ASK, b'-101,"Invalid character"\n'),
    ],
    "several queries, one answer": [
        (b"*OPC?;SYST:VERS?;:SYST:ERR:COUN?;*STB?\n", b"1;1999.0;0;16\n"),
        (b"*STB?\n", b"0\n"),
    ],
    "long, short, optional, any case": [
        (b"SYSTEM:ERROR:NEXT?\n", NO_ERROR),
        (b"syst:err?\n", NO_ERROR),
        (b":SYST:ERROR:NEXT?\n", NO_ERROR),
        (b"SYST:ERRO?\n", b""),
        (b"SYSTE:ERR?\n", b""),
        (ASK, b'-113,"Undefined header"\n'),
        (ASK, b'-113,"Undefined header"\n'),
        (ASK, NO_ERROR),
    ],
    "the header path": [
        (b"MEAS:VOLT?;TEMP?\n", b"12.600;25.12\n"),
        (b"MEAS:VOLT?;*OPC?;TEMP?\n", b"12.600;1;25.12\n"),
        (b"MEAS:VOLT?;:SYST:VERS?;ERR:COUN?;COUN?\n", b"12.600;1999.0;0;0\n"),
        (b"MEAS:VOLT?;SYST:VERS?\n", b"12.600\n"),
        (ASK, b'-113,"Undefined header"\n'),
        (b"MEAS:VOLT?\nTEMP?\n", b"12.600\n"),
        (ASK, b'-113,"Undefined header"\n'),
    ],
    "a command error drops the rest of its message": [
        (b"*OPC?;BOGUS;*OPC?\n*OPC?\n", b"1\n1\n"),
        (b"*ESR?\n", b"160\n"),
        (ASK, b'-113,"Undefined header"\n'),
    ],
    "an execution error spoils its own unit only": [
        (b"*CLS;CURR 99;*OPC?\n", b"1\n"),
        (b"*ESR?;:SYST:ERR?\n", b'16;-222,"Data out of range;0.011000 A to 0.401600 A"\n'),
    ],
    "a message with a failed unit closes no switch": [
        (b"CURR 99;:OUTP ON;:OUTP?\n", b"0\n"),
        (ASK, b'-222,"Data out of range;0.011000 A to 0.401600 A"\n'),
        (ASK, b'-221,"Settings conflict;an earlier unit of this message failed"\n'),
        (b"PROG:DEF " + block(PROGRAM) + b"\n", b""),
        (b"PROG:NAME SLOT99;STAT RUN;STAT?\n", b"STOP\n"),
        (b"SYST:ERR:COUN?\n", b"2\n"),
    ],
    "a hand level with an end": [
        (b"CURR 0.05;:OUTP:DUR?;:OUTP:DUR 2.5;:OUTP:DUR?;:OUTP ON;:OUTP?\n", b"0.0000;2.5000;1\n"),
        24_000,
        (b"OUTP?\n", b"1\n"),
        1_100,
        (b"OUTP?;:OUTP:DUR?\n", b"0;2.5000\n"),
        (b"OUTP:DUR -1\n", b""),
        (ASK, b'-222,"Data out of range"\n'),
        (b"*RST;:OUTP:DUR?\n", b"0.0000\n"),
    ],
    "pairs of box time and host time": [
        (b"DIAG:CLOC 1790000000,250;:DIAG:CLOC 1790000001\n", b""),
        (b"DIAG:CLOC 1790000000,1000\n", b""),
        (ASK, b'-222,"Data out of range"\n'),
        (b"DIAG:CLOC\n;:DIAG:MON?\n", b"0\n"),
        (ASK, b'-109,"Missing parameter"\n'),
        (b"SYST:ERR:COUN?\n", b"0\n"),
    ],
    "enables and the status byte": [
        (b"*CLS;*ESE 32;*SRE 36\n", b""),
        (b"*ESE?;*SRE?;*STB?\n", b"32;36;16\n"),
        (b"BOGUS\n", b""),
        (b"*STB?\n", b"100\n"),
        (b"*SRE 255;*SRE?\n", b"191\n"),
        (b"*ESE 256\n", b""),
        (b"*ESE?\n", b"32\n"),
        (b"*ESR?\n", b"48\n"),
        (b"*CLS;*STB?;*ESE?\n", b"0;32\n"),
        (b"*OPC;*ESR?\n", b"1\n"),
        (b"*ESE #H3F;*ESE?;*ESE 3.5E1;*ESE?\n", b"63;35\n"),
    ],
    "parameters": [
        (b"*ESE\n", b""),
        (ASK, b'-109,"Missing parameter"\n'),
        (b"*ESE 1,2\n", b""),
        (ASK, b'-108,"Parameter not allowed"\n'),
        (b"*ESE ON\n", b""),
        (ASK, b'-148,"Character data not allowed"\n'),
        (b"*ESE '1'\n", b""),
        (ASK, b'-158,"String data not allowed"\n'),
        (b"*ESE 1 A\n", b""),
        (ASK, b'-138,"Suffix not allowed"\n'),
        (b"*ESE #11x\n", b""),
        (ASK, b'-168,"Block data not allowed"\n'),
        (b"OUTP MAYBE\n", b""),
        (ASK, b'-224,"Illegal parameter value"\n'),
        (b"PROG:NAME 1\n", b""),
        (ASK, b'-128,"Numeric data not allowed"\n'),
        (b"PROG:NAME SLOT10\n", b""),
        (ASK, b'-282,"Illegal program name"\n'),
    ],
    "the error queue overflows into its newest entry": [
        (b"BOGUS\n" * 20, b""),
        (b"SYST:ERR:COUN?\n", b"16\n"),
    ]
    + [(ASK, b'-113,"Undefined header"\n')] * 15
    + [(ASK, b'-350,"Queue overflow"\n'), (ASK, NO_ERROR)],
    "a line that is too long": [
        (b"*OPC?;" * 43 + b"\n*OPC?\n", b"1\n"),
        (ASK, b'-363,"Input buffer overrun"\n'),
        (b"*OPC?" + b" " * 251 + b"\n", b"1\n"),
    ],
    "an answer that is too long": [
        (b"*ESR?;:SYST:ERR?;" * 14 + b"*OPC?\n*OPC?\n", b"1\n"),
        (b"*ESR?;:SYST:ERR?\n", b'4;-430,"Query DEADLOCKED"\n'),
    ],
    "a level by hand": [
        (b"CURR?;CURR? MIN;CURR? MAX;CURR? DEF\n", b"0.011000;0.011000;0.401600;0.011000\n"),
        (b"OUTP ON;:MEAS:CURR?;:OUTP?\n", b"0.011000;1\n"),
        (b"SOUR:CURR:LEV:IMM:AMPL 111.8 MA;AMPL?\n", b"0.111800\n"),
        (b"MEAS:CURR?;:DIAG:RUN?\n", b"0.111800;LEVEL,-1,-1,-1\n"),
        (b"STAT:OPER:COND?\n", b"512\n"),
        (b"CURR 10 MA\n", b""),
        (ASK, b'-222,"Data out of range;0.011000 A to 0.401600 A"\n'),
        (b"CURR 1 V\n", b""),
        (ASK, b'-131,"Invalid suffix"\n'),
        (b"CURR MAX;CURR?;:OUTP OFF;:OUTP?\n", b"0.401600;0\n"),
        (b"*RST;CURR?\n", b"0.011000\n"),
    ],
    "*RST halts and keeps the queue and the enables": [
        (b"PROG:DEF " + block(PROGRAM) + b";STAT RUN\n*ESE 60;*SRE 32;BOGUS\n", b""),
        (b"*RST;*ESE?;*SRE?;:PROG:STAT?;CAT?;:SYST:ERR?\n", b'60;32;STOP;"SLOT0";-113,"Undefined header"\n'),
    ],
    "SCPI's registers": [
        (b"STAT:OPER:ENAB 65535;ENAB?;:STAT:QUES:ENAB #B11;ENAB?\n", b"32767;3\n"),
        (b"STAT:OPER:ENAB 512;:OUTP ON\n", b""),
        (b"*STB?;:STAT:OPER:COND?\n", b"128;512\n"),
        (b"OUTP OFF;*STB?;:STAT:OPER:EVEN?;EVEN?;COND?\n", b"128;512;0;0\n"),
        (b"STAT:PRES;OPER:ENAB?;:STAT:QUES:ENAB?\n", b"0;0\n"),
        (b"STAT:QUES?;QUES:COND?\n", b"0;0\n"),
    ],
    "what has nothing to wait for, to clear, to delete": [
        (b"*WAI;*OPC?;:OUTP:PROT:CLE;:SYST:ERR?\n", b"1;" + NO_ERROR),
        (b"PROG:EXPL:DEF SLOT4," + block(OTHER) + b"\nPROG:CAT?\n", b'"SLOT4"\n'),
        (b"PROG:EXPL:DEL SLOT4;:PROG:CAT?\n", b'""\n'),
        (b"PROG:EXPL:DEL SLOT4\n", b""),
        (ASK, b'-282,"Illegal program name;slot 4 is empty"\n'),
    ],
    "what the host asks": [
        (b"DIAG:BOAR?;CHAN?;OWN?;CLOC?\n", b'"rig";1000000,2000000,4000000,8000000,16000000;0.011000;0\n'),
        (b"MMEM:CAT?\n", b'40,524248,"JOURNAL,BIN,40"\n'),
        (b"DIAG:JOUR?\n", b"0,40\n"),
        (b"MMEM:DATA? 'journal',40,160\n", b"#10\n"),
        (b"MMEM:DATA? 'JOURNAL',41,160\n", b""),
        (ASK, b'-222,"Data out of range;the journal holds 0 to 40"\n'),
        (b"MMEM:DATA? 'DIARY',0,160\n", b""),
        (ASK, b'-256,"File name not found"\n'),
    ],
    "the seal": [
        (
            b"MEAS:VOLT?;:DIAG:SEAL? 7\n",
            b"12.600;" + seal(7, b"MEAS:VOLT?;:DIAG:SEAL? 7;", b"12.600") + b"\n",
        ),
        (b"DIAG:SEAL? 8\n", seal(8, b"DIAG:SEAL? 8;", b"") + b"\n"),
        (b"*CLS\nMEAS:VOLT? ; TEMP?\n", b"12.600;25.12\n"),
        (b"BOGUS;*IDN?\n", b""),
        (
            b"SYST:ERR:COUN?;:DIAG:SEAL? 9;*OPC?\n",
            b"1;"
            + seal(9, b"*CLS;MEAS:VOLT?;TEMP?;BOGUS;SYST:ERR:COUN?;:DIAG:SEAL? 9;", b"12.600;25.12\n1")
            + b";1\n",
        ),
        (b"\xff\nDIAG:SEAL? 2\n", seal(2, b"!;DIAG:SEAL? 2;", b"") + b"\n"),
        (b"PROG:DEF #15hello;:DIAG:SEAL? 1\n", seal(1, b"PROG:DEF;hello:DIAG:SEAL? 1;", b"") + b"\n"),
    ],
    "garbage between good lines": [
        (b"\x00\x01\x02\n*OPC?\n\xf0\x9f\x8c\x99\n*OPC?\n", b"1\n1\n"),
        (ASK, b'-101,"Invalid character"\n'),
        (ASK, NO_ERROR),
    ],
}

"""Conversations about the trim, as link_cases.py has them. The rig's channel 1 has 1000 ohm."""

try:
    from tests.micropython.link_cases import ASK, NO_ERROR, PROGRAM, SECOND, block
except ImportError:  # a script under MicroPython
    from link_cases import ASK, NO_ERROR, PROGRAM, SECOND, block

CASES = {
    "an untrimmed box believes its board file": [
        (b"CAL:DATA? 1;DATA? 5;SUPP?\n", b"1000000,0;16000000,0;0\n"),
        (b"CAL:DATA? 6\n", b""),
        (ASK, b'-222,"Data out of range;channels are 1 to 5"\n'),
        (b"CAL:DATA?\n", b""),
        (ASK, b'-109,"Missing parameter"\n'),
    ],
    "a reading is believed from then on": [
        (b"CAL:READ 1,12.0 MA,12 V;DATA? 1\n", b"1000000,1000000\n"),
        (
            b"CALIBRATION:READING 2,0.0264,12.0;:CAL:DATA? 2;:DIAG:CHAN?\n",
            b"2000000,2200000;1000000,2200000,4000000,8000000,16000000\n",
        ),
        (b"CURR? MAX\n", b"0.404120\n"),  # 31.2 mS at 12.6 V, and the box's own 11 mA
        (b"*RST;:CAL:DATA? 2\n", b"2000000,2200000\n"),  # *RST leaves calibration alone (488.2, 10.32)
        (b"CAL:CLE 2;DATA? 2;DATA? 1\n", b"2000000,0;1000000,1000000\n"),
        (b"CAL:CLE;DATA? 1\n", b"1000000,0\n"),
        (ASK, NO_ERROR),
    ],
    "a reading that no tolerance explains is refused": [
        (b"CAL:READ 1,15.13 MA,12.6 V\n", b""),  # 20.08 %
        (ASK, b'-340,"Calibration failed;20 % high: check channel, range, lead, resistor"\n'),
        (b"CAL:READ 1,12.6 A,12.6 V\n", b""),
        (ASK, b'-340,"Calibration failed;99900 % high: check channel, range, lead, resistor"\n'),
        (b"CAL:READ 1,0,12.6 V\n", b""),
        (ASK, b'-340,"Calibration failed;100 % low: check channel, range, lead, resistor"\n'),
        (b"CAL:READ 1,5.0 MA,5.0 V\n", b""),
        (ASK, b'-222,"Data out of range;9000 mV to 16000 mV"\n'),
        (b"CAL:READ 1,12.6 MA,0\n", b""),
        (ASK, b'-222,"Data out of range"\n'),
        (b"CAL:DATA? 1;:SYST:ERR?\n", b"1000000,0;" + NO_ERROR),
    ],
    "the supply's trim": [
        (b"CAL:SUPP 12.663;SUPP?;:SYST:ERR?\n", b"5000;" + NO_ERROR),
        (b"CAL:SUPP 13.3\n", b""),
        (ASK, b'-340,"Calibration failed;6 % off: check meter and terminals"\n'),
        (b"CAL:SUPP?;CLE;SUPP?\n", b"5000;0\n"),
    ],
    "one channel closes alone, and opens by itself": [
        (b"CAL:CLOS 3;:OUTP?;:MEAS:CURR?;:DIAG:STAT?\n", b"1;0.061400;LEVEL\n"),  # 4 mS, and 11 mA
        30 * SECOND - 1,
        (b"DIAG:STAT?\n", b"LEVEL\n"),
        1,
        (b"DIAG:STAT?;:MEAS:CURR?\n", b"IDLE;0.011000\n"),
        (b"CAL:CLOS 3,5;CLOS 1,5;:MEAS:CURR?;:OUTP OFF;:MEAS:CURR?\n", b"0.023600;0.011000\n"),
        (b"CAL:CLOS 3,301\n", b""),
        (ASK, b'-222,"Data out of range"\n'),
        (b"CAL:CLOS 6\n", b""),
        (ASK, b'-222,"Data out of range;channels are 1 to 5"\n'),
        (b"BOGUS;*OPC?\nCURR 99;:CAL:CLOS 1;:DIAG:STAT?\n", b"IDLE\n"),
    ],
    "nothing is trimmed while anything plays": [
        (b"CAL:CLOS 1;READ 1,12.6 MA,12.6 V\n", b""),
        (ASK, b'-221,"Settings conflict;can\'t trim while level"\n'),
        (b"OUTP OFF;:PROG:DEF " + block(PROGRAM) + b";STAT RUN\n", b""),
        (b"CAL:CLE\n", b""),
        (ASK, b'-221,"Settings conflict;can\'t trim while running"\n'),
        (b"CAL:CLOS 1\n", b""),
        (ASK, b'-221,"Settings conflict;can\'t level while running"\n'),
        (b"CAL:SUPP 12.6\n", b""),
        (ASK, b'-221,"Settings conflict;can\'t trim while running"\n'),
    ],
}

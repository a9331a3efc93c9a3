"""Recordings in random dialects with known truth: what recorders, spreadsheets and scripts write.

Written from the ways people write numbers, dates and headers, without the reader's help: its tables and rules
are not used here.
"""

from __future__ import annotations

import csv
import datetime as dt
import gzip
import io
import random
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

CURRENTS = (("A", 1e3), ("mA", 1.0), ("uA", 1e-3), ("\u00b5A", 1e-3), ("\u03bcA", 1e-3), ("Amps", 1e3),
            ("milliamps", 1.0), ("amperes", 1e3), ("microamps", 1e-3), ("MILLIAMPERES", 1.0))  # fmt: skip
TIMES = (
    ("s", 1.0),
    ("ms", 1e-3),
    ("us", 1e-6),
    ("\u00b5s", 1e-6),
    ("sec", 1.0),
    ("seconds", 1.0),
    ("min", 60.0),
)
OVER = ("OL", "-OL", "O.L", "OVER", "overload", "inf", "-inf", "9.9E37", "+9.90000000E+37", "-9.9e37", "OVLD")
NOTHING = ("", "nan", "NaN", "--", "NULL", "n/a")
DAYS = {
    "%Y-%m-%d": None,
    "%Y/%m/%d": None,
    "%d.%m.%Y": None,
    "%d/%m/%Y": "day-first",
    "%m/%d/%Y": "month-first",
    "%d-%b-%Y": None,
    "%d/%m/%y": "day-first",
}
PREAMBLES = ("Recorder 7", "Serial number: 20345", "Channels, 2", "Started;yesterday", "Range 10 A", "")
FOOTERS = ("End of file", "samples: 120", "--- stopped by key ---")


@dataclass
class Written:
    """A file's bytes, what a person has to tell about it, and the truth: times (s), values (mA)."""

    data: bytes
    time_s: Floats
    value_ma: Floats
    tell: dict[str, Any] = field(default_factory=dict)
    left_out: int = 0


class Writer:
    """One random dialect."""

    def __init__(self, seed: int) -> None:
        rng = self.rng = random.Random(seed)
        self.separator = rng.choice((",", ",", ";", "\t", "|", " "))
        self.decimal = rng.choice((".", ".", ","))
        self.quoted = self.decimal == self.separator or (self.separator != " " and rng.random() < 0.2)
        self.digits = rng.choice((1, 2, 4, 5, 6))
        self.grouped = rng.random() < 0.3 and (self.quoted or self.separator in ";\t|")
        self.unit, self.size = rng.choice(CURRENTS)
        self.ends = rng.choice(("\n", "\n", "\r\n"))
        self.tell: dict[str, Any] = {}
        styles = ("number", "number", "stamp", "clock", "two", "none")
        self.style = rng.choice(styles if self.separator != " " else ("number", "two", "none"))
        self.header = rng.choice(("_", "(", "[", "/", "row", "row[")) if self.separator != " " else "("

    def write(self) -> Written:
        """The file and its truth."""
        rng = self.rng
        count = rng.randint(3, 150)
        raw = np.random.default_rng(rng.randrange(2**32)).uniform(-2.0, 5.0, count) * 1e3 / self.size
        printed = [self.number(x) for x in raw.tolist()]
        value_ma = np.array([round(x, self.digits) for x in raw.tolist()]) * self.size
        left_out = np.zeros(count, bool)
        for k in range(count - 1):  # a last row of one empty cell belongs to what a recorder adds at its end
            if count > 5 and rng.random() < 0.03:
                left_out[k] = True
                printed[k] = rng.choice([m for m in OVER + NOTHING if m or self.separator != " "])
        names, units, columns, time_s = self.times(count)
        names, units, columns = [*names, "current"], [*units, self.unit], [*columns, printed]
        if rng.random() < 0.3:
            columns.append([self.number(rng.uniform(10, 20)) for _ in range(count)])
            names, units = [*names, "temp"], [*units, "\u00b0C"]
        if rng.random() < 0.2:
            columns.append([rng.choice(("ok", "busy")) for _ in range(count)])
            names, units = [*names, "state"], [*units, ""]
        text = self.text([list(row) for row in zip(*columns, strict=True)], names, units)
        kept = ~left_out
        return Written(self.encoded(text), time_s[kept], value_ma[kept], self.tell, int(left_out.sum()))

    def number(self, x: float) -> str:
        """A number in this dialect."""
        text = f"{x:,.{self.digits}f}" if self.grouped else f"{x:.{self.digits}f}"
        if not self.grouped and self.rng.random() < 0.05:
            text = f"{round(x, self.digits):.12e}"
        return text.translate(str.maketrans(",.", ".,")) if self.decimal == "," else text

    def times(self, count: int) -> tuple[list[str], list[str], list[list[str]], Floats]:
        """Names, units, texts of the columns that tell the time, and the truth in seconds."""
        rng = self.rng
        step_s = rng.choice((0.001, 0.01, 0.25, 1.0, 17.0))
        if self.style == "none":
            rate_hz = rng.choice((1.0, 20.0, 1000.0))
            self.tell["rate_hz"] = rate_hz
            return [], [], [], np.arange(count) / rate_hz
        if self.style == "number":
            unit, size = rng.choice(TIMES)
            since = rng.choice((0.0, 0.0, 12.5, -3.0))
            time_s = since + step_s * np.arange(count)
            digits = {1.0: 4, 1e-3: 1, 1e-6: 1, 60.0: 9}[size]
            text = [f"{x / size:.{digits}f}".replace(".", self.decimal) for x in time_s.tolist()]
            return (
                ["time"],
                [unit],
                [text],
                np.array([round(x / size, digits) * size for x in time_s.tolist()]),
            )
        begun = dt.datetime(2027, rng.randint(1, 12), rng.randint(1, 28), 23, 59, rng.randint(0, 59))
        instants = [begun + dt.timedelta(seconds=k * step_s) for k in range(count)]
        clocks = [self.clock(one) for one in instants]
        time_s = step_s * np.arange(count)
        if self.style == "clock":
            return ["time"], [""], [clocks], time_s
        pattern = rng.choice(list(DAYS))
        if DAYS[pattern] and (rng.random() < 0.5 or begun.day <= 12 or pattern.endswith("y")):
            self.tell["dates"] = DAYS[pattern]
        days = [one.strftime(pattern) for one in instants]
        if self.style == "two":
            return ["Date", "Time"], ["", ""], [days, clocks], time_s
        both = [f"{day} {clock}" for day, clock in zip(days, clocks, strict=True)]
        return ["Timestamp"], [""], [both], time_s

    def clock(self, one: dt.datetime) -> str:
        """A time of day with milliseconds."""
        return one.strftime("%H:%M:%S.") + f"{one.microsecond // 1000:03d}"

    def text(self, rows: list[list[str]], names: list[str], units: list[str]) -> str:
        """Preamble, header, rows, footer."""
        rng = self.rng
        mark = "# " if self.separator == " " else ""
        lines = [mark + rng.choice(PREAMBLES) for _ in range(rng.choice((0, 0, 1, 4)))]
        if rng.random() < 0.05:
            lines += [f"{mark}note {k} of the recorder's settings" for k in range(4000)]
        pairs = list(zip(names, units, strict=True))
        if self.header.startswith("row"):
            around = "[{}]" if self.header == "row[" else "{}"
            head = [names, [around.format(unit) if unit else "" for unit in units]]
        else:
            shape = {"_": "{}_{}", "(": "{} ({})", "[": "{} [{}]", "/": "{} / {}"}[self.header]
            head = [[shape.format(*pair) if pair[1] else pair[0] for pair in pairs]]
        if self.separator == " ":
            lines += [mark + "   ".join(cells) for cells in head]
            lines += ["  ".join(f"{cell:>9}" for cell in row) for row in rows]
        else:
            out = io.StringIO()
            quoting = csv.QUOTE_ALL if self.quoted else csv.QUOTE_MINIMAL
            csv.writer(out, delimiter=self.separator, lineterminator="\n", quoting=quoting).writerows(
                head + rows
            )
            lines += out.getvalue().splitlines()
        if len(rows) > 10 and rng.random() < 0.2:
            lines.insert(len(lines) - 4, "# event: a door")
        lines += [rng.choice(FOOTERS)] if rng.random() < 0.2 else []
        return self.ends.join(lines) + self.ends

    def encoded(self, text: str) -> bytes:
        """The bytes of the text, packed or not."""
        rng = self.rng
        codec = rng.choice(("utf-8", "utf-8", "utf-8-sig", "latin-1", "utf-16"))
        try:
            data = text.encode(codec)
        except UnicodeEncodeError:
            data = text.encode()
        return gzip.compress(data) if rng.random() < 0.3 else data

"""Boxes in the vehicles that ship, sound ones and such as differ, recorded on the bench and compared.

A case is a random profile in a box at a random splice, recorded at the battery or the splice's feed, with a
random script; then nothing is wrong, or a switch or a resistor is, or the recording is tampered with. What is
true is known by construction; the comparison is given the vehicle's file and the script.
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from nightdraw import data
from nightdraw.capture import read as reading
from nightdraw.capture.compare import Asked, Comparison, Place, compare
from nightdraw.capture.journal import Did, read_did
from nightdraw.cli import main
from nightdraw.profile import load
from nightdraw.vehicle import load_vehicle
from nightdraw.vehicle.script import EMPTY, load_script

from tests.capture.synthetic import Floats

CARS = ("vehicle-1", "vehicle-2", "vehicle-3")
BOARDS = ("bench-12v", "bench-12v", "starter-12v")  # with a current monitor, and without one
WRONGS = ("stuck-on", "open", "off value", "missing", "extra", "longer", "late")
CLEARLY_MA = 8.0  # what is wrong is off by this and more: four tolerances


@dataclass(frozen=True)
class Case:
    """One try in a vehicle; wrong: what differs ("" nothing)."""

    seed: int
    asked: Asked | None
    did: Did | None
    recording: reading.Recording
    place: Place
    wrong: str
    said: str

    @property
    def instrument(self) -> str:
        """None is at fault here."""
        return "sound"

    def compared(self, told: bool = True) -> Comparison:
        """The verdict; told: the vehicle's file and the script are given."""
        return compare(self.asked, self.did, self.recording, self.place if told else Place(shared=True))

    def __str__(self) -> str:
        return f"seed {self.seed}: {self.wrong or 'right'}, {self.said}"


def right(seed: int) -> Case:
    """A sound box."""
    return _case(seed, "")


def wrong(seed: int) -> Case:
    """A box or a recording that differs."""
    return _case(seed, WRONGS[seed % len(WRONGS)])


def _case(seed: int, kind: str) -> Case:
    for again in range(40):
        rng = np.random.default_rng((seed, 4, again))
        with tempfile.TemporaryDirectory() as folder:
            made = _made(seed, rng, kind, Path(folder))
        if made is not None:
            return made
    raise AssertionError(f"no case of {kind} for seed {seed}")


def _profile(rng: np.random.Generator, most_ma: float) -> str:
    """A random profile as a person writes it."""
    steady = rng.uniform(15, 0.25 * most_ma)
    draws = [f"  - steady: {steady:.0f} mA"]
    left = most_ma - steady
    for _ in range(int(rng.integers(1, 3))):
        level = float(np.exp(rng.uniform(np.log(25), np.log(0.55 * left))))
        left -= level
        on = float(rng.uniform(0.15, 1.5))
        if rng.random() < 0.6:
            every = on + float(rng.uniform(2, 9))
            draws.append(f"  - pulse: {{draw: {level:.0f} mA, on: {on * 1e3:.0f} ms, every: {every:.3f} s}}")
        else:
            gap = float(rng.uniform(2, 9))
            draws.append(
                f"  - random: {{draw: {level:.0f} mA, on: {on * 500:.0f} ms .. {on * 1e3:.0f} ms, "
                f"gap: 1.5 s .. {gap:.2f} s, law: uniform}}"
            )
    lines = ("profile: p", "about: A test's own.", "start: {when: power, after: 5 s}", "draws:")
    return "\n".join([*lines, *draws, "resume: restart", f"seed: {rng.integers(1, 9999)}", ""])


def _script(rng: np.random.Generator, seconds: int) -> str:
    """What happens to the vehicle: in half of the cases nothing."""
    events = []
    if rng.random() < 0.5:
        at = float(rng.uniform(15, 0.5 * seconds))
        events = [
            f"{{at: {at:.1f} s, door: opens}}",
            f"{{at: {at + rng.uniform(3, 20):.1f} s, door: closes}}",
        ]
        if rng.random() < 0.3:
            events.append(f"{{at: {at + 30:.1f} s, car: unlocked}}")
            events.append(f"{{at: {at + 40:.1f} s, car: locked}}")
    head = "script: s\nabout: A test's own.\nbegins: asleep\n"
    return head + ("events:\n" + "".join(f"  - {e}\n" for e in events) if events else "events: []\n")


def _made(seed: int, rng: np.random.Generator, kind: str, folder: Path) -> Case | None:
    car = load_vehicle(data.shipped("vehicles", str(rng.choice(CARS))))
    splice = car.splices[int(rng.integers(len(car.splices)))]
    board = str(rng.choice(BOARDS))
    most_ma = 160.0 if board.startswith("starter") else 700.0
    seconds = int(rng.integers(90, 200))
    (folder / "p.yaml").write_text(_profile(rng, most_ma), encoding="utf-8")
    has_script = rng.random() < 0.7
    script = _script(rng, seconds)
    channel = "battery" if rng.random() < 0.6 else car.feed_of(splice.fuse)
    board_file = Path("hardware") / f"{board}.yaml"
    words = ["bench", "record", "--vehicle", car.name, "--box", f"{folder / 'p.yaml'}@{splice.name}"]
    words += ["--for", f"{seconds}s", "--out", str(folder / "r.csv"), "--channel", channel]
    words += ["--board", str(board_file), "--seed", str(rng.integers(1, 1 << 30)), "--json"]
    if has_script and "events: []" not in script:
        (folder / "s.yaml").write_text(script, encoding="utf-8")
        words += ["--script", str(folder / "s.yaml")]
    channel_number = 0
    if kind in ("stuck-on", "open", "off value"):
        channel_number = int(rng.integers(3, 9 if board.startswith("starter") else 11))
        if kind == "off value":
            words += ["--plant", str(_plant(rng, board_file, channel_number, folder))]
        else:
            words += ["--fault", f"{kind}:{channel_number}"]
    if main.run(words) != 0:
        return None
    did = read_did(folder / "r.journal.jsonl")
    if channel_number and not _shows(did, kind, channel_number):
        return None
    recording = reading.open_recording(str(folder / "r.csv"), channel, reading.Options())
    parts = list(recording.blocks())
    t_s, ma = np.concatenate([t for t, _ in parts]), np.concatenate([v for _, v in parts])
    if kind and not channel_number:
        tampered = _tampered(rng, kind, did, t_s, ma)
        if tampered is None:
            return None
        ma = tampered
    profile = load(folder / "p.yaml", str(board_file))
    asked = Asked(profile.program(did.seed), did.run or 1, round(did.own_ma * 1000))
    plan = load_script(folder / "s.yaml", car) if (folder / "s.yaml").exists() else EMPTY
    which = rng.integers(0, 3)
    place = Place(shared=True, monitored=bool(did.monitor), vehicle=car, script=plan)
    said = f"{board} in {car.name} at {splice.name}, {channel}, {len(plan.events)} events"
    said += f", channel {channel_number}" if channel_number else ""
    seen = reading.from_arrays(t_s, ma, unit="mA", channel=channel)
    said += (", without profile", ", without journal", "")[int(which)]
    return Case(seed, asked if which != 0 else None, did if which != 1 else None, seen, place, kind, said)


def _plant(rng: np.random.Generator, board_file: Path, channel: int, folder: Path) -> Path:
    """The board with one resistor of another value."""
    factor = float(rng.choice([0.6, 0.75, 1.35, 1.7]))
    lines, seen = [], 0
    for line in board_file.read_text(encoding="utf-8").splitlines():
        if "ohms:" in line and "w_max" not in line and line.lstrip().startswith("- {"):
            seen += 1
            if seen == channel:
                head, rest = line.split("ohms:", 1)
                value = rest.split("ohm", 1)[0].strip()
                thousand = value.endswith("k")
                number = float(value.rstrip("k ")) * (1000 if thousand else 1) * factor
                line = f"{head}ohms: {number:.2f} ohm{rest.split('ohm', 1)[1]}"
        lines.append(line)
    path = folder / "plant.yaml"
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


def _shows(did: Did, kind: str, channel: int) -> bool:
    """Whether the fault changes what the box draws by clearly more than the tolerances."""
    on = did.pattern >> (channel - 1) & 1
    off_ma = did.current_ma(channel) * (0.25 if kind == "off value" else 1.0)
    level = float(did.account.level_ma.max())
    there = not on.all() if kind == "stuck-on" else on.any()
    return bool(there and off_ma > max(CLEARLY_MA, 0.04 * level))


def _tampered(rng: np.random.Generator, kind: str, did: Did, t_s: Floats, ma: Floats) -> Floats | None:
    """The recording with a pulse less, one more, one longer, or all of its later ones late."""
    train = did.account.train()
    zero_s = did.cycle.zero_at_s
    if zero_s is None or len(train) < 6:
        return None
    k = int(rng.integers(2, len(train) - 2))
    from_s, to_s = zero_s + train.start_s[k], zero_s + train.end_s[k]
    level, rest_s = float(train.level_ma[k]), float(train.start_s[k + 1] - train.end_s[k])
    found = ma.copy()
    if kind == "missing":
        inside = (t_s > from_s) & (t_s <= to_s)
        at = zero_s + did.account.t_s
        due = did.account.level_ma[np.searchsorted(at, t_s[inside], side="left") - 1] - train.base_ma
        found[inside] -= due
    elif kind == "extra":
        if rest_s < 1.2:
            return None
        begin = to_s + 0.3 * rest_s
        found[(t_s > begin) & (t_s <= begin + min(0.3, 0.3 * rest_s))] += float(rng.uniform(30, 300))
    elif kind == "longer":
        if rest_s < 0.5 or train.first[k] != train.last[k]:
            return None
        found[(t_s > to_s) & (t_s <= to_s + float(rng.uniform(0.02, 0.12)))] += level
    else:
        late = int(float(rng.uniform(0.05, 1.0)) / (t_s[1] - t_s[0]))
        cut = int(np.searchsorted(t_s, (to_s + zero_s + train.start_s[k + 1]) / 2))
        found[cut + late :] = ma[cut:-late]
        found[cut : cut + late] = ma[cut - late : cut]
    return found


__all__ = ["WRONGS", "Case", "right", "wrong"]

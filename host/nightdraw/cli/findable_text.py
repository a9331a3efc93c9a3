"""What `nightdraw bench findable` says to people: its document in words. Nothing is worked out here."""

from __future__ import annotations

from typing import Any

MARGIN = "    "
# settings in the order in which one sets an instrument: key, words around the value
SETTINGS = (
    ("range_a", "range {} A"),
    ("range_mv", "recorder's range {} mV"),
    ("burden_ohm", "burden {} ohm"),
    ("capture_s", "captures {}"),
    ("rate_hz", "{} samples a second"),
    ("smoothed_samples", "smoothed over {} samples"),
    ("trigger_a", "trigger at {} A"),
    ("trigger_mv", "trigger at {} mV"),
    ("screen_s", "{} across the screen"),
    ("memory_samples", "{} samples of memory"),
    ("memory_lasts_s", "the memory lasts {}"),
    ("capture", "{}"),
    ("fuses_at_once", "fuses at once: {}"),
    ("sets", "sets: {}"),
    ("pulses_at_each", "pulses at each fuse: {}"),
    ("step_mv", "last digit {} mV"),
    ("with", "watched with {}"),
    ("watch_s", "blamed after {} without it"),
    ("resleep_s", "{} until all sleeps again"),
    ("wrong_fuse_at_most_pct", "a wrong fuse in at most {} % of searches"),
    ("confirm", "confirmed by putting it back: {}"),
    ("warm_up_s", "{} to warm up"),
)


def text(document: dict[str, Any]) -> str:
    """The whole answer."""
    lines = [
        f"a box at splice {document['splice']}, fuse {document['fuse']} on feed {document['feed']};"
        f" times count from a vehicle {'that sleeps' if document['state']['asleep'] else 'in this state'}",
        *_sleep(document),
        *_state(document["state"]),
        "",
    ]
    for row in document["methods"]:
        lines += _row(row)
    lines += ["", "each part of the fault by itself:"]
    for part in document["parts"]:
        lines += _part(part)
    lines += ["", _assumed(document["assumptions"])]
    lines += ["", f"difficulty {document['difficulty']:g} of 10, the sum of"]
    return "\n".join([*lines, *(f"{MARGIN}{reason}" for reason in document["reasons"])])


def _part(part: dict[str, Any]) -> list[str]:
    """A part in two or three lines: what it is, what shows it soonest, what doesn't."""
    head = f"{MARGIN}{part['part']}: {part['draw_ma']:.3g} mA"
    head += ", comes once" if part["once"] else f", {part['on_pct']:.3g} % of the time"
    if part["weak"]:
        head += "; too weak to matter: nobody waits for it beside the strongest"
    if part["hides"]:
        head += f"; hides {', '.join(part['hides'])}"
    if part.get("followed_pct") not in (None, 0, 100):
        head += f"; {part['followed_pct']:.0f} % of classes follow it up"
    showing = [row for row in part["methods"] if row["shows"]]
    if not showing:
        return [head, f"{MARGIN * 2}shows by no method: {part['methods'][0]['why']}"]
    times = [f"{row['method']} {_time(row['expected_s'])} ({_time(row['p95_s'])} at 95 %)" for row in showing]
    lines = [head, f"{MARGIN * 2}shows by {'; '.join(times)}"]
    hidden = [row["method"] for row in part["methods"] if not row["shows"]]
    return [*lines, f"{MARGIN * 2}not by {'; '.join(hidden)}"] if hidden else lines


def _assumed(figures: dict[str, Any]) -> str:
    """The school's assumptions."""
    said = []
    for key, value in figures.items():
        if key == "name":
            continue
        if key.endswith("_s"):
            said.append(f"{key[:-2].replace('_', ' ')} {_time(value)}")
        elif key.endswith("_a"):
            said.append(f"{key[:-2].replace('_', ' ')} {1000 * value:g} mA")
        else:
            said.append(
                f"{key.replace('_', ' ')} {value}"
                if key == "pulses"
                else f"{key.replace('_', ' ')} {value:.0%}"
            )
    return f"assumed ({figures['name']}): {', '.join(said)}"


def _sleep(document: dict[str, Any]) -> list[str]:
    """From when on all this holds: a vehicle on its way to sleep hides a fault beneath its own steps."""
    state = document["state"]
    if state["script"] is None and not state["asleep"]:
        return ["it doesn't fall asleep by itself, for defects of its own"]
    sleeps = f"to fall asleep after locking: {_time(document['sleep_s'])}"
    return [f"{sleeps}; what is said holds from then on" if state["asleep"] else sleeps]


def _state(state: dict[str, Any]) -> list[str]:
    """The state that was weighed, where it isn't that of a sleeping vehicle on its battery."""
    if state["script"] is None and not state["fed_by"] and state["asleep"]:
        return []
    at = f"{_time(state['at_s'])} into script {state['script']}" if state["script"] else "as it stands"
    states = ["asleep" if state["asleep"] else "awake"]
    states += ["the engine runs"] if state["engine"] else []
    states += [f"fed by the {' and the '.join(state['fed_by'])}"] if state["fed_by"] else []
    own = f"{state['battery_ma']:.4g} mA in the battery's cable without the box"
    return [
        f"weighed as if it stayed so: {at}, {', '.join(states)}, {state['charge_pct']:.1f} % charged, {own}"
    ]


def _row(row: dict[str, Any]) -> list[str]:
    head = f"{row['method']}: {'shows it' if row['shows'] else 'no'}"
    if row["expected_s"] is not None:
        head += f"; {_time(row['expected_s'])} on average, {_time(row['p95_s'])} at 95 %"
        head += f"; leads to {row['isolates']}" if row["isolates"] else ""
    lines = [head, MARGIN + row["why"]]
    settings = [
        words.format(_value(key, row["settings"][key])) for key, words in SETTINGS if key in row["settings"]
    ]
    if settings:
        lines.append(MARGIN + "set: " + ", ".join(settings))
    if row["closed_form"] is not None:
        exact = row["closed_form"]
        times = f"{_time(exact['expected_s'])} on average, {_time(exact['p95_s'])} at 95 %"
        lines.append(f"{MARGIN}by formula ({exact['law']}): {times}")
    return lines


def _value(key: str, value: Any) -> str:
    if key.endswith("_s"):
        return _time(value)
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def _time(seconds: float) -> str:
    from nightdraw.bench.finding.method import minutes

    return minutes(seconds)

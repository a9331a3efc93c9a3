"""A hidden vehicle's circuit at an instant, by nodal analysis and by ngspice: nothing of the project."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from tests.reference.hidden_vehicles import FUSES, MAIN_OHMS, Cell, Life
from tests.vehicle import nodal

Flows = dict[str, float]


def solve(life: Life) -> tuple[Flows, float]:
    """Amperes by the battery's cable, each feed and fuse, and the root's volts: the root by halving."""
    low, high = 0.0, 40.0
    for _ in range(90):
        volts = (low + high) / 2
        if _given(life, volts)[0] > sum(_drawn(life, volts)[0].values()):
            low = volts
        else:
            high = volts
    flows, in_fuses = _drawn(life, volts)
    del flows["starter"], flows["leak"]
    return {"battery": _given(life, volts)[1], **flows, **in_fuses}, volts


def _given(life: Life, volts: float) -> tuple[float, float]:
    """What all gives at a voltage of the root, and the battery's cable of it."""
    cell = life.said.cell
    cable_a = _both_ways(cell.rest_v, cell.gives_ohms, cell.takes_ohms, volts)
    cable_a -= life.leak_s("corrosion") * volts
    total = cable_a + sum(min(max(0.0, (v - volts) / ohms), most) for v, ohms, most in life.sources())
    if life.joins:
        other, ohms = life.said.second, life.said.second_ohms
        assert other is not None
        total += _both_ways(other.rest_v, other.gives_ohms + ohms, other.takes_ohms + ohms, volts)
    return total, cable_a


def _both_ways(rest_v: float, gives: float, takes: float, volts: float) -> float:
    return (rest_v - volts) / (gives if volts < rest_v else takes)


def _drawn(life: Life, volts: float) -> tuple[Flows, Flows]:
    """What feeds, starter and leaks draw from the root, and what flows in each fuse."""
    said, share = life.said, min(1.0, volts / 3.0)
    nodes = {one["name"]: k for k, one in enumerate([*said.feeds, *said.fuses])}
    matrix, into = np.zeros((len(nodes), len(nodes))), np.zeros(len(nodes))
    feed_ohms = {one["name"]: one["ohms"] + MAIN_OHMS * one["main"] for one in said.feeds}
    for name, ohms in feed_ohms.items():
        matrix[nodes[name], nodes[name]] += 1 / ohms
        into[nodes[name]] += volts / ohms
    fuse_ohms = {one["name"]: one["ohms"] + FUSES[one["kind"]] / 1000 for one in said.fuses}
    for one in said.fuses:
        at, above = nodes[one["name"]], nodes[one["feed"]]
        if one["name"] in life.out:
            matrix[at, at] = 1.0
            continue
        matrix[[at, above], [at, above]] += 1 / fuse_ohms[one["name"]]
        matrix[[at, above], [above, at]] -= 1 / fuse_ohms[one["name"]]
        matrix[at, at] += life.siemens(one["name"])
        into[at] -= share * _modules_a(life, one["name"])
    found = np.linalg.solve(matrix, into)
    flows = {name: (volts - found[nodes[name]]) / each for name, each in feed_ohms.items()}
    flows["starter"] = said.crank_a * share if life.starter else 0.0
    flows["leak"] = life.leak_s("diode") * volts
    in_fuses = dict.fromkeys(life.out, 0.0)
    for one in said.fuses:
        if one["name"] not in life.out:
            across_v = found[nodes[one["feed"]]] - found[nodes[one["name"]]]
            in_fuses[one["name"]] = across_v / fuse_ohms[one["name"]]
    return flows, in_fuses


def _modules_a(life: Life, fuse: str) -> float:
    return sum(life.draws_a(module) for module in life.said.modules if module["fuse"] == fuse)


def spice(life: Life, folder: Path, near_v: float) -> Flows:
    """The amperes by ngspice's operating point; near_v: where its steps begin, else they go in a circle."""
    said = life.said
    lines = ["a hidden vehicle", _battery("cell", "cell", said.cell, 0.0), "Vbattery cell root 0"]
    lines.append("Rground root 0 1e9")  # where nothing draws a battery's own bend leaves no slope
    probes = {"battery": "i(vbattery)"}
    for kind, at in (("corrosion", "cell"), ("diode", "root")):
        lines += [f"R{kind} {at} 0 {1 / life.leak_s(kind)!r}"] if life.leak_s(kind) else []
    if life.joins and said.second is not None:
        lines.append(_battery("root", "second", said.second, said.second_ohms))
    for k, (volts, ohms, most) in enumerate(life.sources()):
        lines.append(f"Bsource{k} 0 root I = min(max(({volts!r}-v(root))/{ohms!r},0),{most!r})")
    lines += [f"Istarter root 0 {said.crank_a!r}"] if life.starter else []
    for one in said.feeds:
        name, ohms = one["name"], one["ohms"] + MAIN_OHMS * one["main"]
        lines += [f"V{name} root w{name} 0", f"R{name} w{name} {name} {ohms!r}"]
        probes[name] = f"i(v{name})"
    for one in said.fuses:
        name, ohms = one["name"], one["ohms"] + FUSES[one["kind"]] / 1000
        if name in life.out:
            continue
        lines += [f"V{name} {one['feed']} w{name} 0", f"R{name} w{name} {name} {ohms!r}"]
        lines.append(f"I{name} {name} 0 {_modules_a(life, name)!r}")
        lines.append(f"Rl{name} {name} 0 {1 / (life.siemens(name) + 1e-15)!r}")
        probes[name] = f"i(v{name.lower()})"
    lines.append(f".nodeset v(root)={near_v!r} v(cell)={near_v!r}")
    values = nodal.run(lines, list(probes.values()), folder)
    read = {name: values[probe] for name, probe in probes.items()}
    return {**read, **dict.fromkeys(life.out, 0.0)}


def _battery(at: str, name: str, cell: Cell, ohms: float) -> str:
    gives, takes = cell.gives_ohms + ohms, cell.takes_ohms + ohms
    over = f"{cell.rest_v!r}-v({at})"
    return f"B{name} 0 {at} I = max({over},0)/{gives!r} - max(-({over}),0)/{takes!r}"

"""A vehicle's circuit solved a second time, by other means: dense nodal analysis, and ngspice.

What the loads ask for and each battery's voltage and resistances are taken as given; how they share, is found
here anew: node voltages of all wires by one matrix, the batteries and sources by halving the root's voltage.
"""

from __future__ import annotations

import subprocess
from pathlib import Path

import numpy as np
from nightdraw.bench.rig import Rig
from nightdraw.vehicle.model import Vehicle

WEAK_V = 3.0


def sources_a(rig: Rig, made: Vehicle, volts: float) -> tuple[float, float, float]:
    """What battery (behind its cable and meter), second battery and both sources give at so many volts."""
    net = rig.network
    low, high = -1e6, 1e6
    for _ in range(200):  # the battery's cable current: its posts' voltage follows from it
        amps = (low + high) / 2
        posts_v = volts + net.meter_ohms * amps
        gives = max(0.0, net.voc_v + net.surface_v - posts_v) / net.battery_ohms
        takes = max(0.0, posts_v - net.voc_v) / net.charge_ohms
        if gives - takes - net.posts_s * posts_v > amps:
            low = amps
        else:
            high = amps
    second_a = 0.0
    if made.second is not None and net.joined:
        over = net.second_v - volts
        second_a = over / (net.second_ohms if over > 0 else net.second_charge_ohms)
    fed_a = sum(
        min(max(0.0, (source.volts - volts) / source.ohms), source.most_a)
        for source, on in zip((made.charger, made.alternator), net.on, strict=True)
        if source is not None and on
    )
    return amps, second_a, fed_a


def wires(rig: Rig, made: Vehicle, volts: float) -> tuple[float, dict[str, float]]:
    """The loads' current at a voltage of the root, and what flows in each feed and fuse."""
    net = rig.network
    share = min(1.0, volts / (WEAK_V * made.battery.in_series))
    nodes = {"root": 0}
    for feed in made.feeds:
        nodes[feed.name] = len(nodes)
    for k, fuse in enumerate(made.fuses):
        nodes[fuse.name] = len(nodes)
        for number in range(len(net.branches[k].boxes)):
            nodes[f"{fuse.name} box {number}"] = len(nodes)
    matrix, right = np.zeros((len(nodes), len(nodes))), np.zeros(len(nodes))
    matrix[0, 0], right[0] = 1.0, volts

    def wire(one: str, other: str, ohms: float) -> None:
        for here, there in ((one, other), (other, one)):
            if here != "root":
                matrix[nodes[here], nodes[here]] += 1 / ohms
                matrix[nodes[here], nodes[there]] -= 1 / ohms

    def load(at: str, amps: float, siemens: float, live: bool = True) -> None:
        # where nothing feeds a node it lies at 0 V, by whatever conductance
        matrix[nodes[at], nodes[at]] += siemens + (0.0 if live else 1.0)
        right[nodes[at]] -= amps * share

    flows = {}
    for k, feed in enumerate(made.feeds):
        ohms = feed.ohms + net.feeds[k].fuse_ohms + 1e-9
        if not net.feeds[k].pulled:
            wire("root", feed.name, ohms)
            flows[feed.name] = ("root", feed.name, ohms)
        load(feed.name, 0.0, 0.0, not net.feeds[k].pulled)
    for k, fuse in enumerate(made.fuses):
        branch = net.branches[k]
        live = not branch.pulled and not branch.feed.pulled
        if live:
            ohms = branch.fuse_ohms + fuse.wire_ohms + 1e-9
            wire(fuse.feed, fuse.name, ohms)
            flows[fuse.name] = (fuse.feed, fuse.name, ohms)
        load(fuse.name, branch.draw_a if live else 0.0, branch.siemens, live)
        for number, (lead_ohms, own_a, bank_s) in enumerate(branch.boxes):
            wire(fuse.name, f"{fuse.name} box {number}", lead_ohms + 1e-9)
            load(f"{fuse.name} box {number}", own_a if live else 0.0, bank_s, live)
    found = np.linalg.solve(matrix, right)
    amps = {name: (found[nodes[a]] - found[nodes[b]]) / ohms for name, (a, b, ohms) in flows.items()}
    total = sum(amps.get(feed.name, 0.0) for feed in made.feeds) + net.starter_a * share + net.leak_s * volts
    return total, amps


def solve(rig: Rig, made: Vehicle) -> dict[str, float]:
    """root (volts), battery and second (amperes out of them), and each feed's and fuse's current."""
    low, high = 0.0, 100.0
    for _ in range(100):
        volts = (low + high) / 2
        if sum(sources_a(rig, made, volts)) > wires(rig, made, volts)[0]:
            low = volts
        else:
            high = volts
    battery_a, second_a, _ = sources_a(rig, made, volts)
    return {"root": volts, "battery": battery_a, "second": second_a, **wires(rig, made, volts)[1]}


def spice(rig: Rig, made: Vehicle, folder: Path) -> dict[str, float]:
    """The same by ngspice's operating point; everything that bends is a behavioural source."""
    net, lines = rig.network, ["a vehicle"]
    weak = WEAK_V * made.battery.in_series
    probes = {"root": "v(root)"}
    top, voc = net.voc_v + net.surface_v, net.voc_v
    lines += [
        f"Bcell 0 posts I = max({top!r}-v(posts),0)/{net.battery_ohms!r}"
        f" - max(v(posts)-{voc!r},0)/{net.charge_ohms!r}",
        f"Rmeter posts cable {max(net.meter_ohms, 1e-9)!r}",
        "Vbattery cable root 0",
    ]
    lines += [f"Rposts posts 0 {1 / net.posts_s!r}"] if net.posts_s else []
    lines += [f"Rleak root 0 {1 / net.leak_s!r}"] if net.leak_s else []
    probes["battery"] = "i(vbattery)"
    if made.second is not None and net.joined:
        v2, out, into = net.second_v, net.second_ohms, net.second_charge_ohms
        lines += [
            f"Bsecond 0 aux I = max({v2!r}-v(aux),0)/{out!r} - max(v(aux)-{v2!r},0)/{into!r}",
            "Vsecond aux root 0",
        ]
        probes["second"] = "i(vsecond)"
    for name, source, on in zip("ca", (made.charger, made.alternator), net.on, strict=True):
        if source is not None and on:
            amps = f"min(max(({source.volts!r}-v(root))/{source.ohms!r},0),{source.most_a!r})"
            lines.append(f"B{name} 0 root I = {amps}")
    share = f"min(1,v(root)/{weak!r})"
    lines += [f"Bstarter root 0 I = {net.starter_a!r}*{share}"] if net.starter_a else []
    for k, feed in enumerate(made.feeds):
        if not net.feeds[k].pulled:
            lines += [
                f"Vf{k} root wf{k} 0",
                f"Rf{k} wf{k} f{k} {feed.ohms + net.feeds[k].fuse_ohms + 1e-9!r}",
            ]
            probes[feed.name] = f"i(vf{k})"
        lines.append(f"Rg{k} f{k} 0 1e15")
    names = [feed.name for feed in made.feeds]
    for k, fuse in enumerate(made.fuses):
        branch = net.branches[k]
        if branch.pulled or branch.feed.pulled:
            continue
        lines += [
            f"Vb{k} f{names.index(fuse.feed)} wb{k} 0",
            f"Rb{k} wb{k} b{k} {branch.fuse_ohms + fuse.wire_ohms + 1e-9!r}",
            f"Bl{k} b{k} 0 I = {branch.draw_a!r}*{share}",
            f"Rs{k} b{k} 0 {1 / (branch.siemens + 1e-15)!r}",
        ]
        probes[fuse.name] = f"i(vb{k})"
        for n, (lead_ohms, own_a, bank_s) in enumerate(branch.boxes):
            lines += [
                f"Rx{k}{n} b{k} x{k}{n} {lead_ohms + 1e-9!r}",
                f"Bx{k}{n} x{k}{n} 0 I = {own_a!r}*{share}",
                f"Ry{k}{n} x{k}{n} 0 {1 / (bank_s + 1e-15)!r}",
            ]
    # Where currents bend Newton's steps may go in a circle: begin near the end, which stays ngspice's own.
    lines.append(".nodeset " + " ".join(f"v({at})={net.bus_v!r}" for at in ("posts", "cable", "root")))
    values = run(lines, list(probes.values()), folder)
    return {name: values[probe] for name, probe in probes.items()}


def run(lines: list[str], probes: list[str], folder: Path) -> dict[str, float]:
    """The operating point of a circuit: what its probes read."""
    lines += [
        ".options reltol=1e-9 abstol=1e-12 vntol=1e-10 gmin=1e-15 itl1=1000", ".control", "op",
        "set numdgt=12", *[f"print {probe}" for probe in probes], ".endc", ".end",
    ]  # fmt: skip
    deck = folder / "vehicle.cir"
    deck.write_text("\n".join(lines) + "\n")
    told = subprocess.run(
        ["ngspice", "-b", str(deck)], capture_output=True, text=True, timeout=60, check=False
    )
    values = {
        line.split("=")[0].strip(): float(line.split("=")[1])
        for line in told.stdout.splitlines()
        if " = " in line and line.split("=")[0].strip() in probes
    }
    assert len(values) == len(probes), told.stdout + told.stderr
    return values

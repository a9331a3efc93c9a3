"""Reading a board file: every key checked by its table, every mistake at its place, all of them in one go."""

from __future__ import annotations

from pathlib import Path

from nightdraw import data, places
from nightdraw.board import circuitkeys as ck
from nightdraw.board import table
from nightdraw.board.circuit import Circuit
from nightdraw.board.model import BoardModel
from nightdraw.fields import Read
from nightdraw.places import Findings, Mapping, Node


def load_board(path: str | Path | None = None, check_pins: bool = True) -> BoardModel:
    """The board in a file, or of a shipped name (None: bench-12v); raises InputError with every finding.

    check_pins False leaves pins used twice, and pins that no chip has, to a check that names its rules.
    """
    root, findings = places.read(data.board(data.DEFAULT_BOARD if path is None else path))
    model = _read(root, findings, check_pins)
    findings.stop()
    assert model is not None  # a model that can't be made left a finding
    return model


def _read(root: Node, findings: Findings, check_pins: bool) -> BoardModel | None:
    read = table.board(ck.MAX_PIN if check_pins else ck.ANY_PIN).open(root, findings)
    if check_pins:
        _pins_apart(read)
    _packages_apart(read)
    if len(findings) or not read.good:
        return None
    current, sense = read["sense"]
    states = dict(read["own_states"] or {"basis": ""})
    basis = states.pop("basis")
    sections = {field.key: read[field.key] for field in ck.sections(ck.MAX_PIN)}
    return BoardModel(
        name=read["board"],
        about=read["about"],
        **read["supply"],
        **read["own"],
        channels=read["channels"],
        monitor=current in (ck.MONITOR, ck.AMPLIFIER),
        caps=read["caps"],
        switch=read["switch"],
        enclosure=read["enclosure"],
        packages=read["packages"],
        circuit=Circuit(sense, **sections),
        file=findings.file,
        root=root,
        own_states_ua={state: own_ua for state, own_ua in states.items() if own_ua is not None},
        own_basis=basis,
    )


def _pins_apart(read: Read) -> None:
    pins: dict[int, int] = {}
    for number, channel in enumerate(read["channels"] or (), 1):
        if pins.setdefault(channel.pin, number) != number:
            message = f"pin {channel.pin} already drives channel {pins[channel.pin]}"
            read.findings.add(value_place(channel.place, "pin"), message)


def _packages_apart(read: Read) -> None:
    names: set[str] = set()
    for package in read["packages"] or ():
        if package.name in names:
            read.findings.add(
                value_place(package.place, "body"), f"the resistor package {package.name!r} stands twice"
            )
        names.add(package.name)


def value_place(node: Node, key: str) -> Node:
    """Where a key's value stands in a mapping."""
    assert isinstance(node, Mapping)
    return node.entries[key].value

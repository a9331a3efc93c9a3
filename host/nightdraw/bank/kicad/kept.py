"""Tracks read back from a board that `pcb` wrote, so that it is routed once only."""

from __future__ import annotations

import re

from nightdraw.bank.kicad.copper import BACK, FRONT, Track, Via

NUMBER = r"(-?[\d.]+)"
NET = re.compile(r'^\t\(net (\d+) "(.*)"\)$', re.M)
SEGMENT = re.compile(
    rf"^\t\(segment \(start {NUMBER} {NUMBER}\) \(end {NUMBER} {NUMBER}\) \(width {NUMBER}\) "
    r'\(layer "([FB])\.Cu"\) \(net (\d+)\)',
    re.M,
)
VIA = re.compile(rf"^\t\(via \(at {NUMBER} {NUMBER}\) .*\(net (\d+)\)", re.M)


def tracks_of(text: str, key: str) -> tuple[list[Track], list[Via]] | None:
    """Tracks and vias of a board whose inputs had this key; None for another one, or one saved by KiCad."""
    if f'"inputs {key}"' not in text or '(generator "nightdraw")' not in text:
        return None
    nets = dict(NET.findall(text))
    tracks = [
        Track(
            nets[net],
            FRONT if layer == "F" else BACK,
            (float(x1), float(y1)),
            (float(x2), float(y2)),
            float(width),
        )
        for x1, y1, x2, y2, width, layer, net in SEGMENT.findall(text)
    ]
    vias = [Via(nets[net], float(x), float(y)) for x, y, net in VIA.findall(text)]
    return tracks, vias

"""The board's file: footprints, tracks, pours, outline and print, as KiCad 9 reads them."""

from __future__ import annotations

from collections.abc import Iterable

from nightdraw.bank.circuit.netlist import GROUND
from nightdraw.bank.kicad.copper import BACK, FRONT, Track, Via
from nightdraw.bank.kicad.footprints import drawn, font, hidden, hole, line, pad, tied
from nightdraw.bank.kicad.layout import holes
from nightdraw.bank.kicad.placed import At, Placed
from nightdraw.bank.kicad.pour import APART_MM, GAP_MM, SPOKE_MM, Polygon
from nightdraw.bank.kicad.rules import VIA_DRILL_MM, VIA_MM
from nightdraw.bank.kicad.sexpr import NO, YES, Node, Word, identifier, node, text, uuid_text
from nightdraw.bank.kicad.silk import CAUTIONS, REVISION, Silk, Text

VERSION = 20241229  # the format of KiCad 9
LAYERS = ("F.Cu", "B.Cu")
OTHER_LAYERS = (
    (1, "F.Mask"),
    (3, "B.Mask"),
    (5, "F.SilkS"),
    (7, "B.SilkS"),
    (9, "F.Adhes"),
    (11, "B.Adhes"),
    (13, "F.Paste"),
    (15, "B.Paste"),
    (17, "Dwgs.User"),
    (25, "Edge.Cuts"),
    (27, "Margin"),
    (31, "F.CrtYd"),
    (29, "B.CrtYd"),
    (35, "F.Fab"),
    (33, "B.Fab"),
)


class Pcb:
    """One board's text in the making."""

    def __init__(
        self, name: str, key: str, size: tuple[float, float], placed: list[Placed], tracks: list[Track],
        vias: list[Via], pours: dict[int, list[Polygon]],
    ) -> None:  # fmt: skip
        self.name, self.key, self.size, self.placed = name, key, size, placed
        self.tracks, self.vias, self.pours = tracks, vias, pours
        self.silk = Silk(name, size, placed)
        named = {at.net for part in placed for at in part.pads() if at.net}
        spare = {open_net(part, at) for part in placed for at in part.pads() if not at.net}
        self.nets = {net: number for number, net in enumerate(["", *sorted(named), *sorted(spare)])}

    def text(self) -> str:
        """The file."""
        return text(
            node(
                "kicad_pcb",
                node("version", VERSION),
                node("generator", "nightdraw"),
                node("generator_version", "9.0"),
                node("general", node("thickness", 1.6), node("legacy_teardrops", NO)),
                node("paper", "A4"),
                node(
                    "title_block",
                    node("title", self.name),
                    node("rev", REVISION),
                    node("comment", 1, "Made by nightdraw bank draw. Not built yet: calculated only."),
                    node("comment", 2, f"inputs {self.key}"),
                ),
                self._layers(),
                node(
                    "setup",
                    node("pad_to_mask_clearance", 0),
                    node("allow_soldermask_bridges_in_footprints", NO),
                ),
                *(node("net", number, net) for net, number in self.nets.items()),
                *(self._footprint(part) for part in self.placed),
                *(self._hole(k, x, y) for k, (x, y) in enumerate(holes(*self.size), 1)),
                *self._edge(),
                *(self._words(k, t) for k, t in enumerate(self.silk.texts) if not t.owner),
                *self._behind(),
                *(self._track(k, track) for k, track in enumerate(self.tracks)),
                *(self._via(k, via) for k, via in enumerate(self.vias)),
                *(self._zone(layer) for layer in (FRONT, BACK)),
            )
        )

    def _layers(self) -> Node:
        copper = [Node("0", ("F.Cu", Word("signal"))), Node("2", ("B.Cu", Word("signal")))]
        return node("layers", *copper, *(Node(str(k), (name, Word("user"))) for k, name in OTHER_LAYERS))

    def _net(self, part: Placed, at: At) -> Node:
        name = at.net or open_net(part, at)
        return node("net", self.nets[name], name)

    def _footprint(self, part: Placed) -> Node:
        name, key = part.shape.name, part.ref
        texts = [t for t in self.silk.texts if t.owner == part.ref]
        items: list[Node] = [
            node("layer", "F.Cu"),
            identifier(self.name, key),
            node("at", part.x, part.y, *([part.turn] if part.turn else [])),
            node("descr", part.shape.about),
            self._reference(part, texts[0] if texts else None),
            hidden("Value", part.value, part.turn, self.name, key),
            node("path", f"/{uuid_text(self.name, 'sheet')}/{uuid_text(self.name, 'symbol', key)}"),
            node("sheetname", "/"), node("sheetfile", f"{self.name}.kicad_sch"),
            node("attr", Word("through_hole")),
        ]  # fmt: skip
        items += [*tied(part.shape), *drawn(part.shape, self.name, key)]
        items += [
            pad(
                at.pad,
                part.turn,
                [
                    self._net(part, at),
                    node("pinfunction", part.pins.get(at.pad.name, at.pad.name)),
                    node("pintype", "passive"),
                ],
                self.name,
                key,
                k,
            )
            for k, at in enumerate(part.pads())
        ]
        return node("footprint", f"Nightdraw:{name}", *items)

    def _reference(self, part: Placed, where: Text | None) -> Node:
        """The reference as a property: on the silk where it found a place."""
        own = where is not None and where.words == part.ref
        x, y = (where.x, where.y) if where is not None and own else (part.x, part.y)
        angle = 90 if where is not None and where.upright else 0
        tall = where.tall if where is not None and own else 0.8
        hidden = [] if own else [node("hide", YES)]
        return node(
            "property",
            "Reference",
            part.ref,
            node("at", *_local(part, x, y), angle),
            node("layer", "F.SilkS" if own else "F.Fab"),
            *hidden,
            identifier(self.name, part.ref, "name"),
            font(tall),
        )

    def _hole(self, k: int, x: float, y: float) -> Node:
        return node(
            "footprint",
            "Nightdraw:mounting-hole-m3",
            node("layer", "F.Cu"),
            identifier(self.name, "hole", k),
            node("at", x, y),
            *hole(self.name, k, f"H{k}"),
        )

    def _edge(self) -> Iterable[Node]:
        wide, deep = self.size
        corners = [(0.0, 0.0), (wide, 0.0), (wide, deep), (0.0, deep), (0.0, 0.0)]
        for k in range(4):
            yield line(
                "gr_line", (*corners[k], *corners[k + 1]), "Edge.Cuts", self.name, "edge", k, width=0.1
            )

    def _words(self, k: int, t: Text) -> Node:
        return node(
            "gr_text",
            t.words,
            node("at", t.x, t.y, 90 if t.upright else 0),
            node("layer", "F.SilkS"),
            identifier(self.name, "words", k),
            font(t.tall),
        )

    def _behind(self) -> Iterable[Node]:
        """The same on the back, for whoever holds the board from below."""
        lines = [f"{self.name.upper()}  REV {REVISION}", *CAUTIONS]
        for k, words in enumerate(lines):
            yield node("gr_text", words, node("at", 21.5, 74.5 + 2.2 * k, 0), node("layer", "B.SilkS"),
                       identifier(self.name, "behind", k), font(1.3 if k == 0 else 1.0, True))  # fmt: skip

    def _track(self, k: int, track: Track) -> Node:
        return node(
            "segment",
            node("start", *track.start),
            node("end", *track.end),
            node("width", track.width),
            node("layer", LAYERS[track.layer]),
            node("net", self.nets[track.net]),
            identifier(self.name, "track", k),
        )

    def _via(self, k: int, via: Via) -> Node:
        return node(
            "via",
            node("at", via.x, via.y),
            node("size", VIA_MM),
            node("drill", VIA_DRILL_MM),
            node("layers", *LAYERS),
            node("net", self.nets[via.net]),
            identifier(self.name, "via", k),
        )

    def _zone(self, layer: int) -> Node:
        wide, deep = self.size
        inset = 0.5
        corners = ((inset, inset), (wide - inset, inset), (wide - inset, deep - inset), (inset, deep - inset))
        return node(
            "zone",
            node("net", self.nets[GROUND]),
            node("net_name", GROUND),
            node("layer", LAYERS[layer]),
            identifier(self.name, "zone", layer),
            node("name", f"ground {LAYERS[layer]}"),
            node("hatch", Word("edge"), 0.5),
            node("connect_pads", node("clearance", APART_MM)),
            node("min_thickness", 0.25),
            node("filled_areas_thickness", NO),
            node("fill", YES, node("thermal_gap", GAP_MM), node("thermal_bridge_width", SPOKE_MM)),
            node("polygon", _points(corners)),
            *(
                node("filled_polygon", node("layer", LAYERS[layer]), _points(ring))
                for ring in self.pours[layer]
            ),
        )


def open_net(part: Placed, at: At) -> str:
    """The name that KiCad gives a pin that is left open."""
    function = part.pins.get(at.pad.name, at.pad.name)
    named = "" if function == at.pad.name else f"-{function}"
    return f"unconnected-({part.ref}{named}-Pad{at.pad.name})"


def _points(ring: Iterable[tuple[float, float]]) -> Node:
    return node("pts", *(node("xy", x, y) for x, y in ring))


def _local(part: Placed, x: float, y: float) -> tuple[float, float]:
    """A point of the board in the part's own frame."""
    dx, dy = x - part.x, y - part.y
    return {0: (dx, dy), 90: (-dy, dx), 180: (-dx, -dy), 270: (dy, -dx)}[part.turn]

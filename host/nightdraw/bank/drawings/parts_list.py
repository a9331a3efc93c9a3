"""The parts list: like parts in one line, then what no netlist has; as CSV and as a section of the guide.

What is fitted comes from netlist and board file, what it costs and what matters from `buying`.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from nightdraw.bank.circuit.gate_drive import buffers_of
from nightdraw.bank.circuit.netlist import BOARD, FUSE, PLACES, TERMINAL, Netlist, Part
from nightdraw.bank.drawings import stripboard_plan
from nightdraw.bank.drawings.buying import CLASSES, CURRENCY, ESTIMATE, Goods, PriceClass, goods_of
from nightdraw.bank.kicad import shapes
from nightdraw.bank.kicad.layout import connectors
from nightdraw.bank.kicad.placed import Placed
from nightdraw.bank.mechanics.inside import (
    CLEARANCE_MM,
    USB_HOLE_MM,
    resistor_screw_mm,
    screw_of,
    stand_off_screws_mm,
)
from nightdraw.bank.mechanics.placement import placed
from nightdraw.board import BoardModel
from nightdraw.board.model import ALUMINIUM, FREE

SPARE_FUSES = 3  # a wrong move on the bench costs one
NOWHERE = "-"


@dataclass(frozen=True)
class Row:
    """Like parts: how many the box takes, references if any, what they are, what else will do, where they
    go, and what they are bought as."""

    quantity: int
    refs: tuple[str, ...]
    value: str
    rating: str
    package: str
    description: str
    second: str
    where: str
    goods: str

    @property
    def buying(self) -> Goods:
        """Its price class, spares and what matters; raises KeyError that names the part."""
        return goods_of(self.goods, " ".join(self.refs) or self.description)

    @property
    def to_buy(self) -> int:
        return self.quantity + self.buying.spares

    @property
    def price(self) -> PriceClass:
        """Of all that is to be bought."""
        each = self.buying.price
        return PriceClass(each.low_cents * self.to_buy, each.high_cents * self.to_buy)


HEAD = (
    "quantity", "references", "value", "rating", "package", "description", "second_source", "where",
    "to_buy", "what_matters", "price_class", f"estimated_low_{CURRENCY.lower()}",
    f"estimated_high_{CURRENCY.lower()}",
)  # fmt: skip


def parts_list(board: BoardModel, netlist: Netlist) -> str:
    """The parts list as CSV; the prices are those of all that is to be bought in a line."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(HEAD)
    for row in rows(board, netlist):
        writer.writerow(
            (
                row.quantity, " ".join(row.refs) or "-", row.value, row.rating, row.package,
                row.description, row.second, row.where, row.to_buy, row.buying.matters,
                row.buying.price_class, money(row.price.low_cents), money(row.price.high_cents),
            )
        )  # fmt: skip
    return out.getvalue()


def money(cents: int) -> str:
    """Hundredths as a decimal number: `0.20`."""
    return f"{cents // 100}.{cents % 100:02d}"


def total(found: Sequence[Row]) -> PriceClass:
    """What all that is to be bought may cost, from all low to all high estimates."""
    return PriceClass(sum(row.price.low_cents for row in found), sum(row.price.high_cents for row in found))


def rows(board: BoardModel, netlist: Netlist) -> list[Row]:
    """Every line of the list."""
    return [*_circuit(netlist), *_connectors(board, netlist), *_accessories(board, netlist)]


def _circuit(netlist: Netlist) -> Iterator[Row]:
    groups: dict[tuple[str, ...], list[Part]] = {}
    for part in netlist.parts:
        key = (part.value, part.rating, part.package, part.description, part.second, part.place)
        groups.setdefault(key, []).append(part)
    for (value, rating, package, description, second, place), parts in groups.items():
        refs, goods = tuple(part.ref for part in parts), parts[0].goods or parts[0].kind
        yield Row(len(parts), refs, value, rating, package, description, second, PLACES[place], goods)


def _connectors(board: BoardModel, netlist: Netlist) -> Iterator[Row]:
    """What the circuit board needs for wires to panel and wall, and what goes onto the latched ones; a board
    wired by hand has none."""
    groups: dict[str, list[Placed]] = {}
    for one in connectors(board, netlist):
        groups.setdefault(one.shape.about, []).append(one)
    crimps = 0
    for description, alike in groups.items():
        ways = len(alike[0].shape.pads)
        latched = alike[0].shape == shapes.header(ways)
        refs, goods = tuple(one.ref for one in alike), "latched header" if latched else TERMINAL
        second = "wires soldered in"
        yield Row(
            len(alike), refs, f"{ways}-way", "-", "connector", description, second, PLACES[BOARD], goods
        )
        if latched:
            crimps += ways * len(alike)
            about = f"housing for the latched headers, {ways}-way, 2.54 mm"
            yield _accessory(len(alike), f"{ways}-way", "-", "housing", about, second)
    yield _accessory(crimps, "0.22 mm2", "-", "crimp", "crimp contacts for the housings", "wires soldered in")


def _accessory(count: int, value: str, rating: str, package: str, about: str, second: str) -> Row:
    return Row(count, (), value, rating, package, about, second, NOWHERE, package)


def _accessories(board: BoardModel, netlist: Netlist) -> Iterator[Row]:
    """What no netlist has."""
    box = board.enclosure
    assert box is not None
    sizes = " x ".join(f"{float(side) * 1000:g}" for side in (box.length_m, box.width_m, box.height_m))
    metal = box.material == ALUMINIUM
    made = "die-cast aluminium box, painted" if metal else "plastic (ABS) box"
    wall, goods = f"wall {float(box.wall_m) * 1000:g} mm", "aluminium box" if metal else "plastic box"
    second = "a larger one of the same kind"
    yield Row(1, (), f"{sizes} mm", wall, "enclosure", made, second, NOWHERE, goods)
    if box.plate_m:
        plate = f"{float(box.plate_m) * 1000:g} mm"
        about = (
            "aluminium sheet, cut to the floor between the pillars, drilled with it, compound between both"
        )
        yield _accessory(1, plate, "-", "sheet", about, "a thicker one")
    if box.bottom == FREE:
        about = "rubber foot, 20 mm or more, so that air reaches the bottom"
        yield _accessory(4, "20 mm", "-", "foot", about, "plastic spacers of the height, screwed on")
    yield from _screws(board)
    for fuse in netlist.of(FUSE):
        about = f"{fuse.package} fuse, {fuse.value}, {fuse.rating}: spares for {fuse.ref}"
        yield _accessory(SPARE_FUSES, fuse.value, fuse.rating, "spare fuse", about, "of another maker")
    chips = buffers_of(board)
    about = f"DIP-20 socket for {' and '.join(chips)}"
    yield _accessory(len(chips), "DIP-20", "7.62 mm", "socket", about, "two strips of 10")
    if not stripboard_plan.fits(netlist, len(board.channels)):
        about = "tinned copper wire, 1 mm2, bare, for the buses of a board wired by hand"
        yield _accessory(2, "1 m", "1 mm2", "bus wire", about, "stripped solid wire")
    for one in ACCESSORIES:
        yield _accessory(*one)


def _screws(board: BoardModel) -> Iterator[Row]:
    """What holds the circuit board and, two each, the clad resistors."""
    below, above = stand_off_screws_mm(board)
    about = f"stand-off M3, 10 mm, screws M3 x {below} below, M3 x {above} above, lock washers"
    yield _accessory(4, "M3", "10 mm", "stand-off", about, "nylon")
    counts: dict[str, int] = {}
    for package in placed(board):
        thread = screw_of(board.channels[package.channel - 1].package)
        counts[thread] = counts.get(thread, 0) + 2
    for thread, count in sorted(counts.items()):
        long = resistor_screw_mm(board, thread)
        about = f"screw {thread} x {long} with nut and lock washer for a clad resistor"
        hole = f"hole {CLEARANCE_MM[thread]:g} mm"
        yield _accessory(count, thread, hole, "screw", about, "what fits the part's own holes")
    if counts:
        every = sum(counts.values()) // 2
        about = f"thermal compound, a dab for each of {every} resistors, below the sheet too"
        yield _accessory(1, "5 g", "-", "compound", about, "thermal pads, 0.5 K/W or less")


# what every box has
ACCESSORIES = (
    (1, "M12", "IP67", "cable gland", "cable gland M12 x 1.5 with nut, for two wires in sleeving", "PG7"),
    (1, f"{USB_HOLE_MM:g} mm", "-", "plug", "rubber plug for the USB hole", "adhesive tape"),
    (1, "1 m", "600 V", "sleeving", "heat-shrink sleeving 2:1, 2.4 mm and 6 mm", "silicone sleeving"),
    (1, "-", "-", "weather cap", "rubber cap over the fuse holder", "adhesive-lined heat-shrink, 19 mm"),
    (1, "-", "-", "tag", "bright tag with string: TRAINING LOAD FITTED, name, date", "laminated card"),
    (1, "25 mm", "-", "warning sign", "hot-surface sign, ISO 7010 W017, self-adhesive, 25 mm or more",
     "printed on yellow film"),
    (1, "-", "2 layers", "circuit board",
     "made from kicad/ (or order/): 1.6 mm, 35 um of copper, a few pieces are the least order",
     "stripboard or perforated board, 160 x 100 mm"),
    (2, "20-way", "2.54 mm", "socket strip", "socket strips for the controller, 20-way", "one of 40, cut"),
    (1, "5 m", "0.22 mm2", "hook-up wire", "flexible wire, 0.22 mm2, several colours, for panel and signals",
     "0.25 mm2"),
    (1, "2 m", "0.5 mm2", "hook-up wire", "flexible wire, 0.5 mm2, red and black, for the bank", "0.75 mm2"),
    (1, "0.3 m", "-", "USB lead", "USB lead with data wires that fits the controller's socket", "1 m"),
    (1, "-", "-", "USB isolator", "for a computer on an earthed mains adapter at a vehicle",
     "a computer on its own battery"),
    (1, "10 g", "-", "solder", "solder, lead-free or 60/40, 0.7 mm, rosin core", "1 mm"),
)  # fmt: skip


def what_to_buy(board: BoardModel, netlist: Netlist) -> Iterator[str]:
    """The build guide's section: price classes, the whole as a range, what matters in a substitute."""
    found = rows(board, netlist)
    whole = total(found)
    yield ""
    yield (
        "**What to buy.** Each line of `parts.csv` has how many the box takes, how many to buy (spares for "
        "what gets lost, or dies by"
    )
    yield "heat or static), what else will do, what matters when you choose it, and a price class:"
    yield ""
    yield f"| class | {CURRENCY} each |"
    yield "| --- | --- |"
    for name, price in CLASSES.items():
        yield f"| {name} | {money(price.low_cents)} .. {money(price.high_cents)} |"
    yield ""
    yield f"The classes are {ESTIMATE}. By them the"
    yield (
        f"whole list costs between {whole.low_cents // 100} and {-(-whole.high_cents // 100)} {CURRENCY}, "
        "spares included, tools and computer not. A USB isolator that"
    )
    yield "you have, or don't need, and a circuit board of stripboard make it less."
    yield ""
    yield "**A substitute** fits when it has what is named here. A rating in the parts list is the least that"
    yield "is needed; where a part's own sheet says less, the sheet is right:"
    yield ""
    yield "| parts | what matters |"
    yield "| --- | --- |"
    groups: dict[str, list[str]] = {}
    for row in found:
        if row.refs:
            groups.setdefault(row.buying.matters, []).extend(row.refs)
    for matters, refs in groups.items():
        yield f"| {spans(refs)} | {matters} |"


def spans(refs: Sequence[str]) -> str:
    """References in their order, a run of three or more as its ends: `R1 R2 Q1 .. Q8`."""
    runs: list[list[str]] = []
    for ref in refs:
        letters = ref.rstrip("0123456789")
        before = f"{letters}{int(ref[len(letters) :]) - 1}" if ref != letters else ""
        if runs and runs[-1][-1] == before:
            runs[-1].append(ref)
        else:
            runs.append([ref])
    return " ".join(f"{run[0]} .. {run[-1]}" if len(run) > 2 else " ".join(run) for run in runs)

"""`nightdraw bank`: size the load bank, weigh its heat, list the resistor packages. Parse, call, print.

What is around the bank (check, wiring, draw) is bank_circuit's, its simulation bank_simulate's.
"""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

import click

from nightdraw import outputs
from nightdraw.cli import bank_circuit, bank_simulate, output
from nightdraw.cli.params import Quantity, QuantityRange
from nightdraw.errors import EXIT_DONE, EXIT_NO

if TYPE_CHECKING:
    from nightdraw.bank.heat.steady_state import Heat
    from nightdraw.bank.heat.warm_up import WarmUp
    from nightdraw.bank.sizing.request import SizingRequest
    from nightdraw.board import BoardModel

LIGHT_SUPPLY_V = 18  # below it a 12 V system, from it on a 24 V one
RANGE_12_V = (Fraction(21, 2), Fraction(16))  # ISO 16750-2, code D
RANGE_24_V = (Fraction(18), Fraction(32))  # ISO 16750-2, code H
MAX_CHANNELS = 16  # the edge player's word has 16 pattern bits
PLOTTED_S = 4 * 3600.0  # without a profile: long enough for a box to settle

ambient_option = click.option(
    "--ambient", type=Quantity("temperature"), default="40C", show_default=True, help="Air around the box."
)


@click.group()
def group() -> None:
    """Size the load bank, see that it won't burn, and build it."""


for _command in (
    bank_circuit.check,
    bank_circuit.wiring,
    bank_circuit.draw,
    bank_circuit.adapter,
    bank_simulate.simulate,
):
    group.add_command(_command)


@group.command()
@click.option("--levels", metavar="I,I,...", help="Wanted levels, such as 15mA,40mA,350mA.")
@click.option("--from", "first", type=Quantity("current"), help="Lowest level of a span.")
@click.option("--to", "last", type=Quantity("current"), help="Highest level of a span.")
@click.option("--step", type=Quantity("current"), help="Step of a span.")
@click.option(
    "--supply", type=Quantity("voltage"), default="12.6V", show_default=True, help="Nominal supply."
)
@click.option(
    "--range",
    "supply_range",
    type=QuantityRange("voltage"),
    help="Supply range (default: 10.5V..16V below 18 V, else 18V..32V; ISO 16750-2).",
)
@click.option("--series", default="E24", show_default=True, help="Preferred values: E6, E12, E24, E48, E96.")
@click.option(
    "--tolerance", type=Quantity("percent"), default="1%", show_default=True, help="Resistors' tolerance."
)
@click.option(
    "--channels",
    type=click.IntRange(1, MAX_CHANNELS),
    default=6,
    show_default=True,
    help="How many channels.",
)
@ambient_option
@click.option(
    "--own",
    type=Quantity("current"),
    default="0mA",
    show_default=True,
    help="Own consumption, part of every level: the bank makes the rest.",
)
@click.option(
    "--on-ohms",
    type=Quantity("resistance"),
    default="0ohm",
    show_default=True,
    help="Switch and wire in series with each resistor, counted when values are chosen.",
)
@click.option(
    "--ohms", type=QuantityRange("resistance"), help="Values to choose from (default 0.1ohm..1000kohm)."
)
@click.option(
    "--body",
    "packages",
    multiple=True,
    metavar="NAME",
    help="Resistor packages to use (repeatable; default: all).",
)
@click.option("--within", type=Quantity("percent"), help="Worst-case error that a level may have.")
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True, help="Seed of the Monte Carlo.")
@click.option(
    "--out", type=click.Path(dir_okay=False, path_type=Path), metavar="BOARD", help="Write a board file."
)
@output.json_option
def size(
    levels: str | None,
    first: Fraction | None,
    last: Fraction | None,
    step: Fraction | None,
    supply: Fraction,
    supply_range: tuple[Fraction, Fraction] | None,
    series: str,
    tolerance: Fraction,
    channels: int,
    ambient: Fraction,
    own: Fraction,
    on_ohms: Fraction,
    ohms: tuple[Fraction, Fraction] | None,
    packages: tuple[str, ...],
    within: Fraction | None,
    seed: int,
    out: Path | None,
    as_json: bool,
) -> None:
    """Choose resistors, their packages and a box for the wanted levels, and say how good and how hot they
    are.

    The choice makes the largest relative error over the levels and the supply's range, with the pattern
    picked anew at each supply, as small as the series allows. bound_pct says how far, in percentage points of
    that error, it may lie above the best choice there is: 0 is proven best, always so up to 3 channels.
    """
    from nightdraw.bank.parts.preferred_values import OHMS_RANGE
    from nightdraw.bank.sizing.request import SizingRequest
    from nightdraw.bank.sizing.size_bank import size as work_out
    from nightdraw.cli import bank_text

    request = SizingRequest(
        levels_a=_levels(levels, first, last, step),
        supply_v=supply,
        range_v=supply_range or (RANGE_12_V if supply < LIGHT_SUPPLY_V else RANGE_24_V),
        series=series,
        tolerance_pct=tolerance,
        channels=channels,
        ambient_c=float(ambient),
        own_a=own,
        on_ohms=on_ohms,
        ohms_range=ohms or OHMS_RANGE,
        packages=packages,
        within=None if within is None else float(within) / 100,
        seed=seed,
    )
    if out is not None:
        outputs.check(out)  # told before the work, not after it
    with output.progress("choosing", 1) as shown:
        sized = work_out(request, _board_name(out, request), shown.reach)
    if out is not None:
        outputs.write(out, bank_text.board_text(sized).encode())
    document = bank_text.size_document(sized, out)
    output.finish(document, bank_text.size_text(sized, out), as_json, EXIT_DONE if sized.ok else EXIT_NO)


def _levels(
    listed: str | None, first: Fraction | None, last: Fraction | None, step: Fraction | None
) -> tuple[Fraction, ...]:
    """The wanted levels in amperes, from a list or a span."""
    from nightdraw import units
    from nightdraw.bank.sizing.request import MAX_LEVELS

    span = (first, last, step)
    if listed is not None:
        if any(value is not None for value in span):
            raise click.UsageError("give --levels, or --from, --to and --step, not both")
        try:
            return tuple(units.parse(text, "current") for text in listed.split(","))
        except ValueError as error:
            raise click.BadParameter(str(error), param_hint="--levels") from None
    if first is None or last is None or step is None:
        raise click.UsageError("which levels? give --levels, or --from, --to and --step")
    if step <= 0 or last < first:
        raise click.UsageError("a span runs upwards from --from to --to, with a --step above 0 A")
    count = int((last - first) / step) + 1
    if count > MAX_LEVELS:
        raise click.UsageError(f"that span has {count} levels, {MAX_LEVELS} are the most")
    return tuple(first + step * number for number in range(count))


def _board_name(out: Path | None, request: SizingRequest) -> str:
    """The board's name: the file's, as far as it is one."""
    from boxcore.program import name_is_valid

    stem = "" if out is None else out.stem.lower()
    return stem if name_is_valid(stem) else f"sized-{round(request.supply_v)}v"


@group.command()
@click.argument("board", metavar="BOARD")
@click.option("--profile", metavar="FILE", help="Weigh what this profile does, instead of all channels on.")
@ambient_option
@click.option(
    "--plot", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE", help="Draw the warm-up."
)
@output.json_option
def heat(board: str, profile: str | None, ambient: Fraction, plot: Path | None, as_json: bool) -> None:
    """Every part's temperature against its limit, with margin, and what would mend what is too hot.

    Without --profile: all channels on for ever at the highest supply that the board's caps allow, the worst
    that the box permits. With it: that profile's run from cold, its warm-up and its pulses.
    """
    from nightdraw.board import load_board
    from nightdraw.cli import bank_text

    model = load_board(board)
    ambient_c = float(ambient)
    with output.progress("warming up", 1) as shown:
        if profile is None:
            from nightdraw.bank.heat.steady_state import steady_heat

            weighed = steady_heat(model, ambient_c)
            run = None if plot is None else _all_on(model, ambient_c)
        else:
            from nightdraw.bank.heat.profile_heat import profile_heat
            from nightdraw.profile import load

            result = profile_heat(model, load(profile, model).program(), ambient_c, shown.reach)
            weighed, run = result.heat, result.warm_up
    if plot is not None and run is not None:
        _draw(plot, model, weighed, run)
    document = bank_text.heat_document(weighed, plot)
    output.finish(document, bank_text.heat_text(weighed, plot), as_json, EXIT_DONE if weighed.ok else EXIT_NO)


def _all_on(model: BoardModel, ambient_c: float) -> WarmUp:
    """The warm-up of the worst case, for its plot."""
    from nightdraw.bank.heat.mounted import box_of, mounted_channels
    from nightdraw.bank.heat.warm_up import warm_up

    channels = mounted_channels(model)
    supply_v = model.caps["supply_max_mv"] / 1000
    everything = [(PLOTTED_S, (1 << len(channels)) - 1)]
    return warm_up(model, channels, box_of(model, channels), ambient_c, supply_v, everything)


def _draw(path: Path, model: BoardModel, weighed: Heat, run: WarmUp) -> None:
    from nightdraw.bank.heat import plot
    from nightdraw.bank.heat.mounted import mounted_channels

    limits_c = [channel.package.limit_c for channel in mounted_channels(model)]
    limit_c = {part.name: part.limit_c for part in weighed.parts}
    title = f"{model.name}: warm-up at {weighed.ambient_c:g} C and {weighed.supply_v:g} V"
    plot.draw(path, run, limits_c, title, limit_c["air inside"], limit_c["wall, brushed"])


@group.command("bodies")
@output.json_option
def packages(as_json: bool) -> None:
    """The resistor packages that sizing knows: rating, derating law, voltage, ohms, and the figures'
    sources."""
    from nightdraw.bank.parts.resistor_packages import CATALOGUE
    from nightdraw.cli import bank_text

    known = list(CATALOGUE.values())
    output.finish(bank_text.packages_document(known), bank_text.packages_text(known), as_json)

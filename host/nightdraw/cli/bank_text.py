"""What `nightdraw bank` says: its JSON documents and its texts, from the answers of the bank package."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from nightdraw import units

if TYPE_CHECKING:
    from nightdraw.bank.heat.steady_state import Heat
    from nightdraw.bank.heat.verdicts import HeatVerdict
    from nightdraw.bank.parts.resistor_packages import Law, ResistorPackage
    from nightdraw.bank.sizing.arrangement import Arrangement
    from nightdraw.bank.sizing.size_bank import Sized

MOST_LEVELS = 24  # a text shows no more; of more the widest are shown, the document has all
WIDEST = 8


def size_document(sized: Sized, out: Path | None) -> dict[str, Any]:
    """The document of `bank size`; errors in percent of the level."""
    from nightdraw.bank.cautions import CAUTIONS

    low, high = sized.request.ohms_range
    return {
        "channels": [_channel(sized, channel) for channel in sized.channels],
        "levels": _levels(sized),
        "bound_pct": 100 * sized.choice.gap,
        "max_error_pct": 100 * sized.choice.error,
        "proven_pct": 100 * sized.choice.proven,
        "ok": sized.ok,
        "findings": [vars(remark) for remark in sized.remarks],
        "limits": {"series": sized.request.series, "ohms_min": float(low), "ohms_max": float(high)},
        "assumptions": list(_assumptions(sized)),
        "cautions": list(CAUTIONS),
        "board": None if out is None else str(out),
    }


def _channel(sized: Sized, channel: Arrangement) -> dict[str, Any]:
    return {
        "ohms": float(channel.ohms),
        "series": sized.request.series,
        "body": channel.package.name,
        "rating_w": channel.rating_w,
        "worst_w": channel.worst_w * channel.count,
        "allowed_w": channel.allowed_w,
        "allowed_at_c": channel.surround_c,
        "mounting": channel.mounting,
        "each_ohms": float(channel.each),
        "in_series": channel.in_series,
        "in_parallel": channel.in_parallel,
        "source": channel.package.source,
    }


def _levels(sized: Sized) -> list[dict[str, Any]]:
    rows = zip(sized.request.levels_a, sized.patterns, sized.nominal_ma, sized.errors, strict=True)
    return [
        {
            "wanted_ma": float(level * 1000),
            "pattern": pattern,
            "nominal_ma": nominal_ma,
            "error_pct_nominal": 100 * (nominal_ma / float(level * 1000) - 1),
            "error_pct_worst": 100 * error.worst,
            "error_pct_rss": 100 * error.rss,
            "error_pct_monte_carlo": 100 * error.monte_carlo,
            "error_pct_held": 100 * error.held,
        }
        for level, pattern, nominal_ma, error in rows
    ]


def _assumptions(sized: Sized) -> tuple[str, ...]:
    from nightdraw.bank.sizing.arrangement import USE
    from nightdraw.bank.sizing.building import SURROUND_K, SWITCH_AND_WIRE_OHMS
    from nightdraw.bank.sizing.level_error import PERCENTILE, REPICK
    from nightdraw.bank.sizing.size_bank import COLDEST_C, REFERENCE_C

    request = sized.request
    on_ohms = float(request.on_ohms or SWITCH_AND_WIRE_OHMS)
    low, high = request.range_v
    return (
        f"choice: the smallest largest error over {float(low):g} .. {float(high):g} V with the pattern "
        "picked "
        f"anew for each supply, resistors at their nominal values: {_percent(sized.choice.error)}, no choice "
        f"below {_percent(sized.choice.proven)}",
        f"nominal: Ohm's law at {float(request.supply_v):g} V with "
        f"{'the resistors alone' if not request.on_ohms else f'{on_ohms:g} ohm of switch and wire'}",
        f"worst case: {float(low):g} .. {float(high):g} V with the pattern picked anew for each supply, "
        f"tolerance {float(request.tolerance_pct):g} %, tempco from {COLDEST_C:g} C to the hottest resistor "
        f"({REFERENCE_C:g} C nominal), {on_ohms:g} ohm of switch and wire; rss: the same limits as "
        f"root-sum-square; monte carlo: the {PERCENTILE:g}th percentile, seed {request.seed}; held: worst "
        "case "
        f"and the {100 * REPICK:g} % of supply movement that a standing level waits for",
        f"worst_w: highest supply squared over ohms; resistors loaded to {100 * USE:g} % of their rating "
        f"derated for {request.ambient_c + SURROUND_K:g} C (ambient and {SURROUND_K:g} K), weighed in a box",
    )


def _percent(share: float) -> str:
    """A share in percent; rounding of the last bit is nothing."""
    return f"{100 * share:.4g} %" if share > 1e-12 else "0 %"


def board_text(sized: Sized) -> str:
    """The board file of a sizing."""
    from nightdraw.bank.sizing.board_text import text

    request = sized.request
    low, high = request.range_v
    comment = (
        f"Sized for {len(request.levels_a)} levels from {units.show(min(request.levels_a), 'current')} to "
        f"{units.show(max(request.levels_a), 'current')}: {request.series}, "
        f"{float(request.tolerance_pct):g} %,",
        f"{float(request.supply_v):g} V nominal, {float(low):g} .. {float(high):g} V, "
        f"in {request.ambient_c:g} C.",
        f"Largest error over that range {100 * sized.choice.error:.3g} % before tolerance, proven to be "
        "within "
        f"{100 * sized.choice.gap:.3g} percentage points of the best choice.",
        "Check it with: nightdraw bank heat FILE",
    )
    return text(sized.board, comment)


def size_text(sized: Sized, out: Path | None) -> str:
    """The text of `bank size`."""
    from nightdraw.bank.cautions import CAUTIONS

    lines = ["channels"]
    for number, channel in enumerate(sized.channels, 1):
        made = "" if channel.count == 1 else f"  = {channel.count} x {float(channel.each):g} ohm"
        where = "on the wall" if channel.mounting == "plate" else "in air"
        lines.append(
            f"  {number:2}  {float(channel.ohms):>9g} ohm  {channel.package.name:<12} {where:<12}"
            f"{channel.worst_w * channel.count:8.3g} W of {channel.rating_w:g} W{made}"
        )
    lines += ["", *_level_lines(sized), "", *_verdict_lines(sized)]
    box = sized.board.enclosure
    if box is not None:
        sides = " x ".join(f"{float(side) * 1000:g}" for side in (box.length_m, box.width_m, box.height_m))
        lines.append(
            f"box: {box.material}, {sides} mm; wall {sized.heat.air.wall_c:.0f} C, air inside "
            f"{sized.heat.air.air_c:.0f} C with everything on at {sized.heat.supply_v:g} V"
        )
    if out is not None:
        lines.append(f"written: {out}")
    return "\n".join([*lines, "", *_sentences(_assumptions(sized)), "", *_sentences(CAUTIONS)])


def _level_lines(sized: Sized) -> list[str]:
    rows = list(enumerate(_levels(sized)))
    title = "levels: wanted, nominal, error at nominal, worst case, rss, monte carlo, pattern"
    if len(rows) > MOST_LEVELS:
        title += f" (the {WIDEST} widest of {len(rows)})"
        rows = sorted(sorted(rows, key=lambda row: -row[1]["error_pct_worst"])[:WIDEST])
    width = len(sized.channels)
    return [title] + [
        f"  {row['wanted_ma']:9.4g} mA {row['nominal_ma']:9.4g} mA {row['error_pct_nominal']:+8.3f} % "
        f"{row['error_pct_worst']:7.2f} % {row['error_pct_rss']:7.2f} % "
        f"{row['error_pct_monte_carlo']:7.2f} %  {row['pattern']:0{width}b}"
        for _, row in rows
    ]


def _verdict_lines(sized: Sized) -> list[str]:
    lines = [f"{remark.severity}: {remark.part}: {remark.message}" for remark in sized.remarks]
    best = "the best choice there is"
    if sized.choice.gap:
        best = f"at most {100 * sized.choice.gap:.3g} percentage points above the best choice there is"
    low, high = sized.request.range_v
    worst = max(error.worst for error in sized.errors)
    lines.append(
        f"{'ok' if sized.ok else 'not ok'}: largest error {_percent(worst)} over {float(low):g} .. "
        f"{float(high):g} V, of which {_percent(sized.choice.error)} by the values, {best}"
    )
    return lines


def _sentences(sentences: Sequence[str]) -> list[str]:
    return [f"- {sentence}" for sentence in sentences]


def heat_document(heat: Heat, plot: Path | None) -> dict[str, Any]:
    """The document of `bank heat`."""
    from nightdraw.bank.cautions import CAUTIONS

    return {
        "parts": [_part(part) for part in heat.parts],
        "ok": heat.ok,
        "findings": [
            {"part": part.name, "rule": "heat", "message": _failure(part), "severity": "error"}
            for part in heat.parts
            if not part.ok
        ],
        "ambient_c": heat.ambient_c,
        "supply_v": heat.supply_v,
        "assumptions": list(heat.assumptions),
        "cautions": list(CAUTIONS),
        "plot": None if plot is None else str(plot),
    }


def _part(part: HeatVerdict) -> dict[str, Any]:
    return {
        "name": part.name,
        "dissipation_w": part.dissipation_w,
        "allowed_w": part.allowed_w,
        "temp_c": part.temp_c,
        "limit_c": part.limit_c,
        "margin": part.margin,
        "ok": part.ok,
        "about": part.about,
        "remedy": part.remedy or None,
    }


def _failure(part: HeatVerdict) -> str:
    """Which part fails, by how much, and what would mend it."""
    over = []
    if part.dissipation_w > part.allowed_w:
        over.append(
            f"{part.dissipation_w:.3g} W, {part.dissipation_w - part.allowed_w:.3g} W more than allowed"
        )
    if part.temp_c > part.limit_c:
        over.append(f"{part.temp_c:.0f} C, {part.temp_c - part.limit_c:.0f} K over its limit")
    return f"{', '.join(over) or 'over its voltage'}: {part.remedy}"


def heat_text(heat: Heat, plot: Path | None) -> str:
    """The text of `bank heat`."""
    from nightdraw.bank.cautions import CAUTIONS

    lines = [f"{'part':<26} {'W':>9} {'allowed':>9} {'C':>6} {'limit':>6} {'margin':>7}"]
    for part in heat.parts:
        lines.append(
            f"{part.name:<26} {part.dissipation_w:9.3g} {part.allowed_w:9.3g} {part.temp_c:6.0f} "
            f"{part.limit_c:6.0f} {100 * part.margin:6.0f}%  {'ok' if part.ok else 'FAILS'}  {part.about}"
        )
    lines.append("")
    lines += [f"{part.name}: {_failure(part)}" for part in heat.parts if not part.ok]
    lines.append("ok: everything stays within its limit" if heat.ok else "not ok")
    if plot is not None:
        lines.append(f"written: {plot}")
    return "\n".join([*lines, "", *_sentences(heat.assumptions), "", *_sentences(CAUTIONS)])


def packages_document(packages: Sequence[ResistorPackage]) -> dict[str, Any]:
    """The document of `bank bodies`."""
    return {
        "bodies": [
            {
                "name": package.name,
                "about": package.about,
                "air": vars(package.air),
                "plate": vars(package.plate) if package.plate else None,
                "volts_max": package.volts_max,
                "ohms_min": package.ohms[0],
                "ohms_max": package.ohms[1],
                "stocked": package.stocked,
                "tempco_ppm": package.tempco_ppm,
                "source": package.source,
            }
            for package in packages
        ]
    }


def packages_text(packages: Sequence[ResistorPackage]) -> str:
    """The text of `bank bodies`."""
    lines = []
    for package in packages:
        laws = _law(package.air, "in air") + (
            f"; {_law(package.plate, 'on a plate')}" if package.plate else ""
        )
        values = f"{package.ohms[0]:g} .. {package.ohms[1]:g} ohm ({', '.join(package.stocked)})"
        lines += [
            f"{package.name}: {package.about}",
            f"    {laws}; {values}, {package.volts_max:.0f} V, {package.tempco_ppm:g} ppm/K",
            f"    source: {package.source}",
        ]
    return "\n".join(lines)


def _law(law: Law, where: str) -> str:
    return f"{where} {law.rating_w:g} W to {law.full_to_c:g} C, none at {law.zero_at_c:g} C"

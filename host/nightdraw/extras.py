"""What a light installation leaves out: which of the large packages belong to which extra of pyproject.toml.

They are imported where they are used and nowhere else; where one is missing, this names what brings it.
"""

from __future__ import annotations

import importlib.util

from nightdraw.errors import Finding, InputError

# module -> the extra that brings it, and what it is for. What two extras have stands with the smaller one.
EXTRAS = {
    "pyarrow": ("bench", "recordings beyond plain numbers (dates, gaps, Parquet)"),
    "scipy": ("bench", "instruments with a bandwidth, and verdicts over fuses"),
    "matplotlib": ("report", "pictures"),
    "reportlab": ("report", "sheets as PDF"),
    "starlette": ("live", "a vehicle on a page in the browser"),
    "uvicorn": ("live", "a vehicle on a page in the browser"),
    "websockets": ("live", "a vehicle on a page in the browser"),
    "contourpy": ("hardware", "the poured copper of a circuit board"),
    "eseries": ("hardware", "values of resistors that can be bought"),
    "fluids": ("hardware", "the heat of a board"),
    "ht": ("hardware", "the heat of a board"),
    "manifold3d": ("hardware", "the printable cap"),
    "schemdraw": ("hardware", "schematics"),
}
# The nouns that need all of an extra, and not only the package that was found missing first.
NOUNS = {"bank": "hardware"}


def has(module: str) -> bool:
    """Whether a package is installed; it isn't imported."""
    try:
        return importlib.util.find_spec(module) is not None
    except ValueError:  # a test's way of taking a package away
        return False


def missing(module: str, noun: str = "") -> Finding:
    """Which package is missing, what it is for, and the command that brings it; noun: of the command line."""
    extra, purpose = EXTRAS[module]
    message = f"this takes the package {module}, which is not installed: it is for {purpose}"
    return Finding(
        message, hint=f'run: pip install "nightdraw[{NOUNS.get(noun, extra)}]"; [all] is everything'
    )


def explained(error: ModuleNotFoundError, noun: str = "") -> Finding | None:
    """The same for an import that failed; None where the module is none of an extra's."""
    module = (error.name or "").partition(".")[0]
    return missing(module, noun) if module in EXTRAS else None


def need(module: str) -> None:
    """Raise InputError where a package of an extra isn't installed."""
    if not has(module):
        raise InputError(missing(module))

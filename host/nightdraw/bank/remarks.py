"""The remarks that an answer about a bank carries, and how bad each can be."""

from __future__ import annotations

from dataclasses import dataclass

ERROR, WARNING, NOTE = "error", "warning", "note"


@dataclass(frozen=True)
class Remark:
    """One verdict: about which part, which rule, what, and how bad (error, warning or note)."""

    part: str
    rule: str
    message: str
    severity: str

"""What one method of the trade comes to, as a row of the answer. Plain data and its document."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from nightdraw.bench.finding.laws import SearchTime
from nightdraw.bench.finding.trials import Times


@dataclass(frozen=True)
class Method:
    """One method: whether it shows the fault, why, the settings.

    time: by simulation, None where it doesn't show; closed: by formula, `law` naming it, None where none is
    known; hardest_s: the rounds that 95 % of searches need, each as long as 95 % of its kind; isolates: what
    it leads to; more: further keys of the document; extra: no method of its own.
    """

    method: str
    shows: bool
    why: str
    settings: dict[str, Any] = field(default_factory=dict)
    time: Times | None = None
    closed: SearchTime | None = None
    law: str | None = None
    hardest_s: float = 0.0
    isolates: str | None = None
    more: dict[str, Any] = field(default_factory=dict)
    extra: bool = False

    def document(self) -> dict[str, Any]:
        """The JSON contract's keys, and more."""
        found = {
            "method": self.method,
            "shows": self.shows,
            "why": self.why,
            "settings": self.settings,
            "expected_s": None if self.time is None else round(self.time.expected_s, 3),
            "p95_s": None if self.time is None else round(self.time.p95_s, 3),
            "closed_form": None,
            "simulation_error_s": None,
            "isolates": self.isolates,
            **self.more,
        }
        if self.closed is not None:
            found["closed_form"] = {
                "law": self.law,
                "expected_s": round(self.closed.expected_s, 3),
                "p95_s": round(self.closed.p95_s, 3),
            }
        if self.time is not None:
            mean_s, quantile_s = self.time.errors_s()
            found["simulation_error_s"] = {"expected_s": round(mean_s, 3), "p95_s": round(quantile_s, 3)}
        return found


def minutes(seconds: float) -> str:
    """A time for people."""
    if seconds < 120:
        return f"{seconds:.3g} s"
    return f"{seconds / 60:.1f} min" if seconds < 7200 else f"{seconds / 3600:.1f} h"

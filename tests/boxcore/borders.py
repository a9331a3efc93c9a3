"""Borders that a random test is steered to, and the counts that show that it got there."""

from __future__ import annotations


class Borders:
    """How often each named border was met; `enough` fails where one was met too seldom."""

    def __init__(self, *names: str) -> None:
        self.counts = dict.fromkeys(names, 0)

    def met(self, name: str, at_it: bool = True) -> None:
        """Count a border where `at_it` holds; KeyError for one that wasn't named."""
        self.counts[name] += bool(at_it)

    def enough(self, least: int) -> None:
        """Print the counts; AssertionError for a border met fewer than `least` times."""
        print("met:", ", ".join(f"{name} {count}" for name, count in self.counts.items()))
        seldom = {name: count for name, count in self.counts.items() if count < least}
        assert not seldom, f"met fewer than {least} times: {seldom}"

"""Doors, latch, locks, key, ignition and engine as they are now, and what of it keeps modules awake.

Plain state: nothing draws here, nothing is planned.
"""

from __future__ import annotations

from nightdraw.vehicle import model
from nightdraw.vehicle.model import Module

POSITIONS: dict[str, frozenset[str]] = {  # the ignition's positions -> what is on in each
    "off": frozenset(),
    "accessory": frozenset({model.ACCESSORY}),
    "on": frozenset({model.ACCESSORY, model.IGNITION}),
}


class Cabin:
    """What is so: `conditions` has those of model.HOLDS that hold now.

    The modules see the latch, not the door: whoever closes the latch of an open door lets them sleep.
    latch_stuck: its switch reads open whatever it does.
    """

    def __init__(self) -> None:
        self.conditions: set[str] = set()
        self.engine = False
        self.door_open = self._latch_open = self._latch_stuck = False

    @property
    def blocked(self) -> bool:
        """Whether an open door can't close, for its latch is closed."""
        return self.door_open and not self._latch_open

    @property
    def latch_open(self) -> bool:
        """Whether the latch is open, whatever its switch says."""
        return self._latch_open

    @property
    def position(self) -> str:
        """The ignition's."""
        switched = self.conditions & POSITIONS["on"]
        return next(name for name, on in POSITIONS.items() if on == switched)

    @property
    def seen_open(self) -> bool:
        """Whether the modules take a door for open."""
        return model.DOOR in self.conditions

    def move_door(self, opens: bool) -> bool:
        """A door opens or closes, its latch with it; True where the modules see that: another door's opening
        too, but nothing behind a latch that is stuck."""
        self.door_open = opens
        return self.move_latch(opens) or not self._latch_stuck

    def move_latch(self, opens: bool) -> bool:
        """The latch alone is opened or closed; True where the modules see that."""
        self._latch_open = opens
        return self._look()

    def stick_latch(self, stuck: bool) -> bool:
        """The latch's switch sticks at open, or is mended; True where the modules see another state."""
        self._latch_stuck = stuck
        return self._look()

    def set(self, condition: str, holds: bool) -> None:
        """Let a condition be so, or no longer."""
        (self.conditions.add if holds else self.conditions.discard)(condition)

    def turn_ignition(self, position: str) -> frozenset[str]:
        """Turn the ignition to a position; what of ACCESSORY and IGNITION changed."""
        before = self.conditions & POSITIONS["on"]
        self.conditions = self.conditions - before | POSITIONS[position]
        return frozenset(before ^ POSITIONS[position])

    def stays(self, spec: Module) -> bool:
        """Whether a woken module goes no further than its first stage: the engine runs, or the ignition is
        at what wakes it."""
        switched = self.conditions & POSITIONS["on"]
        return self.engine or not spec.wakes_by.isdisjoint(switched)

    def holds(self, spec: Module) -> bool:
        """Whether something keeps a module from being ready to sleep."""
        return not self.conditions.isdisjoint(spec.holds)

    def _look(self) -> bool:
        before = self.seen_open
        self.set(model.DOOR, self._latch_open or self._latch_stuck)
        return before != self.seen_open

"""Students at once, each with a vehicle of its own: seats, bounded in number, and the time that they share.

A seat is known by a number that nobody guesses; who comes back with it finds everything as it was left. One
that nobody sits at goes on in real time. When all are taken, one that was left long ago is given up.
"""

from __future__ import annotations

import secrets
import selectors
import time
import traceback
from collections.abc import Callable, Container

from nightdraw.bench.endpoints import Endpoints
from nightdraw.live.coroutine import Coroutine
from nightdraw.live.vehicle import Case, LiveVehicle

MOST_SEATS = 24
MOST_PAGES = 4  # of one seat: the same student in several windows
LEFT_S = 1800.0  # after which a seat that nobody sits at may be given up
TURN_S = 0.04  # the loop comes round so often
BUSY_S = 0.03  # of computing in a turn, shared by all seats


class Seat:
    """A vehicle, its boxes' ports, and how many pages look at it. place: which of its room's, from 1."""

    def __init__(self, room: str, live: LiveVehicle, place: int, ports: int = 0) -> None:
        self.place = place
        self.key = secrets.token_urlsafe(12)
        self.room, self.live = room, live
        self.pages = 0
        self.left_s = time.monotonic()
        self.taken = self.broken = False
        self._speed = live.speed  # that its pages chose
        live.set_speed(1.0)
        self._selector = selectors.DefaultSelector()
        self._coroutine, self._until_s = Coroutine(), 0.0
        live.yield_to_others = self._yield
        self.endpoints = [
            Endpoints(world, ports + k if ports else 0, False, self._selector)
            for k, world in enumerate(live.rig.worlds)
        ]

    def where(self) -> list[dict[str, str]]:
        """Where each box's link is served."""
        return [
            {"splice": world.splice, "socket": endpoints.address}
            for world, endpoints in zip(self.live.rig.worlds, self.endpoints, strict=True)
        ]

    def enter(self) -> None:
        """A page looks at it."""
        self.pages += 1
        if self.pages == 1:
            self.live.set_speed(self._speed)
        self.taken = True

    def leave(self) -> None:
        """A page has gone."""
        self.pages -= 1
        if not self.pages:
            self.taken = bool(self.live.log)  # who did nothing leaves nothing behind
            self.left_s = time.monotonic()
            self._speed = self.live.speed
            self.live.set_speed(min(1.0, self._speed))

    def turn(self, budget_s: float) -> None:
        """Hear who speaks to the boxes and let time pass, while a block is under way no faster than it.

        A command that lets time jump is worked through in as many turns as it takes.
        """
        self._until_s = time.perf_counter() + budget_s
        if self._coroutine.under_way:
            self._coroutine.go_on()
        elif ready := {key.fileobj for key, _ in self._selector.select(0)}:
            self._coroutine.run(lambda: self._hear(ready))
        if self._coroutine.under_way:
            return
        self.live.turn(budget_s, any(endpoints.in_block() for endpoints in self.endpoints))
        for endpoints in self.endpoints:
            endpoints.tick()

    @property
    def waiting(self) -> bool:
        """Whether its time runs as fast as it can."""
        return self.live.wait is not None or self._coroutine.under_way

    def _hear(self, ready: Container[object]) -> None:
        for endpoints in self.endpoints:
            endpoints.hear(ready)
        self.live.rig.settle()

    def _yield(self) -> None:
        if time.perf_counter() >= self._until_s:
            self._coroutine.pause()

    def close(self) -> None:
        """Close its ports and let its recording go."""
        self._coroutine.stop()
        self._selector.close()
        for endpoints in self.endpoints:
            endpoints.close()
        self.live.close()


class Seats:
    """All seats; make(case) builds a vehicle. The first of each room stands ready from the beginning."""

    def __init__(self, make: Callable[[Case], LiveVehicle], most: int = MOST_SEATS) -> None:
        self._make = make
        self._most = most
        self.seats: dict[str, Seat] = {}

    def open(self, room: str, case: Case, ports: int = 0) -> Seat:
        """A new seat."""
        place = 1 + max((seat.place for seat in self.seats.values() if seat.room == room), default=0)
        seat = Seat(room, self._make(case), place, ports)
        self.seats[seat.key] = seat
        return seat

    def find(self, room: str, case: Case, key: str) -> Seat | None:
        """The seat with this key, else one that nobody has taken, else a new one; None: all are taken."""
        known = self.seats.get(key)
        if known is not None and known.room == room:
            return known if known.pages < MOST_PAGES else None
        for seat in self.seats.values():
            if seat.room == room and not seat.taken:
                return seat
        if len(self.seats) >= self._most and not self._give_up():
            return None
        return self.open(room, case)

    def _give_up(self) -> bool:
        left = [seat for seat in self.seats.values() if seat.taken and not seat.pages]
        oldest = min(left, key=lambda seat: seat.left_s, default=None)
        if oldest is None or time.monotonic() - oldest.left_s < LEFT_S:
            return False
        oldest.close()
        del self.seats[oldest.key]
        return True

    def turn(self) -> None:
        """Let time pass for all; those at which it runs ahead share what computing there is."""
        share_s = BUSY_S / max(1, self.waiting())
        for seat in self.seats.values():
            if not seat.broken:
                self._turn(seat, share_s)

    def _turn(self, seat: Seat, share_s: float) -> None:
        """A turn of one; a defect in it stops this vehicle and no other."""
        try:
            seat.turn(share_s)
        except Exception:
            traceback.print_exc()
            seat.broken = True
            seat.live.wait = None
            seat.live.say("say.broken")

    def waiting(self) -> int:
        """At how many time runs as fast as it can."""
        return sum(seat.waiting for seat in self.seats.values())

    def close(self) -> None:
        """Close all."""
        for seat in self.seats.values():
            seat.close()
        self.seats.clear()

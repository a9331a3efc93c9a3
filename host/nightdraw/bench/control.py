"""The vehicle's own channel: a line is an action of a script, the answer one JSON object on one line.

    door opens | door closes | car unlocked | car locked | pull F7 | back F7 | charger on | charger off
    latch opens | latch closes | ignition off | ignition accessory | ignition on | key near | key away
    defect NAME | mended NAME | engine 5 min | wait 10 min | state

`wait` lets the vehicle's time jump, `state` changes nothing. The same words as a script's, the same refusals:
what is refused changed nothing.
"""

from __future__ import annotations

import json
import selectors
from collections.abc import Container
from typing import Any

from boxcore.program import TICKS_PER_S

from nightdraw import units
from nightdraw.bench.ports import HOST, Listener, SocketClient, is_stalled
from nightdraw.bench.rig import Rig
from nightdraw.errors import nearest, printable
from nightdraw.vehicle import script
from nightdraw.vehicle.model import KEY

WAIT, STATE = "wait", "state"
MOST_LINE = 256  # bytes: as on the boxes' own links
MOST_WAIT = "1 d"  # a line: seconds of computing, a client waits for it


class RefusedError(ValueError):
    """A line that asks for nothing that can be done; says why."""


class Control:
    """What can be done to a vehicle that runs."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._vehicle = rig.simulated.vehicle

    def answer(self, line: str) -> dict[str, Any]:
        """Do what a line says; the vehicle's state, or why not."""
        try:
            self._do(line.strip())
        except RefusedError as refusal:
            return {"ok": False, "error": printable(str(refusal))}
        return {"ok": True, **self.state()}

    def state(self) -> dict[str, Any]:
        """The vehicle as it is now."""
        rig, simulated, network = self._rig, self._rig.simulated, self._rig.network
        rig.settle()
        return {
            "t_s": rig.tick / TICKS_PER_S,
            "asleep": simulated.asleep(),
            "engine": simulated.engine,
            "charger": network.on[0],
            "door_open": simulated.door_open,
            "latch_open": simulated.cabin.seen_open,
            "ignition": simulated.cabin.position,
            "key_near": KEY in simulated.cabin.conditions,
            "defects": simulated.defects.present(),
            "pulled": [name for name, fused_path in network.fused_paths.items() if fused_path.pulled],
            "battery_v": round(network.bus_v, 4),
            "battery_ma": round(1000 * network.battery_a, 3),
            "charge_pct": round(simulated.charge_pct, 4),
            "boxes": [
                {"splice": world.splice, "state": None if world.box is None else world.box.state}
                for world in rig.worlds
            ],
        }

    def _do(self, line: str) -> None:
        action, _, rest = line.partition(" ")
        rest = rest.strip()
        known = (*script.ACTIONS, WAIT, STATE)
        if action not in known:
            hint = nearest(action[:60], known) or f"known: {', '.join(known)}"
            raise RefusedError(f"{units.shown(action)} is nothing that can be done ({hint})")
        if action == STATE:
            return
        if action == WAIT:
            self._rig.pass_ticks(_ticks(rest, MOST_WAIT))
            return
        self._rig.simulated.happen(self._event(action, rest))
        self._rig.settle()

    def _event(self, action: str, word: str) -> script.Event:
        """A script's event, refused where it can't happen now."""
        words = script.ACTIONS[action]
        if action == script.CHARGER and self._vehicle.charger is None:
            raise RefusedError("this vehicle has no support charger")
        if action == script.ENGINE:
            if self._vehicle.alternator is None:
                raise RefusedError("this vehicle has no alternator: its engine can't run")
            return script.Event(0, action, "", _ticks(word, script.ENGINE_TIME[1]))
        if words is None:
            self._refuse_name(action, word)
        elif word not in words:
            raise RefusedError(f"{action} must be one of {', '.join(words)}, not {units.shown(word)}")
        refusal = self._rig.simulated.refuses(script.Event(0, action, word))
        if refusal is not None:
            raise RefusedError(refusal)
        return script.Event(0, action, word)

    def _refuse_name(self, action: str, word: str) -> None:
        what, known = script.names(self._vehicle, action)
        if word not in known:
            hint = nearest(word[:60], known) or "state tells none by name"
            raise RefusedError(f"there is no {what} {units.shown(word)} ({hint})")


def _ticks(text: str, most: str) -> int:
    try:
        ticks = units.to_ticks(units.parse(text, "time"))
    except ValueError as error:
        raise RefusedError(str(error)) from None
    if not 1 <= ticks <= units.to_ticks(units.parse(most, "time")):
        raise RefusedError(f"{units.shown(text)} must be more than nothing and at most {most}")
    return ticks


class Talk:
    """The channel's port, one program at a time."""

    def __init__(self, control: Control, port: int, selector: selectors.BaseSelector) -> None:
        self._control = control
        self._listener = Listener(port)
        self._selector = selector
        self._client: SocketClient | None = None
        self._heard = b""
        selector.register(self._listener, selectors.EVENT_READ)

    @property
    def address(self) -> str:
        """Where a program connects."""
        return f"socket://{HOST}:{self._listener.port}"

    def hear(self, ready: Container[object]) -> None:
        """Serve who is ready."""
        if self._client is not None and self._client in ready:
            self._client.flush()
            self._serve(self._client)
        if self._listener in ready:
            client = self._listener.accept()
            if client is not None and self._client is not None:
                client.close()
            elif client is not None:
                self._client, self._heard = client, b""
                self._selector.register(client, selectors.EVENT_READ)

    def close(self) -> None:
        """Close the port."""
        for door in (self._client, self._listener):
            if door is not None:
                door.close()

    def _serve(self, client: SocketClient) -> None:
        heard = b"" if is_stalled(client) else client.receive()
        if heard is None:
            self._selector.unregister(client)
            client.close()
            self._client = None
            return
        self._heard += heard
        while b"\n" in self._heard:
            line, _, self._heard = self._heard.partition(b"\n")
            client.send(self._said(line))
        if len(self._heard) > MOST_LINE:
            self._heard = b""
            client.send(self._said(b" " * (MOST_LINE + 1)))
        reading = 0 if is_stalled(client) else selectors.EVENT_READ
        self._selector.modify(client, reading | (selectors.EVENT_WRITE if client.unread else 0))

    def _said(self, line: bytes) -> bytes:
        if len(line) > MOST_LINE:
            answer: dict[str, Any] = {"ok": False, "error": f"a line has at most {MOST_LINE} bytes"}
        else:
            answer = self._control.answer(line.decode("utf-8", "replace"))
        return (json.dumps(answer) + "\n").encode()

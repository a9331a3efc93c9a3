"""What a program asks of a box's lock. The passcode never travels: see boxcore.lock, boxcore.commands_lock.

Nothing here asks a person for a passcode.
"""

from __future__ import annotations

import time
from dataclasses import dataclass

from boxcore import lock, spake2plus

from nightdraw import exchange
from nightdraw.errors import Finding
from nightdraw.link import passcode as codes
from nightdraw.link import queries as ask
from nightdraw.link.line import STORE_S, Line
from nightdraw.link.message import GarbledError
from nightdraw.link.session import TRIES, RefusedError

WRONG = -224
PROTECTED = -203
SHARE_S = 40.0  # the box tells its share after 14 s; should it be too busy for that, later
POLL_S = 0.3


@dataclass(frozen=True)
class Tries:
    """Failed tries since the last good one, all boots together, and the seconds until the next is taken."""

    failed: int
    wait_s: int


class Latch(Line):
    """The lock's part of a box's client."""

    def locked(self) -> bool:
        """Whether programs, journal and settings are out of reach."""
        return self._get(ask.LOCKED)

    def has_passcode(self) -> bool:
        """Whether a passcode is set: then the box is locked at every power-up."""
        return self._salt() != (b"", 0) or self.locked()

    def tries(self) -> Tries:
        """How often wrong passcodes were tried."""
        return Tries(*self._get(ask.TRIES))

    def set_passcode(self, passcode: str, cost: int = codes.COST) -> None:
        """Give an open box a passcode, its first or another; the box stays open until lock() or power-up.

        Raises InputError for one that is soon guessed, RefusedError while the box is locked; it holds what it
        held before, or the new one whole.
        """
        passcode = codes.strong(passcode)
        salt = codes.new_salt()
        record = codes.record(*codes.numbers(passcode, salt, cost))
        for _ in range(TRIES):
            own = codes.secret()
            share = exchange.finish(spake2plus.hidden(own, spake2plus.INFINITY))
            box_share = self._exchange_shares(":SYST:PASS:NEW:SHAR", share)
            try:
                key = exchange.finish(exchange.agree(own, box_share))
            except ValueError:
                raise self._unbelievable() from None
            try:
                data = exchange.encrypted_record(key, salt, cost, record)
                self._session.once(":SYST:PASS:NEW", block=data, limit_s=STORE_S)
                return
            except GarbledError:
                self._session.settle()
                if self._salt() == (salt, cost):
                    return
        raise self._unbelievable()

    def lock(self) -> None:
        """Lock a box that has a passcode, now instead of at its next power-up."""
        self._session.ask(":SYST:PASS:CDIS")

    def unlock(self, passcode: str) -> int:
        """Unlock until the next power-up or lock(); returns how many wrong passcodes were tried before.

        Raises RefusedError, with the box still locked, for a wrong passcode or one that comes too soon.
        """
        passcode = codes.checked(passcode)
        tries = self.tries()
        if tries.wait_s:
            raise self._refused(PROTECTED, "too soon after a wrong passcode", tries)
        w0, w1 = self._numbers(passcode)
        try:
            right = self._exchange(w0, w1)
        except RefusedError as refused:
            if refused.code not in (WRONG, PROTECTED):
                raise
            right = False
        if not right:
            raise self._refused(WRONG, "that isn't its passcode", self.tries())
        return tries.failed

    def _exchange(self, w0: int, w1: int) -> bool:
        """Unlock by the two numbers; False where the box doesn't know them."""
        w0_m, w0_n = codes.masks(w0)
        own = codes.secret()
        share = exchange.finish(spake2plus.hidden(own, w0_m))
        box_share = self._exchange_shares(":SYST:PASS:SHAR", share)
        try:
            keys = exchange.finish(exchange.prove(lock.TO_UNLOCK, w0, w1, own, box_share, w0_m, w0_n))
        except ValueError:
            raise self._unbelievable() from None
        confirmation = self._get(ask.CONFIRMATION)
        right: bool = spake2plus.same(confirmation, keys.verifier_confirmation)
        # A box that doesn't know the passcode is told nothing; it then knows that a try has failed.
        answer = keys.prover_confirmation if right else bytes(spake2plus.CONFIRMATION_BYTES)
        self._only_once(f':SYST:PASS "{answer.hex()}"', done=lambda: not self.locked(), limit_s=STORE_S)
        return right

    def _exchange_shares(self, header: str, share: bytes) -> bytes:
        """The box's share for ours. The same share may be sent again: it is one try."""
        self.allow(SHARE_S + STORE_S)
        self._session.ask(f'{header} "{share.hex()}"', limit_s=STORE_S)
        deadline = time.monotonic() + SHARE_S
        while True:
            answer = self._get(ask.SHARE)
            if answer:
                return answer
            if time.monotonic() > deadline:
                raise self._unbelievable()
            time.sleep(POLL_S)

    def clear_passcode(self) -> None:
        """Take an unlocked box's passcode away: it stays open, after a power-up too."""
        self._only_once(":SYST:PASS:CLE", done=lambda: not self.has_passcode())

    def _salt(self) -> tuple[bytes, int]:
        salt, cost = self._get(ask.SALT)
        return salt, cost

    def _numbers(self, passcode: str) -> tuple[int, int]:
        salt, cost = self._salt()
        if not salt:
            return 1, 1  # the box will say that it has no passcode
        if not codes.is_cost(cost):
            raise self._error(f"it wants a derivation of cost {cost}, no box of ours does", "is it your box?")
        return codes.numbers(passcode, salt, cost)

    def _unbelievable(self) -> Exception:
        return self._error("no believable answer from its lock", "look whether the box is locked")

    def _refused(self, code: int, what: str, tries: Tries) -> RefusedError:
        hint = f"{tries.failed} failed so far; " + (
            f"the next try is taken in {tries.wait_s} s" if tries.wait_s else "try again"
        )
        return RefusedError(Finding(f"{self.address}: {what}", hint=hint), code)

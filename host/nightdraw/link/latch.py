"""What a program asks of a box's lock. The passcode never travels: see boxcore.lock, boxcore.commands_lock.

Nothing here asks a person for a passcode.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from boxcore import lock

from nightdraw.errors import Finding
from nightdraw.link import passcode as codes
from nightdraw.link.line import STORE_S, Line, text
from nightdraw.link.message import GarbledError
from nightdraw.link.session import TRIES, RefusedError

WRONG = -224
PROTECTED = -203


@dataclass(frozen=True)
class Tries:
    """Failed tries since the last good one, all boots together, and the seconds until the next is taken."""

    failed: int
    wait_s: int


class Latch(Line):
    """The lock's part of a box's client."""

    def locked(self) -> bool:
        """Whether programs, journal and settings are out of reach."""
        return self._session.ask(":SYST:PASS:STAT?")[0] == b"0"

    def has_passcode(self) -> bool:
        """Whether a passcode is set: then the box is locked at every power-up."""
        return self._salt() != (b"", 0) or self.locked()

    def tries(self) -> Tries:
        """How often wrong passcodes were tried."""
        failed, wait_s = self._session.ask(":SYST:PASS:TRI?")[0].split(b",")
        return Tries(int(failed), int(wait_s))

    def set_passcode(self, passcode: str, rounds: int = codes.ROUNDS) -> None:
        """Give an open box a passcode, its first or another; the box stays open until lock() or power-up.

        Raises RefusedError while the box is locked; it holds what it held before, or the new one whole.
        """
        passcode = codes.checked(passcode)
        salt = codes.new_salt()
        key = codes.key(passcode, salt, rounds)

        def unit(challenge: bytes) -> str:
            answer = lock.set_answer(key, challenge, salt, rounds)
            return f':SYST:PASS:NEW "{salt.hex()}",{rounds},"{key.hex()}","{answer.hex()}"'

        self._answer(unit, done=lambda: self._salt() == (salt, rounds))

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
        key = self._key(passcode)

        def unit(challenge: bytes) -> str:
            return f':SYST:PASS "{lock.unlock_answer(key, challenge).hex()}"'

        try:
            self._answer(unit, done=lambda: not self.locked())
        except RefusedError as refused:
            if refused.code not in (WRONG, PROTECTED):
                raise
            what = "that isn't its passcode" if refused.code == WRONG else "too soon after a wrong passcode"
            raise self._refused(refused.code, what, self.tries()) from None
        return tries.failed

    def clear_passcode(self) -> None:
        """Take an unlocked box's passcode away: it stays open, after a power-up too."""
        self._only_once(":SYST:PASS:CLE", done=lambda: not self.has_passcode())

    def _answer(self, unit: Callable[[bytes], str], done: Callable[[], bool]) -> None:
        """Answer a challenge, a new one each time: none is good for two answers."""
        for _ in range(TRIES):
            challenge = bytes.fromhex(text(self._session.ask(":SYST:PASS:CHAL?")[0]))
            try:
                self._session.once(unit(challenge), limit_s=STORE_S)
                return
            except GarbledError:
                self._session.settle()
                if done():
                    return
        raise self._error("no believable answer from its lock", "look whether the box is locked")

    def _salt(self) -> tuple[bytes, int]:
        salt, rounds = self._session.ask(":SYST:PASS:SALT?")[0].split(b",")
        return bytes.fromhex(text(salt)), int(rounds)

    def _key(self, passcode: str) -> bytes:
        salt, rounds = self._salt()
        if salt and not codes.FEWEST_ROUNDS <= rounds <= codes.MOST_ROUNDS:
            raise self._error(f"it wants a key of {rounds} rounds, no box of ours does", "is it your box?")
        return codes.key(passcode, salt, rounds) if salt else bytes(lock.KEY_BYTES)

    def _refused(self, code: int, what: str, tries: Tries) -> RefusedError:
        hint = f"{tries.failed} failed so far; " + (
            f"the next try is taken in {tries.wait_s} s" if tries.wait_s else "try again"
        )
        return RefusedError(Finding(f"{self.address}: {what}", hint=hint), code)

"""A call as a coroutine: left in its middle and taken up again, so that nobody else waits for its end.

Whoever speaks to a box may let hours pass by one command, which its link works through in one call. That call
gets a thread, but only as a stack of its own: either the caller runs or the call, never both.
"""

from __future__ import annotations

import threading
from collections.abc import Callable


class StoppedError(BaseException):
    """Unwinds a call that nobody takes up again; nothing on the way may take it for a failure."""


class Coroutine:
    """One call at a time."""

    def __init__(self) -> None:
        self._go, self._back = threading.Semaphore(0), threading.Semaphore(0)
        self._thread: threading.Thread | None = None
        self._call: Callable[[], None] | None = None
        self._error: Exception | None = None
        self._stopped = False

    @property
    def under_way(self) -> bool:
        """Whether a call was begun and hasn't ended."""
        return self._call is not None

    def run(self, call: Callable[[], None]) -> None:
        """Begin a call; back when it has paused or ended. Raises what the call raises."""
        assert self._call is None, "one call at a time"
        if self._thread is None:
            self._thread = threading.Thread(target=self._work, daemon=True)
            self._thread.start()
        self._call = call
        self.go_on()

    def go_on(self) -> None:
        """Take up the call that is under way; back when it has paused or ended. Raises what it raises."""
        self._go.release()
        self._back.acquire()
        error, self._error = self._error, None
        if error is not None:
            raise error

    def pause(self) -> None:
        """Within the call: let the caller go on; back when it takes the call up again. Elsewhere: nothing."""
        if threading.current_thread() is self._thread:
            self._back.release()
            self._go.acquire()
            if self._stopped:
                raise StoppedError

    def stop(self) -> None:
        """Give up the call and the thread."""
        if self._thread is not None:
            self._stopped = True
            self._go.release()
            self._thread.join()
            self._thread = None

    def _work(self) -> None:
        while True:
            self._go.acquire()
            if self._stopped or self._call is None:
                return
            try:
                self._call()
            except StoppedError:
                return
            except Exception as error:  # the caller's affair
                self._error = error
            self._call = None
            self._back.release()

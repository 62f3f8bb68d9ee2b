"""A way out that may block - a terminal, a pipe, a loudspeaker - without holding up whoever has something to say.

`Outlet` has a thread and a bounded queue of its own. Handing over never waits; what is lost is counted.
`DirectText` writes text to a stream past its buffer, so that a thread stuck in it keeps no lock that the program needs
to end.
"""

from __future__ import annotations

import os
import queue
import select
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from typing import Any

LOOK_S = 0.02


class Outlet(threading.Thread):
    """Delivers things one after another, in a thread that may wait where nobody else may.

    Started with `start`; ended by `finish`, or with the program if it is stuck. Only `offer` and `finish` are
    called from other threads.

    Parameters
    ----------
    deliver : callable
        Takes one thing; may block, may raise.
    limit : int
        Things that may wait; what comes while so many wait is lost.
    max_age_s : float, optional
        Things that have waited longer are not delivered any more [s].
    weight : callable
        How much one thing counts for among what is lost.
    """

    def __init__(
        self,
        name: str,
        deliver: Callable[[Any], object],
        limit: int,
        max_age_s: float | None = None,
        weight: Callable[[Any], int] = lambda item: 1,
    ):
        super().__init__(name=name, daemon=True)
        self.lost = 0
        self.failure: Exception | None = None  # the last one, if delivering raised
        self._deliver, self._limit, self._max_age_s, self._weight = deliver, limit, max_age_s, weight
        self._queue: queue.SimpleQueue[tuple[float, Any] | None] = queue.SimpleQueue()
        self._count = threading.Lock()  # held for a sum only
        self._waiting = 0  # weight of all that was taken and is neither delivered nor lost
        self._moves = 0
        self._given_up = threading.Event()
        self._since_s: float | None = None  # since when one thing is being delivered

    @property
    def stuck_s(self) -> float:
        """How long the thing in hand has been waiting to be delivered [s]."""
        since_s = self._since_s
        return 0.0 if since_s is None else time.monotonic() - since_s

    def offer(self, item: Any) -> bool:
        """Hand something over; False when there was no room for it."""
        weight = self._weight(item)
        with self._count:
            if self._queue.qsize() >= self._limit:
                self.lost += weight
                return False
            self._waiting += weight
        self._queue.put((time.monotonic(), item))
        return True

    def finish(self, within_s: float) -> bool:
        """Let it deliver what waits, for as long as something moves at least every `within_s`.

        Returns
        -------
        bool
            Whether it has ended; if not, what waits counts as lost.
        """
        if not self.is_alive():
            return True
        self._queue.put(None)
        moves, since_s = self._moves, time.monotonic()
        while self.is_alive():
            self.join(LOOK_S)
            if self._moves != moves:
                moves, since_s = self._moves, time.monotonic()
            elif time.monotonic() - since_s > within_s or self._given_up.is_set():
                with self._count:
                    self.lost += self._waiting
                    self._waiting = 0
                return False
        return True

    def give_up(self) -> None:
        """While `finish` waits: wait no longer."""
        self._given_up.set()

    def run(self) -> None:
        """The thread."""
        while (entry := self._queue.get()) is not None:
            offered_s, item = entry
            late = self._max_age_s is not None and time.monotonic() - offered_s > self._max_age_s
            delivered = not late and self._try(item)
            with self._count:
                weight = min(self._weight(item), self._waiting)
                self._waiting -= weight
                self.lost += 0 if delivered else weight
            self._moves += 1

    def _try(self, item: Any) -> bool:
        self._since_s = time.monotonic()
        try:
            self._deliver(item)
        except Exception as err:
            self.failure = err
            return False
        finally:
            self._since_s = None
        return True


class DirectText:
    """Writes text to a stream at once, past its buffer where it is a file of the system.

    Keeps a number of its own for that file: a library that hides its complaints points standard error elsewhere
    for a while, and would hide ours.

    Parameters
    ----------
    stream : text stream or None
        None where the program was started without it.
    """

    def __init__(self, stream: Any):
        self._stream = stream
        self._encoding = getattr(stream, "encoding", None) or "utf-8"
        self._fd: int | None = None
        with suppress(AttributeError, OSError, ValueError):  # not a file: a test's, a window's
            self._fd = os.dup(stream.fileno())

    def __call__(self, text: str) -> None:
        """Write; `OSError` when it cannot be written."""
        if self._stream is None:
            raise OSError("it is closed")
        if self._fd is None:
            self._stream.write(text)
            self._stream.flush()
            return
        data = text.encode(self._encoding, "backslashreplace")
        while data:
            try:
                data = data[os.write(self._fd, data) :]
            except BlockingIOError:  # somebody made it non-blocking
                select.select([], [self._fd], [], 1.0)

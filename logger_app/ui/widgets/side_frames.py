"""Pictures of several sides, decoded on a thread of its own so that the slider stays instant."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence


class SideFrames:
    """The newest wish counts; jobs (the assist) are done in between.

    The thread exists because decoding and the assist take a tenth of a second to seconds; `close`
    stops it and waits. `frame_of(side, flight_s, why)` gives a picture and what it is;
    `quick_of(side, flight_s)` a small one, or None, shown until the true one is there.
    """

    def __init__(self, frame_of: Callable, quick_of: Callable = lambda side, flight_s: None):
        self._frame_of, self._quick_of = frame_of, quick_of
        self._quick: list | None = None
        self._wanted: tuple | None = None
        self._done: tuple | None = None
        self._last: dict[int, tuple] = {}
        self._jobs: list[Callable] = []
        self._results: list[Callable] = []
        self._wake = threading.Condition()
        self._running = True
        self._thread = threading.Thread(target=self._work, name="side-frames", daemon=True)
        self._thread.start()

    def want(self, wishes: Sequence[tuple[float | None, str]]) -> None:
        """Ask for a picture of each side: flight time [s], or why there is none."""
        with self._wake:
            self._wanted = tuple(wishes)
            self._wake.notify()

    def ask(self, job: Callable) -> None:
        """Do `job()` on the thread; it returns what is to be done on the window's thread, by `take`."""
        with self._wake:
            self._jobs.append(job)
            self._wake.notify()

    def take_quick(self) -> list | None:
        """Small pictures since, one a side, None where there is none; never for judging or writing."""
        with self._wake:
            quick, self._quick = self._quick, None
        return quick

    def take(self) -> tuple[tuple | None, list[Callable]]:
        """(wish, pictures, one a side) finished since, and what jobs have left to do."""
        with self._wake:
            done, self._done = self._done, None
            results, self._results = self._results, []
        return done, results

    def close(self) -> None:
        """Stop the thread."""
        with self._wake:
            self._running = False
            self._wake.notify()
        self._thread.join(timeout=10)

    def _work(self) -> None:
        while True:
            with self._wake:
                while self._running and self._wanted is None and not self._jobs:
                    self._wake.wait()
                if not self._running:
                    return
                wishes, self._wanted = self._wanted, None
                job = self._jobs.pop(0) if wishes is None else None
            if job is not None:
                result = job()
                with self._wake:
                    self._results.append(result)
                continue
            small = [self._quick_of(side, flight_s) for side, (flight_s, _) in enumerate(wishes)]
            with self._wake:
                self._quick = small if any(picture is not None for picture in small) else None
                if self._quick is not None and self._wanted is not None:
                    continue  # the slider has moved on
            done = [self._picture(side, *wish) for side, wish in enumerate(wishes)]
            with self._wake:
                self._done, self._quick = (wishes, done), None

    def _picture(self, side: int, flight_s: float | None, why: str):
        if side not in self._last or self._last[side][0] != (flight_s, why):
            self._last[side] = ((flight_s, why), self._frame_of(side, flight_s, why))
        return self._last[side][1]

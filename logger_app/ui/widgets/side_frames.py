"""Pictures of several sides, decoded on threads of their own so that the slider stays instant."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence

from logger_app.workflows.compare import Stopped

# With small pictures at hand the true ones are fetched when the slider has rested this long [s].
REST_S = 0.1
# Without them a picture that takes longer gives way to a newer wish [s].
PATIENCE_S = 0.5


class SideFrames:
    """The newest wish counts; jobs (a step, the assist) are done in between.

    Two threads exist because decoding and the assist take a tenth of a second to seconds: one for the true
    pictures and the jobs, one for the small ones, which must not wait for the others. `close` stops both and
    waits. `frame_of(side, flight_s, why, stop)` gives a picture and what it is, or raises `Stopped`;
    `quick_of(side, flight_s)` a small one, or None, shown until the true one is there.
    """

    def __init__(self, frame_of: Callable, quick_of: Callable = lambda side, flight_s: None):
        self._frame_of, self._quick_of = frame_of, quick_of
        self._quick: tuple | None = None
        self._quick_wanted: tuple | None = None
        self._has_quick = False
        self._wanted: tuple | None = None
        self._done: tuple | None = None
        self._last: dict[int, tuple] = {}
        self._jobs: list[Callable] = []
        self._results: list[Callable] = []
        self._wake = threading.Condition()
        self._running = True
        self._threads = [
            threading.Thread(target=work, name=name, daemon=True)
            for work, name in ((self._work, "side-frames"), (self._work_quick, "quick-frames"))
        ]
        for thread in self._threads:
            thread.start()

    def want(self, wishes: Sequence[tuple[float | None, str]]) -> None:
        """Ask for a picture of each side: flight time [s], or why there is none."""
        with self._wake:
            self._wanted = self._quick_wanted = tuple(wishes)
            self._wake.notify_all()

    def ask(self, job: Callable) -> None:
        """Do `job()` on the thread; it returns what is to be done on the window's thread, by `take`."""
        with self._wake:
            self._jobs.append(job)
            self._wake.notify_all()

    def forget(self) -> None:
        """The sides show other runs: what was fetched is of no use any more."""
        with self._wake:
            self._wanted = self._quick_wanted = self._done = self._quick = None
            self._last = {}

    def take_quick(self, wish: tuple | None = None, wait_s: float = 0.0) -> tuple[tuple, list] | None:
        """(wish, small pictures, one a side, None where there is none) since; never for judging or writing.

        Where small pictures come at all, those of `wish` are waited for so long [s], so that one drawing shows slider and picture.
        """
        with self._wake:
            if wish is not None and self._has_quick:
                self._wake.wait_for(lambda: self._quick is not None and self._quick[0] == wish, wait_s)
            quick, self._quick = self._quick, None
        return quick

    def take(self) -> tuple[tuple | None, list[Callable]]:
        """(wish, pictures, one a side) finished since, and what jobs have left to do."""
        with self._wake:
            done, self._done = self._done, None
            results, self._results = self._results, []
        return done, results

    def close(self) -> None:
        """Stop the threads."""
        with self._wake:
            self._running = False
            self._wake.notify_all()
        for thread in self._threads:
            thread.join(timeout=10)

    def _work(self) -> None:
        while True:
            with self._wake:
                while self._running and self._wanted is None and not self._jobs:
                    self._wake.wait()
                if not self._running:
                    return
                job = self._jobs.pop(0) if self._jobs else None
                wishes = self._rested() if job is None else None
            if job is not None:
                result = job()
                with self._wake:
                    self._results.append(result)
            elif wishes is not None:
                self._fetch(wishes)

    def _rested(self) -> tuple | None:
        """The newest wish once it has stood a while; None where a job came first or all ends. Holds `_wake`."""
        while self._has_quick and self._running and not self._jobs:
            wishes = self._wanted

            def disturbed(wishes: tuple | None = wishes) -> bool:
                return self._wanted is not wishes or bool(self._jobs) or not self._running

            if not self._wake.wait_for(disturbed, REST_S):
                break
        if self._jobs or not self._running:
            return None
        wishes, self._wanted = self._wanted, None
        return wishes

    def _fetch(self, wishes: tuple) -> None:
        start_s = time.monotonic()

        def stop() -> bool:
            late = self._wanted is not None and (self._has_quick or time.monotonic() - start_s > PATIENCE_S)
            return late or not self._running

        try:
            done = [self._picture(side, flight_s, why, stop) for side, (flight_s, why) in enumerate(wishes)]
        except Stopped:
            return
        with self._wake:
            self._done = (wishes, done)

    def _work_quick(self) -> None:
        while True:
            with self._wake:
                while self._running and self._quick_wanted is None:
                    self._wake.wait()
                if not self._running:
                    return
                wishes, self._quick_wanted = self._quick_wanted, None
            assert wishes is not None
            small = [self._quick_of(side, flight_s) for side, (flight_s, _) in enumerate(wishes)]
            with self._wake:
                self._has_quick = any(picture is not None for picture in small)
                if self._has_quick:
                    self._quick = (wishes, small)
                    self._wake.notify_all()

    def _picture(self, side: int, flight_s: float | None, why: str, stop: Callable[[], bool]):
        if side not in self._last or self._last[side][0] != (flight_s, why):
            self._last[side] = ((flight_s, why), self._frame_of(side, flight_s, why, stop))
        return self._last[side][1]

"""The flight clock: samples while there is sound, the steady clock between and without.

Never the wall clock, so that a clock set back in flight moves nothing; never goes back.
"""

from __future__ import annotations

import threading
from collections.abc import Callable

from logger_app.fly.capture.audio_writer import samples_to_ns
from logger_app.fly.capture.mic import steady_s
from logger_app.units import s_to_ns


class FlightClock:
    """Counts from the sample at which recording begins or goes on. Used by every thread.

    Parameters
    ----------
    running : bool
        Goes on between blocks of sound; False for a file that is played faster than time.
    """

    def __init__(self, start_sample: int, running: bool, monotonic: Callable[[], float] = steady_s):
        self._monotonic = monotonic
        self._running = running
        self._base_ns = samples_to_ns(start_sample)
        self._base_s = monotonic()
        self._last_ns = self._base_ns
        self._lock = threading.Lock()

    def sound(self, end_sample: int) -> None:
        """Sound has come up to this sample."""
        with self._lock:
            self._base_ns = samples_to_ns(end_sample)
            self._base_s = self._monotonic()

    def now_ns(self) -> int:
        """Now [ns]; extrapolated past the last block unless a file is played faster than time."""
        with self._lock:
            since_ns = s_to_ns(self._monotonic() - self._base_s) if self._running else 0
            self._last_ns = max(self._last_ns, self._base_ns + since_ns)
            return self._last_ns

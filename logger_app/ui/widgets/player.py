"""Plays a stretch of sound through the machine's own device, if it has one.

The device is opened once and kept, so that sound starts at once; its callback only copies.
"""

from __future__ import annotations

import contextlib
import threading

import numpy as np

from logger_app.errors import CaptureError
from logger_app.units import RATE_HZ


class Player:
    """One output. `play` replaces what is playing; raises `CaptureError` where there is no device."""

    def __init__(self):
        self._stream = None
        self._lock = threading.Lock()
        self._opening = threading.Lock()
        self._left = np.zeros(0, np.int16)

    def play(self, pcm: np.ndarray) -> None:
        """Start to play 16 kHz mono int16; returns at once."""
        with self._lock:
            self._left = np.ascontiguousarray(pcm, np.int16)
        self._open()

    def prepare(self) -> None:
        """Open the device beforehand, on a thread that ends by itself: the first sound starts as soon as the next."""
        threading.Thread(target=self._try_open, name="sound-device", daemon=True).start()

    def close(self) -> None:
        """Stop and let the device go."""
        with self._opening:
            if self._stream is not None:
                self._stream.close()
                self._stream = None

    def _try_open(self) -> None:
        # Without a device the screen is as useful as before; `play` says what is wrong when it is asked to.
        with contextlib.suppress(CaptureError):
            self._open()

    def _open(self) -> None:
        with self._opening:
            if self._stream is None:
                self._stream = self._opened()

    def _opened(self):
        try:
            # Importing it fails where the sound system's own settings are broken.
            import sounddevice

            stream = sounddevice.OutputStream(
                samplerate=RATE_HZ, channels=1, dtype="int16", latency="low", callback=self._fill
            )
            stream.start()
        except Exception as err:
            raise CaptureError(f"no sound can be played here ({str(err).splitlines()[0]}).") from err
        return stream

    def _fill(self, out, frames, _time, _status) -> None:
        with self._lock:
            now, self._left = self._left[:frames], self._left[frames:]
        out[: len(now), 0] = now
        out[len(now) :] = 0

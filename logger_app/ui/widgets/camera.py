"""The camera frame at the cursor, decoded on a thread of its own so that keys stay instant."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from logger_app.domain.cameras import camera_files
from logger_app.errors import LoggerError
from logger_app.records.clocks import ClockMap
from logger_app.workflows.cameras import opened

MAX_PX = 640


class CameraFrames:
    """Frames of the first camera that is on the flight clock.

    The thread exists because one decode takes a tenth of a second; `close` stops it and waits.
    `want(flight_s)` asks, `take()` gives the newest finished frame once, as a texture and a
    sentence, on Kivy's thread.
    """

    def __init__(self, flight_dir: Path, media: Sequence[dict], maps: Sequence[ClockMap]):
        self._cameras = opened(camera_files(media, maps), flight_dir)
        self.linked = bool(self._cameras.cameras)
        self._wanted: float | None = None
        self._done = None
        self._wake = threading.Condition()
        self._running = self.linked
        self._thread = threading.Thread(target=self._work, name="camera-frames", daemon=True) if self.linked else None
        if self._thread:
            self._thread.start()

    def want(self, flight_s: float) -> None:
        """Ask for the frame at a time; the newest wish counts."""
        with self._wake:
            self._wanted = flight_s
            self._wake.notify()

    def take(self):
        """(texture, sentence) of a frame that has been finished since, or None."""
        with self._wake:
            done, self._done = self._done, None
        if done is None:
            return None
        frame, description = done
        return (_texture(frame) if frame is not None else None), description

    def close(self) -> None:
        """Stop the thread."""
        with self._wake:
            self._running = False
            self._wake.notify()
        if self._thread:
            self._thread.join(timeout=5)

    def _work(self) -> None:
        while True:
            with self._wake:
                while self._running and self._wanted is None:
                    self._wake.wait()
                if not self._running:
                    break
                flight_s, self._wanted = self._wanted, None
                if flight_s is None:
                    continue
            done = self._frame(flight_s)
            with self._wake:
                self._done = done
        self._cameras.close()

    def _frame(self, flight_s: float):
        camera = self._cameras.showing(flight_s)
        if camera is None:
            return None, "No camera was running here"
        try:
            frame, _ = self._cameras.frame_at(flight_s)
            video_s = camera.clock_map.from_flight_s(flight_s)
        except (LoggerError, OSError, ValueError) as err:
            return None, f"{camera.path.name}: {err}"
        every = -(-frame.rgb.shape[1] // MAX_PX)
        return np.ascontiguousarray(frame.rgb[::every, ::every]), f"{camera.path.name} at {video_s:.2f} s"


def _texture(frame):
    from kivy.graphics.texture import Texture

    texture = Texture.create(size=(frame.shape[1], frame.shape[0]), colorfmt="rgb")
    texture.blit_buffer(frame.tobytes(), colorfmt="rgb", bufferfmt="ubyte")
    texture.flip_vertical()
    return texture

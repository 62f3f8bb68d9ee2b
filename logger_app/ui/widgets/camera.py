"""The camera frame at the cursor, decoded on a thread of its own so that keys stay instant."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from pathlib import Path

from logger_app.domain.cameras import camera_files, covering
from logger_app.io.containers import open_container
from logger_app.records.clocks import ClockMap
from logger_app.workflows.cameras import camera_path

MAX_PX = 640


class CameraFrames:
    """Frames of the first camera that is on the flight clock.

    The thread exists because one decode takes a tenth of a second; `close` stops it and waits.
    `want(flight_s)` asks, `take()` gives the newest finished frame once, as a texture and a
    sentence, on Kivy's thread.
    """

    def __init__(self, flight_dir: Path, media: Sequence[dict], maps: Sequence[ClockMap]):
        self._cameras = [
            file
            for file in camera_files(media, maps)
            if file.clock_map and camera_path(flight_dir, file.file).is_file()
        ]
        self._flight_dir = flight_dir
        self.linked = bool(self._cameras)
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
                    return
                flight_s, self._wanted = self._wanted, None
                if flight_s is None:
                    continue
            done = self._frame(flight_s)
            with self._wake:
                self._done = done

    def _frame(self, flight_s: float):
        camera = covering(self._cameras, flight_s)
        if camera is None:
            return None, "No camera was running here"
        path, video_s = camera_path(self._flight_dir, camera.file), camera.video_s(flight_s)
        if video_s is None:
            return None, "No camera was running here"
        try:
            return frame_at(path, video_s), f"{path.name} at {video_s:.2f} s"
        except (OSError, ValueError) as err:
            return None, f"{path.name}: {err}"


def frame_at(path: Path, video_s: float):
    """The frame on show at a time of the file, as RGB.

    Parameters
    ----------
    video_s : float
        Time stamp in the file [s].

    Returns
    -------
    ndarray of uint8, shape (height, width, 3)
        At most 640 pixels wide.

    Raises
    ------
    OSError
        The file cannot be decoded there.
    """
    with open_container(path) as container:
        stream = container.streams.video[0]
        base = float(stream.time_base)
        container.seek(max(0, int(video_s / base)), stream=stream)
        last = None
        for frame in container.decode(stream):
            if frame.pts is None:
                continue
            if frame.pts * base > video_s + 1e-6 and last is not None:
                break
            last = frame
        if last is None:
            raise OSError(f"no picture at {video_s:.2f} s")
        scale = min(1.0, MAX_PX / last.width)
        return last.to_ndarray(
            format="rgb24", width=int(last.width * scale) // 2 * 2, height=int(last.height * scale) // 2 * 2
        )


def _texture(frame):
    from kivy.graphics.texture import Texture

    texture = Texture.create(size=(frame.shape[1], frame.shape[0]), colorfmt="rgb")
    texture.blit_buffer(frame.tobytes(), colorfmt="rgb", bufferfmt="ubyte")
    texture.flip_vertical()
    return texture

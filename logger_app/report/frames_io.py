"""Small pictures from camera files by flight time, for the page. One decoder stays open a file.

Not for: full pictures and clips side by side (see `sync`).
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path

import av
import numpy as np
from PIL import Image

from logger_app.report.extras import CameraFile

WIDTH_PX = 320
QUALITY = 68
# Decoding on is cheaper than seeking when the next picture is this near.
READ_ON_S = 3.0


class FrameFinder:
    """`finder(flight, flight_s)` gives a JPEG, or None when no camera was running or its file is not there."""

    def __init__(self, cameras: Sequence[tuple[CameraFile, Path]]):
        self.cameras = [(camera, path) for camera, path in cameras if path.is_file()]
        self.open: dict[Path, _Reader | None] = {}

    def __call__(self, flight: str, flight_s: float) -> bytes | None:
        for camera, path in self.cameras:
            if camera.flight != flight:
                continue
            try:
                video_s = camera.clock_map.from_flight_s(flight_s)
            except ValueError:
                continue
            if camera.duration_s is not None and video_s > camera.duration_s:
                continue
            if picture := self._picture(path, video_s):
                return picture
        return None

    def _picture(self, path: Path, video_s: float) -> bytes | None:
        if path not in self.open:
            try:
                self.open[path] = _Reader(path)
            except (av.FFmpegError, OSError, IndexError):  # no longer a video: the page counts what it lacks
                self.open[path] = None
        reader = self.open[path]
        try:
            return reader.at(video_s) if reader else None
        except av.FFmpegError:
            return None


class _Reader:
    """The frames of one file."""

    def __init__(self, path: Path):
        self.container = av.open(str(path))
        self.stream = self.container.streams.video[0]
        self.stream.thread_type = "AUTO"
        self.frames = None
        self.before = self.after = None

    def at(self, video_s: float) -> bytes | None:
        """The frame that was showing at a time on the file's clock."""
        near = self.before is not None and self.before.time <= video_s <= self.before.time + READ_ON_S
        if not near:
            self.container.seek(max(round(video_s / self.stream.time_base), 0), stream=self.stream)
            self.frames = self.container.decode(self.stream)
            self.before, self.after = None, next(self.frames, None)
        while self.after is not None and self.after.time <= video_s + 1e-6:
            self.before, self.after = self.after, next(self.frames, None)
        return _jpeg(self.before) if self.before is not None else None


def _jpeg(frame) -> bytes:
    width = min(WIDTH_PX, frame.width)
    height = max(round(frame.height * width / frame.width), 1)
    image = frame.reformat(width=width, height=height, format="rgb24").to_ndarray()
    turns = round(getattr(frame, "rotation", 0) / 90) % 4
    out = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(np.rot90(image, turns))).save(out, "JPEG", quality=QUALITY)
    return out.getvalue()

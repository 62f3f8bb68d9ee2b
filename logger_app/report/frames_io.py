"""Small pictures from camera files by flight time, for the page. One decoder stays open a file.

Not for: full pictures and clips side by side (see `sync`).
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import av
import numpy as np
from PIL import Image

from logger_app.domain.cameras import CameraFile
from logger_app.io.containers import open_container

WIDTH_PX = 320
QUALITY = 68
# Where a file has no index of key frames: decoding on is cheaper than seeking when the next picture is this near.
READ_ON_S = 3.0
# How far decoding times may run ahead of showing times: a few frames. Ours.
AHEAD_S = 0.3
# Above this a picture takes a tenth of a second or more to decode (two cores); hundreds of them are too many.
COSTLY_LINES = 720


class FrameFinder:
    """`finder(flight, flight_s)` gives a JPEG, or None when no camera was running or its file is not there."""

    def __init__(self, cameras: Sequence[tuple[CameraFile, Path]]):
        self.cameras = [(camera, path) for camera, path in cameras if path.is_file()]
        self.open: dict[Path, _Reader | None] = {}

    @property
    def costly(self) -> bool:
        """Whether a file has pictures so large that one for every call would take minutes."""
        readers = [self._reader(path) for _, path in self.cameras]
        return any(reader.stream.codec_context.height > COSTLY_LINES for reader in readers if reader)

    def __call__(self, flight: str, flight_s: float) -> bytes | None:
        for camera, path in self.cameras:
            video_s = camera.video_s(flight_s) if camera.flight == flight else None
            if video_s is not None and (picture := self._picture(path, video_s)):
                return picture
        return None

    def _picture(self, path: Path, video_s: float) -> bytes | None:
        reader = self._reader(path)
        try:
            return reader.at(video_s) if reader else None
        except av.FFmpegError:
            return None

    def _reader(self, path: Path) -> _Reader | None:
        if path not in self.open:
            try:
                self.open[path] = _Reader(path)
            except (av.FFmpegError, OSError, IndexError):  # no longer a video: the page counts what it lacks
                self.open[path] = None
        return self.open[path]


class _Reader:
    """The frames of one file."""

    def __init__(self, path: Path):
        self.container = open_container(path)
        self.stream = self.container.streams.video[0]
        if self.stream.codec_context is None:
            raise OSError(f"{path}: its video format is not supported")
        self.stream.thread_type = "AUTO"
        self.frames: Iterator[Any] = iter(())
        self.before = self.after = None

    def at(self, video_s: float) -> bytes | None:
        """The frame that was showing at a time on the file's clock."""
        if not self._near(video_s):
            self._seek(video_s)
        while self.after is not None and self.after.time <= video_s + 1e-6:
            self.before, self.after = self.after, next(self.frames, None)
        return _jpeg(self.before) if self.before is not None else None

    def _seek(self, video_s: float) -> None:
        """To a frame at or before a time. Files are searched by decoding times, which may run ahead of showing times."""
        for margin_s in (AHEAD_S, 2.0, 10.0, video_s + 1.0):
            target = max(round((video_s - margin_s) / self.stream.time_base), 0)
            self.container.seek(target, stream=self.stream)
            self.frames = self.container.decode(self.stream)
            self.before, self.after = None, next(self.frames, None)
            if self.after is None or self.after.time <= video_s + 1e-6:
                return

    def _near(self, video_s: float) -> bool:
        """Whether reading on gets there sooner than seeking."""
        if self.before is None or video_s < self.before.time:
            return False
        entries = self.stream.index_entries
        k = entries.search_timestamp(int((video_s - AHEAD_S) / self.stream.time_base)) if len(entries) else -1
        if k < 0:
            return video_s <= self.before.time + READ_ON_S
        return entries[k].timestamp * self.stream.time_base <= self.before.time


def _jpeg(frame) -> bytes:
    width = min(WIDTH_PX, frame.width)
    height = max(round(frame.height * width / frame.width), 1)
    image = frame.reformat(width=width, height=height, format="rgb24").to_ndarray()
    turns = round(getattr(frame, "rotation", 0) / 90) % 4
    out = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(np.rot90(image, turns))).save(out, "JPEG", quality=QUALITY)
    return out.getvalue()

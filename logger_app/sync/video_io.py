"""The frame that was on show at a moment, exact by presentation time stamps; one decoder kept open.

Frame rates may vary, pictures may be turned, the first stamp need not be 0: nothing is counted,
every frame is asked for its own time. Also the small proxy file that makes scrubbing quick: it keeps
the time stamps of the original.

Main names: `VideoFrames`, `Frame`, `make_proxy`.
"""

from __future__ import annotations

import os
from collections import OrderedDict
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np

from logger_app.errors import SyncError

# Decoding on is cheaper than seeking when the wanted frame is this near [s].
READ_ON_S = 2.0
# Neighbours stay in memory: at 640x360 a frame is 0.7 MB, at 1080p 6 MB.
KEPT_BYTES = 160 * 1024 * 1024
# A stamp computed in floating point may come out this little before itself [s].
ROUNDING_S = 1e-6
PROXY_WIDTH = 640
PROXY_KEY_EVERY = 5
# A seek may land after the wanted frame; then it is tried again this much earlier [s].
BACK_OFF_S = (0.0, 1.0, 5.0, 20.0, 80.0)


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """One picture: RGB, upright, shape (height, width, 3) of uint8, and when it was on show [s]."""

    rgb: np.ndarray
    pts: int
    video_s: float


class VideoFrames:
    """The pictures of one video file; a context manager. Not for two threads at once.

    Attributes
    ----------
    path : Path
        The file.
    first_s : float
        Time stamp of its first picture [s].
    duration_s : float
        As the container declares it [s].
    """

    def __init__(self, path: Path):
        import av

        self.path = Path(path)
        try:
            self._box = av.open(f"file:{self.path}", metadata_errors="replace")
            self._stream = self._box.streams.video[0]
            self._stream.thread_type = "AUTO"
            self.time_base = Fraction(self._stream.time_base)
            self.duration_s = float(
                self._stream.duration * self.time_base if self._stream.duration else (self._box.duration or 0) / 1e6
            )
        except (av.error.FFmpegError, OSError, ValueError, LookupError) as err:
            raise SyncError(f"{self.path}: cannot be read as a video ({getattr(err, 'strerror', '') or err})") from err
        self._decoder: Iterator | None = None
        self._next = None  # decoded, not yet passed
        self._now = None
        self._kept: OrderedDict[int, Frame] = OrderedDict()
        self._turn: int | None = None
        first = next(self._decode_from(None), None)
        if first is None:
            self.close()
            raise SyncError(f"{self.path}: not one picture can be decoded")
        self.first_s = self._time(first)
        self._decoder = None

    def __enter__(self) -> VideoFrames:
        return self

    def __exit__(self, *exc) -> None:
        self.close()

    def close(self) -> None:
        """Close the file. Safe to call twice."""
        self._box.close()
        self._kept.clear()

    def frame_at(self, video_s: float) -> Frame:
        """The picture on show at a time.

        Parameters
        ----------
        video_s : float
            Time on the file's own clock [s].

        Returns
        -------
        Frame
            The last one whose time stamp is not later; the first one before it begins, the last
            one after it ends [-].

        Raises
        ------
        SyncError
            The file cannot be decoded there.
        """
        video_s = max(float(video_s), self.first_s)
        self._go(video_s)
        return self._picture(self._now)

    def step(self, by: int) -> Frame:
        """The picture so many after the last one given, or before it for a negative number.

        Parameters
        ----------
        by : int
            How many pictures on or back [-].

        Returns
        -------
        Frame
            The last or first one, where there are no more [-].
        """
        if self._now is None:
            self._go(self.first_s)
        if by >= 0:
            for _ in range(by):
                if self._next is None:
                    break
                self._advance()
            return self._picture(self._now)
        pts = self._now.pts
        for margin_s in (1.0, 5.0, 30.0):
            before = [frame for frame in self._passed(self._time(self._now) - margin_s, pts)]
            if len(before) >= -by or self._time(self._now) - margin_s <= self.first_s:
                target = before[by] if len(before) >= -by else before[0] if before else None
                if target is not None:
                    return self.frame_at(float(target * self.time_base) + 1e-9)
                return self.frame_at(self.first_s)
        return self.frame_at(self.first_s)

    def stamps(self) -> Iterator[float]:
        """Time stamps of all pictures, in order [s]; reads the whole file."""
        for frame in self._decode_from(self.first_s):
            yield self._time(frame)
        self._decoder = None

    # the decoder

    def _go(self, video_s: float) -> None:
        """Stand at the picture on show: `_now` is it, `_next` the one after."""
        wanted = video_s + ROUNDING_S
        at = None if self._now is None or self._decoder is None else self._time(self._now)
        if at is None or not at <= wanted <= at + READ_ON_S:
            self._seek(wanted)
        while self._next is not None and self._time(self._next) <= wanted:
            self._advance()

    def _seek(self, wanted_s: float) -> None:
        for back_s in BACK_OFF_S:
            start_s = max(self.first_s, wanted_s - back_s)
            self._decoder = self._decode_from(start_s)
            self._now, self._next = None, None
            first = next(self._decoder, None)
            if first is not None and (self._time(first) <= wanted_s or start_s <= self.first_s):
                self._now, self._next = first, next(self._decoder, None)
                return
        raise SyncError(f"{self.path}: no picture can be decoded at {wanted_s:.3f} s; the file may be damaged")

    def _advance(self) -> None:
        self._now, self._next = self._next, next(self._decoder, None)

    def _decode_from(self, start_s: float | None) -> Iterator:
        import av

        try:
            if start_s is not None:
                self._box.seek(int(start_s / self.time_base), stream=self._stream, backward=True)
            for frame in self._box.decode(self._stream):
                if frame.pts is not None:
                    yield frame
        except av.error.EOFError:
            return
        except av.error.FFmpegError as err:
            if self._now is None:
                raise SyncError(f"{self.path}: cannot be decoded ({err.strerror or err})") from err

    def _passed(self, from_s: float, before_pts: int) -> list[int]:
        """Stamps of the pictures from a time up to one, not included."""
        found = []
        for frame in self._decode_from(max(self.first_s, from_s)):
            if frame.pts >= before_pts:
                break
            found.append(frame.pts)
        self._decoder = None
        return found

    def _time(self, frame) -> float:
        return float(frame.pts * self.time_base)

    def _picture(self, frame) -> Frame:
        if frame.pts in self._kept:
            self._kept.move_to_end(frame.pts)
            return self._kept[frame.pts]
        rgb = upright(frame.to_ndarray(format="rgb24"), _rotation(frame))
        made = Frame(rgb, frame.pts, self._time(frame))
        self._kept[frame.pts] = made
        while len(self._kept) * rgb.nbytes > KEPT_BYTES and len(self._kept) > 2:
            self._kept.popitem(last=False)
        return made


def upright(rgb: np.ndarray, rotation_deg: float) -> np.ndarray:
    """A picture turned as the camera was held.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (height, width, 3)
        As decoded [-].
    rotation_deg : float
        Counter-clockwise turn that makes it upright, a multiple of 90 [deg].

    Returns
    -------
    ndarray of uint8, shape (height, width, 3) or (width, height, 3)
        Upright, contiguous [-].
    """
    return np.ascontiguousarray(np.rot90(rgb, round(rotation_deg / 90) % 4))


def _rotation(frame) -> float:
    return float(getattr(frame, "rotation", 0) or 0)


def make_proxy(path: Path, proxy: Path, progress: Callable[[float], None] = lambda share: None) -> Path:
    """A small copy for scrubbing: 640 wide, a key picture every five, the original's time stamps.

    Parameters
    ----------
    path : Path
        Camera file; not changed [-].
    proxy : Path
        MP4 to write, whole or not at all [-].
    progress : callable
        Called with the share done, 0 to 1 [-].

    Returns
    -------
    Path
        The proxy [-].

    Raises
    ------
    SyncError
        The camera file cannot be decoded.
    OSError
        The proxy cannot be written.
    """
    import av

    path, proxy = Path(path), Path(proxy)
    proxy.parent.mkdir(parents=True, exist_ok=True)
    part = proxy.with_name(f".{proxy.stem}.{os.getpid()}.part.mp4")
    try:
        with av.open(f"file:{path}", metadata_errors="replace") as source, av.open(str(part), "w", format="mp4") as target:
            stream = source.streams.video[0]
            stream.thread_type = "AUTO"
            base = Fraction(stream.time_base)
            length = float(stream.duration * base) if stream.duration else 0.0
            made = None
            for frame in source.decode(stream):
                if frame.pts is None:
                    continue
                turned = _rotation(frame) % 180 != 0
                rgb_size = (frame.height, frame.width) if turned else (frame.width, frame.height)
                width = min(PROXY_WIDTH, rgb_size[0]) // 2 * 2
                height = max(2, round(rgb_size[1] * width / rgb_size[0]) // 2 * 2)
                if made is None:
                    made = target.add_stream("libx264", rate=stream.average_rate or 30, options={"preset": "veryfast", "crf": "24", "bf": "0"})
                    made.width, made.height, made.pix_fmt = width, height, "yuv420p"
                    made.gop_size = PROXY_KEY_EVERY
                    made.codec_context.time_base = base
                small = _small(frame, width, height)
                small.pts, small.time_base = frame.pts, base
                target.mux(made.encode(small))
                if length:
                    progress(min(1.0, float(frame.pts * base) / length))
            if made is None:
                raise SyncError(f"{path}: not one picture can be decoded")
            target.mux(made.encode(None))
        os.replace(part, proxy)
    except av.error.FFmpegError as err:
        raise SyncError(f"{path}: no proxy can be made ({err.strerror or err})") from err
    finally:
        part.unlink(missing_ok=True)
    progress(1.0)
    return proxy


def _small(frame, width: int, height: int):
    import av

    if not _rotation(frame):
        return frame.reformat(width=width, height=height, format="yuv420p")
    turned = _rotation(frame) % 180 != 0
    small = frame.reformat(width=height if turned else width, height=width if turned else height, format="rgb24").to_ndarray()
    return av.VideoFrame.from_ndarray(upright(small, _rotation(frame)), format="rgb24").reformat(format="yuv420p")

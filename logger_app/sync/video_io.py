"""The frame that was on show at a moment, exact by presentation time stamps; one decoder kept open.

Frame rates may vary, pictures may be turned, the first stamp need not be 0: nothing is counted,
every frame is asked for its own time. Also the small proxy file that makes scrubbing quick: it keeps
the time stamps of the original.

Main names: `VideoFrames`, `Frame`, `make_proxy`, `proxy_path`.
"""

from __future__ import annotations

import itertools
from bisect import bisect_left, bisect_right
from collections import OrderedDict, deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np

from logger_app.errors import SyncError
from logger_app.io.containers import open_container
from logger_app.io.files import complete_file, make_folder

# Without an index of key pictures: decoding on is cheaper than seeking when the wanted one is this near [s].
READ_ON_S = 2.0
# Pictures around the last one asked for stay in memory as decoded (1080p: 3 MB each), the last few also as RGB.
RUN_BYTES = 96 * 1024 * 1024
RGB_BYTES = 36 * 1024 * 1024
# So many before the one sought are kept for stepping back, where they have to be decoded anyway.
KEEP_BEFORE = 8
# Stepping back over the first kept one brings so many more.
BRING_BEFORE = 32
# Compressed pictures are read ahead up to this much to know which need not be decoded in full.
AHEAD_BYTES = 96 * 1024 * 1024
# Of small pictures a second thread costs more time than it saves, up to so many lines.
ONE_THREAD_LINES = 480
# A stamp computed in floating point may come out this little before itself [s].
ROUNDING_S = 1e-6
PROXIES_DIR = "results/proxies"
PROXY_WIDTH = 640
PROXY_KEY_EVERY = 5
# A seek may land after the wanted frame; then it is tried again this much earlier [s].
BACK_OFF_S = (0.0, 1.0, 5.0, 20.0, 80.0)


class Stopped(Exception):
    """The picture is no longer wanted: `stop` said so while it was looked for."""


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
            self._box = open_container(self.path)
            self._stream = self._box.streams.video[0]
            if self._stream.codec_context is None:
                raise LookupError("its video format is not supported")
            self._stream.thread_type = "AUTO"
            self.time_base = Fraction(self._stream.time_base)
            self.duration_s = float(
                self._stream.duration * self.time_base if self._stream.duration else (self._box.duration or 0) / 1e6
            )
        except (av.error.FFmpegError, OSError, ValueError, LookupError) as err:
            raise SyncError(f"{self.path}: cannot be read as a video ({getattr(err, 'strerror', '') or err})") from err
        if self._stream.codec_context.height <= ONE_THREAD_LINES:
            self._stream.codec_context.thread_count = 1
        # A run of pictures without a gap, rising by stamp; `_reader` gives those after it.
        self._run: deque = deque()
        self._ended = False  # the last of the run is the file's last
        self._reader: Iterator | None = None
        self._decoded_from = 0  # pictures with an earlier stamp may have gaps between them [time_base]
        self._at = 0  # stamp of the picture given last [time_base]
        self._stop: Callable[[], bool] | None = None
        self._kept: OrderedDict[int, Frame] = OrderedDict()
        first = next(self._decode_from(None), None)
        if first is None:
            self.close()
            raise SyncError(f"{self.path}: no picture can be decoded")
        self.first_s, self._at = self._time(first), first.pts

    def __enter__(self) -> VideoFrames:
        return self

    def __exit__(self, *exc) -> None:
        self.close()

    def close(self) -> None:
        """Close the file. Safe to call twice."""
        self._box.close()
        self._run.clear()
        self._kept.clear()

    def frame_at(self, video_s: float, stop: Callable[[], bool] | None = None) -> Frame:
        """The picture on show at a time.

        Parameters
        ----------
        video_s : float
            Time on the file's own clock [s].
        stop : callable, optional
            Asked between pictures whether to give up, for far into a long group of pictures it takes seconds.

        Returns
        -------
        Frame
            The last one whose time stamp is not later; the first one before it begins, the last
            one after it ends.

        Raises
        ------
        SyncError
            The file cannot be decoded there.
        Stopped
            `stop` said so.
        """
        self._stop = stop
        try:
            return self._picture(self._go(max(float(video_s), self.first_s)))
        finally:
            self._stop = None

    def step(self, by: int) -> Frame:
        """The picture so many after the last one given, or before it for a negative number.

        Returns
        -------
        Frame
            The last or first one, where there are no more.
        """
        self._go(float(self._at * self.time_base))
        for _ in range(by):
            if self._at == self._run[-1].pts and not self._more():
                break
            self._at = self._run[self._index(self._at) + 1].pts
        for _ in range(-by):
            k = self._index(self._at)
            if k == 0:
                k = self._bring_before()
            if k == 0:
                break
            self._at = self._run[k - 1].pts
        return self._picture(self._run[self._index(self._at)])

    def stamps(self) -> Iterator[float]:
        """Time stamps of all pictures, in order [s]; reads the whole file."""
        self._forget()
        for frame in self._decode_from(self.first_s):
            yield self._time(frame)

    # the decoder

    def _go(self, video_s: float):
        """The decoded picture on show; it is in the run, and so is the one after it, if there is one."""
        wanted_s = video_s + ROUNDING_S
        if (
            not (self._run and self._time(self._run[0]) <= wanted_s)
            or not self._ended
            and self._time(self._run[-1]) <= wanted_s
            and not self._reads_on(wanted_s)
        ):
            self._seek(wanted_s)
        while self._time(self._run[-1]) <= wanted_s and self._more():
            pass
        found = bisect_right(self._run, wanted_s, key=self._time)
        self._at = self._run[max(found - 1, 0)].pts
        return self._run[max(found - 1, 0)]

    def _index(self, pts: int) -> int:
        return bisect_left(self._run, pts, key=lambda frame: frame.pts)

    def _reads_on(self, wanted_s: float) -> bool:
        """Whether decoding on gets to a later time sooner than a seek would."""
        if self._reader is None:
            return False
        last_s = self._time(self._run[-1])
        entries = self._stream.index_entries
        k = entries.search_timestamp(int(wanted_s / self.time_base)) if len(entries) else -1
        if k < 0:
            return wanted_s <= last_s + READ_ON_S
        return float(entries[k].timestamp * self.time_base) <= last_s

    def _seek(self, wanted_s: float) -> None:
        for back_s in BACK_OFF_S:
            start_s = max(self.first_s, wanted_s - back_s)
            self._forget()
            self._reader = self._decode_from(start_s, wanted_s, KEEP_BEFORE)
            if self._more() and (self._time(self._run[0]) <= wanted_s or start_s <= self.first_s):
                return
        raise SyncError(f"{self.path}: no picture can be decoded at {wanted_s:.3f} s; the file may be damaged")

    def _forget(self) -> None:
        self._run.clear()
        self._reader, self._ended = None, False

    def _more(self) -> bool:
        """One more picture at the end of the run; False at the end of the file."""
        if self._stop is not None and self._stop():
            if not self._run or self._run[-1].pts < self._decoded_from:
                self._forget()  # what there is has gaps
            raise Stopped
        if self._reader is None and not self._ended:
            self._read_after()
        frame = next(self._reader, None) if self._reader is not None else None
        while self._reader is not None and frame is not None and self._run and frame.pts <= self._run[-1].pts:
            frame = next(self._reader, None)  # a stamp that does not rise is on show at no time
        if frame is None:
            self._ended = True
            return False
        if self._run and self._run[-1].pts < self._decoded_from:
            self._run.clear()
        self._run.append(frame)
        self._trim(self._run.popleft)
        return True

    def _read_after(self) -> None:
        """Make the reader go on after the run, where the file stands elsewhere; pictures up to its end come again."""
        last = self._run[-1]
        for back_s in BACK_OFF_S:
            reader = self._decode_from(max(self.first_s, self._time(last) - back_s), self._time(last))
            first = next(reader, None)
            if first is not None and (first.pts <= last.pts or self._time(last) - back_s <= self.first_s):
                self._reader = itertools.chain([first], reader)
                return

    def _trim(self, drop: Callable) -> None:
        while len(self._run) > 2 and len(self._run) * _bytes_of(self._run[-1]) > RUN_BYTES:
            drop()

    def _bring_before(self) -> int:
        """Pictures before the run, put at its head; how many came. What is given up is its end."""
        first = self._run[0]
        for back_s in BACK_OFF_S:
            start_s = max(self.first_s, self._time(first) - 2 * ROUNDING_S - back_s)
            found: deque = deque(maxlen=max(2, min(BRING_BEFORE, RUN_BYTES // _bytes_of(first) // 2)))
            for frame in self._decode_from(start_s, self._time(first) - 2 * ROUNDING_S, BRING_BEFORE):
                if frame.pts >= first.pts:
                    break
                if found and frame.pts <= found[-1].pts:
                    continue
                if found and found[-1].pts < self._decoded_from:
                    found.clear()
                found.append(frame)
            if found or start_s <= self.first_s:
                break
        self._reader, self._ended = None, False  # the file stands elsewhere now
        self._run.extendleft(reversed(found))
        self._trim(self._run.pop)
        return len(found)

    def _decode_from(self, start_s: float | None, wanted_s: float | None = None, before: int = 0) -> Iterator:
        """Pictures in order of showing, from the key picture before a time.

        On the way to `wanted_s` those that no other one needs are left out, up to `before` pictures before
        the one on show then: `_decoded_from` is set to the stamp from which on none is missing.
        """
        import av

        self._decoded_from = 0
        self._stream.codec_context.skip_frame = "DEFAULT"
        try:
            if start_s is not None:
                self._box.seek(int(start_s / self.time_base), stream=self._stream, backward=True)
            packets = self._box.demux(self._stream)
            ahead = self._read_ahead(packets, wanted_s, before) if wanted_s is not None else deque()
            for packet in itertools.chain(_emptied(ahead), packets):
                spare = packet.pts is not None and packet.pts < self._decoded_from
                self._stream.codec_context.skip_frame = "NONREF" if spare else "DEFAULT"
                for frame in packet.decode():
                    if frame.pts is not None:
                        yield frame
        except av.error.EOFError:
            return
        except av.error.FFmpegError as err:
            if not self._run:
                raise SyncError(f"{self.path}: cannot be decoded ({err.strerror or err})") from err

    def _read_ahead(self, packets: Iterator, wanted_s: float, before: int) -> deque:
        """Compressed pictures up to one that is decoded after a time; sets `_decoded_from` where their stamps are known."""
        ahead: deque = deque()
        stamps, size = [], 0
        for packet in packets:
            ahead.append(packet)
            size += packet.size
            if packet.pts is None or packet.dts is None or size > AHEAD_BYTES:
                return ahead
            if not packet.is_discard:
                stamps.append(packet.pts)
            if float(packet.dts * self.time_base) > wanted_s:
                break
        stamps.sort()
        shown = bisect_right(stamps, wanted_s, key=lambda pts: float(pts * self.time_base)) - 1
        if shown > before:
            self._decoded_from = stamps[shown - before]
        return ahead

    def _time(self, frame) -> float:
        return float(frame.pts * self.time_base)

    def _picture(self, frame) -> Frame:
        if frame.pts in self._kept:
            self._kept.move_to_end(frame.pts)
            return self._kept[frame.pts]
        rgb = upright(frame.to_ndarray(format="rgb24"), _rotation(frame))
        made = Frame(rgb, frame.pts, self._time(frame))
        self._kept[frame.pts] = made
        while len(self._kept) * rgb.nbytes > RGB_BYTES and len(self._kept) > 2:
            self._kept.popitem(last=False)
        return made


def _emptied(queue: deque) -> Iterator:
    """All of a queue, none of it kept: compressed pictures of a long group weigh tens of megabytes."""
    while queue:
        yield queue.popleft()


def _bytes_of(frame) -> int:
    return max(1, frame.width * frame.height * 3 // 2)


def upright(rgb: np.ndarray, rotation_deg: float) -> np.ndarray:
    """A picture turned as the camera was held.

    Parameters
    ----------
    rotation_deg : float
        Counter-clockwise turn that makes it upright, a multiple of 90 [deg].
    """
    return np.ascontiguousarray(np.rot90(rgb, round(rotation_deg / 90) % 4))


def _rotation(frame) -> float:
    return float(getattr(frame, "rotation", 0) or 0)


def proxy_path(campaign_dir: Path, flight: str, path: Path) -> Path:
    """Where the small copy of a camera file lies, made or not: for the compare screen and the report alike.

    Parameters
    ----------
    path : Path
        Camera file; one of another size or date is another file.

    Raises
    ------
    OSError
        The camera file is not there.
    """
    source = Path(path).stat()
    return (
        Path(campaign_dir)
        / PROXIES_DIR
        / f"{flight}_{Path(path).stem}_{source.st_size}_{source.st_mtime_ns // 10**9}.mp4"
    )


def make_proxy(path: Path, proxy: Path, progress: Callable[[float], None] = lambda share: None) -> Path:
    """A small copy for scrubbing: 640 wide, a key picture every five, the original's time stamps.

    Parameters
    ----------
    proxy : Path
        MP4 to write, completely or not at all.
    progress : callable
        Called with the share done, 0 to 1.

    Raises
    ------
    SyncError
        The camera file cannot be decoded.
    OSError
        The proxy cannot be written.
    """
    import av

    path, proxy = Path(path), Path(proxy)
    make_folder(proxy.parent)
    try:
        with (
            complete_file(proxy) as part,
            open_container(path) as source,
            av.open(f"file:{part}", "w", format="mp4") as target,
        ):
            stream = source.streams.video[0]
            stream.thread_type = "AUTO"
            base = Fraction(stream.time_base)
            length = float(stream.duration * base) if stream.duration else 0.0
            made, last = None, None
            for frame in source.decode(stream):
                if frame.pts is None or (last is not None and frame.pts <= last):
                    continue  # on show at no time
                last = frame.pts
                turned = _rotation(frame) % 180 != 0
                rgb_size = (frame.height, frame.width) if turned else (frame.width, frame.height)
                width = min(PROXY_WIDTH, rgb_size[0]) // 2 * 2
                height = max(2, round(rgb_size[1] * width / rgb_size[0]) // 2 * 2)
                if made is None:
                    made = target.add_stream(
                        "libx264",
                        rate=stream.average_rate or 30,
                        options={"preset": "veryfast", "crf": "24", "bf": "0"},
                    )
                    made.width, made.height, made.pix_fmt = width, height, "yuv420p"
                    made.gop_size = PROXY_KEY_EVERY
                    made.codec_context.time_base = base
                small = _small(frame, width, height)
                small.pts, small.time_base = frame.pts, base
                target.mux(made.encode(small))
                if length:
                    progress(min(1.0, float(frame.pts * base) / length))
            if made is None:
                raise SyncError(f"{path}: no picture can be decoded")
            target.mux(made.encode(None))
    except av.error.FFmpegError as err:
        raise SyncError(f"{path}: no proxy can be made ({err.strerror or err})") from err
    progress(1.0)
    return proxy


def _small(frame, width: int, height: int):
    import av

    if not _rotation(frame):
        return frame.reformat(width=width, height=height, format="yuv420p")
    turned = _rotation(frame) % 180 != 0
    small = frame.reformat(
        width=height if turned else width, height=width if turned else height, format="rgb24"
    ).to_ndarray()
    return av.VideoFrame.from_ndarray(upright(small, _rotation(frame)), format="rgb24").reformat(format="yuv420p")

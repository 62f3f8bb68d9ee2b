"""Sound files in and out: anything that FFmpeg reads becomes 16 kHz mono, 16 bit, in blocks.

The basement that several rooms share. Streams in constant memory; every fault of a file becomes
one `SoundError`. Not for: the microphone (`fly.capture`), pictures (`sync.video_io`).
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from logger_app.errors import SoundError
from logger_app.io import files as files_io
from logger_app.io.containers import open_container
from logger_app.io.process import stop_if_interrupted
from logger_app.units import RATE_HZ

# A frame that begins this much later than the sound before it ended leaves a hole [s].
HOLE_S = 0.02
# A microphone channel this much quieter than the loudest one is dead: averaging it in would only
# cost level (power ratio, 30 dB).
DEAD_CHANNEL = 1e-3
# Longer recordings are refused: no flight lasts so long, and a hostile header can say anything [s].
LONGEST_S = 24 * 3600
OPUS_BITS_PER_S = 18_000
# Telephones record at 8 kHz, studios at 384; with a rate of gigahertz the filter alone would take gigabytes [Hz].
LOWEST_HZ, HIGHEST_HZ = 4_000, 768_000
# The sound may end this much before its header says without being called cut off [s].
SHORT_BY_S = 1.0
# Containers whose header states the duration; others only estimate it.
_EXACT = ("wav", "flac", "mp4", "mov", "ogg", "matroska", "webm")


class SoundStream:
    """One open sound file; iterate over `blocks` once.

    Attributes
    ----------
    path : Path
        The file.
    start_s : float
        When the sound begins on the file's own clock (presentation time stamps) [s]: more than
        0 for a camera whose sound starts late. A file without pictures starts at 0.
    duration_s : float or None
        As the header says [s].
    channels, rate_hz : int
        As recorded.
    """

    def __init__(self, path: Path):
        self.path = Path(path)
        self._container = _open(self.path)
        streams = self._container.streams.audio
        if not streams:
            self._container.close()
            raise SoundError(f"{self.path}: has no sound track; give a file that was recorded with sound.")
        self._stream = streams[0]
        if self._stream.codec_context is None:
            self._container.close()
            raise SoundError(f"{self.path}: its sound format is not supported; export it as WAV or FLAC.")
        # Read while the container is open: afterwards these are garbage.
        self._time_base = self._stream.time_base
        self.rate_hz = int(self._stream.codec_context.sample_rate or 0)
        self.channels = int(self._stream.codec_context.channels or 0)
        self.duration_s = self._declared_s()
        self._first: list = []
        self._frames = self._decode()
        first = next(self._frames, None)
        if first is None:
            self.close()
            raise SoundError(f"{self.path}: the sound track is empty; expected a recording.")
        self._first = [first]
        has_pictures = any(not s.disposition.value & 0x400 for s in self._container.streams.video)
        self.start_s = self._time_of(first) if has_pictures else 0.0

    def __enter__(self) -> SoundStream:
        return self

    def __exit__(self, *exc) -> None:
        self.close()

    def close(self) -> None:
        """Close the file. Safe to call twice."""
        self._container.close()

    def blocks(self, seconds: float = 1.0) -> Iterator[np.ndarray]:
        """The sound from its first sample on; holes in the time stamps are filled with zeros.

        Parameters
        ----------
        seconds : float
            Length of a block; the last one may be shorter [s].

        Yields
        ------
        ndarray of int16, shape (n,)
            16 kHz mono.

        Raises
        ------
        SoundError
            The file breaks off, or is longer than a day.
        """
        size = max(1, round(seconds * RATE_HZ))
        waiting: list[np.ndarray] = []
        held = given = 0
        for piece in self._pieces():
            stop_if_interrupted()
            waiting.append(piece)
            held += len(piece)
            if held < size:
                continue
            joined = np.concatenate(waiting)
            whole = held // size * size
            for k in range(0, whole, size):
                yield joined[k : k + size]
            waiting, held, given = [joined[whole:]], held - whole, given + whole
            if given > LONGEST_S * RATE_HZ:
                raise SoundError(f"{self.path}: longer than {LONGEST_S // 3600} hours; split it.")
        if held:
            yield np.concatenate(waiting)
        self._check_complete((given + held) / RATE_HZ)

    def _pieces(self) -> Iterator[np.ndarray]:
        import av

        try:
            yield from self._resampled()
        except (av.error.FFmpegError, ValueError) as err:  # a header with a rate or channels that cannot be
            raise SoundError(f"{self.path}: its sound cannot be converted ({err}); the file is damaged.") from err

    def _resampled(self) -> Iterator[np.ndarray]:
        import av

        resampler = av.AudioResampler(format="fltp", rate=RATE_HZ)
        expected_s: float | None = None
        for frame in self._chain():
            start_s = self._time_of(frame)
            if expected_s is not None and (hole_s := start_s - expected_s) > HOLE_S:
                if hole_s > LONGEST_S:
                    raise SoundError(f"{self.path}: its time stamps jump by {hole_s:.0f} s; the file is damaged.")
                for out in resampler.resample(None):
                    yield _mono(out)
                resampler = av.AudioResampler(format="fltp", rate=RATE_HZ)
                for _ in range(int(hole_s)):
                    yield np.zeros(RATE_HZ, np.int16)
                yield np.zeros(round((hole_s % 1) * RATE_HZ), np.int16)
                expected_s = start_s
            expected_s = (start_s if expected_s is None else expected_s) + frame.samples / frame.sample_rate
            frame.pts = None
            for out in resampler.resample(frame):
                yield _mono(out)
        for out in resampler.resample(None):
            yield _mono(out)

    def _chain(self) -> Iterator:
        yield from self._first
        self._first = []
        yield from self._frames

    def _decode(self) -> Iterator:
        import av

        try:
            for frame in self._container.decode(self._stream):
                if not frame.samples or not frame.sample_rate:
                    continue
                if not LOWEST_HZ <= frame.sample_rate <= HIGHEST_HZ:
                    raise SoundError(
                        f"{self.path}: {frame.sample_rate} samples a second; expected {LOWEST_HZ} to {HIGHEST_HZ}, "
                        "or the file is damaged."
                    )
                yield frame
        except av.error.EOFError:
            return
        except av.error.FFmpegError as err:
            raise SoundError(
                f"{self.path}: the sound is damaged or cut off ({err.strerror or err}); expected a complete recording."
            ) from err

    def _time_of(self, frame) -> float:
        return float(frame.pts * self._time_base) if frame.pts is not None else 0.0

    def _declared_s(self) -> float | None:
        if self._stream.duration and self._time_base:
            return float(self._stream.duration * self._time_base)
        if self._container.duration and self._container.duration > 0:
            return self._container.duration / 1e6
        return None

    def _check_complete(self, got_s: float) -> None:
        names = self._container.format.name.split(",")
        declared_s = self._stated_by_header_s()
        if declared_s is None or not any(name in _EXACT for name in names):
            return
        if got_s < declared_s - max(SHORT_BY_S, 0.01 * declared_s):
            raise SoundError(
                f"{self.path}: cut off: its header says {declared_s:.1f} s of sound, it ends at {got_s:.1f} s; "
                "copy the file again."
            )

    def _stated_by_header_s(self) -> float | None:
        if self._container.format.name == "wav":
            return _wav_declared_s(self.path) or self.duration_s
        return self.duration_s


def open_sound(path: Path) -> SoundStream:
    """Open a sound or video file for its sound.

    Parameters
    ----------
    path : Path
        WAV, FLAC, MP3, M4A, MP4, MOV, Ogg, ....

    Returns
    -------
    SoundStream
        Open at its first sample; a context manager.

    Raises
    ------
    SoundError
        Missing, empty, not sound, damaged, or without a sound track.
    """
    return SoundStream(path)


def read_sound_file(path: Path) -> np.ndarray:
    """A short file at once, int16 at 16 kHz mono; raises as `open_sound` and `SoundStream.blocks`."""
    with open_sound(path) as stream:
        return np.concatenate(list(stream.blocks(30.0)) or [np.zeros(0, np.int16)])


def write_flac(path: Path, pcm: np.ndarray) -> None:
    """Write mono sound at 16 kHz as FLAC, completely or not at all.

    Raises
    ------
    OSError
        The folder cannot be written or the disk is full; the old file is untouched.
    """
    files_io.write_bytes(path, encode_flac(pcm))


def encode_flac(pcm: np.ndarray, rate: int = RATE_HZ) -> bytes:
    """Mono sound as FLAC."""
    return _encoded(pcm, rate, "flac", "flac")


def encode_opus(pcm: np.ndarray, effort: int = 10) -> bytes:
    """Mono sound at 16 kHz as a small Ogg Opus file, for a page.

    Parameters
    ----------
    pcm : ndarray of int16, shape (n,)
        16 kHz mono.
    effort : int
        0 to 10: at 3 half the time of 10, at the same size; for a page with hundreds of calls.
    """
    return _encoded(pcm, RATE_HZ, "ogg", "libopus", OPUS_BITS_PER_S, {"compression_level": str(effort)})


def _encoded(
    pcm: np.ndarray,
    rate: int,
    container_format: str,
    codec: str,
    bit_rate: int | None = None,
    options: dict | None = None,
) -> bytes:
    import av

    pcm = np.ascontiguousarray(pcm, np.int16)
    held = io.BytesIO()
    # Without the muxer's random serial numbers: the same sound gives the same bytes.
    with av.open(held, "w", format=container_format, container_options={"fflags": "+bitexact"}) as container:
        stream = container.add_stream(codec, rate=rate, options=options or {})
        assert isinstance(stream, av.AudioStream)
        stream.layout = "mono"
        if bit_rate:
            stream.bit_rate = bit_rate
        for k in range(0, len(pcm), 4096):
            frame = av.AudioFrame.from_ndarray(pcm[None, k : k + 4096], format="s16", layout="mono")
            frame.sample_rate, frame.pts = rate, k
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return held.getvalue()


def _open(path: Path):
    import av

    if not path.exists():
        raise SoundError(f"{path}: no such file; expected a sound or video file.")
    if not path.is_file():
        raise SoundError(f"{path}: is not a file; expected a sound or video file.")
    if path.stat().st_size == 0:
        raise SoundError(f"{path}: is empty (0 bytes); expected a sound or video file.")
    try:
        return open_container(path)
    except PermissionError as err:
        raise SoundError(f"{path}: cannot be read: permission denied.") from err
    except OSError as err:
        raise SoundError(f"{path}: cannot be read: {err.strerror or err}.") from err
    except (av.error.FFmpegError, ValueError) as err:
        raise SoundError(
            f"{path}: not a sound or video file that can be read, or cut off before its sound; "
            "expected WAV, FLAC, MP3, M4A, MP4, MOV or Ogg."
        ) from err


def _mono(frame) -> np.ndarray:
    planes = frame.to_ndarray()
    if len(planes) > 1:
        power = np.mean(planes.astype(np.float64) ** 2, axis=1)
        planes = planes[power >= DEAD_CHANNEL * power.max()]
    mono = planes.mean(axis=0)
    return np.clip(np.rint(mono * 32768.0), -32768, 32767).astype(np.int16)


def _wav_declared_s(path: Path) -> float | None:
    """What a plain WAV header states, which FFmpeg replaces by what the file holds."""
    with files_io.open_file(path, through_links=True) as file:
        head = file.read(4096)
    if head[:4] != b"RIFF" or (at := head.find(b"data")) < 0 or (fmt := head.find(b"fmt ")) < 0:
        return None
    size = int.from_bytes(head[at + 4 : at + 8], "little")
    bytes_per_s = int.from_bytes(head[fmt + 16 : fmt + 20], "little")
    if size in (0, 0xFFFFFFFF) or size >= 0x7FFFF000 or not bytes_per_s:
        return None  # written by a recorder that never came back to fill it in
    return size / bytes_per_s

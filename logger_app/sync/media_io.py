"""Camera files on disk: what they are, their fingerprint, and their sound as a memory map. Never altered."""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from logger_app.errors import SoundError, SyncError
from logger_app.io.containers import open_container
from logger_app.io.files import open_file
from logger_app.io.sound import LONGEST_S, open_sound


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraFile:
    """A camera file: its picture and sound as the container declares them. Times in seconds."""

    path: Path
    duration_s: float
    width: int
    height: int
    fps: float
    codec: str
    sound_hz: int | None

    @property
    def make(self) -> tuple:
        """What the chapters of one recording share."""
        return self.width, self.height, round(self.fps, 2), self.codec, self.sound_hz


def probe(path: Path) -> CameraFile:
    """What a camera file is.

    Raises
    ------
    SyncError
        Missing, empty, no video file, a list of other files, cut off before its index, no pictures, or no
        decoder for them.
    """
    import av

    path = Path(path)
    if not path.is_file():
        raise SyncError(f"{path}: no such file; expected a camera's video file")
    if path.stat().st_size == 0:
        raise SyncError(f"{path}: is empty (0 bytes); expected a camera's video file")
    try:
        with open_container(path) as box:
            if not box.streams.video:
                raise SyncError(f"{path}: has no pictures in it; expected a camera's video file")
            stream = box.streams.video[0]
            if stream.codec_context is None:
                raise SyncError(f"{path}: its video format is not supported; export it as MP4 (H.264)")
            codec = stream.codec_context.name
            declared = stream.duration * stream.time_base if stream.duration else (box.duration or 0) / 1e6
            if not 0 <= declared <= LONGEST_S:
                raise SyncError(
                    f"{path}: its header says {float(declared):.0f} s; expected 0 to {LONGEST_S}: it is damaged"
                )
            heard = box.streams.audio[0].codec_context if box.streams.audio else None
            sound = heard.sample_rate if heard is not None else None
            return CameraFile(
                path=path,
                duration_s=float(declared),
                width=stream.codec_context.width,
                height=stream.codec_context.height,
                fps=float(stream.average_rate or stream.guessed_rate or 0),
                codec=codec,
                sound_hz=sound,
            )
    except SyncError:
        raise
    except OSError as err:
        raise SyncError(
            f"{path}: cannot be read as a video: {err.strerror or err}; expected a camera's video file"
        ) from err
    except (av.error.FFmpegError, ValueError, LookupError) as err:
        raise SyncError(
            f"{path}: cannot be read as a video ({getattr(err, 'strerror', '') or err}); it may be cut off, or of a kind this computer cannot decode"
        ) from err


def fingerprint(path: Path) -> str:
    """SHA-256 of a file, in hexadecimal."""
    digest = hashlib.sha256()
    with open_file(Path(path), through_links=True) as file:
        while block := file.read(4 * 1024 * 1024):
            digest.update(block)
    return digest.hexdigest()


class SoundStore:
    """Sounds unpacked into temporary files, so that hours of them cost no memory. A context manager.

    The files have no name where the system can do that: what people said is gone with the program,
    also when it is killed.
    """

    def __init__(self):
        self._files = []

    def __enter__(self) -> SoundStore:
        return self

    def __exit__(self, *exc) -> None:
        for file in self._files:
            file.close()

    def keep(self, blocks: Iterable[np.ndarray]) -> np.ndarray:
        """Blocks of sound as one array on disk.

        Parameters
        ----------
        blocks : iterable of ndarray of int16, shape (n,)
            16 kHz mono, in order.

        Returns
        -------
        ndarray of int16, shape (n,)
            Read only; gone when the store is closed.
        """
        file = tempfile.TemporaryFile(prefix="kneecall-sync-")  # noqa: SIM115 - closed with the store
        self._files.append(file)
        for block in blocks:
            file.write(np.ascontiguousarray(block, "<i2").tobytes())
        file.flush()
        return np.memmap(file, "<i2", "r") if file.tell() else np.zeros(0, np.int16)

    def camera(self, path: Path) -> tuple[np.ndarray, float, str]:
        """A camera's sound.

        Returns
        -------
        tuple of (ndarray of int16, float, str)
            16 kHz mono; when its first sample is on the file's clock [s]; and what is wrong
            with the rest of it, empty if nothing: a file cut off in the middle keeps what came before.

        Raises
        ------
        SyncError
            No sound track, or none of it can be decoded.
        """
        said = ""

        def blocks(stream):
            nonlocal said
            try:
                yield from stream.blocks(10.0)
            except SoundError as err:
                said = str(err)

        try:
            with open_sound(path) as stream:
                start_s = stream.start_s
                sound = self.keep(blocks(stream))
        except SoundError as err:
            raise SyncError(str(err)) from err
        if not len(sound):
            raise SyncError(said or f"{path}: its sound track is empty")
        return sound, start_s, said

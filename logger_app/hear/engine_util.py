"""What every recogniser does with sound before it hears: level, clipping, a steady offset. Pure.

Main names: `Level`, `as_float`, `sound_flags`.
"""

from __future__ import annotations

import numpy as np

from logger_app.records.calls import Flag

FRAME = 320  # samples of one 20 ms frame
FULL_SCALE = 32768.0
# A sample this near to full scale is taken for clipped.
CLIP = 32_600
# Share of clipped samples in speech from which it is said.
CLIPPED_SHARE = 0.004
# Speech under this level is called too quiet [dB of full scale].
QUIET_DBFS = -46.0
# Sound under this level is raised, up to this much: below it the features' floor swallows speech.
RAISE_UNDER_DBFS, MAX_RAISE_DB = -36.0, 40.0
# A steady offset under this share of full scale does no harm.
OFFSET = 0.01
_FORGET = 0.9995  # a frame: the level held decays by half in 28 s


class Level:
    """Keeps what is needed of the raw sound: loudness and clipping, frame by frame."""

    def __init__(self):
        self._waiting = np.zeros(0, np.int16)
        self._power: list[float] = []
        self._clipped: list[int] = []
        self._first = 0
        self._held = 0.0
        self._offset = 0.0
        self._heard = 0

    def take(self, pcm: np.ndarray) -> np.ndarray:
        """The next int16 sound for the features: full scale 1, without a steady offset, raised when it is very quiet."""
        sound = pcm.astype(np.float32) / np.float32(FULL_SCALE)
        if not len(sound):
            return sound
        self._heard += len(sound)
        share = (
            max(len(sound) / self._heard, 1 - 0.5 ** (len(sound) / 16_000))
            if self._heard < 160_000
            else (1 - 0.5 ** (len(sound) / 16_000))
        )
        self._offset += share * (float(sound.mean()) - self._offset)
        if abs(self._offset) > OFFSET:
            sound = sound - np.float32(self._offset)
        self._measure(pcm)
        return sound * np.float32(self.gain)

    @property
    def gain(self) -> float:
        """Factor on the sound: 1 unless all of it is very quiet."""
        if self._held <= 1e-12:
            return 1.0
        level = 10 * np.log10(self._held)
        return float(10 ** (min(MAX_RAISE_DB, max(0.0, RAISE_UNDER_DBFS - level)) / 20))

    def _measure(self, pcm: np.ndarray) -> None:
        joined = np.concatenate([self._waiting, pcm])
        frames = len(joined) // FRAME
        whole = joined[: frames * FRAME].astype(np.int32).reshape(frames, FRAME)
        self._waiting = joined[frames * FRAME :]
        power = ((whole / FULL_SCALE - self._offset) ** 2).mean(1)
        self._power += power.tolist()
        self._clipped += (np.abs(whole) >= CLIP).sum(1).tolist()
        for one in power:
            self._held = max(one, self._held * _FORGET)

    def flags(self, start: int, end: int) -> tuple[Flag, ...]:
        """What is wrong with the sound in frames ``[start, end)``."""
        a, b = max(0, start - self._first), max(1, end - self._first)
        return sound_flags(np.array(self._power[a:b]), np.array(self._clipped[a:b]))

    def forget(self, before: int) -> None:
        """Frames before this one are not asked for any more."""
        drop = min(len(self._power), before - self._first)
        if drop > 0:
            del self._power[:drop], self._clipped[:drop]
            self._first += drop


def sound_flags(power: np.ndarray, clipped: np.ndarray) -> tuple[Flag, ...]:
    """Flags for a stretch of speech.

    Parameters
    ----------
    power : ndarray of float64, shape (t,)
        Mean square of each 20 ms frame, full scale 1.
    """
    if not len(power):
        return ()
    flags = []
    if clipped.sum() > CLIPPED_SHARE * FRAME * len(clipped):
        flags.append(Flag.CLIPPED)
    if 10 * np.log10(np.percentile(power, 80) + 1e-12) < QUIET_DBFS:
        flags.append(Flag.TOO_QUIET)
    return tuple(flags)


def as_float(pcm: np.ndarray) -> np.ndarray:
    """A complete piece of int16 sound for the features: full scale 1, no offset, raised to an ordinary level if quiet."""
    sound = pcm.astype(np.float32) / np.float32(FULL_SCALE)
    if not len(sound):
        return sound
    offset = float(sound.mean())
    if abs(offset) > OFFSET:
        sound = sound - np.float32(offset)
    frames = len(sound) // FRAME
    if not frames:
        return sound
    loudest = np.sqrt((sound[: frames * FRAME].reshape(frames, FRAME) ** 2).mean(1).max())
    target = 10 ** (RAISE_UNDER_DBFS / 20)
    return sound * np.float32(min(10 ** (MAX_RAISE_DB / 20), max(1.0, target / max(loudest, 1e-9))))

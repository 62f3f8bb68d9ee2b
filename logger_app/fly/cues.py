"""What the pilot hears and sees when something happened, and the sounds themselves. Pure, numpy only.

A cue is short: the pilot is not looking, and the microphone is open. Good rises, again falls, so
that they differ without the ear for pitch being good; each also has its own rhythm.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from logger_app.units import RATE_HZ


class Tone(StrEnum):
    """The tone patterns."""

    GOOD = "good"  # the run counts
    AGAIN = "again"  # it does not: fly it again?
    STEP = "step"  # the card moved on
    DISCARD = "discard"
    STOP = "stop"  # knock it off
    MARK = "mark"  # the sync signature
    TROUBLE = "trouble"  # microphone, disk


@dataclass(frozen=True, slots=True, kw_only=True)
class Cue:
    """A tone, a flash of the screen (colour name) or a text; any may be missing."""

    tone: Tone | None = None
    flash: str | None = None
    text: str = ""


# (frequency [Hz], length [s]); frequency 0 is silence. Inside the 300-3400 Hz that headsets pass.
PATTERNS: dict[Tone, tuple[tuple[float, float], ...]] = {
    Tone.GOOD: ((660, 0.09), (0, 0.04), (990, 0.16)),
    Tone.AGAIN: ((520, 0.14), (0, 0.06), (390, 0.14), (0, 0.06), (390, 0.14)),
    Tone.STEP: ((880, 0.05),),
    Tone.DISCARD: ((440, 0.08), (0, 0.04), (330, 0.12)),
    Tone.STOP: ((330, 0.35),),
    Tone.TROUBLE: ((1200, 0.06), (0, 0.05), (1200, 0.06), (0, 0.05), (1200, 0.06)),
}
# The sync signature: a rising sweep, found at -20 dB in every one of eight trials.
CHIRP_S = 0.8
CHIRP_FROM_HZ = 1000.0
CHIRP_TO_HZ = 3000.0
LOUDNESS = 0.6  # of full scale
_RAMP_S = 0.008  # without a soft edge every tone clicks


def sync_chirp() -> np.ndarray:
    """The sync signature.

    Returns
    -------
    ndarray of int16, shape (n,)
        0.8 s, 1 to 3 kHz, linear sweep, 16 kHz mono.
    """
    t = np.arange(round(CHIRP_S * RATE_HZ)) / RATE_HZ
    phase = 2 * np.pi * (CHIRP_FROM_HZ * t + (CHIRP_TO_HZ - CHIRP_FROM_HZ) / (2 * CHIRP_S) * t**2)
    return _pcm(np.sin(phase) * np.sqrt(np.hanning(len(t))))


def tone_sound(tone: Tone) -> np.ndarray:
    """A cue's sound, int16 at 16 kHz mono."""
    if tone is Tone.MARK:
        return sync_chirp()
    return _pcm(np.concatenate([_beep(hz, s) for hz, s in PATTERNS[tone]]))


def _beep(frequency_hz: float, length_s: float) -> np.ndarray:
    t = np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    if not frequency_hz:
        return np.zeros(len(t))
    edge = np.minimum(1.0, np.minimum(t, length_s - t) / _RAMP_S)
    return np.sin(2 * np.pi * frequency_hz * t) * edge


def _pcm(wave: np.ndarray) -> np.ndarray:
    return np.round(wave * LOUDNESS * 32767).astype(np.int16)

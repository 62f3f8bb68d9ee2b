"""The sync signature: a rising sweep that the tablet plays and every microphone hears. Pure.

Found by matched filter. It serves where the sounds have nothing else in common, and it is the same
sweep that the cockpit plays (`fly.cues`; a test holds the two against each other).

Main names: `signature`, `find_signatures`, `match_signatures`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft

from logger_app.units import RATE_HZ

LENGTH_S = 0.8
FROM_HZ, TO_HZ = 1000.0, 3000.0
# Peak over the scatter around it, and over the next best within a second: found in 8 of 8 trials at
# -20 dB, and never in sound without one (platform notes).
CLEAR_PEAK, CLEAR_RATIO = 9.0, 2.0
# Its share of the sound around it, as a correlation: 0.37 at -15 dB and 0.22 at -20, while in six hours of talk, knocks
# and cues 15 moments passed for a sweep by their peak alone and had up to 0.18. One sweep by itself must be surer.
MIN_SHARE, SURE_SHARE = 0.2, 0.3
APART_S = 0.05
BLOCK_S = 60.0
# Two signatures belong together when a clock of at most 250 ppm explains them.
TOLERANCE_S = 0.010


@dataclass(frozen=True, slots=True)
class Signature:
    """One sweep: when it begins on its recording's own clock, its height over the scatter, its share of the sound."""

    start_s: float
    peak: float
    share: float = 0.0

    @property
    def sure(self) -> bool:
        """Whether it may count without another one beside it."""
        return self.share >= SURE_SHARE


def signature() -> np.ndarray:
    """The sweep.

    Returns
    -------
    ndarray of float64, shape (12800,)
        0.8 s, 1 to 3 kHz, linear, 16 kHz, largest value 1.
    """
    t = np.arange(round(LENGTH_S * RATE_HZ)) / RATE_HZ
    phase = 2 * np.pi * (FROM_HZ * t + (TO_HZ - FROM_HZ) / (2 * LENGTH_S) * t**2)
    return np.sin(phase) * np.sqrt(np.hanning(len(t)))


def find_signatures(sound: np.ndarray) -> list[Signature]:
    """Every sweep in a sound.

    Parameters
    ----------
    sound : ndarray of int16, shape (n,)
        16 kHz mono.

    Returns
    -------
    list of Signature
        In order of time; times from the first sample, exact to a sample [s].
    """
    wave = signature()
    block, size = round(BLOCK_S * RATE_HZ), len(wave)
    n = next_fast_len(block + 2 * size, real=True)
    kernel = np.conj(rfft(wave.astype(np.float32), n))
    hz = np.fft.rfftfreq(n, 1 / RATE_HZ)
    outside = (hz < FROM_HZ - 100) | (hz > TO_HZ + 100)
    found: list[Signature] = []
    for first in range(0, max(1, len(sound) - size + 1), block):
        piece = np.asarray(sound[first : first + block + size], np.float32)
        if np.ptp(piece) == 0:
            continue
        spectrum = rfft(piece, n)
        spectrum[outside] = 0
        match = np.abs(irfft(spectrum * kernel, n)[: max(1, len(piece) - size + 1)])
        if peaks := _peaks(match, first):
            within = irfft(spectrum, n)
            shares = [_share(match, within, round(one.start_s * RATE_HZ) - first, wave) for one in peaks]
            found += [replace(one, share=share) for one, share in zip(peaks, shares) if share >= MIN_SHARE]
    return _apart(found)


def _share(match: np.ndarray, within: np.ndarray, k: int, wave: np.ndarray) -> float:
    """How much of the sound there the sweep is, 0 to 1."""
    energy = float(np.sum(within[k : k + len(wave)].astype(np.float64) ** 2) * np.sum(wave**2))
    return float(match[k]) / np.sqrt(energy) if energy > 0 else 0.0


def _peaks(match: np.ndarray, first: int) -> list[Signature]:
    spread = np.median(match) / 0.6745 + 1e-12
    apart = round(APART_S * RATE_HZ)
    left, found = match.copy(), []
    for _ in range(20):
        k = int(np.argmax(left))
        if left[k] < CLEAR_PEAK * spread:
            break
        around = match[max(0, k - RATE_HZ) : k + RATE_HZ].copy()
        at = k - max(0, k - RATE_HZ)
        around[max(0, at - apart) : at + apart] = 0
        if match[k] > CLEAR_RATIO * around.max():
            found.append(Signature((first + k) / RATE_HZ, float(match[k] / spread)))
        left[max(0, k - RATE_HZ) : k + RATE_HZ] = 0
    return found


def _apart(found: list[Signature]) -> list[Signature]:
    """Blocks overlap by one sweep: the same one is kept once."""
    kept: list[Signature] = []
    for one in sorted(found, key=lambda s: s.start_s):
        if kept and one.start_s - kept[-1].start_s < LENGTH_S:
            kept[-1] = max(kept[-1], one, key=lambda s: s.peak)
        else:
            kept.append(one)
    return kept


def match_signatures(flight_s: Sequence[float], camera_s: Sequence[float]) -> tuple[float, float, int] | None:
    """The line through the sweeps of both recordings.

    Parameters
    ----------
    flight_s, camera_s : sequence of float
        When sweeps begin, each on its own clock [s].

    Returns
    -------
    tuple of (float, float, int) or None
        Offset [s], drift and number of sweeps that agree; None when there are none, or when
        more than one pairing fits equally well (two sweeps here, one there): that would be a guess.
    """
    if not flight_s or not camera_s:
        return None
    flight, camera = np.asarray(flight_s), np.asarray(camera_s)
    scores: dict[float, list[tuple[float, float]]] = {}
    for one in flight:
        for other in camera:
            offset = one - other
            pairs = []
            for c in camera:
                near = flight[np.argmin(np.abs(flight - offset - c))]
                if abs(near - offset - c) < TOLERANCE_S + 250e-6 * abs(c - other):
                    pairs.append((float(c), float(near)))
            scores[float(offset)] = pairs
    most = max(len(pairs) for pairs in scores.values())
    best = [offset for offset, pairs in scores.items() if len(pairs) == most]
    if max(best) - min(best) > 0.5:
        return None
    pairs = scores[best[0]]
    x, y = np.array([p[0] for p in pairs]), np.array([p[1] for p in pairs])
    if most == 1 or np.ptp(x) < 60:
        return float(np.mean(y - x)), 0.0, most
    slope, at = np.polyfit(x - x.mean(), y - x, 1)
    return float(at - slope * x.mean()), float(slope), most

"""What changes in a sound: an onset envelope, 100 values a second, that two microphones share. Pure.

Steady sound (engine, wind) cancels, because each band is held against its own last seconds; what
remains is speech, switches, knocks, a change of power. Not for: exact times (`fit.lag_curve`).

Main name: `onset_envelope`.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from scipy.fft import rfft

from logger_app.units import RATE_HZ

HOP = 160
ENVELOPE_HZ = RATE_HZ // HOP
# Bands that both a headset and a camera's microphone pass [Hz].
BANDS_HZ = ((300, 700), (700, 1300), (1300, 2300), (2300, 3600))
_WINDOW = 2 * HOP
_NFFT = 512
LOCAL_S = 5.0
SMOOTH = 4  # hops


def onset_envelope(blocks: Iterable[np.ndarray]) -> np.ndarray:
    """The onset envelope of a sound.

    Parameters
    ----------
    blocks : iterable of ndarray of int16 or float, shape (n,)
        16 kHz mono, in order; any lengths.

    Returns
    -------
    ndarray of float32, shape (n_samples // 160,)
        Mean 0, standard deviation 1; all 0 for silence.
    """
    made, rest = [], np.zeros(0, np.float32)
    for block in blocks:
        rest = np.concatenate((rest, np.asarray(block, np.float32)))
        hops = (len(rest) - _WINDOW) // HOP + 1
        if hops > 0:
            made.append(_band_energies(rest, hops))
            rest = rest[hops * HOP :]
    if not made:
        return np.zeros(0, np.float32)
    energies = np.concatenate(made)
    total = np.zeros(len(energies), np.float32)
    for band in energies.T:
        if band.max() > 0:
            total += _excess(band)
    spread = total.std()
    return ((total - total.mean()) / spread).astype(np.float32) if spread > 1e-9 else np.zeros_like(total)


def _band_energies(sound: np.ndarray, hops: int) -> np.ndarray:
    frames = np.lib.stride_tricks.as_strided(sound, (hops, _WINDOW), (sound.strides[0] * HOP, sound.strides[0]))
    spectrum = rfft(frames * np.hanning(_WINDOW).astype(np.float32), _NFFT)
    power = spectrum.real**2 + spectrum.imag**2
    edges = [(round(low * _NFFT / RATE_HZ), round(high * _NFFT / RATE_HZ)) for low, high in BANDS_HZ]
    return np.stack([power[:, low:high].sum(axis=1) for low, high in edges], axis=1).astype(np.float32)


def _excess(energy: np.ndarray) -> np.ndarray:
    """How far the level stands above its own mean over some seconds; never below 0."""
    energy = np.convolve(energy, np.ones(SMOOTH, np.float32) / SMOOTH, "same")
    level = np.log(energy + 1e-6 * (energy.mean() + 1e-20))
    span = round(LOCAL_S * ENVELOPE_HZ)
    sums = np.cumsum(np.concatenate(([0.0], level)))
    k = np.arange(len(level))
    first, last = np.clip(k - span // 2, 0, len(level)), np.clip(k + span // 2, 0, len(level))
    local = (sums[last] - sums[first]) / np.maximum(1, last - first)
    return np.clip(level - local, 0, None).astype(np.float32)

"""Log-mel features of the callout model: the one definition, for training and at run time.

25 ms Hann windows every 10 ms, 512-point spectrum, 40 mel bands from 100 to 6800 Hz, natural log,
minus a causal running mean (time constant 2 s, unbiased from the first frame), divided by 3.
Not for: the network (`net`). Main names: `log_mel`, `Normaliser`, `features`, `views`.
"""

from __future__ import annotations

import numpy as np

from logger_app.units import RATE_HZ

HOP = 160
WINDOW = 400
FFT = 512
BANDS = 40
LOW_HZ, HIGH_HZ = 100.0, 6800.0
FLOOR = 1e-4
MEAN_FRAMES = 200.0  # time constant of the running mean: 2 s of 10 ms frames
SCALE = 3.0


def mel_matrix(warp: float = 1.0) -> np.ndarray:
    """Triangular mel filters as a matrix from power spectrum to bands.

    Parameters
    ----------
    warp : float
        Factor on every band edge; training varies it to imitate other vocal tracts.

    Returns
    -------
    ndarray of float32, shape (257, 40)
        Each column sums to 1.

    References
    ----------
    Mel scale: m = 2595 log10(1 + f/700), O'Shaughnessy 1987 (from memory).
    """
    top, bottom = _mel(HIGH_HZ), _mel(LOW_HZ)
    edges = warp * 700 * (10 ** (np.linspace(bottom, top, BANDS + 2) / 2595) - 1)
    hz = np.arange(FFT // 2 + 1) * RATE_HZ / FFT
    rising = (hz[:, None] - edges[:-2]) / (edges[1:-1] - edges[:-2])
    falling = (edges[2:] - hz[:, None]) / (edges[2:] - edges[1:-1])
    weights = np.maximum(0, np.minimum(rising, falling))
    return (weights / np.maximum(weights.sum(0, keepdims=True), 1e-3)).astype(np.float32)


def _mel(hz: float) -> float:
    return 2595 * np.log10(1 + hz / 700)


_MEL = mel_matrix()
_HANN = (0.5 - 0.5 * np.cos(2 * np.pi * np.arange(WINDOW) / WINDOW)).astype(np.float32)


def log_mel(sound: np.ndarray) -> np.ndarray:
    """Log-mel energies of sound at 16 kHz, full scale 1.

    Returns
    -------
    ndarray of float32, shape (1 + (n - 400) // 160, 40)
        One row every 10 ms; none when there is less than a window.
    """
    frames = 1 + (len(sound) - WINDOW) // HOP
    if frames <= 0:
        return np.zeros((0, BANDS), np.float32)
    sound = np.ascontiguousarray(sound, np.float32)
    step = sound.strides[0]
    windows = np.lib.stride_tricks.as_strided(sound, (frames, WINDOW), (step * HOP, step))
    spectrum = np.fft.rfft(windows * _HANN, FFT)
    power = (spectrum.real**2 + spectrum.imag**2).astype(np.float32)
    return np.log(power @ _MEL + FLOOR)


class Normaliser:
    """The causal running mean, taken off; carries its state from block to block."""

    def __init__(self):
        self._decay = float(np.exp(-1 / MEAN_FRAMES))
        self._sum = np.zeros(BANDS)
        self._weight = 0.0

    def __call__(self, energies: np.ndarray) -> np.ndarray:
        """Normalise the next frames.

        Parameters
        ----------
        energies : ndarray of float32, shape (t, 40)
            From `log_mel`, following on from the last call.
        """
        out = np.empty_like(energies)
        decay, total, weight = self._decay, self._sum, self._weight
        for t, row in enumerate(energies):
            total = decay * total + row
            weight = decay * weight + 1
            out[t] = row - total / weight
        self._sum, self._weight = total, weight
        return out / np.float32(SCALE)


def views(sound: np.ndarray) -> tuple[np.ndarray, ...]:
    """Features of a complete piece of sound (as for `log_mel`), normalised in three ways, for a slower listening.

    Returns
    -------
    tuple of ndarray of float32, each of shape (t, 40)
        By the running mean forwards, by the running mean backwards, by the mean of the whole.
    """
    energies = log_mel(sound)
    if not len(energies):
        return (energies,) * 3
    backwards = Normaliser()(energies[::-1])[::-1]
    whole = (energies - energies.mean(0)) / np.float32(SCALE)
    return Normaliser()(energies), np.ascontiguousarray(backwards), whole.astype(np.float32)


def features(sound: np.ndarray) -> np.ndarray:
    """Features of a complete piece of sound (as for `log_mel`), from a fresh running mean.

    Returns
    -------
    ndarray of float32, shape (t, 40)
        One row every 10 ms.
    """
    return Normaliser()(log_mel(sound))

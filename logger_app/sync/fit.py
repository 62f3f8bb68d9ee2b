"""From two sounds to one line, offset and drift, and how likely it is chance. Pure.

Coarse lag of the envelopes, exact lags of short windows by generalised cross-correlation with phase
weighting (Knapp and Carter 1976, IEEE Trans. ASSP 24(4), 320-327), then the line that most
windows agree on. Lags are "flight minus camera": ``flight_s = camera_s + lag_s``.

Main names: `coarse_lags`, `window_lag`, `consensus`, `log10_chance`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft
from scipy.special import gammaln
from scipy.stats import binom

from logger_app.sync.onsets import ENVELOPE_HZ, RATE_HZ

# Quartz clocks of recorders and cameras differ by less than this (common practice, no source) [ppm].
MOST_DRIFT_PPM = 250.0
# Windows whose lag is this near the line agree with it [s]. True ones scatter by 0.01 to 0.7 ms.
TOLERANCE_S = 0.0015
# Phase weighting: 1 whitens fully, which lifts bands that hold noise only.
WHITENING = 0.8
BAND_HZ = (300.0, 3400.0)
# The second-best peak is looked for beyond this distance [s].
PEAK_APART_S = 0.003
SHORTEST_OVERLAP_S = 8.0
# Where a window without common sound peaks, either side of the coarse lag: taken narrow, to be careful [s].
CHANCE_SPREAD_S = 0.1


@dataclass(frozen=True, slots=True)
class Coarse:
    """A lag at which the envelopes agree: height over the scatter of all lags, and over the next best."""

    lag_s: float
    z: float
    ratio: float


@dataclass(frozen=True, slots=True)
class Line:
    """``lag_s = at_s + slope * (camera_s - middle_s)`` and how many windows agree with it."""

    middle_s: float
    at_s: float
    slope: float
    inliers: np.ndarray
    rms_s: float
    u_at_s: float
    u_slope: float

    def lag_s(self, camera_s: float) -> float:
        """The lag at a time of the camera [s]."""
        return self.at_s + self.slope * (camera_s - self.middle_s)

    def u_s(self, camera_s: float) -> float:
        """Standard uncertainty of the lag there, from the scatter of the windows [s]."""
        return math.hypot(self.u_at_s, self.u_slope * (camera_s - self.middle_s))


def coarse_lags(flight: np.ndarray, camera: np.ndarray, most: int = 3) -> list[Coarse]:
    """The likeliest lags of two onset envelopes, best first.

    Parameters
    ----------
    flight, camera : ndarray of float32, shape (n,), (m,)
        From `onset_envelope` [-].
    most : int
        How many lags to give; they lie at least a second apart [-].

    Returns
    -------
    list of Coarse
        May be empty, when one of the sounds is shorter than 8 s or silent [-].
    """
    shortest = round(SHORTEST_OVERLAP_S * ENVELOPE_HZ)
    if min(len(flight), len(camera)) < shortest or not flight.any() or not camera.any():
        return []
    n = next_fast_len(len(flight) + len(camera), real=True)
    product = irfft(rfft(flight, n) * np.conj(rfft(camera, n)), n)
    lags = np.arange(1 - len(camera), len(flight))
    score = np.concatenate((product[n - len(camera) + 1 :], product[: len(flight)]))
    overlap = np.minimum(len(flight), lags + len(camera)) - np.maximum(0, lags)
    # A short overlap scatters more; below half a minute (or half the recording) it is not trusted by itself.
    score = score / np.sqrt(np.maximum(overlap, min(30 * ENVELOPE_HZ, len(camera) // 2, len(flight) // 2)))
    score[overlap < shortest // 2] = 0.0
    spread = float(np.median(np.abs(score))) / 0.6745 + 1e-12
    found, left = [], score.copy()
    for _ in range(most + 1):
        k = int(np.argmax(left))
        found.append((k, float(left[k])))
        left[max(0, k - ENVELOPE_HZ) : k + ENVELOPE_HZ + 1] = -np.inf
    second = max(found[1][1], 1e-9)
    return [Coarse(float(lags[k]) / ENVELOPE_HZ, height / spread, height / second) for k, height in found[:most] if height > 0]


def window_lag(flight: np.ndarray, camera: np.ndarray, most_s: float) -> tuple[float, float]:
    """How much later one short sound lies than another.

    Parameters
    ----------
    flight, camera : ndarray of float32, shape (n,)
        16 kHz mono, same length [-].
    most_s : float
        Largest lag looked for, to either side [s].

    Returns
    -------
    tuple of float
        Lag of `flight` after `camera`, exact to a fraction of a sample [s], and the height of its
        peak over the next best one [-]; quality 0 when either is silent.
    """
    most = round(most_s * RATE_HZ)
    n = next_fast_len(len(flight) + most, real=True)
    taper = np.hanning(len(flight)).astype(np.float32)
    cross = rfft(flight * taper, n) * np.conj(rfft(camera * taper, n))
    size = np.abs(cross)
    if not size.any():
        return 0.0, 0.0
    cross /= size**WHITENING + 1e-9 * size.max() ** WHITENING
    hz = np.fft.rfftfreq(n, 1 / RATE_HZ)
    cross[(hz < BAND_HZ[0]) | (hz > BAND_HZ[1])] = 0
    lags = irfft(cross, n)
    near = np.concatenate((lags[n - most :], lags[: most + 1]))
    k = int(np.argmax(near))
    peak = float(near[k])
    apart = round(PEAK_APART_S * RATE_HZ)
    others = np.concatenate((near[: max(0, k - apart)], near[k + apart + 1 :]))
    second = float(others.max()) if len(others) else 0.0
    shift = 0.0
    if 0 < k < len(near) - 1:
        before, after = float(near[k - 1]), float(near[k + 1])
        bend = before - 2 * peak + after
        shift = 0.5 * (before - after) / bend if bend < 0 else 0.0
    return (k - most + shift) / RATE_HZ, peak / second if second > 0 else 0.0


def consensus(times_s: np.ndarray, lags_s: np.ndarray, *, drift: float | None = None) -> Line | None:
    """The line that most windows agree on, to 1.5 ms; every pair of windows is tried.

    Parameters
    ----------
    times_s : ndarray of float64, shape (n,)
        Middle of each window on the camera's clock [s].
    lags_s : ndarray of float64, shape (n,)
        Lag of each window [s].
    drift : float, optional
        Slope of the line where it is known; else up to 250 ppm either way [-].

    Returns
    -------
    Line or None
        None for fewer than 3 windows that agree.
    """
    n = len(times_s)
    best = np.zeros(n, bool)
    # Nearer together, the tolerance alone would make a slope of more than a clock can have.
    apart_s = max(20.0, 0.15 * float(np.ptp(times_s))) if n else 0.0
    for i in range(n):
        slopes = np.zeros(1) if drift is None else np.full(1, drift)
        if drift is None:
            later = np.flatnonzero(times_s > times_s[i] + apart_s)
            tried = (lags_s[later] - lags_s[i]) / (times_s[later] - times_s[i])
            slopes = np.concatenate((slopes, tried[np.abs(tried) <= MOST_DRIFT_PPM * 1e-6]))
        off = np.abs(lags_s[None, :] - lags_s[i] - slopes[:, None] * (times_s[None, :] - times_s[i]))
        agree = (off < TOLERANCE_S).sum(axis=1)
        k = int(np.argmax(agree))
        if agree[k] > best.sum():
            best = off[k] < TOLERANCE_S
    if best.sum() < 3:
        return None
    return _line(times_s, lags_s, best, drift)


def _line(times_s: np.ndarray, lags_s: np.ndarray, inliers: np.ndarray, drift: float | None) -> Line:
    x, y = times_s[inliers], lags_s[inliers]
    middle = float(x.mean())
    spread = float(((x - middle) ** 2).sum())
    free = drift is None and float(np.ptp(x)) >= 60.0 and len(x) >= 4
    slope = float(((x - middle) * (y - y.mean())).sum() / spread) if free else (drift or 0.0)
    if abs(slope) > MOST_DRIFT_PPM * 1e-6:
        slope, free = math.copysign(MOST_DRIFT_PPM * 1e-6, slope), False
    rms = float(np.sqrt(np.mean((y - y.mean() - slope * (x - middle)) ** 2)))
    noise = max(rms, 0.5 / RATE_HZ)
    # Where the windows do not span enough to show it, a drift of up to 50 ppm is as likely as none.
    u_slope = noise / math.sqrt(spread) if free else (50e-6 if drift is None else 5e-6)
    return Line(middle, float(y.mean()), slope, inliers, rms, noise / math.sqrt(len(x)), u_slope)


def log10_chance(agreeing: int, usable: int, *, free: int = 2, tries: int = 1, spread_s: float = CHANCE_SPREAD_S) -> float:
    """Decimal logarithm of the probability that so many windows agree by chance.

    A window that holds no common sound peaks anywhere in its search range. Where windows were put
    because both envelopes rise there, its peak is taken to lie within a tenth of a second. Lines through `free` windows are tried; the others must lie within 1.5 ms of one.

    Parameters
    ----------
    agreeing, usable : int
        Windows on the line, and all that had a clear peak; none overlap [-].
    free : int
        Windows that fix the line: 2 for offset and drift, 1 for offset alone [-].
    tries : int
        How many coarse lags were tried [-].
    spread_s : float
        Where a window without common sound peaks, either side [s].

    Returns
    -------
    float
        At most 0 [-].
    """
    trials, hits = usable, agreeing
    if hits <= free:
        return 0.0
    single = min(1.0, TOLERANCE_S / spread_s)
    lines = (gammaln(trials + 1) - gammaln(free + 1) - gammaln(trials - free + 1)) / math.log(10)
    tail = binom.logsf(hits - free - 1, trials - free, single) / math.log(10)
    return min(0.0, float(lines + tail + math.log10(tries)))

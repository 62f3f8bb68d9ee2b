"""From two sounds to one line, offset and drift, and how likely it is chance. Pure.

Coarse lag of the envelopes, exact lags of short windows by generalised cross-correlation with phase
weighting (Knapp and Carter 1976, IEEE Trans. ASSP 24(4), 320-327), then the line that most
windows agree on. Lags are "flight minus camera": ``flight_s = camera_s + lag_s``.

Main names: `coarse_lags`, `lag_curve`, `consensus`, `stack`, `log10_chance`, `log10_chance_clear`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import overload

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft
from scipy.ndimage import maximum_filter1d
from scipy.special import betainc, gammaln, logsumexp

from logger_app.sync.onsets import ENVELOPE_HZ
from logger_app.units import RATE_HZ

# Quartz clocks of recorders and cameras differ by less than this (common practice, no source) [ppm].
MAX_DRIFT_PPM = 250.0
# How much they usually differ, one standard deviation (common practice, no source).
USUAL_DRIFT = 50e-6
# Windows whose lag is this near the line agree with it [s]. True ones scatter by 0.01 to 0.7 ms.
TOLERANCE_S = 0.0015
# Windows this near the middle of those that agree are always kept for the fit [s].
CLOSE_S = 0.0003
# Phase weighting: 1 whitens fully, which lifts bands that hold noise only.
WHITENING = 0.8
BAND_HZ = (300.0, 3400.0)
# The second-best peak is looked for beyond this distance [s].
PEAK_APART_S = 0.003
SHORTEST_OVERLAP_S = 8.0
# Stacking, in scatters of the curve: half a millisecond, the most that one window counts for and how rarely it does
# so by chance; the least height of a peak beside the line, and how much later an echo may come [s].
STACK_BIN, MAX_HEIGHT, RARE = 8, 5.0, 1e-4
MIN_HEIGHT, ECHO_S = 3.5, 0.06
# How often a window without common sound has a peak so much higher than its next best, and how often such a peak then
# lies on a given line. Measured on 20,000 windows at wrong lags (tests/bench/sync.py, other sounds): 0.20, 0.04 and
# 0.001 (0.005 with knocks); lags spread evenly over 0.7 s, but those of knocks lie within 20 ms. Taken larger.
CLEARNESS = ((1.12, 0.25, 0.015), (1.25, 0.05, 0.015), (1.5, 0.005, 0.075))
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

    @overload
    def lag_s(self, camera_s: float) -> float: ...

    @overload
    def lag_s(self, camera_s: np.ndarray) -> np.ndarray: ...

    def lag_s(self, camera_s: float | np.ndarray) -> float | np.ndarray:
        """The lag at a time of the camera, or at several [s]."""
        return self.at_s + self.slope * (camera_s - self.middle_s)

    def u_s(self, camera_s: float) -> float:
        """Standard uncertainty of the lag there, from the scatter of the windows [s]."""
        return math.hypot(self.u_at_s, self.u_slope * (camera_s - self.middle_s))


def coarse_lags(flight: np.ndarray, camera: np.ndarray, most: int = 3) -> list[Coarse]:
    """The likeliest lags of two onset envelopes, best first.

    Parameters
    ----------
    most : int
        How many lags to give; they lie at least a second apart.

    Returns
    -------
    list of Coarse
        May be empty, when one of the sounds is shorter than 8 s or silent.
    """
    lags, score = _scores(flight, camera)
    if not len(lags):
        return []
    spread = float(np.median(np.abs(score))) / 0.6745 + 1e-12
    found, left = [], score.copy()
    for _ in range(most + 1):
        k = int(np.argmax(left))
        found.append((k, float(left[k])))
        left[max(0, k - ENVELOPE_HZ) : k + ENVELOPE_HZ + 1] = -np.inf
    second = max(found[1][1], 1e-9)
    return [
        Coarse(float(lags[k]) / ENVELOPE_HZ, height / spread, height / second)
        for k, height in found[:most]
        if height > 0
    ]


def _scores(flight: np.ndarray, camera: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Every lag of two envelopes and how well they agree there, alike in scatter; 0 where the overlap is too short."""
    shortest = round(SHORTEST_OVERLAP_S * ENVELOPE_HZ)
    if min(len(flight), len(camera)) < shortest or not flight.any() or not camera.any():
        return np.zeros(0, int), np.zeros(0)
    n = next_fast_len(len(flight) + len(camera), real=True)
    product = irfft(rfft(flight, n) * np.conj(rfft(camera, n)), n)
    lags = np.arange(1 - len(camera), len(flight))
    score = np.concatenate((product[n - len(camera) + 1 :], product[: len(flight)]))
    overlap = np.minimum(len(flight), lags + len(camera)) - np.maximum(0, lags)
    # A short overlap scatters more; below half a minute (or half the recording) it is not trusted by itself.
    score = score / np.sqrt(np.maximum(overlap, min(30 * ENVELOPE_HZ, len(camera) // 2, len(flight) // 2)))
    score[overlap < shortest // 2] = 0.0
    return lags, score


def log10_chance_there(flight: np.ndarray, camera: np.ndarray, lag_s: float, u_s: float) -> float:
    """Decimal logarithm of the share of all stretches of lags, as long as the one asked for, that hold as good an agreement.

    The stretch is where a chapter must lie by its neighbours. Were its sound not there, the envelopes would agree no better
    in it than elsewhere in the flight.

    Parameters
    ----------
    lag_s : float
        The lag that is looked at [s].
    u_s : float
        Half the length of the stretch it was chosen from [s].

    Returns
    -------
    float
        At most 0; 0 too where the sounds overlap too little at that lag to tell.
    """
    lags, score = _scores(flight, camera)
    at = round(lag_s * ENVELOPE_HZ) - int(lags[0]) if len(lags) else -1
    if not 0 <= at < len(lags) or score[at] <= 0:
        return 0.0
    stretch = 2 * math.ceil(u_s * ENVELOPE_HZ) + 1
    best = maximum_filter1d(score, stretch, mode="nearest")[score != 0.0]
    return math.log10(float((best >= score[at]).mean()))


def log10_chance_of_two(one: float, other: float) -> float:
    """Decimal logarithm of the chance that two independent chances multiply to so little.

    Parameters
    ----------
    one, other : float
        Decimal logarithms of the two, at most 0.

    Returns
    -------
    float
        At most 0: of the product x, x (1 - ln x) (Fisher 1932, Statistical Methods for Research Workers, 4th ed., section 21.1).
    """
    product = min(0.0, one + other)
    return product + math.log10(1 - product * math.log(10))


def lag_curve(flight: np.ndarray, camera: np.ndarray, most_s: float) -> np.ndarray:
    """How well two short sounds agree at each lag of `flight` after `camera`.

    Parameters
    ----------
    flight, camera : ndarray of float32, shape (n,)
        16 kHz mono, same length.
    most_s : float
        Largest lag looked for, to either side [s].

    Returns
    -------
    ndarray of float32, shape (2 * most + 1,)
        In units of its own scatter, a sample apart, lag 0 in the middle; all 0 when either is silent.
    """
    most = round(most_s * RATE_HZ)
    n = next_fast_len(len(flight) + most, real=True)
    taper = _taper(len(flight))
    cross = rfft(flight * taper, n) * np.conj(rfft(camera * taper, n))
    size = np.abs(cross)
    if not size.any():
        return np.zeros(2 * most + 1, np.float32)
    cross /= size**WHITENING + 1e-9 * size.max() ** WHITENING
    hz = np.fft.rfftfreq(n, 1 / RATE_HZ)
    cross[(hz < BAND_HZ[0]) | (hz > BAND_HZ[1])] = 0
    lags = irfft(cross, n)
    near = np.concatenate((lags[n - most :], lags[: most + 1])).astype(np.float32)
    return near / (np.float32(np.median(np.abs(near[::4]))) / np.float32(0.6745) + np.float32(1e-12))


@cache
def _taper(n: int) -> np.ndarray:
    return np.hanning(n).astype(np.float32)


def peak_of(curve: np.ndarray) -> tuple[float, float]:
    """The highest peak of a `lag_curve`.

    Returns
    -------
    tuple of float
        Lag of the flight after the camera, exact to a fraction of a sample [s], and the height of the
        peak over the next best one; 0 when either sound is silent.
    """
    k = int(np.argmax(curve))
    peak = float(curve[k])
    apart = round(PEAK_APART_S * RATE_HZ)
    others = np.concatenate((curve[: max(0, k - apart)], curve[k + apart + 1 :]))
    second = float(others.max()) if len(others) else 0.0
    return _between(curve, k), peak / second if second > 0 else 0.0


def _between(curve: np.ndarray, k: int) -> float:
    """The lag of a peak, exact to a fraction of a sample [s]."""
    shift = 0.0
    if 0 < k < len(curve) - 1:
        before, peak, after = float(curve[k - 1]), float(curve[k]), float(curve[k + 1])
        bend = before - 2 * peak + after
        shift = 0.5 * (before - after) / bend if bend < 0 else 0.0
    return (k - len(curve) // 2 + shift) / RATE_HZ


def stack(times_s: np.ndarray, curves: np.ndarray, *, drift: bool = True) -> tuple[float, float, float]:
    """The line along which the curves of all windows add up highest, and how likely that is chance.

    Where echoes make several peaks of one height in each window, or noise hides most of them, no window has a peak
    of its own; their sum has. Every line within the curves is tried (a Hough transform). One window counts for at most
    `MAX_HEIGHT`, so that a cue that sounds alike in every flight cannot decide by itself. The chance is Chernoff's
    bound on the sum of independent windows, each with the distribution of its own heights, to which the greatest height
    is added once in ten thousand: measured on wrong lags, the tail beyond what one window shows.

    Parameters
    ----------
    times_s : ndarray of float64, shape (n,)
        Middle of each window on the camera's clock [s].
    curves : ndarray of float32, shape (n, m)
        From `lag_curve`, lag 0 in the middle.
    drift : bool
        Whether the line may slope, by up to 250 ppm either way.

    Returns
    -------
    tuple of float
        Lag at the mean of the times [s], slope, and the decimal logarithm of the chance that wrong lags add up
        so high anywhere, at most 0.
    """
    bins = curves.shape[1] // STACK_BIN
    heights = np.minimum(curves[:, : bins * STACK_BIN].reshape(len(curves), bins, STACK_BIN).max(axis=2), MAX_HEIGHT)
    means = heights.mean(axis=1, keepdims=True)
    above = heights - means
    apart_s = times_s - times_s.mean()
    bin_s, half_s = STACK_BIN / RATE_HZ, max(1.0, float(np.abs(apart_s).max()))
    most = math.ceil(MAX_DRIFT_PPM * 1e-6 * half_s / bin_s) if drift else 0
    slopes = np.arange(-most, most + 1) * bin_s / half_s
    padded = np.pad(above, ((0, 0), (most + 1, most + 1)))
    best = (-np.inf, 0, 0.0)
    for slope in slopes:
        total = np.zeros(bins, np.float32)
        for row, shift in zip(padded, most + 1 + np.round(slope * apart_s / bin_s).astype(int)):
            total += row[shift : shift + bins]
        k = int(np.argmax(total))
        if total[k] > best[0]:
            best = (float(total[k]), k, float(slope))
    height, k, slope = best
    lines = math.log10(bins * len(slopes))
    bounds = []
    for theta in np.linspace(0.2, 6.0, 30):
        usual = (1 - RARE) * np.exp(theta * above).mean(axis=1) + RARE * np.exp(theta * (MAX_HEIGHT - means[:, 0]))
        bounds.append(float(np.log(usual).sum()) - theta * height)
    return (k + 0.5) * bin_s - (curves.shape[1] // 2) / RATE_HZ, slope, min(0.0, min(bounds) / math.log(10) + lines)


def along(curves: np.ndarray, lag_s: np.ndarray, near_s: float = TOLERANCE_S) -> tuple[np.ndarray, np.ndarray]:
    """Peaks beside a line, after it has been moved to the strongest of the paths that the sound took.

    Parameters
    ----------
    lag_s : ndarray of float64, shape (n,)
        The line at each window, on the curves' own lags [s].
    near_s : float
        How far a peak may lie from the moved line [s].

    Returns
    -------
    tuple of ndarray, shape (n_near,) each
        Which windows have a peak that near, and its lag there [s].
    """
    middle, reach = curves.shape[1] // 2, round(ECHO_S * RATE_HZ)
    near = round(near_s * RATE_HZ)
    at = middle + np.round(lag_s * RATE_HZ).astype(int)
    padded = np.pad(np.sqrt(np.maximum(curves, 0)), ((0, 0), (reach, reach)))
    total = np.zeros(2 * reach + 1)
    for row, k in zip(padded, np.clip(at, 0, curves.shape[1] - 1)):
        total += row[k : k + 2 * reach + 1]
    at = at + int(np.argmax(total)) - reach
    which, lags = [], []
    for j, k in enumerate(at):
        first = max(0, k - near)
        piece = curves[j, first : k + near + 1]
        if len(piece) and piece.max() >= MIN_HEIGHT:
            which.append(j)
            lags.append(_between(curves[j], first + int(np.argmax(piece))))
    return np.array(which, int), np.array(lags)


def consensus(times_s: np.ndarray, lags_s: np.ndarray, *, drift: float | None = None) -> Line | None:
    """The line that most windows agree on, to 1.5 ms; every pair of windows is tried.

    Parameters
    ----------
    times_s : ndarray of float64, shape (n,)
        Middle of each window on the camera's clock [s].
    lags_s : ndarray of float64, shape (n,)
        Lag of each window [s].
    drift : float, optional
        Slope of the line where it is known; else up to 250 ppm either way.

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
            slopes = np.concatenate((slopes, tried[np.abs(tried) <= MAX_DRIFT_PPM * 1e-6]))
        off = np.abs(lags_s[None, :] - lags_s[i] - slopes[:, None] * (times_s[None, :] - times_s[i]))
        agree = (off < TOLERANCE_S).sum(axis=1)
        k = int(np.argmax(agree))
        if agree[k] > best.sum():
            best = off[k] < TOLERANCE_S
    if best.sum() < 3:
        return None
    return fitted(times_s, lags_s, best, drift)


def fitted(times_s: np.ndarray, lags_s: np.ndarray, inliers: np.ndarray, drift: float | None) -> Line:
    """The line through windows that agree, by least squares over those that lie close.

    The slope is drawn towards none by what clocks usually are, which tells only where windows are few or near each other.

    Parameters
    ----------
    times_s, lags_s : ndarray of float64, shape (n,)
        Of all windows [s].
    """
    x, y = times_s[inliers], lags_s[inliers]
    off = np.abs(_off_the_middle(x, y, drift))
    close = off <= max(CLOSE_S, 3 * 1.4826 * float(np.median(off)))
    x, y = x[close], y[close]
    middle = float(x.mean())
    spread = float(((x - middle) ** 2).sum())
    slope = float(((x - middle) * (y - y.mean())).sum() / spread) if drift is None and spread else (drift or 0.0)
    slope = float(np.clip(slope, -MAX_DRIFT_PPM * 1e-6, MAX_DRIFT_PPM * 1e-6))
    rms = float(np.sqrt(np.mean((y - y.mean() - slope * (x - middle)) ** 2)))
    noise = max(rms * math.sqrt(len(x) / max(1, len(x) - 2)), 0.5 / RATE_HZ)
    u_slope = USUAL_DRIFT if drift is None else 5e-6
    if drift is None:
        known = spread / noise**2
        slope *= known / (known + USUAL_DRIFT**-2)
        u_slope = 1 / math.sqrt(known + USUAL_DRIFT**-2)
    return Line(middle, float(y.mean()), slope, inliers, rms, noise / math.sqrt(len(x)), u_slope)


def _off_the_middle(x: np.ndarray, y: np.ndarray, drift: float | None) -> np.ndarray:
    """How far each lies from the line of medians (Theil and Sen), which a few by another path do not move."""
    slope = drift or 0.0
    if drift is None:
        i, j = np.triu_indices(len(x), 1)
        apart = x[j] != x[i]
        if apart.any():
            slope = float(np.median((y[j] - y[i])[apart] / (x[j] - x[i])[apart]))
    return y - slope * x - np.median(y - slope * x)


def log10_chance(
    agreeing: int, usable: int, *, free: int = 2, tries: int = 1, spread_s: float = CHANCE_SPREAD_S
) -> float:
    """Decimal logarithm of the probability that so many windows agree by chance.

    A window that holds no common sound peaks anywhere in its search range. Where windows were put
    because both envelopes rise there, its peak is taken to lie within a tenth of a second. Lines through `free` windows are tried; the others must lie within 1.5 ms of one.

    Parameters
    ----------
    agreeing, usable : int
        Windows on the line, and all that had a clear peak; none overlap.
    free : int
        Windows that fix the line: 2 for offset and drift, 1 for offset alone.
    spread_s : float
        Where a window without common sound peaks, either side [s].

    Returns
    -------
    float
        At most 0.
    """
    trials, hits = usable, agreeing
    if hits <= free:
        return 0.0
    single = min(1.0, TOLERANCE_S / spread_s)
    lines = (gammaln(trials + 1) - gammaln(free + 1) - gammaln(trials - free + 1)) / math.log(10)
    tail = _log10_tail(hits - free, trials - free, single)
    return min(0.0, float(lines + tail + math.log10(tries)))


def _log10_tail(hits: int, trials: int, share: float) -> float:
    """Decimal logarithm of the probability of at least so many hits, also where the probability itself is too small to hold.

    Not by scipy.stats, which takes half a second to import.
    """
    tail = float(betainc(hits, trials - hits + 1, share))
    if tail:
        return float(np.log(tail)) / math.log(10)
    k = np.arange(hits, trials + 1)
    ways = gammaln(trials + 1) - gammaln(k + 1) - gammaln(trials - k + 1)
    each = ways + k * math.log(share) + (trials - k) * math.log1p(-share)
    return float(logsumexp(each)) / math.log(10)


def log10_chance_clear(clearness: np.ndarray, windows: int, *, free: int = 2, tries: int = 1) -> float:
    """As `log10_chance`, but for how clear the windows on the line are: clear peaks are rare where nothing is common.

    Parameters
    ----------
    clearness : ndarray of float64, shape (n,)
        Height over the next best of the windows on the line.
    windows : int
        All that were looked at, clear or not; none overlap.

    Returns
    -------
    float
        At most 0.
    """
    best = 0.0
    for least, clear, on_line in CLEARNESS:
        hits = int((clearness > least).sum())
        if hits <= free:
            continue
        lines = (gammaln(windows + 1) - gammaln(free + 1) - gammaln(windows - free + 1)) / math.log(
            10
        ) + free * math.log10(clear)
        best = min(best, float(lines + _log10_tail(hits - free, windows - free, clear * on_line)))
    return min(0.0, best + math.log10(tries * len(CLEARNESS)))

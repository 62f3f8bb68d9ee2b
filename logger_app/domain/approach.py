"""The robust fit of one stall approach: spoken readings in, speed and rate at the event out.

What spoken readings are like: rounded to the dial, late by a nearly constant lag, wandering
near the stall, and now and then plainly wrong (a misheard decade, a number that was no
airspeed). So: first a consensus line over all pairs of calls, which no single bad call can
drag; then, below 1.2 Vs, a smooth curve whose rate may drift a little, fitted by iteratively
reweighted least squares with Tukey's bisquare. numpy only, so that the cockpit may use it.
Not for: what the event was (`stall_events`), when the approach was at a speed (`approach_curve`).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

# The rate is that between 1.1 Vs and Vs: AC 25-7 (from memory) [AC25-7]. The fit's window of
# 1.2 Vs leaves a few more calls for it. Common practice, no source.
RATE_WINDOW_RATIO = 1.10
FIT_WINDOW_RATIOS = (1.20, 1.25, 1.30, 1.35)
LONGEST_WINDOW_S = 25.0
MIN_CALLS = 3
# The last call this long before the event says too little about the speed at it. Common practice, no source.
LONGEST_GAP_S = 4.0
# Farther than this under the last speed that anybody called the stall speed is a guess (ours).
MAX_BELOW_LAST_CALL_KT = 2.0
WANTED_CALLS = 6
# Scatter of the reading-to-speech lag from call to call. Common practice, no source.
LAG_JITTER_S = 0.15
# How freely the rate drifts: its standard deviation over one second is 0.12 rate^2.5 (0.12 kt/s at
# 1 kt/s, 0.7 at 2). Ours: slow entries are steady, in fast ones the path curves down and gives speed
# back. Set on flown approaches of an independent flight model (bias under 0.3 kt) and on made ones
# with sparse calls and wander (scatter).
DRIFT = 0.12
FASTEST_DRIFT_KT_PER_S = 2.3
# How unsteadily a pilot slows is learned from all runs of a flight: the drift times one of these, the logarithm of
# how likely each is beforehand beside it. At a speed said with the event the largest holds: the needle was read
# there, whatever the rate did before. Ours; set on made approaches that ease to 100, 80, 60 and 40 % of their rate
# over the last 5 kt, and held to the flown ones of an independent flight model.
DRIFT_RATIOS = (1.0, 2.0, 3.0)
DRIFT_LOG_PRIOR = (0.0, -1.0, -2.0)
EASING_UP_TO_KT_PER_S = 1.2
# "Break, forty nine": a speed that begins within this time of the event's last word is the one
# seen at the event, or just after it (ours).
NAMED_WITHIN_S = 1.2
# Tukey's bisquare [HOLLAND1977], cut at 3.5 of the leave-one-out distance's own uncertainty. Ours:
# the textbook 4.685 suits plain residuals, and let a wild last call bend the curve to itself.
BISQUARE_C = 3.5
# Degrees of freedom that the expected scatter counts for beside the seen one: a handful of
# rounded calls says little about its own scatter. Ours.
SCATTER_PRIOR_DF = 4.0
OUTLIER_WEIGHT = 0.05
MIN_WEIGHT = 1e-4
_STEEPEST_KT_PER_S = 8.0
_RISING_KT_PER_S = 3.0
_GRID_S = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Approach:
    """A fitted approach, valid from `from_s` to the event (flight clock).

    `entry_rate_kt_per_s` is the mean rate from 1.1 Vs to Vs, positive when slowing; `slope_kt_per_s`
    the tangent at the event. `weight` is the final weight of every call given (0: outside the
    window or an outlier), `residual_kt` its distance from the curve (None outside the window).
    `scatter_kt` is the standard deviation of one call about the curve; `curve` holds (flight_s,
    ias_kt) along it; `leverage` is var(ias_kt) / scatter^2.
    """

    event_s: float
    from_s: float
    ias_kt: float
    ias_u_kt: float
    slope_kt_per_s: float
    entry_rate_kt_per_s: float
    entry_rate_u_kt_per_s: float
    weight: tuple[float, ...]
    residual_kt: tuple[float | None, ...]
    scatter_kt: float
    leverage: float
    curve: tuple[tuple[float, float], ...]
    drift_evidence: tuple[float, ...] = ()  # log likelihood of each of `DRIFT_RATIOS`, but for a constant

    @property
    def used(self) -> int:
        """How many calls carry the fit."""
        return sum(weight > OUTLIER_WEIGHT for weight in self.weight)

    def at_kt(self, flight_s: float) -> float:
        """The curve at a time on the flight clock [kt]; NaN outside the fitted part."""
        if not self.from_s <= flight_s <= self.event_s:
            return math.nan
        times, speeds = zip(*self.curve)
        return float(np.interp(flight_s, times, speeds))


def fit_approach(
    flight_s: np.ndarray,
    ias_kt: np.ndarray,
    event_s: float,
    resolution_u_kt: float,
    trust: np.ndarray | None = None,
    drift_ratio: float = 1.0,
) -> Approach | None:
    """Fit the approach before an event, robustly.

    Parameters
    ----------
    flight_s : ndarray of float64, shape (n,)
        When the calls were said, rising; none after the event [s].
    ias_kt : ndarray of float64, shape (n,)
        The readings [kt].
    event_s : float
        When the event was said, with the same lag as the calls [s].
    resolution_u_kt : float
        Standard uncertainty of one reading from the dial's graduation [kt].
    trust : ndarray of float64, shape (n,), optional
        Prior weight of every call, above 0 to 1.
    drift_ratio : float
        How unsteady the rate is, as a multiple of the usual; see `learned_drift_ratio`.

    Returns
    -------
    Approach or None
        The fit; None when fewer than three usable calls are left.

    Notes
    -----
    With x seconds before the event, IAS(x) = a + r x + D(x), where D is an integrated Wiener
    process, D(0) = D'(0) = 0, of intensity q = (0.12 r^2.5)^2: cov D = q (x1^2 x2 / 2 - x1^3 / 6),
    x1 <= x2 - a cubic smoothing spline whose end at the event is a. a and r by generalised
    least squares with noise s^2 / w_i, w bisquare weights; s^2 pools the seen scatter with the
    expected one (graduation and lag jitter); a call's misfit is its distance from what the other
    calls predict, over the uncertainty of that distance. A constant lag of calls and event moves nothing.

    References
    ----------
    [HOLLAND1977] weights; [ROUSSEEUW1987] consensus of elemental fits; [WAHBA1978] the spline
    as a Bayesian estimate; [AC25-7] window.
    """
    back_s = event_s - np.asarray(flight_s, float)
    reading_kt = np.asarray(ias_kt, float)
    trust = np.ones(len(back_s)) if trust is None else np.asarray(trust, float)
    if len(back_s) < MIN_CALLS:
        return None
    line = _consensus(back_s, reading_kt, trust, resolution_u_kt)
    if line is None:
        return None
    level, rate = line
    fit = None
    for last in (False, True):
        inside = _window(back_s, reading_kt, level, rate, resolution_u_kt)
        if int(inside.sum()) < MIN_CALLS:
            break
        fit = _refine(back_s, reading_kt, event_s, trust, inside, (level, rate), resolution_u_kt, drift_ratio, last)
        if fit.used < MIN_CALLS:
            return None
        level, rate = fit.ias_kt, fit.entry_rate_kt_per_s
    return fit


def _consensus(back_s, reading_kt, trust, resolution_u_kt) -> tuple[float, float] | None:
    """Level at the event and rate of the line through two calls that most calls near it agree with."""
    recent = np.flatnonzero(back_s <= back_s[-1] + LONGEST_WINDOW_S)[-40:]
    x, v, near = back_s[recent], reading_kt[recent], trust[recent]
    first, second = np.triu_indices(len(x), 1)
    apart = x[first] - x[second]
    keep = apart >= 0.4
    rate = (v[first] - v[second])[keep] / apart[keep]
    level = v[second][keep] - rate * x[second][keep]
    fair = (rate < _STEEPEST_KT_PER_S) & (rate > -_RISING_KT_PER_S)
    rate, level = rate[fair], level[fair]
    if not len(rate):
        return None
    tolerance = max(0.8, 2.5 * resolution_u_kt)
    misfit = (v[None, :] - level[:, None] - rate[:, None] * x[None, :]) / tolerance
    cost = (np.minimum(misfit**2, 4.0) * near / (1 + (x / 8.0) ** 2)).sum(axis=1)
    # A mild belief in the card's 1 kt/s settles ties between two calls and a wild one.
    best = int(np.argmin(cost + 0.1 * (rate - 1.0) ** 2))
    return float(level[best]), float(rate[best])


def _window(back_s, reading_kt, level, rate, resolution_u_kt) -> np.ndarray:
    """Which calls lie below 1.2 Vs on the way down; a little more when there are too few of them."""
    close = np.abs(reading_kt - level - rate * back_s) < 4 * max(0.8, 2.5 * resolution_u_kt)
    inside = np.zeros(len(back_s), bool)
    for ratio in FIT_WINDOW_RATIOS:
        length = min(max((ratio - 1) * level / max(rate, 0.05), 3.0), LONGEST_WINDOW_S)
        inside = back_s <= length + _GRID_S
        if int((inside & close).sum()) >= WANTED_CALLS:
            return inside
    if int((inside & close).sum()) <= MIN_CALLS:  # sparse calls: the last few, however high up
        last_few = np.flatnonzero(close & (back_s <= LONGEST_WINDOW_S))[-MIN_CALLS - 1 :]
        if len(last_few):
            inside = inside | (back_s <= back_s[last_few[0]])
    return inside


def _refine(back_s, reading_kt, event_s, trust, inside, line, resolution_u_kt, drift_ratio, with_evidence) -> Approach:
    x, v, given = back_s[inside], reading_kt[inside], trust[inside]
    level, rate = line
    speed = max(abs(rate), 0.3)
    expected = math.hypot(resolution_u_kt, LAG_JITTER_S * speed)
    usual = (DRIFT * min(speed, FASTEST_DRIFT_KT_PER_S) ** 2.5) ** 2
    intensity = _drifting(usual, drift_ratio, speed)
    drift = intensity * _wiener(x, x)
    design = np.column_stack([np.ones_like(x), x])
    residual = v - level - rate * x
    scale = max(1.5 * expected, 1.4826 * float(np.median(np.abs(residual))))
    weight = np.maximum(given * _bisquare(residual / (1.5 * scale)), MIN_WEIGHT)
    for _ in range(40):
        solved = _kriging(design, drift, scale**2 / weight, v)
        # Each call is judged by what the *others* predict for it: at the end of the approach one
        # bad call would otherwise bend the curve to itself.
        spread = np.sqrt(np.maximum(solved.apart_var, 0.0) + scale**2)
        new = np.maximum(given * _bisquare(solved.apart / spread), MIN_WEIGHT)
        moved = float(np.abs(new - weight).max())
        weight = 0.2 * weight + 0.8 * new  # a little of the old, or two calls may take turns
        residual = v - solved.fitted
        free = float((weight * solved.freedom).sum())
        seen = float((weight * residual**2).sum())
        scale = math.sqrt((seen + SCATTER_PRIOR_DF * expected**2) / (free + SCATTER_PRIOR_DF))
        if moved < 2e-3:
            break
    fit = _approach(event_s, x, inside, weight, residual, scale, solved, intensity)
    if not with_evidence:
        return fit
    walk, noise = _wiener(x, x), expected**2 / weight
    return replace(
        fit, drift_evidence=tuple(_evidence(design, _drifting(usual, r, speed) * walk, noise, v) for r in DRIFT_RATIOS)
    )


def planned_u_kt(call_step_kt: float, rate_kt_per_s: float = 1.0, stall_kt: float = 50.0) -> float:
    """Standard uncertainty that the fit will give a stall speed, with airspeed called every so many knots.

    Parameters
    ----------
    call_step_kt : float
        From one call to the next [kt].
    rate_kt_per_s : float
        Entry rate [kt/s].
    stall_kt : float
        Stall speed; the fit begins at 1.2 of it [kt].

    Returns
    -------
    float
        Standard uncertainty [kt], for a dial read to the knot; the last call anywhere in the last step.

    Examples
    --------
    >>> planned_u_kt(1.5) < planned_u_kt(3.0) < planned_u_kt(5.0)
    True
    """
    last_s = call_step_kt / rate_kt_per_s * np.array([0.1, 0.3, 0.5, 0.7, 0.9])
    calls = max(math.ceil((FIT_WINDOW_RATIOS[0] - 1) * stall_kt / call_step_kt), MIN_CALLS + 1)
    noise = 1 / 12 + (LAG_JITTER_S * rate_kt_per_s) ** 2
    intensity = (DRIFT * rate_kt_per_s**2.5) ** 2
    found = []
    for first_s in last_s:
        x = first_s + call_step_kt / rate_kt_per_s * np.arange(calls)[::-1]
        design = np.column_stack([np.ones_like(x), x])
        solved = _kriging(design, intensity * _wiener(x, x), np.full(calls, noise), x)
        found.append(float(solved.beta_cov[0, 0]))
    return math.sqrt(math.fsum(found) / len(found))


def learned_drift_ratio(fits: Iterable[Approach]) -> float:
    """How unsteadily the rate was held on a flight, from all its approaches together.

    Examples
    --------
    >>> learned_drift_ratio([])
    1.0
    """
    support = np.array(DRIFT_LOG_PRIOR) + sum(np.array(fit.drift_evidence) for fit in fits if fit.drift_evidence)
    return DRIFT_RATIOS[int(np.argmax(support))]


def _drifting(usual: float, ratio: float, speed_kt_per_s: float) -> float:
    """Intensity of the drift for a pilot less steady than usual; fast entries drift enough by themselves."""
    slow = DRIFT * min(speed_kt_per_s, EASING_UP_TO_KT_PER_S) ** 2.5
    return max(usual, (ratio * slow) ** 2)


def _evidence(design, drift, noise, v) -> float:
    """Log likelihood of the calls, level and rate integrated out, but for a constant."""
    total = drift + np.diag(noise)
    inverse = np.linalg.inv(total)
    left = inverse @ design
    precision = design.T @ left
    misfit = v @ inverse @ v - (left.T @ v) @ np.linalg.solve(precision, left.T @ v)
    return -0.5 * float(np.linalg.slogdet(total)[1] + np.linalg.slogdet(precision)[1] + misfit)


@dataclass(frozen=True, slots=True)
class _Solved:
    beta: np.ndarray  # level, rate
    beta_cov: np.ndarray
    gain: np.ndarray  # C^-1 (v - X beta)
    inverse: np.ndarray  # C^-1
    design: np.ndarray
    fitted: np.ndarray
    freedom: np.ndarray  # noise times the diagonal of P
    apart: np.ndarray  # each value less what the others predict for it
    apart_var: np.ndarray  # variance of that prediction


def _kriging(design, drift, noise, v) -> _Solved:
    """Generalised least squares with a drift: universal kriging."""
    total = drift.copy()
    total.flat[:: len(v) + 1] += noise
    inverse = np.linalg.inv(total)
    left = inverse @ design
    beta_cov = np.linalg.inv(design.T @ left)
    beta = beta_cov @ (left.T @ v)
    gain = inverse @ (v - design @ beta)
    p = inverse.diagonal() - ((left @ beta_cov) * left).sum(axis=1)
    fitted = design @ beta + drift @ gain
    return _Solved(beta, beta_cov, gain, inverse, design, fitted, noise * p, gain / p, 1 / p - noise)


def _approach(event_s, x, inside, weight, residual, scale, solved, intensity) -> Approach:
    level, slope = float(solved.beta[0]), -float(solved.beta[1])
    grid = np.append(np.arange(0.0, float(x.max()), _GRID_S), float(x.max()))
    curve = level - slope * grid + intensity * _wiener(grid, x) @ solved.gain
    above = np.flatnonzero(curve >= RATE_WINDOW_RATIO * level)
    far = max(float(grid[above[0]]) if len(above) else float(grid[-1]), _GRID_S)
    rise, rise_u = _rise(far, x, intensity, solved)
    full_weight = np.zeros(len(inside))
    full_weight[inside] = weight
    apart = iter(map(float, residual))
    return Approach(
        event_s=event_s,
        from_s=event_s - float(x.max()),
        ias_kt=level,
        ias_u_kt=math.sqrt(float(solved.beta_cov[0, 0])),
        slope_kt_per_s=slope,
        entry_rate_kt_per_s=rise / far,
        entry_rate_u_kt_per_s=rise_u / far,
        weight=tuple(map(float, full_weight)),
        residual_kt=tuple(next(apart) if there else None for there in inside),
        scatter_kt=scale,
        leverage=float(solved.beta_cov[0, 0]) / scale**2,
        curve=tuple((event_s - float(b), float(s)) for b, s in zip(grid[::-1], curve[::-1])),
    )


def _rise(far: float, x: np.ndarray, intensity: float, solved: _Solved) -> tuple[float, float]:
    """Speed at `far` seconds before the event less that at it, and its standard uncertainty."""
    place = np.array([far])
    shared = intensity * _wiener(place, x)[0]
    change = np.array([0.0, far])  # the level drops out of the difference
    trend = change - shared @ solved.inverse @ solved.design
    variance = intensity * far**3 / 3 - shared @ solved.inverse @ shared + trend @ solved.beta_cov @ trend
    return float(change @ solved.beta + shared @ solved.gain), math.sqrt(max(float(variance), 0.0))


def _wiener(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Covariance of a once integrated Wiener process started at rest at 0."""
    low, high = np.minimum.outer(a, b), np.maximum.outer(a, b)
    return low**2 * high / 2 - low**3 / 6


def _bisquare(misfit: np.ndarray) -> np.ndarray:
    return np.clip(1 - (misfit / BISQUARE_C) ** 2, 0.0, 1.0) ** 2

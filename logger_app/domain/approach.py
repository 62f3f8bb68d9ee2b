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
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

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
# An approach that has eased shows its slow end only: the least steady pilot is taken to have come from a card's usual
# rate at least. Ours; chosen on made approaches that ease (tests/bench/single_runs.py).
EASING_FROM_KT_PER_S = 0.9
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
MAX_ROUNDS = 40
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
    return fit_approaches([Asked(flight_s, ias_kt, event_s, resolution_u_kt, trust, drift_ratio)])[0]


@dataclass(frozen=True, slots=True)
class Asked:
    """One approach to fit: the parameters of `fit_approach`."""

    flight_s: np.ndarray
    ias_kt: np.ndarray
    event_s: float
    resolution_u_kt: float
    trust: np.ndarray | None = None
    drift_ratio: float = 1.0


def fit_approaches(asked: Sequence[Asked]) -> list[Approach | None]:
    """As `fit_approach` for each, to the last digit; approaches with as many calls are solved together.

    A run has a dozen calls: most of the time of one fit is the way into numpy, which many share here.
    """
    fits = [_Fit.of(one) for one in asked]
    for last in (False, True):
        open_fits = [fit for fit in fits if fit and fit.look_through_window()]
        sizes = sorted({len(fit.x) for fit in open_fits})
        for size in sizes:
            _refine([fit for fit in open_fits if len(fit.x) == size], with_evidence=last)
        for fit in open_fits:
            fit.follow()
        fits = [None if fit and fit.used < MIN_CALLS else fit for fit in fits]
    return [fit.approach() if fit else None for fit in fits]


def _consensus(back_s, reading_kt, trust, resolution_u_kt) -> tuple[float, float] | None:
    """Level at the event and rate of the line through two calls that most calls near it agree with."""
    recent = np.flatnonzero(back_s <= back_s[-1] + LONGEST_WINDOW_S)[-40:]
    x, v, near = back_s[recent], reading_kt[recent], trust[recent]
    first, second = _pairs(len(x))
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


@lru_cache(maxsize=64)
def _pairs(n: int) -> tuple[np.ndarray, np.ndarray]:
    """Both members of every pair of `n` calls."""
    return np.triu_indices(n, 1)


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


@dataclass(slots=True)
class _Fit:
    """One approach while it is fitted: what was asked, then what each round of the refinement leaves."""

    asked: Asked
    back_s: np.ndarray
    reading_kt: np.ndarray
    trust: np.ndarray
    level: float
    rate: float
    used: int = MIN_CALLS
    inside: np.ndarray = field(init=False)
    x: np.ndarray = field(init=False)
    weight: np.ndarray = field(init=False)
    residual: np.ndarray = field(init=False)
    scale: float = field(init=False)
    solved: _Solved = field(init=False)
    intensity: float = field(init=False)
    evidence: tuple[float, ...] = ()
    course: _Course | None = None

    @classmethod
    def of(cls, asked: Asked) -> _Fit | None:
        """The beginning of a fit, from its consensus line; None where there is none."""
        back_s, reading_kt = asked.event_s - np.asarray(asked.flight_s, float), np.asarray(asked.ias_kt, float)
        trust = np.ones(len(back_s)) if asked.trust is None else np.asarray(asked.trust, float)
        if len(back_s) < MIN_CALLS:
            return None
        line = _consensus(back_s, reading_kt, trust, asked.resolution_u_kt)
        return cls(asked, back_s, reading_kt, trust, *line) if line else None

    def look_through_window(self) -> bool:
        """Choose the calls near the stall by the line as it is known now; False where they are too few."""
        inside = _window(self.back_s, self.reading_kt, self.level, self.rate, self.asked.resolution_u_kt)
        if int(inside.sum()) < MIN_CALLS:
            if self.course is None:
                self.used = 0
            return False
        self.inside, self.x = inside, self.back_s[inside]
        return True

    def follow(self) -> None:
        """Take level and rate from what was solved."""
        self.course = _course(self.x, self.intensity, self.solved)
        self.used = int((self.weight > OUTLIER_WEIGHT).sum())
        self.level, self.rate = self.course.level, self.course.rise / self.course.far

    def approach(self) -> Approach:
        """The result."""
        event_s, course = self.asked.event_s, self.course
        assert course is not None
        full_weight = np.zeros(len(self.inside))
        full_weight[self.inside] = self.weight
        apart = iter(self.residual.tolist())
        variance = float(self.solved.beta_cov[0, 0])
        return Approach(
            event_s=event_s,
            from_s=event_s - float(self.x.max()),
            ias_kt=course.level,
            ias_u_kt=math.sqrt(variance),
            slope_kt_per_s=course.slope,
            entry_rate_kt_per_s=self.rate,
            entry_rate_u_kt_per_s=course.rise_u / course.far,
            weight=tuple(full_weight.tolist()),
            residual_kt=tuple(next(apart) if there else None for there in self.inside.tolist()),
            scatter_kt=self.scale,
            leverage=variance / self.scale**2,
            curve=tuple(zip((event_s - course.grid[::-1]).tolist(), course.curve[::-1].tolist())),
            drift_evidence=self.evidence,
        )


def _refine(fits: Sequence[_Fit], with_evidence: bool) -> None:
    """Reweight until the weights stand still; all of them have equally many calls in their windows."""
    x = np.stack([fit.x for fit in fits])
    v = np.stack([fit.reading_kt[fit.inside] for fit in fits])
    given = np.stack([fit.trust[fit.inside] for fit in fits])
    speeds = [max(abs(fit.rate), 0.3) for fit in fits]
    expected = [math.hypot(fit.asked.resolution_u_kt, LAG_JITTER_S * speed) for fit, speed in zip(fits, speeds)]
    usual = [(DRIFT * min(speed, FASTEST_DRIFT_KT_PER_S) ** 2.5) ** 2 for speed in speeds]
    for fit, speed, most in zip(fits, speeds, usual):
        fit.intensity = _drifting(most, fit.asked.drift_ratio, speed)
    walk = _wiener(x, x)
    drift = _column([fit.intensity for fit in fits], 2) * walk
    design = np.stack([np.ones_like(x), x], axis=-1)
    residual = v - _column([fit.level for fit in fits]) - _column([fit.rate for fit in fits]) * x
    middle = np.median(np.abs(residual), axis=1).tolist()
    scale = [max(1.5 * e, 1.4826 * m) for e, m in zip(expected, middle)]
    weight = np.maximum(given * _bisquare(residual / _column([1.5 * s for s in scale])), MIN_WEIGHT)
    still = list(range(len(fits)))
    for n in range(MAX_ROUNDS):
        variance = _column([scale[k] ** 2 for k in still])
        solved = _kriging(design, drift, variance / weight, v)
        # Each call is judged by what the *others* predict for it: at the end of the approach one
        # bad call would otherwise bend the curve to itself.
        spread = np.sqrt(np.maximum(solved.apart_var, 0.0) + variance)
        new = np.maximum(given * _bisquare(solved.apart / spread), MIN_WEIGHT)
        moved = np.abs(new - weight).max(axis=1)
        weight = 0.2 * weight + 0.8 * new  # a little of the old, or two calls may take turns
        residual = v - solved.fitted
        free = (weight * solved.freedom).sum(axis=1).tolist()
        seen = (weight * residual**2).sum(axis=1).tolist()
        for k, f, s in zip(still, free, seen):
            scale[k] = math.sqrt((s + SCATTER_PRIOR_DF * expected[k] ** 2) / (f + SCATTER_PRIOR_DF))
        stands = (moved < 2e-3) | (n == MAX_ROUNDS - 1)
        if not stands.any():
            continue
        for row in np.flatnonzero(stands).tolist():
            fit = fits[still[row]]
            fit.weight, fit.residual, fit.solved, fit.scale = weight[row], residual[row], solved[row], scale[still[row]]
        go_on = ~stands
        if not go_on.any():
            break
        still = [k for k, more in zip(still, go_on.tolist()) if more]
        v, given, weight, drift, design = v[go_on], given[go_on], weight[go_on], drift[go_on], design[go_on]
    if with_evidence:
        _gather_evidence(fits, walk, speeds, expected, usual)


def _gather_evidence(fits: Sequence[_Fit], walk, speeds, expected, usual) -> None:
    """How likely the calls are with each of `DRIFT_RATIOS`."""
    of_all = np.tile(np.arange(len(fits)), len(DRIFT_RATIOS))
    x = np.stack([fit.x for fit in fits])[of_all]
    v = np.stack([fit.reading_kt[fit.inside] for fit in fits])[of_all]
    noise = (_column([e**2 for e in expected]) / np.stack([fit.weight for fit in fits]))[of_all]
    drift = _column([_drifting(m, ratio, s) for ratio in DRIFT_RATIOS for m, s in zip(usual, speeds)], 2) * walk[of_all]
    found = _evidence(np.stack([np.ones_like(x), x], axis=-1), drift, noise, v)
    for k, fit in enumerate(fits):
        fit.evidence = tuple(found[k :: len(fits)])


def _column(values: Sequence[float], axes: int = 1) -> np.ndarray:
    """One value an approach, to go with an array of its calls, or of pairs of them."""
    return np.array(values).reshape(-1, *(1,) * axes)


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
    x = last_s[:, None] + call_step_kt / rate_kt_per_s * np.arange(calls)[::-1]
    design = np.stack([np.ones_like(x), x], axis=-1)
    found = _kriging(design, intensity * _wiener(x, x), np.full(x.shape, noise), x).beta_cov[:, 0, 0].tolist()
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
    if ratio >= DRIFT_RATIOS[-1]:
        speed_kt_per_s = max(speed_kt_per_s, EASING_FROM_KT_PER_S)
    slow = DRIFT * min(speed_kt_per_s, EASING_UP_TO_KT_PER_S) ** 2.5
    return max(usual, (ratio * slow) ** 2)


def _evidence(design, drift, noise, v) -> list[float]:
    """Log likelihood of the calls of each approach, level and rate integrated out, but for a constant."""
    total = _with_noise(drift, noise)
    inverse = np.linalg.inv(total)
    left = inverse @ design
    precision = _turned(design) @ left
    column, pull = v[..., None], _turned(left) @ v[..., None]
    misfit = v[:, None, :] @ inverse @ column - _turned(pull) @ np.linalg.solve(precision, pull)
    return (-0.5 * (np.linalg.slogdet(total)[1] + np.linalg.slogdet(precision)[1] + misfit[:, 0, 0])).tolist()


@dataclass(frozen=True, slots=True)
class _Solved:
    """Of several approaches, by the first axis; of one, without it."""

    beta: np.ndarray  # level, rate
    beta_cov: np.ndarray
    gain: np.ndarray  # C^-1 (v - X beta)
    inverse: np.ndarray  # C^-1
    design: np.ndarray
    fitted: np.ndarray
    freedom: np.ndarray  # noise times the diagonal of P
    apart: np.ndarray  # each value less what the others predict for it
    apart_var: np.ndarray  # variance of that prediction

    def __getitem__(self, k: int) -> _Solved:
        return _Solved(*[getattr(self, name)[k] for name in self.__slots__])


def _kriging(design, drift, noise, v) -> _Solved:
    """Generalised least squares with a drift, of several approaches: universal kriging."""
    inverse = np.linalg.inv(_with_noise(drift, noise))
    left = inverse @ design
    beta_cov = np.linalg.inv(_turned(design) @ left)
    beta = beta_cov @ (_turned(left) @ v[..., None])
    line = (design @ beta)[..., 0]
    gain = (inverse @ (v - line)[..., None])[..., 0]
    p = inverse.diagonal(axis1=1, axis2=2) - ((left @ beta_cov) * left).sum(axis=2)
    fitted = line + (drift @ gain[..., None])[..., 0]
    return _Solved(beta[..., 0], beta_cov, gain, inverse, design, fitted, noise * p, gain / p, 1 / p - noise)


def _with_noise(drift, noise) -> np.ndarray:
    total, n = drift.copy(), noise.shape[1]
    total.reshape(-1, n * n)[:, :: n + 1] += noise
    return total


def _turned(matrices: np.ndarray) -> np.ndarray:
    """Each matrix transposed."""
    return matrices.swapaxes(1, 2)


@dataclass(frozen=True, slots=True)
class _Course:
    """The curve of a fit over seconds before the event, and its rise from there to `far`."""

    level: float
    slope: float
    grid: np.ndarray
    curve: np.ndarray
    far: float
    rise: float
    rise_u: float


def _course(x, intensity, solved) -> _Course:
    level, slope = float(solved.beta[0]), -float(solved.beta[1])
    grid = np.append(np.arange(0.0, float(x.max()), _GRID_S), float(x.max()))
    curve = level - slope * grid + intensity * _wiener(grid, x) @ solved.gain
    above = np.flatnonzero(curve >= RATE_WINDOW_RATIO * level)
    far = max(float(grid[above[0]]) if len(above) else float(grid[-1]), _GRID_S)
    return _Course(level, slope, grid, curve, far, *_rise(far, x, intensity, solved))


def _rise(far: float, x: np.ndarray, intensity: float, solved: _Solved) -> tuple[float, float]:
    """Speed at `far` seconds before the event less that at it, and its standard uncertainty."""
    place = np.array([far])
    shared = intensity * _wiener(place, x)[0]
    change = np.array([0.0, far])  # the level drops out of the difference
    trend = change - shared @ solved.inverse @ solved.design
    variance = intensity * far**3 / 3 - shared @ solved.inverse @ shared + trend @ solved.beta_cov @ trend
    return float(change @ solved.beta + shared @ solved.gain), math.sqrt(max(float(variance), 0.0))


def _wiener(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Covariance of a once integrated Wiener process started at rest at 0, by the last axis of each."""
    low, high = np.minimum(a[..., :, None], b[..., None, :]), np.maximum(a[..., :, None], b[..., None, :])
    return low**2 * high / 2 - low**3 / 6


def _bisquare(misfit: np.ndarray) -> np.ndarray:
    return np.maximum(1 - (misfit / BISQUARE_C) ** 2, 0.0) ** 2

"""The difference of two sets of runs, and how the method is chosen before any result is seen.

With two days or more on which both configurations flew: least squares with the day as a block.
With two flights or more of each: Student's t on the flight means (runs of a flight are not
independent). Else least squares with the entry rate as covariate, where the rates overlap and are
spread enough; else Welch. Not for: what the speeds are, or what may be said (see `compare`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from logger_app.errors import TooFewCalls
from logger_app.records.results import StallSpeed
from logger_app.reduce.statistics import Estimate, estimate, least_squares, welch

# Below this spread (standard deviation) the entry rate says nothing about its own effect. Ours.
RATE_SPREAD_KT_PER_S = 0.1
MIN_FOR_COVARIATE = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """The runs of one configuration at one point, as numbers of one kind."""

    runs: tuple[StallSpeed, ...]
    speeds: tuple[float, ...]

    @property
    def rates(self) -> list[float | None]:
        return [run.entry_rate_kt_per_s for run in self.runs]

    @property
    def flights(self) -> list[str]:
        return list(dict.fromkeys(run.flight for run in self.runs))

    def flight_means(self) -> list[float]:
        """Mean speed of each flight, in order [kt]."""
        speeds: dict[str, list[float]] = {}
        for run, speed in zip(self.runs, self.speeds):
            speeds.setdefault(run.flight, []).append(speed)
        return [float(np.mean(of_flight)) for of_flight in speeds.values()]


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """A difference with how it was found: method, estimate, standard deviation of a single run."""

    method: str
    found: Estimate
    sd_kt: float
    holds_flight_spread: bool = False


def difference_of(reference: Side, changed: Side, days: Mapping[str, str]) -> tuple[Difference, ...]:
    """The difference by every method that the data allows; the first is the one reported.

    Raises
    ------
    TooFewCalls
        A side has fewer than two runs.

    Notes
    -----
    Least squares: V = b0 + b2 [changed] (+ b1 rate) (+ one constant a day); b2 is the effect at
    any common rate.

    References
    ----------
    [CP] the covariate model; [WELCH1947].
    """
    use_rate = _rates_usable(reference, changed)
    by_day = _days_shared(reference, changed, days)
    found = []
    if by_day:
        found.append(_by_day(reference, changed, days, use_rate))
    if len(reference.flights) > 1 and len(changed.flights) > 1:
        found.append(_by_flight(reference, changed))
    if use_rate:
        found.append(_with_rate(reference, changed))
    plain = welch(reference.speeds, changed.speeds)
    found.append(Difference(method="welch", found=plain, sd_kt=_pooled_sd(reference.speeds, changed.speeds)))
    return tuple(f for f in found if f is not None)


def _with_rate(reference: Side, changed: Side) -> Difference | None:
    """Least squares with the entry rate as covariate."""
    columns = [np.ones(len(reference.runs) + len(changed.runs)), *_effects(reference, changed, True)]
    try:
        beta, covariance, df = least_squares(np.column_stack(columns), np.array([*reference.speeds, *changed.speeds]))
    except TooFewCalls:
        return None
    residual_sd = math.sqrt(covariance[1, 1] / _unit_variance(np.column_stack(columns), 1))
    return Difference(
        method="covariate", found=estimate(float(beta[1]), math.sqrt(covariance[1, 1]), df), sd_kt=residual_sd
    )


def _by_day(reference: Side, changed: Side, days: Mapping[str, str], use_rate: bool) -> Difference | None:
    """Least squares with one constant a day, and the entry rate where it can be used.

    Everything is taken as its distance from the mean of its day: the same coefficients and residuals as
    with a column a day, but the work does not grow with the number of days.
    """
    labels = [days.get(run.flight, "") for side in (reference, changed) for run in side.runs]
    blocks, block_of = np.unique(labels, return_inverse=True)
    effects = _effects(reference, changed, use_rate)
    within = [_from_block_mean(column, block_of) for column in effects]
    if any(np.linalg.norm(left) <= 1e-9 * np.linalg.norm(column) for left, column in zip(within, effects)):
        return None  # one configuration or one rate a day: nothing left to tell it by
    design, speeds = np.column_stack(within), _from_block_mean(np.array([*reference.speeds, *changed.speeds]), block_of)
    try:
        beta, covariance, df = least_squares(design, speeds)
    except TooFewCalls:
        return None
    left_df = df - len(blocks)  # each day's mean has taken one
    if left_df < 1:
        return None
    variance = covariance[0, 0] * df / left_df
    return Difference(
        method="covariate+block" if use_rate else "block",
        found=estimate(float(beta[0]), math.sqrt(variance), left_df),
        sd_kt=math.sqrt(variance / _unit_variance(design, 0)),
    )


def _effects(reference: Side, changed: Side, use_rate: bool) -> list[np.ndarray]:
    """Columns of the model: which configuration; how far the entry rate is from 1 kt/s."""
    columns = [np.array([0.0] * len(reference.runs) + [1.0] * len(changed.runs))]
    if use_rate:
        columns.append(np.array([rate - 1.0 for rate in (*reference.rates, *changed.rates)]))
    return columns


def _from_block_mean(column: np.ndarray, block_of: np.ndarray) -> np.ndarray:
    means = np.bincount(block_of, column) / np.bincount(block_of)
    return column - means[block_of]


def _unit_variance(design: np.ndarray, k: int) -> float:
    """Variance of a coefficient for unit noise."""
    return float(np.linalg.inv(design.T @ design)[k, k])


def _by_flight(reference: Side, changed: Side) -> Difference:
    """Pooled t on flight means: the flight, not the run, is what was repeated."""
    a, b = reference.flight_means(), changed.flight_means()
    df = len(a) + len(b) - 2
    pooled = (np.var(a, ddof=1) * (len(a) - 1) + np.var(b, ddof=1) * (len(b) - 1)) / df
    se = math.sqrt(float(pooled) * (1 / len(a) + 1 / len(b)))
    return Difference(
        method="flights",
        found=estimate(float(np.mean(b) - np.mean(a)), se, df),
        sd_kt=_pooled_sd(reference.speeds, changed.speeds),
        holds_flight_spread=True,
    )


def _rates_usable(reference: Side, changed: Side) -> bool:
    rates = [*reference.rates, *changed.rates]
    if None in rates or min(len(reference.runs), len(changed.runs)) < MIN_FOR_COVARIATE:
        return False
    overlap = max(min(reference.rates), min(changed.rates)) < min(max(reference.rates), max(changed.rates))
    spread = math.sqrt((np.var(reference.rates, ddof=1) + np.var(changed.rates, ddof=1)) / 2)
    return overlap and spread >= RATE_SPREAD_KT_PER_S


def _days_shared(reference: Side, changed: Side, days: Mapping[str, str]) -> bool:
    of = [{days.get(flight, "") for flight in side.flights} for side in (reference, changed)]
    return of[0] == of[1] and len(of[0]) > 1 and "" not in of[0]


def _pooled_sd(a: Sequence[float], b: Sequence[float]) -> float:
    df = len(a) + len(b) - 2
    if df < 1:
        return math.nan
    squares = sum((len(x) - 1) * float(np.var(x, ddof=1)) for x in (a, b) if len(x) > 1)
    return math.sqrt(squares / df)

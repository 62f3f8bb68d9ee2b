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
FEWEST_FOR_COVARIATE = 3


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
        return [float(np.mean([v for v, run in zip(self.speeds, self.runs) if run.flight == f])) for f in self.flights]


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """A difference with how it was found: method, estimate, standard deviation of a single run."""

    method: str
    found: Estimate
    sd_kt: float
    holds_flight_spread: bool = False


def difference_of(reference: Side, changed: Side, days: Mapping[str, str]) -> tuple[Difference, ...]:
    """The difference by every method that the data allows; the first is the one reported.

    Parameters
    ----------
    reference : Side
        Two runs or more [-].
    changed : Side
        Two runs or more [-].
    days : mapping of str to str
        Calendar day of each flight [-].

    Returns
    -------
    tuple of Difference
        In order of preference, Welch last [-].

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
        found.append(_model(reference, changed, days, use_rate))
    if len(reference.flights) > 1 and len(changed.flights) > 1:
        found.append(_by_flight(reference, changed))
    if use_rate:
        found.append(_model(reference, changed, None, True))
    plain = welch(reference.speeds, changed.speeds)
    found.append(Difference(method="welch", found=plain, sd_kt=_pooled_sd(reference.speeds, changed.speeds)))
    return tuple(f for f in found if f is not None)


def _model(reference: Side, changed: Side, days: Mapping[str, str] | None, use_rate: bool) -> Difference | None:
    runs = [*reference.runs, *changed.runs]
    columns = [np.ones(len(runs)), np.array([0.0] * len(reference.runs) + [1.0] * len(changed.runs))]
    name = []
    if use_rate:
        columns.append(np.array([run.entry_rate_kt_per_s - 1.0 for run in runs]))
        name.append("covariate")
    if days is not None:
        labels = [days.get(run.flight, "") for run in runs]
        columns += [np.array([float(label == day) for label in labels]) for day in sorted(set(labels))[1:]]
        name.append("block")
    try:
        beta, covariance, df = least_squares(np.column_stack(columns), np.array([*reference.speeds, *changed.speeds]))
    except TooFewCalls:
        return None
    residual_sd = math.sqrt(covariance[1, 1] / _unit_variance(columns))
    return Difference(
        method="+".join(name), found=estimate(float(beta[1]), math.sqrt(covariance[1, 1]), df), sd_kt=residual_sd
    )


def _unit_variance(columns) -> float:
    """Variance of the second coefficient for unit noise."""
    design = np.column_stack(columns)
    return float(np.linalg.inv(design.T @ design)[1, 1])


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
    if None in rates or min(len(reference.runs), len(changed.runs)) < FEWEST_FOR_COVARIATE:
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

"""What a design can show: runs and flights of two configurations, before they are flown or between two runs.

`power_of`, `smallest_difference_kt` and `runs_needed` serve the plan; `design_of` and `enough` say how well a
difference is known now and what one more run, or one more flight, would buy. All of it is the claim that the
comparison makes (`comparison_model`), so that what the plan promises is what the reduction keeps. Pure, numpy
only. Not for: which flight comes next (see `plan.flights`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from logger_app.domain.comparison_model import (
    CONFIDENCE,
    FLIGHT_GRID_KT,
    POWER,
    RUN_GRID_KT,
    Mixture,
    Posterior,
    Prior,
    normal_cdf,
    normal_quantile,
)
from logger_app.units import from_kt, speed_text

USUAL = Prior()
MAX_RUNS = 200
MAX_FLIGHTS = 30
MAX_RUNS_A_FLIGHT = 60
# Scatters that a campaign may turn out to show: so many equally likely values of each sum of squares. Ours.
_OUTCOMES = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Design:
    """Runs of a point on each flight of two configurations. `u_kt` is a run's own uncertainty beside the scatter
    of stalls, `flight_u_kt` that of the weight, common to a flight.
    """

    reference: tuple[int, ...]
    changed: tuple[int, ...]
    u_kt: float = 0.0
    flight_u_kt: float = 0.0

    def one_run_more(self, runs: int = 1) -> Design:
        """So many runs more of each, on the flights with fewest."""
        return replace(self, reference=_spread(self.reference, runs), changed=_spread(self.changed, runs))

    def one_flight_more(self, flights: int = 1) -> Design:
        """So many flights more of each, with as many runs as a flight has now."""
        more = [(round(sum(side) / len(side)) or 1,) * flights for side in (self.reference, self.changed)]
        return replace(self, reference=self.reference + more[0], changed=self.changed + more[1])

    def variance(self, run_sd: np.ndarray, flight_sd: np.ndarray) -> np.ndarray:
        """Variance of the difference for given scatters [kt2]."""
        total = np.zeros(np.shape(run_sd))
        for side in (self.reference, self.changed):
            known = sum(1 / (flight_sd**2 + self.flight_u_kt**2 + (run_sd**2 + self.u_kt**2) / n) for n in side if n)
            total = total + (1 / known if np.ndim(known) or known else math.inf)
        return total


def _spread(runs: tuple[int, ...], more: int) -> tuple[int, ...]:
    filled = list(runs)
    for _ in range(more):
        filled[filled.index(min(filled))] += 1
    return tuple(filled)


@dataclass(frozen=True, slots=True, kw_only=True)
class WhatNext:
    """How well a difference is known, as the half-width of its 95 % interval [kt]: now, and with more."""

    posterior: Posterior
    design: Design
    half_kt: float
    with_run_kt: float
    with_flight_kt: float

    def runs_to_show(self, difference_kt: float) -> int | None:
        """Runs of each configuration, on as many flights as now, that would show a difference; None: flights are needed."""
        most = sum(self.design.reference), sum(self.design.changed)

        def shown(more: int) -> bool:
            return _smallest(self.posterior, self.design.one_run_more(more)) <= difference_kt

        more = _first(shown, MAX_RUNS)
        return None if more is None else max(most) + more

    def flights_to_show(self, difference_kt: float) -> int | None:
        """Flights of each configuration, with as many runs a flight as now; None: not within reason."""
        most = max(len(self.design.reference), len(self.design.changed))

        def shown(more: int) -> bool:
            return _smallest(self.posterior, self.design.one_flight_more(more)) <= difference_kt

        more = _first(shown, MAX_FLIGHTS)
        return None if more is None else most + more


def design_of(posterior: Posterior, design: Design) -> WhatNext:
    """What is known of a difference under a design, and what more would buy, at the scatters learned so far."""
    return WhatNext(
        posterior=posterior,
        design=design,
        half_kt=_half(posterior, design),
        with_run_kt=_half(posterior, design.one_run_more()),
        with_flight_kt=_half(posterior, design.one_flight_more()),
    )


def _mixture(posterior: Posterior, design: Design) -> Mixture:
    sd = np.sqrt(design.variance(posterior.run_sd, posterior.flight_sd))
    return Mixture(weight=posterior.weight, mean=np.zeros(len(sd)), sd=sd)


def _half(posterior: Posterior, design: Design) -> float:
    return _mixture(posterior, design).quantile(0.5 + CONFIDENCE / 2)


def _smallest(posterior: Posterior, design: Design) -> float:
    mixture = _mixture(posterior, design)
    return mixture.quantile(0.5 + CONFIDENCE / 2) + normal_quantile(POWER) * mixture.u


def _first(shown, most: int) -> int | None:
    """The least number from 0 for which something is shown; None above `most`."""
    if not shown(most):
        return None
    low, high = 0, most
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if shown(middle) else (middle + 1, high)
    return low


# ---- before anything is flown ----


@lru_cache(maxsize=4096)
def power_of(
    difference_kt: float,
    flights: tuple[int, int],
    runs: float,
    run_sd_kt: float,
    flight_sd_kt: float,
    prior: Prior = USUAL,
    level: float = CONFIDENCE,
) -> float:
    """Chance that the comparison claims a true difference.

    Parameters
    ----------
    difference_kt : float
        True difference [kt].
    flights : (int, int)
        Flights of each configuration, one at least.
    runs : float
        Runs of the point on each flight; their mean where they do not divide.
    run_sd_kt : float
        True scatter of repeated runs, reading included [kt].
    flight_sd_kt : float
        True scatter of flights [kt].

    Notes
    -----
    The claim depends on the difference seen and on two sums of squares, within and between flights. They are
    chi-square distributed: for each of several equally likely pairs the half-width of the interval is worked out
    as the comparison would, then the chance to lie beyond it. Exact but for the steps.
    """
    within, between = int(sum(flights) * (runs - 1)), sum(flights) - 2
    s, tau = (grid.ravel() for grid in np.meshgrid(RUN_GRID_KT, FLIGHT_GRID_KT, indexing="ij"))
    log_prior = prior.log_density().ravel()
    mean_variance = s**2 / runs + tau**2  # of a flight's mean
    seen_variance = run_sd_kt**2 / runs + flight_sd_kt**2
    share = 1 / flights[0] + 1 / flights[1]
    found = []
    for inside in _sums_of_squares(within, run_sd_kt**2):
        base = log_prior - within * np.log(s) - inside / (2 * s**2)
        for outside in _sums_of_squares(between, seen_variance):
            log_weight = base - between / 2 * np.log(mean_variance) - outside / (2 * mean_variance)
            weight = np.exp(log_weight - log_weight.max())
            kept = weight > 1e-6
            sd = np.sqrt(share * mean_variance[kept])
            half = Mixture(weight=weight[kept] / weight[kept].sum(), mean=np.zeros(len(sd)), sd=sd).quantile(
                0.5 + level / 2
            )
            z = np.array([difference_kt - half, -difference_kt - half]) / math.sqrt(share * seen_variance)
            found.append(float(normal_cdf(z).sum()))
    return float(np.mean(found))


def _sums_of_squares(freedom: int, variance: float) -> list[float]:
    """Equally likely sums of squares of so many degrees of freedom; nothing seen where there are none."""
    if not freedom:
        return [0.0]
    return [variance * _chi_square(freedom, (k + 0.5) / _OUTCOMES) for k in range(_OUTCOMES)]


@lru_cache(maxsize=1024)
def smallest_difference_kt(
    flights: tuple[int, int], runs: float, run_sd_kt: float, flight_sd_kt: float, prior: Prior = USUAL
) -> float:
    """Smallest true difference that a design shows four times out of five [kt]; infinite with a run a side only."""
    if min(flights) * runs < 2:
        return math.inf
    low, high = 0.0, 1.0
    while power_of(high, flights, runs, run_sd_kt, flight_sd_kt, prior) < POWER and high < 64:
        low, high = high, 2 * high
    for _ in range(12):
        middle = (low + high) / 2
        shown = power_of(middle, flights, runs, run_sd_kt, flight_sd_kt, prior) >= POWER
        low, high = (low, middle) if shown else (middle, high)
    return high


@lru_cache(maxsize=1024)
def runs_needed(
    difference_kt: float, flights: int, run_sd_kt: float, flight_sd_kt: float, prior: Prior = USUAL
) -> int | None:
    """Runs of a point on each of so many flights of each configuration to show a difference four times out of five.

    None when no number of runs does: flights are needed.
    """
    least = 1 if flights > 1 else 2

    def shown(more: int) -> bool:
        runs = least + more
        return power_of(difference_kt, (flights, flights), runs, run_sd_kt, flight_sd_kt, prior) >= POWER

    more = _first(shown, MAX_RUNS_A_FLIGHT)
    return None if more is None else least + more


def _chi_square(freedom: int, share: float) -> float:
    """Quantile of a chi-square variable: Wilson and Hilferty's cube, exact enough for steps [WILSON1931]."""
    a = 2 / (9 * freedom)
    if freedom > 2:
        return freedom * max(1 - a + normal_quantile(share) * math.sqrt(a), 0.02) ** 3
    return -2 * math.log(1 - share) if freedom == 2 else normal_quantile(0.5 + share / 2) ** 2


# ---- between two runs ----


def enough(posterior: Posterior, flown: Design, now: int) -> tuple[float, float, float] | None:
    """Enough, or one more? While a flight of `changed` is under way, as half-widths of the 95 % interval [kt].

    Parameters
    ----------
    flown : Design
        What was flown before this flight.
    now : int
        Runs of the point on this flight that count so far.

    Returns
    -------
    tuple of float or None
        Now, with one more run on this flight, with one more flight of each. None with fewer than two runs of
        either: nothing can be shown yet.
    """

    def with_this(runs: int) -> Design:
        return replace(flown, changed=(*flown.changed, runs) if runs else flown.changed)

    if min(sum(flown.reference), sum(flown.changed) + now) < 2:
        return None
    designs = with_this(now), with_this(now + 1), with_this(now).one_flight_more()
    half, run, flight = (_half(posterior, design) for design in designs)
    return half, run, flight


def enough_in_words(half_kt: float, run_kt: float, flight_kt: float, wanted_kt: float, unit: str = "kt") -> str:
    """One sentence: known to, one more run, one more flight, and which of them is worth it.

    Examples
    --------
    >>> enough_in_words(1.4, 1.3, 0.9, 1.0)
    'known to ±1.4 kt; one more run of each ±1.3, one more flight of each ±0.9: a flight is worth more than runs'
    """
    known = f"known to ±{speed_text(half_kt, unit)}"
    if half_kt <= wanted_kt:
        return f"{known}: enough to tell {speed_text(wanted_kt, unit, '.2g')} from nothing"
    more = f"{known}; one more run of each ±{from_kt(run_kt, unit):.1f}, one more flight of each ±{from_kt(flight_kt, unit):.1f}"
    gains = half_kt - run_kt, half_kt - flight_kt
    if gains[0] < 0.5 * gains[1]:
        return f"{more}: a flight is worth more than runs"
    return f"{more}: one more run pays"

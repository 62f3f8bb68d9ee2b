"""Runs and flights against an independent library: the comparison's power, its beliefs taken away, is that of the t test.

Rows ST_n_* of common handbooks: two-sample t test, 80 % power, 5 % two-sided, equal numbers, from the noncentral t
distribution: 9 runs each for 1.0 kt with a standard deviation of 0.7 kt, 4 for 2.0 with 0.7, 17 for 1.0 with 1.0.
Reference library: statsmodels, `TTestIndPower`. Without a prior and without a scatter of flights our claim is that
test; its power is integrated in steps, hence a tolerance of 2 points.
"""

import math

import pytest
from statsmodels.stats.power import TTestIndPower

from logger_app.domain.design import Prior, power_of, runs_needed

NO_BELIEF = Prior(run_sd_log_sd=math.inf, flight_sd_kt=0.0)


@pytest.mark.parametrize(("difference", "scatter", "runs"), [(1.0, 0.7, 9), (2.0, 0.7, 4), (1.0, 1.0, 17)])
def test_printed_numbers_of_repeats(difference, scatter, runs):
    assert abs(runs_needed(difference, 1, scatter, 0.0, NO_BELIEF) - runs) <= (1 if runs > 10 else 0)


@pytest.mark.parametrize("runs", [3, 4, 6, 9, 20])
@pytest.mark.parametrize("effect", [0.5, 1.0, 2.0])
def test_power_agrees_with_statsmodels(runs, effect):
    theirs = TTestIndPower().power(effect_size=effect, nobs1=runs, alpha=0.05)

    assert power_of(0.7 * effect, (1, 1), runs, 0.7, 0.0, NO_BELIEF) == pytest.approx(theirs, abs=0.025)


@pytest.mark.parametrize("flights", [6, 10])
def test_with_one_run_a_flight_power_is_that_of_a_t_test_on_flights(flights):
    """Every scatter of flights as likely as every other costs about a degree of freedom, hence many flights."""
    theirs = TTestIndPower().power(effect_size=1.5, nobs1=flights, alpha=0.05)
    unknown = Prior(run_sd_kt=0.05, run_sd_log_sd=0.1, flight_sd_kt=math.inf)

    ours = power_of(1.5 * math.hypot(0.6, 0.05), (flights, flights), 1, 0.05, 0.6, unknown)
    assert ours == pytest.approx(theirs, abs=0.06)

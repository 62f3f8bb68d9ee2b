"""Runs per configuration, against printed figures and an independent library.

Rows ST_n_*: two-sample t test, 80 % power, 5 % two-sided, equal numbers, from the noncentral t
distribution: 9 runs each for 1.0 kt with a standard deviation of 0.7 kt, 4 for 2.0 with 0.7, 17
for 1.0 with 1.0. Reference library: statsmodels, `TTestIndPower`.
"""

import math

import pytest
from statsmodels.stats.power import TTestIndPower

from logger_app.plan.repeats import runs_needed, smallest_difference_kt


@pytest.mark.parametrize(("difference", "scatter", "runs"), [(1.0, 0.7, 9), (2.0, 0.7, 4), (1.0, 1.0, 17)])
def test_printed_numbers_of_repeats(difference, scatter, runs):
    assert runs_needed(difference, scatter) == runs


# Up to five standard deviations: beyond, the reference does not converge.
PAIRS = [(d, s) for d in (0.5, 0.8, 1.0, 1.5, 2.0, 3.0) for s in (0.3, 0.7, 1.0, 1.8) if d / s <= 5]


@pytest.mark.parametrize(("difference", "scatter"), PAIRS)
def test_numbers_of_repeats_agree_with_statsmodels(difference, scatter):
    exact = TTestIndPower().solve_power(effect_size=difference / scatter, power=0.8, alpha=0.05)

    assert runs_needed(difference, scatter) == max(2, math.ceil(exact - 1e-6))


@pytest.mark.parametrize("runs", [2, 3, 4, 6, 9, 20])
def test_smallest_difference_agrees_with_statsmodels(runs):
    effect = TTestIndPower().solve_power(nobs1=runs, power=0.8, alpha=0.05)

    assert smallest_difference_kt(runs, 0.7) == pytest.approx(0.7 * effect, rel=1e-4)

"""Means of values of which only brackets are known, against a reference library.

lifelines (C. Davidson-Pilon, JOSS 4(40), 2019), `LogNormalFitter.fit_interval_censoring`: maximum likelihood of a
log-normal distribution from intervals. The logarithm of a log-normal value is normal, so that our normal fit of the
logarithms of the bounds must give its mu and sigma.
"""

import math

import lifelines
import numpy as np
import pytest

from logger_app.domain.tufts import censored_normal


def brackets(seed, n, width):
    rng = np.random.default_rng(seed)
    truth = rng.normal(52, 2.0, n)
    low = truth - rng.uniform(0.2, width, n)
    return low, low + width


@pytest.mark.parametrize(("seed", "n", "width"), [(1, 12, 1.0), (2, 8, 2.0), (3, 30, 3.0)])
def test_intervals_agree_with_lifelines(seed, n, width):
    low, high = brackets(seed, n, width)
    fitter = lifelines.LogNormalFitter().fit_interval_censoring(low, high)
    mean, sd = censored_normal([(math.log(a), math.log(b)) for a, b in zip(low, high)])

    assert mean == pytest.approx(fitter.mu_, abs=2e-4)
    assert sd == pytest.approx(fitter.sigma_, rel=0.02)


def test_open_intervals_agree_with_lifelines():
    """Never seen separated: below the slowest speed, down to nought; separated at the first look: above it, without end."""
    low, high = brackets(4, 14, 2.0)
    low[:2], high[2:4] = 1e-9, np.inf
    fitter = lifelines.LogNormalFitter().fit_interval_censoring(low, high)
    ours = [(None if a < 1 else math.log(a), None if math.isinf(b) else math.log(b)) for a, b in zip(low, high)]
    mean, sd = censored_normal(ours)

    assert mean == pytest.approx(fitter.mu_, abs=5e-4)
    assert sd == pytest.approx(fitter.sigma_, rel=0.03)


def test_exact_values_have_the_mean_and_the_spread_of_a_textbook():
    """As brackets narrow, the maximum likelihood of a normal sample: the mean, and the root mean square about it."""
    values = [50.0, 51.5, 53.0, 54.5]
    mean, sd = censored_normal([(v - 1e-3, v + 1e-3) for v in values])

    assert mean == pytest.approx(np.mean(values), abs=1e-3)
    assert sd == pytest.approx(np.std(values), abs=1e-3)

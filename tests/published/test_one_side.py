"""One wing as the control: exact intervals and paired differences against printed tables and statsmodels."""

import pytest
from statsmodels.stats.proportion import proportion_confint

from logger_app.domain.binomial import clopper_pearson
from logger_app.reduce.one_side import paired_stations


@pytest.mark.parametrize("happened, n", [(0, 5), (1, 1), (9, 10), (7, 8), (50, 400)])
def test_the_exact_interval_is_statsmodels(happened, n):
    """statsmodels 0.14 proportion_confint(method="beta")."""
    assert clopper_pearson(happened, n) == pytest.approx(proportion_confint(happened, n, method="beta"), abs=1e-12)


def test_the_exact_interval_is_that_of_a_printed_table():
    """Geigy Scientific Tables, exact 95 % limits of a proportion, n = 10: 9 of 10 is 55.50 to 99.75 % (from memory)."""
    low, high = clopper_pearson(9, 10)

    assert (round(100 * low, 2), round(100 * high, 2)) == (55.50, 99.75)


def test_paired_differences_are_those_of_the_sleep_data():
    """Student (1908), section IX, and the example of R's t.test(paired = TRUE) on the same data: mean of the differences
    1.58, 95 % interval 0.7001142 to 2.4598858."""
    first = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
    second = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]

    (pair,) = paired_stations([{"50/20": ((a, a), (b, b))} for a, b in zip(first, second)], fitted_side="left")

    assert (pair.n, pair.difference_ias_kt) == (10, pytest.approx(1.58))
    assert (pair.low_kt, pair.high_kt) == (pytest.approx(0.7001142, abs=5e-8), pytest.approx(2.4598858, abs=5e-8))

"""Statistics against printed values, scipy and statsmodels."""

import math

import numpy as np
import pytest
from scipy import stats

from logger_app.domain.binomial import counts_differ_p
from logger_app.errors import BadQuantity, OutsideValidity, TooFewCalls
from logger_app.records.plan import Indicator
from logger_app.reduce.stall_speed import resolution_u_kt
from logger_app.reduce.statistics import (
    combine_uncertainties,
    estimate,
    least_squares,
    line_at,
    mean_interval,
    weighted_mean,
    welch,
)

# Two-sided 95 % points of Student's t, as in any standard table: df, t.
STUDENT = [(2, 4.303), (3, 3.182), (4, 2.776), (5, 2.571), (7, 2.365), (9, 2.262)]
A, B = [48.0, 49.0, 47.5, 48.5, 48.0], [45.5, 46.5, 46.0, 45.0, 46.0]
RATE, VS = [0.6, 0.8, 1.0, 1.2, 1.5, 1.9], [49.3, 49.0, 48.7, 48.5, 48.0, 47.4]


@pytest.mark.parametrize("confidence, factor", [(0.95, 1.960), (0.99, 2.576)])
def test_normal_factors(confidence, factor):
    # NIST TN 1297 sec. 4.3, nist.gov/pml/nist-technical-note-1297.
    assert estimate(0.0, 1.0, math.inf, confidence).high == pytest.approx(factor, abs=0.0005)


@pytest.mark.parametrize("df, factor", STUDENT)
def test_student_factors(df, factor):
    assert estimate(0.0, 1.0, df).high == pytest.approx(factor, abs=0.001)


def test_uncertainty_of_a_whole_knot_call():
    # Uniform of full width 1: 1/sqrt(12); GUM 4.3.7 and NIST TN 1297 4.6 (from memory).
    assert resolution_u_kt(Indicator(graduation=1)) == pytest.approx(0.2887, abs=1e-4)


@pytest.mark.parametrize("graduation, low, high", [(2, 0.28, 0.31), (5, 0.68, 0.73)])
def test_uncertainty_of_coarser_dials(graduation, low, high):
    # Read to the half division: about 0.3 to 0.7 kt.
    assert low < resolution_u_kt(Indicator(graduation=graduation)) < high


def test_interval_of_a_mean():
    found = mean_interval(A)

    assert (found.value, found.high - found.value) == (pytest.approx(48.2, abs=1e-3), pytest.approx(0.708, abs=1e-3))
    theirs = stats.t.interval(0.95, 4, np.mean(A), stats.sem(A))
    assert (found.low, found.high) == pytest.approx(theirs, abs=1e-9)


def test_welch_difference():
    found = welch(B, A)

    assert found.value == pytest.approx(2.400, abs=1e-3)
    assert found.value / found.se == pytest.approx(6.6564, abs=1e-3)
    assert found.df == pytest.approx(8.000, abs=1e-3)
    assert found.p == pytest.approx(0.00016, abs=1e-5)
    assert (found.low, found.high) == pytest.approx((1.569, 3.231), abs=1e-3)


def test_regression_to_1_kt_per_s():
    found, slope = line_at(RATE, VS, 1.0)

    assert found.value == pytest.approx(48.7250, abs=5e-4)
    assert slope == pytest.approx(-1.4500, abs=5e-4)
    assert found.se == pytest.approx(0.0162, abs=5e-4)
    assert found.high - found.value == pytest.approx(0.0450, abs=5e-4)


@pytest.mark.parametrize("seed", range(20))
def test_welch_against_scipy(seed):
    rng = np.random.default_rng(seed)
    a, b = rng.normal(48, 0.6, rng.integers(2, 9)), rng.normal(46.5, 1.1, rng.integers(2, 9))
    theirs = stats.ttest_ind(b, a, equal_var=False)
    interval = theirs.confidence_interval(0.95)

    found = welch(a, b)

    assert found.p == pytest.approx(theirs.pvalue, abs=1e-9)
    assert found.df == pytest.approx(theirs.df, abs=1e-9)
    assert (found.low, found.high) == pytest.approx((interval.low, interval.high), abs=1e-9)


@pytest.mark.parametrize("seed", range(5))
def test_covariate_model_against_statsmodels(seed):
    import statsmodels.api as sm

    rng = np.random.default_rng(seed)
    changed = np.repeat([0.0, 1.0], 6)
    rate = rng.uniform(0.6, 1.6, 12)
    day = np.tile([0.0, 1.0], 6)
    y = 49 - 1.2 * changed - 0.9 * (rate - 1) + 0.4 * day + rng.normal(0, 0.4, 12)
    design = np.column_stack([np.ones(12), changed, rate - 1, day])
    theirs = sm.OLS(y, design).fit()

    beta, covariance, df = least_squares(design, y)
    found = estimate(beta[1], math.sqrt(covariance[1, 1]), df)

    assert beta == pytest.approx(theirs.params, abs=1e-9)
    assert np.sqrt(np.diag(covariance)) == pytest.approx(theirs.bse, abs=1e-9)
    assert found.p == pytest.approx(theirs.pvalues[1], abs=1e-9)
    assert (found.low, found.high) == pytest.approx(tuple(theirs.conf_int()[1]), abs=1e-9)


def test_line_against_statsmodels_mean_response():
    import statsmodels.api as sm

    theirs = sm.OLS(VS, sm.add_constant(np.array(RATE))).fit().get_prediction([[1.0, 1.0]]).summary_frame()

    found, _ = line_at(RATE, VS, 1.0)

    assert found.value == pytest.approx(theirs["mean"][0], abs=1e-9)
    assert (found.low, found.high) == pytest.approx((theirs["mean_ci_lower"][0], theirs["mean_ci_upper"][0]), abs=1e-9)


@pytest.mark.parametrize(
    "table",
    [((3, 1), (0, 5)), ((2, 2), (2, 2)), ((6, 0), (1, 4)), ((1, 0), (0, 1)), ((7, 3), (2, 9)), ((5, 12), (11, 4))],
)
def test_wing_drops_and_their_sides_against_scipy(table):
    assert counts_differ_p(*table) == pytest.approx(stats.fisher_exact(table)[1], abs=1e-9)


def test_effective_degrees_of_freedom_by_hand():
    # Welch-Satterthwaite, NIST TN 1297 app. B.3: u^4 / (u1^4/4 + u2^4/9), by hand.
    u, df = combine_uncertainties([(0.09, 4), (0.16, 9), (0.04, math.inf)])

    assert u == pytest.approx(math.sqrt(0.29))
    assert df == pytest.approx(0.29**2 / (0.09**2 / 4 + 0.16**2 / 9))


@pytest.mark.parametrize("call", [lambda: estimate(1.0, -0.1, 5), lambda: estimate(1.0, 0.1, 0)])
def test_what_has_no_answer_is_refused(call):
    with pytest.raises(BadQuantity):
        call()


def test_too_few_values_are_refused():
    for call in (
        lambda: mean_interval([1.0]),
        lambda: welch([1.0], [1.0, 2.0]),
        lambda: line_at([1, 1, 1], [1, 2, 3], 1),
    ):
        with pytest.raises(TooFewCalls):
            call()
    with pytest.raises(OutsideValidity):
        line_at([0.5, 0.7, 0.9], [49, 48.8, 48.6], 1.0)


def test_as_many_values_as_coefficients_settle_nothing():
    with pytest.raises(TooFewCalls):
        line_at([0.5, 1.5], [49, 48], 1.0)


def test_a_value_without_scatter_is_certain():
    assert (estimate(0.0, 0.0, 3).p, estimate(1.0, 0.0, 3).p) == (1.0, 0.0)
    assert combine_uncertainties([(0.0, 4), (0.0, 2)]) == (0.0, 2)
    assert combine_uncertainties([]) == (0.0, math.inf)


def test_a_line_is_read_at_the_very_ends_of_what_was_flown():
    for at in (0.6, 1.9):
        assert math.isfinite(line_at(RATE, VS, at)[0].value)


def test_a_weighted_mean_against_statsmodels_combine_effects():
    from statsmodels.stats.meta_analysis import combine_effects

    values, u = np.array([1.31, 1.36, 1.27, 1.33]), np.array([0.02, 0.05, 0.02, 0.03])
    theirs = combine_effects(values, u**2, method_re="dl")

    value, found_u = weighted_mean(values, u)
    assert value == pytest.approx(theirs.mean_effect_re, abs=1e-6)
    assert found_u == pytest.approx(theirs.sd_eff_w_re, abs=1e-6)
    # One wild value does not own the mean, whatever it says of itself.
    assert weighted_mean([*values, 2.5], [*u, 0.02])[0] < 1.4

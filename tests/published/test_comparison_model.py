"""The comparison's model against an independent library and printed results.

*Dyestuff*: 6 batches of 5 yields (Davies and Goldsmith 1972, table 6.3; Box and Tiao 1973, ch. 5), data as printed in
raw.githubusercontent.com/dmbates/slides, 2014-10-01-Ithaca, "lmm Examples". A public course book ("Hierarchical
(mixed) models", section "One-factor layout: Dyestuff data") prints the restricted likelihood fit of the R package lme4:
batch standard deviation 42.00, residual 49.51, mean 1527.50 with a standard error of 19.38, and Satterthwaite's 5.00
degrees of freedom from package lmerTest, 95 % from 1477.682 to 1577.318.
*Pots*: 4 chambers, 2 of each CO2, 6 nutrients in each: four flights A-B-B-A of six points. The R package lmerTest prints
the fit of biomass to CO2 * nutrients + (1 | chamber) in the output of its own test (win-builder.r-project.org, lmerTest
3.2-0, tests/zlmerTest_zeroDenom.Rout): standard deviation of chambers 0.4936 (variance 0.2437), residual 1.2568 (1.5797);
CO2 at the first nutrient 2.0000, standard error 1.3503, Satterthwaite's 11.0163 degrees of freedom, p 0.166595; second
nutrient against first 7.3500, 1.2568, 10.0000, p 0.000162. The 24 yields are not printed. In a balanced design all
of this rests on the means and two mean squares, which these figures give; the yields below are made to have just those.
Of Kenward-Roger degrees of freedom no printed table of one random factor with unequal groups and its data was found; in
balanced designs like these they are Satterthwaite's (from memory).
*Sleep*: Student (1908), 10 and 10 hours of extra sleep. Output of the R package TOSTER printed in a public course's
answers ("Equivalence Test", bounds -1 and 1): Welch t -1.8608, 17.776 degrees of freedom, p 0.0794; lower test t -0.683,
p 0.7483, upper test t -3.039, p 0.00357. Many public pages print the same Welch line.
"""

import math

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import minimize

from logger_app.domain.comparison_model import Posterior, Prior, RunData

DYESTUFF = (
    (1545, 1440, 1440, 1520, 1580),
    (1540, 1555, 1490, 1560, 1495),
    (1595, 1550, 1605, 1510, 1560),
    (1445, 1440, 1595, 1465, 1545),
    (1595, 1630, 1515, 1635, 1625),
    (1520, 1455, 1450, 1480, 1445),
)
SCALE = 50.0  # grams of yield to a knot, so that the scatters lie in the grid
PLACEBO = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
DRUG = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]
NO_BELIEF = {"run_sd_log_sd": math.inf, "slope": (0.0, 1e-6)}


def run_data(cell, flight, speed, rate=None):
    n = len(speed)
    rates = np.ones(n) if rate is None else np.asarray(rate, float)
    return RunData(
        cell=np.asarray(cell),
        flight=np.asarray(flight),
        speed_kt=np.asarray(speed, float),
        u_kt=np.zeros(n),
        rate_kt_per_s=rates,
        flight_u_kt=np.zeros(int(max(flight)) + 1),
    )


def most_likely(posterior):
    found = minimize(lambda p: -posterior.log_likelihood(*np.exp(p)), [-0.1, -0.1], method="Nelder-Mead",
                     options={"xatol": 1e-8, "fatol": 1e-10})  # fmt: skip
    return np.exp(found.x)


@pytest.fixture(scope="module")
def dyestuff():
    yields = np.array(DYESTUFF, float).ravel() / SCALE
    data = run_data(np.zeros(30, int), np.repeat(np.arange(6), 5), yields)
    return Posterior(data, Prior(flight_sd_kt=math.inf, **NO_BELIEF))


def test_restricted_likelihood_gives_the_printed_standard_deviations(dyestuff):
    residual, batch = SCALE * most_likely(dyestuff)

    assert batch == pytest.approx(42.00, abs=0.005)
    assert residual == pytest.approx(49.51, abs=0.005)


def test_the_mean_has_the_printed_standard_error_at_those_scatters(dyestuff):
    at = Posterior(dyestuff.data, Prior(run_sd_kt=49.51 / SCALE, run_sd_log_sd=1e-3, flight_sd_kt=42.00 / SCALE))
    mean = at.change([0], [])  # the mean itself: nothing is taken away
    chosen = np.argmin((at.run_sd * SCALE - 49.51) ** 2 + (at.flight_sd * SCALE - 42.00) ** 2)

    assert SCALE * mean.value == pytest.approx(1527.50, abs=0.01)
    assert SCALE * mean.sd[chosen] == pytest.approx(19.38, rel=0.05)  # on the grid, not between its points


def test_without_beliefs_the_interval_is_near_that_with_the_printed_degrees_of_freedom(dyestuff):
    low, high = dyestuff.change([0], []).interval()
    printed = (1577.318 - 1477.682) / 2  # Satterthwaite, 5 degrees of freedom

    # Every scatter of batches as likely as every other costs about a degree of freedom: t with 4 of them, 53.8.
    assert printed < SCALE * (high - low) / 2 < 1.2 * printed


NUTRIENT_MEANS = (12.85, 20.20, 23.30, 31.50, 37.90, 41.85)
CO2_EFFECT = 2.0  # the same at every nutrient: only the first is asked about


def pots(prior):
    chamber = math.sqrt(2 * (1.5797 + 6 * 0.2437) / 24)  # two degrees of freedom
    pot = math.sqrt(10 * 1.5797 / 24)
    made = [
        (6 * co2 + n, 2 * co2 + k, mean + CO2_EFFECT * co2 + sign * (chamber + pot * (-1) ** n))
        for co2 in (0, 1)
        for k, sign in enumerate((1, -1))
        for n, mean in enumerate(NUTRIENT_MEANS)
    ]
    cell, flight, yields = zip(*made)
    return Posterior(run_data(cell, flight, yields), prior)


def half_width(mixture):
    low, high = mixture.interval()
    return (high - low) / 2


def test_four_flights_of_six_points_have_the_printed_standard_deviations():
    residual, chamber = most_likely(pots(Prior(flight_sd_kt=math.inf, **NO_BELIEF)))

    assert chamber == pytest.approx(0.4936, abs=0.0002)
    assert residual == pytest.approx(1.2568, abs=0.0002)


def test_within_a_flight_the_interval_is_the_printed_one():
    nutrient = pots(Prior(flight_sd_kt=math.inf, **NO_BELIEF)).change([1], [0])

    assert nutrient.value == pytest.approx(7.35)
    assert half_width(nutrient) == pytest.approx(1.2568 * stats.t.ppf(0.975, 10.0), rel=0.02)
    assert nutrient.p_against_zero() == pytest.approx(0.000162, abs=0.00005)


@pytest.mark.parametrize("belief_of_runs", [NO_BELIEF, {"slope": (0.0, 1e-6)}])
def test_between_flights_the_usual_belief_gives_nearly_the_printed_interval(belief_of_runs):
    co2 = pots(Prior(**belief_of_runs)).change([6], [0])
    printed = 1.3503 * stats.t.ppf(0.975, 11.0163)

    # Chambers differ by 0.49 here where 0.35 is believed of flights, pots by 1.26 where 0.7 is believed of runs.
    assert co2.value == pytest.approx(2.0)
    assert half_width(co2) == pytest.approx(printed, rel=0.04)
    assert co2.p_against_zero() == pytest.approx(0.166595, abs=0.012)


def test_without_any_belief_two_flights_a_side_hardly_bound_the_change():
    co2 = pots(Prior(flight_sd_kt=math.inf, **NO_BELIEF)).change([6], [0])

    # Two degrees of freedom between chambers: every scatter as likely as every other leaves it nearly open.
    assert half_width(co2) > 1.5 * 1.3503 * stats.t.ppf(0.975, 11.0163)


@pytest.mark.parametrize("seed", range(4))
def test_scatters_and_difference_agree_with_statsmodels_mixed_model(seed):
    import statsmodels.api as sm

    rng = np.random.default_rng(seed)
    flight = np.repeat(np.arange(8), rng.integers(2, 7, 8))
    cell = flight % 2
    rate = rng.uniform(0.6, 1.4, len(flight))
    speed = 48 - 1.5 * cell - 0.8 * (rate - 1) + rng.normal(0, 0.6, 8)[flight] + rng.normal(0, 0.5, len(flight))
    design = np.column_stack([np.ones(len(speed)), cell, rate - 1])
    theirs = sm.MixedLM(speed, design, groups=flight).fit(reml=True)

    data = run_data(cell, flight, speed, rate)
    posterior = Posterior(data, Prior(run_sd_log_sd=math.inf, flight_sd_kt=math.inf, slope=(0.0, 1e3)))
    run_sd, flight_sd = most_likely(posterior)

    assert run_sd == pytest.approx(math.sqrt(theirs.scale), rel=2e-3)
    assert flight_sd == pytest.approx(math.sqrt(float(np.asarray(theirs.cov_re)[0, 0])), rel=5e-3)
    there = posterior._solve(posterior._sums(np.full(len(speed), 1 / run_sd**2)), np.array([flight_sd]))
    difference = there.beta[0][1] - there.beta[0][0] + posterior._middle[1] - posterior._middle[0]
    u = math.sqrt(np.array([-1, 1, 0]) @ there.covariance[0] @ np.array([-1, 1, 0]))
    assert difference == pytest.approx(theirs.params[1], abs=2e-3)
    assert u == pytest.approx(theirs.bse[1], rel=2e-2)  # theirs is from a numeric curvature


@pytest.mark.parametrize("seed", range(4))
def test_one_flight_each_without_beliefs_is_students_t(seed):
    rng = np.random.default_rng(seed)
    sides = rng.normal(48.0, 0.7, 4), rng.normal(46.5, 0.7, 6)
    cell = np.repeat([0, 1], [4, 6])
    found = Posterior(run_data(cell, cell, np.concatenate(sides)), Prior(flight_sd_kt=0.0, **NO_BELIEF))
    theirs = stats.ttest_ind(sides[1], sides[0])

    assert found.change([1], [0]).interval() == pytest.approx(tuple(theirs.confidence_interval(0.95)), abs=2e-4)
    assert found.change([1], [0]).p_against_zero() == pytest.approx(theirs.pvalue, abs=1e-4)
    assert found.flown([1], [0], [1], [0]).interval() == pytest.approx(found.change([1], [0]).interval(), abs=1e-6)


def test_the_one_sided_question_against_the_printed_equivalence_test():
    cell = np.repeat([0, 1], 10)
    found = Posterior(run_data(cell, cell, PLACEBO + DRUG), Prior(flight_sd_kt=0.0, **NO_BELIEF)).change([0], [1])

    assert found.value == pytest.approx(-1.58, abs=0.005)
    assert found.p_against_zero() == pytest.approx(0.0794, abs=0.002)  # equal scatters here, Welch's there
    assert found.below(-1.0) == pytest.approx(0.7483, abs=0.003)  # lower test: is it above -1?
    assert 1 - found.below(1.0) == pytest.approx(0.00357, abs=0.0005)  # upper test: is it below 1?

"""Comparisons: which method, what is left in the interval, and what may be said."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from logger_app.records.plan import AircraftConfig, Change
from logger_app.records.results import BudgetTerm, StallSpeed
from logger_app.records.runs import StallEvent
from logger_app.reduce.compare import compare_all
from logger_app.reduce.words import summary


def run(k, speed, configuration="base", flight=None, point="A1", rate=1.0, weight_u=0.0, **over):
    terms = (BudgetTerm(name="weight", u_kt=weight_u, kind="systematic"),) if weight_u else ()
    base = StallSpeed(
        run=f"r{k}",
        run_number=k,
        flight=flight or configuration,
        configuration=configuration,
        point=point,
        event=StallEvent.PITCH_DOWN,
        method="fit",
        counts=True,
        vs_ias_kt=speed - 3,
        vs_cas_kt=speed,
        vs_std_kt=speed,
        bases=(("raw", speed, 0.5),),
        entry_rate_kt_per_s=rate,
        wing_drop="none",
        budget=terms,
    )
    return replace(base, **over)


def side(speeds, configuration="base", **over):
    return [run(k, v, configuration, **over) for k, v in enumerate(speeds)]


A, B = [48.0, 49.0, 47.5, 48.5, 48.0], [45.5, 46.5, 46.0, 45.0, 46.0]


def only(make, runs, days=None, campaign=None):
    (found,) = compare_all(campaign or make.campaign(), runs, days)
    return found


def test_without_spread_in_the_rates_it_is_welch_to_the_last_digits(make):
    found = only(make, side(A) + side(B, "cuffs"))
    theirs = stats.ttest_ind(B, A, equal_var=False)

    assert found.method == "welch"
    assert found.p == pytest.approx(theirs.pvalue, abs=1e-9)
    interval = theirs.confidence_interval(0.95)
    assert (found.low_kt, found.high_kt) == pytest.approx((interval.low, interval.high), abs=1e-9)
    assert found.verdict == "lower"
    assert found.words == "lower by 2.4 kt, 1.6 to 3.2 (95 %), at idle, flap 0, wings level"


def test_with_overlapping_spread_rates_the_covariate_model_agrees_with_statsmodels(make):
    import statsmodels.api as sm

    rates = [0.7, 0.9, 1.1, 1.3, 1.0]
    runs = [replace(r, entry_rate_kt_per_s=v) for r, v in zip(side(A), rates)]
    runs += [replace(r, entry_rate_kt_per_s=v) for r, v in zip(side(B, "cuffs"), rates[::-1])]
    design = np.column_stack([np.ones(10), [0] * 5 + [1] * 5, np.array(rates + rates[::-1]) - 1])
    theirs = sm.OLS(A + B, design).fit()

    found = only(make, runs)

    assert found.method == "covariate"
    assert found.difference_kt == pytest.approx(theirs.params[1], abs=1e-9)
    assert (found.low_kt, found.high_kt) == pytest.approx(tuple(theirs.conf_int()[1]), abs=1e-9)
    assert [m[0] for m in found.alternatives] == ["welch"]


def test_rates_that_do_not_overlap_are_not_adjusted_for_and_that_is_said(make):
    runs = [replace(r, entry_rate_kt_per_s=0.6 + 0.05 * k) for k, r in enumerate(side(A))]
    runs += [replace(r, entry_rate_kt_per_s=1.2 + 0.05 * k) for k, r in enumerate(side(B, "cuffs"))]

    found = only(make, runs)

    assert found.method == "welch"
    assert any("entry rates differ by +0.60" in note for note in found.notes)


def test_several_flights_of_each_are_compared_by_flight(make):
    runs = side(A[:3], flight="f1") + side(A[2:], flight="f2") + side(B[:3], "cuffs", flight="f3") + side(B[2:], "cuffs", flight="f4")
    means = [np.mean(A[:3]), np.mean(A[2:])], [np.mean(B[:3]), np.mean(B[2:])]

    found = only(make, runs)

    assert (found.method, found.df) == ("flights", 2)
    assert found.p == pytest.approx(stats.ttest_ind(means[1], means[0]).pvalue, abs=1e-9)
    assert any("flight means" in note for note in found.notes)


def test_days_on_which_both_flew_are_blocks(make):
    import statsmodels.api as sm

    runs = side(A[:3], flight="f1") + side(A[2:], flight="f2") + side(B[:3], "cuffs", flight="f3") + side(B[2:], "cuffs", flight="f4")
    days = {"f1": "d1", "f3": "d1", "f2": "d2", "f4": "d2"}
    y = A[:3] + A[2:] + B[:3] + B[2:]
    design = np.column_stack([np.ones(12), [0] * 6 + [1] * 6, ([0] * 3 + [1] * 3) * 2])
    theirs = sm.OLS(y, design).fit()

    found = only(make, runs, days)

    assert found.method == "block"
    assert found.difference_kt == pytest.approx(theirs.params[1], abs=1e-9)
    assert found.p == pytest.approx(theirs.pvalues[1], abs=1e-9)


def test_the_weight_does_not_cancel_but_instrument_and_calibration_do(make):
    terms = (
        BudgetTerm(name="weight", u_kt=0.3, kind="systematic"),
        BudgetTerm(name="calibration", u_kt=0.8, kind="systematic", cancels=True),
    )
    plain = only(make, side(A) + side(B, "cuffs"))

    found = only(make, [replace(r, budget=terms) for r in side(A) + side(B, "cuffs")])

    assert found.u_kt == pytest.approx(np.hypot(plain.u_kt, 0.3 * np.sqrt(2)), abs=1e-9)
    assert {t.name: t.cancels for t in found.budget} == {"repeatability": False, "weight": False, "calibration": True}
    assert "static port" in next(t.note for t in found.budget if t.name == "calibration")


def test_many_points_are_adjusted_together(make):
    near = [46.3, 47.2, 46.9, 48.2, 47.2]
    runs = side(A) + side(near, "cuffs") + side(A, point="A2") + side(A[::-1], "cuffs", point="A2")

    first, second = compare_all(make.campaign(), runs)

    assert first.p < 0.05 <= first.p_adjusted == pytest.approx(2 * first.p)
    assert first.verdict == second.verdict == "not shown"
    assert "not as one of 2 comparisons" in first.words


def test_nothing_shown_says_what_would_have_shown(make):
    found = only(make, side(A) + side([v + 0.1 for v in A], "cuffs"))

    assert found.verdict == "not shown"
    assert found.words.endswith(f"{found.smallest_kt:.1f} kt would have shown")
    assert found.runs_to_show_1_kt >= 5


def test_runs_that_agree_to_the_last_digit_are_not_believed_to_it(make):
    reading = (BudgetTerm(name="reading", u_kt=0.3),)
    runs = [replace(r, budget=reading) for r in side([48.0] * 3) + side([47.0] * 3, "cuffs")]

    found = only(make, runs)

    assert found.u_kt > 0.1 and found.low_kt < -1 < found.high_kt
    assert any("graduation sets the uncertainty" in note for note in found.notes)


def test_a_side_that_never_flew_is_not_comparable(make):
    found = only(make, side(A))

    assert found.verdict == "not comparable" and "no run of cuffs counts here" in found.words
    assert (found.n_reference, found.n_changed) == (5, 0)


def test_the_kind_that_both_have_is_compared_and_the_rest_is_mentioned(make):
    other = [replace(r, event=StallEvent.AFT_STOP) for r in side([43.0, 43.5], "cuffs")]

    found = only(make, side(A) + side(B, "cuffs") + other)

    assert (found.event, found.n_changed) == ("natural", 5)
    assert any("2 run(s) ended in another kind" in note for note in found.notes)


def test_bases_are_never_mixed(make):
    with_nz = [replace(r, bases=(("measured_nz", 50.0, 0.5), *r.bases)) for r in side(A)]

    assert only(make, with_nz + side(B, "cuffs")).load_factor_basis == "raw"
    both = with_nz + [replace(r, bases=(("measured_nz", 48.0 + 0.1 * k, 0.5), *r.bases)) for k, r in enumerate(side(B, "cuffs"))]
    assert only(make, both).load_factor_basis == "measured_nz"


def test_wing_drop_sides_and_warning_margins_are_compared(make):
    left = [replace(r, wing_drop="left", warning_margin_kt=6.0 + 0.1 * k) for k, r in enumerate(side(A))]
    right = [replace(r, wing_drop="right", warning_margin_kt=4.0 + 0.1 * k) for k, r in enumerate(side(B, "cuffs"))]

    found = only(make, left + right)

    assert found.wing_drop_p == pytest.approx(stats.fisher_exact([[5, 0], [0, 5]])[1])
    assert found.warning_margin_change_kt == pytest.approx(-2.0)
    assert found.warning_margin_change_u_kt > 0


def test_caveats_that_a_sceptic_would_raise(make):
    config = (
        AircraftConfig(id="base", name="Plain"),
        AircraftConfig(id="cuffs", name="Cuffs", parent="base", changes=(Change(item="cuff"), Change(item="strip"))),
    )
    runs = [replace(r, cg_mm=2000.0) for r in side(A)]
    runs += [replace(r, cg_mm=2050.0, extrapolated_kt=3.0) for r in side(B, "cuffs")]

    notes = " | ".join(only(make, runs, campaign=make.campaign(configurations=config)).notes)

    for says in ("one flight each", "CG differs by +50 mm", "extrapolated by up to 3.0 kt", "2 things were changed at once"):
        assert says in notes


def test_the_summary_puts_what_was_shown_first(make):
    runs = side(A, point="A2") + side(B, "cuffs", point="A2") + side(A) + side(A[::-1], "cuffs")

    (line,) = summary(make.campaign(), compare_all(make.campaign(), runs))

    assert line.startswith("Cuffs against Plain: lower by 2.4 kt") and "; not shown at idle, flap 0, wings level" in line

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
    runs = (
        side(A[:3], flight="f1")
        + side(A[2:], flight="f2")
        + side(B[:3], "cuffs", flight="f3")
        + side(B[2:], "cuffs", flight="f4")
    )
    means = [np.mean(A[:3]), np.mean(A[2:])], [np.mean(B[:3]), np.mean(B[2:])]

    found = only(make, runs)

    assert (found.method, found.df) == ("flights", 2)
    assert found.p == pytest.approx(stats.ttest_ind(means[1], means[0]).pvalue, abs=1e-9)
    assert any("flight means" in note for note in found.notes)


def test_days_on_which_both_flew_are_blocks(make):
    import statsmodels.api as sm

    runs = (
        side(A[:3], flight="f1")
        + side(A[2:], flight="f2")
        + side(B[:3], "cuffs", flight="f3")
        + side(B[2:], "cuffs", flight="f4")
    )
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
    both = with_nz + [
        replace(r, bases=(("measured_nz", 48.0 + 0.1 * k, 0.5), *r.bases)) for k, r in enumerate(side(B, "cuffs"))
    ]
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

    for says in (
        "one flight each",
        "CG differs by +50 mm",
        "extrapolated by up to 3.0 kt",
        "2 things were changed at once",
    ):
        assert says in notes


def test_the_summary_puts_what_was_shown_first(make):
    runs = side(A, point="A2") + side(B, "cuffs", point="A2") + side(A) + side(A[::-1], "cuffs")

    (line,) = summary(make.campaign(), compare_all(make.campaign(), runs))

    assert (
        line.startswith("Cuffs against Plain: lower by 2.4 kt") and "; not shown at idle, flap 0, wings level" in line
    )


def notes_of(found):
    return " | ".join(found.notes)


def test_the_side_that_is_missing_is_named(make):
    assert "no run of base counts here" in only(make, side(B, "cuffs")).words


def test_a_stall_that_changed_kind_is_told_with_both_speeds(make):
    stop = [replace(r, event=StallEvent.AFT_STOP) for r in side([43.0, 44.0], "cuffs")]
    found = only(make, side(A) + stop)

    assert found.notes == ("the stall changed kind: pitch down at 48.2 kt against aft stop at 43.5 kt",)
    assert found.difference_kt == pytest.approx(43.5 - 48.2)
    assert only(make, side(A)).difference_kt is None


def test_of_two_kinds_on_both_sides_the_one_with_more_runs_is_compared(make):
    stop = [replace(r, event=StallEvent.AFT_STOP) for r in side([43.0], "base") + side([42.0], "cuffs")]

    assert only(make, side(A) + side(B, "cuffs") + stop).event == "natural"
    assert only(make, stop + side(A) + side(B, "cuffs")).n_changed == 5


@pytest.mark.parametrize("a, b", [(A, B), (A[:3], B), (A[:2], B[:2])])
def test_what_could_have_been_shown_is_that_of_the_pooled_scatter(make, a, b):
    from statsmodels.stats.power import TTestIndPower

    pooled = np.sqrt((np.var(a, ddof=1) * (len(a) - 1) + np.var(b, ddof=1) * (len(b) - 1)) / (len(a) + len(b) - 2))
    theirs = TTestIndPower().solve_power(nobs1=len(a), ratio=len(b) / len(a), alpha=0.05, power=0.8) * pooled

    assert only(make, side(a) + side(b, "cuffs")).smallest_kt == pytest.approx(theirs, rel=1e-4)


def test_runs_to_show_1_kt_at_the_scatter_that_there_was(make):
    # 0.7 kt of scatter: 9 runs of each for 1 kt (80 % power, 5 % two-sided, noncentral t), as in test_statistics.
    found = only(make, side([47.3, 48.0, 48.7]) + side([46.3, 47.0, 47.7], "cuffs"))

    assert found.runs_to_show_1_kt == 9


def test_the_floor_is_a_half_of_the_graduation_over_the_root_of_n(make):
    # By hand: readings of 0.8 kt, half of it left in a run's fit, 3 and 4 runs, both sides in quadrature.
    reading = (BudgetTerm(name="reading", u_kt=0.8),)
    found = only(make, [replace(r, budget=reading) for r in side([48.0] * 3) + side([47.0] * 4, "cuffs")])

    assert found.u_kt == pytest.approx(0.4 * np.sqrt(1 / 3 + 1 / 4))
    # That of one run, from the difference's: what it takes to show 1 kt.
    assert found.smallest_kt == pytest.approx(
        only(make, side([47.6, 48, 48.4]) + side([46.6, 47, 47.4, 47], "cuffs")).smallest_kt, rel=0.4
    )


def test_a_margin_that_one_side_lacks_is_not_compared(make):
    warned = [replace(r, warning_margin_kt=6.0) for r in side(A)]
    one = [replace(r, warning_margin_kt=4.0) for r in side(B[:1], "cuffs")]

    assert only(make, warned + side(B, "cuffs")).warning_margin_change_kt is None
    found = only(make, warned + one + side(B, "cuffs"))
    assert (found.warning_margin_change_kt, found.warning_margin_change_u_kt) == (-2.0, None)


def test_runs_without_a_wing_drop_are_no_drop_to_either_side(make):
    left = [replace(r, wing_drop=s) for r, s in zip(side(A), ("left", "left", "left", "right", "none"))]
    right = [replace(r, wing_drop=s) for r, s in zip(side(B, "cuffs"), ("right", "right", "right", "none", "none"))]

    assert only(make, left + right).wing_drop_p == pytest.approx(stats.fisher_exact([[3, 1], [0, 3]])[1])
    assert only(make, left + side(B, "cuffs")).wing_drop_p is None


def test_flight_means_are_told_where_there_are_several_flights(make):
    one = side(A) + side(B, "cuffs")
    several = [replace(r, flight=f"f{k % 2}") for k, r in enumerate(side(A))] + side(B, "cuffs")

    assert "flight means" not in notes_of(only(make, one)) and "one flight each" in notes_of(only(make, one))
    assert "base: flight means 47.8, 48.8 kt" in notes_of(only(make, several)) and "one flight each" not in notes_of(
        only(make, several)
    )


def test_one_flight_against_two_is_not_compared_by_flight(make):
    two = [replace(r, flight=f"f{k % 2}") for k, r in enumerate(side(B, "cuffs"))]

    assert only(make, side(A) + two).method == "welch"
    assert (
        only(make, [replace(r, flight=f"g{k % 2}") for k, r in enumerate(side(A))] + side(B, "cuffs")).method == "welch"
    )


def test_three_flights_against_two_by_flight_is_students_t_of_their_means(make):
    means = [48.0, 49.0, 47.5], [46.5, 45.0]
    runs = [run(k, v, flight=f"f{k}") for k, v in enumerate(means[0])] + [
        run(9 + k, v, "cuffs", flight=f"g{k}") for k, v in enumerate(means[1])
    ]
    found = only(make, runs)
    theirs = stats.ttest_ind(means[1], means[0])

    assert (found.method, found.df, found.p) == ("flights", 3, pytest.approx(theirs.pvalue, abs=1e-9))
    assert found.u_kt == pytest.approx(found.difference_kt / theirs.statistic)


@pytest.mark.parametrize("step, method", [(0.01, "welch"), (0.08, "covariate")])
def test_rates_that_hardly_differ_say_nothing_of_their_effect(make, step, method):
    # Standard deviation of five rates a step apart: 1.58 steps; at least 0.1 kt/s is asked for.
    runs = [replace(r, entry_rate_kt_per_s=1 + step * (k % 5)) for k, r in enumerate(side(A) + side(B, "cuffs"))]

    assert only(make, runs).method == method


def test_two_runs_of_a_side_or_a_rate_that_is_missing_are_no_covariate(make):
    rates = [0.7, 0.9, 1.1, 1.3, 1.0]
    known = [replace(r, entry_rate_kt_per_s=v) for r, v in zip(side(A), rates)]
    others = [replace(r, entry_rate_kt_per_s=v) for r, v in zip(side(B, "cuffs"), rates)]

    assert only(make, known + others[:3]).method == "covariate"
    assert only(make, known + others[:2]).method == "welch"
    assert only(make, known + [*others[:4], replace(others[4], entry_rate_kt_per_s=None)]).method == "welch"


def test_days_and_rates_together_agree_with_statsmodels(make):
    import statsmodels.api as sm

    rates = [0.7, 0.9, 1.1, 1.3, 1.0, 0.8, 1.2, 1.4, 0.9, 0.6, 1.1, 1.5]
    speeds = [48.3, 48.2, 47.9, 47.6, 48.1, 48.4, 46.0, 45.9, 46.3, 46.6, 46.1, 45.7]
    flights = ["f1"] * 3 + ["f2"] * 3 + ["g1"] * 3 + ["g2"] * 3
    runs = [
        run(k, v, "base" if k < 6 else "cuffs", flight=f, rate=r)
        for k, (v, f, r) in enumerate(zip(speeds, flights, rates))
    ]
    days = {"f1": "d1", "g1": "d1", "f2": "d2", "g2": "d2"}
    design = np.column_stack([np.ones(12), [0] * 6 + [1] * 6, rates, [f[1] == "2" for f in flights]]).astype(float)
    theirs = sm.OLS(speeds, design).fit()
    found = only(make, runs, days)

    assert (found.method, found.df) == ("covariate+block", 8)
    assert (found.difference_kt, found.p) == (pytest.approx(theirs.params[1]), pytest.approx(theirs.pvalues[1]))
    assert [m[0] for m in found.alternatives] == ["flights", "covariate", "welch"]


def test_one_day_or_days_not_shared_are_no_blocks(make):
    runs = (
        side(A[:3], flight="f1")
        + side(A[2:], flight="f2")
        + side(B[:3], "cuffs", flight="f3")
        + side(B[2:], "cuffs", flight="f4")
    )

    for days in (
        {},
        dict.fromkeys(("f1", "f2", "f3", "f4"), "d"),
        {"f1": "d1", "f2": "d2", "f3": "d1", "f4": "d3"},
        {"f1": "d1", "f3": "d1"},
    ):
        assert only(make, runs, days).method == "flights"


def test_the_cg_may_differ_by_a_little(make):
    # 7 % of the travel between 1960 and 2190 mm: 16.1 mm; 10 mm where the limits are not known.
    def notes(shift, **aircraft):
        campaign = make.campaign()
        campaign = replace(campaign, aircraft=replace(campaign.aircraft, **aircraft))
        return notes_of(
            only(
                make,
                [replace(r, cg_mm=2000.0) for r in side(A)]
                + [replace(r, cg_mm=2000.0 + shift) for r in side(B, "cuffs")],
                campaign=campaign,
            )
        )

    assert (
        "CG differs" not in notes(16.0)
        and "CG differs by +16 mm" in notes(16.2)
        and "CG differs by -17 mm" in notes(-17.0)
    )
    assert "CG differs" not in notes(10.0, cg_min_mm=None) and "CG differs" in notes(10.5, cg_max_mm=None)


def test_many_flight_means_are_told_as_a_span(make):
    runs = [run(k, 48.0 + k % 2, flight=f"f{k}") for k in range(13)] + side(B, "cuffs")

    assert "flight means 48.0 to 49.0 over 13 flights, standard deviation 0.52 kt" in notes_of(only(make, runs))
    assert "over" not in notes_of(only(make, [r for r in runs if r.run != "r12"]))


def test_margins_and_rates_that_only_one_side_has_say_nothing(make):
    warned = [replace(r, warning_margin_kt=6.0) for r in side(B, "cuffs")]
    rateless = [replace(r, entry_rate_kt_per_s=None) for r in side(A)]

    assert only(make, side(A) + warned).warning_margin_change_kt is None
    assert "entry rates" not in notes_of(only(make, rateless + side(B, "cuffs", rate=1.4)))
    assert "entry rates" not in notes_of(
        only(make, side(A, rate=1.4) + [replace(r, entry_rate_kt_per_s=None) for r in side(B, "cuffs")])
    )


def test_indicated_speeds_do_not_list_a_calibration_that_cancels(make):
    terms = (
        BudgetTerm(name="calibration", u_kt=0.8, kind="systematic", cancels=True),
        BudgetTerm(name="lag", u_kt=0.2, kind="systematic", cancels=True),
    )
    bare = [replace(r, vs_cas_kt=None, vs_std_kt=None, bases=()) for r in side(B, "cuffs")]
    found = only(make, [replace(r, budget=terms) for r in side(A)] + bare)

    assert (found.basis, [t.name for t in found.budget]) == ("ias", ["repeatability", "lag"])


def test_two_days_with_a_run_each_way_leave_one_degree_of_freedom(make):
    runs = [
        run(0, 48.0, flight="f1"),
        run(1, 48.6, flight="f2"),
        run(2, 46.0, "cuffs", flight="g1"),
        run(3, 46.9, "cuffs", flight="g2"),
    ]
    found = only(make, runs, {"f1": "d1", "g1": "d1", "f2": "d2", "g2": "d2"})
    # Blocks of two are pairs: Student's t of the differences within the days.
    theirs = stats.ttest_rel([46.0, 46.9], [48.0, 48.6])

    assert (found.method, found.df) == ("block", 1)
    assert (found.difference_kt, found.p) == (pytest.approx(-1.85), pytest.approx(theirs.pvalue))


@pytest.mark.filterwarnings("error::RuntimeWarning")
def test_a_cg_that_one_side_lacks_is_not_compared(make):
    known = [replace(r, cg_mm=2000.0) for r in side(A)], [replace(r, cg_mm=2050.0) for r in side(B, "cuffs")]

    assert "CG differs" not in notes_of(only(make, known[0] + side(B, "cuffs")))
    assert "CG differs" not in notes_of(only(make, side(A) + known[1]))

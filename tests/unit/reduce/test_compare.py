"""Comparisons: which method, what is left in the interval, and what may be said."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from logger_app.records.plan import AircraftConfig, Change, Planform
from logger_app.records.results import BudgetTerm
from logger_app.records.runs import StallEvent
from logger_app.reduce.compare import compare_all
from logger_app.reduce.words import summary
from tests.builders import Make


def run(k, speed, configuration="base", flight=None, point="A1", rate=1.0, weight_u=0.0, **over):
    terms = (BudgetTerm(name="weight", u_kt=weight_u, kind="systematic"),) if weight_u else ()
    given = {"run": f"r{k}", "point": point, "entry_rate_kt_per_s": rate, "wing_drop": "none", "budget": terms} | over
    return Make().stall(k, speed, configuration, flight or configuration, **given)


def side(speeds, configuration="base", **over):
    return [run(k, v, configuration, **over) for k, v in enumerate(speeds)]


A, B = [48.0, 49.0, 47.5, 48.5, 48.0], [45.5, 46.5, 46.0, 45.0, 46.0]


def only(make, runs, days=None, campaign=None):
    (found,) = compare_all(campaign or make.campaign(), runs, days).comparisons
    return found


def test_one_flight_each_makes_two_statements(make):
    found = only(make, side(A) + side(B, "cuffs"))

    # Between the flights: Student's t of the runs, a little narrower or wider by what is believed of the scatter.
    theirs = stats.ttest_ind(B, A).confidence_interval(0.95)
    assert (found.flights_low_kt, found.flights_high_kt) == pytest.approx((theirs.low, theirs.high), abs=0.2)
    assert found.flights_difference_kt == pytest.approx(-2.4)
    # Of the change: what flights differ by comes in, and only a prior says how much.
    assert found.low_kt < found.flights_low_kt - 0.3 and found.high_kt > found.flights_high_kt + 0.3
    assert found.words.startswith("lower by 2.4 kt, ") and "between these two flights lower by 2.4 kt" in found.words
    assert "one flight each: how far flights differ by themselves was not measured" in notes_of(found)
    assert "the interval of the change rests on an assumed 0.35 kt" in notes_of(found)


def test_more_flights_earn_a_narrower_interval(make):
    def half(*flights):
        runs = [r for c, f in flights for r in side(A[:3] if c == "base" else B[:3], c, flight=f)]
        found = only(make, runs)
        return (found.high_kt - found.low_kt) / 2

    one, aba = half(("base", "f1"), ("cuffs", "f2")), half(("base", "f1"), ("cuffs", "f2"), ("base", "f3"))
    abba = half(("base", "f1"), ("cuffs", "f2"), ("cuffs", "f3"), ("base", "f4"))

    assert one > aba > abba
    assert only(make, side(A, flight="f1") + side(A, flight="f3") + side(B, "cuffs")).n_flights_reference == 2


def test_flights_that_differ_are_learned_from(make):
    near = [("base", "f1", 0.0), ("cuffs", "f2", 0.0), ("cuffs", "f3", 0.0), ("base", "f4", 0.0)]
    far = [(c, f, shift) for (c, f, _), shift in zip(near, (2.0, -2.0, 2.0, -2.0))]

    def model(flights):
        runs = [r for c, f, d in flights for r in side([v + d for v in (A if c == "base" else B)], c, flight=f)]
        return compare_all(make.campaign(), runs)

    same, differing = model(near), model(far)
    assert same.model.flights_learned and same.model.flight_sd_kt[0] < 0.3 < 0.8 < differing.model.flight_sd_kt[0]
    assert same.comparisons[0].verdict == "lower" and differing.comparisons[0].verdict == "not shown"
    assert differing.comparisons[0].runs_to_show_1_kt is None  # more runs do not help; flights do


def test_the_weight_does_not_cancel_but_instrument_and_calibration_do(make):
    terms = (
        BudgetTerm(name="weight", u_kt=0.3, kind="systematic"),
        BudgetTerm(name="calibration", u_kt=0.8, kind="systematic", cancels=True),
    )
    plain = only(make, side(A) + side(B, "cuffs"))

    found = only(make, [replace(r, budget=terms) for r in side(A) + side(B, "cuffs")])

    assert found.u_kt == pytest.approx(np.hypot(plain.u_kt, 0.3 * np.sqrt(2)), rel=0.01)
    assert found.flights_u_kt == pytest.approx(np.hypot(plain.flights_u_kt, 0.3 * np.sqrt(2)), rel=0.01)
    assert {t.name: t.cancels for t in found.budget} == {"weight": False, "calibration": True}
    assert "static port" in next(t.note for t in found.budget if t.name == "calibration")


def test_claims_and_intervals_are_adjusted_alike_but_the_named_comparison_is_not(make):
    runs = side(A) + side(B, "cuffs") + side(A, point="A2") + side(A[::-1], "cuffs", point="A2")

    first, second = compare_all(make.campaign(), runs).comparisons
    assert first.adjusted_for == second.adjusted_for == 2
    assert first.p < first.p_adjusted < 2 * first.p + 1e-6  # the flights that both share are paid for once
    assert (first.verdict == "lower") == (first.high_kt < 0) == (first.p_adjusted < 0.05)
    assert "adjusted for 2 comparisons" in first.words

    named, other = compare_all(make.campaign(named=("base", "cuffs", "A1")), runs).comparisons
    assert (named.named, named.adjusted_for, other.named, other.adjusted_for) == (True, 1, False, 1)
    assert named.high_kt < first.high_kt
    text = summary(make.campaign(), (other, named))[0]
    assert text.index("the question asked: ") < text.index("not shown")


def test_all_points_together_have_an_answer_of_their_own(make):
    runs = [r for p in ("A1", "A2") for r in side(A, point=p) + side(B, "cuffs", point=p)]
    both = compare_all(make.campaign(), runs)
    (answer,) = both.overall

    assert answer.points == ("A1", "A2") and answer.level == 0.95
    assert answer.difference_kt == pytest.approx(-2.4)
    assert both.comparisons[0].low_kt < answer.low_kt and answer.high_kt < both.comparisons[0].high_kt
    # One shared pair of flights: two points do not halve what is not known of the flights.
    assert answer.u_kt > 0.9 * 0.4
    assert answer.words.startswith("lower by 2.4 kt") and "as the mean of 2 points" in answer.words
    assert not compare_all(make.campaign(), side(A) + side(B, "cuffs")).overall


def test_no_worse_than_a_knot(make):
    alike = only(make, side(A) + side(A[::-1], "cuffs", flight="f2") + side(A, flight="f3") + side(A, "cuffs"))

    assert alike.verdict == "not shown" and alike.no_worse and alike.no_worse_p < 0.05
    assert "no worse than 1 kt" in alike.words
    assert not only(make, side(A[:2]) + side(A[:2], "cuffs")).no_worse


def test_nothing_shown_says_what_would_have_shown_and_what_more_would_buy(make):
    found = only(make, side(A) + side([v + 0.1 for v in A], "cuffs"))

    assert found.verdict == "not shown"
    assert f"{found.smallest_kt:.1f} kt would have shown" in found.words
    half = (found.high_kt - found.low_kt) / 2
    assert found.next_flight_kt < found.next_run_kt < half + 0.05
    assert found.flights_to_show_1_kt > 1


def test_an_entry_rate_that_explains_the_difference_takes_it_away(make):
    # Flown 0.8 kt/s faster and 0.6 kt lower: about what the rate alone does.
    fast = [replace(r, entry_rate_kt_per_s=1.8) for r in side([v - 0.6 for v in A], "cuffs")]
    found, plain = only(make, side(A) + fast), only(make, side(A) + side([v - 0.6 for v in A], "cuffs"))

    assert plain.difference_kt == pytest.approx(-0.6)
    assert abs(found.difference_kt) < 0.3


def test_a_run_that_lacks_a_calibration_loses_only_itself(make):
    lost = [replace(side(B, "cuffs")[0], bases=(), vs_cas_kt=None, vs_std_kt=None)]
    found = only(make, side(A) + lost + side(B[1:], "cuffs"))

    assert (found.basis, found.n_changed) == ("std", 4)
    assert "1 run(s) without calibration or weight are not in this difference" in notes_of(found)


def test_without_calibration_weights_still_count(make):
    def uncalibrated(runs, kg):
        return [replace(r, bases=(), vs_cas_kt=None, vs_std_kt=None, vs_ias_kt=v, weight_kg=kg) for r, v in runs]

    light = [v * (545 / 600) ** 0.5 for v in A]  # the same stall, 55 kg lighter
    runs = uncalibrated(zip(side(A), A), 600.0) + uncalibrated(zip(side(A, "cuffs"), light), 545.0)
    found = only(make, runs)

    assert found.basis == "ias" and found.at_reference_weight
    assert found.difference_kt == pytest.approx(0.0, abs=1e-9)
    assert "IAS at the reference weight" in found.words
    unweighed = only(make, [replace(r, weight_kg=None) for r in runs])
    assert unweighed.difference_kt < -2 and "IAS at the weights flown" in unweighed.words


def test_one_run_on_a_side_borrows_the_scatter_of_the_others(make):
    alone = side(A[:1]) + side(B[:1], "cuffs")
    assert only(make, alone).low_kt is None

    rest = side(A, point="A2") + side(B, "cuffs", point="A2")
    assert compare_all(make.campaign(), alone + rest).comparisons[0].low_kt is not None


def test_a_cell_that_scatters_more_has_a_scatter_of_its_own(make):
    wild = [v + 2.5 * (-1) ** k for k, v in enumerate([*B, *B])]
    quiet = side([48.0, 48.1, 47.9, 48.05, 47.95] * 2)
    both = compare_all(make.campaign(), quiet + side(wild, "cuffs"))

    assert any("at idle, flap 0, wings level scatters 0.0" in note for note in both.model.notes)
    theirs = stats.ttest_ind(wild, [48.0] * 10, equal_var=False).confidence_interval(0.95)
    found = both.comparisons[0]
    assert found.flights_high_kt - found.flights_low_kt == pytest.approx(theirs.high - theirs.low, rel=0.25)


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

    for description in (
        "one flight each",
        "CG differs by +50 mm",
        "extrapolated by up to 3.0 kt",
        "2 things were changed at once",
    ):
        assert description in notes


def test_the_summary_puts_what_was_shown_first(make):
    runs = side(A, point="A2") + side(B, "cuffs", point="A2") + side(A) + side(A[::-1], "cuffs")

    (line,) = summary(make.campaign(), compare_all(make.campaign(), runs).comparisons)

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
    wing = Planform(semispan_mm=5000.0, root_chord_mm=1200.0, tip_chord_mm=1200.0)
    # 12 m2 over 10 m: a mean chord of 1.2 m, a tail arm of 3.6 m; dCL = CLmax 36 / 3600, so half a percent of 45 kt.
    assert "CG differs by +36 mm (by itself about -0.2 kt" in notes(36.0, planform=wing, wing_area_m2=12.0)
    assert "by itself" not in notes(36.0)
    assert "CG differs" not in notes(10.0, cg_min_mm=None) and "CG differs" in notes(10.5, cg_max_mm=None)


def test_many_flight_means_are_told_as_a_span(make):
    runs = [run(k, 48.0 + k % 2, flight=f"f{k}") for k in range(13)] + side(B, "cuffs")

    assert "flight means 48.0 to 49.0 over 13 flights, standard deviation 0.52 kt" in notes_of(only(make, runs))
    assert "over" not in notes_of(only(make, [r for r in runs if r.run != "r12"]))


def test_indicated_speeds_do_not_list_a_calibration_that_cancels(make):
    terms = (
        BudgetTerm(name="calibration", u_kt=0.8, kind="systematic", cancels=True),
        BudgetTerm(name="lag", u_kt=0.2, kind="systematic", cancels=True),
    )
    bare = [replace(r, vs_cas_kt=None, vs_std_kt=None, bases=()) for r in side(B, "cuffs")]
    found = only(make, [replace(r, budget=terms) for r in side(A)] + bare)

    assert (found.basis, [t.name for t in found.budget]) == ("ias", ["lag"])


@pytest.mark.filterwarnings("error::RuntimeWarning")
def test_a_cg_that_one_side_lacks_is_not_compared(make):
    known = [replace(r, cg_mm=2000.0) for r in side(A)], [replace(r, cg_mm=2050.0) for r in side(B, "cuffs")]

    assert "CG differs" not in notes_of(only(make, known[0] + side(B, "cuffs")))
    assert "CG differs" not in notes_of(only(make, side(A) + known[1]))


def with_last_calls(runs, last, left_out):
    """The runs with these last calls; the first `left_out` do not count because they were read too far below it."""
    called = [replace(r, last_call_ias_kt=kt) for r, kt in zip(runs, last)]
    return [replace(r, counts=False, too_far_only=True) for r in called[:left_out]] + called[left_out:]


def test_runs_chosen_by_marks_far_apart_widen_the_interval(make):
    speeds = [48.0, 48.4, 47.7, 48.2, 49.0, 47.5]
    marks, anywhere = [45.0, 50.0, 45.0, 45.0, 50.0, 45.0], [45.0, 46.0, 47.0, 45.0, 46.0, 48.0]
    chosen, by_chance = (with_last_calls(side(speeds), last, 3) + side(B, "cuffs") for last in (marks, anywhere))

    found, same = only(make, chosen), only(make, by_chance)

    # Half of a normal scatter of 0.7 kt is left: its mean lies where scipy's truncated normal has it.
    moved = 0.7 * abs(stats.truncnorm.mean(-np.inf, stats.norm.ppf(0.5)))
    assert found.u_kt**2 - same.u_kt**2 == pytest.approx(moved**2, rel=1e-3)
    assert f"not be typical, by about {moved:.1f} kt" in notes_of(found) and "not be typical" not in notes_of(same)
    assert "not be typical" not in notes_of(only(make, with_last_calls(side(speeds), marks, 0) + side(B, "cuffs")))


def test_flights_that_differ_by_more_than_the_plan_says_are_told(make):
    def notes(shifts):
        flights = zip(("base", "cuffs", "cuffs", "base"), ("f1", "f2", "f3", "f4"), shifts)
        runs = [r for c, f, by in flights for r in side([v + by for v in (A if c == "base" else B)], c, flight=f)]
        return " | ".join(compare_all(make.campaign(), runs).model.notes)

    assert "flights of one configuration differ by about" in notes((2.0, -2.0, 2.0, -2.0))
    assert notes((0.0, 0.1, -0.1, 0.0)) == ""

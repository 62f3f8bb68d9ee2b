"""Cells: what may share a mean, and what stands beside it."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from logger_app.records.results import BudgetTerm, StallSpeed
from logger_app.records.runs import StallEvent
from logger_app.reduce.cells import make_cells, with_surplus_noted

SPEEDS = [48.0, 49.0, 47.5, 48.5, 48.0]


def runs(speeds=SPEEDS, **over):
    base = StallSpeed(
        run="r",
        run_number=1,
        flight="f1",
        configuration="base",
        point="A1",
        event=StallEvent.PITCH_DOWN,
        method="fit",
        counts=True,
        entry_rate_kt_per_s=1.0,
    )
    return [
        replace(base, run=f"r{k}", vs_ias_kt=v - 3, vs_cas_kt=v, vs_std_kt=v, bases=(("raw", v, 0.6),), **over)
        for k, v in enumerate(speeds)
    ]


def test_mean_deviation_and_interval_agree_with_scipy():
    (cell,) = make_cells(runs())

    low, high = stats.t.interval(0.95, 4, np.mean(SPEEDS), stats.sem(SPEEDS))
    assert (cell.n, cell.vs_std_kt, cell.vs_std_sd_kt) == (
        5,
        pytest.approx(48.2),
        pytest.approx(np.std(SPEEDS, ddof=1)),
    )
    assert (cell.low_kt, cell.high_kt) == pytest.approx((low, high), abs=1e-9)


def test_systematic_terms_do_not_shrink_and_widen_the_total():
    terms = (
        BudgetTerm(name="calibration", u_kt=0.8, kind="systematic", cancels=True),
        BudgetTerm(name="fit", u_kt=0.4),
    )
    (cell,) = make_cells(runs(budget=terms))

    assert cell.vs_std_u_kt == pytest.approx(np.hypot(0.8, stats.sem(SPEEDS)))
    assert {t.name for t in cell.budget} == {"repeatability", "calibration"}
    assert cell.total_low_kt < cell.low_kt < cell.high_kt < cell.total_high_kt


def test_a_weight_error_is_common_to_a_flight():
    terms = (BudgetTerm(name="weight", u_kt=0.4, kind="systematic"),)
    one, two = runs(budget=terms), [replace(r, flight=f"f{k % 2}") for k, r in enumerate(runs(budget=terms))]

    weight = [next(t.u_kt for t in make_cells(r)[0].budget if t.name == "weight") for r in (one, two)]

    assert weight == pytest.approx([0.4, 0.4 / np.sqrt(2)])


def test_one_run_has_no_interval_and_says_so():
    (cell,) = make_cells(runs([48.0]))

    assert (cell.n, cell.low_kt, cell.vs_std_sd_kt) == (1, None, None)
    assert "one run: no interval" in cell.notes


def test_kinds_of_stall_have_cells_of_their_own():
    stop = [replace(r, event=StallEvent.AFT_STOP) for r in runs([44.0, 44.5])]

    first, second = make_cells(runs() + stop)

    assert (first.event, second.event) == ("pitch_down", "aft_stop")
    assert any("another kind" in note for note in first.notes)
    assert any("minimum steady speed" in note for note in second.notes)


def test_natural_kinds_share_a_mean_and_say_so():
    mixed = runs()
    mixed[0] = replace(mixed[0], event=StallEvent.ROLL_OFF)

    (cell,) = make_cells(mixed)

    assert cell.event == "roll_off+pitch_down"
    assert any("averaged together: 1 roll off, 4 pitch down" in note for note in cell.notes)


def test_read_at_1_kt_per_s_only_when_the_flown_rates_span_it():
    spanning = [replace(r, entry_rate_kt_per_s=v) for r, v in zip(runs(), (0.7, 0.9, 1.1, 1.3, 1.2))]
    slow = [replace(r, entry_rate_kt_per_s=v) for r, v in zip(runs(), (0.5, 0.6, 0.7, 0.8, 0.9))]

    assert make_cells(spanning)[0].at_1_kt_per_s_kt is not None
    (cell,) = make_cells(slow)
    assert cell.at_1_kt_per_s_kt is None
    assert any("do not span it" in note for note in cell.notes)


def test_a_run_without_weight_loses_only_itself():
    mixed = runs()
    mixed[2] = replace(mixed[2], bases=(), vs_std_kt=None)

    (cell,) = make_cells(mixed)
    (without,) = make_cells([mixed[0], mixed[1], *mixed[3:]])

    assert (cell.n, cell.vs_std_kt, cell.speed_basis) == (5, without.vs_std_kt, "std")
    assert any("1 run(s) without calibration or weight" in note for note in cell.notes)
    (bare,) = make_cells([replace(run, bases=(), vs_std_kt=None) for run in runs()])
    assert bare.vs_std_kt is None and bare.vs_ias_kt is not None and bare.budget == ()
    assert any("not standardised" in note for note in bare.notes)


def test_a_short_warning_margin_is_held_against_the_rule():
    (cell,) = make_cells(runs(warning_margin_kt=3.2))

    assert any("23.207(c) asks for 5 kt" in note for note in cell.notes)


def test_runs_that_do_not_count_are_in_no_cell():
    assert make_cells(runs(counts=False)) == ()


def test_more_runs_than_wanted_point_at_a_setting_that_was_not_heard():
    cells = make_cells(runs())

    (more,) = with_surplus_noted(cells, {"A1": 3})
    (enough,) = with_surplus_noted(cells, {"A1": 5})

    assert any("was a setting said and not heard" in note for note in more.notes)
    assert enough.notes == cells[0].notes


def test_two_runs_have_an_interval():
    (cell,) = make_cells(runs([48.0, 49.0]))

    assert (cell.low_kt, cell.high_kt) == pytest.approx(stats.t.interval(0.95, 1, 48.5, 0.5))
    assert cell.vs_ias_u_kt == pytest.approx(0.5)


def test_the_total_has_the_degrees_of_freedom_of_welch_and_satterthwaite():
    # NIST TN 1297 app. B.3: df = u^4 / (s^4 / 4), s of five runs, the systematic part known for certain.
    terms = (BudgetTerm(name="calibration", u_kt=0.3, kind="systematic", cancels=True),)
    (cell,) = make_cells(runs(budget=terms))
    s = stats.sem(SPEEDS)
    u = np.hypot(0.3, s)

    assert cell.total_high_kt - 48.2 == pytest.approx(stats.t.ppf(0.975, 4 * u**4 / s**4) * u, rel=1e-9)


def test_a_cell_is_reviewed_when_every_run_is():
    some = [replace(r, reviewed=k > 0) for k, r in enumerate(runs())]

    assert not make_cells(some)[0].reviewed
    assert make_cells(runs(reviewed=True))[0].reviewed


def test_one_kind_of_stall_is_not_called_a_mixture():
    assert not any("averaged together" in note for note in make_cells(runs())[0].notes)
    assert not any("another kind" in note for note in make_cells(runs())[0].notes)


def test_altitudes_far_apart_are_told():
    def notes(*heights):
        return " | ".join(make_cells([replace(r, altitude_ft=h) for r, h in zip(runs(), heights)])[0].notes)

    assert "altitudes 4000 to 5001 ft" in notes(4500.0, 5001.0, 4000.0, None, None)
    assert "altitudes" not in notes(4000.0, 5000.0, None, None, None)
    assert "altitudes" not in notes(None, None, None, None, None)


def test_margins_extrapolation_and_wing_drops():
    mixed = [
        replace(r, warning_margin_kt=m, extrapolated_kt=e, wing_drop=w)
        for r, m, e, w in zip(
            runs(), (8.0, None, 8.0, None, 8.0), (0.0, 1.5, None, 0.7, None), ("left", "none", "left", None, "right")
        )
    ]
    (cell,) = make_cells(mixed)

    assert cell.warning_margin_kt == 8.0 and not any("23.207" in note for note in cell.notes)
    assert any("extrapolated by up to 1.5 kt" in note for note in cell.notes)
    assert cell.wing_drops == (("left", 2), ("none", 1), ("right", 1))


def test_the_line_read_at_1_kt_per_s_is_that_of_statsmodels():
    import statsmodels.api as sm

    rates = [0.7, 0.9, 1.1, 1.3, 1.2]
    (cell,) = make_cells([replace(r, entry_rate_kt_per_s=v) for r, v in zip(runs(), rates)])
    theirs = sm.OLS(SPEEDS, sm.add_constant(np.array(rates) - 1)).fit()

    assert (cell.at_1_kt_per_s_kt, cell.rate_slope) == pytest.approx(tuple(theirs.params))
    assert cell.at_1_kt_per_s_u_kt == pytest.approx(theirs.bse[0])
    assert cell.entry_rate_kt_per_s == pytest.approx(np.mean(rates))


def test_a_rate_that_is_missing_or_too_few_runs_are_not_regressed():
    for speeds, rates in ((SPEEDS[:2], (0.8, 1.2)), (SPEEDS[:3], (0.8, 1.2, None)), (SPEEDS[:3], (1.0, 1.0, 1.0))):
        (cell,) = make_cells([replace(r, entry_rate_kt_per_s=v) for r, v in zip(runs(speeds), rates)])
        assert cell.at_1_kt_per_s_kt is None

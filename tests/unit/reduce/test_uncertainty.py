"""The budget: every term with its size, its kind and what it says."""

import math

import pytest

from logger_app.records.plan import Indicator
from logger_app.records.results import BudgetTerm
from logger_app.records.runs import StallEvent
from logger_app.reduce.calibration import Calibrated
from logger_app.reduce.stall_speed import RunStall
from logger_app.reduce.uncertainty import mean_budget, run_budget, total_u_kt, weight_u_kt

STALL = RunStall(
    event=StallEvent.PITCH_DOWN, event_s=1.0, method="fit", reading_u_kt=0.3, scatter_u_kt=0.4, lag_u_kt=0.2
)
INDICATOR = Indicator(instrument_u_kt=0.5)


def sizes(terms):
    return {term.name: term.u_kt for term in terms}


def test_indicated_terms_are_carried_through_the_slope_of_the_calibration():
    terms = run_budget(
        STALL, INDICATOR, Calibrated(cas_kt=50.0, u_kt=0.8, slope=0.6, beyond_kt=5.0, notes=()), 0.15, 0.25
    )

    assert sizes(terms) == {
        "reading": pytest.approx(0.18),
        "fit": pytest.approx(0.24),
        "lag": pytest.approx(0.12),
        "instrument": pytest.approx(0.3),
        "calibration": 0.8,
        "weight": 0.15,
        "load factor": 0.25,
    }
    assert [t.name for t in terms if t.cancels] == ["lag", "instrument", "calibration"]
    assert [t.name for t in terms if t.kind == "random"] == ["reading", "fit", "load factor"]
    assert next(t.note for t in terms if t.name == "calibration") == "5.0 kt outside the table"
    assert total_u_kt(terms) == pytest.approx(
        math.sqrt(0.18**2 + 0.24**2 + 0.12**2 + 0.3**2 + 0.8**2 + 0.15**2 + 0.25**2)
    )


def test_what_is_not_known_has_no_term():
    terms = run_budget(STALL, INDICATOR, None, None)
    inside = run_budget(STALL, INDICATOR, Calibrated(cas_kt=50.0, u_kt=0.8, slope=1.0, beyond_kt=0.0, notes=()), None)

    assert sizes(terms) == {"reading": 0.3, "fit": 0.4, "lag": 0.2, "instrument": 0.5}
    assert next(t.note for t in inside if t.name == "calibration") == ""


def test_half_the_relative_uncertainty_of_the_weight():
    # V ~ sqrt(W): 1 % of weight is half a per cent of speed.
    assert weight_u_kt(50.0, 600.0, 6.0) == pytest.approx(0.25)


TERMS = (BudgetTerm(name="fit", u_kt=0.4), BudgetTerm(name="lag", u_kt=0.2, kind="systematic", cancels=True, note="a"))
OTHER = (
    BudgetTerm(name="fit", u_kt=0.9),
    BudgetTerm(name="lag", u_kt=0.4, kind="systematic", cancels=True, note="b"),
    BudgetTerm(name="x", u_kt=0.1, kind="systematic"),
)


def test_repeats_stand_for_the_random_terms_and_systematic_ones_are_averaged_not_shrunk():
    terms = mean_budget([TERMS, OTHER, TERMS], ["f", "f", "g"], 0.25)

    assert sizes(terms) == {"repeatability": 0.25, "lag": pytest.approx(0.8 / 3), "x": 0.1}
    lag = next(t for t in terms if t.name == "lag")
    assert (lag.kind, lag.cancels, lag.note) == ("systematic", True, "a; b")
    assert next(t for t in terms if t.name == "x").note == ""


def test_one_run_keeps_its_own_random_terms():
    assert sizes(mean_budget([TERMS], ["f"], None)) == {"fit": 0.4, "lag": 0.2}


def test_the_weight_is_shared_by_the_runs_of_a_flight():
    weight = (BudgetTerm(name="weight", u_kt=0.3, kind="systematic"),)

    assert sizes(mean_budget([weight] * 3, ["f", "f", "f"], 0.1))["weight"] == pytest.approx(0.3)
    assert sizes(mean_budget([weight] * 4, ["f", "g", "h", "i"], 0.1))["weight"] == pytest.approx(0.15)

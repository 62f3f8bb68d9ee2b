"""Runs, flights and budgets: what the plan promises is what the comparison keeps."""

from dataclasses import replace

import pytest

from logger_app.errors import CardError
from logger_app.plan.parse import parse_text
from logger_app.plan.repeats import (
    budget_document,
    budget_text,
    power,
    read_budget,
    runs_a_flight,
    shown_kt,
    total_scatter_kt,
    within_budget,
)
from logger_app.records.plan import Planning
from logger_app.workflows.planning import new_text, read_answers


@pytest.fixture(scope="module")
def campaign():
    answers = {
        "aircraft": "Heron",
        "changes": ["cuffs"],
        "empty_weight_kg": "388",
        "max_weight_kg": "640",
        "wing_area_m2": "12.4",
        "flaps": "0,15",
        "flap_limits": "85",
        "stalls": "47,43",
    }
    values = {
        k: v for k, v in read_answers({k: v for k, v in answers.items() if k != "changes"}).items() if v is not None
    }
    made, faults = parse_text(new_text(values | {"changes": ["cuffs"]}))
    assert made is not None, faults
    aircraft = replace(made.aircraft, fuel_burn_l_per_h=18.0, fuel_capacity_l=90.0, fuel_reserve_l=15.0)
    return replace(made, aircraft=aircraft, flights=())


def test_one_flight_each_cannot_show_what_flights_differ_by():
    plan = Planning(smallest_difference_kt=1.0)
    assert runs_a_flight(plan, 1) is None and runs_a_flight(plan, 2) is None
    assert runs_a_flight(plan, 4) > runs_a_flight(plan, 6)
    # Without a flight scatter runs alone do.
    assert runs_a_flight(replace(plan, flight_scatter_kt=0.0), 1) is not None


def test_more_runs_and_more_flights_show_less(campaign):
    plan = campaign.planning
    assert shown_kt(plan, (1, 1), 1) == float("inf")
    assert shown_kt(plan, (1, 1), 4) > shown_kt(plan, (2, 1), 4) > shown_kt(plan, (2, 2), 4) > shown_kt(plan, (2, 2), 8)


def test_three_flights_are_flown_a_b_a_with_time_and_fuel_first(campaign):
    found = within_budget(campaign, flights=3)

    assert [f.configuration for f in found.flights] == ["baseline", "cuffs", "baseline"]
    assert (
        budget_text(campaign, found).startswith("In all: ")
        and "l of fuel" in budget_text(campaign, found).split("\n")[0]
    )
    document = budget_document(found)
    assert document["minutes"] == pytest.approx(sum(f["minutes"] for f in document["flights"]), abs=0.2)
    assert 0.5 < document["power"] <= 1.0


def test_hours_are_kept_and_more_of_them_answer_better(campaign):
    few, many = within_budget(campaign, hours=3), within_budget(campaign, hours=8)

    assert few.minutes <= 180 and many.minutes <= 480
    assert many.shows_kt < few.shows_kt
    assert len(many.flights) > len(few.flights)


def test_the_named_point_comes_on_every_flight(campaign):
    point = campaign.points[-1].id
    found = within_budget(replace(campaign, named=("baseline", "cuffs", point)), flights=4)

    assert found.question == ("baseline", "cuffs", point)
    assert all(dict(f.runs)[point] == found.runs_a_flight for f in found.flights)


def test_a_budget_that_holds_no_pair_is_refused(campaign):
    for given in ({"hours": 1.0}, {"flights": 1}):
        with pytest.raises(CardError):
            within_budget(campaign, **given)


@pytest.mark.parametrize("text, expected", [("3 flights", (3, None)), ("4 hours", (None, 4.0)), ("2,5 h", (None, 2.5))])
def test_a_budget_in_words(text, expected):
    assert read_budget(text) == expected


@pytest.mark.parametrize("text", ["", "three flights", "0 flights", "1.5 flights", "-2 hours", "4", "1e9 hours"])
def test_what_is_no_budget_is_refused(text):
    with pytest.raises(CardError):
        read_budget(text)


def test_calls_farther_apart_scatter_more_and_promise_less():
    near, far = Planning(call_step_kt=1.0), Planning(call_step_kt=4.0)

    assert near.scatter_kt < total_scatter_kt(near) < total_scatter_kt(far)
    assert power(near, (2, 2), 4) > power(far, (2, 2), 4) + 0.05

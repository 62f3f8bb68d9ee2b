"""The coverage bench: its plan mode sets the plan's promise beside what the reduction claims."""

import pytest


@pytest.fixture(scope="module")
def coverage():
    from bench import coverage

    return coverage


@pytest.mark.parametrize(
    "name, flights, step_kt",
    [
        ("A-B, 5 runs a flight", (1, 1), 1.3),
        ("A-B-B-A, 4 runs, calls every 2 kt", (2, 2), 2.0),
        ("A-B-A on three days, 4 runs a flight", (2, 1), 1.3),
    ],
)
def test_the_plan_is_asked_for_the_design_that_is_flown(coverage, name, flights, step_kt):
    row = next(row for row in coverage.PLANNED if row.name == name)
    made = [coverage.one((row, -2.0, seed)) for seed in range(2)]
    line = coverage.plan_against_flown(row, made, -2.0)

    counted = round(sum(len(one["errors"]) for one in made) / 2 / sum(flights), 1)
    plan = coverage.Planning(smallest_difference_kt=2.0, call_step_kt=sum(row.call_step_kt) / 2)
    assert sum(row.call_step_kt) / 2 == pytest.approx(step_kt)
    assert line["runs_a_flight_that_count"] == counted <= row.runs_a_flight
    assert line["promised_pct"] == round(100 * coverage.promised(plan, flights, counted), 1)
    assert line["flown_pct"] == 50.0 * sum(one["claimed"] for one in made)

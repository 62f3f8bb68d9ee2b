"""The coverage bench: its plan mode sets the plan's promise beside what the reduction claims."""

import pytest


@pytest.fixture(scope="module")
def coverage():
    from bench import coverage

    return coverage


@pytest.mark.parametrize("number, flights", [(0, 1), (1, 2)])
def test_the_plan_is_asked_for_the_design_that_is_flown(coverage, number, flights):
    row = coverage.PLANNED[number]
    made = [coverage.one((row, -2.0, seed)) for seed in range(2)]
    line = coverage.plan_against_flown(row, made, -2.0)
    plan = coverage.Planning(smallest_difference_kt=2.0)

    assert line["promised_pct"] == round(100 * coverage.promised(plan, (flights, flights), row.runs[0] / flights), 1)
    assert line["promised_with_reading_pct"] <= line["promised_pct"]
    assert line["flown_pct"] == 50.0 * sum(m["claimed"] for m in made)

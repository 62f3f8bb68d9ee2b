"""How well a difference is known before a flight: the same model as the reduction, looked up in the air."""

import math
from dataclasses import replace

import numpy as np
import pytest

from logger_app.domain.comparison_model import Posterior, Prior, RunData
from logger_app.domain.design import Design, design_of, enough
from logger_app.fly.flight_records import ClosedRun, Intent, Touch
from logger_app.fly.flight_state import advance, begin
from logger_app.fly.verdict import Verdict
from logger_app.records.plan import Aircraft, AircraftConfig, Campaign, TestCard, TestPoint
from logger_app.records.runs import RunEnd
from logger_app.reduce.compare import compare_all
from logger_app.workflows.flight_session.printed import run_as_json
from logger_app.workflows.known import NOTHING_KNOWN, known_from
from tests.builders import Make

POINTS = TestPoint(id="A1", card="A"), TestPoint(id="A2", card="A", flap_deg=30.0)
CAMPAIGN = Campaign(
    name="x",
    aircraft=Aircraft(name="x", empty_weight_kg=400, reference_weight_kg=600, max_weight_kg=640, wing_area_m2=12),
    configurations=(AircraftConfig(id="base", name="b"), AircraftConfig(id="mod", name="m", parent="base")),
    cards=(TestCard(id="A", title="a", points=POINTS),),
)


def run(k, speed, configuration, flight):
    return Make().stall(k, speed, configuration, flight, wing_drop="none")


BASE = [run(k, v, "base", "f1") for k, v in enumerate((48.0, 49.0, 47.5, 48.5))]
MOD = [run(k, v, "mod", "f2") for k, v in enumerate((46.0, 46.8, 45.5))]


def test_nothing_is_said_before_the_other_configuration_has_flown():
    known = known_from(CAMPAIGN, BASE, "base")

    assert known.by_point == {}
    assert known.in_words(begin(POINTS)) == NOTHING_KNOWN.in_words(begin(POINTS)) == ""


def test_the_first_two_runs_of_a_change_are_not_a_difference_yet():
    first, second, third, *_ = known_from(CAMPAIGN, BASE, "mod").by_point["A1"]

    assert first is second is None and third is not None


def test_what_is_said_in_the_air_is_what_the_reduction_says_of_the_same_runs():
    """After three runs of each on a flight each, with both flights in the model."""
    (found,) = compare_all(CAMPAIGN, BASE + MOD).comparisons
    again = known_from(CAMPAIGN, BASE + MOD, "base").by_point["A1"][0]

    assert again[0] == pytest.approx((found.high_kt - found.low_kt) / 2, rel=0.02)
    assert again[2] == pytest.approx(found.next_flight_kt)


def test_more_runs_on_one_flight_help_less_and_less_and_a_flight_helps_more():
    halves = known_from(CAMPAIGN, BASE, "mod").by_point["A1"][2:]

    assert all(run < now and flight < now for now, run, flight in halves)
    assert [now for now, _, _ in halves[1:]] == pytest.approx([run for _, run, _ in halves[:-1]])
    assert halves[-1][0] - halves[-1][1] < 0.02 and halves[-1][2] < 0.8 * halves[-1][0]


def test_the_half_width_of_known_scatters_is_the_textbook_one():
    """Two means of n runs each with known sd: 1.96 sd sqrt(1/n + 1/n) (any textbook of statistics)."""
    data = RunData(
        cell=np.array([0, 0]), flight=np.array([0, 0]), speed_kt=np.array([50.0, 50.1]), u_kt=np.zeros(2),
        rate_kt_per_s=np.ones(2), flight_u_kt=np.zeros(1),
    )  # fmt: skip
    posterior = Posterior(data, Prior(run_sd_kt=0.8, run_sd_log_sd=1e-3, flight_sd_kt=0.0))
    sd = float(posterior.weight @ posterior.run_sd)
    now, run, _ = enough(posterior, Design(reference=(4,), changed=()), 4)

    assert now == pytest.approx(1.96 * sd * math.sqrt(1 / 4 + 1 / 4), rel=0.01)
    assert run == pytest.approx(1.96 * sd * math.sqrt(1 / 4 + 1 / 5), rel=0.01)
    assert now == pytest.approx(design_of(posterior, Design(reference=(4,), changed=(4,))).half_kt)


def test_the_line_is_of_the_point_that_is_set_up():
    known = known_from(CAMPAIGN, BASE + MOD, "mod")
    state = begin(POINTS)
    on, _ = advance(state, Touch(id="t", flight_ns=0, intent=Intent.NEXT))

    assert known.in_words(state).startswith("A1: known to ±") and "one more run ±" in known.in_words(state)
    assert known.in_words(on) == ""


def test_each_run_printed_has_what_was_known_when_it_was_over():
    verdict = Verdict(run="r", point="A1", counts=True)
    flown = [
        ClosedRun(
            id=f"r{k}", number=k, point="A1", start_ns=0, end_ns=1, calls=(), ended=RunEnd.RECOVERED, verdict=verdict
        )
        for k in (1, 2, 3)
    ]
    state = replace(begin(POINTS), runs=tuple(flown))
    known = known_from(CAMPAIGN, BASE, "mod")
    lines = [run_as_json(one, known.after_run(state, one)) for one in flown]

    assert "known_to_kt" not in lines[0]
    assert lines[1]["known_to_kt"] > lines[2]["known_to_kt"] > lines[2]["with_one_more_run_kt"]
    assert lines[1]["with_one_more_run_kt"] == lines[2]["known_to_kt"]


def test_runs_that_do_not_count_add_nothing():
    out = [replace(one, counts=False) for one in MOD]

    assert known_from(CAMPAIGN, BASE + out, "mod").by_point["A1"] == known_from(CAMPAIGN, BASE, "mod").by_point["A1"]

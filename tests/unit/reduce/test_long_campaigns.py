"""Flights one after another: the same results as all at once, and statistics that many runs do not slow down."""

import io
import json
from dataclasses import replace

import numpy as np
import pytest

from logger_app.errors import ReduceError
from logger_app.reduce import results_io, tables
from logger_app.reduce.as_json import reduction_to_json
from logger_app.reduce.campaign import Options, Reducer, reduce_campaign
from logger_app.reduce.compare import compare_all
from logger_app.reduce.results_io import ResultsDocument
from logger_app.reduce.tables import plain_text
from tests.builders import Make


def flights(make):
    """Three flights of two configurations, one run of them scratched."""
    made = []
    for f, (configuration, vs_kt) in enumerate((("base", 45.0), ("cuffs", 42.5), ("base", 45.4)), 1):
        runs = [
            make.run(make.approach(vs_kt=vs_kt + 0.2 * k), id=f"r{k}", flight=f"f{f}", number=k + 1) for k in range(3)
        ]
        made.append(make.flight(runs, id=f"f{f}", configuration=configuration))
    scratched = replace(made[0].runs.runs[1], discarded=True, why_discarded="scratch that")
    runs = (made[0].runs.runs[0], scratched, made[0].runs.runs[2])
    return [replace(made[0], runs=replace(made[0].runs, runs=runs)), *made[1:]]


def test_one_after_another_says_the_same_as_all_at_once(make):
    campaign, data = make.campaign(), flights(make)
    reducer = Reducer(campaign)

    in_full = [run for flight in data for run in reducer.add(flight)]
    one_by_one = reducer.finish()

    at_once = reduce_campaign(campaign, data)
    assert tuple(in_full) == at_once.runs
    assert replace(one_by_one, runs=()) == replace(at_once, runs=())
    assert [run.vs_std_kt for run in one_by_one.runs] == [run.vs_std_kt for run in at_once.runs]


def test_a_second_look_at_some_runs_of_a_flight_gives_what_the_first_gave(make):
    data = flights(make)
    reducer = Reducer(make.campaign())
    first = reducer.add(data[1])

    again = reducer.reduce(data[1], only={"r2"})

    assert again == (first[2],)
    assert len(reducer.finish().runs) == 3


def test_options_that_contradict_each_other_are_refused_before_any_flight(make):
    with pytest.raises(ReduceError, match="both or neither"):
        Reducer(make.campaign(), Options(to_cg_mm=2000.0))


@pytest.mark.parametrize("in_memory", [1, 10**6])
@pytest.mark.parametrize("count", [0, 3])
def test_the_document_written_run_by_run_is_that_of_the_whole(make, tmp_path, monkeypatch, in_memory, count):
    monkeypatch.setattr(results_io, "IN_MEMORY_BYTES", in_memory)
    whole = reduce_campaign(make.campaign(name='"runs": [],\n'), flights(make)[:count])
    said = io.StringIO()

    with ResultsDocument(tmp_path) as document:
        for run in whole.runs:
            document.add([run])
        path = document.finish(whole)
        document.copy_to(said)

    text = json.dumps(reduction_to_json(whole), ensure_ascii=False, indent=1) + "\n"
    assert said.getvalue() == text == path.read_text("utf-8")


def test_a_document_that_was_not_finished_leaves_nothing(make, tmp_path):
    with pytest.raises(KeyboardInterrupt), ResultsDocument(tmp_path) as document:
        document.add(reduce_campaign(make.campaign(), flights(make)).runs)
        raise KeyboardInterrupt

    assert list(tmp_path.iterdir()) == []


def test_many_runs_are_not_all_printed_and_that_is_said(make, monkeypatch):
    monkeypatch.setattr(tables, "MAX_LINES", 2)
    campaign = make.campaign()
    text = plain_text(campaign, reduce_campaign(campaign, flights(make)))

    assert "Runs, the last 2 of 9; all are in results/reduction.json" in text
    assert text.count("\n  f3 ") == 2 and text.count("\n  f2 ") == 0
    assert "Left out\n  f1 r1: discarded" in text


def run(k, speed, configuration, flight, rate):
    return Make().stall(k, speed, configuration, flight, vs_ias_kt=speed, vs_cas_kt=None, entry_rate_kt_per_s=rate)


def test_many_flights_cost_what_they_add_and_no_more(make):
    """A thousand flights of twenty runs: the effects of flights are taken out one by one, never as one matrix."""
    rng = np.random.default_rng(1)
    runs = [
        run(k, 48.0 - 1.0 * (f % 2) + offset + rng.normal(0, 0.5), ("base", "cuffs")[f % 2], f"f{f}", 1.0)
        for f, offset in enumerate(rng.normal(0, 0.4, 1000))
        for k in range(20)
    ]

    both = compare_all(make.campaign(), runs)
    found = both.comparisons[0]
    assert found.low_kt < -1.0 < found.high_kt and found.high_kt - found.low_kt < 0.15
    assert both.model.flight_sd_kt[1] < 0.4 < both.model.flight_sd_kt[2]
    assert both.model.run_sd_kt[1] < 0.5 < both.model.run_sd_kt[2]

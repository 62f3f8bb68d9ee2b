"""Traces that lie in a flight's folder, and those that are asked for."""

import numpy as np
import pytest

from logger_app.errors import ReduceError
from logger_app.records.plan import Indicator
from logger_app.reduce.join_io import asked_traces, join_traces

INDICATOR = Indicator(reading_lag_s=0.6)


def test_what_is_asked_for_by_flight():
    found = asked_traces(["f1=a.csv", "f2=b=c.gpx", "f1=d.nmea"], ["f1", "f2"])

    assert {id: [str(path) for path in paths] for id, paths in found.items()} == {
        "f1": ["a.csv", "d.nmea"],
        "f2": ["b=c.gpx"],
    }
    assert asked_traces([], ["f1"]) == {}


@pytest.mark.parametrize(
    "text, flights, known", [("f9=a.csv", ["f1", "f2"], "f1, f2"), ("f1", ["f1"], "f1"), ("a.csv", [], "no flight")]
)
def test_a_trace_for_no_flight_of_these(text, flights, known):
    with pytest.raises(ReduceError) as caught:
        asked_traces([text], flights)

    assert (caught.value.faults[0].got, caught.value.faults[0].expected) == (
        repr(text),
        f"FLIGHT=FILE with a flight of {known}",
    )


@pytest.fixture
def flown(make, tmp_path):
    """A flight of two approaches, and a function that writes a trace of it."""
    runs, at = [], 10.0
    for k in range(2):
        calls = [c for c in make.approach(vs_kt=45.0 + k, rate=0.8 + 0.3 * k, t0=at, lag_s=0.6)]
        runs.append(make.run(calls, id=f"r{k}", number=k + 1))
        at = calls[-1].flight_s + 25
    knots = sorted((c.flight_s - 0.6, c.ias_kt) for run in runs for c in run.calls if c.ias_kt)

    def write(path, factor=1.0):
        path.parent.mkdir(exist_ok=True)
        rows = [f"{t:.1f},{factor * np.interp(t, *zip(*knots)):.2f},5000" for t in np.arange(0, at, 0.5)]
        path.write_text("time_s,ias_kt,altitude_ft\n" + "\n".join(rows), encoding="utf-8")
        return path

    return make.flight(runs), write, tmp_path


def test_a_trace_that_lies_there_is_joined_and_others_are_left_alone(flown):
    flight, write, folder = flown
    write(folder / "traces" / "t.CSV")
    (folder / "traces" / "notes.txt").write_text("not a trace", encoding="utf-8")

    at_event, lying, wanted = join_traces(folder, flight, INDICATOR)

    assert {run: there.altitude_ft for run, there in at_event.items()} == {"r0": 5000.0, "r1": 5000.0}
    assert len(lying) == 1 and lying[0].startswith("flight f1: t.CSV joined by ias_kt") and wanted == []


def test_one_that_does_not_fit_is_left_out_where_it_lies_and_refused_where_it_was_asked_for(flown):
    flight, write, folder = flown
    odd = folder / "traces" / "a.csv"
    write(odd)
    odd.write_text("time_s,ias_kt\n1,x\n", encoding="utf-8")
    write(folder / "traces" / "b.csv")

    at_event, lying, _ = join_traces(folder, flight, INDICATOR)

    assert set(at_event) == {"r0", "r1"}
    assert lying[0].startswith("flight f1: not joined: a.csv") and "joined by" in lying[1]
    with pytest.raises(ReduceError):
        join_traces(folder, flight, INDICATOR, [odd])


def test_one_asked_for_is_joined_wherever_it_is(flown):
    flight, write, folder = flown
    at_event, lying, wanted = join_traces(folder, flight, INDICATOR, [write(folder / "elsewhere" / "t.csv")])

    assert set(at_event) == {"r0", "r1"} and lying == []
    assert len(wanted) == 1 and wanted[0].startswith("flight f1: t.csv joined by ias_kt")


def test_without_a_folder_of_traces_there_are_none(flown):
    flight, _, folder = flown

    assert join_traces(folder, flight, INDICATOR) == ({}, [], [])

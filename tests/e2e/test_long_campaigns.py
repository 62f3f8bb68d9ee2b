"""Memory of `reduce` and `report` does not follow the number of runs; a second look at a flight sees what the first saw.

Counted in bytes that Python holds (`tracemalloc`) and in live records, never timed; how it goes with 20,000
runs is for `tests/bench/reduce.py --flights 200` and `report.py --flights 200`.
"""

import gc
import json
import tracemalloc
from pathlib import Path

import pytest
from bench import campaigns as made

from logger_app.__main__ import main
from logger_app.logstore import codec
from logger_app.logstore.store import Journal
from logger_app.records.calls import Action, Correction
from logger_app.records.runs import Run
from logger_app.reduce import results_io
from logger_app.report import figures, tables_io, view
from logger_app.workflows import campaign
from logger_app.workflows.campaign import FlightByFlight

RUNS, FEW, MANY = 8, 3, 9
# Of a run its speeds, budget and remarks are kept; whole runs with their calls took 60,000 and more.
MAX_BYTES_A_RUN = 8000


@pytest.fixture(scope="module")
def campaigns(tmp_path_factory):
    """The same campaign after three flights and after nine."""
    folder = tmp_path_factory.mktemp("long")
    return {flights: made.write_campaign(folder / f"{flights}", flights, RUNS, points=2) for flights in (FEW, MANY)}


def peak_bytes(words) -> int:
    gc.collect()
    tracemalloc.start()
    try:
        assert main([*map(str, words)]) == 0
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


@pytest.mark.slow
@pytest.mark.parametrize("verb", ["reduce", "report"])
def test_three_times_the_flights_take_hardly_more_memory(campaigns, tmp_path, capsys, monkeypatch, verb):
    # What is held up to a bound is held here too, of these few runs: the bounds are made as small.
    monkeypatch.setattr(view, "MAX_DETAILED", 4)
    monkeypatch.setattr(view, "MAX_LISTED", 4)
    monkeypatch.setattr(figures, "MAX_DRAWN", 4)
    monkeypatch.setattr(campaign, "MAX_KEPT_ROWS", 200)
    monkeypatch.setattr(tables_io, "GROUP_ROWS", 10)
    monkeypatch.setattr(results_io, "IN_MEMORY_BYTES", 1)
    # Between two flights nothing waits for the collector: when that comes is chance, and what waits is of the last flights.
    load = campaign._load
    monkeypatch.setattr(campaign, "_load", lambda *args: (gc.collect(), load(*args))[1])
    words = {
        flights: [verb, folder, *(["-o", tmp_path / str(flights)] if verb == "report" else [])]
        for flights, folder in campaigns.items()
    }
    assert main([*map(str, words[FEW])]) == 0  # what is loaded and cached once is not counted
    few, many = peak_bytes(words[FEW]), peak_bytes(words[MANY])

    assert (many - few) / ((MANY - FEW) * RUNS) < MAX_BYTES_A_RUN


def test_one_flights_runs_are_alive_at_a_time(campaigns):
    reader, alive = FlightByFlight(campaigns[FEW]), []
    for _ in reader:
        gc.collect()
        alive.append(sum(type(thing) is Run for thing in gc.get_objects()))

    assert max(alive) <= 2 * min(alive)
    assert len(reader.reduction().runs) == FEW * RUNS


def test_a_second_look_sees_the_flight_as_it_was_at_first(campaigns):
    reader = FlightByFlight(campaigns[FEW])
    first = {data.info.id: (data, runs) for data, runs in reader}
    data, runs = first["f0000_base"]
    late = Correction(id="late", utc=made.UTC, who="crew 2", action=Action.REJECT, target=data.runs.runs[0].calls[3].id)
    with Journal.open(campaigns[FEW] / "flights" / "f0000_base") as journal:
        journal.append([codec.correction_row(late)])

    again, reduced = reader.again("f0000_base", {runs[0].run})

    assert again == data
    assert reduced == runs[:1]


def test_runs_can_be_asked_for_by_name(campaigns, tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(view, "MAX_DETAILED", 6)

    assert (
        main(
            [
                "report",
                str(campaigns[FEW]),
                "-o",
                str(tmp_path / "r"),
                "--runs",
                "f0002_base:3-4, f0001_cuffs:7",
                "--json",
            ]
        )
        == 0
    )

    html = Path(json.loads(capsys.readouterr().out)["report"]).read_text("utf-8")
    assert all(f'<details id="r{anchor}">' in html for anchor in ("3-3", "3-4", "2-7"))
    assert "6 of 24 runs are shown in detail: 3 asked for" in html
    assert main(["report", str(campaigns[FEW]), "-o", str(tmp_path / "s"), "--runs", "f9:1"]) == 1
    assert "--runs f9:1: no such run" in capsys.readouterr().err
    assert not (tmp_path / "s").exists()

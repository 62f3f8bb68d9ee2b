"""Finds the traces of a campaign's flights, reads them and joins them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from logger_app.errors import Fault, ReduceError
from logger_app.records.plan import Indicator
from logger_app.records.runs import FlightData
from logger_app.reduce.trace import TraceAtEvent, join
from logger_app.reduce.trace_io import read_trace

FLIGHTS_DIR, TRACES_DIR = "flights", "traces"
SUFFIXES = (".csv", ".gpx", ".nmea", ".nma")


def join_traces(
    campaign_dir: Path, flights: Sequence[FlightData], indicator: Indicator, given: Sequence[str] = ()
) -> tuple[dict[tuple[str, str], TraceAtEvent], list[str]]:
    """Join every trace that lies in `flights/<id>/traces/`, and those that are given.

    Parameters
    ----------
    campaign_dir : Path
        Campaign folder [-].
    flights : sequence of FlightData
        Its flights [-].
    indicator : Indicator
        For the reading lag [-].
    given : sequence of str
        ``FLIGHT=FILE`` each [-].

    Returns
    -------
    (dict of (str, str) to TraceAtEvent, list of str)
        By flight and run; and one line a trace, saying how it was joined, lag included [-].

    Raises
    ------
    ReduceError
        A given flight is not there, or a given trace cannot be read or aligned. One that merely
        lies in the folder is left out instead, and its line says why.
    """
    by_id = {flight.info.id: flight for flight in flights}
    asked = [_given(text, by_id) for text in given]
    at_event: dict[tuple[str, str], TraceAtEvent] = {}
    steps = []
    for id, path in [*_lying_about(Path(campaign_dir), by_id), *asked]:
        try:
            joined = join(read_trace(path), by_id[id], indicator)
        except ReduceError as err:
            if (id, path) in asked:
                raise
            steps.append(f"flight {id}: not joined: {err}")
            continue
        at_event |= {(id, run): there for run, there in joined.at_event.items()}
        steps.append(f"flight {id}: {joined.alignment.in_words()}")
    return at_event, steps


def _lying_about(campaign_dir: Path, by_id) -> list[tuple[str, Path]]:
    folders = [(id, campaign_dir / FLIGHTS_DIR / id / TRACES_DIR) for id in by_id]
    return [
        (id, path)
        for id, folder in folders
        if folder.is_dir()
        for path in sorted(folder.iterdir())
        if path.suffix.lower() in SUFFIXES
    ]


def _given(text: str, by_id) -> tuple[str, Path]:
    id, equals, name = text.partition("=")
    if not equals or id not in by_id:
        known = ", ".join(by_id) or "no flight"
        raise ReduceError(faults=(Fault(where="--trace", got=repr(text), expected=f"FLIGHT=FILE with a flight of {known}"),))
    return id, Path(name)

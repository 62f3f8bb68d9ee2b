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
        A given flight is not there, or a trace cannot be read or aligned.
    """
    by_id = {flight.info.id: flight for flight in flights}
    wanted = [_given(text, by_id) for text in given]
    for id in by_id:
        folder = Path(campaign_dir) / FLIGHTS_DIR / id / TRACES_DIR
        if folder.is_dir():
            wanted += [(id, path) for path in sorted(folder.iterdir()) if path.suffix.lower() in SUFFIXES]
    at_event: dict[tuple[str, str], TraceAtEvent] = {}
    steps = []
    for id, path in wanted:
        joined = join(read_trace(path), by_id[id], indicator)
        at_event |= {(id, run): there for run, there in joined.at_event.items()}
        steps.append(f"flight {id}: {joined.alignment.in_words()}")
    return at_event, steps


def _given(text: str, by_id) -> tuple[str, Path]:
    id, equals, name = text.partition("=")
    if not equals or id not in by_id:
        known = ", ".join(by_id) or "no flight"
        raise ReduceError(faults=(Fault(where="--trace", got=repr(text), expected=f"FLIGHT=FILE with a flight of {known}"),))
    return id, Path(name)

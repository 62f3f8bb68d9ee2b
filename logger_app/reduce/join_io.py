"""Finds the traces of a flight, reads them and joins them."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from pathlib import Path

from logger_app.errors import Fault, ReduceError
from logger_app.records.plan import Indicator
from logger_app.records.runs import FlightData
from logger_app.reduce.columns_io import remembered
from logger_app.reduce.trace import TraceAtEvent, join
from logger_app.reduce.trace_io import read_trace

TRACES_DIR = "traces"
SUFFIXES = (".csv", ".gpx", ".nmea", ".nma")


def asked_traces(given: Sequence[str], flights: Collection[str]) -> dict[str, list[Path]]:
    """What ``--trace`` asks for, by flight.

    Raises
    ------
    ReduceError
        One names no flight of these.
    """
    asked: dict[str, list[Path]] = {}
    for text in given:
        id, equals, name = text.partition("=")
        if not equals or id not in flights:
            known = ", ".join(list(flights)[:12]) or "no flight"
            known += f" and {len(flights) - 12} more" if len(flights) > 12 else ""
            raise ReduceError(
                faults=(Fault(where="--trace", got=repr(text), expected=f"FLIGHT=FILE with a flight of {known}"),)
            )
        asked.setdefault(id, []).append(Path(name))
    return asked


def join_traces(
    flight_dir: Path, flight: FlightData, indicator: Indicator, asked: Sequence[Path] = ()
) -> tuple[Mapping[str, TraceAtEvent], list[str], list[str]]:
    """Join every trace that lies in a flight's `traces/`, and those that are asked for.

    Returns
    -------
    (mapping of str to TraceAtEvent, list of str, list of str)
        By run; one line a trace that lay there and one a trace asked for, saying how it was joined,
        lag included.

    Raises
    ------
    ReduceError
        A trace asked for cannot be read or aligned. One that merely lies in the folder is left out
        instead, and its line says why.
    """
    at_event: dict[str, TraceAtEvent] = {}
    lying, wanted = [], []
    columns = remembered(Path(flight_dir).parent.parent)
    for path in _lying_about(Path(flight_dir) / TRACES_DIR):
        try:
            joined = join(read_trace(path, columns if path.suffix.lower() == ".csv" else {}), flight, indicator)
        except ReduceError as err:
            lying.append(f"flight {flight.info.id}: not joined: {err}")
            continue
        at_event |= joined.at_event
        lying.append(f"flight {flight.info.id}: {joined.alignment.in_words()}")
    for path in asked:
        joined = join(read_trace(path, columns if path.suffix.lower() == ".csv" else {}), flight, indicator)
        at_event |= joined.at_event
        wanted.append(f"flight {flight.info.id}: {joined.alignment.in_words()}")
    return at_event, lying, wanted


def _lying_about(folder: Path) -> list[Path]:
    if not folder.is_dir():
        return []
    return [path for path in sorted(folder.iterdir()) if path.suffix.lower() in SUFFIXES]

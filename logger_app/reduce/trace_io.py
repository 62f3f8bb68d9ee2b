"""Reads a trace: CSV with units in its column names, GPX, or NMEA 0183. Nothing is guessed.

GPX is parsed with expat and a document type is refused, so no entity is ever expanded and
nothing outside the file is read.
"""

from __future__ import annotations

import csv
import itertools
import math
from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path
from types import MappingProxyType
from xml.parsers import expat

import numpy as np

from logger_app.errors import Fault, FileRefused, ReduceError
from logger_app.io import files as files_io
from logger_app.reduce.atmosphere import pressure_altitude_ft
from logger_app.reduce.columns_io import guess_columns, our_names
from logger_app.reduce.samples import Trace
from logger_app.units import HPA_PER_INHG, KT_PER_KMH, KT_PER_MPH, KT_PER_MPS, M_PER_FT, M_PER_NMI

# Ten hours at ten samples a second with twenty columns; parsed, a trace takes some ten times its size.
MAX_BYTES = 64_000_000
MAX_SAMPLES = 500_000
# GPX puts four elements inside each other; extensions a few more.
DEEPEST = 64
# A time or a number in a GPX is no longer.
LONGEST_TEXT = 100
MIN_SAMPLES = 2
# Mean radius of the earth, for distances of a few metres between fixes (from memory).
EARTH_RADIUS_M = 6_371_000.0

# Column of a CSV -> (our column, factor, offset): value * factor + offset.
CSV_COLUMNS: dict[str, tuple[str, float, float]] = {
    **{f"{kind}_kt": (f"{kind}_kt", 1.0, 0.0) for kind in ("ias", "cas", "tas", "ground_speed")},
    **{f"{kind}_mph": (f"{kind}_kt", KT_PER_MPH, 0.0) for kind in ("ias", "cas", "tas", "ground_speed")},
    **{f"{kind}_kmh": (f"{kind}_kt", KT_PER_KMH, 0.0) for kind in ("ias", "cas", "tas", "ground_speed")},
    **{f"{kind}_mps": (f"{kind}_kt", KT_PER_MPS, 0.0) for kind in ("ias", "cas", "tas", "ground_speed")},
    "altitude_ft": ("altitude_ft", 1.0, 0.0),
    "altitude_m": ("altitude_ft", 1 / M_PER_FT, 0.0),
    "pressure_altitude_ft": ("altitude_ft", 1.0, 0.0),
    "pressure_altitude_m": ("altitude_ft", 1 / M_PER_FT, 0.0),
    "indicated_altitude_ft": ("indicated_ft", 1.0, 0.0),
    "indicated_altitude_m": ("indicated_ft", 1 / M_PER_FT, 0.0),
    "altimeter_hpa": ("altimeter_hpa", 1.0, 0.0),
    "altimeter_inhg": ("altimeter_hpa", HPA_PER_INHG, 0.0),
    "track_deg": ("track_deg", 1.0, 0.0),
    "heading_deg": ("heading_deg", 1.0, 0.0),
    "load_factor": ("load_factor", 1.0, 0.0),
    "nz": ("load_factor", 1.0, 0.0),
    "nzw": ("load_factor_wind", 1.0, 0.0),
    "load_factor_wind": ("load_factor_wind", 1.0, 0.0),
    "alpha_deg": ("alpha_deg", 1.0, 0.0),
    "pitch_deg": ("pitch_deg", 1.0, 0.0),
    "roll_deg": ("roll_deg", 1.0, 0.0),
    "bank_deg": ("roll_deg", 1.0, 0.0),
    "oat_degc": ("oat_degc", 1.0, 0.0),
    "oat_degf": ("oat_degc", 5 / 9, -160 / 9),
    "latitude_deg": ("latitude_deg", 1.0, 0.0),
    "longitude_deg": ("longitude_deg", 1.0, 0.0),
}
CLOCK_TIME = "clock_time"  # a recorder's own clock: 10:22:31.5
ALTIMETER_HPA = (850.0, 1090.0)  # a setting outside is none
TIME_COLUMNS = ("flight_s", "time_s", "utc")


def read_trace(path: Path, columns: Mapping[str, str] = MappingProxyType({})) -> Trace:
    """Read a trace.

    Parameters
    ----------
    path : Path
        A ``.csv``, ``.gpx`` or ``.nmea`` (``.nma``, ``.txt``) file.
    columns : mapping of str to str
        Which column of a CSV is which of ours, where its names are others (see `columns_io`).

    Returns
    -------
    Trace
        Times count from its first sample, or are the flight clock when its column says so.

    Raises
    ------
    ReduceError
        It is missing, empty, damaged, of another kind, or has no time: with file and line.
    """
    path = Path(path)
    readers: dict[str, Callable[[str, str], Trace]] = {
        ".csv": lambda text, name: _read_csv(text, name, columns),
        ".gpx": _read_gpx,
        ".nmea": _read_nmea,
        ".nma": _read_nmea,
        ".txt": _read_nmea,
    }
    reader = readers.get(path.suffix.lower())
    if reader is None:
        raise fault(path, f"a {path.suffix or 'nameless'} file", "a .csv, .gpx or .nmea file")
    trace = reader(read_text(path), path.name)
    if len(trace.time_s) < MIN_SAMPLES:
        raise fault(path, f"{len(trace.time_s)} sample(s) with a time", f"{MIN_SAMPLES} or more")
    return _with_velocity(trace)


def read_text(path: Path) -> str:
    """A text file whole, within reason.

    Raises
    ------
    ReduceError
        It is missing, unreadable, empty, too large or no text.
    """
    try:
        if path.stat().st_size > MAX_BYTES:
            raise fault(path, f"{path.stat().st_size} bytes", f"at most {MAX_BYTES}")
        text = files_io.read_text(path, MAX_BYTES)
    except FileRefused as err:
        raise fault(path, str(err).removeprefix(f"{path}: "), "an ordinary file") from err
    except OSError as err:
        raise fault(path, err.strerror or str(err), "a file that can be read") from err
    except UnicodeDecodeError as err:
        raise fault(path, f"byte {err.start} is not UTF-8 text", "a text file in UTF-8") from err
    if not text.strip():
        raise fault(path, "an empty file", "samples")
    return text


def fault(path: Path | str, got: str, expected: str, line: int | None = None) -> ReduceError:
    """The error for one thing wrong with an input file.

    Parameters
    ----------
    line : int, optional
        Line, counted from 1.
    """
    where = f"{path}, line {line}" if line else str(path)
    return ReduceError(faults=(Fault(where=where, got=got, expected=expected),))


def csv_rows(text: str, name: str) -> list[tuple[int, dict[str, str]]]:
    """Rows of a CSV with a header, with their line numbers; comment lines (#) skipped.

    Parameters
    ----------
    text : str
        The file's text; comma, semicolon or tab.

    Returns
    -------
    list of (int, dict)
        Line number and cells by column name.

    Raises
    ------
    ReduceError
        There is no header with a row under it.
    """
    lines = [(k, line) for k, line in enumerate(text.splitlines(), 1) if line.strip() and not line.startswith("#")]
    if len(lines) < 2:
        raise fault(name, "no rows", "a header line and at least one row")
    header_text = lines[0][1]
    mark = max(",;\t", key=header_text.count)
    try:
        header = [cell.strip().lower() for cell in next(csv.reader([header_text], delimiter=mark))]
    except csv.Error as err:
        raise fault(name, str(err), "a CSV header", lines[0][0]) from None
    if len(lines) > MAX_SAMPLES:
        raise fault(name, f"{len(lines)} rows", f"at most {MAX_SAMPLES}")
    rows = []
    for number, line in lines[1:]:  # a line is a row: no cell of a trace holds a line break
        try:
            cells = next(csv.reader([line], delimiter=mark), [])
        except csv.Error as err:
            raise fault(name, str(err), "a CSV line", number) from None
        rows.append(
            (number, dict(itertools.zip_longest(header, (c.strip() for c in cells[: len(header)]), fillvalue="")))
        )
    return rows


def number_in(cell: str | None, name: str, line: int, column: str) -> float:
    """A number in a cell; NaN when it is empty or says so.

    Parameters
    ----------
    line : int
        Line, counted from 1.

    Raises
    ------
    ReduceError
        It is not a number.
    """
    if cell is None or cell == "" or cell.lower() in ("nan", "na", "null", "-"):
        return math.nan
    try:
        value = float(cell)
    except ValueError:
        raise fault(name, f"{column} = {cell!r}", "a number", line) from None
    return value if math.isfinite(value) else math.nan


def with_pressure_altitude(read: dict) -> dict:
    """Columns, with what the altimeter read and was set to made into a pressure altitude where none is given.

    References
    ----------
    [SFTE] ch. 3: an altimeter's two scales differ by the pressure altitude of its setting.
    """
    read = dict(read)
    indicated, setting = read.pop("indicated_ft", None), read.pop("altimeter_hpa", None)
    if indicated is None or setting is None or "altitude_ft" in read:
        return read
    low, high = ALTIMETER_HPA
    scale_ft = [pressure_altitude_ft(hpa) if low <= hpa <= high else math.nan for hpa in np.ravel(setting).tolist()]
    return {**read, "altitude_ft": indicated + np.reshape(scale_ft, np.shape(setting))}


def _read_csv(text: str, name: str, columns: Mapping[str, str]) -> Trace:
    rows = csv_rows(text, name)
    header = list(rows[0][1])
    notes: tuple[str, ...] = ()
    clock = next((c for c in TIME_COLUMNS if c in header), None)
    if columns or clock is None or not any(c in CSV_COLUMNS for c in header):
        chosen = columns or guess_columns(header)
        names = our_names(chosen, header, name)
        rows = [(line, {names.get(column, column): cell for column, cell in row.items()}) for line, row in rows]
        said = ", ".join(f"{ours}={theirs}" for ours, theirs in chosen.items())
        notes = () if columns or not chosen else (f'columns guessed: --columns "{said}"',)
        header = list(rows[0][1])
        clock = next((c for c in (*TIME_COLUMNS, CLOCK_TIME) if c in header), None)
    known = [c for c in header if c in CSV_COLUMNS]
    if clock is None or not known:
        raise fault(
            name,
            f"columns {', '.join(header)}",
            f"a time ({', '.join(TIME_COLUMNS)}) and some of {', '.join(CSV_COLUMNS)}; name others with --columns",
        )
    times = [_any_time(row.get(clock) or "", clock, name, line) for line, row in rows]
    read = {}
    for source in known:
        column, factor, offset = CSV_COLUMNS[source]
        values = np.array([number_in(row.get(source), name, line, source) for line, row in rows])
        read[column] = values * factor + offset
    return _trace(name, times, with_pressure_altitude(read), on_flight_clock=clock == "flight_s", notes=notes)


def _read_gpx(text: str, name: str) -> Trace:
    found: list[dict[str, str]] = []
    path: list[str] = []

    def opened(tag, attributes):
        path.append(tag.rsplit(":", 1)[-1].lower())
        if len(path) > DEEPEST or len(found) > MAX_SAMPLES:
            raise fault(
                name,
                "elements too deep" if len(path) > DEEPEST else "too many points",
                f"{DEEPEST} deep, {MAX_SAMPLES} points at most",
            )
        if path[-1] == "trkpt":
            found.append({"latitude_deg": attributes.get("lat", ""), "longitude_deg": attributes.get("lon", "")})

    def text_in(data):
        if found and "trkpt" in path and path[-1] in ("ele", "time", "speed", "course"):
            found[-1][path[-1]] = (found[-1].get(path[-1], "") + data)[:LONGEST_TEXT]

    def refused(*_):
        raise fault(name, "a document type declaration", "a plain GPX file")

    parser = expat.ParserCreate()
    parser.StartDoctypeDeclHandler = refused  # no document type, so no entities
    parser.StartElementHandler, parser.CharacterDataHandler = opened, text_in
    parser.EndElementHandler = lambda _: path.pop()
    try:
        parser.Parse(text.encode("utf-8"), True)
    except expat.ExpatError as err:
        raise fault(name, expat.errors.messages[err.code], "well-formed GPX", err.lineno) from err
    points = [point for point in found if point.get("time", "").strip()]
    if not points:
        raise fault(name, f"{len(found)} track point(s), none with a time", "track points with <time>")

    def column(key, factor=1.0):
        return np.array([number_in(p.get(key, "").strip(), name, 0, key) for p in points]) * factor

    columns = {
        "latitude_deg": column("latitude_deg"),
        "longitude_deg": column("longitude_deg"),
        "altitude_ft": column("ele", 1 / M_PER_FT),
        "ground_speed_kt": column("speed", KT_PER_MPS),
        "track_deg": column("course"),
    }
    return _trace(name, [_time(p["time"].strip(), name, 0) for p in points], columns)


def _read_nmea(text: str, name: str) -> Trace:
    fixes: dict[float, dict[str, float]] = {}
    damaged, day, last = 0, 0, -1.0
    for line in text.splitlines():
        fields = _nmea_fields(line.strip())
        if fields is None:
            damaged += line.strip().startswith("$")
            continue
        kind = fields[0][-3:]
        if kind not in ("RMC", "GGA") or len(fields) < 9 or not fields[1]:
            continue
        clock = _nmea_clock(fields[1])
        if clock is None:
            damaged += 1
            continue
        if clock + 86_400 * day < last - 43_200:  # past midnight
            day += 1
        last = clock + 86_400 * day
        fixes.setdefault(last, {}).update(_nmea_values(kind, fields))
    if not fixes:
        raise fault(name, "no RMC or GGA sentence with a time", "NMEA 0183 sentences")
    times = sorted(fixes)
    names = ("latitude_deg", "longitude_deg", "altitude_ft", "ground_speed_kt", "track_deg")
    columns = {column: np.array([fixes[t].get(column, math.nan) for t in times]) for column in names}
    notes = (f"{damaged} damaged sentence(s) skipped",) if damaged else ()
    return _trace(name, times, columns, notes=notes)


def _nmea_fields(line: str) -> list[str] | None:
    """Fields of a sentence whose checksum holds (or that has none); None otherwise."""
    if not line.startswith("$"):
        return None
    body, star, given = line[1:].partition("*")
    if star:
        total = 0
        for char in body:
            total ^= ord(char)
        if given.strip().upper() != f"{total:02X}":
            return None
    return body.split(",")


def _nmea_clock(text: str) -> float | None:
    try:
        return int(text[:2]) * 3600 + int(text[2:4]) * 60 + float(text[4:])
    except ValueError:
        return None


def _nmea_values(kind: str, fields: list[str]) -> dict[str, float]:
    at = 2 if kind == "GGA" else 3
    values = {
        "latitude_deg": _nmea_angle(fields[at], fields[at + 1]),
        "longitude_deg": _nmea_angle(fields[at + 2], fields[at + 3]),
    }
    if kind == "GGA":
        values["altitude_ft"] = _float(fields[9] if len(fields) > 9 else "") / M_PER_FT
    else:
        values |= {"ground_speed_kt": _float(fields[7]), "track_deg": _float(fields[8])}
    return {key: value for key, value in values.items() if math.isfinite(value)}


def _nmea_angle(text: str, side: str) -> float:
    value = _float(text)
    degrees = math.floor(value / 100) if math.isfinite(value) else math.nan
    angle = degrees + (value - 100 * degrees) / 60
    return -angle if side in ("S", "W") else angle


def _float(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return math.nan


def _any_time(cell: str, clock: str, name: str, line: int) -> float:
    """A time in the unit of its column; of a recorder's local clock, seconds of the day [s]."""
    if clock == "utc" or (clock == CLOCK_TIME and ("T" in cell or "-" in cell)):
        return _time(cell, name, line)
    if clock != CLOCK_TIME or ":" not in cell:
        return number_in(cell, name, line, clock)
    parts = [number_in(part, name, line, clock) for part in cell.split(":")]
    return sum(part * 60.0 ** (len(parts) - 1 - k) for k, part in enumerate(parts))


def _time(text: str, name: str, line: int) -> float:
    try:
        return datetime.fromisoformat(text).timestamp()
    except (ValueError, OverflowError, OSError):
        raise fault(name, f"time {text!r}", "an ISO 8601 time such as 2031-05-04T07:12:03Z", line or None) from None


def _trace(name: str, times, columns, on_flight_clock: bool = False, notes: tuple[str, ...] = ()) -> Trace:
    """Samples with a time, in order, first of equals kept; times from the first one on."""
    time_s = np.asarray(times, float)
    keep = np.flatnonzero(np.isfinite(time_s))
    order = keep[np.argsort(time_s[keep], kind="stable")]
    _, first = np.unique(time_s[order], return_index=True)
    order = order[first]
    time_s = time_s[order]
    if not on_flight_clock and len(time_s):
        time_s = time_s - time_s[0]
    known = {n: v[order] for n, v in columns.items() if np.isfinite(v[order]).any()}
    return Trace(source=name, time_s=time_s, columns=known, on_flight_clock=on_flight_clock, notes=notes)


def _with_velocity(trace: Trace) -> Trace:
    """Ground speed and track from positions where the file gives none."""
    have = trace.columns
    if "ground_speed_kt" in have and "track_deg" in have or not {"latitude_deg", "longitude_deg"} <= set(have):
        return trace
    latitude, longitude = np.radians(have["latitude_deg"]), np.radians(have["longitude_deg"])
    north = np.gradient(latitude, trace.time_s) * EARTH_RADIUS_M
    east = np.gradient(np.unwrap(longitude), trace.time_s) * EARTH_RADIUS_M * np.cos(latitude)
    found = {
        "ground_speed_kt": np.hypot(north, east) * 3600 / M_PER_NMI,
        "track_deg": np.degrees(np.arctan2(east, north)) % 360,
    }
    return Trace(
        source=trace.source,
        time_s=trace.time_s,
        columns={**found, **have},
        on_flight_clock=trace.on_flight_clock,
        notes=(*trace.notes, "ground speed and track worked out from positions"),
    )

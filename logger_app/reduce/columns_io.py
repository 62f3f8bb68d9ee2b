"""Columns of a recorder's table by other names than ours: given, remembered in the campaign, or guessed.

``time=Lcl Time,ias=Indicated Airspeed (mph)`` says which column of the file is which of ours; a unit stands in
brackets in the file's name or at the end of ours (``ias_mph=IAS``). Remembered in `recorder.toml` beside
`campaign.toml`. Main names: `parse_columns`, `guess_columns`, `our_names`, `remember`, `remembered`.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path

import tomlkit

from logger_app.errors import Fault, ReduceError
from logger_app.io.files import is_file, read_text, write_text

RECORDER_FILE = "recorder.toml"
# What a header may call a quantity, the likeliest first; whole words of its name without unit (common practice).
NAMES = {
    "time": ("lcl time", "local time", "utc time", "gps time", "session time", "time stamp", "timestamp", "time"),
    "ias": ("indicated airspeed", "airspeed indicated", "ias", "airspeed"),
    "cas": ("calibrated airspeed", "cas"),
    "tas": ("true airspeed", "tas"),
    "ground_speed": ("ground speed", "groundspeed", "gnd spd", "gndspd", "gs"),
    "pressure_altitude": ("pressure altitude", "palt", "press alt"),
    "indicated_altitude": ("indicated altitude", "altitude indicated", "alt ind"),
    "altimeter": ("altimeter setting", "baro setting", "altimeter", "qnh"),
    "altitude": ("altitude", "gps altitude", "alt", "altmsl", "altb"),
    "load_factor": ("normal acceleration", "vertical acceleration", "normac", "vertical g", "load factor", "nz", "g"),
    "oat": ("outside air temperature", "oat"),
    "track": ("ground track", "track", "trk"),
    "heading": ("magnetic heading", "heading", "hdg"),
    "latitude": ("latitude", "lat"),
    "longitude": ("longitude", "lon", "long"),
}
UNITS = {
    "kt": "kt", "kts": "kt", "knots": "kt", "mph": "mph", "km/h": "kmh", "kph": "kmh", "kmh": "kmh", "m/s": "mps",
    "ft": "ft", "feet": "ft", "m": "m", "deg": "deg", "degrees": "deg", "°": "deg", "c": "degc", "°c": "degc",
    "deg c": "degc", "degc": "degc", "f": "degf", "°f": "degf", "deg f": "degf", "degf": "degf", "g": "", "s": "s",
    "sec": "s", "seconds": "s", "hpa": "hpa", "mb": "hpa", "mbar": "hpa", "inhg": "inhg", "in hg": "inhg", "inch": "inhg",
}  # fmt: skip
NO_UNIT = {"time": "clock_time", "load_factor": "load_factor", "latitude": "latitude_deg", "longitude": "longitude_deg"}
NO_UNIT |= {"track": "track_deg", "heading": "heading_deg"}


def parse_columns(text: str) -> dict[str, str]:
    """``--columns``: the file's column by ours.

    Raises
    ------
    ReduceError
        A part is no pair, or names no quantity of ours.

    Examples
    --------
    >>> parse_columns("time=Lcl Time, ias=Indicated Airspeed (mph)")
    {'time': 'Lcl Time', 'ias': 'Indicated Airspeed (mph)'}
    """
    pairs = {}
    for part in text.split(","):
        ours, equals, theirs = part.partition("=")
        if not equals or not theirs.strip() or _quantity(ours.strip().lower()) is None:
            raise _refusal("--columns", repr(part.strip()), f"QUANTITY=COLUMN with one of {', '.join(NAMES)}")
        pairs[ours.strip().lower()] = theirs.strip()
    return pairs


def guess_columns(header: Sequence[str]) -> dict[str, str]:
    """Which columns of a file are likely which of ours, by their names; units must be in the names.

    Examples
    --------
    >>> guess_columns(["Lcl Date", "Lcl Time", "Indicated Airspeed (mph)", "OAT (deg C)", "RPM"])
    {'time': 'Lcl Time', 'ias': 'Indicated Airspeed (mph)', 'oat': 'OAT (deg C)'}
    """
    plain = {column: _split_unit(column)[0] for column in header}
    found: dict[str, str] = {}
    for ours, names in NAMES.items():
        for name in names:
            column = next((c for c, words in plain.items() if words == name and c not in found.values()), None)
            if column is not None and _our_column(ours, column) is not None:
                found[ours] = column
                break
    return found


def our_names(columns: Mapping[str, str], header: Sequence[str], where: str) -> dict[str, str]:
    """The file's columns by the names that a trace is read with.

    Raises
    ------
    ReduceError
        A column is not in the file, or its unit is not known.
    """
    by_small = {column.lower(): column for column in header}
    made = {}
    for ours, theirs in columns.items():
        column = by_small.get(theirs.lower())
        if column is None:
            raise _refusal(f"{where}, header", ", ".join(header), f"a column {theirs!r} for {ours}")
        name = _our_column(ours, column)
        if name is None:
            hint = f"Give it with the quantity: {ours}_mph={theirs} or {ours}_kt={theirs}."
            raise _refusal(f"{where}, column {theirs!r}", "no known unit", "a unit in brackets", hint)
        made[column] = name
    return made


def remembered(campaign_dir: Path) -> dict[str, str]:
    """The columns that this campaign's recorder has; empty where nobody said."""
    path = Path(campaign_dir) / RECORDER_FILE
    if not is_file(path):
        return {}
    try:
        columns = tomllib.loads(read_text(path)).get("columns", {})
    except (OSError, ValueError) as err:
        raise _refusal(str(path), str(err), "a TOML file with [columns]") from err
    return {str(ours): str(theirs) for ours, theirs in columns.items()} if isinstance(columns, dict) else {}


def remember(campaign_dir: Path, columns: Mapping[str, str]) -> Path:
    """Keep the columns of the recorder in the campaign's folder."""
    path = Path(campaign_dir) / RECORDER_FILE
    write_text(path, tomlkit.dumps({"columns": dict(columns)}))
    return path


def guess_for(campaign_dir: Path, files: Sequence[Path]) -> dict[str, str]:
    """A guess at the columns of the first file that has none of our names; empty where there is nothing to ask."""
    from logger_app.reduce.trace_io import CSV_COLUMNS, TIME_COLUMNS, csv_rows

    if remembered(campaign_dir):
        return {}
    for path in files:
        try:
            header = list(csv_rows(read_text(path), path.name)[0][1])
        except (OSError, ValueError, ReduceError):
            continue
        if not (set(header) & set(CSV_COLUMNS) and set(header) & set(TIME_COLUMNS)):
            return guess_columns(header)
    return {}


def _quantity(ours: str) -> str | None:
    """The quantity of ``ias`` or ``ias_mph``."""
    return next((name for name in NAMES if ours == name or ours.startswith(f"{name}_")), None)


def _our_column(ours: str, theirs: str) -> str | None:
    quantity = _quantity(ours)
    if quantity is None:
        return None
    given, words_unit = ours[len(quantity) + 1 :], _split_unit(theirs)[1]
    unit = given or UNITS.get(words_unit, None if words_unit else "")
    if quantity == "time" and unit == "s":
        return "time_s"
    if quantity in NO_UNIT:
        return NO_UNIT[quantity]
    return f"{quantity}_{unit}" if unit else None


def _split_unit(column: str) -> tuple[str, str]:
    """A header without its unit, in small letters, and the unit in brackets or after a comma."""
    match = re.fullmatch(r"\s*(.*?)\s*[(\[]\s*([^)\]]*?)\s*[)\]]\s*", column)
    words, unit = match.groups() if match else (column, "")
    return " ".join(words.lower().replace("_", " ").split()), unit.lower()


def _refusal(where: str, got: str, expected: str, hint: str = "") -> ReduceError:
    return ReduceError(faults=(Fault(where=where, got=got, expected=expected, hint=hint),))

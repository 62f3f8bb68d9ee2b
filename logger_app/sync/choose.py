"""Which runs are compared, and when each was at a given airspeed. Pure.

Main names: `moments`, `when`, `ias_at`, `choose_runs`.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from logger_app.domain.approach_curve import curve_of
from logger_app.errors import SyncError
from logger_app.records.results import StallSpeed
from logger_app.units import AIRSPEED_UNITS, from_kt, to_kt

# Runs in a message.
MAX_NAMED = 40


@dataclass(frozen=True, slots=True)
class Moment:
    """A column of the sheet: ``stall``, a ratio to each run's own stall speed, or an airspeed [kt]."""

    label: str
    ratio: float | None = None
    ias_kt: float | None = None


def moments(text: str, unit: str) -> tuple[Moment, ...]:
    """Columns as a user writes them: ``stall``, ``1.1``, ``48kt``, separated by commas.

    Parameters
    ----------
    text : str
        For example ``1.2,1.1,stall`` or ``52kt,48kt``.
    unit : str
        Unit of the airspeed indicator, for speeds without one of their own.

    Raises
    ------
    SyncError
        A part that is none of these.

    Examples
    --------
    >>> [m.label for m in moments("1.1, stall, 48kt", "kt")]
    ['1.1 Vs', 'stall', '48 kt']
    """
    found = []
    for part in (piece.strip().lower() for piece in text.split(",")):
        match = re.fullmatch(r"(\d+(?:\.\d+)?)\s*(kts?|mph|km/h|kmh)?", part)
        if part == "stall":
            found.append(Moment("stall"))
        elif match and match[2]:
            said = {"kts": "kt", "kmh": "km/h"}.get(match[2], match[2])
            found.append(Moment(f"{float(match[1]):g} {said}", ias_kt=to_kt(float(match[1]), said)))
        elif match and 1 < float(match[1]) < 3:
            found.append(Moment(f"{float(match[1]):g} Vs", ratio=float(match[1])))
        elif match and float(match[1]) >= 10 and unit in AIRSPEED_UNITS:
            found.append(Moment(f"{float(match[1]):g} {unit}", ias_kt=to_kt(float(match[1]), unit)))
        else:
            raise SyncError(
                f"--at: got {part!r}; expected stall, a ratio to the stall speed such as 1.1, or an airspeed such as 48kt"
            )
    return tuple(found)


def when(result: StallSpeed, moment: Moment, lag_s: float = 0.0) -> tuple[float | None, float | None, str]:
    """When a run was at a moment.

    Parameters
    ----------
    lag_s : float
        From `domain.cameras.picture_lag_s`: taken off the times of the words [s].

    Returns
    -------
    tuple of (float or None, float or None, str)
        Flight time [s], indicated airspeed [kt], and why there is none.
    """
    if result.event_flight_s is None:
        return None, None, "no stall event in this run"
    if moment.ratio is None and moment.ias_kt is None:
        return result.event_flight_s - lag_s, result.vs_ias_kt, ""
    if moment.ratio is not None and result.vs_ias_kt is None:
        return None, None, "no stall speed in this run"
    wanted = moment.ias_kt if moment.ias_kt is not None else moment.ratio * result.vs_ias_kt
    curve = curve_of(result)
    if len(curve.path) < 2:
        return None, wanted, "too few calls for a fitted approach"
    at_s = curve.time_at_s(wanted)
    if at_s is not None:
        return at_s - lag_s, wanted, ""
    first, last = curve.path[0], curve.path[-1]
    return None, wanted, f"not flown: the approach goes from {first[1]:.1f} to {last[1]:.1f} kt"


def ias_at(result: StallSpeed, flight_s: float) -> float | None:
    """Indicated airspeed of the approach at a flight time [kt]; None outside the approach."""
    return curve_of(result).speed_at_kt(flight_s)


def choose_runs(
    candidates: Mapping[str, Sequence[StallSpeed]], wanted: Mapping[str, str] | None = None
) -> tuple[dict[str, StallSpeed], str]:
    """One run of each configuration, and in words why these.

    Parameters
    ----------
    candidates : mapping of str to sequence of StallSpeed
        Runs of the point by configuration, in the order of comparison; those without pictures left out.
    wanted : mapping of str to str, optional
        Configuration to run id or ``FLIGHT:NUMBER``, where the user chose.

    Raises
    ------
    SyncError
        A configuration has no run, or a chosen one is not there.
    """
    lists = {}
    for configuration, runs in candidates.items():
        asked = (wanted or {}).get(configuration)
        fitting = [
            r for r in runs if asked is None or asked in (r.run, f"{r.flight}:{r.run_number}", str(r.run_number))
        ]
        if not fitting:
            there = ", ".join(f"{r.flight}:{r.run_number}" for r in runs[:MAX_NAMED]) or "none"
            there += f" and {len(runs) - MAX_NAMED} more" if len(runs) > MAX_NAMED else ""
            raise SyncError(
                f"configuration {configuration}: got run {asked or '(any)'}; expected one of those with pictures: {there}"
            )
        lists[configuration] = sorted(fitting, key=lambda r: (not r.counts, not r.reviewed, r.run_number))
    sets = list(itertools.islice(itertools.product(*lists.values()), 20_000))
    best = min(sets, key=_worth)
    rates = [r.entry_rate_kt_per_s for r in best]
    said = " and ".join(f"{r.flight} run {r.run_number} ({_rate(r)}{', reviewed' if r.reviewed else ''})" for r in best)
    near = "the nearest entry rates" if len(best) > 1 and None not in rates else "the first that counts"
    reason = "chosen by you" if wanted else f"{near}, runs that count and reviewed ones first"
    return dict(zip(lists, best)), f"{said}: {reason}"


def _worth(runs: Sequence[StallSpeed]) -> tuple:
    rates = [r.entry_rate_kt_per_s for r in runs if r.entry_rate_kt_per_s is not None]
    apart = max(rates) - min(rates) if len(rates) == len(runs) else 99.0
    return sum(not r.counts for r in runs), sum(not r.reviewed for r in runs), apart


def _rate(result: StallSpeed) -> str:
    return "rate not known" if result.entry_rate_kt_per_s is None else f"{result.entry_rate_kt_per_s:.2f} kt/s"


def spoken_speed(ias_kt: float | None, unit: str) -> str:
    """An indicated airspeed for a caption, in the indicator's unit; a dash where there is none."""
    return "-" if ias_kt is None else f"{from_kt(ias_kt, unit):.1f} {unit}"

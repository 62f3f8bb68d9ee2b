"""Moments of an approach: the stall, a ratio to the run's own stall speed, an airspeed; and when each was. Pure.

Main names: `Moment`, `moments`, `USUAL`, `when`, `ias_at`, `spoken_speed`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from logger_app.domain.approach_curve import curve_of
from logger_app.errors import SyncError
from logger_app.records.results import StallSpeed
from logger_app.units import AIRSPEED_UNITS, from_kt, speed_text, to_kt

USUAL = "1.2,1.1,1.05,stall"
MAX_IAS_KT = 400.0  # a slip of a key beyond


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
        elif match and not match[2] and 1 < float(match[1]) < 3:
            found.append(Moment(f"{float(match[1]):g} Vs", ratio=float(match[1])))
        elif match and (ias := _airspeed(float(match[1]), match[2] or unit)):
            found.append(ias)
        else:
            raise SyncError(
                f"--at: got {part!r}; expected stall, a ratio to the stall speed such as 1.1, or an airspeed such as 48kt"
            )
    return tuple(found)


def _airspeed(value: float, unit: str) -> Moment | None:
    unit = {"kts": "kt", "kmh": "km/h"}.get(unit, unit)
    if value < 10 or unit not in AIRSPEED_UNITS or to_kt(value, unit) > MAX_IAS_KT:
        return None
    return Moment(f"{value:g} {unit}", ias_kt=to_kt(value, unit))


def when(
    result: StallSpeed, moment: Moment, lag_s: float = 0.0, unit: str = "kt"
) -> tuple[float | None, float | None, str]:
    """When a run was at a moment.

    Parameters
    ----------
    lag_s : float
        From `domain.cameras.picture_lag_s`: taken off the times of the words [s].
    unit : str
        The indicator's, for the words.

    Returns
    -------
    tuple of (float or None, float or None, str)
        Flight time [s], indicated airspeed [kt], and why there is none.
    """
    if result.event_flight_s is None:
        return None, None, "no stall event in this run"
    if moment.ratio is None and moment.ias_kt is None:
        return result.event_flight_s - lag_s, result.vs_ias_kt, ""
    wanted = moment.ias_kt
    if wanted is None:
        if result.vs_ias_kt is None:
            return None, None, "no stall speed in this run"
        wanted = (moment.ratio or 1.0) * result.vs_ias_kt
    curve = curve_of(result)
    if len(curve.path) < 2:
        return None, wanted, "too few calls for a fitted approach"
    at_s = curve.time_at_s(wanted)
    if at_s is not None:
        return at_s - lag_s, wanted, ""
    first, last = curve.path[0][1], curve.path[-1][1]
    flown = f"{from_kt(first, unit):.1f} to {speed_text(last, unit)}"
    return None, wanted, f"not flown: the approach goes from {flown}"


def ias_at(result: StallSpeed, flight_s: float) -> float | None:
    """Indicated airspeed of the approach at a flight time [kt]; None outside the approach."""
    return curve_of(result).speed_at_kt(flight_s)


def spoken_speed(ias_kt: float | None, unit: str) -> str:
    """An indicated airspeed for a caption, in the indicator's unit; a dash where there is none."""
    return "-" if ias_kt is None else f"{from_kt(ias_kt, unit):.1f} {unit}"

"""A recorded trace joined to a flight: what it says at each stall event, and its steady GPS legs.

Not for: reading files (see `trace_io`) or finding the offset (see `align`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from logger_app.records.plan import Indicator
from logger_app.records.runs import FlightData, Run
from logger_app.reduce.align import Alignment, align
from logger_app.reduce.gps import Leg
from logger_app.reduce.samples import LONGEST_HOLE_S, Trace, cannot
from logger_app.reduce.stall_speed import event_s_of_run
from logger_app.reduce.standardise import wind_axis_load_factor

AROUND_EVENT_S = 0.5
LOSS_WITHIN_S = 40.0
ROLL_WITHIN_S = 5.0
SENSOR_U = 0.02  # of a load factor: calibration and vibration, common practice, no source
LEG_S = 10.0
LEG_TRACK_WITHIN_DEG = 6.0
LEG_SPEED_WITHIN_KT = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceAtEvent:
    """What a joined trace says at the stall event of a run; None where it says nothing, never NaN.

    `load_factor` is normal to the flight path: as recorded where the column says so (``nzw``), else turned from the
    body's axes by the angle of attack, recorded or usual (`load_factor_note` says which). `wing_drop_roll_deg` is the
    largest bank away from the one held, in the seconds after the event. `ias_kt` is the recorded indicated airspeed
    there, less what the recorder shows more than the calls. Of a run without a called event only `lowest_ias_kt` and
    `lowest_s` are known: its lowest airspeed, and when it would have been called [flight clock].
    """

    load_factor: float | None = None
    load_factor_u: float = 0.02
    altitude_ft: float | None = None
    altitude_lost_ft: float | None = None
    ground_speed_kt: float | None = None
    oat_degc: float | None = None
    load_factor_note: str = ""
    wing_drop_roll_deg: float | None = None
    ias_kt: float | None = None
    lowest_ias_kt: float | None = None
    lowest_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Joined:
    """A trace joined to a flight: how, and what it says at each run's event (by run id)."""

    alignment: Alignment
    at_event: Mapping[str, TraceAtEvent] = field(default_factory=dict)


def join(trace: Trace, flight: FlightData, indicator: Indicator) -> Joined:
    """Join a trace to a flight by the calls in its runs and read it at every run's stall event, where it covers that.

    Raises
    ------
    ReduceError
        See `align`.

    References
    ----------
    [DERIVED] the event happened one reading lag before it was said.
    """
    said = sorted(
        (c.flight_s, c.ias_kt)
        for run in flight.runs.runs
        for c in run.calls
        if c.counts and c.ias_kt is not None and math.isfinite(c.ias_kt)
    )
    alignment = align(trace, [s for s, _ in said], [v for _, v in said], indicator)
    found = {}
    for run in flight.runs.runs:
        event_s = event_s_of_run(run)
        there = lowest(trace, alignment, run) if event_s is None else at_event(trace, alignment, event_s)
        if there is not None:
            found[run.id] = there
    return Joined(alignment=alignment, at_event=found)


def at_event(trace: Trace, alignment: Alignment, event_flight_s: float) -> TraceAtEvent | None:
    """What a joined trace says when an event that was voiced happened.

    Parameters
    ----------
    event_flight_s : float
        When the event was said, flight clock [s].

    Returns
    -------
    TraceAtEvent or None
        None when the trace does not cover that moment.

    References
    ----------
    [CP] median over half a second either side.
    """
    try:
        own_s = alignment.clock.from_flight_s(event_flight_s - alignment.lag_s)
    except ValueError:
        return None
    near = np.abs(trace.time_s - own_s) <= AROUND_EVENT_S
    altitude = trace.at("altitude_ft", own_s)
    return TraceAtEvent(
        **_load_factor(trace, near, own_s),
        wing_drop_roll_deg=_rolled_deg(trace, own_s),
        altitude_ft=altitude,
        altitude_lost_ft=_altitude_lost(trace, own_s, altitude),
        ground_speed_kt=trace.at("ground_speed_kt", own_s),
        oat_degc=trace.at("oat_degc", own_s),
        ias_kt=_ias_kt(trace, alignment, own_s),
    )


def lowest(trace: Trace, alignment: Alignment, run: Run) -> TraceAtEvent | None:
    """The lowest airspeed that a joined trace shows in a run; None where it has none there."""
    if alignment.column != "ias_kt" or "ias_kt" not in trace.columns:
        return None
    clock = alignment.clock
    said_s = clock.offset_s + trace.time_s * (1 + clock.drift_ppm * 1e-6) + alignment.lag_s
    speed = trace.columns["ias_kt"]
    inside = np.flatnonzero((said_s >= run.start_s) & (said_s <= run.end_s) & np.isfinite(speed))
    if not len(inside):
        return None
    steady = [float(np.median(speed[inside][np.abs(said_s[inside] - said_s[k]) <= AROUND_EVENT_S])) for k in inside]
    at = int(np.argmin(steady))
    return TraceAtEvent(lowest_ias_kt=steady[at] - alignment.bias_kt, lowest_s=float(said_s[inside[at]]))


def _ias_kt(trace: Trace, alignment: Alignment, own_s: float) -> float | None:
    """Recorded indicated airspeed as the pilot would have read it; None where it was joined by another speed."""
    shown = trace.at("ias_kt", own_s) if alignment.column == "ias_kt" else None
    return None if shown is None else shown - alignment.bias_kt


def legs_in_trace(
    trace: Trace,
    ias_kt: float | None = None,
    flap_deg: float = 0.0,
    pressure_altitude_ft: float | None = None,
    oat_degc: float | None = None,
) -> tuple[Leg, ...]:
    """The steady legs of a GPS trace flown at one indicated airspeed.

    Parameters
    ----------
    ias_kt : float, optional
        Indicated airspeed held on every leg; the trace's own when not given [kt].
    flap_deg : float
        Flap setting [deg].
    pressure_altitude_ft : float, optional
        Pressure altitude; the trace's altitude when not given [ft].
    oat_degc : float, optional
        Outside air temperature [degC].

    Returns
    -------
    tuple of Leg
        Longest steady stretches of 10 s or more, means of the velocity vector, in order.

    Raises
    ------
    ReduceError
        No ground speed and track, or no altitude at all.

    References
    ----------
    [SFTE] ch. 4: about 10 s of stable ground speed a leg.
    """
    if "ground_speed_kt" not in trace.columns or "track_deg" not in trace.columns:
        raise cannot(trace, "no ground speed and track", "a GPX, NMEA or CSV trace that has both")
    speed, track = trace.columns["ground_speed_kt"], np.radians(trace.columns["track_deg"])
    known = np.flatnonzero(np.isfinite(speed) & np.isfinite(track))
    legs = []
    for first, last in _steady(trace.time_s[known], speed[known], track[known]):
        part = known[first:last]
        north, east = (
            float(np.mean(speed[part] * np.cos(track[part]))),
            float(np.mean(speed[part] * np.sin(track[part]))),
        )
        altitude = pressure_altitude_ft if pressure_altitude_ft is not None else _mean_of(trace, "altitude_ft", part)
        indicated = ias_kt if ias_kt is not None else _mean_of(trace, "ias_kt", part)
        if indicated is None:
            raise cannot(trace, "no indicated airspeed", "an ias_kt column, or --ias-kt")
        if altitude is None:
            raise cannot(trace, "no altitude", "an altitude in the trace, or --pressure-altitude-ft")
        legs.append(
            Leg(
                ground_speed_kt=math.hypot(north, east),
                track_deg=math.degrees(math.atan2(east, north)) % 360,
                ias_kt=indicated,
                flap_deg=flap_deg,
                pressure_altitude_ft=altitude,
                gps_altitude=pressure_altitude_ft is None and not trace.source.lower().endswith(".csv"),
                oat_degc=oat_degc if oat_degc is not None else _mean_of(trace, "oat_degc", part),
                where=f"{trace.source}, {trace.time_s[part[0]]:.0f} to {trace.time_s[part[-1]]:.0f} s",
            )
        )
    return tuple(legs)


def _load_factor(trace: Trace, near: np.ndarray, own_s: float) -> dict:
    """Normal to the flight path, with its uncertainty and what was done to it."""
    for name in ("load_factor_wind", "load_factor"):
        column = trace.columns.get(name)
        nz = column[near & np.isfinite(column)] if column is not None else np.array([])
        if not len(nz):
            continue
        value, u = float(np.median(nz)), max(SENSOR_U, float(np.std(nz)))
        if name == "load_factor_wind":
            return {"load_factor": value, "load_factor_u": u}
        alpha, pitch = trace.at("alpha_deg", own_s), trace.at("pitch_deg", own_s)
        turned, turned_u = wind_axis_load_factor(value, u, alpha, pitch)
        by = "the recorded angle of attack" if alpha is not None else "a usual angle of attack at the stall"
        note = (
            f"load factor of a sensor fixed to the body ({value:.3f}) turned to the flight path by {by}: {turned:.3f}"
        )
        return {"load_factor": turned, "load_factor_u": turned_u, "load_factor_note": note}
    return {}


def _rolled_deg(trace: Trace, own_s: float) -> float | None:
    """Largest bank away from that at the event, soon after it."""
    roll = trace.columns.get("roll_deg")
    held = trace.at("roll_deg", own_s)
    if roll is None or held is None:
        return None
    after = roll[(trace.time_s >= own_s) & (trace.time_s <= own_s + ROLL_WITHIN_S) & np.isfinite(roll)]
    away = (after - held + 180) % 360 - 180
    return float(np.abs(away).max()) if len(away) else None


def _altitude_lost(trace: Trace, own_s: float, altitude: float | None) -> float | None:
    if altitude is None:
        return None
    after = (trace.time_s >= own_s) & (trace.time_s <= own_s + LOSS_WITHIN_S)
    heights = trace.columns["altitude_ft"][after]
    heights = heights[np.isfinite(heights)]
    return max(altitude - float(heights.min()), 0.0) if len(heights) else None


def _steady(time_s, speed, track):
    """(first, last) of stretches in which track and speed hold still, greedily from the start."""
    first = 0
    while first < len(time_s) - 1:
        last = first + 1
        while (
            last < len(time_s)
            and _still(speed[first : last + 1], track[first : last + 1])
            and (time_s[last] - time_s[last - 1] <= 2 * LONGEST_HOLE_S)
        ):
            last += 1
        if time_s[last - 1] - time_s[first] >= LEG_S:
            yield first, last
            first = last
        else:
            first += 1


def _still(speed, track) -> bool:
    middle = math.atan2(float(np.sin(track).mean()), float(np.cos(track).mean()))
    swing = np.degrees(np.abs((track - middle + np.pi) % (2 * np.pi) - np.pi))
    return float(swing.max()) <= LEG_TRACK_WITHIN_DEG / 2 and float(speed.max() - speed.min()) <= LEG_SPEED_WITHIN_KT


def _mean_of(trace: Trace, column: str, part) -> float | None:
    values = trace.columns.get(column)
    values = values[part][np.isfinite(values[part])] if values is not None else np.array([])
    return float(values.mean()) if len(values) else None

"""A recorded trace (airspeed, altitude, load factor, GPS) joined to a flight by its airspeed.

The trace keeps its own clock. Calls say what the indicator showed at times on the flight clock;
the offset at which the trace's speed agrees with them joins the two. What is found is offset
plus reading lag: the lag is taken from the indicator's settings, its uncertainty is carried. When
the trace is already on the flight clock (a filmed indicator), the lag itself is found instead.
Not for: reading files (see `trace_io`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from logger_app.errors import Fault, ReduceError
from logger_app.records.clocks import ClockMap
from logger_app.records.plan import Indicator
from logger_app.records.runs import FlightData
from logger_app.reduce.gps import Leg
from logger_app.reduce.stall_speed import stall_of_run

# Best first: what the pilot read is IAS; ground speed differs from it by wind and height.
SPEED_COLUMNS = ("ias_kt", "cas_kt", "tas_kt", "ground_speed_kt")
# How far each may lie from what the pilot read, one sigma: a second indicator, position error,
# height, wind. In a steady approach an offset in time looks like one in speed; this tells them
# apart. Ours.
BIAS_U_KT = {"ias_kt": 1.0, "cas_kt": 3.0, "tas_kt": 6.0, "ground_speed_kt": 12.0}
FEWEST_CALLS = 8
MATCH_WITHIN_KT = 2.0
LEAST_MATCHED = 0.6
# A rival offset must explain clearly less: this share of its matched calls may not be reached. Ours.
RIVAL_SHARE = 0.85
RIVAL_APART_S = 5.0
AROUND_EVENT_S = 0.5
LONGEST_HOLE_S = 2.0
LOSS_WITHIN_S = 40.0
LEG_S = 10.0
LEG_TRACK_WITHIN_DEG = 6.0
LEG_SPEED_WITHIN_KT = 3.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trace:
    """Samples on the trace's own clock: `time_s` (n,) rising; `columns` name -> (n,), NaN where missing.

    `on_flight_clock` says that `time_s` is the flight clock already.
    """

    source: str
    time_s: np.ndarray
    columns: Mapping[str, np.ndarray]
    on_flight_clock: bool = False
    notes: tuple[str, ...] = ()

    def at(self, column: str, time_s: float) -> float | None:
        """A column at a time on the trace's clock; None where there is none, or a hole."""
        if column not in self.columns:
            return None
        known = np.isfinite(self.columns[column])
        times, values = self.time_s[known], self.columns[column][known]
        after = int(np.searchsorted(times, time_s))
        if not 0 < after < len(times) or times[after] - times[after - 1] > LONGEST_HOLE_S:
            return None
        return float(np.interp(time_s, times, values))


@dataclass(frozen=True, slots=True, kw_only=True)
class Alignment:
    """How a trace was joined: its clock map, the lag that holds, and how well the calls agree.

    `bias_kt` is trace minus call where they match (position error, wind); `scatter_kt` the
    robust scatter about it; `matched` the share of calls within 2 kt.
    """

    clock: ClockMap
    lag_s: float
    lag_u_s: float
    lag_found: bool
    column: str
    bias_kt: float
    scatter_kt: float
    matched: float
    calls: int

    def in_words(self) -> str:
        """One line for the report."""
        lag = f"reading lag {self.lag_s:.2f} s, u {self.lag_u_s:.2f} s ({'found' if self.lag_found else 'as set'})"
        return (
            f"{self.clock.source} joined by {self.column}: offset {self.clock.offset_s:.2f} s, u {self.clock.u_s:.2f} s; "
            f"{lag}; {100 * self.matched:.0f} % of {self.calls} calls agree, trace minus call {self.bias_kt:+.1f} kt"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceAtEvent:
    """What a joined trace says at the stall event of a run; None where it says nothing, never NaN.

    `load_factor` is as recorded. A sensor fixed to the aircraft reads normal to the body, about
    one per cent above the load factor normal to the flight path at the stall.
    """

    load_factor: float | None = None
    load_factor_u: float = 0.02
    altitude_ft: float | None = None
    altitude_lost_ft: float | None = None
    ground_speed_kt: float | None = None
    oat_degc: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Joined:
    """A trace joined to a flight: how, and what it says at each run's event (by run id)."""

    alignment: Alignment
    at_event: Mapping[str, TraceAtEvent] = field(default_factory=dict)


def align(trace: Trace, flight_s: Sequence[float], ias_kt: Sequence[float], indicator: Indicator) -> Alignment:
    """Find the offset at which a trace's speed agrees with the calls.

    Parameters
    ----------
    trace : Trace
        With one of `SPEED_COLUMNS` [-].
    flight_s : sequence of float
        Times of the calls on the flight clock [s].
    ias_kt : sequence of float
        Their readings [kt].
    indicator : Indicator
        For the reading lag and its uncertainty [-].

    Returns
    -------
    Alignment
        Accepted only when most calls agree and no other offset does nearly as well [-].

    Raises
    ------
    ReduceError
        No usable speed, too few calls, or no offset that is clearly right.

    Notes
    -----
    At each offset the median difference is taken out (position error, wind; believed to be as
    small as `BIAS_U_KT`) and the share of calls within 2 kt of the trace counted; least squares
    settle the hundredths. Standard uncertainty from the normal equations of shift and bias
    together, with the reading lag's beside it.

    References
    ----------
    [DERIVED] least-squares shift of one curve against another.
    """
    column = next((c for c in SPEED_COLUMNS if c in trace.columns and np.isfinite(trace.columns[c]).sum() > 10), None)
    if column is None:
        raise _cannot(trace, "no airspeed or ground speed", f"one of {', '.join(SPEED_COLUMNS)}")
    calls = np.asarray(flight_s, float), np.asarray(ias_kt, float)
    if len(calls[0]) < FEWEST_CALLS:
        raise _cannot(trace, f"{len(calls[0])} airspeed call(s) in the flight", f"{FEWEST_CALLS} or more to align by")
    known = np.isfinite(trace.columns[column])
    curve = trace.time_s[known], trace.columns[column][known]
    if trace.on_flight_clock:
        return _lag_of(trace, column, calls, curve)
    shift = _best_shift(trace, calls, curve, BIAS_U_KT[column])
    bias, scatter, matched, u_s = _agreement(calls, curve, shift, BIAS_U_KT[column])
    clock = ClockMap(
        source=trace.source,
        offset_s=shift - indicator.reading_lag_s,
        u_s=math.hypot(u_s, indicator.reading_lag_u_s),
        valid_from_s=float(curve[0][0]),
        valid_to_s=float(curve[0][-1]),
        method="airspeed",
        evidence=(("matched", matched), ("scatter_kt", scatter), ("calls", float(len(calls[0])))),
    )
    return Alignment(
        clock=clock,
        lag_s=indicator.reading_lag_s,
        lag_u_s=indicator.reading_lag_u_s,
        lag_found=False,
        column=column,
        bias_kt=bias,
        scatter_kt=scatter,
        matched=matched,
        calls=len(calls[0]),
    )


def join(trace: Trace, flight: FlightData, indicator: Indicator) -> Joined:
    """Join a trace to a flight and read it at every run's stall event.

    Parameters
    ----------
    trace : Trace
        On its own clock [-].
    flight : FlightData
        Its runs hold the calls to align by [-].
    indicator : Indicator
        For the reading lag [-].

    Returns
    -------
    Joined
        Runs that the trace does not cover are left out [-].

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
        event_s = stall_of_run(run, indicator).event_s
        if event_s is not None and (there := at_event(trace, alignment, event_s)) is not None:
            found[run.id] = there
    return Joined(alignment=alignment, at_event=found)


def at_event(trace: Trace, alignment: Alignment, event_flight_s: float) -> TraceAtEvent | None:
    """What a joined trace says when an event that was voiced happened.

    Parameters
    ----------
    trace : Trace
        The trace [-].
    alignment : Alignment
        How it was joined [-].
    event_flight_s : float
        When the event was said, flight clock [s].

    Returns
    -------
    TraceAtEvent or None
        None when the trace does not cover that moment [-].

    References
    ----------
    [CP] median over half a second either side.
    """
    try:
        own_s = alignment.clock.from_flight_s(event_flight_s - alignment.lag_s)
    except ValueError:
        return None
    near = np.abs(trace.time_s - own_s) <= AROUND_EVENT_S
    nz = trace.columns.get("load_factor")
    nz = nz[near & np.isfinite(nz)] if nz is not None else np.array([])
    altitude = trace.at("altitude_ft", own_s)
    return TraceAtEvent(
        load_factor=float(np.median(nz)) if len(nz) else None,
        load_factor_u=max(0.02, float(np.std(nz))) if len(nz) else 0.02,
        altitude_ft=altitude,
        altitude_lost_ft=_altitude_lost(trace, own_s, altitude),
        ground_speed_kt=trace.at("ground_speed_kt", own_s),
        oat_degc=trace.at("oat_degc", own_s),
    )


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
    trace : Trace
        With ground speed and track [-].
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
        Longest steady stretches of 10 s or more, means of the velocity vector, in order [-].

    Raises
    ------
    ReduceError
        No ground speed and track, or no altitude at all.

    References
    ----------
    [SFTE] ch. 4: about 10 s of stable ground speed a leg.
    """
    if "ground_speed_kt" not in trace.columns or "track_deg" not in trace.columns:
        raise _cannot(trace, "no ground speed and track", "a GPX, NMEA or CSV trace that has both")
    speed, track = trace.columns["ground_speed_kt"], np.radians(trace.columns["track_deg"])
    known = np.flatnonzero(np.isfinite(speed) & np.isfinite(track))
    legs = []
    for first, last in _steady(trace.time_s[known], speed[known], track[known]):
        part = known[first:last]
        north, east = float(np.mean(speed[part] * np.cos(track[part]))), float(np.mean(speed[part] * np.sin(track[part])))
        altitude = pressure_altitude_ft if pressure_altitude_ft is not None else _mean_of(trace, "altitude_ft", part)
        indicated = _mean_of(trace, "ias_kt", part)
        if ias_kt is None and indicated is None:
            raise _cannot(trace, "no indicated airspeed", "an ias_kt column, or --ias-kt")
        if altitude is None:
            raise _cannot(trace, "no altitude", "an altitude in the trace, or --pressure-altitude-ft")
        legs.append(
            Leg(
                ground_speed_kt=math.hypot(north, east),
                track_deg=math.degrees(math.atan2(east, north)) % 360,
                ias_kt=ias_kt if ias_kt is not None else indicated,
                flap_deg=flap_deg,
                pressure_altitude_ft=altitude,
                oat_degc=oat_degc if oat_degc is not None else _mean_of(trace, "oat_degc", part),
                where=f"{trace.source}, {trace.time_s[part[0]]:.0f} to {trace.time_s[part[-1]]:.0f} s",
            )
        )
    return tuple(legs)


def _best_shift(trace: Trace, calls, curve, bias_u: float) -> float:
    """Offset plus lag that makes most calls agree, refined; refused when a rival does nearly as well."""
    said, read = calls
    shifts = np.arange(said[0] - curve[0][-1], said[-1] - curve[0][0] + 0.5, 0.5)
    shares = np.array([_matched_share(said, read, curve, shift, bias_u) for shift in shifts])
    best = int(np.argmin([_misfit(said, read, curve, shift, bias_u) for shift in shifts]))
    rivals = shares[np.abs(shifts - shifts[best]) > RIVAL_APART_S]
    if shares[best] < LEAST_MATCHED:
        raise _cannot(trace, f"at best {100 * shares[best]:.0f} % of the calls agree with it", f"{100 * LEAST_MATCHED:.0f} %")
    if len(rivals) and rivals.max() > RIVAL_SHARE * shares[best]:
        raise _cannot(trace, "more than one offset fits the calls", "a trace that covers the flight's approaches")
    fine = shifts[best] + np.arange(-2.0, 2.0, 0.02)
    return float(fine[int(np.argmin([_misfit(said, read, curve, shift, bias_u) for shift in fine]))])


def _difference(said, read, curve, shift, bias_u) -> tuple[np.ndarray, float]:
    """Trace minus call where the trace covers it, less the bias; and the bias."""
    own = said - shift
    inside = (own >= curve[0][0]) & (own <= curve[0][-1])
    apart = np.interp(own[inside], *curve) - read[inside]
    bias = float(np.clip(np.median(apart), -2 * bias_u, 2 * bias_u)) if len(apart) else 0.0
    return apart - bias, bias


def _matched_share(said, read, curve, shift, bias_u) -> float:
    return float((np.abs(_difference(said, read, curve, shift, bias_u)[0]) <= MATCH_WITHIN_KT).sum()) / len(said)


def _misfit(said, read, curve, shift, bias_u) -> float:
    apart, bias = _difference(said, read, curve, shift, bias_u)
    outside = len(said) - len(apart)
    squares = float(np.minimum(apart**2, MATCH_WITHIN_KT**2).sum()) + outside * MATCH_WITHIN_KT**2
    return squares + (bias / bias_u) ** 2


def _agreement(calls, curve, shift, bias_u) -> tuple[float, float, float, float]:
    """Bias, scatter, share that agrees, and the standard uncertainty of the shift."""
    said, read = calls
    own = said - shift
    apart, bias = _difference(said, read, curve, shift, bias_u)
    own = own[(own >= curve[0][0]) & (own <= curve[0][-1])]
    good = np.abs(apart) <= MATCH_WITHIN_KT
    scatter = max(1.4826 * float(np.median(np.abs(apart[good]))), 0.3)
    slope = (np.interp(own + 0.5, *curve) - np.interp(own - 0.5, *curve))[good]
    normal = np.array([[slope @ slope, -slope.sum()], [-slope.sum(), float(good.sum())]]) / scatter**2
    normal += np.diag([1e-9, 1 / bias_u**2])
    return bias, scatter, float(good.sum()) / len(said), math.sqrt(float(np.linalg.inv(normal)[0, 0]))


def _lag_of(trace: Trace, column: str, calls, curve) -> Alignment:
    """The reading lag, from a trace that is on the flight clock already."""
    said, read = calls
    lags = np.arange(-0.5, 3.0, 0.02)
    bias_u = BIAS_U_KT[column]
    lag = float(lags[int(np.argmin([_misfit(said, read, curve, shift, bias_u) for shift in lags]))])
    bias, scatter, matched, u_s = _agreement(calls, curve, lag, bias_u)
    if matched < LEAST_MATCHED:
        raise _cannot(trace, f"{100 * matched:.0f} % of the calls agree with it", f"{100 * LEAST_MATCHED:.0f} %")
    span = float(curve[0][0]), float(curve[0][-1])
    clock = ClockMap(source=trace.source, offset_s=0.0, valid_from_s=span[0], valid_to_s=span[1], method="given")
    return Alignment(
        clock=clock,
        lag_s=lag,
        lag_u_s=u_s,
        lag_found=True,
        column=column,
        bias_kt=bias,
        scatter_kt=scatter,
        matched=matched,
        calls=len(said),
    )


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
        while last < len(time_s) and _still(speed[first : last + 1], track[first : last + 1]) and (
            time_s[last] - time_s[last - 1] <= 2 * LONGEST_HOLE_S
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


def _cannot(trace: Trace, got: str, expected: str) -> ReduceError:
    return ReduceError(faults=(Fault(where=f"trace {trace.source}", got=got, expected=expected),))

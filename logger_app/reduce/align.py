"""The offset between a trace's clock and the flight's, from its speed against the calls.

Calls say what the indicator showed at times on the flight clock. What is found is offset plus
reading lag: the lag is taken from the indicator's settings and its uncertainty carried. When the
trace is on the flight clock already (a filmed indicator), the lag itself is found instead.
Not for: what the trace says at an event (see `trace`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logger_app.records.clocks import ClockMap
from logger_app.records.plan import Indicator
from logger_app.reduce.samples import Trace, cannot
from logger_app.units import speed_text

# Best first: what the pilot read is IAS; ground speed differs from it by wind and height.
SPEED_COLUMNS = ("ias_kt", "cas_kt", "tas_kt", "ground_speed_kt")
# How far each may lie from what the pilot read, one sigma: a second indicator, position error,
# height, wind. In a steady approach an offset in time looks like one in speed; this tells them
# apart. Ours.
BIAS_U_KT = {"ias_kt": 1.0, "cas_kt": 3.0, "tas_kt": 6.0, "ground_speed_kt": 12.0}
MIN_CALLS = 8
MATCH_WITHIN_KT = 2.0
MIN_MATCHED = 0.6
# A rival offset must explain clearly less: this share of its matched calls may not be reached. Ours.
RIVAL_SHARE = 0.85
RIVAL_APART_S = 5.0


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
    unit: str = "kt"  # of the words

    def in_words(self) -> str:
        """One line for the report."""
        lag = f"reading lag {self.lag_s:.2f} s, u {self.lag_u_s:.2f} s ({'found' if self.lag_found else 'as set'})"
        return (
            f"{self.clock.source} joined by {self.column}: offset {self.clock.offset_s:.2f} s, u {self.clock.u_s:.2f} s; "
            f"{lag}; {100 * self.matched:.0f} % of {self.calls} calls agree, trace minus call {speed_text(self.bias_kt, self.unit, '+.1f')}"
        )


def align(trace: Trace, flight_s: Sequence[float], ias_kt: Sequence[float], indicator: Indicator) -> Alignment:
    """Find the offset at which a trace's speed agrees with the calls.

    Parameters
    ----------
    flight_s : sequence of float
        Times of the calls on the flight clock [s].
    ias_kt : sequence of float
        Their readings [kt].
    indicator : Indicator
        For the reading lag and its uncertainty.

    Returns
    -------
    Alignment
        Accepted only when most calls agree and no other offset does nearly as well.

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
        raise cannot(trace, "no airspeed or ground speed", f"one of {', '.join(SPEED_COLUMNS)}")
    calls = np.asarray(flight_s, float), np.asarray(ias_kt, float)
    if len(calls[0]) < MIN_CALLS:
        raise cannot(trace, f"{len(calls[0])} airspeed call(s) in the flight", f"{MIN_CALLS} or more to align by")
    known = np.isfinite(trace.columns[column])
    curve = trace.time_s[known], trace.columns[column][known]
    if trace.on_flight_clock:
        return _lag_of(trace, column, calls, curve, indicator.unit)
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
        unit=indicator.unit,
    )


def _best_shift(trace: Trace, calls, curve, bias_u: float) -> float:
    """Offset plus lag that makes most calls agree, refined; refused when a rival does nearly as well."""
    said, read = calls
    shifts = np.arange(said[0] - curve[0][-1], said[-1] - curve[0][0] + 0.5, 0.5)
    shares = np.array([_matched_share(said, read, curve, shift, bias_u) for shift in shifts])
    best = int(np.argmin([_misfit(said, read, curve, shift, bias_u) for shift in shifts]))
    rivals = shares[np.abs(shifts - shifts[best]) > RIVAL_APART_S]
    if shares[best] < MIN_MATCHED:
        raise cannot(
            trace, f"at best {100 * shares[best]:.0f} % of the calls agree with it", f"{100 * MIN_MATCHED:.0f} %"
        )
    if len(rivals) and rivals.max() > RIVAL_SHARE * shares[best]:
        raise cannot(trace, "more than one offset fits the calls", "a trace that covers the flight's approaches")
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


def _lag_of(trace: Trace, column: str, calls, curve, unit: str) -> Alignment:
    """The reading lag, from a trace that is on the flight clock already."""
    said, read = calls
    lags = np.arange(-0.5, 3.0, 0.02)
    bias_u = BIAS_U_KT[column]
    lag = float(lags[int(np.argmin([_misfit(said, read, curve, shift, bias_u) for shift in lags]))])
    bias, scatter, matched, u_s = _agreement(calls, curve, lag, bias_u)
    if matched < MIN_MATCHED:
        raise cannot(trace, f"{100 * matched:.0f} % of the calls agree with it", f"{100 * MIN_MATCHED:.0f} %")
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
        unit=unit,
    )

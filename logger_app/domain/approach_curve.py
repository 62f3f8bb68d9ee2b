"""When an approach was at a speed, and how fast it was at a time: the one rule for screen, report, pictures and verdict.

Pure. Times are seconds on the flight clock, speeds knots indicated. Main names: `ApproachCurve`, `curve_of`, `straight`;
roughly and from the calls alone, `stall_estimate_kt`.
Not for: fitting the curve (`approach`).
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

from logger_app.domain.stall_events import STALL_KINDS
from logger_app.records.calls import CallKind
from logger_app.records.results import StallSpeed
from logger_app.records.runs import Run

# Past either end of what was flown by this much, a speed is still taken from the slope there; farther it was not flown.
BEYOND_KT = 1.0
# A line over the last seconds before the event; only to see what stands out, `reduce` works out the stall speed.
LAST_S = 8.0
MIN_FOR_A_LINE = 3

Path = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ApproachCurve:
    """One approach as flown: `fitted` near the stall, `called` (the readings that count) before it.

    Both hold (flight_s, ias_kt), in order of time.
    """

    fitted: Path = ()
    called: Path = ()

    @property
    def path(self) -> Path:
        """The readings before the fitted part, then the fitted part."""
        if not self.fitted:
            return self.called
        return (*(p for p in self.called if p[0] < self.fitted[0][0]), *self.fitted)

    def time_at_s(self, ias_kt: float) -> float | None:
        """When the approach last slowed through a speed [s]; None where it was not flown, within 1 kt of either end."""
        path = self.path
        for (t0, v0), (t1, v1) in reversed(list(itertools.pairwise(path))):
            if v0 >= ias_kt >= v1 and v0 > v1:
                return t0 + (v0 - ias_kt) / (v0 - v1) * (t1 - t0)
        if len(path) < 2:
            return None
        for (at_s, speed), (next_s, next_speed), past in (
            (path[-1], path[-2], path[-1][1] - ias_kt),
            (path[0], path[1], ias_kt - path[0][1]),
        ):
            slope = (next_speed - speed) / (next_s - at_s) if next_s != at_s else 0.0
            if 0 <= past <= BEYOND_KT and slope < 0:
                return at_s + (ias_kt - speed) / slope
        return None

    def speed_at_kt(self, flight_s: float) -> float | None:
        """The indicated airspeed at a flight time [kt]; None before the first reading and after the end."""
        for (t0, v0), (t1, v1) in itertools.pairwise(self.path):
            if t0 <= flight_s <= t1:
                return v0 + (v1 - v0) * (flight_s - t0) / (t1 - t0) if t1 > t0 else v0
        return None


def curve_of(result: StallSpeed) -> ApproachCurve:
    """The approach of a reduced run: its fitted curve, else the line of its fit back to 1.3 Vs, and its readings."""
    fitted = tuple(sorted(result.curve))
    if len(fitted) < 2:
        fitted = ()
        if result.fit is not None and result.event_flight_s is not None and result.fit[2] < 0:
            t0_ns, at_kt, slope = result.fit
            end_s = result.event_flight_s
            end_kt = at_kt + slope * (end_s - t0_ns / 1e9)
            fitted = straight(end_s + 0.3 * end_kt / slope, end_s, end_kt, slope).fitted
    return ApproachCurve(fitted=fitted, called=tuple(sorted(result.readings)))


def straight(from_s: float, to_s: float, end_kt: float, slope_kt_per_s: float) -> ApproachCurve:
    """A straight approach that ends at `to_s` with `end_kt`.

    Parameters
    ----------
    from_s, to_s : float
        Flight times of its ends [s].
    end_kt : float
        Indicated airspeed at `to_s` [kt].
    slope_kt_per_s : float
        Change of speed, negative when slowing [kt/s].
    """
    return ApproachCurve(fitted=((from_s, end_kt + slope_kt_per_s * (from_s - to_s)), (to_s, end_kt)))


def stall_estimate_kt(run: Run) -> float | None:
    """Indicated stall speed of a run, roughly: a line through its last calls, at the event [kt]."""
    event_ns = next((c.flight_ns for c in run.calls if c.kind is CallKind.EVENT and c.name in STALL_KINDS), None)
    speeds = [c for c in run.calls if c.ias_kt is not None and (event_ns is None or c.flight_ns <= event_ns)]
    if event_ns is None or len(speeds) < MIN_FOR_A_LINE:
        return None
    return line_at_event_kt([((c.flight_ns - event_ns) / 1e9, c.ias_kt) for c in speeds if c.ias_kt is not None])


def line_at_event_kt(points: Sequence[tuple[float, float]]) -> float | None:
    """A line through (seconds from the event, knots) of the last seconds, at the event; the lowest where too few."""
    late = [point for point in points if point[0] >= -LAST_S]
    if len(late) < MIN_FOR_A_LINE:
        return min((v for _, v in points), default=None)
    mean_s, mean_kt = sum(s for s, _ in late) / len(late), sum(v for _, v in late) / len(late)
    spread = sum((s - mean_s) ** 2 for s, _ in late)
    slope = sum((s - mean_s) * (v - mean_kt) for s, v in late) / spread if spread else 0.0
    return mean_kt - slope * mean_s

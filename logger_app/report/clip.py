"""What is written into a clip of a run at each moment. Pure.

The speed is that of the fitted approach where it reaches, else the last call, and it says which.
"""

from __future__ import annotations

from dataclasses import dataclass

from logger_app.records.calls import CallKind
from logger_app.report.figures import fitted_ias_kt, zero_of
from logger_app.report.view import RunView
from logger_app.report.words import Units, clock, number

# Seconds shown before and after a run, and for how long an event stays written. Ours.
LEAD_S = 3.0
TAIL_S = 3.0
EVENT_STAYS_S = 2.5


@dataclass(frozen=True, slots=True)
class Caption:
    """The words on one frame: speed, what kind of speed, time, and what was called."""

    speed: str
    kind: str
    time: str
    called: str
    event: str


def caption(run: RunView, flight_s: float, unit: str) -> Caption:
    """The words for a moment of a run, in tenths of seconds and of the unit; empty where there is nothing to say."""
    units = Units(unit)
    spoken = [view for view in run.calls if view.call.counts and view.call.flight_s <= flight_s]
    speeds = [view for view in spoken if view.call.kind is CallKind.AIRSPEED]
    events = [view for view in spoken if view.call.kind is CallKind.EVENT]
    last = speeds[-1] if speeds else None
    fitted = fitted_ias_kt(run, flight_s) if run.event_s is not None and flight_s <= run.event_s else None
    if fitted is not None:
        speed, kind = f"{units.text(fitted)} {unit}", "indicated, fit of the calls"
    elif last and last.call.ias_kt is not None and flight_s - last.call.flight_s <= LEAD_S:
        speed, kind = f"{units.text(last.call.ias_kt, 0)} {unit}", "indicated, last call"
    else:
        speed, kind = "", ""
    zero_s = zero_of(run)
    to_event = f"{number(flight_s - zero_s, 1, True)} s" if zero_s is not None else ""
    unsure = "" if last is None or last.call.reviewed else " (not reviewed)"
    return Caption(
        speed=speed,
        kind=kind,
        time=f"{to_event}   {clock(flight_s)}".strip(),
        called=f"called: {last.description}{unsure}" if last and flight_s - last.call.flight_s <= LEAD_S else "",
        event=events[-1].description if events and flight_s - events[-1].call.flight_s <= EVENT_STAYS_S else "",
    )


def run_span(run: RunView) -> tuple[float, float]:
    """What of the flight a clip shows: the run with a little before and after [s].

    Returns
    -------
    tuple[float, float]
        Start and end on the flight clock [s].
    """
    return max(run.run.start_s - LEAD_S, 0.0), run.run.end_s + TAIL_S

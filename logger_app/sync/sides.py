"""What is said of one side of a comparison, and of the frame that it shows. Pure records."""

from __future__ import annotations

from dataclasses import dataclass

from logger_app.records.results import StallSpeed


@dataclass(frozen=True, slots=True, kw_only=True)
class SideFacts:
    """One configuration's run. `calls` are (flight time when it was to be seen [s], words, is it an event)."""

    configuration: str
    name: str
    flight: str
    run_number: int
    result: StallSpeed
    event_s: float
    lag_s: float = 0.0
    calls: tuple[tuple[float, str, bool], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """The frame on show at a side, or why there is none."""

    camera: str = ""
    pts: int = 0
    flight_s: float = 0.0
    aspect: float = 16 / 9
    why: str = ""

"""What is known of one side of a comparison, and of the frame that it shows. Pure records."""

from __future__ import annotations

from dataclasses import dataclass

from logger_app.records.results import StallSpeed


@dataclass(frozen=True, slots=True, kw_only=True)
class SideFacts:
    """One run as one camera saw it.

    `calls` are (flight time when it was to be seen [s], words, is it an event); `view` says which wing and camera,
    empty for any; `run_of` is which of how many runs this is; `why` says why there is no camera at all.
    """

    configuration: str
    name: str
    flight: str
    run_number: int
    result: StallSpeed
    event_s: float
    lag_s: float = 0.0
    calls: tuple[tuple[float, str, bool], ...] = ()
    view: str = ""
    run_of: tuple[int, int] = (1, 1)
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """The frame on show at a side, or why there is none."""

    camera: str = ""
    pts: int = 0
    flight_s: float = 0.0
    aspect: float = 16 / 9
    why: str = ""
    wing: str = ""

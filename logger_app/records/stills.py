"""What a saved picture of a comparison shows, as it was when it was saved: the truth behind its caption."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class SavedShot:
    """One frame: where on the axis in words, when and how fast it was, from which camera; or why there is none."""

    at: str
    flight_s: float | None = None
    ias_kt: float | None = None
    camera: str = ""
    why: str = ""
    stations: tuple[tuple[str, str, bool], ...] = ()  # station, state, is it only proposed


@dataclass(frozen=True, slots=True, kw_only=True)
class SavedSide:
    """One configuration: its run as it was reduced then, and its frames."""

    configuration: str
    name: str
    flight: str
    run: str
    run_number: int
    event_flight_s: float | None = None
    vs_ias_kt: float | None = None
    shots: tuple[SavedShot, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SavedPicture:
    """A still from the compare screen, or a sheet of stills. `why` says why these runs."""

    kind: str  # still, sheet
    point: str
    words: str
    sides: tuple[SavedSide, ...]
    why: str = ""
    who: str = ""
    made_utc: str = ""
    file: str = ""

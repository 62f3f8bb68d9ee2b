"""What other threads hand to the core, one class for each kind of message."""

from __future__ import annotations

from dataclasses import dataclass

from logger_app.fly.flight_records import Intent
from logger_app.records.calls import CaptureGap, HeardCall
from logger_app.records.journal import JournalRow


@dataclass(frozen=True, slots=True)
class Called:
    """The listener heard a call."""

    call: HeardCall


@dataclass(frozen=True, slots=True)
class Touched:
    """A touch, or something that the app itself asks for, at a time on the flight clock."""

    intent: Intent
    point: str | None
    by: str
    at_ns: int


@dataclass(frozen=True, slots=True)
class GapFound:
    """Sound is missing or was not heard."""

    gap: CaptureGap


@dataclass(frozen=True, slots=True)
class HeardUpTo:
    """The listener has heard all sound up to here. In the inbox behind the calls heard so far."""

    heard_ns: int
    speaking: bool
    last_speech_ns: int | None


@dataclass(frozen=True, slots=True)
class HeardLater:
    """Rows of calls that were heard after landing."""

    rows: tuple[JournalRow, ...]


@dataclass(frozen=True, slots=True)
class MarkPlayed:
    """The loudspeaker took a sync mark, or could not (`delay_s` is None)."""

    mark: int
    at_ns: int
    delay_s: float | None


@dataclass(frozen=True, slots=True)
class End:
    """No more messages: save what is left and end."""


Message = Called | Touched | GapFound | HeardUpTo | HeardLater | MarkPlayed | End

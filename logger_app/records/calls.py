"""What was heard, what a person changed, and what holds after review. Never edited, only added to."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from logger_app.records.clocks import Stretch
from logger_app.units import ns_to_s


class CallKind(StrEnum):
    """The four kinds of spoken item."""

    AIRSPEED = "airspeed"
    EVENT = "event"
    SETTING = "setting"
    COMMAND = "command"


class CallStatus(StrEnum):
    """Where a call stands after review."""

    HEARD = "heard"
    CONFIRMED = "confirmed"
    CORRECTED = "corrected"
    REJECTED = "rejected"
    ADDED = "added"


class Flag(StrEnum):
    """Why a call deserves a look. Listed here once; a room may not invent others."""

    UNSURE = "unsure"  # posterior under the threshold of the engine
    SHORTHAND = "shorthand"  # a last digit only, completed from the call before
    NO_DECADE = "no_decade"  # a single digit with no call before it to complete it from
    IMPLAUSIBLE = "implausible"  # against the neighbouring calls
    OUT_OF_RANGE = "out_of_range"  # outside what the campaign's aircraft can show
    SOUNDS_LIKE = "sounds_like"  # a rival that sounds alike is nearly as likely
    TOO_QUIET = "too_quiet"
    CLIPPED = "clipped"
    DISAGREE = "disagree"  # the second listening heard something else
    TRANSCRIPT = "transcript"  # read from a text, not heard
    IN_TALK = "in_talk"  # said within a sentence, or with a unit that belongs to something else
    TIME_SPREAD = "time_spread"  # its time was worked out from a long line of text: good to seconds only


@dataclass(frozen=True, slots=True, kw_only=True)
class Alternative:
    """A rival reading of the same sound, with its posterior (0 to 1)."""

    kind: CallKind
    name: str
    value: float | str | None
    posterior: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HeardCall(Stretch):
    """One spoken item as the machine heard it.

    Times are nanoseconds on the flight clock, ``[start, end)``, of the words themselves.
    `name` is ``ias`` for an airspeed, else the pack's name (``buffet``, ``flap``,
    ``scratch_that``). An airspeed's `value` is in `unit`, the indicator's own; a shorthand last
    digit is already completed (and flagged). `proposed` is what the reader of sequences thinks
    likelier, when it differs; it never replaces `value`.
    """

    id: str
    start_ns: int
    end_ns: int
    kind: CallKind
    name: str
    value: float | str | None = None
    unit: str | None = None
    words: str = ""
    posterior: float = 1.0
    flags: tuple[Flag, ...] = ()
    alternatives: tuple[Alternative, ...] = ()
    proposed: float | str | None = None
    word_times: tuple[tuple[str, int, int], ...] = ()
    engine: str = ""
    pack: str = ""

    def __post_init__(self):
        if self.end_ns < self.start_ns:
            raise ValueError(f"call {self.id}: ends ({self.end_ns} ns) before it starts ({self.start_ns} ns)")
        if not 0.0 <= self.posterior <= 1.0:
            raise ValueError(f"call {self.id}: posterior {self.posterior}; needs 0 to 1")

    def as_json(self) -> dict:
        """The call as the `--json` contracts show it."""
        return {
            "id": self.id,
            "start_s": round(self.start_s, 3),
            "end_s": round(self.end_s, 3),
            "kind": str(self.kind),
            "value": self.value,
            "unit": self.unit,
            "name": self.name,
            "words": self.words,
            "posterior": round(self.posterior, 4),
            "confidence": round(self.posterior, 4),
            "flags": [str(flag) for flag in self.flags],
            "proposed": self.proposed,
            "alternatives": [
                {"kind": str(a.kind), "name": a.name, "value": a.value, "posterior": round(a.posterior, 4)}
                for a in self.alternatives
            ],
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureGap:
    """A stretch of the flight clock with no sound, or sound not heard, and why.

    `breaks`: whether an approach may not go on across it. False where the sound was only not kept
    (calls went on), or only heard later (calls were added).
    """

    start_ns: int
    end_ns: int
    why: str
    breaks: bool = True

    def as_json(self) -> dict:
        """The gap as the `--json` contracts show it."""
        return {"start_s": round(ns_to_s(self.start_ns), 3), "end_s": round(ns_to_s(self.end_ns), 3), "why": self.why}


class Action(StrEnum):
    """What a correction does. Targets are call ids for the first group, run ids for the second."""

    CONFIRM = "confirm"
    SET = "set"  # payload: any of value, unit, kind, name
    REJECT = "reject"
    ADD = "add"  # target: the new call's id; payload: flight_ns, kind, name, value, unit, words
    MOVE = "move"  # payload: flight_ns
    SPLIT = "split"  # payload: flight_ns, where the second run begins
    JOIN = "join"  # payload: other, the run that follows
    DISCARD = "discard"
    REINSTATE = "reinstate"
    ASSIGN = "assign"  # payload: point
    OVERRULE = "overrule"  # payload: counts (true or false)
    REREAD = "reread"  # payload: the airspeed of each call of the run that is read again, by call id
    UNDO = "undo"  # target: the id of the correction undone


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """One thing a person decided: who, when (UTC, a label), why, on what.

    Corrections made by one command or key have the same `together`: they are undone at once.
    """

    id: str
    utc: str
    who: str
    action: Action
    target: str
    payload: tuple[tuple[str, object], ...] = ()
    why: str = ""
    replaces: str | None = None
    together: str | None = None

    def get(self, key: str, default=None):
        """The payload's value for `key`."""
        return dict(self.payload).get(key, default)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReviewedCall:
    """What a call stands for now: the fold of what was heard and every correction to it.

    `heard` is None for a call that a person added. `ias_kt` is the reading in knots for an
    airspeed, else None. `history` holds the ids of the corrections that made it what it is.
    """

    id: str
    flight_ns: int
    end_ns: int
    kind: CallKind
    name: str
    value: float | str | None
    unit: str | None
    status: CallStatus
    ias_kt: float | None = None
    flags: tuple[Flag, ...] = ()
    posterior: float = 1.0
    heard: HeardCall | None = None
    history: tuple[str, ...] = ()

    @property
    def flight_s(self) -> float:
        """When it was said, start of the first word, on the flight clock [s]."""
        return ns_to_s(self.flight_ns)

    @property
    def counts(self) -> bool:
        """Whether it may be used: everything but rejected calls."""
        return self.status is not CallStatus.REJECTED

    @property
    def reviewed(self) -> bool:
        """Whether a person has looked at it."""
        return self.status is not CallStatus.HEARD

    @property
    def heard_value(self) -> float | str | None:
        """What the machine heard, or None for an added call."""
        return self.heard.value if self.heard else None

    def as_json(self) -> dict:
        """The call as `review --list --json` shows it."""
        return {
            "id": self.id,
            "flight_s": round(self.flight_s, 3),
            "kind": str(self.kind),
            "name": self.name,
            "value": self.value,
            "unit": self.unit,
            "heard_value": self.heard_value,
            "status": str(self.status),
            "flags": [str(flag) for flag in self.flags],
            "posterior": round(self.posterior, 4),
            "proposed": self.heard.proposed if self.heard else None,
        }

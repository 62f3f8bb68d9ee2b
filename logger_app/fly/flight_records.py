"""What the cards in flight know and say: phases, intents, runs, steps, the state as a whole. `flight_state` moves it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from logger_app.domain.points import next_point
from logger_app.domain.settings import Memory, Possible, contradicted_items
from logger_app.fly.cues import Cue
from logger_app.fly.verdict import Verdict
from logger_app.records.calls import CallKind, HeardCall
from logger_app.records.plan import TestPoint
from logger_app.records.runs import RunEnd


class Phase(StrEnum):
    """Where the flight is."""

    SET_UP = "set_up"
    ON_CONDITION = "on_condition"
    APPROACH = "approach"
    STALL = "stall"
    VERDICT = "verdict"
    HOLD = "hold"
    KNOCKED_OFF = "knocked_off"
    LANDED = "landed"


IN_RUN = frozenset({Phase.ON_CONDITION, Phase.APPROACH, Phase.STALL})


class Intent(StrEnum):
    """What a touch, a spoken command or the app itself asks for."""

    CARD = "card"  # with a point's id, or a card's
    ON_CONDITION = "on_condition"
    APPROACH = "approach"
    STALL = "stall"
    RECOVERED = "recovered"
    NEXT = "next"
    PREVIOUS = "previous"
    AGAIN = "again"
    HOLD = "hold"
    RESUME = "resume"
    DISCARD = "discard"
    REINSTATE = "reinstate"  # take a discard back
    KNOCK_IT_OFF = "knock_it_off"
    MARK = "mark"
    NOTE = "note"
    END_NOTE = "end_note"
    SILENCE = "silence"  # the app: nothing was said for long
    RESTARTED = "restarted"  # the app: it was not running for a while
    LAND = "landed"


COMMANDS = {
    "on_condition": Intent.ON_CONDITION,
    "recovered": Intent.RECOVERED,
    "next_card": Intent.NEXT,
    "previous_card": Intent.PREVIOUS,
    "repeat": Intent.AGAIN,
    "again": Intent.AGAIN,
    "hold": Intent.HOLD,
    "stand_by": Intent.HOLD,
    "resume": Intent.RESUME,
    "scratch_that": Intent.DISCARD,
    "knock_it_off": Intent.KNOCK_IT_OFF,
    "mark": Intent.MARK,
    "note": Intent.NOTE,
    "end_note": Intent.END_NOTE,
    "card": Intent.CARD,
}
"""The language pack's names of what moves the cards; which words are said for them is the team's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Touch:
    """A touch, or something that the app itself found; `id` becomes the id of the row it makes."""

    id: str
    flight_ns: int
    intent: Intent
    point: str | None = None
    by: str = "touch"


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenRun:
    """The run that is being flown. `announced`: begun by "on condition", not by falling speeds."""

    id: str
    start_ns: int
    announced: bool
    calls: tuple[HeardCall, ...] = ()
    stall_touched_ns: int | None = None
    last_ns: int = 0

    @property
    def airspeeds(self) -> tuple[HeardCall, ...]:
        """The airspeed calls in it."""
        return tuple(call for call in self.calls if call.kind is CallKind.AIRSPEED)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClosedRun:
    """A run that is over: which calls it holds and what was made of it. `spoken` are the calls themselves."""

    id: str
    number: int
    point: str | None
    start_ns: int
    end_ns: int
    calls: tuple[str, ...]
    ended: RunEnd
    verdict: Verdict
    discarded: bool = False
    spoken: tuple[HeardCall, ...] = ()

    @property
    def counts(self) -> bool:
        """Whether it counts towards the runs wanted."""
        return self.verdict.counts and not self.discarded


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """A transition, to become a `STEP` row. `id` is set when the row must bear the touch's own id."""

    step: str
    flight_ns: int
    point: str | None
    card: str | None
    run: str | None
    by: str
    call: str | None = None
    id: str | None = None

    def as_body(self) -> dict:
        """The body of the row."""
        return {
            "step": self.step,
            "card": self.card,
            "point": self.point,
            "run": self.run,
            "by": self.by,
            "call": self.call,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What follows from an event, besides the new state.

    `closed` are the runs that ended; `notes` are spans ``(start_ns, end_ns)`` of spoken notes;
    `marks` the times of sync marks; `reinstated` the ids of runs whose discard was taken back.
    """

    steps: tuple[Step, ...] = ()
    closed: tuple[ClosedRun, ...] = ()
    cues: tuple[Cue, ...] = ()
    notes: tuple[tuple[int, int], ...] = ()
    marks: tuple[int, ...] = ()
    reinstated: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class FlightState:
    """All that the cards know. `forming` are calls from which an unannounced approach may grow; `own` are decades, heard and
    meant, that the rehearsal showed this pilot's voice to confuse.

    `points` are this flight's, in the order of its cards; `possible` holds those of the whole campaign.
    """

    points: tuple[TestPoint, ...]
    possible: Possible = Possible()
    unit: str = "kt"
    phase: Phase = Phase.SET_UP
    point: str | None = None
    memory: Memory = Memory()
    run: OpenRun | None = None
    runs: tuple[ClosedRun, ...] = ()
    loose: tuple[str, ...] = ()
    forming: tuple[HeardCall, ...] = ()
    held: Phase = Phase.SET_UP
    note_ns: int | None = None
    runs_begun: int = 0
    stopped_until_ns: int = 0
    own: tuple[tuple[int, int], ...] = ()

    @property
    def test_point(self) -> TestPoint | None:
        """The point on the screen."""
        return next((point for point in self.points if point.id == self.point), None)

    @property
    def last_run(self) -> ClosedRun | None:
        """The run that ended last."""
        return self.runs[-1] if self.runs else None

    def counted(self, point: str | None) -> int:
        """How many runs at a point count so far."""
        return sum(run.counts for run in self.runs if run.point == point)

    def complete(self, point: TestPoint) -> bool:
        """Whether a point has the runs that its card wants."""
        return self.counted(point.id) >= point.runs_wanted

    @property
    def point_after(self) -> TestPoint | None:
        """The next point that still wants runs, or any next one when none does."""
        return next_point(self.points, self.point, self.complete)

    @property
    def point_before(self) -> TestPoint | None:
        """The point before this one, in card order."""
        return next_point(self.points, self.point, self.complete, forward=False)

    @property
    def contradicted(self) -> tuple[str, ...]:
        """What was said that is not on this card: any of ``power``, ``flap``, ``bank``."""
        return contradicted_items(self.test_point, self.memory) if self.test_point else ()

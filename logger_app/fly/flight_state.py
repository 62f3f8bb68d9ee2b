"""The state machine of a flight: a call or a touch in, a new state and what follows from it out.

::

                 on condition         first airspeed          stall event          recovered
    SET_UP ────────────────► ON_CONDITION ────────► APPROACH ────────► STALL ────────────────► VERDICT
         ▲                        └────────────────────┴──── silence ────┴──────────────────► VERDICT
         └──────── next, again, card, discard ◄─────────────────────────────────────────────────────┘
    HOLD (resume: back)   KNOCKED_OFF (resume: SET_UP)   LANDED (resume: SET_UP)

Each arrow is a word or a touch, never a must: a pilot who says "on condition" begins a run from
anywhere, one who forgets it begins one with three falling airspeeds, one who forgets "recovered"
ends it by silence. Pure: no clock, no disk. Every call given is in exactly one place afterwards:
the open run, a closed run, or in no run. The grouping follows `review.runs`, which decides on the
ground from the same rows.

Main names: `FlightState`, `Touch`, `Intent`, `advance`, `begin`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum

from logger_app.domain.approach import MIN_CALLS
from logger_app.domain.stall_events import STALL_KINDS
from logger_app.fly.cues import Cue, Tone
from logger_app.fly.settings import contradictions, for_new_card, the_point_for, with_setting
from logger_app.fly.verdict import Verdict, assess, in_words
from logger_app.records.calls import CallKind, HeardCall
from logger_app.records.plan import TestPoint
from logger_app.records.runs import RunEnd, Settings
from logger_app.units import s_to_ns, to_kt

# The same as in `review.runs`: the silence that ends an approach, the longer one that is allowed
# before the first call, how far back "scratch that" reaches (common practice, no source).
SILENCE_NS = s_to_ns(12.0)
FIRST_CALL_NS = s_to_ns(40.0)
SCRATCH_NS = s_to_ns(30.0)
# A sentence for the notes is over by then, whatever was said (common practice, no source).
LONGEST_NOTE_NS = s_to_ns(20.0)


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


NOTHING_SAID = Settings()
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
    """A run that is over: which calls it holds and what was made of it."""

    id: str
    number: int
    point: str | None
    start_ns: int
    end_ns: int
    calls: tuple[str, ...]
    ended: RunEnd
    verdict: Verdict
    discarded: bool = False

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
    """All that the cards know. `forming` are calls from which an unannounced approach may grow."""

    points: tuple[TestPoint, ...]
    unit: str = "kt"
    phase: Phase = Phase.SET_UP
    point: str | None = None
    said: Settings = NOTHING_SAID
    run: OpenRun | None = None
    runs: tuple[ClosedRun, ...] = ()
    loose: tuple[str, ...] = ()
    forming: tuple[HeardCall, ...] = ()
    held: Phase = Phase.SET_UP
    note_ns: int | None = None
    runs_begun: int = 0

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
        if not self.points:
            return None
        here = self._here()
        others = self.points[here + 1 :] + self.points[: max(here, 0)]
        wanting = next((point for point in others if not self.complete(point)), None)
        return wanting or self.points[(here + 1) % len(self.points)]

    @property
    def point_before(self) -> TestPoint | None:
        """The point before this one, in card order."""
        return self.points[(self._here() - 1) % len(self.points)] if self.points else None

    def _here(self) -> int:
        return next((k for k, point in enumerate(self.points) if point.id == self.point), -1)

    @property
    def contradicted(self) -> tuple[str, ...]:
        """What was said that is not on this card: any of ``power``, ``flap``, ``bank``."""
        return contradictions(self.test_point, self.said) if self.test_point else ()


def begin(points: Sequence[TestPoint], unit: str = "kt") -> FlightState:
    """The state before anything has happened: the first card up.

    Parameters
    ----------
    points : sequence of TestPoint
        In the order to fly them; may be empty.
    """
    points = tuple(points)
    return FlightState(points=points, unit=unit, point=points[0].id if points else None)


def advance(state: FlightState, event: HeardCall | Touch) -> tuple[FlightState, Outcome]:
    """One event in, a new state and what follows out.

    Parameters
    ----------
    event : HeardCall or Touch
        What was heard, touched or found; times may not go back by more than a call's length.

    Returns
    -------
    tuple of (FlightState, Outcome)
        After, and the rows and cues that it makes.
    """
    turn = _Turn(state)
    if isinstance(event, HeardCall):
        turn.hear(event)
    else:
        turn.touch(event)
    return turn.state, turn.outcome()


def silent_since_ns(state: FlightState, now_ns: int) -> int | None:
    """When the open run fell silent for good, or None while it has not.

    Parameters
    ----------
    now_ns : int
        Up to when sound has been heard, flight clock [ns].

    Returns
    -------
    int or None
        The end of the last call in it [ns].
    """
    run = state.run
    if run is None:
        return None
    allowed_ns = SILENCE_NS if run.airspeeds else FIRST_CALL_NS
    return run.last_ns if now_ns - run.last_ns > allowed_ns else None


@dataclass
class _Turn:
    """The work of one event: `state` is replaced as it goes, what follows is collected."""

    state: FlightState
    steps: list[Step] = field(default_factory=list)
    closed: list[ClosedRun] = field(default_factory=list)
    cues: list[Cue] = field(default_factory=list)
    notes: list[tuple[int, int]] = field(default_factory=list)
    marks: list[int] = field(default_factory=list)
    reinstated: list[str] = field(default_factory=list)

    def outcome(self) -> Outcome:
        return Outcome(
            steps=tuple(self.steps),
            closed=tuple(self.closed),
            cues=tuple(self.cues),
            notes=tuple(self.notes),
            marks=tuple(self.marks),
            reinstated=tuple(self.reinstated),
        )

    # ---- events ---------------------------------------------------------------------------------

    def hear(self, call: HeardCall) -> None:
        since_ns = silent_since_ns(self.state, call.start_ns)
        if since_ns is not None:
            self._silence(since_ns)
        intent = COMMANDS.get(call.name) if call.kind is not CallKind.AIRSPEED else None
        if self.state.note_ns is not None and not self._note_ends_with(call, intent):
            self._loosen(call)
            return
        if intent is not None:
            self._act(intent, _Cause.of_call(call))
        elif call.kind is CallKind.SETTING:
            self._setting(call)
        elif call.kind is CallKind.AIRSPEED:
            self._airspeed(call)
        else:
            self._event(call)

    def touch(self, touch: Touch) -> None:
        since_ns = silent_since_ns(self.state, touch.flight_ns)
        # A touch shows that the pilot is still flying it; only a silence found by the app ends it.
        if touch.intent is Intent.SILENCE and since_ns is not None:
            self._silence(since_ns, touch)
        elif touch.intent is not Intent.SILENCE:
            if self.state.note_ns is not None:
                ends = touch.intent in (Intent.NOTE, Intent.END_NOTE)
                cause = _Cause.of_touch(touch)
                self._end_note(touch.flight_ns, cause if ends else replace(cause, id=None))
                if ends:
                    return
            self._act(touch.intent, _Cause.of_touch(touch))

    # ---- what is spoken -------------------------------------------------------------------------

    def _airspeed(self, call: HeardCall) -> None:
        if self.state.run:
            self._keep(call)
            if self.state.phase is Phase.ON_CONDITION:
                self._go(Phase.APPROACH, "approach", _Cause.of_call(call))
            return
        if self.state.phase not in (Phase.SET_UP, Phase.VERDICT):
            self._loosen(call)
            return
        forming = self.state.forming
        if forming and call.start_ns - forming[-1].end_ns > SILENCE_NS:
            self._drop_forming()
        self.state = replace(self.state, forming=self.state.forming + (call,))
        self._maybe_unannounced(call)

    def _maybe_unannounced(self, call: HeardCall) -> None:
        """Three airspeeds, each no faster than the one before and the last slower: an approach."""
        speeds = [(c, _kt(c)) for c in self.state.forming if c.kind is CallKind.AIRSPEED]
        last = [speed for _, speed in speeds[-MIN_CALLS:]]
        falling = len(last) == MIN_CALLS and None not in last and last[0] >= last[1] >= last[2] < last[0]
        if not falling:
            return
        calls = self.state.forming
        first = speeds[0][0]
        self.state = replace(
            self.state,
            forming=(),
            runs_begun=self.state.runs_begun + 1,
            run=OpenRun(
                id=f"run-{first.id}", start_ns=first.start_ns, announced=False, calls=calls, last_ns=call.end_ns
            ),
        )
        self._go(Phase.APPROACH, "approach", _Cause.of_call(call))

    def _event(self, call: HeardCall) -> None:
        self._keep(call)
        if self.state.run and call.name in STALL_KINDS and self.state.phase is not Phase.STALL:
            self._go(Phase.STALL, "stall", _Cause.of_call(call))

    def _setting(self, call: HeardCall) -> None:
        self._keep(call, counts_as_speech=False)
        said = with_setting(self.state.said, call)
        self.state = replace(self.state, said=said)
        flying = self.state.run is not None and self.state.run.airspeeds
        here = self.state.test_point
        if flying or said == NOTHING_SAID or (here and not contradictions(here, said)):
            return
        there = the_point_for(self.state.points, said)
        if there and there.id != self.state.point:
            fresh = with_setting(for_new_card(said), call)
            self._choose(there, _Cause.of_call(call))
            self.state = replace(self.state, said=fresh)

    # ---- intents --------------------------------------------------------------------------------

    def _act(self, intent: Intent, cause: _Cause) -> None:
        act = {
            Intent.ON_CONDITION: self._on_condition,
            Intent.APPROACH: self._touch_approach,
            Intent.STALL: self._touch_stall,
            Intent.RECOVERED: self._recovered,
            Intent.DISCARD: self._discard,
            Intent.REINSTATE: self._reinstate,
            Intent.KNOCK_IT_OFF: self._knock_it_off,
            Intent.HOLD: self._hold,
            Intent.RESUME: self._resume,
            Intent.NEXT: lambda cause: self._move(cause, forward=True),
            Intent.PREVIOUS: lambda cause: self._move(cause, forward=False),
            Intent.AGAIN: self._again,
            Intent.CARD: self._card,
            Intent.MARK: self._mark,
            Intent.NOTE: self._note,
            Intent.END_NOTE: self._keep_cause,
            Intent.RESTARTED: self._restarted,
            Intent.LAND: self._land,
        }[intent]
        act(cause)

    def _on_condition(self, cause: _Cause) -> None:
        run = self.state.run
        if run and run.announced and not run.airspeeds:
            self._keep_cause(cause)  # said and touched for the same moment: one run
            return
        if run:
            self._close(RunEnd.NEXT_RUN, cause.start_ns)
        self._drop_forming()
        self.state = replace(
            self.state,
            runs_begun=self.state.runs_begun + 1,
            run=OpenRun(id=f"run-{cause.id}", start_ns=cause.start_ns, announced=True, last_ns=cause.start_ns),
        )
        self._keep_cause(cause)
        self._go(Phase.ON_CONDITION, "on_condition", cause)

    def _touch_approach(self, cause: _Cause) -> None:
        if self.state.phase is Phase.ON_CONDITION:
            self._stir(cause)
            self._go(Phase.APPROACH, "approach", cause)

    def _touch_stall(self, cause: _Cause) -> None:
        run = self.state.run
        if run and self.state.phase is not Phase.STALL:
            self._stir(cause)
            self.state = replace(self.state, run=replace(self.state.run, stall_touched_ns=cause.start_ns))
            self._go(Phase.STALL, "stall", cause)

    def _recovered(self, cause: _Cause) -> None:
        self._keep_cause(cause)
        if self.state.run:
            self._step("recovered", cause)
            self._close(RunEnd.RECOVERED, cause.end_ns)

    def _discard(self, cause: _Cause) -> None:
        self._keep_cause(cause)
        if self.state.run:
            self._step("discard", cause)
            self._close(RunEnd.DISCARDED, cause.end_ns)
            return
        last = self.state.last_run
        reaches = cause.call is None or (last and cause.start_ns - last.end_ns <= SCRATCH_NS)
        if last and not last.discarded and reaches:
            self._replace_last(discarded=True)
            self._step("discard", cause, run=last.id)
            if self.state.phase is Phase.VERDICT:
                self.state = replace(self.state, phase=Phase.SET_UP)
            self._cue(Tone.DISCARD, text=f"Run {last.number} scratched")

    def _reinstate(self, cause: _Cause) -> None:
        self._keep_cause(cause)
        last = self.state.last_run
        if last and last.discarded and not self.state.run:
            self._replace_last(discarded=False)
            self.reinstated.append(last.id)
            self._step("reinstate", cause, run=last.id)
            self._cue(Tone.STEP, text=f"Run {last.number} is back")

    def _knock_it_off(self, cause: _Cause) -> None:
        self._keep_cause(cause)
        if self.state.phase is Phase.LANDED:
            return
        self._step("knock_it_off", cause)
        if self.state.run:
            self._close(RunEnd.KNOCKED_OFF, cause.end_ns)
        self._drop_forming()
        self.state = replace(self.state, phase=Phase.KNOCKED_OFF)
        self.cues = [Cue(tone=Tone.STOP, flash="red", text="KNOCK IT OFF")]

    def _hold(self, cause: _Cause) -> None:
        self._keep_cause(cause)
        if self.state.phase in (Phase.HOLD, Phase.KNOCKED_OFF, Phase.LANDED):
            return
        self.state = replace(self.state, held=self.state.phase)
        self._go(Phase.HOLD, "hold", cause)

    def _resume(self, cause: _Cause) -> None:
        self._keep_cause(cause)
        if self.state.phase is Phase.HOLD:
            back = self.state.held if self.state.run or self.state.held not in IN_RUN else Phase.SET_UP
            self._go(back, "resume", cause)
        elif self.state.phase in (Phase.KNOCKED_OFF, Phase.LANDED):
            self._go(Phase.SET_UP, "resume", cause)

    def _move(self, cause: _Cause, *, forward: bool) -> None:
        self._keep_cause(cause)
        if self.state.run or not self.state.points or self.state.phase in (Phase.KNOCKED_OFF, Phase.LANDED):
            return
        there = self.state.point_after if forward else self.state.point_before
        self._choose(there, cause, step="next" if forward else "previous")

    def _again(self, cause: _Cause) -> None:
        """The same point once more: the pilot's answer to a verdict, or a change of mind."""
        self._keep_cause(cause)
        if self.state.run or self.state.phase in (Phase.KNOCKED_OFF, Phase.LANDED):
            return
        last = self.state.last_run
        there = next((p for p in self.state.points if last and p.id == last.point), self.state.test_point)
        if there:
            self._choose(there, cause, step="again")

    def _card(self, cause: _Cause) -> None:
        self._keep_cause(cause)
        name = str(cause.value).replace(" ", "").upper() if cause.value is not None else ""
        there = next((p for p in self.state.points if p.id.upper() == name), None)
        there = there or next((p for p in self.state.points if p.card.upper() == name), None)
        if there and not self.state.run:
            self._choose(there, cause)

    def _mark(self, cause: _Cause) -> None:
        self._keep_cause(cause)
        self.marks.append(cause.start_ns)
        self._step("mark", cause)
        self.cues.append(Cue(tone=Tone.MARK, flash="white", text="Mark"))

    def _note(self, cause: _Cause) -> None:
        self._keep_cause(cause)
        self.state = replace(self.state, note_ns=cause.end_ns)
        self._step("note", cause)
        self._cue(Tone.STEP, text="Note: speak")

    def _restarted(self, cause: _Cause) -> None:
        """The program was away: a run in flight then cannot be joined to what comes."""
        if self.state.run:
            self._close(RunEnd.GAP, cause.start_ns)
        self._drop_forming()
        phase = Phase.SET_UP if self.state.phase in IN_RUN | {Phase.LANDED} else self.state.phase
        self._go(phase, "restarted", cause)

    def _land(self, cause: _Cause) -> None:
        if self.state.phase is Phase.LANDED:
            return
        if self.state.run:
            self._close(RunEnd.FLIGHT_END, cause.start_ns)
        self._drop_forming()
        self._go(Phase.LANDED, "landed", cause)

    # ---- notes ----------------------------------------------------------------------------------

    def _note_ends_with(self, call: HeardCall, intent: Intent | None) -> bool:
        """Whether this call is no part of the note that is being spoken (it then ends the note)."""
        too_long = call.start_ns - self.state.note_ns > LONGEST_NOTE_NS
        urgent = intent in (Intent.KNOCK_IT_OFF, Intent.ON_CONDITION, Intent.RECOVERED, Intent.END_NOTE)
        if too_long or urgent:
            self._end_note(min(call.start_ns, self.state.note_ns + LONGEST_NOTE_NS), _Cause.of_call(call))
            return True
        return False

    def _end_note(self, end_ns: int, cause: _Cause) -> None:
        start_ns = self.state.note_ns
        self._step("end_note", cause)
        self.state = replace(self.state, note_ns=None)
        self.notes.append((start_ns, max(start_ns, end_ns)))

    # ---- bookkeeping ----------------------------------------------------------------------------

    def _keep_cause(self, cause: _Cause) -> None:
        if cause.call is not None:
            self._keep(cause.call)

    def _keep(self, call: HeardCall, counts_as_speech: bool = True) -> None:
        run = self.state.run
        if run:
            last_ns = max(run.last_ns, call.end_ns) if counts_as_speech else run.last_ns
            self.state = replace(self.state, run=replace(run, calls=run.calls + (call,), last_ns=last_ns))
        elif self.state.forming:
            self.state = replace(self.state, forming=self.state.forming + (call,))
        else:
            self._loosen(call)

    def _loosen(self, call: HeardCall) -> None:
        self.state = replace(self.state, loose=self.state.loose + (call.id,))

    def _drop_forming(self) -> None:
        ids = tuple(call.id for call in self.state.forming)
        self.state = replace(self.state, forming=(), loose=self.state.loose + ids)

    def _stir(self, cause: _Cause) -> None:
        run = self.state.run
        self.state = replace(self.state, run=replace(run, last_ns=max(run.last_ns, cause.start_ns)))

    def _silence(self, since_ns: int, touch: Touch | None = None) -> None:
        """The run fell silent: over. Said by the app (a touch of its own) or noticed by a later call."""
        cause = _Cause(id=touch.id if touch else None, start_ns=since_ns, end_ns=since_ns, by="app")
        self._step("silence", cause)
        self._close(RunEnd.GAP, since_ns)

    def _replace_last(self, **changes) -> None:
        last = replace(self.state.runs[-1], **changes)
        self.state = replace(self.state, runs=self.state.runs[:-1] + (last,))

    def _choose(self, point: TestPoint, cause: _Cause, step: str = "card") -> None:
        self._drop_forming()
        said = self.state.said if point.id == self.state.point else for_new_card(self.state.said)
        self.state = replace(self.state, point=point.id, said=said)
        if self.state.phase is Phase.VERDICT:
            self.state = replace(self.state, phase=Phase.SET_UP)
        self._step(step, cause)
        self._cue(Tone.STEP, text=f"{point.id}: {point.label}")

    def _go(self, phase: Phase, step: str, cause: _Cause) -> None:
        self.state = replace(self.state, phase=phase)
        self._step(step, cause)
        if phase is not Phase.APPROACH:  # the approach begins with the pilot speaking: no tone into it
            self._cue(Tone.STEP)

    def _step(self, step: str, cause: _Cause, run: str | None = None) -> None:
        point = self.state.test_point
        taken = any(made.id == cause.id for made in self.steps)
        self.steps.append(
            Step(
                step=step,
                flight_ns=cause.start_ns,
                point=point.id if point else None,
                card=point.card if point else None,
                run=run or (self.state.run.id if self.state.run else None),
                by=cause.by,
                call=cause.call.id if cause.call else None,
                id=None if taken or cause.call else cause.id,
            )
        )

    def _cue(self, tone: Tone, text: str = "") -> None:
        self.cues.append(Cue(tone=tone, text=text))

    def _close(self, how: RunEnd, at_ns: int) -> None:
        run, point = self.state.run, self._point_flown()
        verdict = assess(
            run.id,
            run.calls,
            point,
            ended=how,
            touched_stall_ns=run.stall_touched_ns,
            counted_before=self.state.counted(point.id if point else None),
            unit=self.state.unit,
        )
        closed = ClosedRun(
            id=run.id,
            number=self.state.runs_begun,
            point=point.id if point else None,
            start_ns=run.start_ns,
            end_ns=max([at_ns, run.start_ns] + [call.end_ns for call in run.calls]),
            calls=tuple(call.id for call in run.calls),
            ended=how,
            verdict=verdict,
            discarded=how in (RunEnd.DISCARDED, RunEnd.KNOCKED_OFF),
        )
        scratched = how is RunEnd.DISCARDED
        phase = self.state.phase if self.state.phase is Phase.HOLD else Phase.SET_UP if scratched else Phase.VERDICT
        self.state = replace(self.state, run=None, runs=self.state.runs + (closed,), phase=phase)
        self.closed.append(closed)
        if scratched:
            self._cue(Tone.DISCARD, text=f"Run {closed.number} scratched")
        else:
            self._cue(Tone.GOOD if verdict.counts else Tone.AGAIN, text=in_words(verdict))

    def _point_flown(self) -> TestPoint | None:
        """The card's point unless what was said contradicts it; then the one that fits, if any."""
        here = self.state.test_point
        if here is None or contradictions(here, self.state.said):
            return the_point_for(self.state.points, self.state.said) if self.state.said != NOTHING_SAID else here
        return here


@dataclass(frozen=True, slots=True, kw_only=True)
class _Cause:
    """Why something happens: a call, a touch or the app."""

    id: str | None
    start_ns: int
    end_ns: int
    by: str
    call: HeardCall | None = None
    value: object = None

    @classmethod
    def of_call(cls, call: HeardCall) -> _Cause:
        return cls(id=call.id, start_ns=call.start_ns, end_ns=call.end_ns, by="voice", call=call, value=call.value)

    @classmethod
    def of_touch(cls, touch: Touch) -> _Cause:
        return cls(id=touch.id, start_ns=touch.flight_ns, end_ns=touch.flight_ns, by=touch.by, value=touch.point)


def _kt(call: HeardCall) -> float | None:
    return to_kt(float(call.value), call.unit or "kt") if isinstance(call.value, (int, float)) else None

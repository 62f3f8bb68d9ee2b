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
the open run, a closed run, or in no run. The grouping follows `domain.runs`, which decides on the
ground from the same rows.

Main names: `FlightState`, `Touch`, `Intent`, `advance`, `begin`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from logger_app.domain import run_bounds, settings
from logger_app.domain.hindsight import looking_back
from logger_app.domain.points import named_point, place, point_to_show
from logger_app.domain.stall_events import STALL_KINDS
from logger_app.fly.cues import Cue, Tone
from logger_app.fly.decade_doubt import doubted_decade, without_decade
from logger_app.fly.flight_records import (
    COMMANDS,
    IN_RUN,
    ClosedRun,
    FlightState,
    Intent,
    OpenRun,
    Outcome,
    Phase,
    Step,
    Touch,
)
from logger_app.fly.verdict import assess, in_words
from logger_app.records.calls import CallKind, HeardCall
from logger_app.records.plan import TestPoint
from logger_app.records.runs import RunEnd
from logger_app.units import to_kt


def begin(
    points: Sequence[TestPoint],
    unit: str = "kt",
    possible: settings.Possible | None = None,
    own: tuple[tuple[int, int], ...] = (),
) -> FlightState:
    """The state before anything has happened: the first card up.

    Parameters
    ----------
    points : sequence of TestPoint
        In the order to fly them; may be empty.
    possible : settings.Possible, optional
        What this campaign can have; the `points` alone if not given.
    own : tuple of (int, int)
        Decades, heard and meant, that the rehearsal showed this pilot's voice to confuse.
    """
    points = tuple(points)
    first = points[0].id if points else None
    return FlightState(
        points=points,
        possible=possible or settings.Possible(points=points),
        unit=unit,
        point=first,
        memory=settings.card_shown(settings.Memory(), first, 0, by_pilot=False),
        own=own,
    )


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
    return run.last_ns if now_ns - run.last_ns > run_bounds.silent_after_ns(bool(run.airspeeds)) else None


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
        if self.state.forming and call.start_ns - _last_ns(self.state.forming) > run_bounds.SILENCE_NS:
            self._drop_forming()
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
            self._maybe_next_approach(call)
        if self.state.run:
            self._keep(call)
            if self.state.phase is Phase.ON_CONDITION:
                self._go(Phase.APPROACH, "approach", _Cause.of_call(call))
            return
        if self.state.phase is Phase.LANDED or call.start_ns < self.state.stopped_until_ns:
            self._loosen(call)
            return
        self.state = replace(self.state, forming=self.state.forming + (call,))
        self._maybe_unannounced(call)

    def _maybe_unannounced(self, call: HeardCall) -> None:
        """Three airspeeds that fall: an approach that nobody announced."""
        calls = self.state.forming
        speeds = [c for c in calls if c.kind is CallKind.AIRSPEED]
        if not run_bounds.approach_begins([_kt(c) for c in speeds if run_bounds.DOUBTED_SPEED.isdisjoint(c.flags)]):
            return
        first = speeds[0]
        self.state = replace(
            self.state,
            forming=(),
            runs_begun=self.state.runs_begun + 1,
            run=OpenRun(
                id=f"run-{first.id}", start_ns=first.start_ns, announced=False, calls=calls, last_ns=_last_ns(calls)
            ),
        )
        self._go(Phase.APPROACH, "approach", _Cause.of_call(call))

    def _maybe_next_approach(self, call: HeardCall) -> None:
        """After a recovery that nobody called, the first airspeeds of the next approach."""
        run, kt = self.state.run, _kt(call)
        if run is None or kt is None or not run_bounds.DOUBTED_SPEED.isdisjoint(call.flags):
            return
        trusted = [
            (c, v) for c in run.airspeeds if (v := _kt(c)) is not None and run_bounds.DOUBTED_SPEED.isdisjoint(c.flags)
        ]
        k = run_bounds.new_approach_at([v for _, v in trusted], kt)
        if k is None:
            return
        top = trusted[k][0]
        before = tuple(c for c in run.calls if c.start_ns < top.start_ns)
        after = tuple(c for c in run.calls if c.start_ns >= top.start_ns)
        self.state = replace(self.state, run=replace(run, calls=before))
        self._close(RunEnd.NEXT_RUN, top.start_ns)
        self.state = replace(self.state, forming=after)

    def _event(self, call: HeardCall) -> None:
        self._keep(call)
        if call.kind is CallKind.COMMAND:  # a word of the pack or of the team that moves nothing: not silence
            self._cue(Tone.TROUBLE, text=f"“{call.words or call.name.replace('_', ' ')}” is not a command here")
        if self.state.run and call.name in STALL_KINDS and self.state.phase is not Phase.STALL:
            self._go(Phase.STALL, "stall", _Cause.of_call(call))

    def _setting(self, call: HeardCall) -> None:
        self._keep(call, counts_as_speech=False)
        run = self.state.run
        flying = bool(run and run.airspeeds) or any(c.kind is CallKind.AIRSPEED for c in self.state.forming)
        calls = run.calls if run else self.state.forming
        if flying and _stalls_ns(calls):
            return  # power and flaps of the recovery are not the next run's; `_close` finds those that are
        self._set(call, flying)

    def _set(self, call: HeardCall, flying: bool) -> None:
        memory = settings.setting_called(self.state.memory, call, self.state.possible, in_approach=flying)
        self.state = replace(self.state, memory=memory)
        there = None if flying else point_to_show(self.state.points, memory, self.state.point)
        if there:
            self._choose(there, _Cause.of_call(call), asked=False)

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
            stopped_until_ns=0,
            run=OpenRun(id=f"run-{cause.id}", start_ns=cause.start_ns, announced=True, last_ns=cause.start_ns),
        )
        self._keep_cause(cause)
        self._go(Phase.ON_CONDITION, "on_condition", cause)

    def _touch_approach(self, cause: _Cause) -> None:
        run = self.state.run
        if run and self.state.phase is Phase.ON_CONDITION:
            self._stir(run, cause)
            self._go(Phase.APPROACH, "approach", cause)

    def _touch_stall(self, cause: _Cause) -> None:
        run = self.state.run
        if run and self.state.phase is not Phase.STALL:
            self._stir(replace(run, stall_touched_ns=cause.start_ns), cause)
            self._go(Phase.STALL, "stall", cause)

    def _recovered(self, cause: _Cause) -> None:
        self._keep_cause(cause)
        self._drop_forming()
        if self.state.run:
            self._step("recovered", cause)
            self._close(RunEnd.RECOVERED, cause.end_ns)

    def _discard(self, cause: _Cause) -> None:
        self._keep_cause(cause)
        if self.state.run:
            self._step("discard", cause)
            self._close(RunEnd.DISCARDED, cause.end_ns)
            return
        self._drop_forming()
        last = self.state.last_run
        reaches = cause.call is None or (last and cause.start_ns - last.end_ns <= run_bounds.SCRATCH_NS)
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
        stopped_ns = cause.start_ns + run_bounds.STOPPED_NS
        self.state = replace(self.state, phase=Phase.KNOCKED_OFF, stopped_until_ns=stopped_ns)
        self.cues = [Cue(tone=Tone.STOP, flash="red", text="KNOCK IT OFF")]

    def _hold(self, cause: _Cause) -> None:
        self._keep_cause(cause)
        if self.state.phase in (Phase.HOLD, Phase.KNOCKED_OFF, Phase.LANDED):
            return
        self._drop_forming()
        stopped_ns = 0 if self.state.run else cause.start_ns + run_bounds.STOPPED_NS
        self.state = replace(self.state, held=self.state.phase, stopped_until_ns=stopped_ns)
        self._go(Phase.HOLD, "hold", cause)

    def _resume(self, cause: _Cause) -> None:
        self._keep_cause(cause)
        self.state = replace(self.state, stopped_until_ns=0)
        if self.state.phase is Phase.HOLD:
            back = self.state.held if self.state.run or self.state.held not in IN_RUN else Phase.SET_UP
            self._go(back, "resume", cause)
        elif self.state.phase in (Phase.KNOCKED_OFF, Phase.LANDED):
            self._go(Phase.SET_UP, "resume", cause)

    def _after_the_stall(self, cause: _Cause) -> None:
        """Nobody goes on with the cards before the recovery: its call was missed."""
        if cause.call is not None and self.state.run and _stalls_ns(self.state.run.calls):
            self._close(RunEnd.NEXT_RUN, cause.start_ns)

    def _move(self, cause: _Cause, *, forward: bool) -> None:
        self._after_the_stall(cause)
        self._keep_cause(cause)
        if self.state.run or not self.state.points or self.state.phase in (Phase.KNOCKED_OFF, Phase.LANDED):
            return
        there = self.state.point_after if forward else self.state.point_before
        if there:
            self._choose(there, cause, step="next" if forward else "previous")

    def _again(self, cause: _Cause) -> None:
        """The same point once more: the pilot's answer to a verdict, or a change of mind."""
        self._after_the_stall(cause)
        self._keep_cause(cause)
        if self.state.run or self.state.phase in (Phase.KNOCKED_OFF, Phase.LANDED):
            return
        last = self.state.last_run
        there = next((p for p in self.state.points if last and p.id == last.point), self.state.test_point)
        if there:
            self._choose(there, cause, step="again")

    def _card(self, cause: _Cause) -> None:
        self._after_the_stall(cause)
        self._keep_cause(cause)
        there = named_point(self.state.points, cause.value, self.state.point)
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
        self.state = replace(self.state, memory=settings.away(self.state.memory))
        self._go(phase, "restarted", cause)

    def _land(self, cause: _Cause) -> None:
        if self.state.phase is Phase.LANDED:
            return
        if self.state.run:
            self._close(RunEnd.FLIGHT_END, cause.start_ns)
        self._drop_forming()
        self._look_back()
        self._go(Phase.LANDED, "landed", cause)

    def _look_back(self) -> None:
        """The points of all runs once more, as on the ground; in flight a card that was flown stays as it was."""
        state = self.state
        flown = [run for run in state.runs if run.verdict.n_calls]
        if len(flown) != len(state.memory.flown):
            return
        points = looking_back(state.possible.points, state.points, state.memory, [run.point for run in flown])
        there = {run.id: back.point for run, back in zip(flown, points, strict=False)}
        self.state = replace(state, runs=tuple(replace(run, point=there.get(run.id, run.point)) for run in state.runs))

    # ---- notes ----------------------------------------------------------------------------------

    def _note_ends_with(self, call: HeardCall, intent: Intent | None) -> bool:
        """Whether this call is no part of the note that is being spoken (it then ends the note)."""
        note_ns = self.state.note_ns
        if note_ns is None:
            return False
        too_long = call.start_ns - note_ns > run_bounds.LONGEST_NOTE_NS
        urgent = intent in (Intent.KNOCK_IT_OFF, Intent.ON_CONDITION, Intent.RECOVERED, Intent.END_NOTE)
        if too_long or urgent:
            self._end_note(min(call.start_ns, note_ns + run_bounds.LONGEST_NOTE_NS), _Cause.of_call(call))
            return True
        return False

    def _end_note(self, end_ns: int, cause: _Cause) -> None:
        start_ns = self.state.note_ns
        if start_ns is None:
            return
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
        if not self.state.forming:
            return
        ids = tuple(call.id for call in self.state.forming)
        memory = settings.approach_given_up(self.state.memory)
        self.state = replace(self.state, forming=(), loose=self.state.loose + ids, memory=memory)

    def _stir(self, run: OpenRun, cause: _Cause) -> None:
        self.state = replace(self.state, run=replace(run, last_ns=max(run.last_ns, cause.start_ns)))

    def _silence(self, since_ns: int, touch: Touch | None = None) -> None:
        """The run fell silent: over. Said by the app (a touch of its own) or noticed by a later call."""
        cause = _Cause(id=touch.id if touch else None, start_ns=since_ns, end_ns=since_ns, by="app")
        self._step("silence", cause)
        self._close(RunEnd.GAP, since_ns)

    def _replace_last(self, **changes) -> None:
        last = replace(self.state.runs[-1], **changes)
        self.state = replace(self.state, runs=self.state.runs[:-1] + (last,))

    def _choose(self, point: TestPoint, cause: _Cause, step: str = "card", asked: bool = True) -> None:
        """Put a card up: one that was asked for, or the one that fits what was called."""
        self._drop_forming()
        self.state = replace(self.state, point=point.id)
        if asked:
            by_pilot = cause.by != "app"
            belief = cause.call.posterior if cause.call else 1.0
            memory = settings.card_shown(
                self.state.memory, point.id, cause.start_ns, by_pilot=by_pilot, belief=belief, follows=step == "next"
            )
            self.state = replace(self.state, memory=memory)
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
        if run is None:
            return
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
            spoken=run.calls,
        )
        found = doubted_decade([*self.state.runs, closed], self.state.possible.points, self.state.unit, self.state.own)
        if found and verdict.counts:
            verdict = without_decade(verdict, found)
            closed = replace(closed, verdict=verdict)
        if run.airspeeds:
            self.state = replace(self.state, memory=settings.approach_flown(self.state.memory, at_ns))
        scratched = how is RunEnd.DISCARDED
        phase = self.state.phase if self.state.phase is Phase.HOLD else Phase.SET_UP if scratched else Phase.VERDICT
        self.state = replace(self.state, run=None, runs=self.state.runs + (closed,), phase=phase)
        self.closed.append(closed)
        if how in (RunEnd.NEXT_RUN, RunEnd.GAP):
            from_ns = run_bounds.next_set_up_ns(_stalls_ns(run.calls))
            for call in run.calls:
                if from_ns is not None and call.kind is CallKind.SETTING and call.start_ns >= from_ns:
                    self._set(call, flying=False)
        if scratched:
            self._cue(Tone.DISCARD, text=f"Run {closed.number} scratched")
        else:
            self._cue(Tone.GOOD if verdict.counts else Tone.AGAIN, text=in_words(verdict))

    def _point_flown(self) -> TestPoint | None:
        placed = place(self.state.possible.points, self.state.memory)
        return next((point for point in self.state.possible.points if point.id == placed.point), None)


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


def _stalls_ns(calls: Sequence[HeardCall]) -> list[int]:
    return [call.start_ns for call in calls if call.kind is CallKind.EVENT and call.name in STALL_KINDS]


def _kt(call: HeardCall) -> float | None:
    return to_kt(float(call.value), call.unit or "kt") if isinstance(call.value, (int, float)) else None


def _last_ns(calls: Sequence[HeardCall]) -> int:
    """When the last of some calls was over; a setting may be said at any time and does not count."""
    return max((call.end_ns for call in calls if call.kind is not CallKind.SETTING), default=0)

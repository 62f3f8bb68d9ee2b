"""Where a run begins and ends, and which test point it belongs to: one rule for the cockpit and the ground. Pure.

A run opens at "on condition" (said or touched) or, without it, at the first airspeed of three that fall; it closes at
"recovered", at "scratch that" or "knock it off", at the next one, or at a silence. What is set is `domain.settings`,
which test point that makes is `domain.points`. Nothing is dropped: a run that fits no point says why, and calls in no
run are listed. `fly.flight_state` follows the same rules one call at a time.

Not for: deciding whether a run counts (`reduce.quality`) or its stall speed (`reduce`).
Corrections on runs are in `domain.run_corrections`, plans edited after flying in `domain.editions`. Main name: `find_runs`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from logger_app.domain.hindsight import LookedBack, looking_back
from logger_app.domain.points import SURE_SHARE, Placement, named_point, next_point, place, point_to_show
from logger_app.domain.run_bounds import (
    DOUBTED_SPEED,
    LONGEST_NOTE_NS,
    SCRATCH_NS,
    SILENCE_NS,
    STOPPED_NS,
    approach_begins,
    new_approach_at,
    next_set_up_ns,
    silent_after_ns,
)
from logger_app.domain.run_corrections import apply_to_runs
from logger_app.domain.settings import (
    Memory,
    Possible,
    approach_flown,
    approach_given_up,
    away,
    card_shown,
    setting_called,
    settings_at,
)
from logger_app.domain.stall_events import STALL_KINDS
from logger_app.records.calls import CallKind, CaptureGap, Correction, ReviewedCall
from logger_app.records.journal import JournalRow
from logger_app.records.plan import TestPoint
from logger_app.records.runs import FlightRuns, Run, RunEnd

# Commands that end a spoken note at once: what they do cannot wait.
ENDS_NOTE = frozenset({"knock_it_off", "on_condition", "recovered", "end_note"})
# Steps of the cards by which a person asks for a point.
CARD_STEPS = frozenset({"card", "next", "previous", "again"})


@dataclass
class _Open:
    """A run that is being collected."""

    id: str
    start_ns: int
    announced: bool
    last_ns: int
    calls: list[ReviewedCall] = field(default_factory=list)
    airspeeds: list[ReviewedCall] = field(default_factory=list)
    believed_kt: list[float | None] = field(default_factory=list)  # of the airspeeds
    trusted: list[ReviewedCall] = field(default_factory=list)  # of the believed ones, those with a value
    trusted_kt: list[float] = field(default_factory=list)

    def keep(self, calls: Iterable[ReviewedCall]) -> None:
        for call in calls:
            self.calls.append(call)
            if call.kind is CallKind.AIRSPEED:
                self.airspeeds.append(call)
                if not _doubtful(call):
                    self.believed_kt.append(call.ias_kt)
                    if call.ias_kt is not None:
                        self.trusted.append(call)
                        self.trusted_kt.append(call.ias_kt)

    def flown(self) -> bool:
        return self.announced or approach_begins(self.believed_kt)

    def stalls_ns(self) -> list[int]:
        return [call.flight_ns for call in self.calls if call.kind is CallKind.EVENT and call.name in STALL_KINDS]

    def set_up(self) -> list[ReviewedCall]:
        """Settings said so long after the stall that they are the next run's."""
        from_ns = next_set_up_ns(self.stalls_ns())
        settings = [call for call in self.calls if call.kind is CallKind.SETTING]
        return [] if from_ns is None else [call for call in settings if call.flight_ns >= from_ns]


@dataclass
class _Reader:
    """Walks through the flight once; `closed` grows."""

    flight: str
    possible: Possible
    order: Sequence[TestPoint]
    moves: Mapping[str, str]  # where a spoken card command led, by call, as the cards recorded it
    memory: Memory = Memory()
    here: str | None = None
    run: _Open | None = None
    closed: list[Run] = field(default_factory=list)
    loose: list[ReviewedCall] = field(default_factory=list)
    stopped_until_ns: int = 0
    knocked_off: bool = False
    note_ns: int | None = None
    doubts: dict[str, str] = field(default_factory=dict)
    placed: tuple[tuple, Placement] | None = None

    def take(self, call: ReviewedCall) -> None:
        if self.run and call.flight_ns - self.run.last_ns > silent_after_ns(bool(self.run.airspeeds)):
            self._close(RunEnd.GAP, self.run.last_ns)
        if self.note_ns is not None:
            if call.name not in ENDS_NOTE and call.flight_ns - self.note_ns <= LONGEST_NOTE_NS:
                self.loose.append(call)
                return
            self.note_ns = None
        if call.kind is CallKind.SETTING:
            self._setting(call)
        elif call.kind is CallKind.AIRSPEED:
            self._airspeed(call)
        elif (act := _COMMANDS.get(call.name)) is not None:
            act(self, call)
        else:
            self._keep(call)

    # ---- what was said --------------------------------------------------------------------------

    def _setting(self, call: ReviewedCall, *, kept: bool = False) -> None:
        if not kept:
            self._keep(call)
        flying = bool(self.run and self.run.airspeeds)
        if self.run and flying and self.run.stalls_ns():
            return  # power and flaps of the recovery are not the next run's; `_close` finds those that are
        self.memory = setting_called(self.memory, call, self.possible, in_approach=flying)
        self.doubts |= {doubt.call: doubt.why for doubt in self.memory.doubts if doubt.call == call.id}
        if not flying and (there := point_to_show(self.order, self.memory, self.here)):
            self.here = there.id

    def _airspeed(self, call: ReviewedCall) -> None:
        if self.run and self.run.flown() and call.ias_kt is not None and not _doubtful(call):
            k = new_approach_at(self.run.trusted_kt, call.ias_kt)
            if k is not None:
                self._split(self.run.trusted[k])
        if not self.run and call.flight_ns >= self.stopped_until_ns:
            self.begin(call.id, call.flight_ns, announced=False)
        self._keep(call)

    def _split(self, top: ReviewedCall) -> None:
        assert self.run is not None
        whole, calls = self.run, self.run.calls
        self.run = _Open(whole.id, whole.start_ns, whole.announced, whole.last_ns)
        self.run.keep(c for c in calls if c.flight_ns < top.flight_ns)
        self._close(RunEnd.NEXT_RUN, top.flight_ns)
        self.begin(top.id, top.flight_ns, announced=False)
        for call in calls:
            if call.flight_ns >= top.flight_ns:
                self._keep(call)

    def on_condition(self, call: ReviewedCall) -> None:
        self.begin(call.id, call.flight_ns, announced=True)
        self._keep(call)

    def recovered(self, call: ReviewedCall) -> None:
        self._keep(call)
        self.end(RunEnd.RECOVERED, call.end_ns)

    def knock_it_off(self, call: ReviewedCall) -> None:
        self._keep(call)
        self.end(RunEnd.KNOCKED_OFF, call.end_ns)
        self.stop_all(call.flight_ns)

    def hold(self, call: ReviewedCall) -> None:
        self._keep(call)
        self.stop(call.flight_ns)

    def resume(self, call: ReviewedCall) -> None:
        self._keep(call)
        self.go_on()

    def note(self, call: ReviewedCall) -> None:
        self._keep(call)
        self.note_ns = call.end_ns

    def scratch(self, call: ReviewedCall) -> None:
        self._drop_forming()
        if self.run:
            self._keep(call)
            self._close(RunEnd.DISCARDED, call.end_ns)
            return
        self.loose.append(call)
        if self.closed and call.flight_ns - self.closed[-1].end_ns <= SCRATCH_NS and not self.closed[-1].discarded:
            self.closed[-1] = replace(
                self.closed[-1], discarded=True, ended=RunEnd.DISCARDED, why_discarded="scratch that, said after it"
            )

    def card(self, call: ReviewedCall) -> None:
        """A card asked for by voice: where it led is in the journal, or follows from the order of the cards."""
        if self.run and self.run.stalls_ns():  # nobody goes on with the cards before the recovery: its call was missed
            self._close(RunEnd.NEXT_RUN, call.flight_ns)
        self._keep(call)
        self._drop_forming()
        held = self.run or (self.knocked_off and call.name != "card")
        if held and call.id not in self.moves:
            return
        there = self.moves.get(call.id) or self._leads_to(call)
        if there is not None:
            belief = 1.0 if call.reviewed else call.posterior
            self.show(there, call.flight_ns, by_pilot=True, belief=belief, follows=call.name == "next_card")

    def _leads_to(self, call: ReviewedCall) -> str | None:
        if call.name == "card":
            there = named_point(self.order, call.value, self.here)
        elif call.name in ("again", "repeat"):
            last = self.closed[-1].point if self.closed else None
            there = next((p for p in self.order if p.id == (last or self.here)), None)
        else:
            there = next_point(self.order, self.here, self._complete, forward=call.name == "next_card")
        return there.id if there else None

    def _complete(self, point: TestPoint) -> bool:
        return sum(run.point == point.id and not run.discarded for run in self.closed) >= point.runs_wanted

    def show(self, point: str, at_ns: int, *, by_pilot: bool, belief: float = 1.0, follows: bool = False) -> None:
        """A card was put up."""
        self.here = point
        self.memory = card_shown(self.memory, point, at_ns, by_pilot=by_pilot, belief=belief, follows=follows)

    # ---- runs -----------------------------------------------------------------------------------

    def begin(self, anchor: str, at_ns: int, *, announced: bool) -> None:
        """Open a run. A touch and a word for the same moment open one run, not two."""
        if self.run and self.run.announced and not self.run.airspeeds:
            return
        if self.run:
            self._close(RunEnd.NEXT_RUN, at_ns)
        self.run = _Open(f"run-{anchor}", at_ns, announced, at_ns)
        if announced:
            self.go_on()

    def end(self, how: RunEnd, at_ns: int) -> None:
        if self.run:
            self._close(how, at_ns)

    def stop(self, at_ns: int) -> None:
        """The cards are held: airspeeds are no approach for a while, unless one is being flown."""
        self._drop_forming()
        if not self.run:
            self.stopped_until_ns = at_ns + STOPPED_NS

    def stop_all(self, at_ns: int) -> None:
        """Knocked off: the cards stay as they are until the pilot goes on."""
        self.stopped_until_ns, self.knocked_off = at_ns + STOPPED_NS, True

    def go_on(self) -> None:
        """The pilot goes on after a hold or a knock-it-off."""
        self.stopped_until_ns, self.knocked_off = 0, False

    def gap(self, gap: CaptureGap) -> None:
        if gap.breaks:
            self.memory = away(self.memory)
        if self.run and gap.breaks and gap.end_ns - gap.start_ns > SILENCE_NS:
            self._close(RunEnd.GAP, gap.start_ns)

    def stir(self, at_ns: int) -> None:
        """A touch shows that the run is still being flown."""
        if self.run:
            self.run.last_ns = max(self.run.last_ns, at_ns)

    def discard_touched(self, at_ns: int) -> None:
        if self.run:
            self._close(RunEnd.DISCARDED, at_ns)
        elif self.closed and not self.closed[-1].discarded:
            self.closed[-1] = replace(self.closed[-1], discarded=True, why_discarded="discarded by touch")

    def _keep(self, call: ReviewedCall) -> None:
        if self.run is None:
            self.loose.append(call)
            return
        self.run.keep((call,))
        if call.kind is not CallKind.SETTING:
            self.run.last_ns = max(self.run.last_ns, call.end_ns)

    def _drop_forming(self) -> None:
        """Airspeeds that have not become an approach yet were none."""
        if self.run and not self.run.flown():
            self._close(RunEnd.NEXT_RUN, self.run.last_ns)

    def _close(self, how: RunEnd, at_ns: int) -> None:
        run, self.run = self.run, None
        assert run is not None
        if not run.airspeeds or not run.flown():
            self.loose += run.calls
            if not run.announced:
                self.memory = approach_given_up(self.memory)
            return
        self.knocked_off = False
        placed = self._place()
        point = next((p for p in self.possible.points if p.id == placed.point), None)
        self.closed.append(self._run(run, how, at_ns, placed, point))
        self.memory = approach_flown(self.memory, at_ns)
        if how in (RunEnd.NEXT_RUN, RunEnd.GAP):
            for call in run.set_up():
                self._setting(call, kept=True)

    def _place(self) -> Placement:
        """Where the settings put a run: mostly where they put the one before."""
        by = self.memory.placed_by
        if self.placed is None or self.placed[0] != by:
            self.placed = by, place(self.possible.points, self.memory)
        return self.placed[1]

    def _run(self, run: _Open, how: RunEnd, at_ns: int, placed: Placement, point: TestPoint | None) -> Run:
        return Run(
            id=run.id,
            number=0,
            flight=self.flight,
            start_ns=run.start_ns,
            end_ns=max([at_ns, *(call.end_ns for call in run.calls)]),
            point=placed.point,
            why_no_point="" if placed.point else placed.why,
            point_why=placed.why if placed.point else "",
            point_share=placed.share if placed.point else 0.0,
            point_sure=placed.sure,
            point_cause=placed.cause,
            rivals=placed.rivals,
            calls=tuple(run.calls),
            ended=how,
            settings=self.memory.settings(point),
            discarded=how in (RunEnd.DISCARDED, RunEnd.KNOCKED_OFF),
            why_discarded={RunEnd.DISCARDED: "scratch that", RunEnd.KNOCKED_OFF: "knock it off"}.get(how, ""),
        )


_COMMANDS = {
    "on_condition": _Reader.on_condition,
    "recovered": _Reader.recovered,
    "scratch_that": _Reader.scratch,
    "knock_it_off": _Reader.knock_it_off,
    "hold": _Reader.hold,
    "stand_by": _Reader.hold,
    "resume": _Reader.resume,
    "note": _Reader.note,
    "next_card": _Reader.card,
    "previous_card": _Reader.card,
    "again": _Reader.card,
    "repeat": _Reader.card,
    "card": _Reader.card,
}


def _doubtful(call: ReviewedCall) -> bool:
    return bool(call.flags) and not call.reviewed and not DOUBTED_SPEED.isdisjoint(call.flags)


def find_runs(
    flight: str,
    calls: Sequence[ReviewedCall],
    steps: Iterable[JournalRow] = (),
    points: Sequence[TestPoint] = (),
    corrections: Sequence[Correction] = (),
    gaps: Iterable[CaptureGap] = (),
    duration_ns: int | None = None,
    possible: Possible | None = None,
    order: Sequence[TestPoint] | None = None,
) -> FlightRuns:
    """The runs of one flight.

    Parameters
    ----------
    calls : sequence of ReviewedCall
        In any order; rejected ones are passed over.
    steps : iterable of JournalRow
        `STEP` rows: what the state machine did, by voice or touch.
    corrections : sequence of Correction
        Those that stand (undone ones already left out); the ones on runs are applied here.
    duration_ns : int, optional
        Length of the recording [ns].
    possible : Possible, optional
        What decides which settings are believed, with the points to choose from; the `points` alone if not given.
    order : sequence of TestPoint, optional
        The points in the order in which the cards of this flight follow one another; `points` if not given.

    Returns
    -------
    FlightRuns
        Runs in order of time, numbered from 1, and the calls in none.
    """
    possible = possible or Possible(points=tuple(points))
    order = possible.points if order is None else order
    reader = _read(flight, calls, steps, gaps, duration_ns, possible, order)
    reader.closed = _looked_back(reader.closed, possible.points, order, reader.memory)
    runs = apply_to_runs(reader.closed, corrections, possible.points)
    return FlightRuns(
        flight=flight,
        runs=tuple(replace(run, number=k) for k, run in enumerate(runs, 1)),
        unassigned=tuple(sorted(reader.loose, key=lambda call: (call.flight_ns, call.id))),
        doubts=tuple(reader.doubts.items()),
    )


def settings_doubted(
    flight: str,
    calls: Sequence[ReviewedCall],
    steps: Iterable[JournalRow],
    gaps: Iterable[CaptureGap],
    duration_ns: int | None,
    possible: Possible,
    order: Sequence[TestPoint],
) -> dict[str, str]:
    """`FlightRuns.doubts` of `find_runs` by itself: no correction on a run and no looking back changes them."""
    return _read(flight, calls, steps, gaps, duration_ns, possible, order).doubts


def _read(flight, calls, steps, gaps, duration_ns, possible: Possible, order: Sequence[TestPoint]) -> _Reader:
    steps = list(steps)
    reader = _Reader(flight, possible, order, _moves(steps), here=order[0].id if order else None)
    for _, _, act in sorted(_acts(calls, steps, gaps), key=lambda item: item[:2]):
        act(reader)
    reader.end(RunEnd.FLIGHT_END, max([duration_ns or 0] + [call.end_ns for call in calls]))
    return reader


def _looked_back(runs: Sequence[Run], points: Sequence[TestPoint], order, memory: Memory) -> list[Run]:
    """The runs with the whole flight known."""
    by_id = {point.id: point for point in points}
    backs = looking_back(points, order, memory, [run.point for run in runs])
    return [_run_looked_back(run, back, by_id) for run, back in zip(runs, backs, strict=True)] if backs else list(runs)


def _run_looked_back(run: Run, back: LookedBack, points: Mapping[str, TestPoint]) -> Run:
    """A run in hindsight; one that moves says where it was when it was flown."""
    if back.point == run.point and back.share > 0.5:
        return run if run.point_share >= back.share else replace(run, point_share=back.share, rivals=back.rivals)
    sure = run.point_sure and back.share >= SURE_SHARE
    if not back.why or back.point is None:
        return replace(run, point_share=back.share, point_sure=sure, rivals=back.rivals or run.rivals)
    return replace(
        run,
        point=back.point,
        point_share=back.share,
        point_sure=False,
        rivals=back.rivals,
        looked_back=True,
        point_then=run.point,
        point_why=f"{back.why} ({run.point_why or run.why_no_point})",
        why_no_point="",
        settings=settings_at(points[back.point], run.settings),
    )


def _moves(steps: Iterable[JournalRow]) -> dict[str, str]:
    """Where each spoken card command led, by call."""
    return {
        row.body["call"]: row.body["point"]
        for row in steps
        if row.body.get("step") in CARD_STEPS and row.body.get("call") and row.body.get("point")
    }


def _acts(calls, steps, gaps) -> Iterator[tuple]:
    """Everything that happened, as (time, order at equal times, what it does to the reader)."""
    spoken = {call.id for call in calls}
    for call in calls:
        if call.counts:
            yield call.flight_ns, 2, lambda reader, call=call: reader.take(call)
    for row in steps:
        # A step that a call caused is read from the call itself, which may since have been corrected.
        if row.body.get("call") not in spoken:
            yield row.flight_ns, 1, lambda reader, row=row: _take_step(reader, row)
    for gap in gaps:
        yield gap.start_ns, 0, lambda reader, gap=gap: reader.gap(gap)


def _take_step(reader: _Reader, row: JournalRow) -> None:
    step, point, by = row.body.get("step"), row.body.get("point"), row.body.get("by")
    if point is not None and step in CARD_STEPS:
        reader.show(point, row.flight_ns, by_pilot=by != "app", follows=step == "next")
    if by == "voice":
        return
    if step == "on_condition":
        reader.begin(row.id, row.flight_ns, announced=True)
    elif step == "recovered":
        reader.end(RunEnd.RECOVERED, row.flight_ns)
    elif step in ("discard", "discarded", "scratch_that"):
        reader.discard_touched(row.flight_ns)
    elif step in ("knock_it_off", "knocked_off"):
        reader.end(RunEnd.KNOCKED_OFF, row.flight_ns)
        reader.stop_all(row.flight_ns)
    elif step == "hold":
        reader.stop(row.flight_ns)
    elif step in ("resume", "restarted"):
        reader.go_on()
    elif step == "note":
        reader.note_ns = row.flight_ns
    elif step == "end_note":
        reader.note_ns = None
    elif step in ("approach", "stall"):
        reader.stir(row.flight_ns)

"""Where a run begins and ends, and which test point it belongs to: one rule for the cockpit and the ground. Pure.

A run opens at "on condition" (said or touched) or, without it, at the first airspeed of three that fall; it closes at
"recovered", at "scratch that" or "knock it off", at the next one, or at a silence. What is set is `domain.settings`,
which test point that makes is `domain.points`. Nothing is dropped: a run that fits no point says why, and calls in no
run are listed. `fly.flight_state` follows the same rules one call at a time.

Not for: deciding whether a run counts (`reduce.quality`) or its stall speed (`reduce`).
Main names: `find_runs`, `apply_to_runs`; for the cockpit `silent_after_ns`, `approach_begins`, `new_approach_at`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from logger_app.domain.approach import MIN_CALLS
from logger_app.domain.hindsight import LookedBack, looking_back
from logger_app.domain.points import (
    SURE_SHARE,
    Placement,
    named_point,
    next_point,
    place,
    point_to_show,
    points_for,
    same_point,
)
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
from logger_app.records.calls import Action, CallKind, CaptureGap, Correction, Flag, ReviewedCall
from logger_app.records.journal import JournalRow
from logger_app.records.plan import Campaign, TestPoint
from logger_app.records.runs import FlightRuns, Run, RunEnd
from logger_app.units import s_to_ns

# Common practice, no source: calls come every second or two; a pilot who has said no airspeed for
# this long is not in an approach any more. After "on condition" the first call may take longer.
SILENCE_NS = s_to_ns(12.0)
FIRST_CALL_NS = s_to_ns(40.0)
# "Scratch that" reaches back to a run that ended no longer ago than this (common practice, no source).
SCRATCH_NS = s_to_ns(30.0)
# After "knock it off" or "hold" speeds are said on the way home, not in an approach, until "on condition".
STOPPED_NS = s_to_ns(60.0)
# A sentence for the notes is over by then, whatever was said (common practice, no source).
LONGEST_NOTE_NS = s_to_ns(20.0)
# A recording without "on condition" or "recovered" shows a new approach as a speed well above the
# lowest one, falling again. 8 kt: more than a wander near the stall, less than a recovery to entry.
NEW_APPROACH_KT = 8.0
# A fall of more than this from one call to the next is a call misheard, not an approach.
JUMP_KT = 6.0
# Airspeeds that neither begin nor part a run, until a person has looked.
DOUBTED_SPEED = frozenset({Flag.IMPLAUSIBLE, Flag.OUT_OF_RANGE, Flag.NO_DECADE})
# Commands that end a spoken note at once: what they do cannot wait.
ENDS_NOTE = frozenset({"knock_it_off", "on_condition", "recovered", "end_note"})
# Steps of the cards by which a person asks for a point.
CARD_STEPS = frozenset({"card", "next", "previous", "again"})


def silent_after_ns(has_airspeeds: bool) -> int:
    """The silence that ends a run [ns]."""
    return SILENCE_NS if has_airspeeds else FIRST_CALL_NS


def approach_begins(speeds_kt: Sequence[float | None]) -> bool:
    """Whether airspeeds show an approach that nobody announced: three, none faster than the one before, that fall."""
    for a, b, c in zip(speeds_kt, speeds_kt[1:], speeds_kt[2:], strict=False):
        if a is not None and b is not None and c is not None and a >= b >= c and c < a:
            return True
    return False


def new_approach_at(speeds_kt: Sequence[float], next_kt: float) -> int | None:
    """Where the next approach began, after a recovery that nobody announced.

    Parameters
    ----------
    speeds_kt : sequence of float
        The believed airspeeds of the open run [kt].
    next_kt : float
        The airspeed that follows [kt].

    Returns
    -------
    int or None
        Index of the first airspeed of the next approach, or None where the run goes on.

    Examples
    --------
    >>> new_approach_at([61, 58, 55, 50, 62], 60), new_approach_at([61, 58, 55, 50, 52], 51)
    (4, None)
    """
    come_down_to = [k for k in range(1, len(speeds_kt)) if speeds_kt[k - 1] - speeds_kt[k] <= JUMP_KT]
    if len(speeds_kt) < MIN_CALLS or not come_down_to:
        return None
    # The lowest call that was come down to, not jumped to.
    lowest = min(come_down_to, key=lambda k: speeds_kt[k])
    after = speeds_kt[lowest + 1 :]
    if not after or max(after) <= speeds_kt[lowest] + NEW_APPROACH_KT or next_kt >= max(after) - 1:
        return None
    return lowest + 1 + max(range(len(after)), key=lambda k: after[k])


@dataclass
class _Open:
    """A run that is being collected."""

    id: str
    start_ns: int
    announced: bool
    last_ns: int
    calls: list[ReviewedCall] = field(default_factory=list)

    def airspeeds(self) -> list[ReviewedCall]:
        return [call for call in self.calls if call.kind is CallKind.AIRSPEED]

    def flown(self) -> bool:
        return self.announced or approach_begins([c.ias_kt for c in self.airspeeds() if not _doubtful(c)])

    def stalled(self) -> bool:
        return any(call.kind is CallKind.EVENT and call.name in STALL_KINDS for call in self.calls)


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

    def take(self, call: ReviewedCall) -> None:
        if self.run and call.flight_ns - self.run.last_ns > silent_after_ns(bool(self.run.airspeeds())):
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

    def _setting(self, call: ReviewedCall) -> None:
        self._keep(call)
        flying = bool(self.run and self.run.airspeeds())
        if self.run and flying and self.run.stalled():
            return  # power and flaps of the recovery are not the next run's
        self.memory = setting_called(self.memory, call, self.possible, in_approach=flying)
        self.doubts |= {doubt.call: doubt.why for doubt in self.memory.doubts if doubt.call == call.id}
        if not flying and (there := point_to_show(self.order, self.memory, self.here)):
            self.here = there.id

    def _airspeed(self, call: ReviewedCall) -> None:
        if self.run and self.run.flown() and call.ias_kt is not None and not _doubtful(call):
            trusted = [c for c in self.run.airspeeds() if c.ias_kt is not None and not _doubtful(c)]
            k = new_approach_at([c.ias_kt for c in trusted if c.ias_kt is not None], call.ias_kt)
            if k is not None:
                self._split(trusted[k])
        if not self.run and call.flight_ns >= self.stopped_until_ns:
            self.begin(call.id, call.flight_ns, announced=False)
        self._keep(call)

    def _split(self, top: ReviewedCall) -> None:
        assert self.run is not None
        calls = self.run.calls
        self.run.calls = [c for c in calls if c.flight_ns < top.flight_ns]
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
        if self.run and self.run.announced and not self.run.airspeeds():
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
        self.run.calls.append(call)
        if call.kind is not CallKind.SETTING:
            self.run.last_ns = max(self.run.last_ns, call.end_ns)

    def _drop_forming(self) -> None:
        """Airspeeds that have not become an approach yet were none."""
        if self.run and not self.run.flown():
            self._close(RunEnd.NEXT_RUN, self.run.last_ns)

    def _close(self, how: RunEnd, at_ns: int) -> None:
        run, self.run = self.run, None
        assert run is not None
        if not run.airspeeds() or not run.flown():
            self.loose += run.calls
            if not run.announced:
                self.memory = approach_given_up(self.memory)
            return
        self.knocked_off = False
        placed = place(self.possible.points, self.memory)
        point = next((p for p in self.possible.points if p.id == placed.point), None)
        self.closed.append(self._run(run, how, at_ns, placed, point))
        self.memory = approach_flown(self.memory, at_ns)

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
    return not call.reviewed and not DOUBTED_SPEED.isdisjoint(call.flags)


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
    steps = list(steps)
    possible = possible or Possible(points=tuple(points))
    order = possible.points if order is None else order
    reader = _Reader(flight, possible, order, _moves(steps), here=order[0].id if order else None)
    for _, _, act in sorted(_acts(calls, steps, gaps), key=lambda item: item[:2]):
        act(reader)
    end_ns = max([duration_ns or 0] + [call.end_ns for call in calls])
    reader.end(RunEnd.FLIGHT_END, end_ns)
    reader.closed = _looked_back(reader.closed, possible.points, order, reader.memory)
    runs = apply_to_runs(reader.closed, corrections, possible.points)
    return FlightRuns(
        flight=flight,
        runs=tuple(replace(run, number=k) for k, run in enumerate(runs, 1)),
        unassigned=tuple(sorted(reader.loose, key=lambda call: (call.flight_ns, call.id))),
        doubts=tuple(reader.doubts.items()),
    )


def _looked_back(runs: Sequence[Run], points: Sequence[TestPoint], order, memory: Memory) -> list[Run]:
    """The runs with the whole flight known."""
    by_id = {point.id: point for point in points}
    backs = looking_back(points, order, memory, [run.point for run in runs])
    return [_run_looked_back(run, back, by_id) for run, back in zip(runs, backs, strict=True)] if backs else list(runs)


def _run_looked_back(run: Run, back: LookedBack, points: Mapping[str, TestPoint]) -> Run:
    """A run in hindsight; one that moves says where it was when it was flown."""
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


def runs_as_flown(
    campaign: Campaign,
    flown: Sequence[TestPoint] | None,
    flight: str,
    calls: Sequence[ReviewedCall],
    steps: Sequence[JournalRow],
    corrections: Sequence[Correction],
    gaps: Sequence[CaptureGap],
    duration_ns: int | None,
) -> FlightRuns:
    """The runs of a flight at the points that it was flown for, whatever the campaign says now.

    Parameters
    ----------
    flown : sequence of TestPoint or None
        The points of the edition that the flight was flown under; None where the journal does not hold them.
    duration_ns : int or None
        Length of the recording [ns].

    Returns
    -------
    FlightRuns
        A run keeps its point; in `elsewhere` are those that the campaign as it is now would put elsewhere. A run
        whose point now asks for other settings is at none until a person assigns it. One that had no point takes
        the one that the campaign has for it now.
    """
    order = points_for(campaign, flight)

    def fold(points: Sequence[TestPoint]) -> FlightRuns:
        possible = Possible.of(campaign, points)
        return find_runs(flight, calls, steps, points, corrections, gaps, duration_ns, possible, order)

    now = fold(campaign.points)
    if not flown or len(flown) == len(campaign.points) and all(map(same_edition, flown, campaign.points)):
        return now
    assigned = {c.target for c in corrections if c.action is Action.ASSIGN}
    there = {run.id: run for run in now.runs}
    before = {point.id: point for point in flown}
    after = {point.id: point for point in campaign.points}
    runs, elsewhere = [], []
    as_flown = fold(flown)
    for run in as_flown.runs:
        then, other = run.point, there.get(run.id, run).point
        if run.id in assigned or then is None:
            runs.append(there.get(run.id, run))
            continue
        changed = then in after and then in before and not same_point(before[then], after[then])
        if changed or then not in after or other != then:
            elsewhere.append((run.id, f"{then} ({before[then].label})", other))
        why = f"flown as {then} ({before[then].label}), which is {after[then].label} now: assign it" if changed else ""
        lost = replace(run, point=None, why_no_point=why, point_sure=False, rivals=((other, 0.5),) if other else ())
        runs.append(lost if changed else run)
    return replace(as_flown, runs=tuple(runs), elsewhere=tuple(elsewhere))


def elsewhere_in_words(found: FlightRuns) -> list[str]:
    """Runs that the campaign as it is now would put at another point than they were flown for, one sentence each."""
    number = {run.id: run.number for run in found.runs}
    return [
        f"flight {found.flight}, run {number[id]}: flown as {flown}; the campaign as it is now puts it at "
        f"{other or 'no point'}. It stays where it was flown until you assign it "
        f"(kneecall review ... --assign {number[id]} POINT)."
        for id, flown, other in found.elsewhere
    ]


def same_edition(one: TestPoint, other: TestPoint) -> bool:
    """Whether a point has the same name and settings in two editions of a campaign."""
    return one.id == other.id and same_point(one, other)


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


def apply_to_runs(
    runs: Sequence[Run], corrections: Sequence[Correction], points: Sequence[TestPoint] = ()
) -> list[Run]:
    """Corrections on runs: discard, reinstate, assign, split, join, overrule; in order of time.

    Parameters
    ----------
    corrections : sequence of Correction
        Those that stand; ones whose run is not there are passed over.

    Returns
    -------
    list of Run
        In order of time; numbers are not set here.
    """
    by_id = {run.id: run for run in runs}
    for correction in sorted(corrections, key=lambda c: (c.utc, c.id)):
        run = by_id.get(correction.target)
        if run is None:
            continue
        if correction.action is Action.DISCARD:
            by_id[run.id] = replace(
                run, discarded=True, why_discarded=correction.why or f"discarded by {correction.who}"
            )
        elif correction.action is Action.REINSTATE:
            by_id[run.id] = replace(run, discarded=False, why_discarded="")
        elif correction.action is Action.ASSIGN:
            by_id[run.id] = _assigned(run, str(correction.get("point")), correction.who, points)
        elif correction.action is Action.OVERRULE:
            by_id[run.id] = replace(run, overruled=bool(correction.get("counts", True)))
        elif correction.action is Action.SPLIT:
            for part in _split(run, int(correction.get("flight_ns"))):
                by_id[part.id] = part
        elif correction.action is Action.JOIN and (other := by_id.get(str(correction.get("other")))):
            del by_id[other.id]
            by_id[run.id] = _join(run, other)
    return sorted(by_id.values(), key=lambda run: (run.start_ns, run.id))


def _assigned(run: Run, id: str, who: str, points: Sequence[TestPoint]) -> Run:
    """The run at the point that a person gave it; what was said against that point no longer holds for it."""
    point = next((p for p in points if p.id == id), None)
    settings = run.settings
    if point is not None:
        settings = replace(
            settings,
            power=point.power,
            power_rpm=point.power_rpm,
            power_pct=point.power_pct,
            flap_deg=point.flap_deg,
            bank_deg=point.bank_deg,
        )
    return replace(
        run,
        point=id,
        why_no_point="",
        point_why=f"assigned by {who}",
        point_sure=True,
        point_share=1.0,
        point_cause=None,
        looked_back=False,
        point_then=None,
        rivals=(),
        settings=settings,
    )


def _split(run: Run, at_ns: int) -> list[Run]:
    before = tuple(call for call in run.calls if call.flight_ns < at_ns)
    after = tuple(call for call in run.calls if call.flight_ns >= at_ns)
    if not before or not after:
        return [run]
    return [
        replace(run, calls=before, end_ns=before[-1].end_ns, ended=RunEnd.NEXT_RUN),
        replace(run, id=f"run-{after[0].id}", calls=after, start_ns=after[0].flight_ns),
    ]


def _join(run: Run, other: Run) -> Run:
    first, last = sorted((run, other), key=lambda r: r.start_ns)
    return replace(
        run,
        start_ns=first.start_ns,
        end_ns=max(run.end_ns, other.end_ns),
        calls=tuple(sorted(run.calls + other.calls, key=lambda call: (call.flight_ns, call.id))),
        ended=last.ended,
    )

"""The runs of a flight, out of its calls: also where the pilot never touched a screen.

A run opens at "on condition" (said or touched) or, without it, at the first airspeed of an
approach; it closes at "recovered", at "knock it off", at the next one, or at a silence. What was
set (power, flap, bank) is what was said or carded last; the test point is the one that fits it.
Nothing is dropped: a run that fits no point says why, and calls in no run are listed.

Not for: deciding whether a run counts (`reduce.quality`) or its stall speed (`reduce`).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

from logger_app.records.calls import Action, CallKind, CaptureGap, Correction, Flag, ReviewedCall
from logger_app.records.journal import JournalRow
from logger_app.records.plan import POWER_IDLE, TestPoint
from logger_app.records.runs import FlightRuns, Run, RunEnd, Settings
from logger_app.units import s_to_ns

ON_CONDITION = "on_condition"
RECOVERED = "recovered"
SCRATCH = "scratch_that"
KNOCK_IT_OFF = "knock_it_off"

# Common practice, no source: calls come every second or two; a pilot who has said no airspeed for
# this long is not in an approach any more. After "on condition" the first call may take longer.
SILENCE_NS = s_to_ns(12.0)
FIRST_CALL_NS = s_to_ns(40.0)
# "Scratch that" reaches back to a run that ended no longer ago than this (common practice, no source).
SCRATCH_NS = s_to_ns(30.0)
# After "knock it off" speeds are said on the way home, not in an approach, until "on condition".
STOPPED_NS = s_to_ns(60.0)
# A recording without "on condition" or "recovered" shows a new approach as a speed well above the
# lowest one, falling again. 8 kt: more than a wander near the stall, less than a recovery to entry.
NEW_APPROACH_KT = 8.0
# A fall of more than this from one call to the next is a call misheard, not an approach.
JUMP_KT = 6.0
MIN_CALLS = 3
RPM_TOLERANCE = 75.0
PCT_TOLERANCE = 5.0
FLAP_TOLERANCE_DEG = 1.5
BANK_TOLERANCE_DEG = 7.5


@dataclass
class _Open:
    """A run that is being collected."""

    id: str
    start_ns: int
    settings: Settings
    point: str | None
    opened_on_condition: bool
    calls: list[ReviewedCall] = field(default_factory=list)

    def airspeeds(self) -> list[ReviewedCall]:
        return [call for call in self.calls if call.kind is CallKind.AIRSPEED]


@dataclass
class _Reader:
    """Walks through the flight once; `closed` grows."""

    flight: str
    points: Sequence[TestPoint]
    settings: Settings = Settings()
    carded: str | None = None
    run: _Open | None = None
    closed: list[Run] = field(default_factory=list)
    loose: list[ReviewedCall] = field(default_factory=list)
    stopped_until_ns: int = 0

    def take(self, call: ReviewedCall) -> None:
        if self.run and self._silent(call.flight_ns):
            self._close(RunEnd.GAP, self._last_ns())
        if call.kind is CallKind.SETTING:
            self.settings = with_setting(self.settings, call)
            self._keep(call)
            if self.run and not self.run.airspeeds():
                self.run.settings = self.settings
        elif call.name == ON_CONDITION:
            self.begin(call.id, call.flight_ns, on_condition=True)
            self._keep(call)
        elif call.name == RECOVERED:
            self._keep(call)
            self.end(RunEnd.RECOVERED, call.end_ns)
        elif call.name == SCRATCH:
            self._scratch(call)
        elif call.name == KNOCK_IT_OFF:
            self._keep(call)
            self.end(RunEnd.KNOCKED_OFF, call.end_ns)
            self.stopped_until_ns = call.end_ns + STOPPED_NS
        elif call.kind is CallKind.AIRSPEED:
            if self.run and self._falls_again(call):
                self._split_at_recovery()
            if not self.run and call.flight_ns >= self.stopped_until_ns:
                self.begin(call.id, call.flight_ns, on_condition=False)
            self._keep(call)
        else:
            self._keep(call)

    def begin(self, anchor: str, at_ns: int, *, on_condition: bool) -> None:
        """Open a run. A touch and a word for the same moment open one run, not two."""
        if self.run and self.run.opened_on_condition and not self.run.airspeeds():
            return
        if self.run:
            self._close(RunEnd.NEXT_RUN, at_ns)
        self.run = _Open(f"run-{anchor}", at_ns, self.settings, self.carded, on_condition)

    def end(self, how: RunEnd, at_ns: int) -> None:
        if self.run:
            self._close(how, at_ns)

    def gap(self, gap: CaptureGap) -> None:
        if self.run and gap.breaks and gap.end_ns - gap.start_ns > SILENCE_NS:
            self._close(RunEnd.GAP, gap.start_ns)

    def _keep(self, call: ReviewedCall) -> None:
        (self.run.calls if self.run else self.loose).append(call)

    def _last_ns(self) -> int:
        return self.run.calls[-1].end_ns if self.run.calls else self.run.start_ns

    def _silent(self, at_ns: int) -> bool:
        spoken = [call for call in self.run.calls if call.kind in (CallKind.AIRSPEED, CallKind.EVENT)]
        last_ns = spoken[-1].end_ns if spoken else self.run.start_ns
        return at_ns - last_ns > (SILENCE_NS if self.run.airspeeds() else FIRST_CALL_NS)

    def _falls_again(self, call: ReviewedCall) -> bool:
        """After a recovery that nobody announced, the first call of the next approach."""
        trusted = self._trusted()
        lowest = self._lowest(trusted)
        if lowest is None or call.ias_kt is None or _doubtful(call):
            return False
        after = [c.ias_kt for c in trusted[lowest + 1 :]]
        return bool(after) and max(after) > trusted[lowest].ias_kt + NEW_APPROACH_KT and call.ias_kt < max(after) - 1

    def _split_at_recovery(self) -> None:
        trusted = self._trusted()
        top = max(trusted[self._lowest(trusted) + 1 :], key=lambda c: c.ias_kt)
        later = [c for c in self.run.calls if c.flight_ns >= top.flight_ns]
        self.run.calls = [c for c in self.run.calls if c.flight_ns < top.flight_ns]
        self._close(RunEnd.NEXT_RUN, top.flight_ns)
        self.begin(top.id, top.flight_ns, on_condition=False)
        self.run.calls += later

    def _trusted(self) -> list[ReviewedCall]:
        return [c for c in self.run.airspeeds() if c.ias_kt is not None and not _doubtful(c)]

    @staticmethod
    def _lowest(speeds: list[ReviewedCall]) -> int | None:
        """Where an approach bottomed out: the lowest call that was come down to, not jumped to."""
        come_down_to = [k for k in range(1, len(speeds)) if speeds[k - 1].ias_kt - speeds[k].ias_kt <= JUMP_KT]
        if len(speeds) < MIN_CALLS or not come_down_to:
            return None
        return min(come_down_to, key=lambda k: speeds[k].ias_kt)

    def _scratch(self, call: ReviewedCall) -> None:
        if self.run:
            self._keep(call)
            self._close(RunEnd.DISCARDED, call.end_ns)
            return
        self.loose.append(call)
        if self.closed and call.flight_ns - self.closed[-1].end_ns <= SCRATCH_NS and not self.closed[-1].discarded:
            self.closed[-1] = replace(
                self.closed[-1], discarded=True, ended=RunEnd.DISCARDED, why_discarded="scratch that, said after it"
            )

    def _close(self, how: RunEnd, at_ns: int) -> None:
        run, self.run = self.run, None
        airspeeds = run.airspeeds()
        if not airspeeds or (not run.opened_on_condition and len(airspeeds) < MIN_CALLS):
            self.loose += run.calls
            return
        point, why = _point_for(run.settings, run.point, self.points)
        discarded = how in (RunEnd.DISCARDED, RunEnd.KNOCKED_OFF)
        self.closed.append(
            Run(
                id=run.id,
                number=0,
                flight=self.flight,
                start_ns=run.start_ns,
                end_ns=max(at_ns, self._end_of(run)),
                point=point,
                why_no_point=why,
                calls=tuple(run.calls),
                ended=how,
                settings=run.settings,
                discarded=discarded,
                why_discarded={RunEnd.DISCARDED: "scratch that", RunEnd.KNOCKED_OFF: "knock it off"}.get(how, ""),
            )
        )

    @staticmethod
    def _end_of(run: _Open) -> int:
        return max(call.end_ns for call in run.calls)


def _doubtful(call: ReviewedCall) -> bool:
    return not call.reviewed and Flag.IMPLAUSIBLE in call.flags


def find_runs(
    flight: str,
    calls: Sequence[ReviewedCall],
    steps: Iterable[JournalRow] = (),
    points: Sequence[TestPoint] = (),
    corrections: Sequence[Correction] = (),
    gaps: Iterable[CaptureGap] = (),
    duration_ns: int | None = None,
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

    Returns
    -------
    FlightRuns
        Runs in order of time, numbered from 1, and the calls in none.
    """
    reader = _Reader(flight, points)
    for _, _, act in sorted(_acts(calls, steps, gaps), key=lambda item: item[:2]):
        act(reader)
    end_ns = max([duration_ns or 0] + [call.end_ns for call in calls])
    reader.end(RunEnd.FLIGHT_END, end_ns)
    runs = apply_to_runs(reader.closed, corrections)
    return FlightRuns(
        flight=flight,
        runs=tuple(replace(run, number=k) for k, run in enumerate(runs, 1)),
        unassigned=tuple(sorted(reader.loose, key=lambda call: (call.flight_ns, call.id))),
    )


def _acts(calls, steps, gaps):
    """Everything that happened, as (time, order at equal times, what it does to the reader)."""
    spoken = {call.id for call in calls}
    for call in calls:
        if call.counts:
            yield call.flight_ns, 2, lambda reader, call=call: reader.take(call)
    for row in steps:
        # A step that a call caused is read from the call itself, which may since have been corrected.
        by_voice = row.body.get("by") == "voice" or row.body.get("call") in spoken
        yield row.flight_ns, 1, lambda reader, row=row, by_voice=by_voice: _take_step(reader, row, by_voice)
    for gap in gaps:
        yield gap.start_ns, 0, lambda reader, gap=gap: reader.gap(gap)


def _take_step(reader: _Reader, row: JournalRow, by_voice: bool) -> None:
    step, point = row.body.get("step"), row.body.get("point")
    if point is not None and point != reader.carded:
        reader.carded = point
        # What was said before belongs to the card before: the new card's set-up holds now.
        reader.settings = replace(Settings(), altitude_ft=reader.settings.altitude_ft, fuel_l=reader.settings.fuel_l)
    if by_voice:
        return
    if step == ON_CONDITION:
        reader.begin(row.id, row.flight_ns, on_condition=True)
    elif step == RECOVERED:
        reader.end(RunEnd.RECOVERED, row.flight_ns)
    elif step in ("discard", "discarded", SCRATCH):
        if reader.run:
            reader.end(RunEnd.DISCARDED, row.flight_ns)
        elif reader.closed and not reader.closed[-1].discarded:
            reader.closed[-1] = replace(reader.closed[-1], discarded=True, why_discarded="discarded by touch")
    elif step in (KNOCK_IT_OFF, "knocked_off"):
        reader.end(RunEnd.KNOCKED_OFF, row.flight_ns)


def with_setting(settings: Settings, call: ReviewedCall) -> Settings:
    """The settings after a setting was called.

    Parameters
    ----------
    call : ReviewedCall
        A setting: flap, power, bank, altitude or fuel; others leave it as it is.
    """
    value = call.value
    if call.name == "flap" and value is not None:
        # "full" without degrees in the campaign: what held before holds no longer, what holds now is not known.
        return replace(settings, flap_deg=float(value) if isinstance(value, (int, float)) else None)
    if call.name == "bank" and isinstance(value, (int, float)):
        return replace(settings, bank_deg=float(value))
    if call.name == "altitude" and isinstance(value, (int, float)):
        return replace(settings, altitude_ft=float(value))
    if call.name == "fuel" and isinstance(value, (int, float)):
        return replace(settings, fuel_l=float(value))
    if call.name == "power":
        if isinstance(value, str):
            return replace(settings, power=value, power_rpm=None, power_pct=None)
        if value is not None and call.unit == "%":
            return replace(settings, power=f"{value:g} %", power_rpm=None, power_pct=float(value))
        if value is not None:
            return replace(settings, power=f"{value:g} rpm", power_rpm=float(value), power_pct=None)
    return settings


def _point_for(settings: Settings, carded: str | None, points: Sequence[TestPoint]) -> tuple[str | None, str]:
    if not points:
        return None, "the campaign has no test points"
    by_id = {point.id: point for point in points}
    if carded in by_id and _contradictions(by_id[carded], settings) == []:
        return carded, ""
    if not any((settings.power, settings.flap_deg is not None, settings.bank_deg is not None)):
        return None, "neither power nor flap nor bank was said, and no card was open"
    fits = [point for point in points if not _contradictions(point, settings)]
    if settings.bank_deg is None:  # wings level is not said: it is the rule
        fits = [point for point in fits if point.bank_deg == 0] or fits
    if len(fits) == 1:
        return fits[0].id, ""
    known = _in_words(settings)
    if not fits:
        return None, f"no test point has {known}"
    return None, f"{known} fits more than one point: {', '.join(point.id for point in fits)}"


def _contradictions(point: TestPoint, settings: Settings) -> list[str]:
    wrong = []
    if settings.power is not None and not _power_fits(point, settings):
        wrong.append("power")
    if settings.flap_deg is not None and abs(settings.flap_deg - point.flap_deg) > FLAP_TOLERANCE_DEG:
        wrong.append("flap")
    if settings.bank_deg is not None and abs(settings.bank_deg - point.bank_deg) > BANK_TOLERANCE_DEG:
        wrong.append("bank")
    return wrong


def _power_fits(point: TestPoint, settings: Settings) -> bool:
    if settings.power_rpm is not None:
        return point.power_rpm is not None and abs(point.power_rpm - settings.power_rpm) <= RPM_TOLERANCE
    if settings.power_pct is not None:
        return point.power_pct is not None and abs(point.power_pct - settings.power_pct) <= PCT_TOLERANCE
    return point.power == settings.power


def _in_words(settings: Settings) -> str:
    parts = []
    if settings.power is not None:
        parts.append("power idle" if settings.power == POWER_IDLE else settings.power)
    if settings.flap_deg is not None:
        parts.append(f"flap {settings.flap_deg:g}")
    if settings.bank_deg is not None:
        parts.append(f"bank {settings.bank_deg:g}")
    return ", ".join(parts)


def apply_to_runs(runs: Sequence[Run], corrections: Sequence[Correction]) -> list[Run]:
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
            by_id[run.id] = replace(run, point=str(correction.get("point")), why_no_point="")
        elif correction.action is Action.OVERRULE:
            by_id[run.id] = replace(run, overruled=bool(correction.get("counts", True)))
        elif correction.action is Action.SPLIT:
            for part in _split(run, int(correction.get("flight_ns"))):
                by_id[part.id] = part
        elif correction.action is Action.JOIN and (other := by_id.get(str(correction.get("other")))):
            del by_id[other.id]
            by_id[run.id] = _join(run, other)
    return sorted(by_id.values(), key=lambda run: (run.start_ns, run.id))


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

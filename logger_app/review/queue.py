"""What needs a person's eye, in the order of what it would change, and why. Pure.

Every heard call gets the probability that it is wrong, out of the machine's own posterior and of
what the neighbouring calls of the approach make likely. Calls above a threshold go to the queue,
as do calls that two listenings disagree on, calls that alone set a stall speed, silences where a
call was due, and runs that lack an event or a test point. Of the rest a fixed 5 % is sampled, so
that the rate of errors that nothing pointed at can be stated with its interval.

Not for: applying anything (`review.apply`). Nothing here changes a reading.
"""

from __future__ import annotations

import hashlib
import math
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import combinations
from statistics import median
from types import MappingProxyType

from logger_app.domain.binomial import clopper_pearson
from logger_app.domain.stall_events import APPROACH_ENDS, APPROACH_STARTS, STALL_KINDS
from logger_app.records.calls import CallKind, CallStatus, Flag, HeardCall, ReviewedCall
from logger_app.records.plan import TestPoint
from logger_app.records.runs import FlightRuns, Run
from logger_app.review.placing import Misplaced, line_at_event_kt, misplaced_runs
from logger_app.units import from_kt, ns_to_s, to_kt

# A call that is wrong with at least this probability is shown. Chosen on made flights
# (tests/unit/review/test_queue.py): lower adds right calls faster than it finds wrong ones.
SHOW_P_WRONG = 0.065
SAMPLE_SHARE = 0.05
# A machine that says 1.0 is still wrong now and then; without this nothing could contradict it.
MAX_POSTERIOR = 0.985
# The needle wanders and the pilot reads to the nearest mark: never less than this about the line.
MIN_WANDER_KT = 0.6
MAX_WANDER_KT = 2.0
NEIGHBOURS = 7
NEIGHBOUR_S = 10.0
# Of what may have been said and is in no list of rivals: a sixth is the mark beside, the rest is spread
# over the dial (teens for tens, another decade, nothing at all). A guess; the rivals carry the weight.
SLIP_KT = 1.0
SLIP_SHARE = 1 / 6
DIAL_KT = 80.0
# A pilot who has said no airspeed for this long is not in the same approach any more.
APPROACH_GAP_S = 12.0
# Uncertainty of continuing a line past its end grows by about this much a second.
BEYOND_KT_PER_S = 0.4
# A silence this many times the usual interval is a call that was due. Common practice, no source.
DUE_RATIO = 1.4
DUE_LEAST_S = 0.4
ALONE_KT = 1.0
ONLY_KT = 10.0
MIN_FOR_A_LINE = 3
LOOK_AT = {
    Flag.NO_DECADE: "a single digit with no call before it",
    Flag.OUT_OF_RANGE: "outside what this aircraft can show",
    Flag.DISAGREE: "the second listening heard something else",
    Flag.CLIPPED: "the sound is clipped",
}
CROWDED_RATIO = 1.35
# A setting believed less than this is looked at before the runs that it moved.
HARDLY_BELIEVED = 0.9
# A doubtful call that is likely to move the stall speed of its run by so much explains what is odd about the run.
BENDS_KT = 0.5
NOTHING = "nothing"  # what the second listening heard where it heard no call


WhatIf = Callable[[str, bool], FlightRuns]
"""The runs as they would be if a call were rejected (True) or confirmed (False)."""


class Item(StrEnum):
    """What a queue item is about."""

    CALL = "call"
    DUE = "due"  # a silence where a call was due
    EXTRA = "extra"  # the second listening heard a call that the first did not
    RUN = "run"
    POINT = "point"  # runs that may stand at the wrong test point
    SAMPLE = "sample"


@dataclass(frozen=True, slots=True, kw_only=True)
class QueueItem:
    """One thing to look at.

    `id` is stable; `target` is the call or run to act on (None for a silence). `effect_kt` is
    what settling it could change in a stall speed; `p_wrong` the probability that the reading is
    wrong. `proposed` is in the pilot's unit, None where nothing is proposed; for runs at the wrong
    point it is the point that would fit. `runs` are all runs that it concerns.
    """

    id: str
    item: Item
    target: str | None
    run: str | None
    flight_ns: int
    why: tuple[str, ...]
    proposed: float | str | None = None
    effect_kt: float = 0.0
    p_wrong: float = 0.0
    runs: tuple[str, ...] = ()

    def as_json(self) -> dict:
        """The item as `review --list --json` shows it."""
        return {
            "id": self.id,
            "item": str(self.item),
            "target": self.target,
            "run": self.run,
            "flight_s": round(ns_to_s(self.flight_ns), 3),
            "why": list(self.why),
            "proposed": self.proposed,
            "effect_kt": round(self.effect_kt, 2),
            "p_wrong": round(self.p_wrong, 3),
            "runs": list(self.runs),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class UndetectedRate:
    """Errors among sampled calls that nothing pointed at, with the 95 % Clopper-Pearson interval."""

    looked_at: int
    wrong: int
    rate: float | None
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Queue:
    """What is still to be looked at, and how far the flight is reviewed."""

    items: tuple[QueueItem, ...]
    flagged: frozenset[str]
    sampled: frozenset[str]
    undetected: UndetectedRate


def build_queue(
    runs: FlightRuns,
    calls: Sequence[ReviewedCall],
    *,
    unit: str = "kt",
    graduation: float = 1.0,
    second: Iterable[Mapping] = (),
    settled: frozenset[str] = frozenset(),
    flagged: frozenset[str] | None = None,
    points: Sequence[TestPoint] = (),
    peers: Mapping[str, Sequence[float]] = MappingProxyType({}),
    what_if: WhatIf | None = None,
) -> Queue:
    """The queue of a flight.

    Parameters
    ----------
    second : iterable of mapping
        Bodies of `SECOND` rows: call (or None), start_ns, heard (list of call bodies).
    settled : frozenset of str
        Ids of items that are not calls and have been settled.
    flagged : frozenset of str, optional
        `flagged` of an earlier queue of the same heard calls and second listening, which it
        depends on alone; saves working it out again.
    points : sequence of TestPoint
        Of the campaign; without them no run is weighed against other points.
    peers : mapping of str to sequence of float
        Stall speeds of other flights in the same configuration, by point [kt].
    what_if : callable, optional
        The runs as they would be if a call were rejected, or confirmed.

    Returns
    -------
    Queue
        Items in order: what changes a conclusion most first, a cause before what follows from it, sampled
        calls last.
    """
    disagreeing, extra = _second_listening(second)
    context = _Context(runs, calls, unit, graduation, disagreeing)
    doubts = {call.id: doubt for call in calls if call.heard and (doubt := _doubt(call, context))}
    reviewed = {call.id for call in calls if call.reviewed}
    # Which calls nothing pointed at is a property of what was heard, not of what was made of it since.
    if flagged is None:
        flagged = _flagged_as_heard(calls, context)
    sampled = [c for c in calls if c.heard and c.id not in flagged and _in_sample(runs.flight, c.id)]
    items = [*doubts.values(), *_due(context), *_extra_items(extra, context)]
    items += [item for run in runs.runs for item in _run_items(run)] + _pointless_items(runs)
    misplaced = misplaced_runs(runs, calls, points, peers, unit) if points else []
    items = _with_causes(items, misplaced, calls, context)
    still = [item for item in items if item.target not in reviewed and item.id not in settled]
    still = [_with_consequence(item, context, what_if) for item in still]
    still += [_sample_item(c, context) for c in sampled if not c.reviewed and c.id not in doubts]
    return Queue(
        items=tuple(sorted(still, key=_order)),
        flagged=flagged,
        sampled=frozenset(call.id for call in sampled),
        undetected=_undetected([call for call in sampled if call.reviewed]),
    )


def last_listening(bodies: Sequence[dict]) -> Sequence[dict]:
    """Of the `SECOND` rows, the differences of the latest complete listening: a better one replaces one before it."""
    complete = [k for k, body in enumerate(bodies) if body.get("whole")]
    return bodies[complete[-1] + 1 :] if complete else bodies


def p_wrong(
    posterior: float,
    value_kt: float | None = None,
    likely_kt: float | None = None,
    sigma_kt: float = 1.0,
    rivals: Sequence[tuple[float, float]] = (),
) -> float:
    """Probability that a reading is wrong, given the machine's posterior and the neighbours.

    Parameters
    ----------
    posterior : float
        The machine's own, 0 to 1.
    value_kt : float, optional
        The reading [kt].
    likely_kt : float, optional
        What the neighbours make likely; without it the posterior stands alone [kt].
    sigma_kt : float
        Standard deviation of a right reading about that [kt].
    rivals : sequence of (float, float)
        Other values that the sound may be, in knots, each with its posterior.

    Returns
    -------
    float
        0 to 1.

    Notes
    -----
    Bayes over what may have been said: the reading, each rival, a value in no list. The weight of
    each is the machine's posterior times the normal density of its distance from `likely_kt`.
    """
    posterior = min(posterior, MAX_POSTERIOR)
    if likely_kt is None or value_kt is None:
        return 1 - posterior
    share = min(1.0, (1 - posterior) / (sum(weight for _, weight in rivals) or 1.0))
    rival = [(kt, weight * share) for kt, weight in rivals]
    unlisted = max(1 - posterior - sum(weight for _, weight in rival), 0.2 * (1 - posterior))
    off = value_kt - likely_kt
    right = posterior * _normal(off, sigma_kt)
    slip = (_normal(off - SLIP_KT, sigma_kt) + _normal(off + SLIP_KT, sigma_kt)) / 2
    wrong = unlisted * (SLIP_SHARE * slip + (1 - SLIP_SHARE) / DIAL_KT)
    wrong += sum(weight * _normal(kt - likely_kt, sigma_kt) for kt, weight in rival)
    return wrong / (right + wrong)


def _normal(x: float, sigma: float) -> float:
    return math.exp(-0.5 * (x / sigma) ** 2) / (sigma * math.sqrt(2 * math.pi))


# What the neighbours say ---------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Approach:
    """Airspeed calls that follow one another, up to an event, a new start or a long silence.

    Made from the calls, not from the runs: one wild reading may split a run in two, and its
    neighbours must still be able to contradict it. `end_ns` is the event's time, if there is one.
    """

    speeds: tuple[ReviewedCall, ...]
    end_ns: int | None

    @property
    def usual_s(self) -> float | None:
        """The pilot's rhythm: the median interval [s]; None with too few calls."""
        steps = _steps_s(self.speeds)
        return median(steps) if len(steps) >= MIN_FOR_A_LINE else None


def approaches(calls: Iterable[ReviewedCall]) -> list[Approach]:
    """Airspeed calls grouped into approaches, in order of time.

    Parameters
    ----------
    calls : iterable of ReviewedCall
        In any order; rejected ones are passed over.
    """
    found: list[Approach] = []
    speeds: list[ReviewedCall] = []

    def close(end_ns: int | None) -> None:
        if speeds:
            found.append(Approach(tuple(speeds), end_ns))
            speeds.clear()

    for call in sorted((c for c in calls if c.counts), key=lambda c: (c.flight_ns, c.id)):
        if call.kind is CallKind.AIRSPEED and call.ias_kt is not None:
            if speeds and call.flight_ns - speeds[-1].flight_ns > APPROACH_GAP_S * 1e9:
                close(None)
            speeds.append(call)
        elif call.name in APPROACH_STARTS | APPROACH_ENDS:
            near = speeds and call.flight_ns - speeds[-1].flight_ns <= APPROACH_GAP_S * 1e9
            close(call.flight_ns if near and call.name not in APPROACH_STARTS else None)
    close(None)
    return found


def _steps_s(speeds: Sequence[ReviewedCall]) -> list[float]:
    return [(b.flight_ns - a.flight_ns) / 1e9 for a, b in zip(speeds, speeds[1:], strict=False)]


@dataclass(frozen=True, slots=True)
class _Expected:
    """What the neighbours make of one reading: None where there are too few."""

    ias_kt: float | None
    sigma_kt: float


def expectations(speeds: Sequence[ReviewedCall]) -> dict[str, _Expected]:
    """For each airspeed of an approach, what its neighbours make likely.

    Parameters
    ----------
    speeds : sequence of ReviewedCall
        Airspeeds of one approach, in order of time.
    """
    predicted = {call.id: _predict(call, speeds) for call in speeds}
    off = [abs(_kt(c) - likely) for c in speeds if (likely := predicted[c.id][0]) is not None]
    wander = min(MAX_WANDER_KT, max(MIN_WANDER_KT, 1.4826 * median(off))) if off else MAX_WANDER_KT
    return {
        id: _Expected(likely, math.hypot(wander, BEYOND_KT_PER_S * beyond_s))
        for id, (likely, beyond_s) in predicted.items()
    }


def _kt(call: ReviewedCall) -> float:
    """The airspeed of a call of an approach: those without one are in none [kt]."""
    return math.nan if call.ias_kt is None else call.ias_kt


def _predict(call: ReviewedCall, speeds: Sequence[ReviewedCall]) -> tuple[float | None, float]:
    """A robust line (Theil-Sen) through the nearest others, at this call; and seconds past its end."""
    others = sorted((c for c in speeds if c.id != call.id), key=lambda c: abs(c.flight_ns - call.flight_ns))
    near = [c for c in others[:NEIGHBOURS] if abs(c.flight_ns - call.flight_ns) <= NEIGHBOUR_S * 1e9]
    if len(near) < MIN_FOR_A_LINE:
        return None, 0.0
    points = sorted(((c.flight_ns - call.flight_ns) / 1e9, _kt(c)) for c in near)
    slopes = [(b[1] - a[1]) / (b[0] - a[0]) for a, b in combinations(points, 2) if b[0] - a[0] > 0.3]
    slope = median(slopes) if slopes else 0.0
    beyond_s = max(0.0, points[0][0], -points[-1][0])
    return median(v - slope * s for s, v in points), beyond_s


class _Context:
    """Everything that a doubt about one call is judged by, worked out once."""

    def __init__(self, runs: FlightRuns, calls, unit: str, graduation: float, disagreeing: Mapping[str, float | str]):
        self.runs = runs
        self.unit = unit
        self.graduation = graduation
        self.disagreeing = disagreeing
        self.calls = calls
        self.by_id = {call.id: call for call in calls}
        self.approaches = approaches(calls)
        self.approach_of = {call.id: a for a in self.approaches for call in a.speeds}
        self.expected = {id: e for a in self.approaches for id, e in expectations(a.speeds).items()}
        self.run_of = {call.id: run.id for run in runs.runs for call in run.calls}
        self.spans = [(run.start_ns, run.end_ns, run.id) for run in runs.runs]

    def run_at(self, flight_ns: int) -> str | None:
        return next((id for start_ns, end_ns, id in self.spans if start_ns <= flight_ns <= end_ns), None)

    def own(self, speed_kt: float) -> float:
        """Knots in the pilot's unit."""
        return from_kt(speed_kt, self.unit)

    def mark(self, speed_kt: float) -> float:
        """The nearest mark on the dial, in the pilot's unit."""
        return self.graduation * round(self.own(speed_kt) / self.graduation)


# Doubts --------------------------------------------------------------------------------------


def _doubt(call: ReviewedCall, context: _Context) -> QueueItem | None:
    if call.kind is CallKind.AIRSPEED and call.id in context.approach_of:
        return _speed_doubt(call, context)
    return _other_doubt(call, context)


def _flagged_as_heard(calls: Iterable[ReviewedCall], now: _Context) -> frozenset[str]:
    heard = [_as_heard(call, call.heard, now.unit) for call in calls if call.heard]
    context = _Context(now.runs, heard, now.unit, now.graduation, now.disagreeing)
    # Runs move with corrections; here every call counts as being in one.
    context.run_of = dict.fromkeys(context.approach_of, "")
    return frozenset(call.id for call in heard if _doubt(call, context))


def _as_heard(call: ReviewedCall, heard: HeardCall, unit: str) -> ReviewedCall:
    speed = heard.value if heard.kind is CallKind.AIRSPEED and isinstance(heard.value, (int, float)) else None
    return replace(
        call,
        flight_ns=heard.start_ns,
        end_ns=heard.end_ns,
        kind=heard.kind,
        name=heard.name,
        value=heard.value,
        unit=heard.unit,
        status=CallStatus.HEARD,
        ias_kt=None if speed is None else to_kt(speed, heard.unit or unit),
    )


def _speed_doubt(call: ReviewedCall, context: _Context) -> QueueItem | None:
    expected, approach = context.expected[call.id], context.approach_of[call.id]
    wrong = p_wrong(call.posterior, call.ias_kt, expected.ias_kt, expected.sigma_kt, _rivals(call, context))
    crowded = _crowded(call, approach)
    why = [words for flag, words in LOOK_AT.items() if flag in call.flags and call.id not in context.disagreeing]
    if wrong >= SHOW_P_WRONG or (crowded and wrong >= SHOW_P_WRONG / 4):
        why += _reasons(call, expected, crowded, context)
    if call.id in context.disagreeing:
        why.append(f"the second listening heard {_shown(context.disagreeing[call.id])}")
    alone_kt = _alone_kt(call, approach) if call.id in context.run_of else 0.0
    if alone_kt >= ALONE_KT and (wrong >= SHOW_P_WRONG / 3 or len(approach.speeds) < MIN_FOR_A_LINE):
        why.append(f"changes the stall speed by {context.own(alone_kt):.1f} {context.unit} on its own")
    if call.id not in context.run_of and len(approach.speeds) < MIN_FOR_A_LINE:
        why.append("an airspeed that belongs to no run")
    if not why:
        return None
    return _call_item(call, tuple(why), _proposal(call, expected, wrong, context), alone_kt * wrong, wrong, context)


def _rivals(call: ReviewedCall, context: _Context) -> list[tuple[float, float]]:
    """Other airspeeds that the sound may be, in knots, with their posteriors."""
    unit = call.unit or context.unit
    listed = call.heard.alternatives if call.heard else ()
    return [
        (to_kt(a.value, unit), a.posterior)
        for a in listed
        if a.kind is CallKind.AIRSPEED and isinstance(a.value, (int, float)) and a.value != call.value
    ]


def _reasons(call: ReviewedCall, expected: _Expected, crowded: bool, context: _Context) -> list[str]:
    why = []
    if expected.ias_kt is not None and abs(_kt(call) - expected.ias_kt) > 2 * expected.sigma_kt:
        why.append(f"implausible: the calls around it suggest {context.own(expected.ias_kt):.0f} {context.unit}")
    if call.posterior < 0.9:
        why.append(f"low confidence ({100 * call.posterior:.0f} %)")
    if crowded:
        why.append("squeezed between two calls: perhaps not a call")
    rivals = [a for a in (call.heard.alternatives if call.heard else ()) if a.value != call.value]
    if rivals and rivals[0].posterior >= 0.1:
        rival = rivals[0]
        why.append(f"also sounds like {_shown(rival.name if rival.value is None else rival.value)}")
    return why or [f"may be wrong ({100 * (1 - call.posterior):.0f} %)"]


def _crowded(call: ReviewedCall, approach: Approach) -> bool:
    """Squeezed in between two calls that are in the pilot's rhythm without it."""
    usual_s = approach.usual_s
    if usual_s is None:
        return False
    k = next(i for i, c in enumerate(approach.speeds) if c.id == call.id)
    around = _steps_s(approach.speeds[max(0, k - 1) : k + 2])
    return len(around) == 2 and sum(around) < CROWDED_RATIO * usual_s


def _other_doubt(call: ReviewedCall, context: _Context) -> QueueItem | None:
    why = [words for flag, words in LOOK_AT.items() if flag in call.flags and flag is not Flag.CLIPPED]
    wrong = p_wrong(call.posterior)
    if call.kind is CallKind.AIRSPEED and call.ias_kt is None:
        why.append("no value")
    if doubted := dict(context.runs.doubts).get(call.id):
        why.append(f"not applied: {doubted}")
        wrong = max(wrong, 0.5)
    elif wrong >= 2 * SHOW_P_WRONG:
        why.append(f"low confidence ({100 * call.posterior:.0f} %)")
    if call.id in context.disagreeing:
        why.append(f"the second listening heard {_shown(context.disagreeing[call.id])}")
    if not why:
        return None
    # An event that is wrong moves the whole run; a setting, its test point.
    effect_kt = wrong * (1.0 if context.run_of.get(call.id) and call.kind is CallKind.EVENT else 0.1)
    return _call_item(call, tuple(why), _heard_instead(call, wrong, context), effect_kt, wrong, context)


def _call_item(
    call: ReviewedCall, why: tuple[str, ...], proposed, effect_kt: float, wrong: float, context
) -> QueueItem:
    return QueueItem(
        id=call.id,
        item=Item.CALL,
        target=call.id,
        run=context.run_of.get(call.id),
        flight_ns=call.flight_ns,
        why=why,
        proposed=proposed,
        effect_kt=effect_kt,
        p_wrong=wrong,
    )


def _heard_instead(call: ReviewedCall, wrong: float, context: _Context) -> float | str | None:
    """What the second listening heard, unless it only missed a call that the first was sure of."""
    other = context.disagreeing.get(call.id)
    return None if other == NOTHING and wrong < 0.5 else other


def _proposal(call: ReviewedCall, expected: _Expected, wrong: float, context: _Context) -> float | str | None:
    """The likeliest other reading: second listening, sequence reader, a rival that fits, the line."""
    if (other := _heard_instead(call, wrong, context)) is not None:
        return other
    heard, likely_kt = call.heard, expected.ias_kt
    if heard is not None and heard.proposed is not None and heard.proposed != call.value:
        return heard.proposed
    if likely_kt is None:
        return None

    def weight(kt: float, posterior: float) -> float:
        return posterior * _normal(kt - likely_kt, expected.sigma_kt)

    rivals = [(weight(*rival), rival[0]) for rival in _rivals(call, context)]
    best = max(rivals, default=(0.0, 0.0))
    line = (1 - call.posterior) * (1 - SLIP_SHARE) / DIAL_KT
    if best[0] > max(weight(_kt(call), call.posterior), line):
        return round(from_kt(best[1], call.unit or context.unit), 3)
    if abs(_kt(call) - likely_kt) > 2 * expected.sigma_kt:
        return context.mark(likely_kt)
    return None


def _shown(value) -> str:
    return f"{value:g}" if isinstance(value, (int, float)) else str(value).replace("_", " ")


# What it would change ------------------------------------------------------------------------


def _alone_kt(call: ReviewedCall, approach: Approach) -> float:
    """How far the stall speed of the approach moves without this call [kt].

    A line over the last seconds before the event, at the event; the lowest reading where there
    are too few for a line. Only to order the queue: `reduce` works out the stall speed.
    """
    end_ns = approach.end_ns or approach.speeds[-1].flight_ns
    points = {c.id: ((c.flight_ns - end_ns) / 1e9, _kt(c)) for c in approach.speeds}
    with_it = line_at_event_kt(list(points.values()))
    without = line_at_event_kt([point for id, point in points.items() if id != call.id])
    # The only reading of a run decides all: more than any error of a fit, and still a sane number.
    return ONLY_KT if with_it is None or without is None else abs(with_it - without)


# Silences, runs, second listening, sample ----------------------------------------------------


def _due(context: _Context) -> list[QueueItem]:
    """Silences inside an approach, longer than the pilot's own rhythm."""
    spoken = sorted(c.flight_ns for c in context.calls if c.counts)
    items = []
    for approach in context.approaches:
        usual_s = approach.usual_s
        if usual_s is None:
            continue
        speeds = approach.speeds
        pairs = [(a, b.flight_ns, _kt(b)) for a, b in zip(speeds, speeds[1:], strict=False)]
        if approach.end_ns is not None:
            pairs.append((speeds[-1], approach.end_ns, _continued_kt(speeds, approach.end_ns)))
        for before, next_ns, next_kt in pairs:
            step_s = (next_ns - before.flight_ns) / 1e9
            between = bisect_right(spoken, before.flight_ns) < bisect_left(spoken, next_ns)
            if step_s >= max(DUE_RATIO * usual_s, usual_s + DUE_LEAST_S) and not between:
                items.append(_due_item(before, next_ns, next_kt, step_s, approach, context))
    return items


def _continued_kt(speeds: Sequence[ReviewedCall], at_ns: int) -> float:
    """The airspeed that the approach would come to, at the pace of its last calls."""
    late = speeds[-NEIGHBOURS:]
    slopes = [
        (_kt(b) - _kt(a)) / (b.flight_ns - a.flight_ns) for a, b in combinations(late, 2) if b.flight_ns > a.flight_ns
    ]
    return _kt(speeds[-1]) + (median(slopes) if slopes else 0.0) * (at_ns - speeds[-1].flight_ns)


def _due_item(before, next_ns: int, next_kt: float, step_s: float, approach: Approach, context) -> QueueItem:
    at_ns = (before.flight_ns + next_ns) // 2
    end_ns = approach.end_ns or approach.speeds[-1].flight_ns
    return QueueItem(
        id=f"due-{before.id}",
        item=Item.DUE,
        target=None,
        run=context.run_at(at_ns),
        flight_ns=at_ns,
        why=(f"{step_s:.1f} s gap; calls are usually {approach.usual_s:.1f} s apart",),
        proposed=context.mark((_kt(before) + next_kt) / 2),
        # One more point on a line: the nearer to the event the more it says.
        effect_kt=0.2 / (1 + max(0.0, (end_ns - at_ns) / 4e9)),
        p_wrong=0.5,
    )


def _run_items(run: Run) -> list[QueueItem]:
    """A run without a stall event."""
    if run.discarded or any(c.kind is CallKind.EVENT and c.counts and c.name in STALL_KINDS for c in run.calls):
        return []
    return [
        QueueItem(
            id=f"look-{run.id}",
            item=Item.RUN,
            target=run.id,
            run=run.id,
            flight_ns=run.start_ns,
            why=("no stall event was called: when did it stall?",),
            effect_kt=1.0,
            p_wrong=0.5,
            runs=(run.id,),
        )
    ]


def _pointless_items(runs: FlightRuns) -> list[QueueItem]:
    """Runs at no test point: those that follow one another for the same reason are one thing to settle."""
    groups: list[list[Run]] = []
    for run in runs.runs:
        if run.discarded or run.point is not None:
            continue
        if groups and (groups[-1][-1].number, groups[-1][-1].why_no_point) == (run.number - 1, run.why_no_point):
            groups[-1].append(run)
        else:
            groups.append([run])
    return [
        QueueItem(
            id=f"point-{group[0].id}",
            item=Item.POINT,
            target=group[0].id,
            run=group[0].id,
            flight_ns=group[0].start_ns,
            why=(f"no test point: {group[0].why_no_point}",),
            proposed=group[0].next_likeliest,
            effect_kt=1.5 * len(group),
            p_wrong=0.5,
            runs=tuple(run.id for run in group),
        )
        for group in groups
    ]


def _with_causes(
    items: list[QueueItem], misplaced: Sequence[Misplaced], calls: Sequence[ReviewedCall], context: _Context
) -> list[QueueItem]:
    """Misplaced runs as items; where a call that is hardly believed put them there, that call is the item."""
    by_id = {call.id: call for call in calls}
    starts = {run.id: run.start_ns for run in context.runs.runs}
    settings = {item.target: k for k, item in enumerate(items) if item.item is Item.CALL}
    # A call that bends the run's stall speed is settled first; the run comes back if it is still off.
    bent = {
        item.run
        for item in items
        if item.item is Item.CALL and item.effect_kt >= BENDS_KT and not by_id[item.target or ""].reviewed
    }
    for one in misplaced:
        if len(one.runs) == 1 and one.runs[0] in bent and one.cause is None:
            continue
        weight = one.effect_kt * one.p * len(one.runs)
        cause = by_id.get(one.cause or "")
        if cause is not None and not cause.reviewed and cause.posterior < HARDLY_BELIEVED:
            if cause.id not in settings:
                settings[cause.id] = len(items)
                items.append(_call_item(cause, (), None, 0.0, 1 - cause.posterior, context))
            k = settings[cause.id]
            why = (*items[k].why, *one.why)
            items[k] = replace(
                items[k], why=why, runs=(*items[k].runs, *one.runs), effect_kt=items[k].effect_kt + weight
            )
            continue
        items.append(
            QueueItem(
                id=f"point-{one.runs[0]}-{one.point}" + ("" if one.rival else "-speed"),
                item=Item.POINT,
                target=one.runs[0],
                run=one.runs[0],
                flight_ns=starts[one.runs[0]],
                why=one.why,
                proposed=one.rival,
                effect_kt=weight,
                p_wrong=one.p,
                runs=one.runs,
            )
        )
    return items


def _with_consequence(item: QueueItem, context: _Context, what_if: WhatIf | None) -> QueueItem:
    """What settling a setting or a card would change, in words and in the order."""
    call = context.by_id.get(item.target or "") if item.item is Item.CALL else None
    if what_if is None or call is None or call.kind not in (CallKind.SETTING, CallKind.COMMAND):
        return item
    applied = call.id not in dict(context.runs.doubts)
    then = {run.id: run.point for run in what_if(call.id, applied).runs}
    moved = [run for run in context.runs.runs if run.id in then and then[run.id] != run.point]
    if not moved:
        return item
    places = ", ".join(dict.fromkeys(then[run.id] or "no point" for run in moved))
    verb = "rejecting" if applied else "confirming"
    words = f"{verb} it moves {len(moved)} run{'s' if len(moved) > 1 else ''} to {places}"
    effect_kt = max(item.effect_kt, 2.0 * len(moved) * max(item.p_wrong, 0.05))
    return replace(item, why=(*item.why, words), effect_kt=effect_kt, runs=tuple(run.id for run in moved))


def _second_listening(rows: Iterable[Mapping]) -> tuple[dict[str, float | str], list[Mapping]]:
    """By call what the second listening heard instead, and what it heard beyond the first."""
    disagreeing: dict[str, float | str] = {}
    extra: list[Mapping] = []
    for row in rows:
        heard = list(row.get("heard") or [])
        if row.get("call"):
            first = heard[0] if heard else {}
            value = first.get("value") if first.get("value") is not None else first.get("name")
            disagreeing[row["call"]] = NOTHING if value is None else value
        else:
            extra += heard
    return disagreeing, extra


def _extra_items(extra: Iterable[Mapping], context: _Context) -> list[QueueItem]:
    known = [c.flight_ns for c in context.calls]
    items = []
    for body in extra:
        at_ns = int(body.get("start_ns", 0))
        if any(abs(at_ns - ns) < 4e8 for ns in known):
            continue
        run = context.run_at(at_ns)
        value = body.get("value") if body.get("value") is not None else body.get("name")
        items.append(
            QueueItem(
                id=f"extra-{body.get('id', at_ns)}",
                item=Item.EXTRA,
                target=None,
                run=run,
                flight_ns=at_ns,
                why=(f"only the second listening heard {_shown(value)}",),
                proposed=value,
                effect_kt=0.2 if run else 0.05,
                p_wrong=0.5,
            )
        )
    return items


def _in_sample(flight: str, id: str) -> bool:
    """A fixed twentieth of all calls, by their ids alone."""
    number = int.from_bytes(hashlib.blake2b(f"{flight}/{id}".encode(), digest_size=8).digest(), "big")
    return number / 2**64 < SAMPLE_SHARE


def _sample_item(call: ReviewedCall, context: _Context) -> QueueItem:
    return QueueItem(
        id=call.id,
        item=Item.SAMPLE,
        target=call.id,
        run=context.run_of.get(call.id),
        flight_ns=call.flight_ns,
        why=("random check (1 call in 20)",),
        p_wrong=p_wrong(call.posterior),
    )


def _undetected(reviewed: Sequence[ReviewedCall]) -> UndetectedRate:
    wrong = sum(1 for call in reviewed if call.status is not CallStatus.CONFIRMED)
    n = len(reviewed)
    low, high = clopper_pearson(wrong, n)
    return UndetectedRate(looked_at=n, wrong=wrong, rate=wrong / n if n else None, low=low, high=high)


def _order(item: QueueItem):
    return (item.item is Item.SAMPLE, -round(item.effect_kt, 3), -round(item.p_wrong, 3), item.flight_ns, item.id)

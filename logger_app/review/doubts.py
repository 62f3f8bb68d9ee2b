"""Which heard calls may be wrong, why, and what they may have been instead. Pure.

A call is shown for its own sake (a low posterior, a flag, the second listening), for what its neighbours make of it
(`review.neighbours`), or because a stall speed rests on it alone. Main names: `Context`, `doubt_of`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from logger_app.domain.approach_curve import line_at_event_kt
from logger_app.domain.call_words import shown
from logger_app.domain.reviewed import as_heard
from logger_app.records.calls import CallKind, CallStatus, Flag, ReviewedCall
from logger_app.records.runs import FlightRuns
from logger_app.review.items import Item, QueueItem
from logger_app.review.neighbours import (
    DIAL_KT,
    MIN_FOR_A_LINE,
    SLIP_SHARE,
    Approach,
    Expected,
    approaches,
    expectations,
    kt_of,
    normal,
    p_wrong,
    steps_s,
)
from logger_app.units import from_kt, to_kt

# A call that is wrong with at least this probability is shown. Chosen on made flights
# (tests/unit/review/test_queue.py): lower adds right calls faster than it finds wrong ones.
SHOW_P_WRONG = 0.065
ALONE_KT = 1.0
ONLY_KT = 10.0
LOOK_AT = {
    Flag.NO_DECADE: "a single digit with no call before it",
    Flag.OUT_OF_RANGE: "outside what this aircraft can show",
    Flag.DISAGREE: "the second listening heard something else",
    Flag.CLIPPED: "the sound is clipped",
}
CROWDED_RATIO = 1.35
NOTHING = "nothing"  # what the second listening heard where it heard no call


class Context:
    """Everything that a doubt about one call is judged by, worked out once."""

    def __init__(
        self,
        runs: FlightRuns,
        calls,
        unit: str,
        graduation: float,
        disagreeing: Mapping[str, float | str],
        like: Context | None = None,
    ):
        self.runs = runs
        self.doubts: Mapping[str, str] = dict(runs.doubts)
        self.unit = unit
        self.graduation = graduation
        self.disagreeing = disagreeing
        self.calls = calls
        self.by_id = {call.id: call for call in calls}
        self.approaches = approaches(calls)
        self.approach_of = {call.id: a for a in self.approaches for call in a.speeds}
        self.expected: dict[str, Expected] = {}
        for approach in self.approaches:
            self.expected |= _known_already(approach, like) or expectations(approach.speeds)
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


def _known_already(approach: Approach, other: Context | None) -> dict[str, Expected] | None:
    """What the calls of an approach make of each other where another context has the same readings; else None."""
    there = other.approach_of.get(approach.speeds[0].id) if other else None
    if other is None or there is None or there.readings != approach.readings:
        return None
    return {id: other.expected[id] for id in approach.place}


def doubt_of(call: ReviewedCall, context: Context) -> QueueItem | None:
    if call.kind is CallKind.AIRSPEED and call.id in context.approach_of:
        return _speed_doubt(call, context)
    return _other_doubt(call, context)


def flagged_as_heard(calls: Iterable[ReviewedCall], now: Context, doubts_as_heard: Mapping[str, str]) -> frozenset[str]:
    same = (CallStatus.HEARD, CallStatus.CONFIRMED)  # nothing in it but its status is another
    heard = [call if call.status in same else as_heard(call.heard, now.unit) for call in calls if call.heard]
    context = Context(now.runs, heard, now.unit, now.graduation, now.disagreeing, like=now)
    # Runs move with corrections; here every call counts as being in one.
    context.run_of = dict.fromkeys(context.approach_of, "")
    context.doubts = doubts_as_heard
    return frozenset(call.id for call in heard if doubt_of(call, context))


def _speed_doubt(call: ReviewedCall, context: Context) -> QueueItem | None:
    expected, approach = context.expected[call.id], context.approach_of[call.id]
    wrong = p_wrong(call.posterior, call.ias_kt, expected.ias_kt, expected.sigma_kt, _rivals(call, context))
    crowded = wrong >= SHOW_P_WRONG / 4 and _crowded(call, approach)
    why = [words for flag, words in LOOK_AT.items() if flag in call.flags and call.id not in context.disagreeing]
    if wrong >= SHOW_P_WRONG or crowded:
        why += _reasons(call, expected, crowded, context)
    if call.id in context.disagreeing:
        why.append(f"the second listening heard {shown(context.disagreeing[call.id])}")
    decides = wrong >= SHOW_P_WRONG / 3 or len(approach.speeds) < MIN_FOR_A_LINE
    alone_kt = _alone_kt(call, approach) if (decides or why) and call.id in context.run_of else 0.0
    if alone_kt >= ALONE_KT and decides:
        why.append(f"changes the stall speed by {context.own(alone_kt):.1f} {context.unit} on its own")
    if call.id not in context.run_of and len(approach.speeds) < MIN_FOR_A_LINE:
        why.append("an airspeed that belongs to no run")
    if not why:
        return None
    return call_item(call, tuple(why), _proposal(call, expected, wrong, context), alone_kt * wrong, wrong, context)


def _rivals(call: ReviewedCall, context: Context) -> list[tuple[float, float]]:
    """Other airspeeds that the sound may be, in knots, with their posteriors."""
    unit = call.unit or context.unit
    listed = call.heard.alternatives if call.heard else ()
    return [
        (to_kt(a.value, unit), a.posterior)
        for a in listed
        if a.kind is CallKind.AIRSPEED and isinstance(a.value, (int, float)) and a.value != call.value
    ]


def _reasons(call: ReviewedCall, expected: Expected, crowded: bool, context: Context) -> list[str]:
    why = []
    if expected.ias_kt is not None and abs(kt_of(call) - expected.ias_kt) > 2 * expected.sigma_kt:
        why.append(f"implausible: the calls around it suggest {context.own(expected.ias_kt):.0f} {context.unit}")
    if call.posterior < 0.9:
        why.append(f"low confidence ({100 * call.posterior:.0f} %)")
    if crowded:
        why.append("squeezed between two calls: perhaps not a call")
    rivals = [a for a in (call.heard.alternatives if call.heard else ()) if a.value != call.value]
    if rivals and rivals[0].posterior >= 0.1:
        rival = rivals[0]
        why.append(f"also sounds like {shown(rival.name if rival.value is None else rival.value)}")
    return why or [f"may be wrong ({100 * (1 - call.posterior):.0f} %)"]


def _crowded(call: ReviewedCall, approach: Approach) -> bool:
    """Squeezed in between two calls that are in the pilot's rhythm without it."""
    usual_s = approach.usual_s
    if usual_s is None:
        return False
    k = approach.place[call.id]
    around = steps_s(approach.speeds[max(0, k - 1) : k + 2])
    return len(around) == 2 and sum(around) < CROWDED_RATIO * usual_s


def _other_doubt(call: ReviewedCall, context: Context) -> QueueItem | None:
    why = [words for flag, words in LOOK_AT.items() if flag in call.flags and flag is not Flag.CLIPPED]
    wrong = p_wrong(call.posterior)
    if call.kind is CallKind.AIRSPEED and call.ias_kt is None:
        why.append("no value")
    if doubted := context.doubts.get(call.id):
        why.append(f"not applied: {doubted}")
        wrong = max(wrong, 0.5)
    elif wrong >= 2 * SHOW_P_WRONG:
        why.append(f"low confidence ({100 * call.posterior:.0f} %)")
    if call.id in context.disagreeing:
        why.append(f"the second listening heard {shown(context.disagreeing[call.id])}")
    if not why:
        return None
    # An event that is wrong moves the whole run; a setting, its test point.
    effect_kt = wrong * (1.0 if context.run_of.get(call.id) and call.kind is CallKind.EVENT else 0.1)
    return call_item(call, tuple(why), _heard_instead(call, wrong, context), effect_kt, wrong, context)


def call_item(call: ReviewedCall, why: tuple[str, ...], proposed, effect_kt: float, wrong: float, context) -> QueueItem:
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


def _heard_instead(call: ReviewedCall, wrong: float, context: Context) -> float | str | None:
    """What the second listening heard, unless it only missed a call that the first was sure of."""
    other = context.disagreeing.get(call.id)
    return None if other == NOTHING and wrong < 0.5 else other


def _proposal(call: ReviewedCall, expected: Expected, wrong: float, context: Context) -> float | str | None:
    """The likeliest other reading: second listening, sequence reader, a rival that fits, the line."""
    if (other := _heard_instead(call, wrong, context)) is not None:
        return other
    heard, likely_kt = call.heard, expected.ias_kt
    if heard is not None and heard.proposed is not None and heard.proposed != call.value:
        return heard.proposed
    if likely_kt is None:
        return None

    def weight(kt: float, posterior: float) -> float:
        return posterior * normal(kt - likely_kt, expected.sigma_kt)

    rivals = [(weight(*rival), rival[0]) for rival in _rivals(call, context)]
    best = max(rivals, default=(0.0, 0.0))
    line = (1 - call.posterior) * (1 - SLIP_SHARE) / DIAL_KT
    if best[0] > max(weight(kt_of(call), call.posterior), line):
        return round(from_kt(best[1], call.unit or context.unit), 3)
    if abs(kt_of(call) - likely_kt) > 2 * expected.sigma_kt:
        return context.mark(likely_kt)
    return None


def _alone_kt(call: ReviewedCall, approach: Approach) -> float:
    """How far the stall speed of the approach moves without this call [kt].

    A line over the last seconds before the event, at the event; the lowest reading where there
    are too few for a line. Only to order the queue: `reduce` works out the stall speed.
    """
    points, k = approach.before_end, approach.place[call.id]
    with_it = line_at_event_kt(points)
    without = line_at_event_kt([*points[:k], *points[k + 1 :]])
    # The only reading of a run decides all: more than any error of a fit, and still a sane number.
    return ONLY_KT if with_it is None or without is None else abs(with_it - without)

"""Runs to look at: without a stall event, not counted, at no point, perhaps the wrong one, to be read again. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace

from logger_app.domain.approach import MAX_BELOW_LAST_CALL_KT
from logger_app.domain.decades import WrongDecade
from logger_app.domain.points import same_on_card
from logger_app.domain.settings import ITEMS, setting_words, value_fits
from logger_app.domain.stall_events import STALL_KINDS
from logger_app.domain.times import flight_time
from logger_app.records.calls import CallKind, Flag, ReviewedCall
from logger_app.records.plan import TestPoint
from logger_app.records.runs import FlightRuns, Run
from logger_app.review.doubts import Context, call_item
from logger_app.review.items import Item, QueueItem
from logger_app.review.placing import Misplaced
from logger_app.units import s_to_ns

# A setting believed less than this is looked at before the runs that it moved.
HARDLY_BELIEVED = 0.9
# A doubtful call that is likely to move the stall speed of its run by so much explains what is odd about the run.
BENDS_KT = 0.5
# A remark on a run that is over comes within this (common practice, no source).
AFTER_NS = s_to_ns(30.0)
MAX_NAMED = 8  # runs named in one sentence
COUNT_THEM = "count them"  # proposed for runs that do not count only because no speed was said at the break


def no_event_items(runs: FlightRuns, lowest: Mapping[str, tuple[int, float]], context: Context) -> list[QueueItem]:
    """Runs without a stall event; where a trace is lowest, the event that this flight usually has is proposed."""
    named = Counter(c.name for run in runs.runs for c in run.calls if _is_stall(c))
    usual = named.most_common(1)[0][0] if named else "break"
    return [item for run in runs.runs for item in _no_event(run, lowest.get(run.id), usual, context)]


def _is_stall(call: ReviewedCall) -> bool:
    return call.kind is CallKind.EVENT and call.counts and call.name in STALL_KINDS


def _no_event(run: Run, lowest: tuple[int, float] | None, usual: str, context: Context) -> list[QueueItem]:
    if run.discarded or any(map(_is_stall, run.calls)):
        return []
    why = ["no stall event was called: when did it stall?"]
    if lowest:
        speed = f"{context.own(lowest[1]):.1f} {context.unit}"
        why.append(f"a trace is lowest at {flight_time(lowest[0] / 1e9)}, {speed}: was it the stall?")
    return [
        QueueItem(
            id=f"look-{run.id}",
            item=Item.RUN,
            target=run.id,
            run=run.id,
            flight_ns=lowest[0] if lowest else run.start_ns,
            why=tuple(why),
            proposed=usual if lowest else None,
            effect_kt=1.0,
            p_wrong=0.5,
            runs=(run.id,),
        )
    ]


def not_counted_items(runs: FlightRuns, beyond: Collection[str]) -> list[QueueItem]:
    """One item a flight: runs whose stall speed lies too far below their last call, with no speed said at the stall."""
    chosen = [run for run in runs.runs if run.id in beyond]
    if not chosen:
        return []
    n, of = len(chosen), sum(not run.discarded for run in runs.runs)
    why = (
        f"{n} of {of} runs {'does' if n == 1 else 'do'} not count: no speed was said at the break and the last call is "
        f"more than {MAX_BELOW_LAST_CALL_KT:g} kt above the fitted stall speed",
        f"accept the fitted stall of {'it' if n == 1 else 'all of them'}, or run by run",
    )
    return [_flight_item("fitted", Item.STALL, runs, chosen, chosen[0].start_ns, why, 2.0 * n, COUNT_THEM)]


def spread_times_items(runs: FlightRuns) -> list[QueueItem]:
    """One item a flight: runs whose calls' times were worked out from long lines of text."""
    spread = {
        run.id: [c for c in run.calls if c.counts and not c.reviewed and Flag.TIME_SPREAD in c.flags]
        for run in runs.runs
        if not run.discarded
    }
    chosen = [run for run in runs.runs if spread.get(run.id)]
    if not chosen:
        return []
    n = sum(len(spread[run.id]) for run in chosen)
    numbers = ", ".join(str(run.number) for run in chosen[:MAX_NAMED]) + (" ..." if len(chosen) > MAX_NAMED else "")
    why = (
        f"{n} calls come from long lines of text: their times are good to seconds only (run {numbers})",
        "shorter lines or the sound itself give better ones; until then the stall speeds are less sure",
    )
    first_ns = spread[chosen[0].id][0].flight_ns
    return [_flight_item("times", Item.TIMES, runs, chosen, first_ns, why, 0.5 * len(chosen))]


def _flight_item(
    prefix: str,
    item: Item,
    runs: FlightRuns,
    chosen: Sequence[Run],
    flight_ns: int,
    why: tuple[str, ...],
    effect_kt: float,
    proposed=None,
) -> QueueItem:
    return QueueItem(
        id=f"{prefix}-{runs.flight}",
        item=item,
        target=None,
        run=chosen[0].id,
        flight_ns=flight_ns,
        why=why,
        proposed=proposed,
        effect_kt=effect_kt,
        p_wrong=0.5,
        runs=tuple(run.id for run in chosen),
    )


def said_after_items(
    items: list[QueueItem], runs: FlightRuns, points: Sequence[TestPoint], context: Context
) -> list[QueueItem]:
    """A setting in a sentence soon after a run ("that one was with flaps thirty") may have been meant for that run.

    Where another point fits the run then, the run is the item, in place of the call.
    """
    by_id = {point.id: point for point in points}
    found = []
    for item in items:
        call = context.by_id.get(item.target or "") if item.item is Item.CALL else None
        before = [run for run in runs.runs if call and not run.discarded and run.end_ns <= call.flight_ns]
        run = before[-1] if before else None
        here = by_id.get(run.point or "") if run else None
        meant = (
            _meant_for(call, here, points) if call and here and run and call.flight_ns - run.end_ns < AFTER_NS else None
        )
        if call is None or run is None or meant is None:
            found.append(item)
            continue
        words = setting_words(call.name, call.value, call.unit)
        seconds = (call.flight_ns - run.end_ns) / 1e9
        why = f"{words} was said in a sentence {seconds:.0f} s after run {run.number}: was it meant for that run? {meant} would fit"
        found.append(
            QueueItem(
                id=f"after-{call.id}",
                item=Item.POINT,
                target=run.id,
                run=run.id,
                flight_ns=call.flight_ns,
                why=(why,),
                proposed=meant,
                effect_kt=1.0,
                p_wrong=0.5,
                runs=(run.id,),
            )
        )
    return found


def _meant_for(call: ReviewedCall, here: TestPoint, points: Sequence[TestPoint]) -> str | None:
    """The point that differs from a run's own in the one setting that was said, if that was said in talk."""
    if (
        call.kind is not CallKind.SETTING
        or call.name not in ITEMS
        or Flag.IN_TALK not in call.flags
        or call.value is None
    ):
        return None
    if call.reviewed or value_fits(call.name, call.value, call.unit, here):
        return None
    others = [item for item in ITEMS if item != call.name]
    alike = (point for point in points if all(same_on_card(item, point, here) for item in others))
    return next((point.id for point in alike if value_fits(call.name, call.value, call.unit, point)), None)


def pointless_items(runs: FlightRuns) -> list[QueueItem]:
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


def misplaced_items(
    items: list[QueueItem], misplaced: Sequence[Misplaced], calls: Sequence[ReviewedCall], context: Context
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
                items.append(call_item(cause, (), None, 0.0, 1 - cause.posterior, context))
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


def decade_item(one: WrongDecade, context: Context) -> QueueItem:
    """A run to be read again as a whole."""
    return QueueItem(
        id=one.item,
        item=Item.DECADE,
        target=one.run,
        run=one.run,
        flight_ns=context.by_id[one.calls[0][0]].flight_ns,
        why=(one.why,),
        proposed=one.meant_name,
        effect_kt=abs(one.stall_kt - one.heard_stall_kt),
        p_wrong=one.p,
        runs=one.runs,
        calls=one.calls,
    )


def unexplained(items: Iterable[QueueItem], decades: Sequence[WrongDecade]) -> list[QueueItem]:
    """Items that no wrong decade explains: the calls of its run and an odd stall speed are one thing to settle."""
    calls = {id for one in decades for id in one.explains}
    runs = {id for one in decades for id in one.runs}

    def explained(item: QueueItem) -> bool:
        if item.item in (Item.CALL, Item.SAMPLE):
            return item.target in calls
        return item.item is Item.POINT and item.proposed is None and runs.issuperset(item.runs)

    return [item for item in items if not explained(item)]

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
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from statistics import median
from types import MappingProxyType

from logger_app.domain.binomial import clopper_pearson
from logger_app.domain.call_words import shown
from logger_app.domain.decades import reread, wrong_decades
from logger_app.records.calls import CallKind, CallStatus, ReviewedCall
from logger_app.records.plan import TestPoint
from logger_app.records.runs import FlightRuns
from logger_app.review.doubts import NOTHING, Context, doubt_of, flagged_as_heard
from logger_app.review.items import Item, QueueItem
from logger_app.review.neighbours import NEIGHBOURS, Approach, kt_of, p_wrong
from logger_app.review.placing import misplaced_runs
from logger_app.review.run_items import (
    decade_item,
    misplaced_items,
    no_event_items,
    not_counted_items,
    pointless_items,
    said_after_items,
    spread_times_items,
    unexplained,
)

SAMPLE_SHARE = 0.05
# A silence this many times the usual interval is a call that was due. Common practice, no source.
DUE_RATIO = 1.4
MIN_OVERDUE_S = 0.4

WhatIf = Callable[[str, bool], FlightRuns]
"""The runs as they would be if a call were rejected (True) or confirmed (False)."""


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
    doubts_as_heard: Callable[[], Mapping[str, str]] | None = None,
    points: Sequence[TestPoint] = (),
    peers: Mapping[str, Sequence[float]] = MappingProxyType({}),
    what_if: WhatIf | None = None,
    lowest: Mapping[str, tuple[int, float]] = MappingProxyType({}),
    beyond: Collection[str] = (),
    own: Collection[tuple[int, int]] = (),
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
    doubts_as_heard : callable, optional
        Doubtful settings before any correction, by call with the reason, which are flagged; asked for where `flagged`
        is not given, without it those of `runs`.
    points : sequence of TestPoint
        Of the campaign; without them no run is weighed against other points.
    peers : mapping of str to sequence of float
        Stall speeds of other flights in the same configuration, by point [kt].
    what_if : callable, optional
        The runs as they would be if a call were rejected, or confirmed.
    lowest : mapping of str to (int, float)
        Of runs without an event, by run: when a trace is lowest [ns, flight clock], and its airspeed there [kt].
    beyond : collection of str
        Runs that do not count only because their stall speed lies too far below the last call.
    own : collection of (int, int)
        Decades, heard and meant, that this pilot's voice was found to confuse.

    Returns
    -------
    Queue
        Items in order: runs to read again first, then what changes a conclusion most, a cause before what follows
        from it, sampled calls last.
    """
    disagreeing, extra = _second_listening(second)
    context = Context(runs, calls, unit, graduation, disagreeing)
    doubts = {call.id: doubt for call in calls if call.heard and (doubt := doubt_of(call, context))}
    reviewed = {call.id for call in calls if call.reviewed}
    # Which calls nothing pointed at is a property of what was heard, not of what was made of it since.
    if flagged is None:
        flagged = flagged_as_heard(calls, context, doubts_as_heard() if doubts_as_heard else context.doubts)
    sampled = [c for c in calls if c.heard and c.id not in flagged and _in_sample(runs.flight, c.id)]
    items = [
        *said_after_items([*doubts.values()], runs, points, context),
        *_due(context),
        *_extra_items(extra, context),
    ]
    items += no_event_items(runs, lowest, context) + not_counted_items(runs, beyond) + pointless_items(runs)
    items += spread_times_items(runs)
    misplaced = misplaced_runs(runs, calls, points, peers, unit) if points else []
    items = misplaced_items(items, misplaced, calls, context)
    decades = wrong_decades(runs.runs, points, peers=peers, unit=unit, kept=settled, own=own)
    items = [*(decade_item(one, context) for one in decades), *unexplained(items, decades)]
    still = [item for item in items if item.target not in reviewed and item.id not in settled]
    still = [_with_consequence(item, context, what_if) for item in still]
    samples = [_sample_item(c, context) for c in sampled if not c.reviewed and c.id not in doubts]
    still += unexplained(samples, decades)
    pointed_at = {id for run in runs.runs for ids in reread(run.calls).values() for id in ids}
    return Queue(
        items=tuple(sorted(still, key=_order)),
        flagged=flagged,
        sampled=frozenset(call.id for call in sampled),
        undetected=_undetected([call for call in sampled if call.reviewed and call.id not in pointed_at]),
    )


def last_listening(bodies: Sequence[dict]) -> Sequence[dict]:
    """Of the `SECOND` rows, the differences of the latest complete listening: a better one replaces one before it."""
    complete = [k for k, body in enumerate(bodies) if body.get("whole")]
    return bodies[complete[-1] + 1 :] if complete else bodies


def _due(context: Context) -> list[QueueItem]:
    """Silences inside an approach, longer than the pilot's own rhythm."""
    spoken = sorted(c.flight_ns for c in context.calls if c.counts)
    items = []
    for approach in context.approaches:
        usual_s = approach.usual_s
        if usual_s is None:
            continue
        speeds = approach.speeds
        pairs = [(a, b.flight_ns, kt_of(b)) for a, b in zip(speeds, speeds[1:], strict=False)]
        if approach.end_ns is not None:
            pairs.append((speeds[-1], approach.end_ns, _continued_kt(speeds, approach.end_ns)))
        for before, next_ns, next_kt in pairs:
            step_s = (next_ns - before.flight_ns) / 1e9
            between = bisect_right(spoken, before.flight_ns) < bisect_left(spoken, next_ns)
            if step_s >= max(DUE_RATIO * usual_s, usual_s + MIN_OVERDUE_S) and not between:
                items.append(_due_item(before, next_ns, next_kt, step_s, approach, context))
    return items


def _continued_kt(speeds: Sequence[ReviewedCall], at_ns: int) -> float:
    """The airspeed that the approach would come to, at the pace of its last calls."""
    late = speeds[-NEIGHBOURS:]
    slopes = [
        (kt_of(b) - kt_of(a)) / (b.flight_ns - a.flight_ns)
        for a, b in combinations(late, 2)
        if b.flight_ns > a.flight_ns
    ]
    return kt_of(speeds[-1]) + (median(slopes) if slopes else 0.0) * (at_ns - speeds[-1].flight_ns)


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
        proposed=context.mark((kt_of(before) + next_kt) / 2),
        # One more point on a line: the nearer to the event the more it says.
        effect_kt=0.2 / (1 + max(0.0, (end_ns - at_ns) / 4e9)),
        p_wrong=0.5,
    )


def _with_consequence(item: QueueItem, context: Context, what_if: WhatIf | None) -> QueueItem:
    """What settling a setting or a card would change, in words and in the order."""
    call = context.by_id.get(item.target or "") if item.item is Item.CALL else None
    if what_if is None or call is None or call.kind not in (CallKind.SETTING, CallKind.COMMAND):
        return item
    applied = call.id not in context.doubts
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


def _extra_items(extra: Iterable[Mapping], context: Context) -> list[QueueItem]:
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
                why=(f"only the second listening heard {shown(value)}",),
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


def _sample_item(call: ReviewedCall, context: Context) -> QueueItem:
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
    first = item.item is not Item.DECADE
    return (
        item.item is Item.SAMPLE,
        first,
        -round(item.effect_kt, 3),
        -round(item.p_wrong, 3),
        item.flight_ns,
        item.id,
    )

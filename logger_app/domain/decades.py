"""A decade heard wrongly all through a run: a pilot whose "fifty" sounds like "sixty". Pure.

Each call of such a run is sure, and all of them are ten too many, so no call contradicts another. What does: the
approach jumps where it crosses the decade, and the stall speed is not that of the other runs and of the plan. The
calls of an approach are read again as if one decade had been heard as another, each call free to be either; that
reading is weighed against what was heard. It is only ever proposed. Main names: `wrong_decades`, `WrongDecade`.

Not for: one call misheard (`hear.sequence`, `review.queue`).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from statistics import median

from logger_app.domain.approach_curve import LAST_S, MIN_FOR_A_LINE
from logger_app.domain.stall_events import STALL_KINDS
from logger_app.records.calls import CallKind, ReviewedCall
from logger_app.records.plan import TestPoint
from logger_app.records.runs import Run, RunEnd
from logger_app.units import from_kt, to_kt

# A reading with this probability is proposed; the run does not count until somebody has settled it.
SHOW_P = 0.5
# How likely a pilot is to have the fault where nothing else in the flight shows it. Fifty heard as sixty: measured on people,
# four voices of nine in noise, never the reverse; a part of it, for most of their runs are right. The others: ours.
PRIORS = {(6, 5): 0.05, (5, 6): 0.003, (5, 9): 0.001, (9, 5): 0.001, (4, 5): 0.001, (5, 4): 0.001}
TEEN = 1  # thirteen for thirty, and so on
PRIORS |= {(tens, TEEN): 0.001 for tens in (3, 4, 5, 6, 7, 8, 9)}
# Once another run of the flight shows it, or a person corrected one for it.
PRIOR_SHOWN = 0.3
# Where a person kept what was heard, the next run has to show the fault much better.
REFUSED = 0.1
# Of the words that are said in such a decade so many are heard as the other one.
HEARD_AS_OTHER = 0.9
MIN_CHANGED = 3
# A step likelier than this is no jump; any call may be wrong by itself, as often as this says [natural log].
NOTHING_ODD, SLIP = -3.0, -5.0
# Read as it was meant an approach goes on as smoothly as heard, or more so; but for this [natural log].
MAX_WORSE = 2.0
# The speed falls from call to call as it does on average in the run, so nearly [kt, kt/s]; how often it does anything
# else, and after a silence. As the reader of sequences has it (`hear.sequence.Motion`).
STEP_SD_KT, RATE_SD_KT_PER_S, ANYWHERE, GAP_S, GAP_FADE_S = 0.8, 0.6, 0.02, 5.0, 10.0
DIAL_KT = 60.0
# Scatter of one run, of set-ups, of a plan (and of one that the other points of the flight agree with) [kt]; how often each is
# quite wrong. Common practice, no source.
RUN_SD_KT, SET_UP_SD_KT, PLAN_SD_KT, AGREED_PLAN_SD_KT = 0.9, 0.5, 2.5, 1.5
OTHERS_WRONG, FEW_WRONG, PLAN_WRONG = 0.03, 0.06, 0.05
# A run may be at another point than the calls of its settings say.
OTHER_POINT = 0.01
# Nobody calls speeds from well above the one at which the card begins [kt].
ABOVE_TRIM_KT, MAX_TRIM_NATS = 3.0, 3.0
# Parts of one approach that a jump in the calls has cut in two are no farther apart than this [ns].
SAME_APPROACH_NS = 12_000_000_000
# A stall speed so near is called the same [kt]; a step up of more is called a jump [kt].
ALIKE_KT, JUMP_KT = 2.5, 4.0
NAMES = {1: "teens", 3: "thirties", 4: "forties", 5: "fifties", 6: "sixties"}
NAMES |= {7: "seventies", 8: "eighties", 9: "nineties"}


@dataclass(frozen=True, slots=True, kw_only=True)
class WrongDecade:
    """A run whose calls would fit better with one decade read as another.

    `calls` holds (call id, value it would have) in the pilot's unit, `runs` all runs that they are in; `p` is the
    probability that they were said so, `stall_kt` the stall speed of that reading, `heard_stall_kt` of the one heard.
    """

    run: str
    runs: tuple[str, ...]
    heard: int
    meant: int
    calls: tuple[tuple[str, float], ...]
    p: float
    stall_kt: float
    heard_stall_kt: float
    why: str
    explains: tuple[str, ...]  # every airspeed of the approach: beside the wrong ones the right ones look wrong

    @property
    def meant_name(self) -> str:
        """What they would be: ``fifties``."""
        return NAMES[self.meant]

    @property
    def item(self) -> str:
        """Id of the queue item: who confirms it keeps what was heard."""
        return item_of(self.run)


def item_of(run: str) -> str:
    """Id of the queue item about the decade of a run."""
    return f"decade-{run}"


@dataclass(frozen=True, slots=True)
class _Approach:
    """The airspeeds of one attempt, in the pilot's unit; `parts` are the runs that they are in."""

    parts: tuple[Run, ...]
    calls: tuple[ReviewedCall, ...]
    times_s: tuple[float, ...]
    values: tuple[float, ...]
    open: tuple[bool, ...]  # may be read again
    end_s: float

    @property
    def run(self) -> Run:
        return self.parts[-1]

    def stall(self, values: Sequence[float]) -> float:
        """Speed at the event: the median slope and level of the last seconds (Theil 1950, Sen 1968), which no one bad
        call can move."""
        late = [(at - self.end_s, v) for at, v in zip(self.times_s, values) if at >= self.end_s - LAST_S]
        if len(late) < MIN_FOR_A_LINE:
            return values[-1]
        slopes = [(w - v) / (b - a) for (a, v), (b, w) in combinations(late, 2) if b - a > 0.3]
        slope = median(slopes) if slopes else 0.0
        return median(v - slope * at for at, v in late)


def wrong_decades(
    runs: Sequence[Run],
    points: Sequence[TestPoint] = (),
    *,
    peers: Mapping[str, Sequence[float]] | None = None,
    unit: str = "kt",
    kept: Collection[str] = (),
    own: Collection[tuple[int, int]] = (),
) -> tuple[WrongDecade, ...]:
    """Runs in which a decade seems to have been heard wrongly all through.

    Parameters
    ----------
    runs : sequence of Run
        Of one flight, in order of time.
    points : sequence of TestPoint
        Of the campaign, with their expected stall and trim speeds where there are any.
    peers : mapping of str to sequence of float, optional
        Stall speeds of other flights in the same configuration, by point [kt].
    unit : str
        In which the pilot reads and speaks.
    kept : collection of str
        Ids of queue items that were settled: a proposal that was kept as heard does not come back.
    own : collection of (int, int)
        Decades, heard and meant, that this pilot's voice was found to confuse.

    Returns
    -------
    tuple of WrongDecade
        At most one a run, in order of time.
    """
    approaches = [one for one in _approaches(runs, unit) if len(one.values) >= MIN_CHANGED]
    known = {pair: PRIOR_SHOWN for pair in {*own, *(pair for one in approaches for pair in reread(one.calls))}}
    beliefs = _Beliefs(approaches, points, peers or {}, unit)
    found = _all(approaches, beliefs, known)
    shown = {(one.heard, one.meant) for one in found if one.p >= 0.9 and one.item not in kept}
    refused = {(one.heard, one.meant) for one in found if one.p >= SHOW_P and one.item in kept} - shown
    if more := {pair: PRIORS[pair] * REFUSED for pair in refused} | dict.fromkeys(shown, PRIOR_SHOWN):
        found = _all(approaches, beliefs, more | known)
    return tuple(one for one in found if one.p >= SHOW_P and one.item not in kept)


def read_as(value: float, heard: int, meant: int) -> float | None:
    """A value with one decade in the place of another; None where it is not in that decade.

    Examples
    --------
    >>> read_as(67, 6, 5), read_as(57, 6, 5), read_as(160, 6, 1), read_as(161, 6, 1)
    (57.0, None, 116.0, None)
    """
    if value != int(value) or value < 20:
        return None
    hundreds, rest = divmod(int(value), 100)
    if rest // 10 != heard:
        return None
    if meant == TEEN:
        return None if rest % 10 else float(100 * hundreds + 10 + heard)
    return float(value + 10 * (meant - heard))


def confused(meant: float, heard: float) -> tuple[int, int] | None:
    """The decades, heard and meant, that one number taken for another shows to sound alike; None for another mistake.

    Examples
    --------
    >>> confused(50, 60), confused(55, 65), confused(115, 150), confused(55, 59)
    ((6, 5), (6, 5), (5, 1), None)
    """
    decade = int(heard) % 100 // 10
    pairs = ((decade, meaning) for meaning in range(1, 10) if meaning != decade)
    return next((pair for pair in pairs if read_as(heard, *pair) == meant), None)


# ---- approaches -----------------------------------------------------------------------------------------


def _approaches(runs: Sequence[Run], unit: str) -> list[_Approach]:
    found: list[list[Run]] = []
    for run in runs:
        if run.discarded:
            continue
        before = found[-1][-1] if found else None
        if before and _goes_on(before, run):
            found[-1].append(run)
        else:
            found.append([run])
    return [made for parts in found if (made := _approach(tuple(parts), unit)) is not None]


def _goes_on(before: Run, run: Run) -> bool:
    """Whether the second run is the rest of the first: cut in two by a jump in the calls, by nothing that was said."""
    said = {call.name for call in before.calls} & set(STALL_KINDS) or run.calls[0].kind is not CallKind.AIRSPEED
    return before.ended is RunEnd.NEXT_RUN and not said and run.start_ns - before.calls[-1].end_ns < SAME_APPROACH_NS


def _approach(parts: tuple[Run, ...], unit: str) -> _Approach | None:
    calls = [call for run in parts for call in run.calls]
    events = (c for c in calls if c.kind is CallKind.EVENT and c.name in STALL_KINDS)
    event = next(events, None)
    speeds = [c for c in calls if c.kind is CallKind.AIRSPEED and c.ias_kt is not None and c.ias_kt > 0]
    if event is None:
        return None  # it has no stall speed, and counts for nothing
    speeds = [c for c in speeds if c.flight_ns <= event.flight_ns]
    if not speeds:
        return None
    return _Approach(
        parts,
        tuple(speeds),
        tuple(c.flight_s for c in speeds),
        tuple(round(from_kt(c.ias_kt or 0.0, unit), 6) for c in speeds),
        tuple(not c.reviewed and c.unit in (unit, None) for c in speeds),
        event.flight_s,
    )


def reread(calls: Sequence[ReviewedCall]) -> dict[tuple[int, int], list[str]]:
    """Calls of a run in which a person has corrected a decade all through, by the decade heard and the one meant."""
    found = {}
    changed = [c for c in calls if isinstance(c.heard_value, (int, float)) and c.heard_value != c.value]
    for pair in PRIORS if len(changed) >= MIN_CHANGED else ():
        ids = [c.id for c in changed if read_as(float(c.heard_value or 0), *pair) == c.value]
        if len(ids) >= MIN_CHANGED:
            found[pair] = ids
    return found


# ---- what a stall speed is believed to be ------------------------------------------------------------------


class _Beliefs:
    """How likely a stall speed is at a point: from the other runs there, and from the plan. All in the pilot's unit."""

    def __init__(
        self,
        approaches: Sequence[_Approach],
        points: Sequence[TestPoint],
        peers: Mapping[str, Sequence[float]],
        unit: str,
    ):
        self.unit, self.kt = unit, from_kt(1.0, unit)
        self.points = {point.id: point for point in points}
        self.peers = {point: [from_kt(kt, unit) for kt in speeds] for point, speeds in peers.items()}
        self.plan = {p.id: from_kt(p.expected_stall_ias_kt, unit) for p in points if p.expected_stall_ias_kt}
        self._middle: dict[str, float] = {}
        self._off: dict[tuple[str, int], float | None] = {}
        self.here: dict[str, list[tuple[str, float]]] = {}
        self.heard = {one.run.id: one.stall(one.values) for one in approaches}
        for one in approaches:
            if one.run.point:
                self.here.setdefault(one.run.point, []).append((one.run.id, self.heard[one.run.id]))

    def others(self, point: str, run: str, pair: tuple[int, int] | None, near: float) -> list[float]:
        """Stall speeds of other runs at a point; under a fault that all of them may have, each as it fits better."""
        seen = [x for id, x in self.here.get(point, ()) if id != run] + list(self.peers.get(point, ()))
        if pair is None or pair[1] == TEEN:
            return seen
        shift = 10.0 * (pair[1] - pair[0])
        return [x + shift if x % 100 // 10 == pair[0] and abs(x + shift - near) < abs(x - near) else x for x in seen]

    def planned(self, point: str, heard: int) -> tuple[float, float] | None:
        """The plan's stall speed and its standard deviation, moved as the runs at other points show that have no
        speeds in the decade in question."""
        plan = self.plan.get(point)
        if plan is None:
            return None
        if (point, heard) not in self._off:
            off = [
                x - self.plan[there]
                for there, seen in self.here.items()
                for _, x in seen
                if there in self.plan and there != point and x % 100 // 10 != heard
            ]
            self._off[point, heard] = median(off) if len(off) >= MIN_CHANGED else None
        off_by = self._off[point, heard]
        return (plan, PLAN_SD_KT * self.kt) if off_by is None else (plan + off_by, AGREED_PLAN_SD_KT * self.kt)

    def usual(self, one: _Approach) -> bool:
        """Whether nothing at all is odd about the speeds of an approach: most are looked at no further."""
        x, point = self.heard[one.run.id], one.run.point or ""
        if point not in self._middle:
            self._middle[point] = median([kt for _, kt in self.here.get(point, [("", x)])])
        known = [self._middle[point], *self.peers.get(point, ()), *([self.plan[point]] if point in self.plan else [])]
        return all(abs(x - kt) < PLAN_SD_KT * self.kt for kt in known) and self.begins(one.values[0], one.run) == 0.0

    def ceiling(self, point: str, run: str, asked: tuple[int, int]) -> float:
        """More than `log` can be for any stall speed."""
        seen, plan = self.others(point, run, None, 0.0), self.planned(point, asked[0])
        middles = ([median(seen)] if seen else []) + ([plan[0]] if plan else [])
        return max((self.log(x, point, run, asked, asked) for x in middles), default=0.0) + 1.0

    def log(self, x: float, point: str, run: str, pair: tuple[int, int] | None, asked: tuple[int, int]) -> float:
        """Natural log of how likely a stall speed is; `asked` is the fault that is weighed, `pair` if it is supposed."""
        total, dial = 0.0, DIAL_KT * self.kt
        if others := self.others(point, run, pair, x):
            middle = median(others)
            apart = 1.4826 * median(abs(v - middle) for v in others)
            sd = max(math.hypot(RUN_SD_KT, SET_UP_SD_KT * math.sqrt(1 + 1 / len(others))) * self.kt, apart)
            wrong = OTHERS_WRONG if len(others) >= MIN_CHANGED else FEW_WRONG
            total += math.log((1 - wrong) * _normal(x - middle, sd) + wrong / dial)
        if plan := self.planned(point, asked[0]):
            total += math.log((1 - PLAN_WRONG) * _normal(x - plan[0], plan[1]) + PLAN_WRONG / dial)
        return total

    def begins(self, first: float, run: Run) -> float:
        """The same of the first speed called: an approach begins at the trim speed of its card, or below it."""
        point = self.points.get(run.point or "")
        if point is None or point.trim_ias_kt is None:
            return 0.0
        above = max(0.0, first / self.kt - point.trim_ias_kt - ABOVE_TRIM_KT) / ABOVE_TRIM_KT
        return -min(MAX_TRIM_NATS, 0.5 * above * above)

    def known(self, point: str, run: str) -> bool:
        return point in self.plan or bool(self.others(point, run, None, 0.0))

    def elsewhere(self, x: float, one: _Approach, asked: tuple[int, int]) -> float:
        """The same, the run perhaps at another point."""
        run = one.run
        here = math.exp(self.log(x, run.point or "", run.id, None, asked))
        shares = dict(run.rivals)
        for other in self.points:
            if other != run.point and self.known(other, run.id):
                share = max(shares.get(other, 0.0) / max(run.point_share, 0.01), OTHER_POINT)
                here += share * math.exp(self.log(x, other, run.id, None, asked))
        return math.log(here)


def _normal(x: float, sd: float) -> float:
    return math.exp(-0.5 * (x / sd) ** 2) / (sd * math.sqrt(2 * math.pi))


# ---- weighing -----------------------------------------------------------------------------------------------


def _all(
    approaches: Sequence[_Approach], beliefs: _Beliefs, known: Mapping[tuple[int, int], float]
) -> list[WrongDecade]:
    return [found for one in approaches if (found := _weigh(one, beliefs, known)) is not None]


def _weigh(one: _Approach, beliefs: _Beliefs, known: Mapping[tuple[int, int], float]) -> WrongDecade | None:
    """The likeliest decade in the place of another, however little likely; None where none is possible."""
    best, odds, steps = None, 0.0, _Steps(one, beliefs.kt)
    if beliefs.usual(one) and steps.smooth(one.values):
        return None
    decades = Counter(value % 100 // 10 for value, free in zip(one.values, one.open) if free)
    for pair, prior in PRIORS.items():
        if decades[pair[0]] < MIN_CHANGED:
            continue
        options = [(value, read_as(value, *pair) if free else None) for value, free in zip(one.values, one.open)]
        if sum(other is not None for _, other in options) < MIN_CHANGED:
            continue
        p = known.get(pair, prior)
        found = _gain(one, steps, options, beliefs, pair, p)
        if found is not None and (here := p / (1 - p) * math.exp(min(found[0], 50.0))) > odds:
            best, odds = (pair, found[1]), here
    if best is None:
        return None
    return _found(one, *best, odds / (1 + odds), beliefs)


def _gain(
    one: _Approach,
    steps: _Steps,
    options: Sequence[tuple[float, float | None]],
    beliefs: _Beliefs,
    pair: tuple[int, int],
    prior: float,
) -> tuple[float, tuple[float, ...]] | None:
    """By how much the best reading with the fault explains the approach better than what was heard [natural log]."""
    run, point = one.run, one.run.point
    as_heard = max(reading.log for reading in steps.readings([(value, None) for value in one.values]))
    heard = as_heard + beliefs.begins(one.values[0], run)
    if point:
        stall = one.stall(one.values)
        least = heard + beliefs.log(stall, point, run.id, None, pair)
        if beliefs.ceiling(point, run.id, pair) - least + math.log(prior) < 0:
            return None  # most runs: nothing is odd about them
        heard += beliefs.elsewhere(stall, one, pair)
    best, found = -math.inf, None
    for reading in steps.readings(options, pair):
        if reading.steps < as_heard - MAX_WORSE or not _all_through(one.values, reading.values, options):
            continue
        log = reading.log + beliefs.begins(reading.values[0], run)
        if point:
            log += beliefs.log(one.stall(reading.values), point, run.id, pair, pair)
        if log > best:
            best, found = log, reading.values
    return None if found is None else (best - heard, found)


def _all_through(
    heard: Sequence[float], values: Sequence[float], options: Sequence[tuple[float, float | None]]
) -> bool:
    """Whether most of what may be the fault from its first call on is: else it is single calls that are wrong."""
    changed = [a != b for a, b in zip(heard, values)]
    if sum(changed) < MIN_CHANGED:
        return False
    able = sum(other is not None for _, other in options[changed.index(True) :])
    return 2 * sum(changed) > able


@dataclass(frozen=True, slots=True)
class _Reading:
    """Calls up to one of them, read in some way: the last that is believed, and how likely it all is [natural log]."""

    values: tuple[float, ...] = ()
    log: float = 0.0
    steps: float = 0.0  # the part of `log` that the steps from call to call have
    last: int = -1


class _Steps:
    """How likely an approach moves from call to call as it does."""

    def __init__(self, one: _Approach, kt: float):
        self.times_s, self.kt = one.times_s, kt
        pairs = list(zip(one.times_s, one.times_s[1:], one.values, one.values[1:]))
        rates = [(a - b) / max(0.2, at - before) for before, at, a, b in pairs if abs(a - b) <= 6 * kt]
        self.rate = min(max(median(rates) if rates else kt, 0.2 * kt), 3.0 * kt)

    def step(self, before: int, after: int, value: float, next_value: float) -> float:
        """Natural log of a step, 0 for the likeliest."""
        dt = max(0.2, self.times_s[after] - self.times_s[before])
        sd = math.hypot(STEP_SD_KT, RATE_SD_KT_PER_S * dt) * self.kt
        far = max(ANYWHERE, 1 - math.exp(-max(0.0, dt - GAP_S) / GAP_FADE_S))
        off = (next_value - value + self.rate * dt) / sd
        return math.log(
            (1 - far) * math.exp(-0.5 * off * off) + far * sd * math.sqrt(2 * math.pi) / (DIAL_KT * self.kt)
        )

    def smooth(self, values: Sequence[float]) -> bool:
        """Whether no step is odd."""
        return all(self.step(k, k + 1, *pair) > NOTHING_ODD for k, pair in enumerate(zip(values, values[1:])))

    def readings(
        self, options: Sequence[tuple[float, float | None]], pair: tuple[int, int] | None = None
    ) -> list[_Reading]:
        """The likeliest reading for each way of reading the last call. Any call may be wrong by itself."""
        paths = [_Reading()]
        for k, (value, other) in enumerate(options):
            # Who has the fault may still have said this one as it should be.
            usual = math.log(1 - HEARD_AS_OTHER) if pair and read_as(value, pair[1], pair[0]) is not None else 0.0
            longer = [self._longer(paths, k, value, usual)]
            if other is not None:
                longer.append(self._longer(paths, k, other, math.log(HEARD_AS_OTHER)))
            best = max(paths, key=lambda path: path.log)
            slip = _Reading((*best.values, value), best.log + SLIP, best.steps + SLIP, best.last)
            paths = [*longer, slip]
        return paths

    def _longer(self, paths: Sequence[_Reading], k: int, value: float, log: float) -> _Reading:
        ends = []
        for path in paths:
            step = self.step(path.last, k, path.values[path.last], value) if path.last >= 0 else 0.0
            ends.append(_Reading((*path.values, value), path.log + log + step, path.steps + step, k))
        return max(ends, key=lambda end: end.log)


# ---- words --------------------------------------------------------------------------------------------------


def _found(one: _Approach, pair: tuple[int, int], values: Sequence[float], p: float, beliefs: _Beliefs) -> WrongDecade:
    changed = tuple((c.id, v) for c, was, v in zip(one.calls, one.values, values) if was != v)
    ids = {id for id, _ in changed}
    return WrongDecade(
        run=one.run.id,
        runs=tuple(run.id for run in one.parts if any(call.id in ids for call in run.calls)),
        heard=pair[0],
        meant=pair[1],
        calls=changed,
        p=p,
        stall_kt=to_kt(one.stall(values), beliefs.unit),
        heard_stall_kt=to_kt(one.stall(one.values), beliefs.unit),
        why=_why(one, pair, values, beliefs),
        explains=tuple(call.id for call in one.calls),
    )


def _why(one: _Approach, pair: tuple[int, int], values: Sequence[float], beliefs: _Beliefs) -> str:
    """``All of this run's sixties read as fifties would fit: stall 52 as in the 6 other runs of A1; heard 62``."""
    able = [k for k, was in enumerate(one.values) if read_as(was, *pair) is not None]
    changed = [k for k in able if one.values[k] != values[k]]
    heard, meant = "tens" if pair[1] == TEEN else NAMES[pair[0]], NAMES[pair[1]]
    which = f"{len(changed)} of this run's {heard}"
    if able[-len(changed) :] == changed:
        from_on = f" from {one.values[changed[0]]:.0f} on" if able != changed else ""
        which = f"All of this run's {heard}{from_on}"
    point, run, stall = one.run.point or "", one.run.id, one.stall(values)
    unit, kt = beliefs.unit, beliefs.kt
    alike = [x for x in beliefs.others(point, run, None, stall) if abs(x - stall) <= ALIKE_KT * kt]
    others = "the other run" if len(alike) == 1 else f"the {len(alike)} other runs"
    fits = [f"stall {stall:.0f} {unit}" + (f" as in {others} of {point}" if alike else "")]
    if point in beliefs.plan and abs(beliefs.plan[point] - stall) <= 2 * PLAN_SD_KT * kt:
        fits.append(f"{beliefs.plan[point]:.0f} expected at {point}")
    jumps = [k for k in changed if k and one.values[k] - one.values[k - 1] > JUMP_KT * kt]
    if jumps and values[jumps[0]] <= values[jumps[0] - 1]:
        fits.append(f"no jump from {one.values[jumps[0] - 1]:.0f} up to {one.values[jumps[0]]:.0f}")
    return f"{which} read as {meant} would fit: {', '.join(fits)}; heard {one.stall(one.values):.0f}"

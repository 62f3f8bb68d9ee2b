"""Runs that may stand at the wrong test point, and why: from what was called, how often, and how fast it stalled. Pure.

Runs flown one after another with nothing called between them stand or fall together: a set-up. Each set-up is weighed
against the points that it may have been instead, by what the settings make likely (`domain.points`) and by its stall
speed beside those of the other runs and the plan's expectations. Main names: `Misplaced`, `misplaced_runs`.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median

from logger_app.domain.approach_curve import stall_estimate_kt
from logger_app.domain.settings import ITEMS, setting_words
from logger_app.records.calls import CallKind, ReviewedCall
from logger_app.records.plan import TestPoint
from logger_app.records.runs import FlightRuns, Run
from logger_app.units import from_kt

# Scatter of one run's estimate, of set-ups at one point, of the plan's expectations [kt] (ours; common practice).
RUN_SD_KT, SET_UP_SD_KT, EXPECTED_SD_KT = 0.9, 0.5, 1.0
MIN_PEERS, MIN_FOR_OFFSET = 2, 4
# How often a call is missed or heard wrongly, so that a point that differs in one setting was flown; in two.
ONE_SETTING_WRONG, TWO_SETTINGS_WRONG = 0.01, 0.0005
# A set-up that is misplaced with at least this probability is shown.
SHOW_P_MISPLACED = 0.04
# A stall speed this many standard deviations from the others at its point is shown whatever else fits.
FAR_OUT = 4.0
# Runs of one set-up whose stall speeds are this many standard deviations apart were two.
PARTED = 3.3
# An item that is called before this share of set-ups is missed where it was not called.
HABIT_SHARE, MIN_SET_UPS, P_HABIT_BROKEN = 0.8, 4, 0.3
P_TOO_MANY, P_MOVED = 0.2, 0.1
# Without an estimate of the difference between two points: what it may be [kt].
USUAL_DIFFERENCE_KT = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Misplaced:
    """Runs that may belong elsewhere: `point` is where they stand, `rival` where they would fit.

    `effect_kt` is the difference between the two, `p` the probability that they are misplaced, `cause` the call that
    put them there, if it was one.
    """

    runs: tuple[str, ...]
    point: str | None
    rival: str | None
    why: tuple[str, ...]
    p: float
    effect_kt: float
    cause: str | None = None


@dataclass
class _SetUp:
    """Runs with nothing called between them, and what was called before the first."""

    runs: list[Run]
    items: set[str]
    carded: bool
    speeds: dict[str, float] = field(default_factory=dict)

    @property
    def first(self) -> Run:
        return self.runs[0]

    @property
    def point(self) -> str | None:
        return self.first.point

    @property
    def kept(self) -> list[Run]:
        return [run for run in self.runs if not run.discarded]

    @property
    def speed_kt(self) -> float | None:
        return median(self.speeds.values()) if self.speeds else None


def misplaced_runs(
    runs: FlightRuns,
    calls: Sequence[ReviewedCall],
    points: Sequence[TestPoint],
    peers: Mapping[str, Sequence[float]],
    unit: str = "kt",
) -> list[Misplaced]:
    """Set-ups, and single runs, whose test point deserves a look.

    Parameters
    ----------
    peers : mapping of str to sequence of float
        Stall speeds of other flights in the same configuration, by point: median of each set-up [kt].
    """
    set_ups = _set_ups(runs, calls)
    by_id = {point.id: point for point in points}
    expected = _Expected(set_ups, by_id, peers)
    found = [_check(set_up, set_ups, by_id, expected, unit) for set_up in set_ups]
    found += [_stands_out(run, set_up, set_ups, expected, unit) for set_up in set_ups for run in set_up.kept]
    return [one for one in found if one is not None]


def peers_of(runs: FlightRuns, calls: Sequence[ReviewedCall]) -> list[tuple[str, float]]:
    """The stall speed of each set-up of a flight, with its point: what another flight is compared with [kt]."""
    pairs = [(set_up.point, set_up.speed_kt) for set_up in _set_ups(runs, calls)]
    return [(point, kt) for point, kt in pairs if point is not None and kt is not None]


# ---- set-ups ------------------------------------------------------------------------------------------


def _set_ups(runs: FlightRuns, calls: Sequence[ReviewedCall]) -> list[_SetUp]:
    said = sorted((c for c in calls if c.counts), key=lambda c: c.flight_ns)
    times_ns = [c.flight_ns for c in said]
    found: list[_SetUp] = []
    doubted = {id for id, _ in runs.doubts}
    before_ns = -1
    for run in runs.runs:
        first_ns = next((c.flight_ns for c in run.calls if c.kind is CallKind.AIRSPEED), run.start_ns)
        since = said[bisect_right(times_ns, before_ns) : bisect_right(times_ns, first_ns)]
        between = [c for c in since if c.id not in doubted]
        items = {c.name for c in between if c.kind is CallKind.SETTING and c.name in ITEMS}
        carded = any(c.kind is CallKind.COMMAND and c.name in ("next_card", "previous_card", "card") for c in between)
        before_ns = run.end_ns
        if found and not items and not carded and run.point == found[-1].point:
            found[-1].runs.append(run)
        else:
            found.append(_SetUp([run], items, carded))
        if not run.discarded and (speed := stall_estimate_kt(run)) is not None:
            found[-1].speeds[run.id] = speed
    return [part for set_up in found for part in _parted_by_speed(set_up)]


def _parted_by_speed(set_up: _SetUp) -> list[_SetUp]:
    """Two set-ups where the stall speed jumps between two runs that nothing was called between."""
    runs = [run for run in set_up.runs if run.id in set_up.speeds]
    best, at = 0.0, 0
    for k in range(1, len(runs)):
        left, right = ([set_up.speeds[run.id] for run in part] for part in (runs[:k], runs[k:]))
        apart = abs(sum(left) / len(left) - sum(right) / len(right))
        z = apart / (RUN_SD_KT * math.sqrt(1 / len(left) + 1 / len(right)))
        if z > best:
            best, at = z, k
    if best < PARTED or min(at, len(runs) - at) < MIN_PEERS:
        return [set_up]
    k = set_up.runs.index(runs[at])
    parts = (_SetUp(set_up.runs[:k], set_up.items, set_up.carded), _SetUp(set_up.runs[k:], set(), False))
    for part in parts:
        part.speeds |= {run.id: set_up.speeds[run.id] for run in part.runs if run.id in set_up.speeds}
    return list(parts)


class _Expected:
    """What a point is likely to stall at, from the other set-ups, from the plan, from its wings-level sibling."""

    def __init__(
        self, set_ups: Sequence[_SetUp], points: Mapping[str, TestPoint], peers: Mapping[str, Sequence[float]]
    ):
        self.points, self.peers, self.set_ups = points, peers, set_ups
        off = [
            kt - planned
            for set_up in set_ups
            for kt in set_up.speeds.values()
            if (here := points.get(set_up.point or "")) and (planned := here.expected_stall_ias_kt) is not None
        ]
        self.offset_kt = median(off) if len(off) >= MIN_FOR_OFFSET else None

    def of(self, point: str, without: _SetUp) -> tuple[float, float] | None:
        """Expected stall speed and its standard deviation [kt], not counting one set-up; None where not known."""
        seen = [s.speed_kt for s in self.set_ups if s is not without and s.point == point and s.speed_kt is not None]
        seen += self.peers.get(point, ())
        planned = self.points[point].expected_stall_ias_kt if point in self.points else None
        guess = (
            (planned + self.offset_kt, EXPECTED_SD_KT) if planned is not None and self.offset_kt is not None else None
        )
        if not seen:
            return guess or self._from_level(point, without)
        mean, sd = median(seen), SET_UP_SD_KT * math.sqrt(1 + 1 / len(seen))
        if guess is None:
            return mean, sd
        # Both say something: the plan keeps a few misplaced runs from vouching for each other.
        w_seen, w_guess = 1 / sd**2, 1 / guess[1] ** 2
        return (mean * w_seen + guess[0] * w_guess) / (w_seen + w_guess), max(sd, abs(mean - guess[0]) / 2)

    def _from_level(self, point: str, without: _SetUp) -> tuple[float, float] | None:
        """A turning stall from the same set-up with the wings level: load factor 1 / cos(bank)."""
        here = self.points.get(point)
        if here is None or here.bank_deg == 0 or abs(here.bank_deg) >= 80:
            return None
        for other in self.points.values():
            if other.bank_deg == 0 and (other.power, other.flap_deg) == (here.power, here.flap_deg):
                level = self.of(other.id, without)
                if level is None:
                    return None
                return level[0] / math.sqrt(math.cos(math.radians(here.bank_deg))), math.hypot(level[1], 1.0)
        return None


# ---- checks ---------------------------------------------------------------------------------------------


def _check(
    set_up: _SetUp, all_of_them: Sequence[_SetUp], points: Mapping[str, TestPoint], expected: _Expected, unit: str
) -> Misplaced | None:
    here = points.get(set_up.point or "")
    if not set_up.kept or here is None or set_up.first.point_why.startswith("assigned"):
        return None
    p, rival = _p_elsewhere(set_up, here, points, expected)
    why = []
    if set_up.first.looked_back:
        # Nothing moves without a word: what was called alone says something else.
        why.append(f"{set_up.first.point_why}; in flight it was {set_up.first.point_then or 'at no point'}")
        p, rival = max(p, P_MOVED), set_up.first.point_then or rival
    elif p < SHOW_P_MISPLACED:
        rival = None  # what else is odd about the set-up says nothing of where it would fit
    else:
        why.append(_words_of_doubt(set_up, here, points.get(rival or ""), expected, unit))
    wanted = here.runs_wanted
    if len(set_up.kept) > wanted and len(points) > 1:
        why.append(f"{len(set_up.kept)} runs in a row where {wanted} are wanted: was a call missed between them?")
        p = max(p, P_TOO_MANY)
    for item in _habits_broken(set_up, all_of_them):
        why.append(f"{item} was not called before it, as it was before the others: still {_item_words(item, here)}?")
        p = max(p, P_HABIT_BROKEN)
    if not why:
        return None
    difference = _difference_kt(here.id, rival, set_up, expected)
    return Misplaced(
        runs=tuple(run.id for run in set_up.kept),
        point=here.id,
        rival=rival,
        why=tuple(why),
        p=p,
        effect_kt=difference,
        cause=set_up.first.point_cause,
    )


def _p_elsewhere(
    set_up: _SetUp, here: TestPoint, points: Mapping[str, TestPoint], expected: _Expected
) -> tuple[float, str | None]:
    """Probability that a set-up was flown at another point, and the likeliest other."""
    share = min(run.point_share for run in set_up.runs)
    shares = dict(set_up.first.rivals)
    fit_here = _log_fit(set_up, here.id, expected)
    odds = {}
    for other in points.values():
        if other.id == here.id:
            continue
        differs = sum(_item_of(other, item) != _item_of(here, item) for item in ITEMS)
        slip = ONE_SETTING_WRONG if differs == 1 else TWO_SETTINGS_WRONG
        prior = max(shares.get(other.id, 0.0) / max(share, 1e-6), slip)
        fit = _log_fit(set_up, other.id, expected)
        gain = 0.0 if fit is None or fit_here is None else fit - fit_here
        odds[other.id] = prior * math.exp(min(20.0, gain))
    if not odds:
        return 0.0, None
    rival = max(odds, key=lambda id: odds[id])
    # What is only possible in principle does not add up to a doubt.
    total = sum(o for o in odds.values() if o > TWO_SETTINGS_WRONG * 2 and o > ONE_SETTING_WRONG)
    return total / (1 + total), rival


def _log_fit(set_up: _SetUp, point: str, expected: _Expected) -> float | None:
    likely, speed = expected.of(point, set_up), set_up.speed_kt
    if likely is None or speed is None:
        return None
    sd = math.hypot(likely[1], RUN_SD_KT / math.sqrt(len(set_up.speeds)))
    return -0.5 * ((speed - likely[0]) / sd) ** 2 - math.log(sd)


def _habits_broken(set_up: _SetUp, all_of_them: Sequence[_SetUp]) -> list[str]:
    """What is called before most set-ups and was not before this one."""
    called = [s for s in all_of_them if s.items]
    if len(called) < MIN_SET_UPS or not set_up.items or set_up.carded:
        return []
    return [
        item
        for item in ITEMS
        if item not in set_up.items and sum(item in s.items for s in called) >= HABIT_SHARE * len(called)
    ]


def _stands_out(
    run: Run, set_up: _SetUp, all_of_them: Sequence[_SetUp], expected: _Expected, unit: str
) -> Misplaced | None:
    """One run far from the others of its point, whatever it was."""
    speed = set_up.speeds.get(run.id)
    if speed is None or run.point is None or run.overruled is not None:
        return None
    others = [kt for id, kt in set_up.speeds.items() if id != run.id]
    if len(others) < MIN_PEERS:
        others = [kt for s in all_of_them if s.point == run.point for id, kt in s.speeds.items() if id != run.id]
        others += expected.peers.get(run.point, ())
    if len(others) < MIN_PEERS:
        return None
    middle = median(others)
    spread = (max(others) - min(others)) / 4
    scatter = max(RUN_SD_KT, spread, 1.4826 * median(abs(kt - middle) for kt in others))
    if abs(speed - middle) < FAR_OUT * scatter:
        return None
    low, high = from_kt(min(others), unit), from_kt(max(others), unit)
    words = f"{from_kt(speed, unit):.1f} {unit} among {low:.0f} to {high:.0f} at {run.point}: are its last calls right?"
    return Misplaced(
        runs=(run.id,), point=run.point, rival=None, why=(words,), p=0.5, effect_kt=abs(speed - middle), cause=None
    )


def _difference_kt(point: str, rival: str | None, set_up: _SetUp, expected: _Expected) -> float:
    here, there = expected.of(point, set_up), expected.of(rival, set_up) if rival else None
    return abs(here[0] - there[0]) if here and there else USUAL_DIFFERENCE_KT


# ---- words ----------------------------------------------------------------------------------------------


def _words_of_doubt(set_up: _SetUp, here: TestPoint, rival: TestPoint | None, expected: _Expected, unit: str) -> str:
    """The likely reason in words: ``55.5 mph where 51 is likely at A1; D1 (bank 30 left) would fit: ...``."""
    run = set_up.first
    likely, speed = expected.of(here.id, set_up), set_up.speed_kt
    far = likely and speed is not None and abs(speed - likely[0]) > 2 * math.hypot(likely[1], RUN_SD_KT)
    if far and likely and speed is not None:
        start = f"{from_kt(speed, unit):.1f} {unit} where {from_kt(likely[0], unit):.0f} is likely at {here.id}"
    else:
        start = f"at {here.id} ({run.point_why})"
    if rival is None:
        return start
    items = [item for item in ITEMS if _item_of(rival, item) != _item_of(here, item)]
    differs = ", ".join(_item_words(item, rival) for item in items)
    missed = " or ".join(items)
    return f"{start}; {rival.id} ({differs}) would fit: was a {missed} call missed or misheard?"


def _item_of(point: TestPoint, item: str) -> object:
    return (point.power, point.power_rpm, point.power_pct) if item == "power" else getattr(point, f"{item}_deg")


def _item_words(item: str, point: TestPoint) -> str:
    if item == "power":
        return "power idle" if point.power == "idle" else f"power {point.power}"
    return setting_words(item, getattr(point, f"{item}_deg"))

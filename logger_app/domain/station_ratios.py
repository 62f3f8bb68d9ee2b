"""At what ratio to the run's own stall speed each station let go: the language in which generations can be compared.

Pure. A ratio of the same needle in the same run, so that airspeed error nearly cancels. Between the last look with the
tuft attached and the first with it separated lies a bracket; the middle of it is used, both bounds are kept.
Main names: `StationRatio`, `Release`, `station_ratios`, `wings_in_runs`; of another generation's marks `RatioMark`,
`ratio_marks`, `states_at`.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

from logger_app.domain.tufts import Bracket, RunMarks, TuftState, bracket_of, in_force, station_order

Span = tuple[float, float]  # slow and fast bound [kt]
# Ratios to the stall speed from which a station counts as letting go early, and as letting go in good time.
EARLY_RATIO, MIDDLE_RATIO = 1.10, 1.05
# Looks are at the same ratio to the stall speed when they are this near; ours.
SAME_RATIO = 0.02


class Release(StrEnum):
    """How early a station let go, in words; each is drawn with a colour and a pattern of its own."""

    EARLY = "let go at 1.1 times the stall speed or faster"
    MIDDLE = "from 1.05"
    LATE = "nearer the stall"
    AFTER = "only after the stall"
    NEVER = "never seen separated"


@dataclass(frozen=True, slots=True, kw_only=True)
class StationRatio:
    """One station of one wing in one configuration, over the runs that showed it.

    `ratio`, `low_ratio` and `high_ratio` are means over the runs in which it separated before the stall; None where it
    never did. `first_in` counts the runs in which no other station of that wing is known to have let go faster, `alone_in`
    those in which every other is known to have held longer: two that let go between the same looks are not told apart.
    `after` counts the runs in which it separated after the stall only, `reattached` those in which it was attached again at
    a later look before the stall.
    """

    configuration: str
    wing: str
    station: str
    runs: int
    separated: int
    first_in: int
    ratio: float | None = None
    low_ratio: float | None = None
    high_ratio: float | None = None
    after: int = 0
    reattached: int = 0
    alone_in: int = 0

    @property
    def release(self) -> Release:
        """Its class, by the mean over its runs."""
        if self.ratio is None:
            return Release.AFTER if self.after else Release.NEVER
        return (
            Release.EARLY
            if self.ratio >= EARLY_RATIO
            else Release.MIDDLE
            if self.ratio >= MIDDLE_RATIO
            else Release.LATE
        )

    @property
    def words(self) -> str:
        """What was seen: ``1.12 Vs, 7 of 8 runs, reattached in 2``."""
        seen = f"{self.ratio:.2f} Vs" if self.ratio else "not before the stall"
        count = f"{self.separated} of {self.runs} runs"
        more = [f"reattached in {self.reattached}"] if self.reattached else []
        more += [f"after the stall in {self.after}"] if self.after else []
        return ", ".join((seen, count, *more))

    @property
    def span_pct(self) -> float | None:
        """Place along the span; None for a station of another form."""
        return _part(self.station, 0)

    @property
    def chord_pct(self) -> float | None:
        """Place along the chord; None for a station of another form."""
        return _part(self.station, 1)


def _part(station: str, k: int) -> float | None:
    try:
        return float(station.split("/")[k])
    except (ValueError, IndexError):
        return None


def station_ratios(
    marked: Iterable[RunMarks], stall_ias_kt: Mapping[tuple[str, str], float | None]
) -> tuple[StationRatio, ...]:
    """Ratios of every station of every wing, by configuration.

    Parameters
    ----------
    marked : iterable of RunMarks
        Marks that name no wing are left out.
    stall_ias_kt : mapping of (flight, run) to float
        Indicated stall speed of each run [kt].
    """
    seen: dict[tuple[str, str, str], list[tuple[float, float, float] | None]] = {}
    first: dict[tuple[str, str, str], int] = {}
    alone: dict[tuple[str, str, str], int] = {}
    rest: dict[tuple[str, str, str], list[Bracket]] = {}
    for one in marked:
        stall = stall_ias_kt.get((one.flight, one.run))
        if not stall:
            continue
        for wing, brackets in _by_wing(one).items():
            speeds = {name: _middle(b) for name, b in brackets.items()}
            could, surely = _first(brackets)
            for name, speed in speeds.items():
                key = (one.configuration, wing, name)
                seen.setdefault(key, []).append(tuple(kt / stall for kt in speed) if speed else None)  # type: ignore[arg-type]
                first[key] = first.get(key, 0) + (name in could)
                alone[key] = alone.get(key, 0) + (name in surely)
                rest.setdefault(key, []).append(brackets[name])
    return tuple(
        replace(_ratio(key, values, first[key], rest[key]), alone_in=alone[key])
        for key, values in sorted(seen.items(), key=lambda item: (item[0][:2], station_order(item[0][2])))
    )


def _first(brackets: Mapping[str, Bracket]) -> tuple[set[str], set[str]]:
    """Of one wing in one run: the stations that may have let go first, and the one that surely did."""
    gone = {name: b.separated_kt for name, b in brackets.items() if b.separated_kt is not None}
    held = {
        name: math.inf if brackets[name].attached_kt is None else brackets[name].attached_kt or 0.0 for name in gone
    }
    could = {name for name in gone if all(held[name] > kt for other, kt in gone.items() if other != name)}
    return could, {name for name in could if len(could) == 1}


def wings_in_runs(marked: Iterable[RunMarks]) -> tuple[tuple[str, dict[str, tuple[Span | None, Span | None]]], ...]:
    """Of each run with both wings: its configuration, and by station between which speeds the left and the right wing let go.

    A bound is [kt]; the fast one is infinite where the tuft was separated at the first look.
    """
    found = []
    for one in marked:
        wings = _by_wing(one)
        if {"left", "right"} <= set(wings):
            left, right = ({name: _span(b) for name, b in wings[side].items()} for side in ("left", "right"))
            both = {name: (left[name], right[name]) for name in sorted(set(left) & set(right), key=station_order)}
            found.append((one.configuration, both))
    return tuple(found)


def _by_wing(one: RunMarks) -> dict[str, dict[str, Bracket]]:
    held = [mark for mark in in_force(one.marks) if not mark.proposed]  # what nobody has confirmed is not counted
    found: dict[str, dict[str, Bracket]] = {}
    for wing in sorted({mark.wing for mark in held if mark.wing}):
        mine = [mark for mark in held if mark.wing == wing]
        for station in {mark.station for mark in mine}:
            bracket = bracket_of(mine, station)
            if bracket is not None:
                found.setdefault(wing, {})[station] = bracket
    return found


def _span(bracket: Bracket) -> Span | None:
    """Between which speeds it let go before the stall [kt]; None where it did not."""
    if bracket.separated_kt is None:
        return None
    return bracket.separated_kt, math.inf if bracket.attached_kt is None else bracket.attached_kt


def _middle(bracket: Bracket) -> tuple[float, float, float] | None:
    """(middle, low, high) of a first separation before the stall [kt]; None where there was none."""
    if bracket.separated_kt is None:
        return None
    high = bracket.attached_kt if bracket.attached_kt is not None else bracket.separated_kt
    return (bracket.separated_kt + high) / 2, bracket.separated_kt, high


def _ratio(
    key: tuple[str, str, str], values: list[tuple[float, float, float] | None], first_in: int, brackets: list[Bracket]
) -> StationRatio:
    known = [value for value in values if value is not None]
    means = [sum(column) / len(known) for column in zip(*known)] if known else [None, None, None]
    return StationRatio(
        configuration=key[0],
        wing=key[1],
        station=key[2],
        runs=len(values),
        separated=len(known),
        first_in=first_in,
        ratio=means[0],
        low_ratio=means[1],
        high_ratio=means[2],
        after=sum(one.after for one in brackets),
        reattached=sum(one.reattached for one in brackets),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class RatioMark:
    """A decided state of a station, and at what ratio to its own run's stall speed it was seen."""

    wing: str
    station: str
    ratio: float
    state: TuftState


@dataclass(frozen=True, slots=True, kw_only=True)
class Ghost:
    """What was seen on another configuration, for showing faint under the marks of this one."""

    configuration: str
    marks: tuple[RatioMark, ...]


def ratio_marks(
    marked: Iterable[RunMarks], stall_ias_kt: Mapping[tuple[str, str], float | None]
) -> tuple[RatioMark, ...]:
    """Every decided mark before the stall, by ratio. Parameters as of `station_ratios`."""
    found = []
    for one in marked:
        stall = stall_ias_kt.get((one.flight, one.run))
        for mark in in_force(one.marks) if stall else ():
            if not mark.proposed and mark.ias_kt is not None and stall:
                found.append(
                    RatioMark(wing=mark.wing, station=mark.station, ratio=mark.ias_kt / stall, state=mark.state)
                )
    return tuple(found)


def states_at(marks: Iterable[RatioMark], ratio: float, wing: str) -> dict[str, TuftState]:
    """The commonest state of each station near a ratio; a tie says nothing.

    Parameters
    ----------
    ratio : float
        Of the airspeed to the stall speed.
    wing : str
        ``left`` or ``right``; where it is not known on either side it is not asked.
    """
    seen: dict[str, Counter[TuftState]] = {}
    for mark in marks:
        if abs(mark.ratio - ratio) <= SAME_RATIO and (not wing or not mark.wing or mark.wing == wing):
            seen.setdefault(mark.station, Counter())[mark.state] += 1
    found = {}
    for station, states in seen.items():
        first, *second = states.most_common(2)
        if not second or first[1] > second[0][1]:
            found[station] = first[0]
    return found

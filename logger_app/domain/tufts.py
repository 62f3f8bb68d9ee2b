"""What tufts did: a mark is one station on one frame of a run, a camera and a wing; from marks, when each station first separated.

A map belongs to one test point, one configuration and one view (a camera, and the wing that it shows); marks
of anything else stay out. Nothing is known more exactly than the looks allow: between the last look with a
tuft attached and the first with it separated lies a bracket, in every run. Pure.

Main names: `TuftState`, `TuftMark`, `in_force`, `disputes`, `Bracket`, `bracket_of`, `FirstSeparated`, `WingMap`,
`wing_maps`, `StationDifference`, `differences`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum


class TuftState(StrEnum):
    """How a tuft moves, least to most separated; the wording is the handbook's, section 7."""

    ATTACHED = "attached"  # steady, aligned with the local flow (small flutter)
    UNSTEADY = "unsteady"  # large oscillation, still mainly aft
    SEPARATED = "separated"  # whipping, lifting from the surface, random
    REVERSED = "reversed"  # points forward of 90 deg to the local chord line, tip toward the leading edge
    NOT_VISIBLE = "not visible"  # lost or obscured


STATES = tuple(TuftState)
SEPARATED_STATES = frozenset({TuftState.SEPARATED, TuftState.REVERSED})
# Two people looked at the same thing when their frames are this near; ours [ns].
SAME_LOOK_NS = 200_000_000
# A bracket is widened by so many standard uncertainties of the speed: about 95 %.
COVERAGE = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TuftMark:
    """One station on one frame. `proposed`: the assist named it and nobody decided.

    `ias_kt` is the indicated airspeed then and `ias_u_kt` its standard uncertainty; after the stall there is no
    speed, and `to_stall_s` (negative before) says so. `settles`: decided knowing that people had disagreed;
    `withdrawn`: the decision was taken back, what the assist proposed holds again.
    """

    flight_ns: int
    camera: str
    frame_pts: int
    station: str
    state: TuftState
    ias_kt: float | None = None
    ias_u_kt: float = 0.0
    to_stall_s: float | None = None
    who: str = ""
    proposed: bool = False
    confidence: float | None = None
    run: str = ""
    wing: str = ""
    settles: bool = False
    withdrawn: bool = False

    @property
    def after_stall(self) -> bool:
        """Whether it was seen after the stall, where no speed can be given."""
        return self.to_stall_s is not None and self.to_stall_s > 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Dispute:
    """Two people gave one station different states in the same look, and nobody has settled it."""

    marks: tuple[TuftMark, ...]

    @property
    def station(self) -> str:
        """Which station."""
        return self.marks[0].station

    @property
    def words(self) -> str:
        """Who said what."""
        return ", ".join(f"{mark.who or 'somebody'}: {mark.state}" for mark in self.marks)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bracket:
    """First separation of one station in one run.

    `attached_kt` is the speed at the last look before it with the tuft not separated, `separated_kt` at the first
    look with it separated; None where there was none, or no speed. `low_kt` and `high_kt` bound the speed at which
    it separated, the uncertainty of the speeds included; None is no bound. `after`: it separated after the stall.
    `reattached`: at a later look before the stall it was no longer separated.
    """

    flight: str = ""
    run: str = ""
    attached_kt: float | None = None
    separated_kt: float | None = None
    low_kt: float | None = None
    high_kt: float | None = None
    separated: bool = False
    after: bool = False
    proposed: bool = False
    reattached: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstSeparated:
    """First separation of a station over its runs.

    `low_kt` and `high_kt` bound the mean over the runs: the means of the bounds, None where one run has none.
    `mean_kt` and `sd_kt` are of a normal distribution fitted to the brackets, None where they do not tell;
    `disputed` looks are left out until they are settled.
    """

    station: str
    runs: tuple[Bracket, ...] = ()
    low_kt: float | None = None
    high_kt: float | None = None
    mean_kt: float | None = None
    sd_kt: float | None = None
    proposed: bool = False
    disputed: int = 0

    @property
    def separated(self) -> int:
        """In how many runs it was seen separated."""
        return sum(one.separated for one in self.runs)

    @property
    def after(self) -> int:
        """In how many runs it separated after the stall."""
        return sum(one.after for one in self.runs)


@dataclass(frozen=True, slots=True, kw_only=True)
class WingMap:
    """One configuration's first separations at a test point, as one view shows them. `view` names wing and camera."""

    point: str
    configuration: str
    view: str
    first: tuple[FirstSeparated, ...]
    states: tuple[TuftMark, ...] = ()  # that hold, with a speed, fast to slow

    def station(self, name: str) -> FirstSeparated | None:
        """A station's, or None."""
        return next((one for one in self.first if one.station == name), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class StationDifference:
    """First separation, changed minus reference [kt]: negative is a later separation. None is no bound."""

    station: str
    low_kt: float | None
    high_kt: float | None
    proposed: bool = False

    @property
    def middle_kt(self) -> float | None:
        """Half way between the bounds."""
        return None if self.low_kt is None or self.high_kt is None else (self.low_kt + self.high_kt) / 2

    @property
    def shown(self) -> bool:
        """Whether the sign of the difference is certain."""
        return (self.low_kt is not None and self.low_kt > 0) or (self.high_kt is not None and self.high_kt < 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class RunMarks:
    """All marks of one run, in the order of the journal."""

    flight: str
    run: str
    configuration: str
    point: str
    marks: tuple[TuftMark, ...]


def in_force(marks: Iterable[TuftMark]) -> tuple[TuftMark, ...]:
    """What holds of each station on each frame: the last decision, else the last proposal.

    Parameters
    ----------
    marks : iterable of TuftMark
        Of one flight, in the order of the journal.

    Returns
    -------
    tuple of TuftMark
        One a run, camera, frame and station, in order of their first mention.
    """
    held: dict[tuple, TuftMark] = {}
    for mark in _not_withdrawn(marks):
        if not mark.proposed or _key(mark) not in held or held[_key(mark)].proposed:
            held[_key(mark)] = mark
    return tuple(held.values())


def _key(mark: TuftMark) -> tuple:
    return mark.run, mark.camera, mark.frame_pts, mark.station


def _not_withdrawn(marks: Iterable[TuftMark]) -> list[TuftMark]:
    """Without the decisions that their makers took back, newest first."""
    kept: list[TuftMark] = []
    for mark in marks:
        if not mark.withdrawn:
            kept.append(mark)
            continue
        for k in range(len(kept) - 1, -1, -1):
            if not kept[k].proposed and kept[k].who == mark.who and _key(kept[k]) == _key(mark):
                del kept[k]
                break
    return kept


def disputes(marks: Iterable[TuftMark]) -> tuple[Dispute, ...]:
    """Stations to which two people gave different states in one look, as far as nobody has settled them since.

    Parameters
    ----------
    marks : iterable of TuftMark
        Of one flight, in the order of the journal.
    """
    looks: dict[tuple, list[TuftMark]] = {}
    for mark in _not_withdrawn(marks):
        if not mark.proposed:
            looks.setdefault((mark.run, mark.camera, mark.station), []).append(mark)
    found = []
    for decided in looks.values():
        held: list[TuftMark] = []
        for mark in decided:
            near = [m for m in held if abs(m.flight_ns - mark.flight_ns) <= SAME_LOOK_NS]
            gone = near if mark.settles else [m for m in near if m.who == mark.who and m.frame_pts == mark.frame_pts]
            held = [m for m in held if m not in gone]
            held.append(mark)
        for k, mark in enumerate(held):
            other = next(
                (
                    m
                    for m in held[:k]
                    if m.who != mark.who
                    and m.state is not mark.state
                    and abs(m.flight_ns - mark.flight_ns) <= SAME_LOOK_NS
                ),
                None,
            )
            if other is not None:
                found.append(Dispute(marks=(other, mark)))
    return tuple(found)


def bracket_of(marks: Iterable[TuftMark], station: str) -> Bracket | None:
    """First separation of a station in one run.

    Parameters
    ----------
    marks : iterable of TuftMark
        Standing ones of one run and one camera.

    Returns
    -------
    Bracket or None
        None where the station was never seen.
    """
    seen = [m for m in marks if m.station == station and m.state is not TuftState.NOT_VISIBLE]
    seen = sorted((m for m in seen if m.ias_kt is not None or m.after_stall), key=lambda m: m.flight_ns)
    if not seen:
        return None
    at = next((k for k, m in enumerate(seen) if m.state in SEPARATED_STATES), None)
    gone, before = (None, seen) if at is None else (seen[at], seen[:at])
    later = [] if at is None else seen[at + 1 :]
    clear = next((m for m in reversed(before) if m.ias_kt is not None), None)
    attached = clear.ias_kt if clear else None
    separated = gone.ias_kt if gone else None
    high = None if attached is None else max(attached, separated or attached)
    low = None if separated is None else min(separated, attached or separated)
    return Bracket(
        attached_kt=attached,
        separated_kt=separated,
        low_kt=None if low is None or gone is None else low - COVERAGE * gone.ias_u_kt,
        high_kt=None if high is None or clear is None else high + COVERAGE * clear.ias_u_kt,
        separated=gone is not None,
        after=gone is not None and separated is None,
        proposed=any(m is not None and m.proposed for m in (gone, clear)),
        reattached=any(m.ias_kt is not None and m.state not in SEPARATED_STATES for m in later),
    )


def implied_states(
    looks: Sequence[Mapping[str, TuftState]], stations: Iterable[str]
) -> tuple[dict[str, TuftState], ...]:
    """What the other looks of a run suggest for stations that a look leaves open: for a person to confirm.

    A station that is the same before and after is so between; one attached later was attached before. A tuft that
    reattached between two looks breaks this: nothing of it is known until somebody has looked.

    Parameters
    ----------
    looks : sequence of mapping
        States by station, fast to slow.

    Returns
    -------
    tuple of dict
        One a look: only stations that it leaves open.
    """
    names, found = tuple(stations), []
    for k, look in enumerate(looks):
        more = {}
        for name in names:
            if name in look:
                continue
            before = next((one[name] for one in reversed(looks[:k]) if name in one), None)
            after = next((one[name] for one in looks[k + 1 :] if name in one), None)
            if after is not None and after in (before, TuftState.ATTACHED):
                more[name] = after
        found.append(more)
    return tuple(found)


def first_separated(station: str, runs: Sequence[Bracket], disputed: int = 0) -> FirstSeparated:
    """Brackets of several runs put together."""
    lows, highs = [one.low_kt for one in runs], [one.high_kt for one in runs]
    fitted = censored_normal([(one.low_kt, one.high_kt) for one in runs])
    return FirstSeparated(
        station=station,
        runs=tuple(runs),
        low_kt=_mean(lows),
        high_kt=_mean(highs),
        mean_kt=fitted and fitted[0],
        sd_kt=fitted and fitted[1],
        proposed=any(one.proposed for one in runs),
        disputed=disputed,
    )


def wing_maps(marked: Iterable[RunMarks], point: str, configurations: Sequence[str]) -> tuple[WingMap, ...]:
    """Maps of a test point: of each configuration one a view, in the order of `configurations`.

    Parameters
    ----------
    marked : iterable of RunMarks
        Of any runs; those of other points and configurations are left out.
    """
    mine = [one for one in marked if one.point == point]
    made = []
    for name in configurations:
        runs = [one for one in mine if one.configuration == name]
        for view in sorted({view_of(mark) for one in runs for mark in one.marks}):
            made.append(_map(point, name, view, runs))
    return tuple(made)


def view_of(mark: TuftMark) -> str:
    """Which wing through which camera: stations are shares of what that camera shows, so that cameras are never merged."""
    return view_name(mark.wing, mark.camera)


def view_name(wing: str, camera: str) -> str:
    """The name of a view: ``left wing, strut``, or the camera alone where nobody said which wing."""
    return f"{wing} wing, {camera}" if wing else camera


def _map(point: str, configuration: str, view: str, runs: Sequence[RunMarks]) -> WingMap:
    brackets: dict[str, list[Bracket]] = {}
    disputed: dict[str, int] = {}
    states: list[TuftMark] = []
    for one in runs:
        marks = _not_withdrawn(mark for mark in one.marks if view_of(mark) == view)
        open_ones = disputes(marks)
        for dispute in open_ones:
            disputed[dispute.station] = disputed.get(dispute.station, 0) + 1
        out = {id(mark) for dispute in open_ones for mark in dispute.marks}
        held = [mark for mark in in_force(_settled(marks)) if id(mark) not in out]
        states += held
        for station in {mark.station for mark in held}:
            if (found := bracket_of(held, station)) is not None:
                brackets.setdefault(station, []).append(replace(found, flight=one.flight, run=one.run))
    names = sorted({*brackets, *disputed}, key=station_order)
    return WingMap(
        point=point,
        configuration=configuration,
        view=view,
        first=tuple(first_separated(name, brackets.get(name, []), disputed.get(name, 0)) for name in names),
        states=tuple(sorted((m for m in states if m.ias_kt is not None), key=lambda m: -(m.ias_kt or 0.0))),
    )


def _settled(marks: Sequence[TuftMark]) -> list[TuftMark]:
    """Without what a later settling mark has overruled."""
    if not any(mark.settles for mark in marks):
        return list(marks)
    return [
        mark
        for k, mark in enumerate(marks)
        if not any(
            later.settles
            and (later.run, later.camera, later.station) == (mark.run, mark.camera, mark.station)
            and abs(later.flight_ns - mark.flight_ns) <= SAME_LOOK_NS
            for later in marks[k + 1 :]
        )
    ]


def differences(reference: WingMap, changed: WingMap) -> tuple[StationDifference, ...]:
    """First separation of two maps compared, station by station: of those that both have."""
    found = []
    for one in reference.first:
        other = changed.station(one.station)
        if other is None:
            continue
        found.append(
            StationDifference(
                station=one.station,
                low_kt=None if other.low_kt is None or one.high_kt is None else other.low_kt - one.high_kt,
                high_kt=None if other.high_kt is None or one.low_kt is None else other.high_kt - one.low_kt,
                proposed=one.proposed or other.proposed,
            )
        )
    return tuple(found)


def pairs(maps: Sequence[WingMap]) -> tuple[tuple[WingMap, WingMap], ...]:
    """Maps to compare, (reference, changed): the first configuration's with the others' of the same view.

    Where each of two configurations has one view of a wing under different camera names, those are compared too;
    maps of one configuration are not.
    """
    if not maps:
        return ()
    first = [one for one in maps if one.configuration == maps[0].configuration]
    rest = [one for one in maps if one.configuration != maps[0].configuration]
    found = []
    for one in rest:
        same = [ref for ref in first if ref.view == one.view]
        wing = [ref for ref in first if _wing(ref) and _wing(ref) == _wing(one)]
        alone = (
            len(wing) == 1 and sum(_wing(o) == _wing(one) for o in rest if o.configuration == one.configuration) == 1
        )
        if same or alone:
            found.append(((same or wing)[0], one))
    return tuple(found)


def _wing(one: WingMap) -> str:
    wing, found, _ = one.view.partition(" wing, ")
    return wing if found else ""


def station_order(name: str) -> tuple:
    """Sorts station ids by span, then chord."""
    parts = name.split("/")
    try:
        return (0, *(float(part) for part in parts), name)
    except ValueError:
        return (1, name)


def place_words(station: str) -> str:
    """A station's place in words: ``30 % span, 50 % chord``."""
    span, _, chord = station.partition("/")
    try:
        return f"{float(span):g} % span, {float(chord):g} % chord"
    except ValueError:
        return station


def by_station(marks: Iterable[TuftMark]) -> Mapping[str, TuftMark]:
    """The last mark of each station."""
    return {mark.station: mark for mark in marks}


def censored_normal(brackets: Sequence[tuple[float | None, float | None]]) -> tuple[float, float] | None:
    """Mean and standard deviation of a normal distribution of which only brackets are known.

    Parameters
    ----------
    brackets : sequence of (float or None, float or None)
        Bounds of each value; None is no bound.

    Returns
    -------
    tuple of (float, float) or None
        Maximum likelihood; None with fewer than two bounded brackets, or where all overlap: then one value may lie
        behind them all, and no spread is known.

    Notes
    -----
    Expectation maximisation for interval-censored normal data (Dempster, Laird & Rubin, JRSS B 39, 1977, section 4,
    from memory): moments of the truncated normal in place of the values.
    """
    known = [b for b in brackets if b[0] is not None or b[1] is not None]
    closed = [(low, high) for low, high in known if low is not None and high is not None]
    if len(closed) < 2:
        return None
    low_most = max((low for low, _ in known if low is not None), default=-math.inf)
    if low_most <= min((high for _, high in known if high is not None), default=math.inf):
        return None
    middles = [(low + high) / 2 for low, high in closed]
    mean = sum(middles) / len(middles)
    sd = max(math.sqrt(sum((m - mean) ** 2 for m in middles) / len(middles)), 0.1)
    for _ in range(2000):
        moments = [_truncated(mean, sd, low, high) for low, high in known]
        new_mean = sum(m for m, _ in moments) / len(moments)
        variance = sum(v + (m - new_mean) ** 2 for m, v in moments) / len(moments)
        done = abs(new_mean - mean) + abs(math.sqrt(variance) - sd) < 1e-9
        mean, sd = new_mean, math.sqrt(max(variance, 1e-12))
        if done:
            break
    return mean, sd


def _truncated(mean: float, sd: float, low: float | None, high: float | None) -> tuple[float, float]:
    """Mean and variance of a normal value that lies between two bounds."""
    a = -math.inf if low is None else (low - mean) / sd
    b = math.inf if high is None else (high - mean) / sd
    mass = _cumulative(b) - _cumulative(a)
    if mass < 1e-12:  # far in a tail: the bound that is nearer
        at = low if high is None or (low is not None and abs(a) < abs(b)) else high
        return (mean if at is None else at), 0.0
    da, db = _density(a), _density(b)
    shift = (da - db) / mass
    edges = (0.0 if math.isinf(a) else a * da) - (0.0 if math.isinf(b) else b * db)
    return mean + sd * shift, max(sd**2 * (1 + edges / mass - shift**2), 0.0)


def _density(z: float) -> float:
    return 0.0 if math.isinf(z) else math.exp(-z * z / 2) / math.sqrt(2 * math.pi)


def _cumulative(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2))


def _mean(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return sum(known) / len(known) if known and len(known) == len(values) else None

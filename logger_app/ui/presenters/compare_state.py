"""Where a person is on the compare screen, and what must happen outside it. Pure records and the questions asked of them.

Main names: `CompareState`, `begin`, `span`, `wanted`, `marks_here`, `maps`, and the effects `Step` to `TurnRun`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from logger_app.domain.moments import Moment, ias_at, when
from logger_app.domain.station_ratios import Ghost, states_at
from logger_app.domain.tuft_grid import Grid
from logger_app.domain.tufts import Dispute, RunMarks, TuftMark, TuftState, WingMap, disputes, in_force, wing_maps
from logger_app.records.compare import Shown, SideFacts
from logger_app.workflows.history import Drawing

MIN_LEAD_S, MAX_LEAD_S, TAIL_S = 10.0, 40.0, 5.0
MAX_RATIO = 1.35
# After the stall the ratio axis goes on in seconds: so much of the axis for each.
RATIO_A_SECOND = 0.02
STOPS = (1.2, 1.1, 1.05, 1.0)


class Axis(StrEnum):
    """What the slider is."""

    RATIO = "ratio to the stall speed"
    AIRSPEED = "airspeed"
    TIME = "time to stall"


@dataclass(frozen=True, slots=True)
class Step:
    """Count frames on or back at a side; then `stepped`."""

    side: int
    by: int


@dataclass(frozen=True, slots=True)
class PlaceGrid:
    """Write a grid; `carried_from` names the flight that it was placed on first."""

    side: int
    grid: Grid
    carried_from: str = ""


@dataclass(frozen=True, slots=True)
class RemoveGrid:
    """Take back the only grid of a camera."""

    side: int
    camera: str


@dataclass(frozen=True, slots=True)
class Decide:
    """Write marks of one side."""

    side: int
    marks: tuple[TuftMark, ...]


@dataclass(frozen=True, slots=True)
class Propose:
    """Ask the assist about a side's frames at some flight times [s]."""

    side: int
    flight_s: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class SetWing:
    """Write which wing a side's camera shows."""

    side: int
    camera: str
    wing: str


@dataclass(frozen=True, slots=True)
class TurnRun:
    """Go to another run: of one side, or of all where `side` is None."""

    by: int
    side: int | None = None


@dataclass(frozen=True, slots=True)
class Save:
    """Save what is shown as a still."""


@dataclass(frozen=True, slots=True)
class MakeQuick:
    """Make small copies of the camera files, so that the slider follows the finger."""


Effect = Step | PlaceGrid | RemoveGrid | Decide | Propose | SetWing | TurnRun | Save | MakeQuick


@dataclass(frozen=True, slots=True, kw_only=True)
class Followed:
    """The stations of a side's frame after the camera moved: a grid that fits this frame, or why it cannot be had.

    `large`: the move is so large that a person must look; `words` say how far it is.
    """

    camera: str
    flight_s: float
    grid: Grid | None
    words: str = ""
    large: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One thing that can be undone: marks of a side, or a grid."""

    side: int
    marks: tuple[TuftMark, ...] = ()
    grids: tuple[Grid | None, Grid | None] | None = None  # (before, after)
    camera: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CompareState:
    """Where a person is. `at` is on the axis [ratio, kt or s]; `held` are frozen sides' flight times [s]."""

    sides: tuple[SideFacts, ...]
    unit: str = "kt"
    who: str = ""
    axis: Axis = Axis.TIME
    at: float = 0.0
    held: tuple[float | None, ...] = ()
    over: int | None = None  # the only side shown, while flipping
    chosen: int = 0
    tufts: bool = False
    mapped: bool = False
    placing: tuple[tuple[float, float], ...] | None = None
    rows: tuple[tuple[float, ...], tuple[float, ...]] = ((10.0, 30.0, 50.0, 70.0, 90.0), (20.0, 50.0, 80.0))
    palette: TuftState | None = None
    cursor: str = ""  # the station that keys paint
    stroke: tuple[str, ...] = ()  # stations painted since the finger went down
    mirrored: tuple[bool, ...] = ()
    zoom: tuple[
        tuple[float, float, float], ...
    ] = ()  # of each side: how much, and the picture's fraction in the middle
    grids: Mapping[tuple[int, str], Grid] = field(default_factory=dict)
    # Placed on another flight's camera of the same name: proposals, by side and camera, with that flight.
    carried: Mapping[tuple[int, str], tuple[Grid, str]] = field(default_factory=dict)
    followed: tuple[Followed | None, ...] = ()
    others: tuple[RunMarks, ...] = ()  # of all other runs at this point
    marks: tuple[tuple[TuftMark, ...], ...] = ()
    pending: tuple[tuple[int, TuftMark], ...] = ()  # tapped, not yet written
    ghosts: tuple[Ghost | None, ...] = ()  # of each side the generation before
    alike: tuple[Ghost | None, ...] = ()  # of each side the other runs of its configuration
    stepping: bool = False  # from open station to open station; a state's digit paints it
    ghosted: bool = True  # whether they are shown
    # Proposals that are no row: taken over from other looks or from the generation before; nothing until confirmed.
    borrowed: tuple[tuple[int, TuftMark], ...] = ()
    fitted: tuple[Drawing, ...] = ()  # of the configurations on show
    undo: tuple[Change, ...] = ()
    redo: tuple[Change, ...] = ()
    shown: tuple[Shown, ...] = ()
    busy: bool = False
    message: str = ""
    trouble: bool = False


def begin(
    sides: Sequence[SideFacts],
    unit: str,
    who: str,
    grids: Mapping[tuple[int, str], Grid] | None = None,
    marks: Sequence[Sequence[TuftMark]] = (),
    carried: Mapping[tuple[int, str], tuple[Grid, str]] | None = None,
    others: Sequence[RunMarks] = (),
    ghosts: Sequence[Ghost | None] = (),
    fitted: Sequence[Drawing] = (),
    alike: Sequence[Ghost | None] = (),
) -> CompareState:
    """The first state: at the stall; on the axis of ratios where every run has a stall speed.

    Parameters
    ----------
    carried : mapping of (int, str) to (Grid, str), optional
        Proposed grids and the flights that they are from, by side and camera.
    others : sequence of RunMarks, optional
        Of the other runs at this point.
    ghosts : sequence of Ghost or None, optional
        Of each side what was seen on the configuration that its own was made from.
    alike : sequence of Ghost or None, optional
        Of each side what was seen in the other runs of its configuration.
    """
    ratio = all(side.result.vs_ias_kt is not None and speeds_of(side) for side in sides)
    return CompareState(
        sides=tuple(sides),
        unit=unit,
        who=who,
        axis=Axis.RATIO if ratio else Axis.TIME,
        at=1.0 if ratio else 0.0,
        held=(None,) * len(sides),
        grids=dict(grids or {}),
        marks=tuple(tuple(m) for m in marks) or ((),) * len(sides),
        carried=dict(carried or {}),
        others=tuple(others),
        shown=(Shown(why="looking ..."),) * len(sides),
        tufts=bool(grids or carried),
        mirrored=(False,) * len(sides),
        zoom=((1.0, 0.5, 0.5),) * len(sides),
        followed=(None,) * len(sides),
        ghosts=tuple(ghosts) or (None,) * len(sides),
        fitted=tuple(fitted),
        alike=tuple(alike) or (None,) * len(sides),
    )


def span(state: CompareState) -> tuple[float, float]:
    """Left and right end of the axis [ratio, kt or s]."""
    if state.axis is Axis.TIME:
        lead = max(
            (side.event_s - min((c[0] for c in side.calls), default=side.event_s) for side in state.sides), default=0
        )
        return -min(MAX_LEAD_S, max(MIN_LEAD_S, lead + 1)), TAIL_S
    if state.axis is Axis.RATIO:
        flown = [
            max(speeds_of(side)) / side.result.vs_ias_kt
            for side in state.sides
            if side.result.vs_ias_kt and speeds_of(side)
        ]
        return max(1.1, min(MAX_RATIO, max(flown, default=1.3))), 1.0 - RATIO_A_SECOND * TAIL_S
    speeds = [speed for side in state.sides for speed in speeds_of(side)]
    if not speeds:
        return 1.0, 0.0
    return max(speeds), min(speeds)


def wanted(state: CompareState) -> tuple[tuple[float | None, str], ...]:
    """Flight time that each side should show [s], or why there is none."""
    return tuple(
        (None, side.why) if side.why else (held, "") if held is not None else time_at(state, side, state.at)
        for side, held in zip(state.sides, state.held)
    )


def time_at(state: CompareState, side: SideFacts, at: float) -> tuple[float | None, str]:
    """Flight time of a side at a place on the axis [s], or why there is none."""
    if state.axis is Axis.TIME:
        return side.event_s + at, ""
    if state.axis is Axis.RATIO:
        if at <= 1.0:
            return side.event_s + (1.0 - at) / RATIO_A_SECOND, ""
        return when(side.result, Moment("", ratio=at), side.lag_s, state.unit)[::2]
    flight_s, _, why = when(side.result, Moment("", ias_kt=at), side.lag_s, state.unit)
    return flight_s, why


def place_of(state: CompareState, side: SideFacts, flight_s: float) -> float | None:
    """Where on the axis a side's flight time [s] is; None outside the approach."""
    if state.axis is Axis.TIME:
        return flight_s - side.event_s
    if state.axis is Axis.RATIO and flight_s >= side.event_s:
        return 1.0 - RATIO_A_SECOND * (flight_s - side.event_s)
    speed = ias_at(side.result, flight_s + side.lag_s)
    if state.axis is Axis.RATIO and speed is not None:
        return None if not side.result.vs_ias_kt else speed / side.result.vs_ias_kt
    return speed


def stop_times(state: CompareState, side: SideFacts) -> tuple[float, ...]:
    """Flight times of a side at the stops [s]; those that were not flown are left out."""
    times = [side.event_s if r == 1.0 else when(side.result, Moment("", ratio=r), side.lag_s)[0] for r in STOPS]
    return tuple(at_s for at_s in times if at_s is not None)


def speeds_of(side: SideFacts) -> list[float]:
    """Speeds of the fitted approach [kt]."""
    result = side.result
    speeds = [ias for _, ias in result.curve]
    if not speeds and result.vs_ias_kt is not None and result.fit is not None:
        speeds = [result.vs_ias_kt, 1.3 * result.vs_ias_kt]
    return speeds


def rows_of(state: CompareState, side: int) -> list[TuftMark]:
    """Marks of a side's run in the order of the journal; what was tapped and not yet written as well."""
    return [*state.marks[side], *(mark for at, mark in state.pending if at == side)]


def marks_here(state: CompareState, side: int) -> dict[str, TuftMark]:
    """Standing marks of the frame on show, by station."""
    shown = state.shown[side]
    # Borrowed ones first: whatever the assist or a person says goes before them.
    rows = [*(mark for at, mark in state.borrowed if at == side), *rows_of(state, side)]
    return {m.station: m for m in in_force(rows) if (m.camera, m.frame_pts) == (shown.camera, shown.pts)}


def ghosts_here(state: CompareState, side: int) -> dict[str, TuftState]:
    """What the generation before did at the ratio to the stall of the frame on show, by station; none after the stall."""
    ghost, facts, shown = state.ghosts[side], state.sides[side], state.shown[side]
    if ghost is None or shown.why or not facts.result.vs_ias_kt or shown.flight_s > facts.event_s + 0.05:
        return {}
    speed = ias_at(facts.result, shown.flight_s + facts.lag_s)
    return {} if speed is None else states_at(ghost.marks, speed / facts.result.vs_ias_kt, shown.wing)


def disputes_here(state: CompareState, side: int) -> dict[str, Dispute]:
    """Unsettled disagreements about the look on show, by station."""
    shown = state.shown[side]
    return {
        one.station: one
        for one in disputes(rows_of(state, side))
        if one.marks[0].camera == shown.camera and any(abs(m.flight_ns / 1e9 - shown.flight_s) < 0.2 for m in one.marks)
    }


def maps(state: CompareState) -> tuple[WingMap, ...]:
    """Maps of the configurations on show: these runs and the others at this point."""
    seen: dict[tuple[str, str], list[TuftMark]] = {}
    runs = {(side.flight, side.result.run): side for side in state.sides}
    for k, side in enumerate(state.sides):
        rows = seen.setdefault((side.flight, side.result.run), [])
        rows += [mark for mark in rows_of(state, k) if mark not in rows]
    point = state.sides[0].result.point or ""
    here = [
        RunMarks(flight=flight, run=run, configuration=runs[flight, run].configuration, point=point, marks=tuple(rows))
        for (flight, run), rows in seen.items()
    ]
    rest = [one for one in state.others if (one.flight, one.run) not in seen]
    return wing_maps([*here, *rest], point, list(dict.fromkeys(side.configuration for side in state.sides)))


def grid_here(state: CompareState, side: int) -> Grid | None:
    """The grid of the camera on show, where it is on this frame: followed, if the camera moved a little."""
    placed = state.grids.get((side, state.shown[side].camera))
    followed = state.followed[side]
    if placed is not None and followed is not None and followed.camera == placed.camera and followed.grid is not None:
        return placed if followed.large else followed.grid
    return placed


def carried_here(state: CompareState, side: int) -> tuple[Grid, str] | None:
    """Stations that are only proposed for the camera on show, and whose they are; None where a grid holds."""
    key = (side, state.shown[side].camera)
    if state.shown[side].why:
        return None
    followed = state.followed[side]
    if key in state.grids:
        if followed is not None and followed.large and followed.grid is not None and followed.camera == key[1]:
            return followed.grid, ""
        return None
    found = state.carried.get(key)
    if found is not None and followed is not None and followed.grid is not None and followed.camera == key[1]:
        return followed.grid, found[1]
    return found

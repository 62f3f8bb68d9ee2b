"""The compare screen without a screen: one axis moves every camera; tufts are tapped. Pure.

`update(state, key)` gives the new state and, where something must happen outside (a frame counted,
a row written), effects. `view(state)` says what to draw. Never imports Kivy.

    Left, Right   one frame of the chosen side      A     axis: airspeed or time to stall
    Up, Down      1 kt or half a second             H     hold this side's picture (freeze), or let it go
    Tab           choose the next side              F     flip: one over the other, then the next, then both
    T             show the tufts                    G     place the tuft stations: tap four corners
    P             let the assist propose            Enter take all its proposals on this frame
    S             save the pictures for the report  M     the map: where each station first separated
    Q             make small copies of the camera files, for a slider that follows the finger
    K             keep the stations that another flight's grid proposes for this camera, once checked
    tap           on a station: its next state; a proposal is first taken as it is

Main names: `CompareState`, `begin`, `update`, `view`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum

from logger_app.domain.moments import Moment, ias_at, when
from logger_app.domain.tuft_grid import Grid, nearest, next_state, places
from logger_app.domain.tufts import (
    FirstSeparated,
    SpanMap,
    StationDifference,
    TuftMark,
    TuftState,
    difference_map,
    place_words,
    span_map,
    standing,
)
from logger_app.domain.wing_words import difference_words, first_words
from logger_app.errors import SyncError
from logger_app.records.compare import Shown, SideFacts
from logger_app.units import from_kt

TIME_STEP_S, SPEED_STEP_KT = 0.5, 1.0
MIN_LEAD_S, MAX_LEAD_S, TAIL_S = 10.0, 40.0, 5.0
CORNERS = ("root leading edge", "tip leading edge", "tip trailing edge", "root trailing edge")
SPAN_COUNTS, CHORD_COUNTS = (3, 4, 5, 6, 8, 10), (1, 2, 3, 4, 5)
KEYS_HELP = (
    ("Left Right", "frame"),
    ("Up Down", "1 kt or 0.5 s"),
    ("A", "axis"),
    ("H", "hold"),
    ("F", "flip"),
    ("Tab", "side"),
    ("T", "tufts"),
    ("G", "place stations"),
    ("K", "keep stations"),
    ("P", "propose"),
    ("Enter", "take proposals"),
    ("M", "map"),
    ("Q", "small copies"),
    ("S", "save"),
)


class Axis(StrEnum):
    """What the slider is."""

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
class Decide:
    """Write marks of one side."""

    side: int
    marks: tuple[TuftMark, ...]


@dataclass(frozen=True, slots=True)
class Propose:
    """Ask the assist about the frame on show at a side."""

    side: int


@dataclass(frozen=True, slots=True)
class Save:
    """Save what is shown as a still."""


@dataclass(frozen=True, slots=True)
class MakeQuick:
    """Make small copies of the camera files, so that the slider follows the finger."""


Effect = Step | PlaceGrid | Decide | Propose | Save | MakeQuick


@dataclass(frozen=True, slots=True, kw_only=True)
class CompareState:
    """Where a person is. `at` is on the axis [kt or s]; `held` are frozen sides' flight times [s]."""

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
    span_count: int = 5
    chord_count: int = 3
    grids: Mapping[tuple[int, str], Grid] = field(default_factory=dict)
    # Placed on another flight's camera of the same name: proposals, by side and camera, with that flight.
    carried: Mapping[tuple[int, str], tuple[Grid, str]] = field(default_factory=dict)
    others: tuple[tuple[TuftMark, ...], ...] = ()  # of other runs of each side's configuration at this point
    marks: tuple[tuple[TuftMark, ...], ...] = ()
    pending: tuple[tuple[int, TuftMark], ...] = ()  # tapped, not yet written
    shown: tuple[Shown, ...] = ()
    busy: bool = False
    message: str = ""
    trouble: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class StationView:
    """A station to draw: place in fractions of the picture from its upper left; `state` None where not looked at.

    `says` is all of it in words; `carried`: the place itself is only a proposal, from another flight's grid.
    """

    id: str
    x: float
    y: float
    aft_x: float
    aft_y: float
    state: TuftState | None
    proposed: bool
    confidence: float | None
    says: str = ""
    carried: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelView:
    """One camera picture."""

    side: int
    title: str
    says: str
    why: str
    held: bool
    chosen: bool
    stations: tuple[StationView, ...]
    corners: tuple[tuple[float, float], ...]
    carried: str = ""  # whose stations these are, where they are proposed


@dataclass(frozen=True, slots=True, kw_only=True)
class AxisMark:
    """A call or event on the axis."""

    at: float
    side: int
    words: str
    event: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class MapCell:
    """A station on a map. `words` is a speed, ``<46`` (not separated down to), a difference or a dash; `shade` 0 to 1."""

    words: str
    shade: float | None
    proposed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class MapView:
    """A wing from above, inboard to the left, leading edge up: first separation, or its difference."""

    title: str
    spans: tuple[str, ...]
    chords: tuple[str, ...]
    cells: tuple[tuple[MapCell | None, ...], ...]  # a row a chord, a column a span


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """All there is to draw. The axis runs from `left` to `right`; speeds fall to the right, as in the approach."""

    panels: tuple[PanelView, ...]
    axis: Axis
    left: float
    right: float
    at: float
    says: str
    marks: tuple[AxisMark, ...]
    maps: tuple[MapView, ...]
    message: str
    trouble: bool


def begin(
    sides: Sequence[SideFacts],
    unit: str,
    who: str,
    grids: Mapping[tuple[int, str], Grid] | None = None,
    marks: Sequence[Sequence[TuftMark]] = (),
    carried: Mapping[tuple[int, str], tuple[Grid, str]] | None = None,
    others: Sequence[Sequence[TuftMark]] = (),
) -> CompareState:
    """The first state: at the stall.

    Parameters
    ----------
    carried : mapping of (int, str) to (Grid, str), optional
        Proposed grids and the flights that they are from, by side and camera.
    others : sequence of sequence of TuftMark, optional
        Of other runs of each side's configuration.
    """
    return CompareState(
        sides=tuple(sides),
        unit=unit,
        who=who,
        held=(None,) * len(sides),
        grids=dict(grids or {}),
        marks=tuple(tuple(m) for m in marks) or ((),) * len(sides),
        carried=dict(carried or {}),
        others=tuple(tuple(m) for m in others) or ((),) * len(sides),
        shown=(Shown(why="looking ..."),) * len(sides),
        tufts=bool(grids or carried),
    )


def span(state: CompareState) -> tuple[float, float]:
    """Left and right end of the axis [kt or s]."""
    if state.axis is Axis.TIME:
        lead = max(
            (side.event_s - min((c[0] for c in side.calls), default=side.event_s) for side in state.sides), default=0
        )
        return -min(MAX_LEAD_S, max(MIN_LEAD_S, lead + 1)), TAIL_S
    speeds = [speed for side in state.sides for speed in _speeds(side)]
    if not speeds:
        return 1.0, 0.0
    return max(speeds), min(speeds)


def wanted(state: CompareState) -> tuple[tuple[float | None, str], ...]:
    """Flight time that each side should show [s], or why there is none."""
    return tuple(
        (held, "") if held is not None else _time_at(state, side) for side, held in zip(state.sides, state.held)
    )


def update(state: CompareState, key: str) -> tuple[CompareState, tuple[Effect, ...]]:
    """What a key or touch does.

    Parameters
    ----------
    key : str
        A key's name; ``at:VALUE`` (slider), ``tap:SIDE:X:Y`` (picture, fractions from its upper left),
        ``side:N``, ``span``, ``chord``, ``settle`` (a while without a tap).

    Returns
    -------
    tuple of (CompareState, tuple of Effect)
        New state, and what must happen outside, in order.
    """
    effects: tuple[Effect, ...] = ()
    if not key.startswith("tap:"):
        state, effects = _settled(state)
        if key == "settle":
            return state, effects
    state = replace(state, message="", trouble=False)
    name, _, rest = key.partition(":")
    done = _ACTS[name](state, rest) if name in _ACTS else (state, ())
    return done[0], effects + done[1]


def stepped(state: CompareState, side: int, flight_s: float) -> CompareState:
    """After a `Step`: the axis goes where the side's new frame is; a held side moves alone."""
    if state.held[side] is not None:
        return replace(state, held=_put(state.held, side, flight_s))
    facts = state.sides[side]
    if state.axis is Axis.TIME:
        return replace(state, at=flight_s - facts.event_s)
    speed = ias_at(facts.result, flight_s + facts.lag_s)
    if speed is None:
        return replace(state, message="The fitted approach ends here; A shows time to stall, which goes on.")
    return replace(state, at=speed)


def written(state: CompareState, side: int, marks: Sequence[TuftMark], message: str) -> CompareState:
    """With marks that were just written elsewhere: the assist's."""
    return replace(told(state, message), marks=_put(state.marks, side, (*state.marks[side], *marks)))


def told(state: CompareState, message: str, trouble: bool = False) -> CompareState:
    """With a sentence on the screen."""
    return replace(state, message=message, trouble=trouble, busy=False)


def view(state: CompareState) -> View:
    """What to draw."""
    left, right = span(state)
    shown = range(len(state.sides)) if state.over is None else (state.over,)
    says = (
        to_stall(state.at) if state.axis is Axis.TIME else f"{from_kt(state.at, state.unit):.1f} {state.unit} indicated"
    )
    message = state.message
    if state.placing is not None:
        message = (
            message or f"Tap the {CORNERS[len(state.placing)]} on {state.sides[state.chosen].name}. Esc leaves it."
        )
    return View(
        panels=tuple(_panel(state, side) for side in shown),
        axis=state.axis,
        left=left,
        right=right,
        at=state.at,
        says=says,
        marks=tuple(_marks(state)),
        maps=_map_views(state) if state.mapped else (),
        message=message,
        trouble=state.trouble,
    )


def to_stall(seconds: float) -> str:
    """Time from the stall in words [s, negative before]."""
    if abs(seconds) < 0.005:
        return "at the stall"
    return f"{abs(seconds):.2f} s {'before' if seconds < 0 else 'after'} the stall"


def marks_here(state: CompareState, side: int) -> dict[str, TuftMark]:
    """Standing marks of the frame on show, by station; what was tapped and not yet written as well."""
    shown = state.shown[side]
    rows = [*state.marks[side], *(mark for at, mark in state.pending if at == side)]
    return {m.station: m for m in standing(rows) if (m.camera, m.frame_pts) == (shown.camera, shown.pts)}


def maps(state: CompareState) -> tuple[SpanMap, ...]:
    """The spanwise map of each side's configuration: this run and the others of it at this point."""
    return tuple(
        span_map(side.configuration, [*others, *standing([*marks, *(m for at, m in state.pending if at == k)])])
        for k, (side, marks, others) in enumerate(zip(state.sides, state.marks, state.others))
    )


# what keys do


def _move(state: CompareState, at: float):
    left, right = span(state)
    return replace(state, at=min(max(at, min(left, right)), max(left, right))), ()


def _slide(state: CompareState, rest: str):
    return _move(state, float(rest))


def _coarse(sign: int):
    def act(state: CompareState, _: str):
        by = TIME_STEP_S if state.axis is Axis.TIME else -SPEED_STEP_KT
        return _move(state, state.at + sign * by)

    return act


def _frame(by: int):
    return lambda state, _: (state, (Step(state.chosen, by),))


def _axis(state: CompareState, _: str):
    facts = state.sides[state.chosen]
    now_s = wanted(state)[state.chosen][0]
    if state.axis is Axis.AIRSPEED:
        changed = replace(state, axis=Axis.TIME)
        return _move(changed, 0.0 if now_s is None else now_s - facts.event_s)
    changed = replace(state, axis=Axis.AIRSPEED)
    if not any(_speeds(side) for side in state.sides):
        return told(state, "No approach could be fitted to these runs; only time to stall can be the axis.", True), ()
    speed = None if now_s is None else ias_at(facts.result, now_s + facts.lag_s)
    return _move(changed, speed if speed is not None else span(changed)[1])


def _hold(state: CompareState, rest: str):
    side = int(rest) if rest else state.chosen
    held = None if state.held[side] is not None else wanted(state)[side][0]
    words = "stays while the slider moves" if held is not None else "moves with the slider again"
    return replace(state, held=_put(state.held, side, held), message=f"{state.sides[side].name} {words}."), ()


def _flip(state: CompareState, _: str):
    after = 0 if state.over is None else state.over + 1
    over = None if after == len(state.sides) else after
    return replace(state, over=over, chosen=over if over is not None else state.chosen), ()


def _next_side(state: CompareState, _: str):
    return _choose(state, str((state.chosen + 1) % len(state.sides)))


def _choose(state: CompareState, rest: str):
    side = int(rest)
    return replace(state, chosen=side, over=None if state.over is None else side, placing=None), ()


def _tufts(state: CompareState, _: str):
    return replace(state, tufts=not state.tufts), ()


def _map(state: CompareState, _: str):
    return replace(state, mapped=not state.mapped), ()


def _place(state: CompareState, _: str):
    if state.shown[state.chosen].why:
        return told(state, "There is no picture at this side to place stations on.", True), ()
    return replace(state, placing=(), tufts=True), ()


def _escape(state: CompareState, _: str):
    return replace(state, placing=None, mapped=False), ()


def _count(name: str, choices: tuple[int, ...]):
    def act(state: CompareState, _: str):
        grid = _grid(state, state.chosen)
        if grid is not None:
            state = replace(state, span_count=len(grid.span_pct), chord_count=len(grid.chord_pct))
        now = getattr(state, name)
        state = replace(state, **{name: next((c for c in choices if c > now), choices[0])})
        if grid is None:
            return state, ()
        return _with_grid(state, state.chosen, grid.corners)

    return act


def _tap(state: CompareState, rest: str):
    side_text, x_text, y_text = rest.split(":")
    side, x, y = int(side_text), float(x_text), float(y_text)
    if state.placing is not None and side == state.chosen:
        return _corner(state, (x, y))
    state = replace(state, chosen=side)
    grid = _grid(state, side) if state.tufts else None
    if grid is None and state.tufts and _carried(state, side):
        return told(state, _check_first(state, side), True), ()
    if grid is None or state.shown[side].why:
        return state, ()
    height = 1000.0
    width = height * state.shown[side].aspect
    station = nearest(places(grid, width, height), x * width, y * height)
    if station is None:
        return state, ()
    flushed: tuple[Effect, ...] = ()
    if any((at, mark.station) != (side, station) for at, mark in state.pending):
        state, flushed = _settled(state)
    before = marks_here(state, side).get(station)
    after = before.state if before is not None and before.proposed else next_state(before.state if before else None)
    mark = _mark(state, side, station, after)
    return replace(state, pending=((side, mark),), message=f"{place_words(station)}: {after}"), flushed


def _corner(state: CompareState, corner: tuple[float, float]):
    corners = (*state.placing, corner)
    if len(corners) < 4:
        return replace(state, placing=corners), ()
    return _with_grid(replace(state, placing=None), state.chosen, corners)


def _with_grid(state: CompareState, side: int, corners):
    try:
        grid = Grid(
            camera=state.shown[side].camera,
            corners=tuple(corners),
            span_pct=_even(state.span_count),
            chord_pct=_even(state.chord_count),
        )
    except SyncError as err:
        return told(state, str(err), True), ()
    grids = {**state.grids, (side, grid.camera): grid}
    return replace(state, grids=grids, message=f"{len(grid.stations())} stations on {state.sides[side].name}."), (
        PlaceGrid(side, grid),
    )


def _keep(state: CompareState, _: str):
    side = state.chosen
    if (found := _carried(state, side)) is None:
        return told(state, "There are no stations of another flight to keep here."), ()
    grid, flight = found
    words = f"{len(grid.stations())} stations kept on {state.sides[side].name}, as placed on {flight}."
    grids = {**state.grids, (side, grid.camera): grid}
    return replace(state, grids=grids, tufts=True, placing=None, message=words), (PlaceGrid(side, grid, flight),)


def _ask(state: CompareState, _: str):
    if _grid(state, state.chosen) is None and _carried(state, state.chosen):
        return told(replace(state, tufts=True), _check_first(state, state.chosen), True), ()
    if _grid(state, state.chosen) is None:
        return told(state, "Place the tuft stations first: G, then four corners.", True), ()
    return replace(state, busy=True, tufts=True, message="Looking at the last half second ..."), (
        Propose(state.chosen),
    )


def _take(state: CompareState, _: str):
    side = state.chosen
    marks = tuple(_mark(state, side, m.station, m.state) for m in marks_here(state, side).values() if m.proposed)
    if not marks:
        return told(state, "There is no proposal on this frame."), ()
    return written(state, side, marks, f"{len(marks)} proposals taken."), (Decide(side, marks),)


def _quick(state: CompareState, _: str):
    return replace(state, message="Making quick copies ..."), (MakeQuick(),)


def _save(state: CompareState, _: str):
    return state, (Save(),)


_ACTS = {
    "at": _slide,
    "up": _coarse(-1),
    "down": _coarse(1),
    "left": _frame(-1),
    "right": _frame(1),
    "a": _axis,
    "h": _hold,
    "f": _flip,
    "tab": _next_side,
    "side": _choose,
    "t": _tufts,
    "g": _place,
    "escape": _escape,
    "p": _ask,
    "enter": _take,
    "s": _save,
    "q": _quick,
    "m": _map,
    "k": _keep,
    "tap": _tap,
    "span": _count("span_count", SPAN_COUNTS),
    "chord": _count("chord_count", CHORD_COUNTS),
}


# what follows from the state


def _settled(state: CompareState) -> tuple[CompareState, tuple[Effect, ...]]:
    """Taps become rows once the finger is elsewhere: states passed on the way are nobody's observation."""
    effects = tuple(Decide(side, (mark,)) for side, mark in state.pending)
    marks = list(state.marks)
    for side, mark in state.pending:
        marks[side] = (*marks[side], mark)
    return replace(state, marks=tuple(marks), pending=()), effects


def _mark(state: CompareState, side: int, station: str, tuft: TuftState) -> TuftMark:
    shown, facts = state.shown[side], state.sides[side]
    return TuftMark(
        flight_ns=round(shown.flight_s * 1e9),
        camera=shown.camera,
        frame_pts=shown.pts,
        station=station,
        state=tuft,
        ias_kt=ias_at(facts.result, shown.flight_s + facts.lag_s),
        who=state.who,
    )


def _grid(state: CompareState, side: int) -> Grid | None:
    return state.grids.get((side, state.shown[side].camera))


def _carried(state: CompareState, side: int) -> tuple[Grid, str] | None:
    """The grid proposed for the camera on show, and its flight; None where one is placed."""
    key = (side, state.shown[side].camera)
    return None if key in state.grids or state.shown[side].why else state.carried.get(key)


def _check_first(state: CompareState, side: int) -> str:
    return (
        f"Placed on {_carried(state, side)[1]}, check it: K keeps these stations for this flight, G places them anew."
    )


def _even(count: int) -> tuple[float, ...]:
    """Middles of so many equal parts, in percent."""
    return tuple(round(100 * (k + 0.5) / count, 1) for k in range(count))


def _speeds(side: SideFacts) -> list[float]:
    result = side.result
    speeds = [ias for _, ias in result.curve]
    if not speeds and result.vs_ias_kt is not None and result.fit is not None:
        speeds = [result.vs_ias_kt, 1.3 * result.vs_ias_kt]
    return speeds


def _time_at(state: CompareState, side: SideFacts) -> tuple[float | None, str]:
    if state.axis is Axis.TIME:
        return side.event_s + state.at, ""
    flight_s, _, why = when(side.result, Moment("", ias_kt=state.at), side.lag_s)
    return flight_s, why


def _panel(state: CompareState, side: int) -> PanelView:
    facts, shown, (at_s, why) = state.sides[side], state.shown[side], wanted(state)[side]
    speed = None if at_s is None else ias_at(facts.result, at_s + facts.lag_s)
    parts = [] if speed is None else [f"{from_kt(speed, state.unit):.1f} {state.unit} indicated"]
    if at_s is not None:
        parts.append(to_stall(at_s - facts.event_s))
    if not shown.why and shown.camera:
        parts.append(f"camera {shown.camera}")
    return PanelView(
        side=side,
        title=f"{facts.name}: run {facts.run_number}" + (" (held)" if state.held[side] is not None else ""),
        says="   ".join(parts),
        why=why or shown.why,
        held=state.held[side] is not None,
        chosen=side == state.chosen,
        stations=_stations(state, side),
        corners=state.placing if state.placing and side == state.chosen else (),
        carried=_check_first(state, side) if state.tufts and state.placing is None and _carried(state, side) else "",
    )


def _stations(state: CompareState, side: int) -> tuple[StationView, ...]:
    placed = _grid(state, side) if state.tufts else None
    carried = _carried(state, side) if state.tufts and state.placing is None else None
    grid = placed or (carried and carried[0])
    if grid is None or state.shown[side].why:
        return ()
    here, height = marks_here(state, side) if placed else {}, 1000.0
    width = height * state.shown[side].aspect
    made = []
    for place in places(grid, width, height):
        mark = here.get(place.station.id)
        made.append(
            StationView(
                id=place.station.id,
                x=place.x / width,
                y=place.y / height,
                aft_x=place.aft_x,
                aft_y=place.aft_y,
                state=mark.state if mark else None,
                proposed=bool(mark and mark.proposed),
                confidence=mark.confidence if mark else None,
                says=f"{place_words(place.station.id)}: {_state_words(mark)}",
                carried=placed is None,
            )
        )
    return tuple(made)


def _state_words(mark: TuftMark | None) -> str:
    if mark is None:
        return "not looked at"
    if not mark.proposed:
        return str(mark.state)
    return f"{mark.state}, only proposed" + ("" if mark.confidence is None else f", {100 * mark.confidence:.0f} % sure")


def _marks(state: CompareState):
    left, right = span(state)
    low, high = min(left, right), max(left, right)
    for k, side in enumerate(state.sides):
        for seen_s, words, event in side.calls:
            at = seen_s - side.event_s if state.axis is Axis.TIME else ias_at(side.result, seen_s + side.lag_s)
            if at is not None and low <= at <= high:
                yield AxisMark(at=at, side=k, words=words, event=event)


def _map_views(state: CompareState) -> tuple[MapView, ...]:
    made, unit = maps(state), state.unit
    seen = [v for one in made for f in one.first for v in (f.ias_kt, f.clear_kt) if v is not None]
    low, high = min(seen, default=0.0), max(seen, default=1.0)
    views = []
    for one, side in zip(made, state.sides):
        cells = {f.station: _first_cell(f, low, high, unit) for f in one.first}
        views.append(_map_view(f"{side.configuration}, all runs at this point: first separated at [{unit}]", cells))
    for changed, side in zip(made[1:], state.sides[1:]):
        cells = {d.station: _difference_cell(d, made[0], changed, unit) for d in difference_map(made[0], changed)}
        views.append(
            _map_view(
                f"{side.configuration} minus {state.sides[0].configuration} [{unit}]: below 0 stays attached to a lower speed",
                cells,
            )
        )
    return tuple(views)


def _first_cell(first: FirstSeparated, low: float, high: float, unit: str) -> MapCell:
    shade = None if first.clear_kt is None else 0.0
    if first.ias_kt is not None:
        shade = 0.25 + 0.75 * (first.ias_kt - low) / max(high - low, 1.0)
    return MapCell(words=first_words(first, unit)[0], shade=shade, proposed=first.proposed)


def _difference_cell(difference: StationDifference, reference: SpanMap, changed: SpanMap, unit: str) -> MapCell:
    by = difference.difference_kt
    shade = None if by is None else min(1.0, abs(from_kt(by, unit)) / 10)
    return MapCell(
        words=difference_words(difference, reference, changed, unit)[0], shade=shade, proposed=difference.proposed
    )


def _map_view(title: str, cells: Mapping[str, MapCell]) -> MapView:
    spans = tuple(sorted({name.split("/")[0] for name in cells}, key=float))
    chords = tuple(sorted({name.split("/")[1] for name in cells}, key=float))
    return MapView(
        title=title,
        spans=spans,
        chords=chords,
        cells=tuple(tuple(cells.get(f"{s}/{c}") for s in spans) for c in chords),
    )


def _put(values: tuple, k: int, value) -> tuple:
    return (*values[:k], value, *values[k + 1 :])

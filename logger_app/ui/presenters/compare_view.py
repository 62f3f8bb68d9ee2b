"""What the compare screen draws. Pure; never imports Kivy.

Main names: `view`, `View`, `PanelView`, `StationView`, `MapView`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from logger_app.domain.moments import ias_at
from logger_app.domain.tuft_grid import places
from logger_app.domain.tufts import TuftMark, TuftState, differences, pairs, place_words
from logger_app.domain.wing_words import MapCell, difference_cell, difference_words, first_words, map_cell
from logger_app.ui.presenters.compare import check_first, ghost_name
from logger_app.ui.presenters.compare_state import (
    RATIO_A_SECOND,
    STOPS,
    Axis,
    CompareState,
    carried_here,
    disputes_here,
    ghosts_here,
    grid_here,
    maps,
    marks_here,
    place_of,
    span,
    wanted,
)
from logger_app.units import from_kt
from logger_app.workflows.history import Drawing

CORNERS = ("root leading edge", "tip leading edge", "tip trailing edge", "root trailing edge")


@dataclass(frozen=True, slots=True, kw_only=True)
class StationView:
    """A station to draw: place in fractions of the picture as shown, from its upper left; `state` None where not looked at.

    `says` is all of it in words; `carried`: the place itself is only proposed; `chosen`: keys paint this one;
    `disputed`: people gave it different states; `ghost`: what the generation before did at the same ratio to the stall.
    """

    id: str
    x: float
    y: float
    aft_x: float
    aft_y: float
    state: TuftState | None
    proposed: bool
    confidence: float | None
    description: str = ""
    carried: bool = False
    chosen: bool = False
    disputed: bool = False
    ghost: TuftState | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelView:
    """One camera picture."""

    side: int
    title: str
    description: str
    why: str
    held: bool
    chosen: bool
    stations: tuple[StationView, ...]
    corners: tuple[tuple[float, float], ...]
    carried: str = ""  # whose stations these are, where they are proposed
    mirrored: bool = False
    zoom: tuple[float, float, float] = (1.0, 0.5, 0.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class AxisMark:
    """A call or event on the axis."""

    at: float
    side: int
    words: str
    event: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class MapView:
    """A wing from above, inboard to the left, leading edge up: first separation, or its difference.

    `notes` are the stations in words, for reading one by one.
    """

    title: str
    spans: tuple[str, ...]
    chords: tuple[str, ...]
    cells: tuple[tuple[MapCell | None, ...], ...]  # a row a chord, a column a span
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """All there is to draw. The axis runs from `left` to `right`; speeds fall to the right, as in the approach.

    `ticks` are (place, words) of the axis of ratios; empty on the others.
    """

    panels: tuple[PanelView, ...]
    axis: Axis
    left: float
    right: float
    at: float
    description: str
    marks: tuple[AxisMark, ...]
    maps: tuple[MapView, ...]
    message: str
    trouble: bool
    ticks: tuple[tuple[float, str], ...] = ()
    fitted: tuple[Drawing, ...] = ()  # what is on the wing of each configuration, above the maps


def view(state: CompareState) -> View:
    """What to draw."""
    left, right = span(state)
    shown = range(len(state.sides)) if state.over is None else (state.over,)
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
        description=_axis_words(state),
        marks=tuple(_marks(state)),
        maps=_map_views(state) if state.mapped else (),
        message=message,
        trouble=state.trouble,
        ticks=_ticks(left, right) if state.axis is Axis.RATIO else (),
        fitted=state.fitted if state.mapped else (),
    )


def to_stall(seconds: float) -> str:
    """Time from the stall in words [s, negative before]."""
    if abs(seconds) < 0.005:
        return "at the stall"
    return f"{abs(seconds):.2f} s {'before' if seconds < 0 else 'after'} the stall"


def _axis_words(state: CompareState) -> str:
    if state.axis is Axis.TIME:
        return to_stall(state.at)
    if state.axis is Axis.RATIO:
        return (
            f"{state.at:.2f} of the stall speed" if state.at > 1.0005 else to_stall((1.0 - state.at) / RATIO_A_SECOND)
        )
    return f"{from_kt(state.at, state.unit):.1f} {state.unit} indicated"


def _ticks(left: float, right: float) -> tuple[tuple[float, str], ...]:
    stops = [(r, "stall" if r == 1.0 else f"{r:g}") for r in (1.3, *STOPS) if r <= left + 1e-9]
    return (
        *stops,
        *((1.0 - RATIO_A_SECOND * s, f"+{s} s") for s in (1, 2, 3, 4, 5) if 1.0 - RATIO_A_SECOND * s >= right - 1e-9),
    )


def _panel(state: CompareState, side: int) -> PanelView:
    facts, shown, (at_s, why) = state.sides[side], state.shown[side], wanted(state)[side]
    speed = None if at_s is None else ias_at(facts.result, at_s + facts.lag_s)
    parts = [] if speed is None else [f"{from_kt(speed, state.unit):.1f} {state.unit} indicated"]
    if at_s is not None:
        parts.append(to_stall(at_s - facts.event_s))
    if not shown.why and shown.camera:
        parts.append(f"{shown.wing} wing, camera {shown.camera}" if shown.wing else f"camera {shown.camera}")
    if state.tufts and state.ghosted and ghosts_here(state, side):
        parts.append(f"faint: {ghost_name(state, side)} at the same ratio")
    count = f" ({facts.run_of[0]} of {facts.run_of[1]})" if facts.run_of[1] > 1 else ""
    seen = f", {facts.view}" if facts.view else ""
    ends = [
        word for word, holds in (("held", state.held[side] is not None), ("mirrored", state.mirrored[side])) if holds
    ]
    proposed = carried_here(state, side)
    return PanelView(
        side=side,
        title=f"{facts.name}{seen}: run {facts.run_number}{count}" + (f" ({', '.join(ends)})" if ends else ""),
        description="   ".join(parts),
        why=why or shown.why,
        held=state.held[side] is not None,
        chosen=side == state.chosen,
        stations=_stations(state, side),
        corners=_shown_corners(state, side) if state.placing and side == state.chosen else (),
        carried=check_first(proposed[1]) if state.tufts and state.placing is None and proposed else "",
        mirrored=state.mirrored[side],
        zoom=state.zoom[side],
    )


def _shown_corners(state: CompareState, side: int) -> tuple[tuple[float, float], ...]:
    return tuple((1 - x if state.mirrored[side] else x, y) for x, y in state.placing or ())


def _stations(state: CompareState, side: int) -> tuple[StationView, ...]:
    if not state.tufts or state.shown[side].why:
        return ()
    proposed = carried_here(state, side) if state.placing is None else None
    grid = proposed[0] if proposed else grid_here(state, side)
    if grid is None:
        return ()
    here = {} if proposed else marks_here(state, side)
    ghosts = ghosts_here(state, side) if state.ghosted and not proposed else {}
    disputed = {} if proposed else disputes_here(state, side)
    height = 1000
    width = round(height * state.shown[side].aspect)
    flip = -1.0 if state.mirrored[side] else 1.0
    made = []
    for place in places(grid, width, height):
        name, mark = place.station.id, here.get(place.station.id)
        x = place.x / width
        words = f"{place_words(name)}: {_state_words(mark)}"
        if name in ghosts:
            words += f"; before, {ghost_name(state, side)}: {ghosts[name]}"
        made.append(
            StationView(
                id=name,
                x=1 - x if state.mirrored[side] else x,
                y=place.y / height,
                aft_x=flip * place.aft_x,
                aft_y=place.aft_y,
                state=mark.state if mark else None,
                proposed=bool(mark and mark.proposed),
                confidence=mark.confidence if mark else None,
                description=f"{words}; disagreement: {disputed[name].words}" if name in disputed else words,
                carried=proposed is not None,
                chosen=side == state.chosen and name == state.cursor,
                disputed=name in disputed,
                ghost=ghosts.get(name),
            )
        )
    return tuple(made)


def _state_words(mark: TuftMark | None) -> str:
    if mark is None:
        return "not looked at"
    if not mark.proposed:
        return str(mark.state)
    sure = "" if mark.confidence is None else f", {100 * mark.confidence:.0f} % sure"
    return f"{mark.state}, only proposed" + (f" by {mark.who}" if mark.who not in ("", "assist") else "") + sure


def _marks(state: CompareState) -> Iterator[AxisMark]:
    left, right = span(state)
    low, high = min(left, right), max(left, right)
    for k, side in enumerate(state.sides):
        for seen_s, words, event in side.calls:
            at = place_of(state, side, seen_s)
            if at is not None and low <= at <= high:
                yield AxisMark(at=at, side=k, words=words, event=event)


def _map_views(state: CompareState) -> tuple[MapView, ...]:
    made, unit = maps(state), state.unit
    views = []
    for one in made:
        cells = {f.station: map_cell(f, made, unit) for f in one.first}
        notes = {f.station: first_words(f, unit)[1] for f in one.first}
        views.append(_map_view(f"{one.configuration}, {one.view}: first separated [{unit}], all runs", cells, notes))
    for reference, changed in pairs(made):
        found = differences(reference, changed)
        cells = {d.station: difference_cell(d, unit) for d in found}
        notes = {d.station: difference_words(d, changed.configuration, unit)[1] for d in found}
        title = (
            f"{changed.configuration} minus {reference.configuration}, {changed.view} [{unit}]: below 0 separates later"
        )
        views.append(_map_view(title, cells, notes))
    return tuple(views)


def _map_view(title: str, cells: Mapping[str, MapCell], notes: Mapping[str, str]) -> MapView:
    spans = tuple(sorted({name.split("/")[0] for name in cells}, key=float))
    chords = tuple(sorted({name.split("/")[1] for name in cells}, key=float))
    return MapView(
        title=title,
        spans=spans,
        chords=chords,
        cells=tuple(tuple(cells.get(f"{s}/{c}") for s in spans) for c in chords),
        notes=tuple(f"{place_words(name)}: {words}" for name, words in notes.items()),
    )

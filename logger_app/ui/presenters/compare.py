"""The compare screen without a screen: one axis moves every camera; tufts are painted. Pure.

`update(state, key)` gives the new state and, where something must happen outside (a frame counted,
a row written), effects. What is drawn is in `compare_view`. Never imports Kivy.

    Left, Right   one frame of the chosen side        A     axis: ratio to the stall speed, airspeed, time to stall
    Up, Down      0.01, 1 kt or half a second         H     hold this side's picture, or let it go
    , and .       the stop before, the next           B     freeze both here (all sides), or let them go
    N, V          next, previous run of all sides     F     flip: one over the other, then the next, then both
    Tab           choose the next side                X     mirror this side's picture
    T             show the tufts                      G     place the tuft stations: tap four corners
    1 to 5, 0     state to paint with, or none        K     keep stations that are only proposed, once checked
    P             let the assist propose on this frame, of all sides; O at every stop
    Enter         take all proposals on show, go to the next stop, after the last to the next run
    E             the same states as at the last stop U, Y  undo, redo
    D             propose what the assist left open: from the run's other looks, else from other runs at this ratio
    J             to the next station that is open here; then 1 to 5 give it its state and go on to the next
    Z             what is to be done next: as J where a station is open, else as Enter
    L             show or hide what the generation before did at this ratio (faint)
    C             take that over as proposals, where nothing is said yet
    Shift-arrows  choose a station                    Space paint it; R from it outboard along its row
    + - Home      zoom; Ctrl-arrows move the picture  W     which wing this camera shows
    M             the map of first separations        S     save the pictures for the report
    Q             small copies of the camera files, for a slider that follows the finger
    tap           on a station: the state to paint with; without one, its next state; a drag paints a row

Main names: `update`, `stepped`, `written`, `with_message`, `followed`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from logger_app.domain.moments import ias_at
from logger_app.domain.station_ratios import states_at
from logger_app.domain.tuft_grid import Grid, mirrored_order, nearest, next_state, places
from logger_app.domain.tufts import STATES, TuftMark, TuftState, implied_states, in_force, place_words, station_order
from logger_app.errors import SyncError
from logger_app.ui.presenters.compare_state import (
    STOPS,
    Axis,
    Change,
    CompareState,
    Decide,
    Effect,
    Followed,
    MakeQuick,
    PlaceGrid,
    Propose,
    RemoveGrid,
    Save,
    SetWing,
    Step,
    TurnRun,
    carried_here,
    disputes_here,
    ghosts_here,
    grid_here,
    marks_here,
    place_of,
    rows_of,
    span,
    speeds_of,
    stop_times,
    wanted,
)

TIME_STEP_S, SPEED_STEP_KT, RATIO_STEP = 0.5, 1.0, 0.01
MAX_ZOOM, ZOOM_STEP, PAN_STEP = 8.0, 1.4, 0.15
WINGS = ("", "left", "right")
Done = tuple[CompareState, tuple[Effect, ...]]
KEYS_HELP = (
    ("Left Right", "frame"),
    (", .", "stop"),
    ("A", "axis"),
    ("B", "freeze both"),
    ("N V", "run"),
    ("1-5", "state"),
    ("Enter", "take, next stop"),
    ("J", "next open station"),
    ("Z", "what is next: J or Enter"),
    ("L C D", "generation before: show, take over; fill from other looks"),
    ("E", "same as last stop"),
    ("U Y", "undo, redo"),
    ("P O", "propose here, at every stop"),
    ("G", "place stations"),
    ("M", "map"),
    ("S", "save"),
)


def update(state: CompareState, key: str) -> Done:
    """What a key or touch does.

    Parameters
    ----------
    key : str
        A key's name; ``at:VALUE`` (slider), ``tap:SIDE:X:Y`` and ``drag:SIDE:X:Y`` (picture, fractions from its upper
        left), ``release``, ``side:N``, ``run:SIDE:BY``, ``rows:SPANS;CHORDS``, ``zoom:SIDE:FACTOR:X:Y``, ``pan:SIDE:DX:DY``,
        ``settle`` (a while without a tap).

    Returns
    -------
    tuple of (CompareState, tuple of Effect)
        New state, and what must happen outside, in order.
    """
    effects: tuple[Effect, ...] = ()
    name, _, rest = key.partition(":")
    if name not in ("tap", "drag", "release", "zoom", "pan", "undo", "u"):
        state, effects = _settled(state)
        if key == "settle":
            return state, effects
    if name not in ("drag", "release"):
        state = replace(state, message="", trouble=False)
    done, more = _ACTS[name](state, rest) if name in _ACTS else (state, ())
    return done, effects + more


def stepped(state: CompareState, side: int, flight_s: float) -> CompareState:
    """After a `Step`: the axis goes where the side's new frame is; a held side moves alone."""
    if state.held[side] is not None:
        return replace(state, held=_put(state.held, side, flight_s))
    at = place_of(state, state.sides[side], flight_s)
    if at is None:
        return replace(state, message="The fitted approach ends here; A shows time to stall, which goes on.")
    return replace(state, at=at)


def written(state: CompareState, side: int, marks: Sequence[TuftMark], message: str) -> CompareState:
    """With marks that were just written elsewhere: the assist's."""
    return replace(with_message(state, message), marks=_put(state.marks, side, (*state.marks[side], *marks)))


def with_message(state: CompareState, message: str, trouble: bool = False) -> CompareState:
    """With a sentence on the screen."""
    return replace(state, message=message, trouble=trouble, busy=False)


def followed(state: CompareState, side: int, found: Followed) -> CompareState:
    """With stations that follow the camera at a side; a large move is told."""
    state = replace(state, followed=_put(state.followed, side, found))
    doubtful = found.large or found.grid is None
    if found.words and (doubtful or not state.message):
        return replace(state, message=found.words, trouble=doubtful)
    return state


def first_stop(state: CompareState) -> float:
    """The fastest stop that is on the axis."""
    return next((r for r in STOPS if r <= span(state)[0]), 1.0)


# what moves


def _move(state: CompareState, at: float) -> Done:
    left, right = span(state)
    return replace(state, at=min(max(at, min(left, right)), max(left, right))), ()


def _slide(state: CompareState, rest: str) -> Done:
    return _move(state, float(rest))


def _coarse(sign: int) -> Callable[[CompareState, str], Done]:
    def act(state: CompareState, _: str) -> Done:
        by = {Axis.TIME: TIME_STEP_S, Axis.AIRSPEED: -SPEED_STEP_KT, Axis.RATIO: -RATIO_STEP}[state.axis]
        return _move(state, state.at + sign * by)

    return act


def _frame(by: int) -> Callable[[CompareState, str], Done]:
    return lambda state, _: (state, (Step(state.chosen, by),))


def _stop(by: int) -> Callable[[CompareState, str], Done]:
    """To the next or last stop, on the axis of ratios."""

    def act(state: CompareState, _: str) -> Done:
        if state.axis is not Axis.RATIO:
            state = _to_axis(state, Axis.RATIO)
            if state.trouble:
                return state, ()
        further = [r for r in STOPS if (r < state.at - 1e-6 if by > 0 else r > state.at + 1e-6)]
        if not further:
            return with_message(state, "That was the last stop." if by > 0 else "That was the first stop."), ()
        return _move(state, max(further) if by > 0 else min(further))

    return act


def _axis(state: CompareState, _: str) -> Done:
    order = (Axis.RATIO, Axis.AIRSPEED, Axis.TIME)
    return _to_axis(state, order[(order.index(state.axis) + 1) % len(order)]), ()


def _to_axis(state: CompareState, axis: Axis) -> CompareState:
    """The same picture of the chosen side on another axis."""
    facts, now_s = state.sides[state.chosen], wanted(state)[state.chosen][0]
    if axis is not Axis.TIME and not any(speeds_of(side) for side in state.sides):
        state = replace(state, axis=Axis.TIME)
        return with_message(
            state, "No approach could be fitted to these runs; only time to stall can be the axis.", True
        )
    changed = replace(state, axis=axis)
    at = None if now_s is None else place_of(changed, facts, now_s)
    if at is None:
        at = {Axis.RATIO: 1.0, Axis.TIME: 0.0, Axis.AIRSPEED: span(changed)[1]}[axis]
    return _move(changed, at)[0]


def _hold(state: CompareState, rest: str) -> Done:
    side = int(rest) if rest else state.chosen
    held = None if state.held[side] is not None else wanted(state)[side][0]
    words = "stays while the slider moves" if held is not None else "moves with the slider again"
    return replace(state, held=_put(state.held, side, held), message=f"{state.sides[side].name} {words}."), ()


def _freeze(state: CompareState, _: str) -> Done:
    if any(held is not None for held in state.held):
        return replace(state, held=(None,) * len(state.sides), message="All sides move with the slider again."), ()
    return replace(state, held=tuple(at for at, _ in wanted(state)), message="All sides are frozen here."), ()


def _turn(by: int) -> Callable[[CompareState, str], Done]:
    return lambda state, _: (state, (TurnRun(by),))


def _run(state: CompareState, rest: str) -> Done:
    side, by = rest.split(":")
    return state, (TurnRun(int(by), int(side)),)


# what is looked at


def _flip(state: CompareState, _: str) -> Done:
    after = 0 if state.over is None else state.over + 1
    over = None if after == len(state.sides) else after
    return replace(state, over=over, chosen=over if over is not None else state.chosen), ()


def _next_side(state: CompareState, _: str) -> Done:
    return _choose(state, str((state.chosen + 1) % len(state.sides)))


def _choose(state: CompareState, rest: str) -> Done:
    side = int(rest)
    return replace(state, chosen=side, over=None if state.over is None else side, placing=None), ()


def _tufts(state: CompareState, _: str) -> Done:
    return replace(state, tufts=not state.tufts), ()


def _map(state: CompareState, _: str) -> Done:
    return replace(state, mapped=not state.mapped), ()


def _mirror(state: CompareState, _: str) -> Done:
    return replace(state, mirrored=_put(state.mirrored, state.chosen, not state.mirrored[state.chosen])), ()


def _escape(state: CompareState, _: str) -> Done:
    return replace(state, placing=None, mapped=False, palette=None, cursor="", stepping=False), ()


def _zoom(state: CompareState, rest: str) -> Done:
    side_text, factor, x, y = rest.split(":")
    side, by, at = int(side_text), float(factor), (float(x), float(y))
    now, *middle = state.zoom[side]
    new = min(MAX_ZOOM, max(1.0, now * by))
    # What is under the fingers stays there.
    kept = [a + (m - a) * now / new for a, m in zip(at, middle)]
    return replace(state, zoom=_put(state.zoom, side, _within(new, kept[0], kept[1]))), ()


def _zoom_key(by: float) -> Callable[[CompareState, str], Done]:
    def act(state: CompareState, _: str) -> Done:
        if by == 0:
            return replace(state, zoom=_put(state.zoom, state.chosen, (1.0, 0.5, 0.5))), ()
        at = next((p for p in _places(state, state.chosen) if p[0] == state.cursor), None)
        x, y = (at[1], at[2]) if at else state.zoom[state.chosen][1:]
        return _zoom(state, f"{state.chosen}:{by}:{x}:{y}")

    return act


def _pan(state: CompareState, rest: str) -> Done:
    side_text, dx, dy = rest.split(":")
    side = int(side_text)
    zoom, x, y = state.zoom[side]
    moved = _within(zoom, x - float(dx) / zoom, y - float(dy) / zoom)
    return replace(state, zoom=_put(state.zoom, side, moved)), ()


def _pan_key(dx: float, dy: float) -> Callable[[CompareState, str], Done]:
    return lambda state, _: _pan(state, f"{state.chosen}:{dx}:{dy}")


def _within(zoom: float, x: float, y: float) -> tuple[float, float, float]:
    edge = 0.5 / zoom
    return zoom, min(max(x, edge), 1 - edge), min(max(y, edge), 1 - edge)


# where the stations are


def _place(state: CompareState, _: str) -> Done:
    if state.shown[state.chosen].why:
        return with_message(state, "There is no picture at this side to place stations on.", True), ()
    return replace(state, placing=(), tufts=True), ()


def _rows(state: CompareState, rest: str) -> Done:
    """Rows of tufts at measured percentages: ``6 18.5 31;20 50 80``."""
    try:
        spans, chords = (tuple(float(v) for v in part.replace(",", " ").split()) for part in rest.split(";"))
    except ValueError:
        return with_message(state, f"Rows: got {rest!r}; expected numbers, as 10 30 50 70 90 and 20 50 80.", True), ()
    side, camera = state.chosen, state.shown[state.chosen].camera
    placed = state.grids.get((side, camera))
    try:
        corners = placed.corners if placed else ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))
        at_s = placed.flight_s if placed else None
        grid = Grid(camera=camera, corners=corners, span_pct=spans, chord_pct=chords, flight_s=at_s)
    except SyncError as err:
        return with_message(state, str(err), True), ()
    state = replace(state, rows=(spans, chords))
    if placed is None:
        return with_message(state, f"{len(grid.stations())} stations; G places them."), ()
    names = {station.id for station in grid.stations()}
    lost = {m.station for m in in_force(rows_of(state, side)) if m.camera == camera and not m.proposed} - names
    if lost:
        listed = ", ".join(sorted(lost, key=station_order)[:6])
        words = (
            f"Nothing changed: {len(lost)} stations that have marks would vanish ({listed}). Undo those marks first."
        )
        return with_message(state, words, True), ()
    return _with_grid(state, side, grid)


def _corner(state: CompareState, corner: tuple[float, float]) -> Done:
    corners = (*(state.placing or ()), corner)
    if len(corners) < 4:
        return replace(state, placing=corners), ()
    state, side = replace(state, placing=None), state.chosen
    shown = state.shown[side]
    before = state.grids.get((side, shown.camera))
    spans, chords = (before.span_pct, before.chord_pct) if before else state.rows
    try:
        grid = Grid(camera=shown.camera, corners=corners, span_pct=spans, chord_pct=chords, flight_s=shown.flight_s)
    except SyncError as err:
        return with_message(state, str(err), True), ()
    if mirrored_order(grid, shown.wing):
        words = (
            f"On a {shown.wing} wing seen from above these corners go round the wrong way: leading and trailing edge, or "
            "root and tip, are swapped. Place them again, or press W if this is the other wing."
        )
        return with_message(state, words, True), ()
    return _with_grid(state, side, grid)


def _with_grid(state: CompareState, side: int, grid: Grid, carried_from: str = "", words: str = "") -> Done:
    before = state.grids.get((side, grid.camera))
    change = Change(side=side, grids=(before, grid), camera=grid.camera)
    state = replace(
        state,
        grids={**state.grids, (side, grid.camera): grid},
        followed=_put(state.followed, side, None),
        undo=(*state.undo, change),
        redo=(),
        tufts=True,
        message=words or f"{len(grid.stations())} stations on {state.sides[side].name}.",
    )
    return state, (PlaceGrid(side, grid, carried_from),)


def _keep(state: CompareState, _: str) -> Done:
    side = state.chosen
    if (found := carried_here(state, side)) is None:
        return with_message(state, "There are no proposed stations to keep here."), ()
    grid, flight = found
    grid = replace(grid, flight_s=state.shown[side].flight_s)
    words = f"{len(grid.stations())} stations kept on {state.sides[side].name}" + (
        f", as placed on {flight}." if flight else "."
    )
    return _with_grid(replace(state, placing=None), side, grid, flight, words)


def check_first(flight: str) -> str:
    """What to do with stations that are only proposed."""
    whose = f"Placed on {flight}" if flight else "Moved with the camera"
    return f"{whose}, check it: K keeps these stations, G places them anew."


def _wing(state: CompareState, _: str) -> Done:
    side, shown = state.chosen, state.shown[state.chosen]
    if not shown.camera:
        return with_message(state, "There is no camera at this side.", True), ()
    wing = WINGS[(WINGS.index(shown.wing) + 1) % len(WINGS)] if shown.wing in WINGS else ""
    shown = replace(shown, wing=wing)
    state = replace(state, shown=_put(state.shown, side, shown))
    words = f"Camera {shown.camera} shows the {wing} wing." if wing else f"Camera {shown.camera}: wing not known."
    return replace(state, message=words), (SetWing(side, shown.camera, wing),)


# what the tufts do


def _palette(state: CompareState, rest: str) -> Done:
    chosen = STATES[int(rest) - 1] if rest != "0" else None
    return replace(state, palette=chosen, tufts=True, message=f"Painting {chosen}." if chosen else "Not painting."), ()


def _digit(number: str) -> Callable[[CompareState, str], Done]:
    """Choose the state to paint with; while stepping, paint the station and go to the next that is open."""

    def act(state: CompareState, _: str) -> Done:
        if not state.stepping or number == "0" or not state.cursor:
            return _palette(state, number)
        state, effects = _paint(state, state.chosen, [state.cursor], STATES[int(number) - 1])
        words = state.message
        state, more = _next_open(state, "")
        return replace(state, message=f"{words}. {state.message}"), effects + more

    return act


def _tap(state: CompareState, rest: str) -> Done:
    side_text, x_text, y_text = rest.split(":")
    side, x, y = int(side_text), float(x_text), float(y_text)
    if state.placing is not None and side == state.chosen:
        return _corner(state, (1 - x if state.mirrored[side] else x, y))
    state = replace(state, chosen=side, stroke=())
    if not state.tufts or state.shown[side].why:
        return state, ()
    if (proposed := carried_here(state, side)) is not None:
        return with_message(state, check_first(proposed[1]), True), ()
    station = _station_at(state, side, x, y)
    return (state, ()) if station is None else _paint(state, side, [station])


def _drag(state: CompareState, rest: str) -> Done:
    """A finger that goes on: what it passes gets the state of where it began."""
    side_text, x_text, y_text = rest.split(":")
    side = int(side_text)
    if side != state.chosen or not state.stroke or state.placing is not None:
        return state, ()
    station = _station_at(state, side, float(x_text), float(y_text))
    if station is None or station in state.stroke:
        return state, ()
    given = next((m.state for at, m in state.pending if m.station == state.stroke[0]), None)
    return _paint(state, side, [station], given, go_on=True)


def _release(state: CompareState, _: str) -> Done:
    return (replace(state, stroke=()) if state.stroke else state), ()


def _cursor(dx: int, dy: int) -> Callable[[CompareState, str], Done]:
    """To the next station along the span or the chord; first to one that needs a look."""

    def act(state: CompareState, _: str) -> Done:
        grid = grid_here(state, state.chosen)
        if grid is None:
            return with_message(state, "Place the tuft stations first: G, then four corners.", True), ()
        names = [station.id for station in grid.stations()]
        state = replace(state, tufts=True)
        if state.cursor not in names:
            here = marks_here(state, state.chosen)
            first = next((n for n in names if n not in here or here[n].proposed), names[0])
            return replace(state, cursor=first, message=place_words(first)), ()
        span_at, chord_at = divmod(names.index(state.cursor), len(grid.chord_pct))
        span_at = min(max(span_at + dx, 0), len(grid.span_pct) - 1)
        chord_at = min(max(chord_at + dy, 0), len(grid.chord_pct) - 1)
        name = names[span_at * len(grid.chord_pct) + chord_at]
        return replace(state, cursor=name, message=place_words(name)), ()

    return act


def _brush(row: bool) -> Callable[[CompareState, str], Done]:
    """Paint the station of the cursor, or from it outboard along its row."""

    def act(state: CompareState, _: str) -> Done:
        grid = grid_here(state, state.chosen)
        if grid is None or state.cursor not in {station.id for station in grid.stations()}:
            return with_message(state, "Choose a station first: Shift and an arrow.", True), ()
        chosen = next(station for station in grid.stations() if station.id == state.cursor)
        names = [
            station.id
            for station in grid.stations()
            if station.chord_pct == chosen.chord_pct and station.span_pct >= chosen.span_pct
        ]
        return _paint(state, state.chosen, names if row else names[:1])

    return act


def _paint(
    state: CompareState, side: int, stations: Sequence[str], given: TuftState | None = None, go_on: bool = False
) -> Done:
    """Give stations a state; one undo takes all of a stroke back."""
    flushed: tuple[Effect, ...] = ()
    if not go_on and any((at, mark.station) != (side, stations[0]) for at, mark in state.pending):
        state, flushed = _settled(state)
    here, disputed = marks_here(state, side), disputes_here(state, side)
    pending = list(state.pending)
    words = ""
    for station in stations:
        before = here.get(station)
        after = given or state.palette
        if after is None:
            after = (
                before.state if before is not None and before.proposed else next_state(before.state if before else None)
            )
        mark = replace(_mark(state, side, station, after), settles=station in disputed)
        pending = [(at, m) for at, m in pending if (at, m.station) != (side, station)] + [(side, mark)]
        words = f"{place_words(station)}: {after}" + (" (settles the disagreement)" if mark.settles else "")
    return replace(state, pending=tuple(pending), stroke=(*state.stroke, *stations), message=words), flushed


def _same(state: CompareState, _: str) -> Done:
    """States of the last stop that has any, at stations that nobody has decided here."""
    side, shown = state.chosen, state.shown[state.chosen]
    if shown.why or grid_here(state, side) is None:
        return with_message(state, "There are no stations at this side.", True), ()
    held = [m for m in in_force(state.marks[side]) if not m.proposed and m.camera == shown.camera]
    earlier = [m for m in held if m.flight_ns < round(shown.flight_s * 1e9) - 1_000_000 and m.frame_pts != shown.pts]
    if not earlier:
        return with_message(state, "No stop before this one has been marked in this run."), ()
    last = max(m.flight_ns for m in earlier)
    here = marks_here(state, side)
    marks = tuple(
        _mark(state, side, m.station, m.state)
        for m in earlier
        if m.flight_ns == last and (m.station not in here or here[m.station].proposed)
    )
    return _decided(state, [(side, marks)], f"{len(marks)} states as at the last stop.")


def _take(state: CompareState, _: str) -> Done:
    """All proposals on show become the person's observations; then on to the next stop, and after the last to the next run."""
    sides = range(len(state.sides)) if state.over is None else (state.over,)
    taken = [
        (side, tuple(_mark(state, side, m.station, m.state) for m in marks_here(state, side).values() if m.proposed))
        for side in sides
        if not state.shown[side].why
    ]
    count = sum(len(marks) for _, marks in taken)
    waiting = any(
        m.proposed for side in sides for m in in_force(state.marks[side]) if m.frame_pts != state.shown[side].pts
    )
    decided = any(not m.proposed for side in sides for m in marks_here(state, side).values())
    if not count and not waiting and not decided:
        return with_message(state, "There is no proposal on this frame."), ()
    state = replace(state, stepping=False, cursor="" if state.stepping else state.cursor)
    state, effects = _decided(state, taken, _taken_words(count, decided and not waiting))
    if state.axis is Axis.RATIO and not any(held is not None for held in state.held):
        words = state.message
        moved, _more = _stop(1)(state, "")
        if moved.at != state.at:
            state = replace(moved, message=words)
        elif count or decided:
            return state, (*effects, TurnRun(1))
    return state, effects


def _taken_words(count: int, all_here: bool) -> str:
    return f"{count} proposals taken." if count else "All here is taken." if all_here else ""


def _next_thing(state: CompareState, _: str) -> Done:
    """One key for the left hand: an open station, else take all and go on."""
    found, effects = _next_open(state, "")
    return (found, effects) if found.stepping else _take(state, "")


def _decided(state: CompareState, decided: Sequence[tuple[int, tuple[TuftMark, ...]]], words: str) -> Done:
    effects: list[Effect] = []
    for side, marks in decided:
        if marks:
            state = _with_marks(state, side, marks)
            effects.append(Decide(side, marks))
    return replace(with_message(state, words)), tuple(effects)


def _with_marks(state: CompareState, side: int, marks: tuple[TuftMark, ...]) -> CompareState:
    return replace(
        state,
        marks=_put(state.marks, side, (*state.marks[side], *marks)),
        undo=(*state.undo, Change(side=side, marks=marks)),
        redo=(),
    )


def _propose(state: CompareState, _: str) -> Done:
    times: dict[int, tuple[float, ...]] = {k: (state.shown[k].flight_s,) for k in _sides_on_show(state)}
    return _ask(state, times, "Analysing the last half second ...")


def _propose_all(state: CompareState, _: str) -> Done:
    times = {k: stop_times(state, state.sides[k]) for k in _sides_on_show(state)}
    return _ask(state, times, "Analysing every stop ...")


def _ask(state: CompareState, times: dict[int, tuple[float, ...]], words: str) -> Done:
    ready = {k: at for k, at in times.items() if grid_here(state, k) is not None and not carried_here(state, k)}
    if not ready:
        proposed = next((found for k in times if (found := carried_here(state, k))), None)
        lacking = check_first(proposed[1]) if proposed else "Place the tuft stations first: G, then four corners."
        return with_message(replace(state, tufts=True), lacking, True), ()
    return replace(state, busy=True, tufts=True, message=words), tuple(Propose(k, at) for k, at in ready.items())


def _next_open(state: CompareState, _: str) -> Done:
    """The cursor to the next station without a state, or in dispute: on the chosen side first, then on the others."""
    sides = _sides_on_show(state)
    after = sides.index(state.chosen) if state.chosen in sides else 0
    for side in (*sides[after:], *sides[:after]):
        grid = grid_here(state, side)
        if grid is None or carried_here(state, side):
            continue
        here, disputed = marks_here(state, side), disputes_here(state, side)
        names = [s.id for s in grid.stations() if s.id not in here or s.id in disputed]
        if names:
            words = f"{place_words(names[0])}: 1 to 5 give it its state ({len(names)} open here). Esc ends."
            state = replace(state, chosen=side, cursor=names[0], stepping=True, tufts=True)
            return replace(state, message=words), ()
    return replace(state, stepping=False, cursor="", message="No station is open on this frame."), ()


def _fill(state: CompareState, _: str) -> Done:
    """Proposals for stations that a look of the run leaves open; no row is written.

    From its other looks where they agree, else from the other runs of the configuration at the same ratio.
    """
    borrowed = list(state.borrowed)
    for side in _sides_on_show(state):
        grid = state.grids.get((side, state.shown[side].camera))
        if grid is None or carried_here(state, side):
            continue
        looks: dict[tuple[int, int], list[TuftMark]] = {}
        for mark in in_force(rows_of(state, side)):
            if mark.camera == grid.camera:
                looks.setdefault((mark.flight_ns, mark.frame_pts), []).append(mark)
        order = sorted(looks)
        said = [{m.station: m.state for m in looks[key] if m.state is not TuftState.NOT_VISIBLE} for key in order]
        known = [{m.station for m in looks[key]} for key in order]
        for key, more, names in zip(order, implied_states(said, (s.id for s in grid.stations())), known):
            one = looks[key][0]
            usual = _usual(state, side, one)
            stations = {s.id for s in grid.stations()} - names
            for source, states in (("other runs", usual), ("other looks", more)):
                for station in stations & set(states):
                    made = mark_at(state, side, key[0] / 1e9, one.camera, key[1], one.wing, station, states[station])
                    borrowed.append((side, replace(made, proposed=True, who=source)))
    places_of = [{(at, m.frame_pts, m.station) for at, m in rows} for rows in (borrowed, state.borrowed)]
    count = len(places_of[0] - places_of[1])
    if not count:
        return with_message(state, "The other looks and runs say nothing more."), ()
    words = f"{count} open stations proposed from other looks and runs: look at each, then Enter."
    return replace(with_message(state, words), borrowed=tuple(borrowed), tufts=True), ()


def _usual(state: CompareState, side: int, look: TuftMark) -> dict[str, TuftState]:
    """What the other runs of the configuration did at the ratio of a look."""
    alike, stall = state.alike[side], state.sides[side].result.vs_ias_kt
    return states_at(alike.marks, look.ias_kt / stall, look.wing) if alike and stall and look.ias_kt else {}


def _take_over(state: CompareState, _: str) -> Done:
    """What the generation before did at this ratio, as proposals where nothing is said yet; no row is written."""
    count, borrowed = 0, list(state.borrowed)
    for side in _sides_on_show(state):
        grid, here = grid_here(state, side), marks_here(state, side)
        if grid is None or carried_here(state, side):
            continue
        names = {station.id for station in grid.stations()} - set(here)
        for station, tuft in ghosts_here(state, side).items():
            if station in names:
                made = replace(_mark(state, side, station, tuft), proposed=True, who=ghost_name(state, side))
                borrowed.append((side, made))
                count += 1
    if not count:
        return with_message(state, "The generation before says nothing here that is not said already."), ()
    words = f"{count} states of the generation before are proposed: look at each, then Enter."
    return replace(with_message(state, words), borrowed=tuple(borrowed), tufts=True, ghosted=True), ()


def ghost_name(state: CompareState, side: int) -> str:
    """The configuration whose marks are shown faint at a side; empty where there is none."""
    ghost = state.ghosts[side]
    return ghost.configuration if ghost else ""


def _show_ghosts(state: CompareState, _: str) -> Done:
    if not any(state.ghosts):
        return with_message(state, "The generation before has no marks at this point, or there is none."), ()
    return replace(state, ghosted=not state.ghosted, tufts=True), ()


def _sides_on_show(state: CompareState) -> list[int]:
    sides = range(len(state.sides)) if state.over is None else (state.over,)
    return [k for k in sides if not state.shown[k].why]


# what is taken back


def _undo(state: CompareState, _: str) -> Done:
    if state.pending:  # not yet written: gone without a row
        return replace(state, pending=(), stroke=(), message="Undone."), ()
    if not state.undo:
        return with_message(state, "There is nothing to undo."), ()
    *rest, change = state.undo
    state, effects = _applied(state, change, back=True)
    return replace(state, undo=tuple(rest), redo=(*state.redo, change), message="Undone."), effects


def _redo(state: CompareState, _: str) -> Done:
    if not state.redo:
        return with_message(state, "There is nothing to redo."), ()
    *rest, change = state.redo
    state, effects = _applied(state, change, back=False)
    return replace(state, redo=tuple(rest), undo=(*state.undo, change), message="Redone."), effects


def _applied(state: CompareState, change: Change, back: bool) -> Done:
    """A change taken back or made again: journals only grow, so that this writes rows too."""
    side = change.side
    if change.grids is not None:
        grid = change.grids[0 if back else 1]
        grids = {key: g for key, g in state.grids.items() if key != (side, change.camera)}
        state = replace(state, followed=_put(state.followed, side, None))
        if grid is None:
            return replace(state, grids=grids), (RemoveGrid(side, change.camera),)
        return replace(state, grids={**grids, (side, change.camera): grid}), (PlaceGrid(side, grid),)
    marks = tuple(replace(mark, withdrawn=back) for mark in change.marks)
    return replace(state, marks=_put(state.marks, side, (*state.marks[side], *marks))), (Decide(side, marks),)


def _quick(state: CompareState, _: str) -> Done:
    return replace(state, message="Making quick copies ..."), (MakeQuick(),)


def _save(state: CompareState, _: str) -> Done:
    return state, (Save(),)


_ACTS: dict[str, Callable[[CompareState, str], Done]] = {
    "at": _slide,
    "up": _coarse(-1),
    "down": _coarse(1),
    "left": _frame(-1),
    "right": _frame(1),
    ",": _stop(-1),
    ".": _stop(1),
    "a": _axis,
    "h": _hold,
    "b": _freeze,
    "n": _turn(1),
    "v": _turn(-1),
    "run": _run,
    "f": _flip,
    "tab": _next_side,
    "side": _choose,
    "t": _tufts,
    "x": _mirror,
    "g": _place,
    "rows": _rows,
    "w": _wing,
    "escape": _escape,
    "p": _propose,
    "o": _propose_all,
    "enter": _take,
    "e": _same,
    "d": _fill,
    "j": _next_open,
    "z": _next_thing,
    "c": _take_over,
    "l": _show_ghosts,
    "u": _undo,
    "y": _redo,
    "s": _save,
    "q": _quick,
    "m": _map,
    "k": _keep,
    "tap": _tap,
    "drag": _drag,
    "release": _release,
    "shift-left": _cursor(-1, 0),
    "shift-right": _cursor(1, 0),
    "shift-up": _cursor(0, -1),
    "shift-down": _cursor(0, 1),
    "space": _brush(row=False),
    "r": _brush(row=True),
    "zoom": _zoom,
    "pan": _pan,
    "+": _zoom_key(ZOOM_STEP),
    "-": _zoom_key(1 / ZOOM_STEP),
    "home": _zoom_key(0),
    "ctrl-left": _pan_key(PAN_STEP, 0),
    "ctrl-right": _pan_key(-PAN_STEP, 0),
    "ctrl-up": _pan_key(0, PAN_STEP),
    "ctrl-down": _pan_key(0, -PAN_STEP),
    **{str(k): _digit(str(k)) for k in range(len(STATES) + 1)},
}


def _settled(state: CompareState) -> Done:
    """Taps become rows once the finger is elsewhere: states passed on the way are nobody's observation."""
    effects: list[Effect] = []
    for side in sorted({side for side, _ in state.pending}):
        marks = tuple(mark for at, mark in state.pending if at == side)
        state = _with_marks(state, side, marks)
        effects.append(Decide(side, marks))
    return replace(state, pending=(), stroke=()), tuple(effects)


def _mark(state: CompareState, side: int, station: str, tuft: TuftState) -> TuftMark:
    shown = state.shown[side]
    return mark_at(state, side, shown.flight_s, shown.camera, shown.pts, shown.wing, station, tuft)


def mark_at(
    state: CompareState, side: int, flight_s: float, camera: str, pts: int, wing: str, station: str, tuft: TuftState
) -> TuftMark:
    """A person's mark of a station on a frame of a side's run, with the speed of then.

    Parameters
    ----------
    flight_s : float
        When the frame was [s].
    """
    facts = state.sides[side]
    to_stall_s = flight_s - facts.event_s
    return TuftMark(
        flight_ns=round(flight_s * 1e9),
        camera=camera,
        frame_pts=pts,
        station=station,
        state=tuft,
        ias_kt=ias_at(facts.result, flight_s + facts.lag_s),
        ias_u_kt=facts.result.vs_ias_u_kt or 0.0,
        to_stall_s=to_stall_s,
        who=state.who,
        run=facts.result.run,
        wing=wing,
    )


def _places(state: CompareState, side: int) -> list[tuple[str, float, float]]:
    """Stations as drawn: fractions of the picture as shown, mirrored where it is."""
    grid = grid_here(state, side)
    if grid is None or state.shown[side].why:
        return []
    height = 1000
    width = round(height * state.shown[side].aspect)
    found = [(p.station.id, p.x / width, p.y / height) for p in places(grid, width, height)]
    return [(name, 1 - x if state.mirrored[side] else x, y) for name, x, y in found]


def _station_at(state: CompareState, side: int, x: float, y: float) -> str | None:
    grid = grid_here(state, side)
    if grid is None:
        return None
    height = 1000
    width = round(height * state.shown[side].aspect)
    x = 1 - x if state.mirrored[side] else x
    return nearest(places(grid, width, height), x * width, y * height)


def _put(values: tuple, k: int, value) -> tuple:
    return (*values[:k], value, *values[k + 1 :])

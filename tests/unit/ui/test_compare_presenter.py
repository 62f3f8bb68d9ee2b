"""The compare screen's presenter: one axis, every side; tufts by tap."""

from dataclasses import replace

import pytest

from logger_app.domain.station_ratios import Ghost, RatioMark
from logger_app.domain.tuft_grid import Grid, places
from logger_app.domain.tufts import RunMarks, TuftMark, TuftState
from logger_app.records.compare import Shown, SideFacts
from logger_app.records.results import StallSpeed
from logger_app.records.runs import StallEvent
from logger_app.ui.presenters import compare as p
from logger_app.ui.presenters.compare_state import (
    Axis,
    Decide,
    Followed,
    PlaceGrid,
    Propose,
    RemoveGrid,
    SetWing,
    Step,
    TurnRun,
    begin,
    maps,
    marks_here,
    wanted,
)
from logger_app.ui.presenters.compare_view import view

CORNERS = ((0.1, 0.2), (0.9, 0.2), (0.9, 0.8), (0.1, 0.8))


def side(name, vs, event_s, lag_s=0.0):
    """An approach at 1 kt/s from 14 kt above the stall."""
    curve = tuple((event_s + lag_s - back, vs + back) for back in range(14, -1, -1))
    result = StallSpeed(
        run=f"{name}-1",
        run_number=1,
        flight=f"day_{name}",
        configuration=name,
        point="A1",
        event=next(iter(StallEvent)),
        method="fit",
        counts=True,
        vs_ias_kt=vs,
        event_flight_s=event_s + lag_s,
        curve=curve,
        entry_rate_kt_per_s=1.0,
    )
    calls = (
        (event_s - 6, f"{vs + 6:.0f}", False),
        (event_s - 3, "buffet", True),
        (event_s, "break", True),
        (event_s + 2, "recovered", True),
    )
    return SideFacts(
        configuration=name,
        name=name.title(),
        flight=f"day_{name}",
        run_number=1,
        result=result,
        event_s=event_s,
        lag_s=lag_s,
        calls=calls,
    )


@pytest.fixture
def by_ratio():
    made = begin([side("baseline", 50, 100.0), side("cuffs", 46, 300.0, 0.4)], "kt", "ann")
    return replace(made, shown=tuple(Shown(camera="wing", pts=7, flight_s=s.event_s, aspect=1.5) for s in made.sides))


@pytest.fixture
def state(by_ratio):
    return replace(by_ratio, axis=Axis.TIME, at=0.0)


def press(state, *keys):
    effects = []
    for key in keys:
        state, done = p.update(state, key)
        effects += done
    return state, effects


def test_it_begins_at_the_stall_of_both(state):
    assert wanted(state) == ((100.0, ""), (300.0, ""))
    assert view(state).description == "at the stall"
    assert view(press(state, "at:-3")[0]).description == "3.00 s before the stall"


def test_one_slider_moves_both_by_time_and_by_airspeed(state):
    state, _ = press(state, "at:-4.5")
    assert [t for t, _ in wanted(state)] == pytest.approx([95.5, 295.5])

    state, _ = press(state, "a", "a")
    assert (state.axis, state.at) == (Axis.AIRSPEED, pytest.approx(54.5))
    state, _ = press(state, "at:52")
    assert [t for t, _ in wanted(state)] == pytest.approx([98.0, 294.0])
    assert all("52.0 kt indicated" in panel.description for panel in view(state).panels)


def test_a_speed_that_one_side_never_flew_says_so_and_shows_the_other(state):
    state, _ = press(state, "a", "a", "at:47")
    (first, why), (second, _) = wanted(state)

    assert first is None and "not flown" in why
    assert second == pytest.approx(299.0)
    assert view(state).panels[0].why == why


def test_the_axis_falls_to_the_right_and_nothing_leaves_it(state):
    state, _ = press(state, "a", "a", "at:500")
    made = view(state)
    assert (made.left, made.right, made.at) == (64, 46, 64)
    state, _ = press(state, "down", "down")
    assert state.at == 62
    state, _ = press(state, "up", "up", "up", "up")
    assert state.at == 64


def test_a_held_side_stays_and_steps_alone(state):
    state, _ = press(state, "at:-2", "h", "at:-8")
    assert [t for t, _ in wanted(state)] == pytest.approx([98.0, 292.0])
    state, effects = press(state, "right")
    assert effects == [Step(0, 1)]
    state = p.stepped(state, 0, 98.04)
    assert [t for t, _ in wanted(state)] == pytest.approx([98.04, 292.0])
    state, _ = press(state, "h")
    assert [t for t, _ in wanted(state)] == pytest.approx([92.0, 292.0])


def test_a_step_takes_the_axis_along_on_either_axis(state):
    state = p.stepped(state, 1, 299.0)
    assert [t for t, _ in wanted(state)] == pytest.approx([99.0, 299.0])
    state, _ = press(state, "a", "a")
    state = p.stepped(state, 0, 96.5)
    assert state.at == pytest.approx(53.5)
    assert "ends here" in p.stepped(state, 0, 104.0).message


def test_flip_shows_each_over_the_other_then_both(state):
    seen = []
    for _ in range(3):
        state, _ = press(state, "f")
        seen.append([panel.side for panel in view(state).panels])
    assert seen == [[0], [1], [0, 1]]


def test_calls_and_events_are_marks_where_they_were_seen(state):
    marks = {(m.side, m.words): m.at for m in view(state).marks}
    assert marks[(0, "buffet")] == pytest.approx(-3)
    assert marks[(1, "recovered")] == pytest.approx(2)
    state, _ = press(state, "a", "a")
    marks = {(m.side, m.words): m.at for m in view(state).marks}
    assert marks[(0, "buffet")] == pytest.approx(53)
    assert marks[(1, "52")] == pytest.approx(52)
    assert (1, "recovered") not in marks, "after the stall there is no fitted speed"


def place(state):
    return press(state, "g", *(f"tap:0:{x}:{y}" for x, y in CORNERS))


def tap(state, station, side=0):
    grid = state.grids[(side, "wing")]
    at = next(q for q in places(grid, 1500, 1000) if q.station.id == station)
    return press(state, f"tap:{side}:{at.x / 1500}:{at.y / 1000}")


def test_four_taps_place_the_stations_of_that_camera_only(state):
    asking, _ = press(state, "g", "tap:0:0.1:0.2")
    assert "tip leading edge" in view(asking).message
    state, (effect,) = place(state)

    assert effect == PlaceGrid(0, state.grids[(0, "wing")])
    assert effect.grid.corners == CORNERS
    assert effect.grid.flight_s == 100.0, "so that it is known later whether the camera moved since"
    assert len(view(state).panels[0].stations) == 15
    assert view(state).panels[1].stations == ()


def test_corners_that_cross_are_refused_and_nothing_is_written(state):
    state, effects = press(state, "g", *(f"tap:0:{x}:{y}" for x, y in (CORNERS[0], CORNERS[2], CORNERS[1], CORNERS[3])))
    assert effects == [] and state.trouble and not state.grids


def test_taps_go_through_the_states_and_only_the_last_becomes_a_row(state):
    state, _ = place(state)
    state, effects = tap(state, "50/50")
    state, more = tap(state, "50/50")
    state, yet = tap(state, "50/50")
    assert effects + more + yet == []
    assert marks_here(state, 0)["50/50"].state is TuftState.SEPARATED

    state, (effect,) = press(state, "settle")
    assert [m.state for m in effect.marks] == [TuftState.SEPARATED]
    mark = effect.marks[0]
    assert (mark.camera, mark.frame_pts, mark.ias_kt, mark.who, mark.proposed) == (
        "wing",
        7,
        pytest.approx(50.0),
        "ann",
        False,
    )
    assert press(state, "settle")[1] == []
    assert marks_here(state, 0)["50/50"] == mark


def test_another_key_or_station_writes_what_was_tapped(state):
    state, _ = place(state)
    state, _ = tap(state, "50/50")
    state, effects = tap(state, "70/50")
    assert [m.station for e in effects for m in e.marks] == ["50/50"]
    state, effects = press(state, "at:-3")
    assert [m.station for e in effects for m in e.marks] == ["70/50"]


def proposal(station, tuft, confidence=0.9):
    return TuftMark(
        flight_ns=100,
        camera="wing",
        frame_pts=7,
        station=station,
        state=tuft,
        ias_kt=50.0,
        who="assist",
        proposed=True,
        confidence=confidence,
        run="baseline-1",
    )


def test_a_proposal_is_shown_as_one_until_it_is_taken(state):
    state, _ = place(state)
    state, effects = press(state, "p")
    assert effects == [Propose(0, (100.0,))] and state.busy
    state = p.written(state, 0, [proposal("50/50", TuftState.REVERSED), proposal("70/50", TuftState.ATTACHED)], "")
    shown = {s.id: s for s in view(state).panels[0].stations}
    assert shown["50/50"].proposed and shown["50/50"].confidence == 0.9

    state, _ = tap(state, "50/50")
    shown = {s.id: s for s in view(state).panels[0].stations}
    assert (shown["50/50"].state, shown["50/50"].proposed) == (TuftState.REVERSED, False)
    state, effects = press(state, "enter")
    assert [(m.station, m.who) for m in effects[-1].marks] == [("70/50", "ann")]
    assert not any(s.proposed for s in view(state).panels[0].stations)


def look(station, state, ias_kt, pts, run="baseline-1", **more):
    return TuftMark(
        flight_ns=pts * 10**9,
        camera="wing",
        frame_pts=pts,
        station=station,
        state=state,
        ias_kt=ias_kt,
        run=run,
        **more,
    )


def test_the_map_brackets_each_stations_first_separation_and_the_difference(state):
    attached, separated = TuftState.ATTACHED, TuftState.SEPARATED
    state = p.written(
        state,
        0,
        [look("50/50", attached, 56.0, 1), look("50/50", separated, 52.0, 2), look("90/50", separated, 51.0, 2)],
        "",
    )
    state = p.written(
        state,
        1,
        [
            look("50/50", attached, 50.0, 1, "cuffs-1"),
            look("50/50", separated, 48.0, 2, "cuffs-1"),
            look("90/50", attached, 47.0, 2, "cuffs-1"),
        ],
        "",
    )
    state, _ = press(state, "m")
    base, cuffs, difference = view(state).maps
    assert (base.spans, base.chords) == (("50", "90"), ("50",))
    assert [cell.words for cell in base.cells[0]] == ["52-56", ">51"]
    assert [cell and cell.words for cell in cuffs.cells[0]] == ["48-50", "<47"]
    assert [cell.words for cell in difference.cells[0]] == ["-8..-2", "<-4"]
    assert "attached at 56, separated at 52 kt" in base.notes[0]
    assert view(press(state, "m")[0]).maps == ()


def test_a_map_of_proposals_says_so_and_nothing_looked_at_is_empty(state):
    state, _ = press(state, "m")
    assert view(state).maps == ()
    state = p.written(state, 0, [proposal("50/50", TuftState.SEPARATED)], "")
    assert view(state).maps[0].cells[0][0].proposed


def test_rows_are_at_measured_percentages_and_never_take_marks_away(state):
    """One tap on Span or Chord wrote a new grid: marks vanished from the picture, stayed on the map, and could not be had back."""
    state, _ = place(state)
    state, effects = press(state, "rows:6 31.5 57 83;20 50 80")
    assert effects[-1].grid.span_pct == (6.0, 31.5, 57.0, 83.0) and effects[-1].grid.corners == CORNERS
    state, _ = press(*tap(state, "57/50")[:1], "settle")
    state, effects = press(state, "rows:10 50 90;20 50 80")
    assert effects == [] and state.trouble and "57/50" in state.message
    state, effects = press(state, "rows:6 57 83;20 50 80")
    assert isinstance(effects[-1], PlaceGrid), "that station stays"
    state, effects = press(state, "u")
    assert effects == [PlaceGrid(0, state.grids[(0, "wing")])] and state.grids[(0, "wing")].span_pct == (
        6.0,
        31.5,
        57.0,
        83.0,
    )
    assert press(state, "rows:a b;20")[0].trouble


def test_the_first_grid_can_be_undone_too(state):
    state, _ = place(state)
    state, effects = press(state, "u")
    assert effects == [RemoveGrid(0, "wing")] and not state.grids
    state, effects = press(state, "y")
    assert effects == [PlaceGrid(0, state.grids[(0, "wing")])]


def test_without_stations_or_pictures_it_says_what_to_do_first(state):
    assert "Place the tuft stations first" in press(state, "p")[0].message
    assert press(state, "p")[1] == []
    blind = replace(state, shown=(Shown(why="no camera"),) * 2)
    assert press(blind, "g")[0].trouble
    assert press(state, "nonsense") == (replace(state, message=""), [])


# stations of another flight's grid


@pytest.fixture
def carried(state):
    return replace(state, carried={(1, "wing"): (Grid(camera="wing", corners=CORNERS), "day_baseline")}, tufts=True)


def test_a_grid_of_another_flight_is_shown_as_a_proposal_with_where_it_is_from(carried):
    first, second = view(carried).panels

    assert first.stations == () and first.carried == ""
    assert len(second.stations) == 15 and all(s.carried and s.state is None for s in second.stations)
    assert second.carried.startswith("Placed on day_baseline, check it:")


def test_a_carried_station_takes_no_mark_and_no_proposal_before_it_is_kept(carried):
    station = view(carried).panels[1].stations[0]
    state, effects = press(carried, f"tap:1:{station.x}:{station.y}")
    assert effects == [] and state.trouble and "check it" in state.message
    state, effects = press(carried, "tab", "p")
    assert effects == [] and state.trouble and "check it" in state.message


def test_keeping_it_writes_it_with_the_flight_it_is_from(carried):
    state, effects = press(carried, "tab", "k")
    (placed,) = effects

    assert isinstance(placed, PlaceGrid) and (placed.side, placed.carried_from) == (1, "day_baseline")
    assert not any(s.carried for s in view(state).panels[1].stations) and view(state).panels[1].carried == ""
    station = view(state).panels[1].stations[0]
    state, _ = press(state, f"tap:1:{station.x}:{station.y}")
    assert view(state).panels[1].stations[0].state is TuftState.ATTACHED


def test_placing_anew_hides_the_proposal_and_what_is_placed_is_not_from_elsewhere(carried):
    state, _ = press(carried, "tab", "g")
    assert view(state).panels[1].stations == ()
    state, effects = press(state, *[f"tap:1:{x}:{y}" for x, y in CORNERS])
    assert effects[-1].carried_from == ""


def test_keeping_where_nothing_is_proposed_says_so(state):
    state, effects = press(state, "k")
    assert effects == [] and "no proposed stations" in state.message


# words for every station


def test_every_station_says_its_place_and_its_state_in_words(state):
    grid = Grid(camera="wing", corners=CORNERS)
    marks = (
        TuftMark(flight_ns=0, camera="wing", frame_pts=7, station="10/20", state=TuftState.REVERSED),
        TuftMark(
            flight_ns=0,
            camera="wing",
            frame_pts=7,
            station="30/50",
            state=TuftState.SEPARATED,
            proposed=True,
            confidence=0.83,
            run="baseline-1",
        ),
    )
    state = replace(state, grids={(0, "wing"): grid}, marks=(marks, ()), tufts=True)
    description = {s.id: s.description for s in view(state).panels[0].stations}

    assert description["10/20"] == "10 % span, 20 % chord: reversed"
    assert description["30/50"] == "30 % span, 50 % chord: separated, only proposed, 83 % sure"
    assert description["90/80"] == "90 % span, 80 % chord: not looked at"
    tapped = next(s for s in view(state).panels[0].stations if s.id == "90/80")
    assert press(state, f"tap:0:{tapped.x}:{tapped.y}")[0].message == "90 % span, 80 % chord: attached"


def test_the_map_is_of_the_configuration_and_counts_its_other_runs_and_no_other_point(state):
    mine = look("30/50", TuftState.SEPARATED, 47.0, 7)
    other = RunMarks(
        flight="x", run="r9", configuration="baseline", point="A1", marks=(replace(mine, run="r9", ias_kt=50.0),)
    )
    elsewhere = replace(other, run="r7", point="A2", marks=(replace(mine, run="r7", ias_kt=60.0),))
    state = replace(state, marks=((mine,), ()), others=(other, elsewhere), mapped=True)

    assert [b.separated_kt for b in maps(state)[0].first[0].runs] == [47.0, 50.0]


# the axis of ratios


def test_it_begins_at_the_stall_on_the_axis_of_ratios_and_each_side_is_at_its_own_speed(by_ratio):
    assert (by_ratio.axis, by_ratio.at) == (Axis.RATIO, 1.0)
    assert wanted(by_ratio) == ((100.0, ""), (300.0, ""))
    state, _ = press(by_ratio, ",", ",")
    assert state.at == 1.1
    assert [t for t, _ in wanted(state)] == pytest.approx([95.0, 295.4]), "55.0 and 50.6 kt"
    assert [panel.description.split("   ")[0] for panel in view(state).panels] == [
        "55.0 kt indicated",
        "50.6 kt indicated",
    ]
    assert [words for _, words in view(state).ticks][:6] == ["1.3", "1.2", "1.1", "1.05", "stall", "+1 s"]


def test_stops_are_at_1_2_1_1_1_05_and_the_stall(by_ratio):
    state, seen = press(by_ratio, ",", ",", ",")[0], []
    for _ in range(3):
        seen.append(state.at)
        state, _ = press(state, ".")
    assert [*seen, state.at] == [1.2, 1.1, 1.05, 1.0]
    assert "last stop" in press(state, ".")[0].message


def test_the_axis_of_ratios_goes_on_in_seconds_after_the_stall(by_ratio):
    state, _ = press(by_ratio, "at:0.96")
    assert [t for t, _ in wanted(state)] == pytest.approx([102.0, 302.0])
    assert view(state).description == "2.00 s after the stall"


def test_freeze_both_is_one_key(by_ratio):
    state, _ = press(by_ratio, ",", "b", ",", ",")
    assert [t for t, _ in wanted(state)] == pytest.approx([97.5, 297.7])
    assert all(panel.held for panel in view(state).panels)
    state, _ = press(state, "b")
    assert not any(panel.held for panel in view(state).panels)


def test_runs_are_changed_without_leaving(state):
    assert press(state, "n")[1] == [TurnRun(1)]
    assert press(state, "v")[1] == [TurnRun(-1)]
    assert press(state, "run:1:-1")[1] == [TurnRun(-1, 1)]


def test_a_side_without_a_camera_says_so_and_the_others_go_on(state):
    blind = replace(state, sides=(state.sides[0], replace(state.sides[1], why="No camera of this flight.")))
    assert wanted(blind) == ((100.0, ""), (None, "No camera of this flight."))
    assert view(blind).panels[1].why == "No camera of this flight."


# marking fast


def test_a_palette_paints_along_a_row_in_one_stroke_and_one_undo(state):
    state, _ = place(state)
    stations = {s.id: s for s in view(state).panels[0].stations}
    keys = [
        f"{'tap' if k == 0 else 'drag'}:0:{stations[name].x}:{stations[name].y}"
        for k, name in enumerate(("10/50", "30/50", "50/50"))
    ]
    state, effects = press(state, "3", *keys, "release", "settle")
    assert [[m.station for m in e.marks] for e in effects] == [["10/50", "30/50", "50/50"]]
    assert {m.state for m in effects[0].marks} == {TuftState.SEPARATED}

    state, effects = press(state, "u")
    assert [m.withdrawn for m in effects[0].marks] == [True] * 3 and marks_here(state, 0) == {}
    state, effects = press(state, "y")
    assert [m.withdrawn for m in effects[0].marks] == [False] * 3 and len(marks_here(state, 0)) == 3


def test_keys_alone_can_paint(state):
    state, _ = place(state)
    state, effects = press(state, "shift-right", "shift-right", "shift-down", "2", "r", "settle")
    assert [m.station for m in effects[-1].marks] == ["30/50", "50/50", "70/50", "90/50"]
    state, effects = press(state, "shift-up", "4", "space", "settle")
    assert [(m.station, m.state) for m in effects[-1].marks] == [("30/20", TuftState.REVERSED)]
    assert [s.id for s in view(state).panels[0].stations if s.chosen] == ["30/20"]


def test_what_is_not_yet_written_is_undone_without_a_row(state):
    state, _ = place(state)
    state, effects = press(tap(state, "50/50")[0], "u")
    assert effects == [] and not state.pending


def test_undo_gives_a_proposal_back(state):
    state, _ = place(state)
    state = p.written(state, 0, [proposal("50/50", TuftState.REVERSED)], "")
    state, _ = press(state, "enter", "u")
    assert marks_here(state, 0)["50/50"].proposed


def test_the_same_states_as_at_the_last_stop(state):
    state, _ = place(state)
    before = [
        look("10/50", TuftState.SEPARATED, 55.0, 95),
        look("30/50", TuftState.UNSTEADY, 55.0, 95),
        look("10/50", TuftState.ATTACHED, 60.0, 90),
    ]
    state = p.written(state, 0, before, "")
    state, (effect,) = press(state, "e")
    assert isinstance(effect, Decide)
    assert {(m.station, m.state, m.frame_pts) for m in effect.marks} == {
        ("10/50", TuftState.SEPARATED, 7),
        ("30/50", TuftState.UNSTEADY, 7),
    }


def test_enter_takes_what_is_shown_on_all_sides_and_goes_on(by_ratio):
    state = by_ratio
    for side in (0, 1):
        state, _ = press(replace(state, chosen=side), "g", *(f"tap:{side}:{x}:{y}" for x, y in CORNERS))
    state, _ = press(state, ",", ",", ",")
    for side, name in enumerate(("baseline-1", "cuffs-1")):
        state = p.written(state, side, [replace(proposal("50/50", TuftState.ATTACHED), run=name)], "")
    state, effects = press(state, "enter")
    assert sorted(e.side for e in effects) == [0, 1] and state.at == 1.1
    state = replace(state, at=1.0, shown=tuple(replace(s, pts=9) for s in state.shown))
    state = p.written(state, 0, [replace(proposal("50/50", TuftState.ATTACHED), frame_pts=9)], "")
    assert press(state, "enter")[1][-1] == TurnRun(1), "after the last stop comes the next run"


def test_all_stops_of_all_sides_are_proposed_at_once(by_ratio):
    state = by_ratio
    for side in (0, 1):
        state, _ = press(replace(state, chosen=side), "g", *(f"tap:{side}:{x}:{y}" for x, y in CORNERS))
    _, effects = press(state, "o")
    assert [(e.side, [round(t, 1) for t in e.flight_s]) for e in effects] == [
        (0, [90.0, 95.0, 97.5, 100.0]),
        (1, [290.8, 295.4, 297.7, 300.0]),
    ]


def test_a_mark_names_run_camera_and_wing_and_when_it_was(state):
    state = replace(state, shown=tuple(replace(s, wing="left", flight_s=s.flight_s + 2.0) for s in state.shown))
    state, _ = press(state, "w", "w", "w")  # unknown, left
    state, _ = place(state)
    if state.trouble:
        state, _ = press(state, "w")
        state, _ = place(state)
    state, (effect,) = press(tap(state, "50/50")[0], "settle")
    (mark,) = effect.marks
    assert (mark.run, mark.camera, mark.to_stall_s, mark.ias_kt, mark.after_stall) == (
        "baseline-1",
        "wing",
        pytest.approx(2.0),
        None,
        True,
    )
    assert mark.wing in ("left", "right")


@pytest.mark.parametrize(
    ("wing", "order", "refused"),
    [
        ("right", (0, 1, 2, 3), False),
        ("left", (0, 1, 2, 3), True),
        ("left", (1, 0, 3, 2), False),
        ("right", (3, 2, 1, 0), True),
    ],
)
def test_swapped_edges_are_refused_where_the_wing_is_known(state, wing, order, refused):
    """They were accepted: every state and every map was then upside down."""
    state = replace(state, shown=tuple(replace(s, wing=wing) for s in state.shown))
    state, effects = press(state, "g", *(f"tap:0:{CORNERS[k][0]}:{CORNERS[k][1]}" for k in order))
    assert state.trouble == refused == (effects == [])


def test_the_wing_of_a_camera_can_be_said(state):
    state, effects = press(state, "w")
    assert effects == [SetWing(0, "wing", "left")] and "left wing" in view(state).panels[0].description


def test_a_mirrored_picture_is_touched_where_it_is_seen(state):
    state, _ = place(state)
    plain = {s.id: s.x for s in view(state).panels[0].stations}
    state, _ = press(state, "x")
    mirrored = {s.id: s for s in view(state).panels[0].stations}
    assert mirrored["10/20"].x == pytest.approx(1 - plain["10/20"])
    state, _ = press(state, f"tap:0:{mirrored['10/20'].x}:{mirrored['10/20'].y}")
    assert set(marks_here(state, 0)) == {"10/20"} and "mirrored" in view(state).panels[0].title


def test_zoom_keeps_what_is_under_the_fingers_and_never_leaves_the_picture(state):
    state, _ = press(state, "zoom:0:2:0.75:0.5")
    zoom, x, y = view(state).panels[0].zoom
    assert (zoom, x, y) == (2.0, pytest.approx(0.625), 0.5)
    assert (0.75 - x) * zoom + 0.5 == pytest.approx(0.75)
    state, _ = press(state, "pan:0:-9:9")
    assert view(state).panels[0].zoom == (2.0, 0.75, 0.25)
    assert view(press(state, "home")[0]).panels[0].zoom == (1.0, 0.5, 0.5)


# people who disagree


def test_two_people_who_disagree_are_shown_and_the_next_decision_settles_it(state):
    state, _ = place(state)
    at = {"flight_ns": 100 * 10**9}
    ann = replace(look("50/50", TuftState.ATTACHED, 50.0, 7, who="ann"), **at)
    bob = replace(ann, who="bob", state=TuftState.SEPARATED)
    state = p.written(state, 0, [ann, bob], "")
    station = next(s for s in view(state).panels[0].stations if s.id == "50/50")
    assert station.disputed and "ann: attached, bob: separated" in station.description
    assert maps(state)[0].first[0].disputed == 1 and maps(state)[0].first[0].runs == ()

    state, (effect,) = press(state, "3", f"tap:0:{station.x}:{station.y}", "settle")
    assert effect.marks[0].settles
    assert not any(s.disputed for s in view(state).panels[0].stations)
    assert [b.separated_kt for b in maps(state)[0].first[0].runs] == [50.0]


# the camera that moved


def test_a_small_move_is_followed_and_a_large_one_is_asked_about(state):
    state, _ = place(state)
    grid = state.grids[(0, "wing")]
    moved = replace(grid, corners=tuple((x + 0.01, y) for x, y in CORNERS))
    small = p.followed(state, 0, Followed(camera="wing", flight_s=100.0, grid=moved, words="moved a little"))
    assert view(small).panels[0].stations[0].x == pytest.approx(view(state).panels[0].stations[0].x + 0.01)
    assert not view(small).panels[0].carried

    large = p.followed(state, 0, Followed(camera="wing", flight_s=100.0, grid=moved, words="moved", large=True))
    assert view(large).panels[0].carried.startswith("Moved with the camera") and view(large).message == "moved"
    assert press(large, "p")[1] == [], "nothing is proposed before a person has looked"
    kept, (effect,) = press(large, "k")
    assert effect.grid.corners == moved.corners and not view(kept).panels[0].carried


def seen_before(*states, wing=""):
    """The generation before at the stall: states of one station, a run each."""
    marks = tuple(RatioMark(wing=wing, station="10/20", ratio=1.0, state=state) for state in states)
    return Ghost(configuration="plain", marks=marks)


S, A, U = TuftState.SEPARATED, TuftState.ATTACHED, TuftState.UNSTEADY


def placed(state, **more):
    grid = Grid(camera="wing", corners=CORNERS, span_pct=(10, 50), chord_pct=(20,))
    return replace(state, tufts=True, grids={(0, "wing"): grid, (1, "wing"): grid}, **more)


def test_the_generation_before_is_shown_faint_at_the_same_ratio_and_hidden_by_a_key(by_ratio):
    state = placed(by_ratio, ghosts=(seen_before(S, S, A), None))
    first, other = view(state).panels

    assert {s.id: s.ghost for s in first.stations} == {"10/20": S, "50/20": None}
    assert "before, plain: separated" in first.stations[0].description
    assert "faint: plain at the same ratio" in first.description and "faint" not in other.description
    at_speed = replace(state, shown=(replace(state.shown[0], flight_s=90.0), state.shown[1]))
    assert not any(s.ghost for s in view(at_speed).panels[0].stations), "1.2 is not the ratio that was seen"
    assert not any(s.ghost for s in view(press(state, "l")[0]).panels[0].stations)


def test_a_tie_and_the_other_wing_say_nothing(by_ratio):
    assert not any(s.ghost for s in view(placed(by_ratio, ghosts=(seen_before(S, A), None))).panels[0].stations)
    shown = (replace(by_ratio.shown[0], wing="left"), by_ratio.shown[1])
    state = placed(by_ratio, shown=shown, ghosts=(seen_before(S, wing="right"), None))
    assert not any(s.ghost for s in view(state).panels[0].stations)


def test_what_is_taken_over_is_no_row_and_no_figure_until_it_is_confirmed(by_ratio):
    state, effects = press(placed(by_ratio, ghosts=(seen_before(S), None)), "c")
    assert effects == []
    (mark,) = marks_here(state, 0).values()
    assert mark.proposed and mark.who == "plain" and mark.state is S
    assert not any(one.first for one in maps(state)), "not on the map"
    assert "only proposed by plain" in view(state).panels[0].stations[0].description

    state, effects = press(state, "enter")
    (decided,) = [effect for effect in effects if isinstance(effect, Decide)]
    assert [(m.station, m.state, m.proposed, m.who) for m in decided.marks] == [("10/20", S, False, "ann")]


def test_the_assists_word_goes_before_the_generation_before_and_both_are_shown(by_ratio):
    said = replace(p.mark_at(by_ratio, 0, 100.0, "wing", 7, "", "10/20", U), who="assist", proposed=True)
    state = placed(by_ratio, ghosts=(seen_before(S), None), marks=((said,), ()))
    state, _ = press(state, "c")
    station = view(state).panels[0].stations[0]

    assert (station.state, station.ghost, station.proposed) == (U, S, True)


def looks(state, *by_stop):
    """Proposals of the assist at stops of side 0: (flight time, states by station)."""
    marks = []
    for pts, (at_s, said) in enumerate(by_stop):
        for station, tuft in said.items():
            made = p.mark_at(state, 0, at_s, "wing", pts + 100, "", station, tuft)
            marks.append(replace(made, who="assist", proposed=True))
    return replace(state, marks=(tuple(marks), ()))


def test_open_stations_are_filled_where_other_looks_agree(by_ratio):
    state = looks(
        placed(by_ratio),
        (90.0, {"10/20": A, "50/20": A}),
        (95.0, {"50/20": A}),
        (97.0, {"10/20": A}),
        (100.0, {"10/20": S, "50/20": S}),
    )
    state, effects = press(state, "d")

    assert effects == []
    assert [(m.station, m.state, round(m.flight_ns / 1e9), m.proposed, m.who) for _, m in state.borrowed] == [
        ("10/20", A, 95, True, "other looks")
    ], "50/20 at 97 s may be attached or separated"


def test_open_stations_are_filled_from_other_runs_too(by_ratio):
    alike = Ghost(configuration="baseline", marks=(RatioMark(wing="", station="50/20", ratio=1.06, state=U),))
    state = looks(placed(by_ratio, alike=(alike, None)), (97.0, {"10/20": A}))
    state, _ = press(state, "d")

    assert [(m.station, m.state, m.who) for _, m in state.borrowed] == [("50/20", U, "other runs")]


def test_one_key_goes_from_open_station_to_open_station_and_then_on(by_ratio):
    state = placed(by_ratio)
    state = replace(state, over=0, chosen=0, at=1.1)
    state, _ = press(state, "z")
    assert (state.cursor, state.stepping) == ("10/20", True)
    state, first = press(state, "3")
    assert (state.cursor, state.stepping) == ("50/20", True)
    state, second = press(state, "1")
    assert not state.stepping and "No station is open" in state.message
    state, third = press(state, "z")
    written = [mark for effect in first + second + third if isinstance(effect, Decide) for mark in effect.marks]
    assert [(m.station, m.state) for m in written] == [("10/20", S), ("50/20", A)]
    assert state.at == pytest.approx(1.05), "on to the next stop"


def test_what_is_fitted_stands_above_the_maps(by_ratio):
    from builders import Make

    from logger_app.workflows.history import wing_of_configuration

    drawings = [wing_of_configuration(Make().campaign(), name) for name in ("base", "cuffs")]
    state = replace(by_ratio, fitted=tuple(drawings))
    assert view(state).fitted == ()
    assert [one.id for one in view(press(state, "m")[0]).fitted] == ["wing-base", "wing-cuffs"]

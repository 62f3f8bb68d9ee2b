"""The compare screen's presenter: one axis, every side; tufts by tap."""

from dataclasses import replace

import pytest

from logger_app.domain.tuft_grid import Grid, places
from logger_app.domain.tufts import TuftMark, TuftState
from logger_app.records.compare import Shown, SideFacts
from logger_app.records.results import StallSpeed
from logger_app.records.runs import StallEvent
from logger_app.ui.presenters import compare as p

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
def state():
    made = p.begin([side("baseline", 50, 100.0), side("cuffs", 46, 300.0, 0.4)], "kt", "ann")
    return replace(made, shown=tuple(Shown(camera="wing", pts=7, flight_s=s.event_s, aspect=1.5) for s in made.sides))


def press(state, *keys):
    effects = []
    for key in keys:
        state, done = p.update(state, key)
        effects += done
    return state, effects


def test_it_begins_at_the_stall_of_both(state):
    assert p.wanted(state) == ((100.0, ""), (300.0, ""))
    assert p.view(state).says == "at the stall"
    assert p.view(press(state, "at:-3")[0]).says == "3.00 s before the stall"


def test_one_slider_moves_both_by_time_and_by_airspeed(state):
    state, _ = press(state, "at:-4.5")
    assert [t for t, _ in p.wanted(state)] == pytest.approx([95.5, 295.5])

    state, _ = press(state, "a")
    assert (state.axis, state.at) == (p.Axis.AIRSPEED, pytest.approx(54.5))
    state, _ = press(state, "at:52")
    assert [t for t, _ in p.wanted(state)] == pytest.approx([98.0, 294.0])
    assert all("52.0 kt indicated" in panel.says for panel in p.view(state).panels)


def test_a_speed_that_one_side_never_flew_says_so_and_shows_the_other(state):
    state, _ = press(state, "a", "at:47")
    (first, why), (second, _) = p.wanted(state)

    assert first is None and "not flown" in why
    assert second == pytest.approx(299.0)
    assert p.view(state).panels[0].why == why


def test_the_axis_falls_to_the_right_and_nothing_leaves_it(state):
    state, _ = press(state, "a", "at:500")
    view = p.view(state)
    assert (view.left, view.right, view.at) == (64, 46, 64)
    state, _ = press(state, "down", "down")
    assert state.at == 62
    state, _ = press(state, "up", "up", "up", "up")
    assert state.at == 64


def test_a_held_side_stays_and_steps_alone(state):
    state, _ = press(state, "at:-2", "h", "at:-8")
    assert [t for t, _ in p.wanted(state)] == pytest.approx([98.0, 292.0])
    state, effects = press(state, "right")
    assert effects == [p.Step(0, 1)]
    state = p.stepped(state, 0, 98.04)
    assert [t for t, _ in p.wanted(state)] == pytest.approx([98.04, 292.0])
    state, _ = press(state, "h")
    assert [t for t, _ in p.wanted(state)] == pytest.approx([92.0, 292.0])


def test_a_step_takes_the_axis_along_on_either_axis(state):
    state = p.stepped(state, 1, 299.0)
    assert [t for t, _ in p.wanted(state)] == pytest.approx([99.0, 299.0])
    state, _ = press(state, "a")
    state = p.stepped(state, 0, 96.5)
    assert state.at == pytest.approx(53.5)
    assert "ends here" in p.stepped(state, 0, 104.0).message


def test_flip_shows_each_over_the_other_then_both(state):
    seen = []
    for _ in range(3):
        state, _ = press(state, "f")
        seen.append([panel.side for panel in p.view(state).panels])
    assert seen == [[0], [1], [0, 1]]


def test_calls_and_events_are_marks_where_they_were_seen(state):
    marks = {(m.side, m.words): m.at for m in p.view(state).marks}
    assert marks[(0, "buffet")] == pytest.approx(-3)
    assert marks[(1, "recovered")] == pytest.approx(2)
    state, _ = press(state, "a")
    marks = {(m.side, m.words): m.at for m in p.view(state).marks}
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
    assert "tip leading edge" in p.view(asking).message
    state, (effect,) = place(state)

    assert effect == p.PlaceGrid(0, state.grids[(0, "wing")])
    assert effect.grid.corners == CORNERS
    assert len(p.view(state).panels[0].stations) == 15
    assert p.view(state).panels[1].stations == ()


def test_corners_that_cross_are_refused_and_nothing_is_written(state):
    state, effects = press(state, "g", *(f"tap:0:{x}:{y}" for x, y in (CORNERS[0], CORNERS[2], CORNERS[1], CORNERS[3])))
    assert effects == [] and state.trouble and not state.grids


def test_taps_go_through_the_states_and_only_the_last_becomes_a_row(state):
    state, _ = place(state)
    state, effects = tap(state, "50/50")
    state, more = tap(state, "50/50")
    state, yet = tap(state, "50/50")
    assert effects + more + yet == []
    assert p.marks_here(state, 0)["50/50"].state is TuftState.SEPARATED

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
    assert p.marks_here(state, 0)["50/50"] == mark


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
    )


def test_a_proposal_is_shown_as_one_until_it_is_taken(state):
    state, _ = place(state)
    state, effects = press(state, "p")
    assert effects == [p.Propose(0)] and state.busy
    state = p.written(state, 0, [proposal("50/50", TuftState.REVERSED), proposal("70/50", TuftState.ATTACHED)], "")
    shown = {s.id: s for s in p.view(state).panels[0].stations}
    assert shown["50/50"].proposed and shown["50/50"].confidence == 0.9

    state, _ = tap(state, "50/50")
    shown = {s.id: s for s in p.view(state).panels[0].stations}
    assert (shown["50/50"].state, shown["50/50"].proposed) == (TuftState.REVERSED, False)
    state, effects = press(state, "enter")
    assert [(m.station, m.who) for m in effects[-1].marks] == [("70/50", "ann")]
    assert not any(s.proposed for s in p.view(state).panels[0].stations)


def test_the_map_says_where_each_station_first_separated_and_the_difference(state):
    state, _ = place(state)
    rows = [
        replace(proposal("50/50", TuftState.SEPARATED), proposed=False, ias_kt=v, frame_pts=k)
        for k, v in enumerate((55.0, 51.0))
    ]
    state = p.written(state, 0, rows, "")
    state = p.written(state, 0, [replace(rows[1], station="90/50")], "")
    attached = replace(rows[0], station="90/50", state=TuftState.ATTACHED, ias_kt=47.0)
    state = p.written(state, 1, [replace(rows[0], ias_kt=48.0), attached], "")
    state, _ = press(state, "m")
    base, cuffs, difference = p.view(state).maps
    assert (base.spans, base.chords) == (("50", "90"), ("50",))
    assert [cell.words for cell in base.cells[0]] == ["55", "51"]
    assert [cell and cell.words for cell in cuffs.cells[0]] == ["48", "<47"]
    assert [cell.words for cell in difference.cells[0]] == ["-7", "<-4"]
    assert p.view(press(state, "m")[0]).maps == ()


def test_a_map_of_proposals_says_so_and_nothing_looked_at_is_empty(state):
    state, _ = press(state, "m")
    assert [one.cells for one in p.view(state).maps] == [(), (), ()]
    state = p.written(state, 0, [proposal("50/50", TuftState.SEPARATED)], "")
    assert p.view(state).maps[0].cells[0][0].proposed


def test_counts_of_stations_change_the_grid_that_is_there(state):
    state, _ = place(state)
    state, effects = press(state, "span")
    assert len(effects[-1].grid.span_pct) == 6
    state, effects = press(state, "chord")
    assert len(effects[-1].grid.chord_pct) == 4
    assert isinstance(state.grids[(0, "wing")], Grid)


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
    first, second = p.view(carried).panels

    assert first.stations == () and first.carried == ""
    assert len(second.stations) == 15 and all(s.carried and s.state is None for s in second.stations)
    assert second.carried.startswith("Placed on day_baseline, check it:")


def test_a_carried_station_takes_no_mark_and_no_proposal_before_it_is_kept(carried):
    station = p.view(carried).panels[1].stations[0]
    state, effects = press(carried, f"tap:1:{station.x}:{station.y}")
    assert effects == [] and state.trouble and "check it" in state.message
    state, effects = press(carried, "tab", "p")
    assert effects == [] and state.trouble and "check it" in state.message


def test_keeping_it_writes_it_with_the_flight_it_is_from(carried):
    state, effects = press(carried, "tab", "k")
    (placed,) = effects

    assert isinstance(placed, p.PlaceGrid) and (placed.side, placed.carried_from) == (1, "day_baseline")
    assert not any(s.carried for s in p.view(state).panels[1].stations) and p.view(state).panels[1].carried == ""
    station = p.view(state).panels[1].stations[0]
    state, _ = press(state, f"tap:1:{station.x}:{station.y}")
    assert p.view(state).panels[1].stations[0].state is TuftState.ATTACHED


def test_placing_anew_hides_the_proposal_and_what_is_placed_is_not_from_elsewhere(carried):
    state, _ = press(carried, "tab", "g")
    assert p.view(state).panels[1].stations == ()
    state, effects = press(state, *[f"tap:1:{x}:{y}" for x, y in CORNERS])
    assert effects[-1].carried_from == ""


def test_keeping_where_nothing_is_proposed_says_so(state):
    state, effects = press(state, "k")
    assert effects == [] and "no stations of another flight" in state.message


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
        ),
    )
    state = replace(state, grids={(0, "wing"): grid}, marks=(marks, ()), tufts=True)
    says = {s.id: s.says for s in p.view(state).panels[0].stations}

    assert says["10/20"] == "10 % span, 20 % chord: reversed"
    assert says["30/50"] == "30 % span, 50 % chord: separated, only proposed, 83 % sure"
    assert says["90/80"] == "90 % span, 80 % chord: not looked at"
    tapped = next(s for s in p.view(state).panels[0].stations if s.id == "90/80")
    assert press(state, f"tap:0:{tapped.x}:{tapped.y}")[0].message == "90 % span, 80 % chord: attached"


def test_the_map_is_of_the_configuration_and_counts_its_other_runs(state):
    mine = TuftMark(flight_ns=0, camera="wing", frame_pts=7, station="30/50", state=TuftState.SEPARATED, ias_kt=47.0)
    other = replace(mine, frame_pts=8, ias_kt=50.0)
    state = replace(state, marks=((mine,), ()), others=((other,), ()), mapped=True)

    assert p.maps(state)[0].first[0].ias_kt == 50.0
    assert "all runs" in p.view(state).maps[0].title

"""Tuft stations over the picture, and grids and marks as rows."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger_app.domain.tuft_grid import (
    Grid,
    body_to_grid,
    body_to_mark,
    grid_to_body,
    mark_to_body,
    nearest,
    next_state,
    places,
)
from logger_app.domain.tufts import STATES, TuftMark
from logger_app.domain.wing_plane import homography
from logger_app.errors import SyncError

SQUARE = ((0.1, 0.2), (0.9, 0.2), (0.9, 0.8), (0.1, 0.8))
A, U, S, R, N = STATES


def mark(station, state, ias_kt=50.0, pts=0, **more):
    return TuftMark(flight_ns=pts, camera="wing", frame_pts=pts, station=station, state=state, ias_kt=ias_kt, **more)


def test_states_are_those_of_the_handbook_in_its_order():
    """Handbook section 7: ordinal score 0 attached, 1 unsteady, 2 separated, 3 reversed; lost or obscured apart."""
    assert [str(s) for s in STATES] == ["attached", "unsteady", "separated", "reversed", "not visible"]


def test_stations_of_an_upright_rectangle_are_where_the_percentages_say():
    grid = Grid(camera="wing", corners=SQUARE, span_pct=(25.0, 75.0), chord_pct=(5.0, 50.0))
    found = {p.station.id: p for p in places(grid, 1000, 500)}

    assert list(found) == ["25/05", "25/50", "75/05", "75/50"]
    assert (found["75/50"].x, found["75/50"].y) == pytest.approx((700, 250))
    assert (found["25/05"].aft_x, found["25/05"].aft_y) == pytest.approx((0, 1), abs=1e-6)
    assert found["25/50"].reach == pytest.approx(0.5 * 0.45 * 300)


def test_perspective_agrees_with_a_reference_library():
    """Pillow's perspective transform puts a chess board where our map says that its fields are."""
    from PIL import Image

    corners = [(120.0, 300.0), (620.0, 180.0), (600.0, 260.0), (90.0, 470.0)]
    matrix = homography(corners)
    back = np.linalg.inv(matrix)
    back /= back[2, 2]
    board = Image.fromarray(((np.indices((100, 100)) // 25).sum(axis=0) % 2 * 255).astype(np.uint8))
    scaled = back.copy()
    scaled[:2] *= 100
    shown = np.asarray(board.transform((700, 500), Image.Transform.PERSPECTIVE, (scaled / scaled[2, 2]).ravel()[:8]))
    for u in (0.12, 0.38, 0.62, 0.88):
        for v in (0.12, 0.38, 0.62, 0.88):
            x, y, w = matrix @ (u, v, 1)
            assert shown[round(y / w), round(x / w)] == np.asarray(board)[int(v * 100), int(u * 100)]


@given(st.lists(st.floats(-0.15, 0.15), min_size=8, max_size=8))
def test_four_corners_go_where_they_were_put(moves):
    corners = np.array(SQUARE) + np.reshape(moves, (4, 2))
    for (u, v), corner in zip(((0, 0), (1, 0), (1, 1), (0, 1)), corners):
        x, y, w = homography(corners) @ (u, v, 1.0)
        assert (x / w, y / w) == pytest.approx(tuple(corner), abs=1e-9)


@pytest.mark.parametrize(
    "change",
    [
        {"corners": (SQUARE[0], SQUARE[2], SQUARE[1], SQUARE[3])},
        {"corners": ((0, 0), (0.1, 0.1), (0.2, 0.2), (0.3, 0.3))},
        {"corners": SQUARE[:3]},
        {"corners": ((float("nan"), 0), *SQUARE[1:])},
        {"span_pct": (50.0, 40.0)},
        {"chord_pct": ()},
        {"span_pct": tuple(float(k) for k in range(100)), "chord_pct": (1.0, 2.0, 3.0, 4.0, 5.0)},
    ],
)
def test_a_grid_that_cannot_be_is_refused_with_its_camera_named(change):
    with pytest.raises(SyncError, match="camera wing"):
        Grid(**({"camera": "wing", "corners": SQUARE} | change))


def test_a_touch_finds_the_station_under_it_and_none_far_away():
    found = places(Grid(camera="wing", corners=SQUARE), 1000, 1000)

    assert nearest(found, found[4].x + 10, found[4].y - 10) == found[4].station.id
    assert nearest(found, 2, 2) is None
    assert nearest((), 2, 2) is None


def test_taps_go_through_all_states_and_round():
    state, seen = None, []
    for _ in range(6):
        seen.append(state := next_state(state))

    assert seen == [*STATES, STATES[0]]


def test_rows_come_back_as_they_went():
    grid = Grid(camera="wing", corners=SQUARE)
    decided = mark("50/20", S, 51.234, 90_000, who="ann")

    assert body_to_grid(grid_to_body(grid, "ann")) == grid
    assert body_to_mark(mark_to_body(decided), 90_000) == dataclasses.replace(decided, ias_kt=51.23)
    late = mark("50/20", S, None, 90_000, to_stall_s=1.25, run="r1", wing="left", settles=True, withdrawn=True)
    assert body_to_mark(mark_to_body(late), 90_000) == late
    old = {
        "camera": "wing",
        "frame_pts": 90_000,
        "station": "50/20",
        "state": "separated",
        "ias_kt": 51.23,
        "who": "ann",
    }
    assert body_to_mark(old, 90_000) == dataclasses.replace(decided, ias_kt=51.23), "rows of before still open"


@pytest.mark.parametrize(
    "body",
    [
        {},
        {"camera": "w", "frame_pts": "x", "station": "a", "state": "attached"},
        {"camera": "w", "frame_pts": 1, "station": "a", "state": "happy"},
    ],
)
def test_a_damaged_row_is_one_sentence(body):
    with pytest.raises(SyncError):
        body_to_mark(body, 0)
    with pytest.raises(SyncError):
        body_to_grid(body)

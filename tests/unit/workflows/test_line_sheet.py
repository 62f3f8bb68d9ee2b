"""The contact sheet of the line: what a row shows, what it says where there is nothing, and letters that stay readable."""

from dataclasses import replace

import numpy as np
import pytest

from logger_app.domain.cameras import CameraFile
from logger_app.domain.tuft_grid import Grid
from logger_app.domain.tufts import TuftMark, TuftState
from logger_app.io.resources import data_dir
from logger_app.records.clocks import ClockMap
from logger_app.records.results import StallSpeed
from logger_app.records.runs import StallEvent
from logger_app.sync.sheet_io import Still
from logger_app.workflows import line_sheet
from logger_app.workflows.campaign import load_campaign
from logger_app.workflows.line_sheet import CELL, LineRow, Shown, best_point, line_words, sheet, strip


@pytest.fixture(scope="module")
def campaign():
    return load_campaign(data_dir("demo_sessions") / "heron_fences/inputs")


def result(flight="f1", configuration="plain", point="A1", event_s=12.0):
    return StallSpeed(
        run="r1", run_number=1, flight=flight, configuration=configuration, point=point,
        event=StallEvent.PITCH_DOWN, method="fit", counts=True, event_flight_s=event_s, vs_ias_kt=45.0,
    )  # fmt: skip


def still(flight_s=10.0, rgb=True):
    picture = np.full((180, 320, 3), 200, np.uint8) if rgb else None
    if picture is not None:
        picture[:, :160] = 90  # the left half is darker
    return Still(configuration="plain", moment="1.1 Vs", flight_s=flight_s, ias_kt=49.5, camera="cam", rgb=picture)


GRID = Grid(camera="cam", corners=((0.9, 0.2), (0.1, 0.2), (0.1, 0.8), (0.9, 0.8)), span_pct=(25, 75), chord_pct=(50,))


def mark(station, state, at_s=10.0, **more):
    return TuftMark(flight_ns=round(at_s * 1e9), camera="cam", frame_pts=1, station=station, state=state, **more)


def test_marks_of_that_moment_are_drawn_and_those_of_another_are_not():
    marks = [mark("25/50", TuftState.ATTACHED), mark("75/50", TuftState.SEPARATED, at_s=11.0)]

    shown = line_sheet._shown(still(), marks, GRID, False, 1)

    assert shown.marked == (("25/50", "attached"),)
    at_25 = (round(0.5 * shown.rgb.shape[0]), round(0.7 * CELL))
    assert shown.rgb[at_25[0] - 6 : at_25[0] + 7, at_25[1] - 6 : at_25[1] + 7].min() < 60, "a letter on its disc"
    plain = line_sheet._shown(still(), [], GRID, False, 1)
    assert plain.marked == () and plain.rgb.min() > 60


def test_a_turned_picture_is_turned_and_its_letters_lie_on_the_same_tufts():
    marks = [mark("25/50", TuftState.SEPARATED)]

    plain, turned = (line_sheet._shown(still(), marks, GRID, mirrored, 1) for mirrored in (False, True))

    assert plain.rgb[5, 5, 0] < plain.rgb[5, -5, 0] and turned.rgb[5, 5, 0] > turned.rgb[5, -5, 0]
    changed = [np.argwhere(np.ptp(one.rgb.astype(int), axis=2) == 0) for one in (plain, turned)]
    assert all(len(one) for one in changed)
    middle = [
        np.argwhere(one.rgb[:, :, 0] < 40)[:, 1].mean() / CELL for one in (plain, turned)
    ]  # the letter's ink: 25 % span is at 70 % of the width, turned about at 30 %
    assert middle == pytest.approx([0.7, 0.3], abs=0.02)


def test_an_assistants_proposal_is_told_from_a_decision():
    shown = line_sheet._shown(still(), [mark("25/50", TuftState.UNSTEADY, proposed=True)], GRID, False, 1)

    assert shown.marked == (("25/50", "unsteady (only proposed)"),)


def row(campaign, **more):
    config = campaign.configurations[1]
    fields = {
        "number": 1,
        "configuration": config,
        "drawing": line_sheet._drawing(campaign, config),
        "fitted": line_sheet._fitted_words(campaign, config),
        "result": result(),
        "views": (
            (
                "left wing",
                (Shown(still=still(), rgb=still().rgb), Shown(still=still(rgb=False), rgb=None, why="not flown")),
            ),
        ),
    }
    return LineRow(**(fields | more))


def test_an_empty_place_says_why_and_a_generation_never_flown_keeps_its_row(campaign):
    full = row(campaign)
    empty = row(campaign, result=None, views=(), why="no run with a stall at point A1")

    assert line_words(full) == "left wing, 1.1 Vs: not marked; left wing, 1.1 Vs: no picture (not flown)"
    assert line_words(empty) == "no pictures: no run with a stall at point A1"
    assert strip(empty, "kt").height > 100
    both = sheet("made", [full, empty], "kt")
    assert both.height > sheet("made", [full], "kt").height + 100
    twice = sheet("made", [replace(full, views=())], "kt", 2)
    assert twice.width > 1000


def test_a_row_names_what_its_generation_added_and_took_off(campaign):
    words = {c.id: line_sheet._fitted_words(campaign, c) for c in campaign.configurations}

    assert words["plain"] == "the baseline"
    assert words["fences"].startswith("new: fence at rib 6, left, left wing") and "strip" not in words["fences"]
    assert words["strips"] == "removed: fence at rib 6, fence at rib 6, left"


def test_the_point_that_shows_most_generations_is_taken(campaign):
    clock = ClockMap(source="a.mp4", offset_s=0.0)
    camera = CameraFile(flight="f1", camera="cam", file="a.mp4", duration_s=100.0, clock_map=clock)
    runs = [
        result(),
        result(point="A2"),
        result(point="A2", configuration="fences"),
        result(flight="f2", configuration="strips"),
    ]

    assert best_point(campaign, runs, [camera]) == "A2"
    assert best_point(campaign, [replace(run, event_flight_s=200.0) for run in runs], [camera]) is None
    assert best_point(campaign, runs, []) is None

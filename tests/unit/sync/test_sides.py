"""Sides of a comparison: left wings turned about on wish, and a side without a camera that keeps its place."""

import numpy as np
import pytest

from logger_app.domain.cameras import CameraFile
from logger_app.domain.moments import Moment
from logger_app.errors import SyncError
from logger_app.records.clocks import ClockMap
from logger_app.records.results import StallSpeed
from logger_app.records.runs import StallEvent
from logger_app.sync import clip_io
from logger_app.sync.cameras_io import FlightCameras, on_clock
from logger_app.sync.sheet_io import CELL_WIDTH, Side, stills
from logger_app.sync.video_io import Frame


class Cameras(FlightCameras):
    """One camera whose picture is dark at the left; no file is opened."""

    def __init__(self, path, wing):
        path.touch()
        clock = ClockMap(source=path.name, offset_s=0.0)
        super().__init__([on_clock(CameraFile(camera="cabin", wing=wing, file=path.name, clock_map=clock), path)])

    def frame_at(self, flight_s, name=None, stop=None):
        rgb = np.full((90, 160, 3), 220, np.uint8)
        rgb[:, :80] = 20
        return Frame(rgb, 1, flight_s), self.cameras[0]


def side(cameras, **more):
    result = StallSpeed(
        run="r1", run_number=1, flight="f1", configuration="plain", point="A1", event=StallEvent.PITCH_DOWN,
        method="fit", counts=True, event_flight_s=114.0, vs_ias_kt=50.0, curve=tuple((100.0 + k, 64.0 - k) for k in range(15)),
    )  # fmt: skip
    return Side(configuration="plain", name="Plain", result=result, cameras=cameras, **more)


@pytest.mark.parametrize("wing, turned", [("left", True), ("right", False), ("", False)])
def test_only_the_left_wing_is_turned_about_and_its_picture_says_so(tmp_path, wing, turned):
    cameras = Cameras(tmp_path / "a.mp4", wing)

    ((plain,), (wished,)) = stills([side(cameras), side(cameras, mirrored=True)], [Moment("stall")])

    assert plain.rgb[5, 5, 0] == 20 and not plain.mirrored
    assert wished.mirrored is turned
    assert wished.rgb[5, 5, 0] == (220 if turned else 20)


def test_a_side_without_a_camera_keeps_its_place_in_the_clip(tmp_path):
    """It was left out, so that three of four generations stood side by side and nothing said why."""
    with_one, without = side(Cameras(tmp_path / "a.mp4", "left")), side(FlightCameras([]), view="left wing")
    sides = (with_one, without)
    height = clip_io._picture_height(sides)
    size = (2 * CELL_WIDTH, clip_io.TITLE_LINE + clip_io.CAPTION + height + clip_io.COUNTER + clip_io.TRACK)

    picture = np.asarray(clip_io._picture(size, clip_io.Heading("made", "A1"), sides, -2.0, (-10.0, 2.0), "kt"))

    top = clip_io.TITLE_LINE + clip_io.CAPTION
    left, right = (picture[top : top + height, at : at + CELL_WIDTH] for at in (0, CELL_WIDTH))
    assert left.mean() > 100, "a picture"
    assert 0 < np.mean(right.max(axis=2) > 80) < 0.1, "a few letters on a dark ground"
    with pytest.raises(SyncError, match="no camera was running"):
        clip_io._picture_height([without])


def test_the_title_names_the_wing_that_was_asked_for():
    assert side(FlightCameras([]), view="left wing").title == "Plain, left wing"
    assert side(FlightCameras([])).title == "Plain"

"""Which sides are compared, and whose marks a run has."""

import pytest

from logger_app.domain.cameras import CameraFile
from logger_app.domain.tufts import TuftMark, TuftState
from logger_app.errors import SyncError
from logger_app.io.resources import data_dir
from logger_app.records.clocks import ClockMap
from logger_app.records.results import StallSpeed
from logger_app.records.runs import Run, RunEnd, StallEvent
from logger_app.sync.cameras_io import FlightCameras, on_clock
from logger_app.workflows.campaign import load_campaign
from logger_app.workflows.compare_runs import Part, _need_a_camera, parts_of
from logger_app.workflows.tufts import marks_of_run


@pytest.fixture(scope="module")
def campaign():
    return load_campaign(data_dir("demo_sessions") / "sparrow_cuffs/inputs")


def test_one_configurations_wings_are_two_sides(campaign):
    """A configuration against itself was refused."""
    assert parts_of(campaign, "A1", "cuffs:left, cuffs:right") == (Part("cuffs", "left"), Part("cuffs", "right"))
    assert parts_of(campaign, "A1", "baseline,cuffs:right", "left") == (
        Part("baseline", "left"),
        Part("cuffs", "right"),
    )


@pytest.mark.parametrize(
    "text", ["cuffs", "cuffs,cuffs", "cuffs,nosuch", "baseline,cuffs,cuffs:left,cuffs:right,baseline:left"]
)
def test_sides_that_cannot_be_are_refused(campaign, text):
    with pytest.raises(SyncError, match="--configs"):
        parts_of(campaign, "A1", text)


def result(flight, configuration):
    return StallSpeed(
        run="r1", run_number=1, flight=flight, configuration=configuration, point="A1",
        event=StallEvent.PITCH_DOWN, method="fit", counts=True, event_flight_s=12.0,
    )  # fmt: skip


def cameras(tmp_path, *names):
    found = []
    for name in names:
        path = tmp_path / f"{name}.mp4"
        path.touch()
        clock = ClockMap(source=path.name, offset_s=10.0)
        found.append(on_clock(CameraFile(camera=name, wing=name, file=path.name, clock_map=clock), path))
    return FlightCameras(found)


def test_a_camera_missing_on_one_side_refuses_nothing(tmp_path):
    """It refused the whole comparison, with "got run (any) ... none"."""
    candidates = {"baseline": [result("day1", "baseline")], "cuffs": [result("day2", "cuffs")]}
    both = {"day1": cameras(tmp_path, "left"), "day2": cameras(tmp_path)}
    _need_a_camera(["baseline", "cuffs"], candidates, both, [None])
    _need_a_camera(["baseline", "cuffs"], candidates, both, ["left"])
    with pytest.raises(SyncError, match="expected one of those with pictures: left"):
        _need_a_camera(["baseline", "cuffs"], candidates, both, ["right"])
    with pytest.raises(SyncError, match="no camera is on the clock of day1, day2"):
        _need_a_camera(
            ["baseline", "cuffs"], candidates, {"day1": cameras(tmp_path), "day2": cameras(tmp_path)}, [None]
        )


def test_a_run_has_the_marks_that_name_it_and_those_of_its_time_that_name_none():
    """Marks of 45 s before to 15 s after were taken, whatever run and point they were of."""
    runs = [
        Run(id=id, number=k, flight="f", start_ns=at, end_ns=at + 10, point="A1", calls=(), ended=RunEnd.RECOVERED)
        for k, (id, at) in enumerate((("r1", 0), ("r2", 10)), 1)
    ]
    marks = [
        TuftMark(flight_ns=at, camera="c", frame_pts=at, station="a", state=TuftState.ATTACHED, run=run)
        for at, run in ((5, "r1"), (12, "r1"), (15, "r2"), (7, ""), (13, "gone"), (25, ""))
    ]

    assert [m.flight_ns for m in marks_of_run(marks, runs[0], runs)] == [5, 12, 7], "after its end too, where named"
    assert [(m.flight_ns, m.run) for m in marks_of_run(marks, runs[1], runs)] == [(15, "r2"), (13, "r2")]

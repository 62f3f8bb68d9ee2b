"""The wing in report and compare screen: what was wrong once."""

import shutil

import pytest

from logger_app.domain.tufts import TuftMark, TuftState
from logger_app.report.figures import tuft_map
from logger_app.sync import video_io
from logger_app.units import s_to_ns


def _page():
    """A made campaign of the report's tests."""
    from report_example import made_example

    return made_example().page()


def _attached(run, names):
    return [
        TuftMark(
            flight_ns=s_to_ns(run.event_s),
            camera="wing",
            frame_pts=0,
            station=name,
            state=TuftState.ATTACHED,
            ias_kt=48.0,
        )
        for name in names
    ]


def test_stations_stand_along_the_span_whatever_decimals_they_have():
    """16.7/20, 50/20, 83.3/20 were read as 16.72, 5020 and 83.32: the middle of the wing stood behind its tip."""
    page = _page()
    view = page.points[0]
    run = view.sides[0].runs[0]
    names = ["83.3/20", "50/80", "16.7/83.3", "50/20", "16.7/20"]
    marks = _attached(run, names)

    assert tuft_map(view.sides[0], view, marks, "kt").y.names[::-1] == (
        "16.7/20",
        "16.7/83.3",
        "50/20",
        "50/80",
        "83.3/20",
    )


def test_names_of_stations_have_room_in_the_tuft_map():
    """Twelve names side by side ran into each other; below each other each has its line."""
    from logger_app.report.layout import Label, lay_out

    page = _page()
    view = page.points[0]
    run = view.sides[0].runs[0]
    names = [f"{s}/{c}" for s in (12.5, 37.5, 62.5, 87.5) for c in (16.7, 50, 83.3)]
    marks = _attached(run, names)
    labels = [
        shape
        for shape in lay_out(tuft_map(view.sides[0], view, marks, "kt")).shapes
        if isinstance(shape, Label) and shape.text in names
    ]
    heights = sorted(label.y for label in labels)

    assert len(labels) == 12
    assert min(b - a for a, b in zip(heights, heights[1:])) >= 14


@pytest.mark.parametrize("removed", [False, True])
@pytest.mark.parametrize("ratio", ["stall", "1.1"])
def test_the_picture_of_the_contact_sheet_is_taken_when_the_needle_stood_there_not_when_it_was_said(ratio, removed):
    """It was taken a reading lag late, so that the report and `kneecall compare` showed different frames of the same speed."""
    from dataclasses import replace

    from logger_app.domain.approach_curve import curve_of
    from logger_app.domain.cameras import picture_lag_s
    from logger_app.domain.moments import moments
    from logger_app.report.media import add_sheets, sheet_run

    page = _page()
    run = sheet_run(page.points[0].sides[0])
    run.result = replace(run.result, reading_lag_removed=removed)
    add_sheets(page, moments(ratio, "kt"))
    (shot,) = page.points[0].sheet[0].shots
    said_s = run.event_s if ratio == "stall" else curve_of(run.result).time_at_s(1.1 * run.result.vs_ias_kt)
    lag_s = picture_lag_s(run.result, page.campaign.indicator.reading_lag_s)

    assert lag_s == (0.0 if removed else 0.5), "as the compare screen and `kneecall compare` have it"
    assert shot.flight_s == pytest.approx(said_s - lag_s)


def test_a_step_on_after_steps_back_over_the_first_picture_kept_goes_on(tmp_path):
    """The decoder stood elsewhere after stepping back; steps on ended at the last picture in memory."""
    from unit.sync import test_video as made

    with video_io.VideoFrames(made.make_video(tmp_path / "a.mp4", made.constant(30, 8), 240)) as video:
        at = made.number_in(video.frame_at(4.0).rgb)
        assert made.number_in(video.step(-40).rgb) == at - 40
        assert made.number_in(video.step(90).rgb) == at + 50


@pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="needs the ffmpeg program")
def test_the_review_shows_the_film_of_a_turned_camera_upright(tmp_path):
    """It decoded pictures by itself and passed over the film's turn: a camera mounted on its side showed the wing lying."""
    from unit.sync import test_video as made

    from logger_app.records.clocks import ClockMap
    from logger_app.ui.widgets.camera import CameraFrames

    film = made.make_video(tmp_path / "a.mp4", made.constant(30, 2), 60)
    turned = made.turned(film)
    shapes = []
    for path in (film, turned):
        clock = ClockMap(source=path.name, offset_s=0.0, valid_to_s=2.0)
        frames = CameraFrames(tmp_path, [{"file": path.name, "camera": "wing"}], [clock])
        shapes.append(frames._frame(1.0)[0].shape)
        frames.close()

    with video_io.open_container(turned) as container:
        assert container.streams.video[0].width != shapes[0][1], "it is stored lying"
    assert shapes[0] == shapes[1]

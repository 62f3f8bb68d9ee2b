from pathlib import Path

import pytest

from logger_app.sync.align import Alignment
from logger_app.sync.chapters import cameras, expected
from logger_app.sync.media_io import CameraFile


def file(name, duration_s=100.0, width=1920, fps=30.0):
    return CameraFile(
        path=Path(name), duration_s=duration_s, width=width, height=1080, fps=fps, codec="h264", sound_hz=48_000
    )


def placed(offset_s, drift_ppm=0.0):
    return Alignment(accepted=True, why="", offset_s=offset_s, drift_ppm=drift_ppm, u_s=0.003)


REFUSED = Alignment(accepted=False, why="no")


def test_files_that_differ_in_a_number_are_one_camera_in_its_order():
    files = [
        file("wing_10.mp4"),
        file("tail1.mp4"),
        file("wing_9.mp4"),
        file("wing_2.mp4", width=1280),
        file("nose.mp4"),
        file("x/wing_11.mp4"),
    ]

    assert cameras(files) == [[2, 0], [1], [3], [4], [5]]


def test_where_a_chapter_must_lie():
    files = [file("w1.mp4"), file("w2.mp4"), file("w3.mp4")]
    after = expected(files, [placed(10.0, 100), REFUSED, None], [0.0, 0.5, 0.0], 1)
    between = expected(files, [placed(10.0), REFUSED, placed(211.0)], [0.0, 0.5, 0.0], 1)
    before = expected(files, [REFUSED, placed(110.5), None], [0.0, 0.5, 0.0], 0)

    # The first ends at 110.01 s; the second's sound begins half a second into its file; up to 3 s may be lost.
    assert after.lag_s - after.u_s <= 110.51 <= 113.5 <= after.lag_s + after.u_s + 0.1
    assert after.drift == pytest.approx(100e-6)
    assert between.lag_s - between.u_s <= 110.5 <= between.lag_s + between.u_s and between.u_s < 0.8
    assert before.lag_s - before.u_s <= 10.0 - 0.0 <= before.lag_s + before.u_s


def test_without_a_placed_neighbour_nothing_is_expected():
    assert expected([file("w1.mp4")], [REFUSED], [0.0], 0) is None

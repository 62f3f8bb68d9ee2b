import pytest

from logger_app.domain.cameras import CameraFile, camera_files, covering, file_candidates
from logger_app.records.clocks import ClockMap


def clock(source, offset_s=10.0):
    return ClockMap(source=source, offset_s=offset_s)


def test_the_last_map_and_the_last_description_of_a_file_hold():
    media = [
        {"file": "media/a.mp4", "camera": "strut", "duration_s": 5.0},
        {"file": "media/a.mp4", "camera": "strut", "duration_s": 5.0, "wing": "left"},
    ]
    (found,) = camera_files(media, [clock("media/a.mp4"), clock("media/a.mp4", 20.0)])

    assert (found.wing, found.clock_map.offset_s) == ("left", 20.0)


@pytest.mark.parametrize(
    ("sources", "offset_s"),
    [
        (["/elsewhere/media/a.mp4"], 10.0),  # the folder moved
        (["strut"], 10.0),  # a map of the camera by name
        (["/one/a.mp4", "/two/a.mp4"], None),  # which of the two is not known
        ([], None),
    ],
)
def test_a_map_is_found_by_file_then_by_its_name_then_by_the_camera(sources, offset_s):
    (found,) = camera_files([{"file": "media/a.mp4", "camera": "strut"}], [clock(s) for s in sources])

    assert (found.clock_map and found.clock_map.offset_s) == offset_s


def test_a_camera_covers_its_own_recording_only():
    file = CameraFile(camera="strut", file="a.mp4", duration_s=5.0, clock_map=clock("a.mp4"))

    assert [file.video_s(at) for at in (9.9, 10.0, 15.0, 15.1)] == [None, 0.0, 5.0, None]
    assert CameraFile(camera="strut", file="a.mp4").video_s(12.0) is None


def test_the_first_camera_of_the_name_that_was_running_covers_a_moment():
    first = CameraFile(camera="strut", wing="left", file="a.mp4", duration_s=5.0, clock_map=clock("a.mp4"))
    chapter = CameraFile(camera="strut", wing="left", file="b.mp4", duration_s=5.0, clock_map=clock("b.mp4", 15.0))
    right = CameraFile(camera="fin", wing="right", file="c.mp4", duration_s=9.0, clock_map=clock("c.mp4"))
    cameras = (first, chapter, right)

    assert covering(cameras, 12.0) is first
    assert covering(cameras, 16.0, "strut") is chapter
    assert covering(cameras, 16.0, "right") is covering(cameras, 16.0, "c.mp4") is right
    assert covering(cameras, 12.0, "nose") is None
    assert covering(cameras, 12.0, "") is None


def test_a_full_path_stays_as_it_is(tmp_path):
    assert file_candidates(tmp_path, "/films/a.mp4")[0].as_posix() == "/films/a.mp4"
    assert file_candidates(tmp_path, "media/a.mp4") == (tmp_path / "media/a.mp4", tmp_path / "media/a.mp4")

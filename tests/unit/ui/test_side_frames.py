"""Pictures of several sides on their threads: the newest wish counts, and small pictures wait for nothing."""

import threading

import pytest

from logger_app.sync.video_io import Stopped
from logger_app.ui.widgets.side_frames import SideFrames


class Camera:
    """Frames that take until `go` is set, or until they are told to stop."""

    def __init__(self):
        self.go, self.began, self.given_up = threading.Event(), threading.Event(), 0

    def frame(self, side, flight_s, why, stop):
        self.began.set()
        while not self.go.wait(0.002):
            if stop():
                self.given_up += 1
                raise Stopped
        return f"true {flight_s:g}", f"shown {flight_s:g}"


@pytest.fixture
def opened():
    made = []

    def make(*args):
        made.append(SideFrames(*args))
        return made[-1]

    yield make
    for frames in made:
        frames.close()


def wait(look, timeout_s=60.0):
    found, gap = [], threading.Event()
    for _ in range(round(timeout_s / 0.005)):
        if found := look():
            return found
        gap.wait(0.005)
    raise AssertionError("never came")


def test_small_pictures_follow_while_a_true_one_takes_long(opened):
    camera = Camera()
    frames = opened(camera.frame, lambda side, flight_s: f"small {flight_s:g}")
    for at in range(5):
        frames.want([(float(at), ""), (10.0 + at, "")])
        assert wait(frames.take_quick) == (((float(at), ""), (10.0 + at, "")), [f"small {at}", f"small {10 + at}"])
        if at == 0:
            assert camera.began.wait(60)
    assert frames.take()[0] is None
    camera.go.set()
    wishes, done = wait(lambda: frames.take()[0])
    assert wishes == ((4.0, ""), (14.0, "")) and [picture for picture, _ in done] == ["true 4", "true 14"]
    assert camera.given_up >= 1, "the first one was given up for the last"


def test_the_small_pictures_of_a_wish_can_be_waited_for_and_none_are_where_there_never_are(opened):
    camera = Camera()
    camera.go.set()
    frames = opened(camera.frame, lambda side, flight_s: f"small {flight_s:g}")
    frames.want([(1.0, "")])
    wait(frames.take_quick)
    wish = ((2.0, ""),)
    frames.want(wish)
    assert frames.take_quick(wish, 5.0) == (wish, ["small 2"])
    none = opened(camera.frame)
    none.want(wish)
    assert none.take_quick(wish, 1e6) is None


def test_without_small_ones_a_newer_wish_ends_a_picture_that_takes_long(opened):
    camera = Camera()
    frames = opened(camera.frame)
    frames.want([(1.0, "")])
    assert camera.began.wait(60)
    frames.want([(2.0, "")])
    wait(lambda: camera.given_up)
    camera.go.set()
    wishes, _ = wait(lambda: frames.take()[0])
    assert wishes == ((2.0, ""),)


def test_jobs_are_done_and_their_rest_is_left_for_the_window(opened):
    camera = Camera()
    camera.go.set()
    frames = opened(camera.frame)
    frames.ask(lambda: lambda: "done here")
    (rest,) = wait(lambda: frames.take()[1])
    assert rest() == "done here"


def test_closing_ends_a_picture_that_is_being_looked_for(opened):
    camera = Camera()
    frames = opened(camera.frame)
    frames.want([(1.0, "")])
    assert camera.began.wait(60)
    frames.close()
    assert not any(thread.is_alive() for thread in frames._threads)

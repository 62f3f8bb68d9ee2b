"""Frames exact by time stamp. Each picture carries its own number as a row of black and white squares,
written by the test's own encoder call; ffmpeg (an independent program) makes the rotated and cut files."""

import subprocess

import av
import numpy as np
import pytest
from PIL import Image

from logger_app.errors import SyncError
from logger_app.sync.video_io import VideoFrames, make_proxy

BITS = 14
W, H = 28 * 16, 64


def picture(number):
    rgb = np.full((H, W, 3), 90, np.uint8)
    for bit in range(BITS):
        rgb[8:56, bit * 32 + 4 : bit * 32 + 28] = 255 if number >> bit & 1 else 0
    return rgb


def number_in(rgb):
    height, width = rgb.shape[:2]
    gray = rgb.mean(axis=2)
    return sum(
        int(gray[height // 2 - height // 8 : height // 2 + height // 8, int(width * (bit + 0.5) / BITS) - 2 : int(width * (bit + 0.5) / BITS) + 2].mean() > 127) << bit
        for bit in range(BITS)
    )


def make_video(path, times_s, key_every=50, b_frames=2, base=90_000):
    """A video whose k-th picture is shown from times_s[k] and carries k."""
    from fractions import Fraction

    with av.open(str(path), "w") as box:
        stream = box.add_stream("libx264", rate=30, options={"preset": "ultrafast", "crf": "12", "bf": str(b_frames), "g": str(key_every)})
        stream.width, stream.height, stream.pix_fmt = W, H, "yuv420p"
        stream.codec_context.time_base = Fraction(1, base)
        for k, at_s in enumerate(times_s):
            frame = av.VideoFrame.from_ndarray(picture(k), format="rgb24").reformat(format="yuv420p")
            frame.pts, frame.time_base = round(at_s * base), Fraction(1, base)
            box.mux(stream.encode(frame))
        box.mux(stream.encode(None))
    return path


def constant(fps, seconds, start=0.0):
    return start + np.arange(round(fps * seconds)) / fps


def variable(seconds, seed=1):
    steps = np.random.default_rng(seed).uniform(0.033, 0.167, round(seconds / 0.1))
    return np.concatenate(([0.0], np.cumsum(steps)))


CASES = {
    "24 a second": (constant(24, 30), "mp4", 50),
    "240 a second": (constant(240, 6), "mp4", 240),
    "30 a second, one key picture in 250": (constant(30, 40), "mkv", 250),
    "variable": (variable(40), "mp4", 60),
    "variable, starts late": (variable(40, 2) + 1.7, "mov", 60),
}


@pytest.mark.parametrize("case", CASES)
def test_two_hundred_random_times_are_exact(tmp_path, case):
    times, kind, keys = CASES[case]
    path = make_video(tmp_path / f"a.{kind}", times, keys)
    rng = np.random.default_rng(3)
    with VideoFrames(path) as video:
        shown = np.array(list(video.stamps()))
        assert len(shown) == len(times)
        wrong = []
        for at_s in rng.uniform(shown[0], shown[-1], 200):
            at_s = at_s if np.abs(shown - at_s).min() > 1e-5 else at_s + 2e-5
            frame = video.frame_at(at_s)
            expected = int(np.searchsorted(shown, at_s, "right")) - 1
            if number_in(frame.rgb) != expected or frame.video_s != shown[expected]:
                wrong.append((at_s, expected, number_in(frame.rgb)))

    assert wrong == []
    np.testing.assert_allclose(np.diff(shown), np.diff(times), atol=0.0011)


def test_on_a_stamp_it_is_that_frame_and_outside_the_ends(tmp_path):
    times = constant(25, 4)
    with VideoFrames(make_video(tmp_path / "a.mp4", times)) as video:
        shown = list(video.stamps())
        assert [number_in(video.frame_at(shown[k]).rgb) for k in (0, 1, 50, 99, 3)] == [0, 1, 50, 99, 3]
        assert number_in(video.frame_at(-5).rgb) == 0
        assert number_in(video.frame_at(1e6).rgb) == 99


def test_steps_by_frame_on_and_back(tmp_path):
    with VideoFrames(make_video(tmp_path / "a.mp4", variable(8), 20)) as video:
        video.frame_at(3.0)
        at = number_in(video.step(0).rgb)
        seen = [number_in(video.step(by).rgb) for by in (1, 1, -1, -1, -1, -3, 5)]

        assert seen == [at + 1, at + 2, at + 1, at, at - 1, at - 4, at + 1]
        video.frame_at(0)
        assert number_in(video.step(-1).rgb) == 0
        video.frame_at(1e6)
        last = number_in(video.step(0).rgb)
        assert number_in(video.step(1).rgb) == last


@pytest.mark.parametrize("degrees", [90, 180, 270])
def test_turned_pictures_come_upright(tmp_path, degrees):
    upright = make_video(tmp_path / "a.mp4", constant(25, 2))
    turned = tmp_path / "turned.mp4"
    rotated = tmp_path / "stored.mp4"
    filters = {90: "transpose=1", 180: "transpose=1,transpose=1", 270: "transpose=2"}[degrees]
    run = ["ffmpeg", "-v", "error", "-y"]
    subprocess.run([*run, "-i", upright, "-vf", filters, "-c:v", "libx264", "-crf", "12", rotated], check=True, stdin=subprocess.DEVNULL)
    # Stored turned; the display matrix that ffmpeg writes for the tag turns it back, as with a phone.
    tag = ["-c", "copy", "-metadata:s:v", f"rotate={degrees}"]
    subprocess.run([*run, "-i", rotated, *tag, turned], check=True, stdin=subprocess.DEVNULL)
    shown = tmp_path / "shown.png"  # what ffmpeg itself displays
    subprocess.run([*run, "-i", turned, "-vf", "select=eq(n\\,25)", "-frames:v", "1", shown], check=True, stdin=subprocess.DEVNULL)
    with VideoFrames(turned) as video:
        frame = video.frame_at(1.0)

    with Image.open(shown) as reference:
        assert number_in(np.array(reference.convert("RGB"))) == 25

    assert frame.rgb.shape == (H, W, 3)
    assert number_in(frame.rgb) == 25


def test_the_proxy_shows_the_same_frames_at_the_same_times(tmp_path):
    path = make_video(tmp_path / "a.mp4", variable(20, 5))
    shares = []
    proxy = make_proxy(path, tmp_path / "p" / "a.mp4", shares.append)
    with VideoFrames(path) as video, VideoFrames(proxy) as small:
        for at_s in np.random.default_rng(1).uniform(0, 19, 60):
            assert number_in(video.frame_at(at_s).rgb) == number_in(small.frame_at(at_s).rgb)
    assert shares[-1] == 1.0 and shares == sorted(shares)
    assert [p.name for p in proxy.parent.iterdir()] == ["a.mp4"]


def test_a_file_cut_off_in_the_middle_shows_what_is_there(tmp_path):
    whole = make_video(tmp_path / "a.mkv", constant(25, 20))
    (tmp_path / "cut.mkv").write_bytes(whole.read_bytes()[: whole.stat().st_size // 2])
    with VideoFrames(tmp_path / "cut.mkv") as video:
        assert number_in(video.frame_at(2.0).rgb) == 50


@pytest.mark.parametrize("content", [b"", b"hello", None])
def test_what_is_no_video_says_so(tmp_path, content):
    path = tmp_path / "a.mp4"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(SyncError, match="a.mp4"):
        VideoFrames(path)


def test_an_edit_list_is_honoured(tmp_path):
    """Cut without encoding anew: ffmpeg keeps pictures from the key picture on and hides them by an edit list."""
    whole = make_video(tmp_path / "a.mp4", constant(30, 12), 90)
    cut = tmp_path / "cut.mp4"
    subprocess.run(["ffmpeg", "-v", "error", "-y", "-ss", "4.1", "-i", whole, "-c", "copy", cut], check=True, stdin=subprocess.DEVNULL)
    with VideoFrames(cut) as video:
        shown = np.array(list(video.stamps()))
        first = number_in(video.frame_at(shown[0]).rgb)
        assert 0 < first <= 124, "pictures before the cut are hidden or kept, but never counted wrongly"
        for at_s in np.random.default_rng(2).uniform(shown[0], shown[-1], 60):
            expected = first + int(np.searchsorted(shown, at_s, "right")) - 1
            assert number_in(video.frame_at(at_s).rgb) == expected

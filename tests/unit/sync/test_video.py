"""Frames exact by time stamp. Each picture carries its own number as a row of black and white squares,
written by the test's own encoder call; ffmpeg (an independent program) makes the rotated and cut files."""

import subprocess

import av
import numpy as np
import pytest
from PIL import Image

from logger_app.errors import SyncError
from logger_app.sync import video_io
from logger_app.sync.video_io import Stopped, VideoFrames, make_proxy, proxy_path

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
        int(
            gray[
                height // 2 - height // 8 : height // 2 + height // 8,
                int(width * (bit + 0.5) / BITS) - 2 : int(width * (bit + 0.5) / BITS) + 2,
            ].mean()
            > 127
        )
        << bit
        for bit in range(BITS)
    )


def make_video(path, times_s, key_every=50, b_frames=2, base=90_000):
    """A video whose k-th picture is shown from times_s[k] and carries k."""
    from fractions import Fraction

    with av.open(str(path), "w") as box:
        stream = box.add_stream(
            "libx264", rate=30, options={"preset": "ultrafast", "crf": "12", "bf": str(b_frames), "g": str(key_every)}
        )
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
        for drawn_s in rng.uniform(shown[0], shown[-1], 200):
            at_s = drawn_s if np.abs(shown - drawn_s).min() > 1e-5 else drawn_s + 2e-5
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
    subprocess.run(
        [*run, "-i", upright, "-vf", filters, "-c:v", "libx264", "-crf", "12", rotated],
        check=True,
        stdin=subprocess.DEVNULL,
    )
    # Stored turned; the display matrix that ffmpeg writes for the tag turns it back, as with a phone.
    tag = ["-c", "copy", "-metadata:s:v", f"rotate={degrees}"]
    subprocess.run([*run, "-i", rotated, *tag, turned], check=True, stdin=subprocess.DEVNULL)
    shown = tmp_path / "shown.png"  # what ffmpeg itself displays
    subprocess.run(
        [*run, "-i", turned, "-vf", "select=eq(n\\,25)", "-frames:v", "1", shown], check=True, stdin=subprocess.DEVNULL
    )
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
    subprocess.run(
        ["ffmpeg", "-v", "error", "-y", "-ss", "4.1", "-i", whole, "-c", "copy", cut],
        check=True,
        stdin=subprocess.DEVNULL,
    )
    with VideoFrames(cut) as video:
        shown = np.array(list(video.stamps()))
        first = number_in(video.frame_at(shown[0]).rgb)
        assert 0 < first <= 124, "pictures before the cut are hidden or kept, but never counted wrongly"
        for at_s in np.random.default_rng(2).uniform(shown[0], shown[-1], 60):
            expected = first + int(np.searchsorted(shown, at_s, "right")) - 1
            assert number_in(video.frame_at(at_s).rgb) == expected


# what an independent program says is on show, at 200 random times of each kind of file


def ffmpeg(*words):
    subprocess.run(["ffmpeg", "-v", "error", "-y", *map(str, words)], check=True, stdin=subprocess.DEVNULL)


def cut(path):
    """Cut in the middle of a group of pictures without encoding anew: an edit list hides what comes before."""
    made = path.with_name("cut.mp4")
    ffmpeg("-ss", "2.13", "-i", path, "-c", "copy", made)
    return made


def turned(path, degrees=90):
    """Stored lying on its side, with the display matrix that sets it upright, as of a phone."""
    stored, made = path.with_name("stored.mp4"), path.with_name("turned.mp4")
    passed = ["-fps_mode", "passthrough", "-enc_time_base", "1/90000"]
    ffmpeg("-i", path, "-vf", "transpose=1", *passed, "-c:v", "libx264", "-crf", "12", "-g", "60", "-bf", "2", stored)
    ffmpeg("-i", stored, "-c", "copy", "-metadata:s:v", f"rotate={degrees}", made)
    return made


def probed(path):
    """Stamps [s] of the pictures shown, as ffprobe has them, an edit list's hidden ones left out."""
    words = [
        "ffprobe",
        "-v",
        "error",
        "-select_streams",
        "v:0",
        "-show_entries",
        "frame=pts:stream=time_base",
        "-of",
        "json",
        path,
    ]
    import json
    from fractions import Fraction

    found = json.loads(subprocess.run(words, check=True, capture_output=True, stdin=subprocess.DEVNULL).stdout)
    base = Fraction(found["streams"][0]["time_base"])
    return np.array([float(frame["pts"] * base) for frame in found["frames"]])


def fast_and_uneven(seconds, seed):
    """From 100 to 240 a second, every step another."""
    steps = np.random.default_rng(seed).uniform(1 / 240, 1 / 100, round(seconds * 150))
    return np.concatenate(([0.0], np.cumsum(steps)))


MATRIX = {
    "24 constant": (constant(24, 12), "mp4", 250, None),
    "25 constant, matroska": (constant(25, 12), "mkv", 250, None),
    "29.97 constant": (constant(30_000 / 1001, 12), "mov", 250, None),
    "60 constant": (constant(60, 8), "mp4", 250, None),
    "120 constant": (constant(120, 5), "mp4", 250, None),
    "240 constant": (constant(240, 4), "mp4", 250, None),
    "6 to 30 variable": (variable(30, 3), "mp4", 250, None),
    "6 to 30 variable, starts late, matroska": (variable(20, 4) + 2.3, "mkv", 60, None),
    "100 to 240 variable": (fast_and_uneven(5, 5), "mp4", 250, None),
    "30 constant, cut by an edit list": (constant(30, 12), "mp4", 120, cut),
    "variable, cut by an edit list": (variable(25, 6), "mp4", 60, cut),
    "240 constant, cut by an edit list": (constant(240, 5), "mp4", 250, cut),
    "30 constant, turned": (constant(30, 8), "mp4", 90, turned),
    "variable, turned": (variable(20, 7), "mp4", 60, turned),
    "variable, turned and cut": (variable(25, 8), "mp4", 60, lambda path: cut(turned(path))),
}


@pytest.mark.slow
@pytest.mark.parametrize("case", MATRIX)
def test_two_hundred_random_times_are_what_ffprobe_says_in_the_file_and_in_its_small_copy(tmp_path, case):
    """The picture carries its number; which one is due is known from ffprobe's stamps and, without a cut, from how it was made."""
    times, kind, keys, change = MATRIX[case]
    path = make_video(tmp_path / f"a.{kind}", times, keys)
    path = change(path) if change else path
    due = probed(path)
    proxy = make_proxy(path, tmp_path / "copy.mp4")
    assert np.abs(due - probed(proxy)).max() < 1e-9, "the copy has the same stamps"
    rng = np.random.default_rng(11)
    with VideoFrames(path) as video, VideoFrames(proxy) as small:
        first = number_in(video.frame_at(due[0]).rgb)
        if change is None:
            assert (first, len(due)) == (0, len(times))
            np.testing.assert_allclose(due - due[0], times - times[0], atol=0.0011)
        assert first + len(due) <= len(times)
        wrong = []
        for drawn_s in rng.uniform(due[0], due[-1], 200):
            at_s = drawn_s if np.abs(due - drawn_s).min() > 1e-5 else drawn_s + 2e-5
            expected = first + int(np.searchsorted(due, at_s, "right")) - 1
            seen = [number_in(one.frame_at(at_s).rgb) for one in (video, small)]
            if seen != [expected, expected] or abs(video.frame_at(at_s).video_s - due[expected - first]) > 1e-9:
                wrong.append((at_s, expected, seen))

    assert wrong == []


@pytest.mark.parametrize("kept", [3, 12, 10_000])
def test_any_walk_through_the_file_shows_the_right_pictures(tmp_path, monkeypatch, kept):
    """Seeks, steps and given-up seeks in any order, with much and with little memory for decoded pictures."""
    monkeypatch.setattr(video_io, "RUN_BYTES", kept * W * H * 3 // 2)
    times = variable(30, 9)
    path = make_video(tmp_path / "a.mp4", times, 120)
    rng = np.random.default_rng(kept)
    with VideoFrames(path) as video:
        due = np.array(list(video.stamps()))
        at = number_in(video.frame_at(0.0).rgb)
        for _ in range(150):
            what = rng.integers(0, 4)
            if what == 0:
                at_s = rng.uniform(0, due[-1])
                at = int(np.searchsorted(due, at_s + 1e-6, "right")) - 1
                assert number_in(video.frame_at(at_s).rgb) == at
            elif what == 1:
                left = iter([False] * int(rng.integers(0, 20)))
                try:
                    at_s = rng.uniform(0, due[-1])
                    shown = number_in(video.frame_at(at_s, lambda: next(left, True)).rgb)
                    at = int(np.searchsorted(due, at_s + 1e-6, "right")) - 1
                    assert shown == at
                except Stopped:
                    pass
            else:
                by = int(rng.integers(-20, 21))
                at = min(max(at + by, 0), len(due) - 1)
                assert number_in(video.step(by).rgb) == at


def test_stepping_back_through_a_long_group_decodes_it_a_few_times_not_once_a_step(tmp_path):
    """Seeks are counted, for a clock would measure the machine: each one decodes up to a whole group."""
    with VideoFrames(make_video(tmp_path / "a.mp4", constant(30, 8), 240)) as video:
        seeks = []
        decode_from = video._decode_from
        video._decode_from = lambda *args: seeks.append(args) or decode_from(*args)
        start = number_in(video.frame_at(7.0).rgb)
        seen = [number_in(video.step(-1).rgb) for _ in range(100)]

    assert seen == list(range(start - 1, start - 101, -1))
    assert len(seeks) <= 6


def test_a_camera_has_one_decoder_that_stays_open(tmp_path):
    from logger_app.domain.cameras import CameraFile
    from logger_app.records.clocks import ClockMap
    from logger_app.sync.cameras_io import FlightCameras, on_clock

    path = make_video(tmp_path / "a.mp4", constant(25, 4))
    with FlightCameras(
        [
            on_clock(
                CameraFile(
                    camera="wing",
                    file="a.mp4",
                    clock_map=ClockMap(source="a.mp4", offset_s=10.0, valid_to_s=4.0, u_s=0.01),
                ),
                path,
            )
        ]
    ) as cameras:
        first = cameras.video(cameras.cameras[0])
        shown = [number_in(cameras.frame_at(10.0 + at_s)[0].rgb) for at_s in (3.0, 1.0, 2.0)]
        assert shown == [75, 25, 50]
        assert cameras.video(cameras.cameras[0]) is first


def test_a_copy_of_a_file_whose_stamps_stand_still_can_be_made(tmp_path):
    times = constant(25, 4)
    path = make_video(tmp_path / "a.mkv", times, 25, base=1000)
    proxy = make_proxy(path, tmp_path / "copy.mp4")
    with VideoFrames(path) as video, VideoFrames(proxy) as small:
        assert list(video.stamps()) == list(small.stamps())


def test_the_copy_lies_in_one_place_and_another_file_has_another(tmp_path):
    path = tmp_path / "wing.mp4"
    path.write_bytes(b"a" * 10)
    before = proxy_path(tmp_path, "day1", path)
    path.write_bytes(b"a" * 11)

    assert before.parent == tmp_path / "results/proxies" and before.name.startswith("day1_wing_10_")
    assert proxy_path(tmp_path, "day1", path) != before
    assert proxy_path(tmp_path, "day2", path) != proxy_path(tmp_path, "day1", path)


def test_the_bench_measures_what_is_there(tmp_path):
    from bench import seeks as bench

    found = bench.in_code(make_video(tmp_path / "a.mp4", constant(30, 4)), 5)

    assert {name: one["n"] for name, one in found.items()} == {"random": 5, "next": 60, "previous": 60, "drag": 120}
    assert all(0 <= one["median_ms"] <= one["p95_ms"] <= one["longest_ms"] for one in found.values())
    assert bench.told([1.0, 2.0, 9.0])["median_ms"] == 2.0

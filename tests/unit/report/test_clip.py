"""What is written into a clip, and that it is written where and when it should be."""

import io
import subprocess
from dataclasses import replace

import av
import numpy as np
import pytest
from PIL import Image

from logger_app.domain.cameras import CameraFile
from logger_app.errors import ReportError
from logger_app.records.clocks import ClockMap
from logger_app.report.clip import caption, run_span
from logger_app.report.clip_io import write_clip
from logger_app.report.frames_io import FrameFinder


@pytest.fixture
def run(example):
    return example.page().runs[1]


@pytest.fixture(scope="module")
def video(tmp_path_factory):
    """70 s of a camera: frame k at k/10 s, but every tenth frame left out; its grey is its time in s x 2."""
    path = tmp_path_factory.mktemp("camera") / "wing ä.mp4"
    with av.open(str(path), "w") as box:
        picture = box.add_stream("libx264", rate=10, options={"crf": "10", "g": "40"})
        picture.width, picture.height, picture.pix_fmt = 320, 180, "yuv420p"
        sound = box.add_stream("aac", rate=16000)
        for k in range(700):
            if k % 10 == 9:
                continue
            frame = av.VideoFrame.from_ndarray(np.full((180, 320, 3), 40 + 2 * (k // 10), np.uint8), format="rgb24")
            frame.pts = k
            box.mux(picture.encode(frame))
        tone = (3000 * np.sin(np.arange(16000 * 70) * 0.2)).astype(np.int16)
        for k in range(0, len(tone), 1024):
            frame = av.AudioFrame.from_ndarray(tone[None, k : k + 1024], format="s16", layout="mono")
            frame.sample_rate, frame.pts = 16000, k
            box.mux(sound.encode(frame))
        box.mux(picture.encode(None))
        box.mux(sound.encode(None))
    return path


MAP = ClockMap(source="wing", offset_s=40.0, valid_to_s=70.0)


def test_the_speed_is_the_fit_before_the_event_and_says_so(run):
    at_s = run.event_s - 3.0
    words = caption(run, at_s, "kt")

    assert words.kind == "indicated, fit of the calls"
    assert float(words.speed.split()[0]) == pytest.approx(run.result.vs_ias_kt + 3.0, abs=0.06)
    assert words.time.startswith("−3.0 s")


def test_after_the_event_the_event_is_written_and_no_fitted_speed(run):
    words = caption(run, run.event_s + 0.5, "kt")

    assert words.event == "break"
    assert words.kind != "indicated, fit of the calls"
    assert caption(run, run.run.end_s + 60, "kt") == caption(run, run.run.end_s + 60, "kt")
    assert caption(run, run.run.end_s + 60, "kt").speed == ""


def test_a_call_nobody_reviewed_says_so(example):
    run = example.page().runs[17]
    at_s = run.calls[3].call.flight_s + 0.1

    assert "(not reviewed)" in caption(run, at_s, "kt").called


def test_speeds_are_in_the_pilots_unit(run):
    assert caption(run, run.event_s - 3.0, "km/h").speed.endswith("km/h")


@pytest.mark.slow
def test_the_clip_shows_the_run_at_its_own_frame_times_with_a_band_below(run, video, tmp_path):
    before = video.read_bytes()
    shares = []

    clip = write_clip(tmp_path / "out" / "c.mp4", video, MAP, run, "kt", shares.append)

    start_s, _ = run_span(run)
    with av.open(str(clip)) as box:
        assert [s.type for s in box.streams] == ["audio", "video"]
        frames = [(f.time, f.to_ndarray(format="rgb24")) for f in box.decode(video=0)]
    with av.open(str(clip)) as box:
        sound = np.concatenate([f.to_ndarray()[0] for f in box.decode(audio=0)])
    steps = np.diff([at_s for at_s, _ in frames])
    assert set(np.round(steps, 2)) == {0.1, 0.2}  # the gaps of the camera are still there
    for at_s, image in frames[5::17]:
        camera_s = start_s + at_s - MAP.offset_s
        grey = int(np.median(image[:100]))
        assert abs(grey - (40 + 2 * int(camera_s + 1e-6))) <= 4
        assert image[-6:].mean() < grey - 10  # the dark band
    assert np.sqrt(np.mean(sound**2)) > 0.03
    assert shares == sorted(shares) and shares[-1] == 1.0
    assert video.read_bytes() == before
    assert [p.name for p in clip.parent.iterdir()] == ["c.mp4"]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"path": "nothing.mp4"}, "no such file"),
        ({"text": "not a video"}, "the clip was not made"),
        ({"clock_map": replace(MAP, offset_s=5000.0)}, "was not running"),
    ],
)
def test_what_cannot_be_clipped_is_one_sentence_and_leaves_nothing(run, video, tmp_path, change, said):
    source = tmp_path / change["path"] if "path" in change else video
    if "text" in change:
        source = tmp_path / "broken.mp4"
        source.write_text(change["text"])

    with pytest.raises(ReportError, match=said):
        write_clip(tmp_path / "out" / "c.mp4", source, change.get("clock_map", MAP), run, "kt")

    assert not (tmp_path / "out").exists() or list((tmp_path / "out").iterdir()) == []


def test_pictures_are_those_that_were_showing_at_the_time(video):
    camera = CameraFile(flight="f", camera="wing", file="x", duration_s=70.0, clock_map=MAP)
    finder = FrameFinder([(camera, video)])

    for flight_s in (40.0, 43.3, 43.95, 61.5, 50.02, 109.4):
        data = finder("f", flight_s)
        with av.open(io.BytesIO(data)) as box:
            grey = int(np.median(next(box.decode(video=0)).to_ndarray(format="rgb24")))
        assert abs(grey - (40 + 2 * int(flight_s - 40.0))) <= 4, flight_s


def test_no_picture_where_no_camera_ran_or_the_file_is_gone(video, tmp_path):
    camera = CameraFile(flight="f", camera="wing", file="x", duration_s=70.0, clock_map=MAP)
    (tmp_path / "broken.mp4").write_text("no")

    assert FrameFinder([(camera, video)])("f", 20.0) is None
    assert FrameFinder([(camera, video)])("other", 50.0) is None
    assert FrameFinder([(camera, tmp_path / "gone.mp4"), (camera, tmp_path / "broken.mp4")])("f", 50.0) is None


def test_a_camera_held_upright_is_shown_upright(tmp_path):
    """FFmpeg's own command, which turns the picture by itself, as the reference."""
    flat, held, shown = tmp_path / "flat.mp4", tmp_path / "held.mp4", tmp_path / "shown.png"
    run = ["ffmpeg", "-y", "-loglevel", "error"]
    subprocess.run([*run, "-f", "lavfi", "-i", "testsrc=size=320x180:rate=5:duration=1", str(flat)], check=True)
    subprocess.run([*run, "-i", str(flat), "-c", "copy", "-metadata:s:v:0", "rotate=90", str(held)], check=True)
    subprocess.run([*run, "-i", str(held), "-frames:v", "1", str(shown)], check=True)
    clock_map = ClockMap(source="x", offset_s=0.0, valid_to_s=1.0)
    camera = CameraFile(flight="f", camera="wing", file="x", clock_map=clock_map)

    found = np.asarray(Image.open(io.BytesIO(FrameFinder([(camera, held)])("f", 0.1)))).astype(int)

    reference = np.asarray(Image.open(shown).convert("RGB")).astype(int)
    assert found.shape == reference.shape == (320, 180, 3)
    assert np.abs(found - reference).mean() < 6  # a small JPEG against a PNG

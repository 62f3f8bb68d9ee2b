"""From camera files to the wing side by side, by the command line: sync, then compare.

The cameras are made here: sound shared with the flight through another microphone, and pictures that
carry their own number in black and white squares, so that every still says which frame it is.
"""

import json
import platform
import shutil
import subprocess
import sys
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from PIL import Image
from scipy.signal import butter, sosfilt

from logger_app.__main__ import main
from logger_app.logstore.audio_io import SegmentWriter
from logger_app.logstore.codec import call_row
from logger_app.logstore.store import Journal
from logger_app.records.calls import CallKind, HeardCall
from logger_app.records.journal import FlightInfo, RowKind
from logger_app.sync.clip_io import AMBER, COUNTER, TITLE_LINE
from logger_app.sync.sheet_io import CAPTION, MARGIN, TITLE, font
from logger_app.units import s_to_ns

RATE, FPS, BITS, W, H = 16_000, 25, 12, 384, 96
SECONDS = 110
OFFSETS = {"day1_baseline": 12.48, "day2_cuffs": -7.2}
EVENT_S = {"day1_baseline": 62.3, "day2_cuffs": 58.9}


def picture(number):
    rgb = np.full((H, W, 3), 90, np.uint8)
    for bit in range(BITS):
        rgb[16:80, bit * 32 + 4 : bit * 32 + 28] = 255 if number >> bit & 1 else 0
    return rgb


def number_in(rgb):
    gray, width, height = rgb.mean(axis=2), rgb.shape[1], rgb.shape[0]
    columns = [int(width * (bit + 0.5) / BITS) for bit in range(BITS)]
    return sum(
        int(gray[height // 2 - 6 : height // 2 + 6, x - 3 : x + 3].mean() > 127) << bit for bit, x in enumerate(columns)
    )


def said(seconds, seed):
    rng = np.random.default_rng(seed)
    sound, band, at = np.zeros(round(seconds * RATE)), butter(2, [300, 3000], "band", fs=RATE, output="sos"), 0.0
    while (at := at + rng.exponential(2.5) + 0.8) < seconds - 2:
        n = round(rng.uniform(0.4, 1.0) * RATE)
        sound[round(at * RATE) :][:n] += (
            sosfilt(band, rng.standard_normal(n)) * np.abs(np.sin(np.linspace(0, 9, n))) ** 0.5
        )
    return sound


def pcm(sound, seed):
    noisy = sound + 0.3 * sound.std() * np.random.default_rng(seed).standard_normal(len(sound))
    return np.clip(noisy * 3000 / noisy.std(), -32768, 32767).astype(np.int16)


def write_camera(path, sound, seconds, first=0):
    with av.open(str(path), "w") as box:
        video = box.add_stream("libx264", rate=FPS, options={"preset": "ultrafast", "crf": "14", "g": "50"})
        video.width, video.height, video.pix_fmt = W, H, "yuv420p"
        audio = box.add_stream("aac", rate=RATE)
        audio.layout = "mono"
        for k in range(round(seconds * FPS)):
            frame = av.VideoFrame.from_ndarray(picture(first + k), format="rgb24")
            frame.pts, frame.time_base = k, Fraction(1, FPS)
            box.mux(video.encode(frame))
        for k in range(0, len(sound), 1024):
            block = av.AudioFrame.from_ndarray(sound[None, k : k + 1024], format="s16", layout="mono")
            block.sample_rate, block.pts, block.time_base = RATE, k, Fraction(1, RATE)
            box.mux(audio.encode(block))
        box.mux(video.encode(None))
        box.mux(audio.encode(None))
    return path


def calls(event_s):
    def heard(k, at_s, kind, name, value=None, unit=None):
        return HeardCall(
            id=f"call-{k:04d}",
            start_ns=s_to_ns(at_s),
            end_ns=s_to_ns(at_s + 0.5),
            kind=kind,
            name=name,
            value=value,
            unit=unit,
        )

    rows = [
        (20.0, CallKind.SETTING, "power", "idle", None),
        (22.0, CallKind.SETTING, "flap", 0.0, "deg"),
        (30.0, CallKind.EVENT, "on_condition", None, None),
    ]
    rows += [(event_s + 0.5 - back, CallKind.AIRSPEED, "ias", round(46 + back), "kt") for back in range(14, 0, -1)]
    rows += [
        (event_s + 0.5, CallKind.EVENT, "break", None, None),
        (event_s + 4, CallKind.EVENT, "recovered", None, None),
    ]
    return [heard(k, at, kind, name, value, unit) for k, (at, kind, name, value, unit) in enumerate(rows, 1)]


@pytest.fixture(scope="module")
def campaign(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sync")
    shipped = Path(__file__).parents[2] / "demo_sessions" / "sparrow_cuffs" / "inputs" / "campaign.toml"
    shutil.copy(shipped, folder / "campaign.toml")
    for k, (flight, offset_s) in enumerate(OFFSETS.items()):
        spoken = said(SECONDS + 60, 10 + k)
        start = 30 * RATE
        flight_dir = folder / "flights" / flight
        with Journal.create(flight_dir, FlightInfo(id=flight, configuration=flight.split("_")[1])) as journal:
            writer = SegmentWriter(flight_dir, journal)
            writer.write(pcm(spoken[start : start + SECONDS * RATE], 1))
            writer.close()
            journal.append([call_row(call, "2027-04-11T10:00:00Z") for call in calls(EVENT_S[flight])])
        begin = start + round(offset_s * RATE)
        write_camera(folder / f"{flight}_wing.mp4", pcm(spoken[begin : begin + 90 * RATE], 2), 90)
    return folder


def run(capsys, *words):
    code = main([str(word) for word in words])
    said_here = capsys.readouterr()
    return code, said_here.out, said_here.err


@pytest.fixture(scope="module")
def synced(campaign):
    for flight in OFFSETS:
        assert main(["sync", str(campaign / "flights" / flight), str(campaign / f"{flight}_wing.mp4")]) == 0
    return campaign


def test_cameras_come_onto_the_flight_clock(synced, capsys):
    for flight, offset_s in OFFSETS.items():
        code, out, _ = run(capsys, "sync", synced / "flights" / flight, synced / f"{flight}_wing.mp4", "--json")
        (video,) = json.loads(out)["videos"]

        assert code == 0 and video["accepted"]
        assert abs(video["offset_s"] - offset_s) < 0.02
        assert video["u_ms"] < 20
    with Journal.open(synced / "flights" / "day1_baseline", read_only=True) as journal:
        media = list(journal.rows(RowKind.MEDIA))
        maps = list(journal.rows(RowKind.CLOCK_MAP))
    assert len(media) == 1 and len(media[0].body["sha256"]) == 64, "the same file is noted once"
    assert maps[-1].body["source"] == media[0].body["file"]


def test_what_cannot_be_synced_is_refused_and_costs_the_others_nothing(synced, tmp_path, capsys):
    mine = shutil.copy(synced / "day1_baseline_wing.mp4", tmp_path / "mine.mp4")
    other = shutil.copy(synced / "day2_cuffs_wing.mp4", tmp_path / "other.mp4")
    (tmp_path / "cut.mp4").write_bytes(Path(mine).read_bytes()[:20_000])
    flight_dir = shutil.copytree(synced / "flights" / "day1_baseline", tmp_path / "f")
    before = Path(mine).read_bytes()
    code, out, err = run(capsys, "sync", flight_dir, other, tmp_path / "cut.mp4", mine, tmp_path / "gone.mp4", "--json")
    videos = {Path(v["file"]).name: v for v in json.loads(out)["videos"]}

    assert code == 1
    assert {name: v["accepted"] for name, v in videos.items()} == {
        "other.mp4": False,
        "cut.mp4": False,
        "mine.mp4": True,
        "gone.mp4": False,
    }
    assert "no common sound" in videos["other.mp4"]["why"] and "no such file" in videos["gone.mp4"]["why"]
    assert videos["other.mp4"]["offset_s"] is None
    assert err.count("not linked") >= 3
    assert Path(mine).read_bytes() == before


def test_by_hand(synced, tmp_path, capsys):
    flight_dir = shutil.copytree(synced / "flights" / "day1_baseline", tmp_path / "f")
    code, out, _ = run(capsys, "sync", flight_dir, synced / "day1_baseline_wing.mp4", "--offset", "12.4", "--json")
    video = json.loads(out)["videos"][0]
    assert (code, video["offset_s"], video["method"]) == (0, 12.4, "hand") and video["u_ms"] >= 100
    code, _, err = run(capsys, "sync", flight_dir, synced / "day1_baseline_wing.mp4", "--mark", "9999", "3")
    assert code == 1 and "expected 0 to" in err


def test_stills_show_the_frame_at_the_speed_and_at_the_stall(synced, tmp_path, capsys):
    out = tmp_path / "cmp"
    code, text, err = run(
        capsys,
        "compare",
        synced,
        "--point",
        "A1",
        "--configs",
        "baseline,cuffs",
        "--at",
        "1.1,52kt,stall,20kt",
        "-o",
        out,
        "--json",
    )
    assert code == 0, err
    found = json.loads(text)

    assert [s["at"] for s in found["stills"]] == ["1.1 Vs", "52 kt", "stall", "20 kt"] * 2
    for still in found["stills"]:
        flight = {"baseline": "day1_baseline", "cuffs": "day2_cuffs"}[still["configuration"]]
        if still["at"] == "20 kt":
            assert "not flown" in still["why"] and still["video_s"] is None
            continue
        frame = int((still["flight_s"] - OFFSETS[flight]) * FPS + 1e-6)
        assert abs(round(still["video_s"] * FPS) - frame) <= 1
        if still["at"] == "52 kt":  # spoken half a second after it was read, one knot a second
            assert abs(still["flight_s"] - (EVENT_S[flight] - 6)) < 0.1
        if still["at"] == "stall":
            assert abs(still["flight_s"] - EVENT_S[flight]) < 0.1
    with Image.open(found["files"]["sheet"]) as sheet:
        assert sheet.width > 4 * 640 and sheet.height > 2 * 160
    shown = [s for s in found["stills"] if s["at"] == "stall"]
    with av.open(found["files"]["clip"]) as clip:
        frames = [f.to_ndarray(format="rgb24") for f in clip.decode(video=0)]
    subtitles = Path(found["files"]["subtitles"]).read_text()
    assert subtitles.startswith("WEBVTT") and "to the stall" in subtitles and "stall\n" in subtitles
    stall_at = len(frames) - 4 * 30
    top = TITLE_LINE + CAPTION
    for c, still in enumerate(shown):
        cell = frames[stall_at][top : top + 640 * H // W, c * 640 : (c + 1) * 640]
        assert abs(number_in(cell) - round(still["video_s"] * FPS)) <= 1


def box_order(path):
    """Names of the file's outermost boxes in their order: each is a length of four bytes, then a name (ISO/IEC 14496-12, 4.2)."""
    data, at, names = path.read_bytes(), 0, []
    while at < len(data):
        names.append(data[at + 4 : at + 8].decode())
        at += int.from_bytes(data[at : at + 4])
    return names


@pytest.fixture(scope="module")
def clip(synced, tmp_path_factory):
    out = tmp_path_factory.mktemp("clip")
    assert main([*map(str, ["compare", synced, "--point", "A1", "--at", "stall", "-o", out, "--2x"])]) == 0
    return out


def test_the_clip_is_of_the_kind_that_plays_anywhere(clip):
    (path,) = clip.glob("*.mp4")
    with av.open(str(path)) as box:
        (stream,) = box.streams
        frames = sum(1 for _ in box.decode(video=0))
        kind = (stream.codec_context.name, stream.codec_context.format.name, stream.codec_context.profile)

    assert kind[:2] == ("h264", "yuv420p") and "Baseline" in kind[2]
    assert stream.width % 2 == stream.height % 2 == 0 and stream.average_rate == 30
    names = box_order(path)
    assert names.index("moov") < names.index("mdat"), "it can be played before all of it is there"
    cues = [line for line in next(iter(clip.glob("*.vtt"))).read_text().splitlines() if "-->" in line]
    assert cues[0].startswith("00:00:02.000"), "nothing is said during the title card"
    end_s = sum(float(part) * by for part, by in zip(cues[-1].split()[-1].split(":"), (3600, 60, 1), strict=True))
    assert abs(frames / 30 - end_s) <= 0.5


def test_the_clip_has_titles_speeds_and_event_marks(clip):
    with av.open(str(next(clip.glob("*.mp4")))) as box:
        frames = list(box.decode(video=0))
    wanted = (3, 50, -5 * 30, -4 * 30 + 3, -5)
    card, still_card, before, stall, after = (frames[k].to_ndarray(format="rgb24").astype(int) for k in wanted)
    top = TITLE_LINE + CAPTION
    foot = top + 640 * H // W

    def changed(one, other, rows, columns=slice(None)):
        return np.mean(np.abs(one[rows, columns] - other[rows, columns]).max(axis=-1) > 60)

    assert changed(card, before, slice(top, foot)) > 0.2, "the card is no picture of a wing"
    assert np.abs(card - still_card).mean() < 2, "it stays for two seconds"
    assert (before[:TITLE_LINE].max(axis=-1) > 150).mean() > 0.01, "the title stays over the pictures"
    assert changed(before, after, slice(0, TITLE_LINE)) < 0.001
    for c in (0, 1):
        columns = slice(c * 640, c * 640 + 200)
        counter = slice(foot, foot + COUNTER)
        assert changed(before, stall, counter, columns) > 0.01, "the airspeed goes down"
        assert (after[counter, columns].max(axis=-1) > 200).mean() < 0.02, "no speed after the stall"
        banner = (slice(foot - 40, foot - 10), slice(c * 640 + 9, c * 640 + 16))
        near = np.abs(stall[banner] - AMBER).max(axis=-1).mean()
        far = np.abs(before[banner] - AMBER).max(axis=-1).mean()
        assert near < 25 < far, "the break is marked when it was, not a second before"
        track = np.abs(before[foot + COUNTER :, c * 640 : (c + 1) * 640] - AMBER).max(axis=-1) < 60
        assert track.sum() > 20, "events have their marks on the track from the start"


def test_letters_of_other_languages_are_no_boxes():
    shapes = [font(40).getmask(letter).getbbox() and bytes(font(40).getmask(letter)) for letter in "ÜÄßñΩЖ\uffff"]
    assert len(set(shapes)) == 7, "each has a shape of its own, and none that of a letter that is not there"


def test_stills_at_twice_the_size(clip, synced, tmp_path):
    assert main([*map(str, ["compare", synced, "--point", "A1", "--at", "stall", "-o", tmp_path, "--no-clip"])]) == 0
    with Image.open(next(tmp_path.glob("*.png"))) as small, Image.open(next(clip.glob("*.png"))) as large:
        assert large.size == (small.width * 2, small.height * 2)
        assert large.text.keys() == small.text.keys(), "it still carries what it shows"
        pictures = []
        for image, scale in ((small, 1), (large, 2)):
            left, top = MARGIN * scale, (TITLE + CAPTION) * scale
            pictures.append(np.asarray(image)[top : top + 640 * H // W * scale, left : left + 640 * scale])
        assert number_in(pictures[0]) == number_in(pictures[1]) > 0, "the same frame of the camera"


def test_compare_says_what_is_missing(synced, tmp_path, capsys):
    cases = {
        ("--point", "Z9"): "expected one of A1",
        ("--point", "A1", "--configs", "baseline,nothing"): "--configs",
        ("--point", "A3"): "no run at point A3",
        ("--point", "A1", "--at", "soon"): "--at: got 'soon'",
        ("--point", "A1", "--run", "cuffs=nope:7"): "expected one of those with pictures: day2_cuffs:1",
        ("--point", "A1", "--camera", "tail"): "expected one of those with pictures",
    }
    for words, expected in cases.items():
        code, _, err = run(capsys, "compare", synced, *words, "-o", tmp_path / "x")
        assert code == 1 and expected in err, (words, err)
    assert not (tmp_path / "x").exists()


# What C libraries do unseen by Python's audit events: on Linux the kernel ends the process at its first socket that is not
# a local one (seccomp(2): the call's number; if it is socket(2), its first argument; AF_UNIX may go on), and what FFmpeg
# opens for writing is noted at its door.
NATIVE = """
import ctypes, os, platform, sys
number = {"x86_64": 41, "aarch64": 198}.get(platform.machine()) if sys.platform == "linux" else None
if number:
    class Step(ctypes.Structure):
        _fields_ = [("code", ctypes.c_ushort), ("yes", ctypes.c_ubyte), ("no", ctypes.c_ubyte), ("k", ctypes.c_uint)]
    class Steps(ctypes.Structure):
        _fields_ = [("count", ctypes.c_ushort), ("steps", ctypes.POINTER(Step))]
    steps = (Step * 6)(Step(0x20, 0, 0, 0), Step(0x15, 0, 3, number), Step(0x20, 0, 0, 16), Step(0x15, 1, 0, 1),
                       Step(0x06, 0, 0, 0x80000000), Step(0x06, 0, 0, 0x7FFF0000))
    libc = ctypes.CDLL(None, use_errno=True)
    assert libc.prctl(38, 1, 0, 0, 0) == 0 and libc.prctl(22, 2, ctypes.byref(Steps(6, steps)), 0, 0) == 0
import av
really_open = av.open
def opened(file, mode=None, *args, **kwargs):
    if mode and mode != "r":
        with open(os.environ["NATIVE_NOTES"], "a") as notes:
            notes.write(os.path.abspath(str(file).removeprefix("file:")) + chr(10))
    return really_open(file, mode, *args, **kwargs)
av.open = opened
"""


@pytest.mark.slow
def test_sync_and_compare_stay_offline_and_in_their_folders(synced, tmp_path, watched, monkeypatch):
    base, work, spy = tmp_path / "base", tmp_path / "work", tmp_path / "spy"
    spy.mkdir()
    (spy / "sitecustomize.py").write_text(NATIVE)
    monkeypatch.setenv("PYTHONPATH", str(spy))
    monkeypatch.setenv("NATIVE_NOTES", str(spy / "notes"))
    shutil.copytree(synced, work)
    video = work / "day1_baseline_wing.mp4"
    before, there = video.read_bytes(), set(work.iterdir())
    compare = ["compare", work, "--point", "A1", "--configs", "baseline,cuffs", "--at", "stall", "-o", work / "cmp"]
    for words in (["sync", work / "flights" / "day1_baseline", video], compare):
        seen = watched(words, work, base)

        assert seen["code"] == 0, seen["stderr"]
        assert not seen["sockets"] and not seen["begun"], words
        assert not [path for path in seen["outside"] if not path.startswith(str(spy))], words
        assert not seen["home"], words
        assert not seen["temporary"], "the unpacked sound is cleared away"
    written = (spy / "notes").read_text().split("\n")[:-1]
    assert written and all(Path(path).parent == work / "cmp" for path in written)
    assert set(work.iterdir()) - there == {work / "cmp"}
    assert video.read_bytes() == before


def test_the_watch_sees_a_socket_that_python_does_not(tmp_path):
    code = NATIVE.split("import av")[0] + "ctypes.CDLL(None).socket(2, 1, 0)"
    done = subprocess.run([sys.executable, "-c", code], cwd=tmp_path, capture_output=True)

    assert done.returncode == (-31 if sys.platform == "linux" and platform.machine() in ("x86_64", "aarch64") else 0)

"""The sound of people stays where it belongs: what a kill left behind goes too, and others cannot read it."""

import json
import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from logger_app.__main__ import main
from logger_app.logstore.audio_io import SegmentWriter, list_segments
from logger_app.logstore.recover import clear_unfinished, forget_sound, rescue, verify
from logger_app.logstore.schema import JOURNAL_FILE
from logger_app.logstore.store import Journal
from logger_app.records.journal import FlightInfo, RowKind
from logger_app.workflows.hearing import hear_into

DEMO = Path(__file__).resolve().parents[2] / "demo_sessions" / "sparrow_cuffs" / "inputs"


def recorded(folder, name="day1_baseline"):
    flight = folder / "flights" / name
    with Journal.create(flight, FlightInfo(id=name, configuration="baseline")) as journal:
        with SegmentWriter(flight, journal, segment_s=1) as sound:
            sound.write(np.arange(40_000, dtype=np.int16))
    return flight


def sounds(folder):
    return sorted(path.name for path in folder.rglob("*") if path.suffix in (".wav", ".flac", ".tmp", ".part", ".pcm"))


def test_forgetting_takes_the_halves_that_a_kill_left(tmp_path):
    flight = recorded(tmp_path)
    unfinished = tmp_path / "flights" / ".day1_baseline.77.part"
    shutil.copytree(flight, unfinished)
    (flight / "audio" / ".0000.77-77.part.flac").write_bytes(b"half of it")
    (flight / "audio" / ".0000.part.flac.77.tmp").write_bytes(b"half of it, by an older version")

    forget_sound(flight, "a pilot", "asked for")

    assert sounds(tmp_path) == []
    assert not unfinished.exists()
    assert verify(flight).ok
    with Journal.open(flight, read_only=True) as journal:
        (erased,) = journal.rows(RowKind.ERASED)
    assert (erased.body["who"], erased.body["why"]) == ("a pilot", "asked for")
    assert forget_sound(flight, "a pilot") == []


def test_the_half_of_a_compressed_file_is_no_sound_of_a_flight_without_a_journal(tmp_path):
    flight = recorded(tmp_path)
    shutil.copy(flight / "audio" / "0001.wav", flight / "audio" / ".0000.77-77.part.wav")
    (flight / JOURNAL_FILE).unlink()

    rescue(flight, tmp_path / "saved")

    assert [segment.samples for segment in list_segments(tmp_path / "saved")] == [16_000, 16_000, 8_000]


def test_what_another_program_is_building_is_left_alone(tmp_path):
    flights = tmp_path / "flights"
    with Journal.create(flights / ".day2.78.part", FlightInfo(id="day2", configuration=None)):
        clear_unfinished(flights)
        assert (flights / ".day2.78.part" / JOURNAL_FILE).is_file()
    (flights / ".mine.part").mkdir()
    clear_unfinished(flights)

    assert [path.name for path in flights.iterdir()] == [".mine.part"]


def test_hearing_again_clears_what_a_killed_hearing_left(tmp_path):
    shutil.copy(DEMO / "campaign.toml", tmp_path)
    left = tmp_path / "flights" / ".day1_baseline.77.part"
    shutil.copytree(recorded(tmp_path, "other"), left)
    words = tmp_path / "words.csv"
    words.write_text("start_s,words\n1,fifty nine\n2,buffet\n")

    hear_into([words], tmp_path / "flights" / "day1_baseline")

    assert not left.exists()
    if os.name != "nt":
        assert (tmp_path / "flights" / "day1_baseline").stat().st_mode & 0o077 == 0


@pytest.mark.skipif(os.name == "nt", reason="the system takes such files away by itself")
def test_a_killed_sync_leaves_no_sound_in_the_temporary_folder(tmp_path):
    code = (
        "import numpy as np, os, signal\n"
        "from logger_app.sync.media_io import SoundStore\n"
        "with SoundStore() as store:\n"
        "    kept = store.keep(np.arange(16000, dtype=np.int16) for _ in range(4))\n"
        "    assert kept.sum() == 4 * sum(range(16000))\n"
        "    os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], env=os.environ | {"TMPDIR": str(tmp_path)}, check=False)

    assert done.returncode == -signal.SIGKILL
    assert list(tmp_path.rglob("*")) == []


@pytest.mark.skipif(os.name == "nt", reason="rights of files are POSIX's")
@pytest.mark.parametrize("there_before", [False, True])
def test_nobody_else_may_read_a_flight(tmp_path, there_before):
    """Issue: the sound of people is personal. Checked with the loosest umask there is."""
    before = os.umask(0)
    try:
        if there_before:
            (tmp_path / "flights" / "day1_baseline").mkdir(parents=True)
        flight = recorded(tmp_path)
        rescue(flight, tmp_path / "flights" / "saved")
    finally:
        os.umask(before)

    for folder in (flight, flight / "audio", tmp_path / "flights" / "saved", tmp_path / "flights" / "saved" / "audio"):
        assert folder.stat().st_mode & 0o077 == 0, folder
    assert all(path.stat().st_mode & 0o077 == 0 for path in (flight / "audio").iterdir())


def test_forgetting_names_the_flights_that_hold_the_same_sound(tmp_path, capsys):
    flight = recorded(tmp_path)
    recorded(tmp_path, "day2_cuffs")
    rescue(flight, flight.with_name("day1_baseline_rescued"))
    main(["store", "forget-sound", str(flight), "--json"])
    assert json.loads(capsys.readouterr().out)["flights_with_the_same_sound"] == ["day1_baseline_rescued"]

    main(["store", "forget-sound", str(flight.with_name("day1_baseline_rescued"))])
    assert "holds the same sound" not in capsys.readouterr().out
    main(["store", "forget-sound", str(flight)])
    assert "holds the same sound" not in capsys.readouterr().out


def test_the_small_copies_of_camera_files_have_no_sound(tmp_path):
    import av

    from logger_app.sync.video_io import make_proxy

    with av.open(str(tmp_path / "wing.mp4"), "w") as box:
        picture = box.add_stream("libx264", rate=10)
        picture.width, picture.height, picture.pix_fmt = 64, 48, "yuv420p"
        sound = box.add_stream("aac", rate=16_000, layout="mono")
        for k in range(10):
            frame = av.VideoFrame.from_ndarray(np.full((48, 64, 3), 20 * k, np.uint8), format="rgb24")
            box.mux(picture.encode(frame))
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 16_000), np.int16), format="s16", layout="mono")
        frame.sample_rate = 16_000
        box.mux(sound.encode(frame))
        for stream in (picture, sound):
            box.mux(stream.encode(None))
    proxy = make_proxy(tmp_path / "wing.mp4", tmp_path / "proxies" / "wing.mp4")

    with av.open(str(tmp_path / "wing.mp4")) as whole, av.open(str(proxy)) as small:
        assert len(whole.streams.audio) == 1
        assert len(small.streams.audio) == 0 and len(small.streams.video) == 1


def test_forgetting_lists_all_that_may_hold_the_same_voices(tmp_path, capsys):
    """A copy of the folder under another name, sound under another name, and reports were not named."""
    flight = recorded(tmp_path)
    (tmp_path / "campaign.toml").touch()
    shutil.copytree(flight, tmp_path / "flights" / "for_the_engineer")
    shutil.copytree(flight, tmp_path / "backup" / "monday" / "day1_baseline")
    (flight / "audio" / "best_take.mp3").write_bytes(b"x")
    (tmp_path / "results" / "report").mkdir(parents=True)
    (tmp_path / "results" / "report" / "index.html").touch()
    assert main(["store", "forget-sound", str(flight), "--json"]) == 0
    left = json.loads(capsys.readouterr().out)

    assert left["flights_with_the_same_sound"] == ["../backup/monday/day1_baseline", "for_the_engineer"]
    assert left["other_files_left"] == ["audio/best_take.mp3"]
    assert left["reports_left"] == [str(tmp_path / "results" / "report" / "index.html")]

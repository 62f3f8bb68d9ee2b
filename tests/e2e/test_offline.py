"""No verb opens a network socket, and nothing is written outside the campaign and the user's folder.

Watched by Python's own audit events in a fresh process (`watched.py`), so that a library's attempt counts too.
The demo is watched in `test_demo.py`, `sync` and `compare` where they are tested.
"""

import os
from pathlib import Path

import pytest

from logger_app.sound_io import RATE_HZ, read_sound_file, write_flac

DEMO = Path(__file__).resolve().parents[2] / "demo_sessions" / "sparrow_cuffs" / "inputs"

# Four legs at each of two indicated airspeeds, in a wind from the north.
LEGS = "set,ias_kt,ground_speed_kt,track_deg,pressure_altitude_ft,oat_degc\n" + "".join(
    f"{number},{ias},{ias + more},{track},3000,9\n"
    for number, ias in ((1, 60), (2, 80))
    for track, more in ((0, 2), (90, 6), (180, 10), (270, 6))
)


@pytest.mark.slow
def test_the_whole_path_stays_offline_and_in_its_folders(tmp_path, watched):
    base, work = tmp_path / "base", tmp_path / "work"
    work.mkdir()
    campaign = str(work / "campaign")
    flight = f"{campaign}/flights/day1_baseline"
    os.makedirs(f"{campaign}/flights")
    (work / "campaign" / "campaign.toml").write_bytes((DEMO / "campaign.toml").read_bytes())
    sound = work / "cockpit.flac"
    write_flac(sound, read_sound_file(DEMO / "day1_baseline.opus")[: 44 * RATE_HZ])  # the first run
    legs = work / "legs.csv"
    legs.write_text(LEGS, encoding="utf-8")
    window = 1.0 if os.environ.get("DISPLAY") else None

    for words, closes_after_s in (
        (["plan", "new", str(work / "fresh"), "--aircraft", "Sparrow", "--change", "cuffs", "--empty-weight-kg", "388", "--max-weight-kg",
          "640", "--wing-area-m2", "12.4", "--flaps", "0,15,30", "--flap-limits", "85,75", "--stalls", "47,43,41", "--powers", "idle",
          "--banks", "0"], 0),
        (["hear", str(sound), "--into", flight], 0),
        (["plan", campaign, "--cards", str(work / "cards.pdf")], 0),
        (["preflight", campaign, "--no-screen", "--json"], 0),
        (["preflight", campaign, "--palette", "night", "--audio", str(sound)], window),
        (["review", flight, "--reject", "call-0001", "--why", "a test", "--export", str(work / "calls.csv")], 0),
        (["review", flight, "--import", str(work / "calls.csv"), "--list"], 0),
        (["calibrate", str(legs), "-o", str(work / "calibration.toml")], 0),
        (["reduce", campaign], 0),
        (["report", campaign, "-o", str(work / "report"), "--pdf"], 0),
        (["fly", campaign, "--flight", "day2_cuffs", "--no-screen", "--audio", str(sound), "--fast"], 0),
        (["fly", campaign, "--flight", "day3_cuffs", "--configuration", "cuffs", "--audio", str(sound), "--fast"], window),
        (["store", "compress", flight], 0),
        (["store", "verify", flight], 0),
        (["store", "rescue", flight], 0),
        (["store", "forget-sound", flight, "--json"], 0),
    ):  # fmt: skip
        if closes_after_s is None:  # no display: CI has one
            continue
        seen = watched(words, work, base, closes_after_s)

        # A flight whose window is closed in the air was interrupted; it can be resumed.
        assert seen["code"] == (130 if words[0] == "fly" and closes_after_s else 0), (words, seen["stderr"])
        assert not seen["sockets"] and not seen["begun"], words
        assert not seen["outside"], words
        assert not seen["home"], words
        assert seen.get("window") or not closes_after_s, words
    assert not seen["temporary"]
    assert (base / "data" / "kivy").is_dir() or window is None, "Kivy's own files belong into the user's data folder"


def test_the_watch_sees_a_socket_that_python_does_not(tmp_path):
    code = WATCH.split("from logger_app")[0] + "import ctypes; ctypes.CDLL(None).socket(2, 1, 0)"
    done = subprocess.run([sys.executable, "-c", code, "out", "sync"], cwd=tmp_path, capture_output=True)

    assert done.returncode == (-31 if sys.platform == "linux" and os.uname().machine in ("x86_64", "aarch64") else 0)


def test_sync_and_compare_stay_offline_and_in_their_folders(tmp_path):
    """Two flights with a camera each, from the file to the sheet, clip and subtitles."""
    home, work = tmp_path / "home", tmp_path / "work"
    work.mkdir()
    cameras = _made()
    campaign = work / "campaign"
    campaign.mkdir()
    (campaign / "campaign.toml").write_bytes((DEMO / "campaign.toml").read_bytes())
    videos = cameras.write_flights(campaign)
    before = {path: path.read_bytes() for path in videos.values()}
    flights = [f"{campaign}/flights/{flight}" for flight in videos]
    compare = ["compare", str(campaign), "--point", "A1", "--configs", "baseline,cuffs", "--at", "stall", "-o", str(work / "cmp")]
    for words in (*(["sync", flight, str(video)] for flight, video in zip(flights, videos.values())), compare):
        seen = watched(words, work, home)

        assert seen["code"] == 0, (words, seen["stderr"])
        assert seen["sockets"] == [], words
        allowed = {"sync": (str(campaign), str(home)), "compare": (str(work / "cmp"), str(home))}[words[0]]
        outside = [p for p in seen["written"] if not p.startswith((*allowed, "/dev/", "/proc/", str(work / "seen.json")))]
        assert outside == [], words
        assert list((home / "tmp").iterdir()) == [], "the unpacked sound is cleared away"
    assert {path: path.read_bytes() for path in videos.values()} == before
    assert {p.suffix for p in (work / "cmp").iterdir()} >= {".png", ".mp4", ".vtt"} or list((work / "cmp").iterdir())


def _made():
    path = Path(__file__).with_name("test_sync_compare.py")
    spec = importlib.util.spec_from_file_location("made_cameras", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module

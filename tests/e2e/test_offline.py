"""No verb opens a network socket, and nothing is written outside the campaign and the user's folder.

Watched by Python's own audit events in a fresh process (`watched.py`), so that a library's attempt counts too.
The demo is watched in `test_demo.py`, `sync` and `compare` where they are tested.
"""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from logger_app.io.sound import write_flac
from tests.made_campaign import demo_sound

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
    write_flac(sound, demo_sound(seconds=44))  # the first run
    legs = work / "legs.csv"
    legs.write_text(LEGS, encoding="utf-8")
    window = 1.0 if os.environ.get("DISPLAY") else None

    for words, closes_after_s in (
        (
            [
                "plan",
                "new",
                str(work / "fresh"),
                "--aircraft",
                "Sparrow",
                "--change",
                "cuffs",
                "--empty-weight-kg",
                "388",
                "--max-weight-kg",
                "640",
                "--wing-area-m2",
                "12.4",
                "--flaps",
                "0,15,30",
                "--flap-limits",
                "85,75",
                "--stalls",
                "47,43,41",
                "--powers",
                "idle",
                "--banks",
                "0",
            ],
            0,
        ),
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
        (
            ["fly", campaign, "--flight", "day3_cuffs", "--configuration", "cuffs", "--audio", str(sound), "--fast"],
            window,
        ),
        (["store", "compress", flight], 0),
        (["store", "verify", flight], 0),
        (["store", "rescue", flight], 0),
        (["store", "forget-sound", flight, "--json"], 0),
    ):
        if closes_after_s is None:  # no display: CI has one
            continue
        seen = watched(words, work, base, closes_after_s)

        # A flight whose window is closed in the air was interrupted (130), unless its recording had ended before (0). Preflight says 1 without a microphone.
        expected = {0, 130} if words[0] == "fly" and closes_after_s else {0, 1} if "preflight" in words else {0}
        assert seen["code"] in expected, (words, seen["stderr"])
        assert not seen["sockets"] and not seen["begun"], words
        assert not seen["outside"], words
        assert not seen["home"], words
        assert seen.get("window") or not closes_after_s, words
    assert not seen["temporary"]
    assert (base / "data" / "kivy").is_dir() or window is None, "Kivy's own files belong into the user's data folder"


def test_what_draws_keeps_its_files_in_the_users_folder(tmp_path):
    """Mesa's shaders went into the cache of the account, whatever HOME says; Kivy's settings always came here."""
    code = "import os; from logger_app.ui.kivy_env import prepare_environment as p; p(); print(os.environ['KIVY_HOME']); print(os.environ['MESA_SHADER_CACHE_DIR'])"
    env = {key: value for key, value in os.environ.items() if not key.startswith(("KIVY", "MESA"))}
    env |= {"KNEECALL_HOME": str(tmp_path / "data")}
    done = subprocess.run([sys.executable, "-c", code], env=env, capture_output=True, text=True, check=True)

    assert done.stdout.split() == [str(tmp_path / "data" / "kivy")] * 2

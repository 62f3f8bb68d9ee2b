"""No verb opens a network socket, and nothing is written outside the campaign and the user's folder.

Watched by Python's own audit events in a fresh process, so that a library's attempt counts too.
"""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from logger_app.sound_io import RATE_HZ, read_sound_file, write_flac

DEMO = Path(__file__).resolve().parents[2] / "demo_sessions" / "sparrow_cuffs" / "inputs"

WATCH = """
import json, os, sys
seen = {"sockets": [], "written": []}
writing = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND
def watch(event, args):
    if event in ("socket.connect", "socket.bind", "socket.getaddrinfo", "socket.sendto"):
        seen["sockets"].append(event + repr(args[1:]))
    elif event == "open" and isinstance(args[0], (str, bytes)):
        mode, flags = args[1] or "", args[2] or 0
        if any(c in mode for c in "wax+") or flags & writing:
            seen["written"].append(os.path.abspath(os.fsdecode(args[0])))
    elif event in ("os.mkdir", "os.rename", "sqlite3.connect"):
        name = args[1] if event == "os.rename" else args[0]
        if isinstance(name, (str, bytes)) and not os.fsdecode(name).startswith("file:"):
            seen["written"].append(os.path.abspath(os.fsdecode(name)))
sys.addaudithook(watch)
from logger_app.__main__ import main
try:
    code = main(sys.argv[2:])
except SystemExit as stop:
    code = stop.code
with open(sys.argv[1], "w") as out:
    json.dump(seen | {"code": code}, out)
"""


# Four legs at each of two indicated airspeeds, in a wind from the north.
LEGS = "set,ias_kt,ground_speed_kt,track_deg,pressure_altitude_ft,oat_degc\n" + "".join(
    f"{number},{ias},{ias + more},{track},3000,9\n"
    for number, ias in ((1, 60), (2, 80))
    for track, more in ((0, 2), (90, 6), (180, 10), (270, 6))
)


def watched(words, folder: Path, home: Path) -> dict:
    out = folder / "seen.json"
    env = os.environ | {"KNEECALL_HOME": str(home), "PYTHONDONTWRITEBYTECODE": "1", "TMPDIR": str(home / "tmp")}
    (home / "tmp").mkdir(parents=True, exist_ok=True)
    done = subprocess.run([sys.executable, "-c", WATCH, str(out), *words], cwd=folder, env=env, capture_output=True, text=True)
    seen = json.loads(out.read_text())
    out.unlink()
    seen["stderr"] = done.stderr
    return seen


@pytest.mark.slow
def test_the_whole_path_stays_offline_and_in_its_folders(tmp_path):
    home, work = tmp_path / "home", tmp_path / "work"
    work.mkdir()
    campaign = str(work / "campaign")
    flight = f"{campaign}/flights/day1_baseline"
    os.makedirs(f"{campaign}/flights")
    (work / "campaign" / "campaign.toml").write_bytes((DEMO / "campaign.toml").read_bytes())
    sound = work / "cockpit.flac"
    write_flac(sound, read_sound_file(DEMO / "day1_baseline.opus")[: 44 * RATE_HZ])  # the first run
    legs = work / "legs.csv"
    legs.write_text(LEGS, encoding="utf-8")

    for words in (
        ["hear", str(sound), "--into", flight],
        ["plan", campaign, "--cards", str(work / "cards.pdf")],
        ["preflight", campaign, "--no-screen", "--json"],
        ["review", flight, "--reject", "call-0001", "--why", "a test", "--export", str(work / "calls.csv")],
        ["review", flight, "--import", str(work / "calls.csv"), "--list"],
        ["calibrate", str(legs), "-o", str(work / "calibration.toml")],
        ["reduce", campaign],
        ["report", campaign, "-o", str(work / "report"), "--pdf"],
        ["fly", campaign, "--flight", "day2_cuffs", "--no-screen", "--audio", str(sound), "--fast"],
        ["store", "compress", flight],
        ["store", "verify", flight],
        ["store", "forget-sound", flight, "--json"],
    ):
        seen = watched(words, work, home)

        assert seen["code"] == 0, (words, seen["stderr"])
        assert seen["sockets"] == [], words
        outside = [p for p in seen["written"] if not p.startswith((str(tmp_path), "/dev/", "/proc/"))]
        assert outside == [], words

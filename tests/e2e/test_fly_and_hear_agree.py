"""The same sound, flown and heard: the same runs at the same points, in flight, on the ground and from a recording.

Thirty short recordings of made speech (espeak-ng): who says everything, who says only what changes, who flips cards,
who forgets "on condition", talk between. Slow.
"""

import json
import random
import subprocess
import sys

import numpy as np
import pytest

from logger_app.io.sound import write_flac
from logger_app.logstore.store import Journal
from logger_app.records.journal import RowKind
from logger_app.workflows.campaign import load_campaign, load_flight
from logger_app.workflows.hearing import hear_into

CAMPAIGN = """
[campaign]
name = "made"
[aircraft]
name = "made"
empty_weight_kg = 380.0
reference_weight_kg = 600.0
max_weight_kg = 650.0
wing_area_m2 = 12.0
[[aircraft.flap_limit]]
flap_deg = 20
max_ias_kt = 80
[[configuration]]
id = "base"
name = "Plain"
[[card]]
id = "A"
title = "Level"
[[card.point]]
id = "A1"
power = "idle"
flap_deg = 0
runs_wanted = 1
[[card.point]]
id = "A2"
power = "idle"
flap_deg = 20
runs_wanted = 1
[[card]]
id = "D"
title = "Turning"
[[card.point]]
id = "D1"
power = "idle"
flap_deg = 0
bank_deg = -30
runs_wanted = 1
"""
RATE_HZ = 16000
SET_UPS = {
    "A1": ["power idle", "flaps up"],
    "A2": ["power idle", "flaps twenty"],
    "D1": ["power idle", "flaps up", "bank thirty left"],
}
TENS = {5: "fifty", 6: "sixty", 4: "forty"}
UNITS = ["", " one", " two", " three", " four", " five", " six", " seven", " eight", " nine"]


def spoken(words: str) -> np.ndarray:
    """Words as sound, float64 at 16 kHz."""
    made = subprocess.run(["espeak-ng", "-v", "en-us", "-s", "150", "--stdout", words], capture_output=True, check=True)
    pcm = np.frombuffer(made.stdout[44:], np.int16).astype(float)
    n = round(len(pcm) * RATE_HZ / 22050)
    return np.interp(np.linspace(0, len(pcm) - 1, n), np.arange(len(pcm)), pcm)


def recording(seed: int) -> np.ndarray:
    """A flight of two runs, 16-bit."""
    rng = random.Random(seed)
    noise = np.random.default_rng(seed)
    parts: list[np.ndarray] = []

    def say(words, pause_s):
        parts.append(spoken(words))
        parts.append(np.zeros(round(pause_s * RATE_HZ)))

    points = rng.sample(list(SET_UPS), 2)
    parts.append(np.zeros(2 * RATE_HZ))
    for k, point in enumerate(points):
        if k and rng.random() < 0.5:
            say("next card", 3.0)
        words = SET_UPS[point]
        if k and rng.random() < 0.4:
            words = words[1:]  # power idle was said once
        for one in words:
            say(one, 1.5)
        if rng.random() < 0.8:
            say("on condition", 2.0)
        top = rng.randint(56, 62)
        for speed in range(top, top - 9, -1):
            say(TENS[speed // 10] + UNITS[speed % 10], 0.7)
        say("break", 2.0)
        if rng.random() < 0.7:
            say("recovered", 1.0)
        parts.append(np.zeros(14 * RATE_HZ))
    pcm = np.concatenate(parts)
    pcm = 0.4 * pcm + noise.normal(0, 120, len(pcm))
    return np.clip(pcm, -32767, 32767).astype(np.int16)


def runs_of(campaign, folder):
    """Start (to half a second) and point of each run, as review and reduce see them."""
    return [(round(2 * run.start_s) / 2, run.point) for run in load_flight(load_campaign(campaign), folder).runs.runs]


@pytest.mark.slow
def test_fly_and_hear_agree_on_30_recordings(tmp_path):
    (tmp_path / "campaign.toml").write_text(CAMPAIGN, "utf-8")
    differ = []
    for seed in range(30):
        sound = tmp_path / f"r{seed}.flac"
        write_flac(sound, recording(seed))
        flown, heard = tmp_path / "flights" / f"flown{seed}", tmp_path / "flights" / f"heard{seed}"
        words = ["fly", str(tmp_path), "--flight", flown.name, "--configuration", "base", "--audio", str(sound)]
        done = subprocess.run(
            [sys.executable, "-m", "logger_app", *words, "--fast", "--no-screen", "--json"],
            capture_output=True,
            text=True,
        )
        assert done.returncode == 0, done.stderr[-800:]
        hear_into([sound], heard, campaign_dir=tmp_path, configuration="base")
        with Journal.open(flown, read_only=True) as journal:
            live = [row.body["point"] for row in journal.rows(RowKind.VERDICT) if row.body["n_calls"]]
        on_ground, from_recording = runs_of(tmp_path, flown), runs_of(tmp_path, heard)
        if not ([p for _, p in on_ground] == live and on_ground == from_recording):
            differ.append((seed, live, on_ground, from_recording))
    print(json.dumps(differ))
    assert differ == []

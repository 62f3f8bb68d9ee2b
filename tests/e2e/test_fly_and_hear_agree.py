"""The same sound, flown and heard: the same runs at the same points, in flight, on the ground and from a recording.

At the level of calls 30 flights of the gauntlet, with everything that goes wrong in them; in sound a few short
recordings of made speech (espeak-ng): who says everything, who says only what changes, who flips cards, who forgets
"on condition". `PYTHONPATH=tests python tests/e2e/test_fly_and_hear_agree.py 30` flies and hears so many.
"""

import json
import random
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from builders import campaign_text

from logger_app.io.sound import write_flac
from logger_app.logstore.store import Journal
from logger_app.records.journal import RowKind
from logger_app.workflows.campaign import load_campaign, load_flight
from logger_app.workflows.hearing import hear_into

CAMPAIGN = campaign_text(runs_wanted=1)
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


def disagreements(root: Path, seeds) -> list:
    """Recordings whose runs or points differ between the cards in flight, the ground after it, and `hear`."""
    from logger_app.__main__ import main

    (root / "campaign.toml").write_text(CAMPAIGN, "utf-8")
    differ = []
    for seed in seeds:
        sound = root / f"r{seed}.flac"
        write_flac(sound, recording(seed))
        flown, heard = root / "flights" / f"flown{seed}", root / "flights" / f"heard{seed}"
        words = ["fly", str(root), "--flight", flown.name, "--configuration", "base", "--audio", str(sound)]
        assert main([*words, "--fast", "--no-screen"]) == 0
        hear_into([sound], heard, campaign_dir=root, configuration="base")
        with Journal.open(flown, read_only=True) as journal:
            live = [row.body["point"] for row in journal.rows(RowKind.VERDICT) if row.body["n_calls"]]
        on_ground, from_recording = runs_of(root, flown), runs_of(root, heard)
        if not ([p for _, p in on_ground] == live and on_ground == from_recording):
            differ.append((seed, live, on_ground, from_recording))
    return differ


@pytest.mark.slow
def test_fly_and_hear_agree_on_the_same_sound(tmp_path):
    assert disagreements(tmp_path, range(3)) == []


def test_the_cards_and_the_ground_agree_on_30_flights_of_the_gauntlet():
    import gauntlet

    compared = 0
    for seed in range(100):
        rng = random.Random(seed)
        campaign = gauntlet.made_campaign(rng, banked=True)
        planned = campaign.flights[0]
        made = gauntlet.fly(rng, campaign, gauntlet.Pilot.any(rng), planned, campaign.points[:4])
        if made.away:
            continue  # the program is away: what the cards then do is told by steps, which these calls have not
        gauntlet.spoil(rng, made)
        flight = gauntlet.Flight(campaign, campaign, made, gauntlet.heard_calls(made, read=False)[0])
        assert gauntlet.live_runs(flight) == [(run.id, run.point) for run in flight.runs.runs]
        compared += 1
        if compared == 30:
            break
    assert compared == 30


if __name__ == "__main__":
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        found = disagreements(Path(folder), range(int(sys.argv[1])))
    print(json.dumps({"recordings": int(sys.argv[1]), "differ": found}))

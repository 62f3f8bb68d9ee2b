"""What preflight makes of sound, disk, battery, clock."""

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from logger_app.fly.capture.audio_writer import BYTES_PER_S, JOURNAL_BYTES
from logger_app.records.plan import Aircraft, Campaign, PlannedFlight, Planning, TestCard, TestPoint
from logger_app.workflows import preflight as workflow

AIRCRAFT = Aircraft(name="x", empty_weight_kg=400, reference_weight_kg=600, max_weight_kg=640, wing_area_m2=12)
CAMPAIGN = Campaign(
    name="x",
    aircraft=AIRCRAFT,
    cards=(
        TestCard(id="A", title="a", points=(TestPoint(id="A1", card="A", runs_wanted=3),)),
        TestCard(id="B", title="b", points=(TestPoint(id="B1", card="B", runs_wanted=5),)),
    ),
    flights=(PlannedFlight(id="f", configuration="plain", cards=("B",)),),
    planning=Planning(minutes_per_run=4.0, minutes_to_area=10.0, minutes_back=5.0),
)


def noise(rms):
    return np.random.default_rng(2).normal(0, rms, 16_000).clip(-32768, 32767).astype(np.int16)


@pytest.mark.parametrize(
    "pcm, state, word",
    [
        (noise(1200), "ok", "dB"),
        (noise(40), "warn", "quiet"),
        (np.zeros(16_000, np.int16), "wrong", "silent"),
        (np.full(16_000, 500, np.int16), "wrong", "silent"),  # an offset is no sound
        (noise(30_000), "warn", "clips"),
    ],
)
def test_a_level_is_judged(pcm, state, word):
    check = workflow.judge_level(pcm)

    assert check.state == state
    assert word in check.words


def test_a_flight_is_as_long_as_its_own_cards():
    assert workflow.planned_minutes(CAMPAIGN, "f") == 10 + 5 * 4 + 5
    assert workflow.planned_minutes(CAMPAIGN, "another") == 10 + 8 * 4 + 5


@pytest.mark.parametrize("minutes_free, state", [(64.0, "wrong"), (66.0, "ok")])
def test_the_disk_needs_room_for_the_flight_and_half_an_hour(tmp_path, minutes_free, state):
    free = round(JOURNAL_BYTES + minutes_free * 60 * BYTES_PER_S)

    assert workflow.check_disk(tmp_path, 35.0, lambda _: free).state == state


def supply(folder: Path, name: str, **files):
    (folder / name).mkdir()
    for file, text in files.items():
        (folder / name / file).write_text(f"{text}\n")


def test_the_battery_is_the_machines_own_not_the_mouses(tmp_path):
    supply(tmp_path, "AC", type="Mains", online=0)
    supply(tmp_path, "BAT0", type="Battery", capacity=81)
    supply(tmp_path, "mouse", type="Battery", capacity=3, scope="Device")

    assert workflow.battery_linux(tmp_path) == (81, False)
    assert workflow.battery_linux(tmp_path / "none") == (None, None)


@pytest.mark.parametrize(
    "told, state", [((90, False), "ok"), ((30, False), "warn"), ((30, True), "ok"), ((None, None), "unknown")]
)
def test_a_low_battery_is_said(monkeypatch, told, state):
    monkeypatch.setattr(workflow, "battery", lambda: told)

    assert workflow.check_battery().state == state


@pytest.mark.parametrize(
    "now, newest, state",
    [
        (datetime(2027, 4, 1, tzinfo=UTC), None, "ok"),
        (datetime(1970, 1, 1, tzinfo=UTC), None, "warn"),
        (datetime(2027, 4, 1, tzinfo=UTC), datetime(2027, 4, 2, tzinfo=UTC), "warn"),
    ],
)
def test_a_clock_that_cannot_be_right_is_said(now, newest, state):
    assert workflow.check_clock(newest, now).state == state


def test_faults_of_the_campaign_are_all_told(tmp_path):
    (tmp_path / "campaign.toml").write_text("[campaign]\nname = 3\n[aircraft]\n", "utf-8")
    check, campaign = workflow.check_cards(tmp_path)

    assert check.state == "wrong"
    assert len(dict(check.facts)["faults"]) >= 2
    assert campaign is None


def test_a_model_that_was_fetched_is_found(tmp_path, monkeypatch):
    monkeypatch.setenv("KNEECALL_HOME", str(tmp_path))
    assert workflow.check_second_recogniser().state == "unknown"
    (tmp_path / "models" / workflow.VOSK_MODEL).mkdir(parents=True)

    check = workflow.check_second_recogniser()
    assert (check.state, check.words) == ("ok", workflow.VOSK_MODEL)


def test_acknowledging_is_kept_until_the_briefing_changes(tmp_path):
    workflow.acknowledge(tmp_path, CAMPAIGN, "A. Pilot")

    assert workflow.acknowledged(tmp_path, CAMPAIGN)["who"] == "A. Pilot"
    assert workflow.check_briefing(tmp_path, CAMPAIGN).state == "ok"
    (tmp_path / "results" / "preflight.json").write_text("{broken", "utf-8")
    assert workflow.acknowledged(tmp_path, CAMPAIGN) is None

"""`kneecall hear` from the command line on real files: sound, video, transcripts, flights, faults."""

import json
import os
import shutil
import signal
import subprocess
import sys
import time

import numpy as np
import pytest

from logger_app.__main__ import main
from logger_app.io.resources import data_dir
from logger_app.io.sound import RATE_HZ, open_sound, write_flac
from logger_app.logstore.audio_io import read_sound
from logger_app.logstore.store import Journal
from logger_app.records.journal import RowKind
from logger_app.workflows import campaign as flow
from logger_app.workflows.campaign import load_campaign, load_flight

DEMO = data_dir("demo_sessions") / "sparrow_cuffs"
TRUTH = json.loads((DEMO / "expected" / "truth.json").read_text("utf-8"))["flights"][0]
SECONDS = 35


@pytest.fixture(scope="module")
def sound():
    """The first minute of the demo's first flight."""
    blocks = []
    with open_sound(DEMO / "inputs" / "day1_baseline.opus") as stream:
        for block in stream.blocks(1.0):
            blocks.append(block)
            if len(blocks) == SECONDS:
                return np.concatenate(blocks)


@pytest.fixture(scope="module")
def flac(sound, tmp_path_factory):
    path = tmp_path_factory.mktemp("in") / "cockpit äé.flac"
    write_flac(path, sound)
    return path


@pytest.fixture
def campaign(tmp_path):
    folder = tmp_path / "camp"
    (folder / "flights").mkdir(parents=True)
    shutil.copyfile(DEMO / "inputs" / "campaign.toml", folder / "campaign.toml")
    return folder


def run(capsys, *arguments):
    code = main(["hear", *map(str, arguments)])
    out, err = capsys.readouterr()
    return code, out, err


def expected():
    return [c for c in TRUTH["calls"] if c["end_s"] < SECONDS - 1]


def right(calls):
    """How many of the truth's calls were heard as they were said, within 0.5 s."""
    return sum(
        any(
            c["name"] == t["name"] and c["value"] == t["value"] and abs(c["start_s"] - t["start_s"]) < 0.5
            for c in calls
        )
        for t in expected()
    )


def test_calls_in_a_recording_are_printed_as_one_json_document(flac, capsys):
    code, out, _ = run(capsys, flac, "--json")
    document = json.loads(out)

    assert 0 == code
    assert SECONDS == pytest.approx(document["duration_s"], abs=0.1)
    assert right(document["calls"]) >= 0.85 * len(expected())


@pytest.mark.slow
@pytest.mark.parametrize(
    "name, options",
    [
        ("a.wav", ["-ar", "44100", "-ac", "2"]),
        ("a.mp3", ["-ar", "48000", "-b:a", "96k"]),
        ("a.m4a", ["-b:a", "96k"]),
        ("low.wav", ["-ar", "8000"]),
    ],
)
def test_formats_and_rates_give_the_same_calls(flac, tmp_path, capsys, name, options):
    path = tmp_path / name
    subprocess.run(["ffmpeg", "-v", "error", "-i", str(flac), *options, str(path)], check=True)
    code, out, _ = run(capsys, path, "--json")

    assert 0 == code
    assert right(json.loads(out)["calls"]) >= 0.75 * len(expected())


@pytest.mark.slow
def test_sound_that_starts_late_in_a_video_keeps_its_place(flac, tmp_path, capsys):
    path = tmp_path / "camera.mov"
    subprocess.run(
        [
            "ffmpeg",
            "-v",
            "error",
            "-f",
            "lavfi",
            "-i",
            "color=s=64x64:r=10",
            "-itsoffset",
            "2.5",
            "-i",
            str(flac),
            "-t",
            "40",
            "-c:v",
            "mpeg4",
            "-c:a",
            "aac",
            str(path),
        ],
        check=True,
    )
    code, out, _ = run(capsys, path, "--json")
    heard = {call["name"]: call["start_s"] for call in json.loads(out)["calls"] if call["kind"] == "setting"}
    said = {
        call["name"]: call["start_s"] for call in TRUTH["calls"] if call["kind"] == "setting" and call["start_s"] < 20
    }

    assert 0 == code
    assert {name: pytest.approx(start_s + 2.5, abs=0.3) for name, start_s in said.items()} == heard


def test_a_new_flight_holds_sound_and_calls(flac, sound, campaign, capsys):
    flight = campaign / "flights" / "day1_baseline"
    code, out, _ = run(capsys, flac, "--into", flight, "--json")
    document = json.loads(out)
    data = load_flight(load_campaign(campaign), flight)
    with Journal.open(flight, read_only=True) as journal:
        rows = list(journal.rows(RowKind.CALL))
        info = journal.info

    assert 0 == code
    assert "baseline" == info.configuration
    assert [call["id"] for call in document["calls"]] == [row.id for row in rows]
    assert np.array_equal(sound[:RATE_HZ], read_sound(flight, 0, 1))
    assert [row.id for row in rows] == [call.id for call in flow.all_calls(data)]
    assert ["audio", "flight.lock", "flight.sqlite"] == sorted(p.name for p in flight.iterdir() if "-" not in p.name)
    assert [flight] == list(flight.parent.iterdir())


def test_more_sound_goes_after_what_is_there_and_the_same_is_refused(flac, sound, campaign, tmp_path, capsys):
    flight = campaign / "flights" / "day1_baseline"
    run(capsys, flac, "--into", flight)
    second = tmp_path / "second.flac"
    write_flac(second, sound)
    code, out, _ = run(capsys, second, "--into", flight, "--json")
    again, _, err = run(capsys, second, "--into", flight)

    assert 0 == code
    assert all(call["start_s"] >= SECONDS for call in json.loads(out)["calls"])
    assert 1 == again and "is in flight day1_baseline already" in err


def test_a_transcript_becomes_calls_in_a_flight(campaign, tmp_path, capsys):
    log = tmp_path / "log.csv"
    log.write_text("start_s,words\n10,on condition\n12,sixty two\n13.4,sixty\n15,eight\n16,buffet\n17,break\n", "utf-8")
    code, out, _ = run(capsys, log, "--into", campaign / "flights" / "hand", "--configuration", "baseline", "--json")

    assert 0 == code
    assert [62.0, 60.0, 58.0] == [c["value"] for c in json.loads(out)["calls"] if c["kind"] == "airspeed"]


@pytest.mark.parametrize("fault", ["missing", "empty", "text", "silence", "hiss", "cut"])
def test_a_bad_file_is_one_sentence_and_leaves_nothing_behind(fault, flac, campaign, tmp_path, capsys):
    path = tmp_path / "bad.wav"
    if fault == "empty":
        path.write_bytes(b"")
    elif fault == "text":
        path.write_text("this is no sound\n" * 50, "utf-8")
    elif fault == "silence":
        write_flac(path, np.zeros(5 * RATE_HZ, np.int16))
    elif fault == "hiss":
        write_flac(path, (np.random.default_rng(0).normal(size=5 * RATE_HZ) * 500).astype(np.int16))
    elif fault == "cut":
        path.write_bytes(flac.read_bytes()[:60_000])
    code, out, err = run(capsys, path, "--into", campaign / "flights" / "day1_baseline", "--json")

    assert 1 == code
    assert "" == out
    assert 1 == len(err.strip().splitlines()) and str(path) in err
    assert [] == list((campaign / "flights").iterdir())


def test_what_was_fitted_must_be_known(flac, campaign, capsys):
    code, _, err = run(capsys, flac, "--into", campaign / "flights" / "unplanned")
    wrong, _, err2 = run(capsys, flac, "--into", campaign / "flights" / "unplanned", "--configuration", "fences")

    assert 1 == code == wrong
    assert "--configuration" in err and "baseline" in err2


@pytest.mark.slow
@pytest.mark.parametrize("new", [True, False])
def test_interrupting_leaves_the_flight_as_it_was(new, flac, sound, campaign, tmp_path, capsys):
    flight = campaign / "flights" / "day1_baseline"
    if not new:
        run(capsys, flac, "--into", flight)
    before = sorted(p.name for p in flight.rglob("*.flac"))
    long = tmp_path / "long.flac"
    write_flac(long, np.tile(sound, 10))
    process = subprocess.Popen(
        [sys.executable, "-m", "logger_app", "hear", str(long), "--into", str(flight)],
        stderr=subprocess.PIPE,
        env=os.environ | {"PYTHONDONTWRITEBYTECODE": "1"},
    )
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline and len(list(flight.parent.rglob("*.flac"))) <= len(before):
        time.sleep(0.05)
    process.send_signal(signal.SIGINT)
    process.communicate(timeout=60)

    assert 130 == process.returncode
    assert before == sorted(p.name for p in flight.rglob("*.flac"))
    assert ([] if new else [flight]) == list(flight.parent.iterdir())
    if not new:
        assert load_flight(load_campaign(campaign), flight)


def test_plain_output_has_a_line_a_call_and_says_what_was_heard(flac, capsys):
    code, out, err = run(capsys, flac)

    assert 0 == code
    assert any("62 kt" in line and "sixty two" in line for line in out.splitlines())
    assert "heard with callout" in err


@pytest.mark.slow
def test_a_second_listening_drops_and_changes_nothing(flac, capsys):
    _, out, _ = run(capsys, flac, "--json")
    _, twice, _ = run(capsys, flac, "--second", "--json")
    once = {(c["start_s"], c["value"], c["name"]) for c in json.loads(out)["calls"]}
    again = json.loads(twice)["calls"]

    assert once <= {(c["start_s"], c["value"], c["name"]) for c in again}
    assert right(again) >= right(json.loads(out)["calls"])

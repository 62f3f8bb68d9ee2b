"""`kneecall review` from the command line: every correction, every refusal, kill -9, two people."""

import csv
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
from logger_app.io.sound import open_sound
from logger_app.logstore import codec
from logger_app.logstore.audio_io import SegmentWriter
from logger_app.logstore.schema import JOURNAL_FILE
from logger_app.logstore.store import Journal
from logger_app.records.calls import CallKind, HeardCall
from logger_app.records.clocks import ClockMap
from logger_app.records.journal import FlightInfo, JournalRow, RowKind

UTC = "2027-04-11T09:00:00.000000Z"


def a_call(n, at_s, kind, name, value=None, posterior=0.99):
    ns = round(at_s * 1e9)
    unit = "kt" if kind is CallKind.AIRSPEED else None
    return HeardCall(
        id=f"call-{n:04d}",
        start_ns=ns,
        end_ns=ns + 500_000_000,
        kind=kind,
        name=name,
        value=value,
        unit=unit,
        posterior=posterior,
        words=name,
    )


def two_runs():
    calls, n = [], 1
    for begin_s in (10.0, 60.0):
        calls.append(a_call(n, begin_s - 4, CallKind.SETTING, "flap", 0.0))
        calls.append(a_call(n + 1, begin_s - 2, CallKind.COMMAND, "on_condition"))
        for k, value in enumerate((58, 57, 56, 55, 54, 53, 52, 50, 49, 48)):
            calls.append(a_call(n + 2 + k, begin_s + 1.1 * k, CallKind.AIRSPEED, "ias", float(value)))
        calls.append(a_call(n + 12, begin_s + 11.5, CallKind.EVENT, "break"))
        calls.append(a_call(n + 13, begin_s + 14, CallKind.EVENT, "recovered"))
        n += 14
    return calls


@pytest.fixture
def flight(tmp_path):
    shutil.copy(data_dir("demo_sessions") / "sparrow_cuffs/inputs/campaign.toml", tmp_path / "campaign.toml")
    folder = tmp_path / "flights" / "day1"
    with Journal.create(folder, FlightInfo(id="day1", configuration="baseline", started_utc=UTC)) as journal:
        journal.append(codec.call_row(call, UTC) for call in two_runs())
        clock = ClockMap(source="wing.mp4", offset_s=5.0, valid_to_s=60.0)
        media = {"file": "wing.mp4", "sha256": "0" * 64, "camera": "wing", "duration_s": 55.0}
        linked = JournalRow(id="media-0001", flight_ns=0, utc=UTC, kind=RowKind.MEDIA, body=media)
        journal.append([linked, codec.clock_map_row(clock, UTC, "map-0001")])
    return folder


@pytest.fixture
def review(flight, capsys):
    def run(*words, code=0):
        capsys.readouterr()
        got = main(["review", str(flight), "--who", "ann", *words])
        out, err = capsys.readouterr()
        assert got == code, err
        if code:
            return err.strip()
        return json.loads(out) if "--json" in words else out

    return run


def call_of(document, id):
    return next(call for call in document["calls"] if call["id"] == id)


def test_list_json_keeps_the_contract(review):
    document = review("--list", "--json")

    assert set(document) >= {"calls", "runs", "queue", "progress"}
    assert set(document["calls"][0]) >= {"id", "flight_s", "kind", "value", "heard_value", "status", "flags"}
    assert [run["number"] for run in document["runs"]] == [1, 2]
    assert document["progress"]["reviewed"] == 0
    assert "run 1" in review("--list")


def test_every_correction_of_a_call(review):
    review("--confirm", "call-0003", "--set", "call-0004", "56.5", "--reject", "call-0005", "--why", "on replay")
    review("--move", "call-0006", "0:13.5", "--set", "call-0007", "-", "--kind", "event", "--name", "buffet")
    document = review("--add", "22.4", "47", "--add", "22.9", "buffet", "--json")
    added = [call for call in document["calls"] if call["status"] == "added"]

    assert [call_of(document, f"call-{n:04d}")["status"] for n in (3, 4, 5, 6, 7)] == [
        "confirmed",
        "corrected",
        "rejected",
        "corrected",
        "corrected",
    ]
    assert (call_of(document, "call-0004")["value"], call_of(document, "call-0004")["heard_value"]) == (56.5, 57.0)
    assert call_of(document, "call-0006")["flight_s"] == 13.5
    assert (call_of(document, "call-0007")["kind"], call_of(document, "call-0007")["name"]) == ("event", "buffet")
    assert [(c["kind"], c["name"], c["value"]) for c in added] == [("airspeed", "ias", 47.0), ("event", "buffet", None)]
    assert {c["who"] for c in document["corrections"]} == {"ann"}
    assert document["corrections"][0]["why"] == "on replay"
    assert document["progress"]["by"] == {"ann": 7}


def test_every_correction_of_a_run(review):
    first, second = (run["id"] for run in review("--json")["runs"])
    document = review("--discard", "1", "--assign", second, "A2", "--overrule", "2", "yes", "--json")
    runs = document["runs"]
    assert (runs[0]["discarded"], runs[1]["point"], runs[1]["overruled"]) == (True, "A2", True)

    assert review("--reinstate", "1", "--json")["runs"][0]["discarded"] is False
    assert len(review("--split", first, "15.0", "--json")["runs"]) == 3
    assert len(review("--join", "1", "2", "--json")["runs"]) == 2


def test_undo_takes_back_one_by_one_and_undo_of_undo_brings_back(review):
    review("--set", "call-0004", "50")
    review("--set", "call-0004", "51")
    document = review("--undo", "--json")
    assert call_of(document, "call-0004")["value"] == 50.0
    undo = document["corrections"][-1]["id"]
    assert call_of(review("--undo", undo, "--json"), "call-0004")["value"] == 51.0
    for _ in range(2):
        review("--undo")
    assert call_of(review("--json"), "call-0004")["status"] == "heard"
    assert "no correction to undo" in review("--undo", code=1)


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("--confirm", "call-9999"), "is not in this flight"),
        (("--set", "call-0003", "-5"), "cannot be an airspeed"),
        (("--set", "call-0003", "900"), "at most 143 kt"),
        (("--add", "9999", "50"), "outside the flight, which lasts from 0 to"),
        (("--add", "soon", "50"), "expected seconds"),
        (("--discard", "7"), "run '7': is not in this flight"),
        (("--assign", "1", "Z"), "test point 'Z'"),
        (("--split", "1", "5000"), "outside the flight"),
        (("--undo", "fix-none"), "correction 'fix-none'"),
        (("--overrule", "1", "perhaps"), "expected yes or no"),
        (("--export", "calls.xlsx"), "expected .csv, .vtt or .srt"),
        (("--export", "x.vtt", "--clock", "tail.mp4"), "there are: wing.mp4"),
        (("--import", "nowhere.csv"), "No such file"),
        (("--second",), "there is no sound to hear again"),
    ],
)
def test_what_cannot_be_is_one_sentence_and_nothing_is_written(review, flight, words, sentence):
    before = (flight / JOURNAL_FILE).read_bytes()
    err = review(*words, code=1)

    assert sentence in err
    assert len(err.splitlines()) == 1
    with Journal.open(flight, read_only=True) as journal:
        assert not list(journal.rows(RowKind.CORRECTION))
    assert (flight / JOURNAL_FILE).read_bytes() == before


def test_one_bad_correction_takes_none_of_the_batch(review):
    review("--confirm", "call-0003", "--set", "call-0004", "900", code=1)

    assert review("--json")["progress"]["reviewed"] == 0


def test_spreadsheet_there_and_back(review, tmp_path):
    table = tmp_path / "calls.csv"
    review("--export", str(table))
    assert "already exists" in review("--export", str(table), code=1)
    rows = list(csv.DictReader(table.open(newline="")))
    assert review("--import", str(table), "--json")["done"]["corrections"] == []
    rows[2] |= {"value": "59", "reason": "typed it"}
    with table.open("w", newline="") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    document = review("--import", str(table), "--json")

    assert call_of(document, "call-0003")["value"] == 59.0
    assert document["corrections"][0]["why"] == "typed it"
    table.write_text(table.read_text().replace("flight_s", "when"))
    assert "expected also flight_s" in review("--import", str(table), code=1)


def test_subtitles_on_both_clocks(review, tmp_path):
    review("--export", str(tmp_path / "a.vtt"))
    review("--export", str(tmp_path / "b.srt"), "--clock", "wing.mp4")

    assert "00:00:10.000 --> " in (tmp_path / "a.vtt").read_text()
    assert "00:00:05,000 --> " in (tmp_path / "b.srt").read_text()


@pytest.mark.slow
def test_second_listening_finds_what_the_first_missed_and_changes_no_reading(review, flight):
    """The demo's own sound: the first run of day 1, of which the journal here knows only a wrong part."""
    sound = data_dir("demo_sessions") / "sparrow_cuffs/inputs/day1_baseline.opus"
    pcm = np.concatenate([block for _, block in zip(range(34), open_sound(sound).blocks(1.0))])
    with Journal.open(flight) as journal, SegmentWriter(flight, journal) as writer:
        writer.write(pcm)
    before = [(c["id"], c["value"], c["status"]) for c in review("--json")["calls"]]
    document = review("--second", "--json")
    truth = json.loads((data_dir("demo_sessions") / "sparrow_cuffs/expected/truth.json").read_text())
    run = truth["flights"][0]["runs"][0]
    extra = [i for i in document["queue"] if i["item"] == "extra" and isinstance(i["proposed"], float)]
    inside = [i for i in extra if run["start_s"] < i["flight_s"] < run["event_s"]]
    likely = [item for item in inside if run["vs_ias_kt"] - 3 < item["proposed"] < 70]

    assert [(c["id"], c["value"], c["status"]) for c in document["calls"]] == before
    assert document["done"]["differences"] > 10
    assert len(likely) >= 3
    assert any("the second listening heard nothing" in w for item in document["queue"] for w in item["why"])


def test_two_people_at_once_the_second_gets_a_sentence_and_nothing_is_lost(review, flight):
    with Journal.open(flight):
        assert "another program is writing to this flight" in review("--confirm", "call-0003", code=1)
        assert review("--json")["progress"]["reviewed"] == 0
    review("--confirm", "call-0003")
    assert review("--json")["progress"]["reviewed"] == 1


def test_a_flight_that_cannot_be_written_is_one_sentence(review, flight, monkeypatch):
    """As on a write-protected card; root may write anywhere, so the system's answer is played."""
    real = os.open

    def refuse(path, flags, *rest, **kw):
        if str(path).endswith("flight.lock"):
            raise PermissionError(13, "Permission denied", str(path))
        return real(path, flags, *rest, **kw)

    monkeypatch.setattr(os, "open", refuse)
    assert "cannot be written" in review("--confirm", "call-0003", code=1)


def test_a_flight_outside_a_campaign_and_no_flight(tmp_path, flight, capsys):
    lonely = tmp_path.parent / f"{tmp_path.name}_lonely"
    shutil.copytree(flight, lonely)
    assert main(["review", str(lonely), "--list"]) == 1
    assert "campaign.toml" in capsys.readouterr().err
    assert main(["review", str(lonely), "--list", "--campaign", str(tmp_path)]) == 0
    assert main(["review", str(tmp_path / "nothing"), "--list"]) == 1
    shutil.rmtree(lonely)


def test_every_correction_survives_kill_9(flight):
    code = f"""
from logger_app.workflows.review import ReviewWorkflow
from logger_app.records.calls import Action
from pathlib import Path
workflow = ReviewWorkflow(Path({str(flight)!r}), "bob")
k = 0
while True:
    k += 1
    made = workflow.act(Action.SET, "call-0004", value=40.0 + k % 30)
    print(made.id, flush=True)
"""
    acknowledged = []
    for lines, seconds in ((2, 0.0), (4, 0.01), (6, 0.03)):  # killed so long after so many
        worker = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
        acknowledged += [worker.stdout.readline().strip() for _ in range(lines)]
        time.sleep(seconds)
        worker.send_signal(signal.SIGKILL)
        acknowledged += worker.stdout.read().split("\n")[:-1]
        worker.wait()
    with Journal.open(flight) as journal:
        kept = [row.id for row in journal.rows(RowKind.CORRECTION)]

    assert len(acknowledged) >= 12
    assert set(filter(None, acknowledged)) <= set(kept)
    assert len(kept) - len(acknowledged) <= 3


@pytest.mark.slow
def test_another_recogniser_is_asked_too_where_it_is_there(review, flight, monkeypatch):
    """It may miss calls; only what it heard otherwise at the same moment is a difference."""
    from logger_app.records.calls import CallKind, HeardCall
    from logger_app.units import s_to_ns
    from logger_app.workflows import review as review_workflow

    first = next(c for c in review("--json")["calls"] if c["kind"] == "airspeed")
    at_ns = s_to_ns(first["flight_s"])

    class Other:
        name = "vosk"

        def feed(self, pcm):
            return []

        def finish(self):
            said = [(at_ns, 33.0), (s_to_ns(0.5), 99.0)]  # another value at the call's moment; one where nobody spoke
            return [
                HeardCall(id=f"v{k}", start_ns=t, end_ns=t + 1, kind=CallKind.AIRSPEED, name="ias", value=v, unit="kt")
                for k, (t, v) in enumerate(said)
            ]

    monkeypatch.setattr(review_workflow, "_other_recogniser", lambda pack, campaign: Other())
    with Journal.open(flight) as journal, SegmentWriter(flight, journal) as writer:
        writer.write(np.zeros(16000 * 3, np.int16))
    review("--second")

    with Journal.open(flight, read_only=True) as journal:
        told = [row.body for row in journal.rows(RowKind.SECOND) if row.body["engine"] == "vosk"]
    assert [(b["call"], [h["value"] for h in b["heard"]]) for b in told] == [(first["id"], [33.0])]

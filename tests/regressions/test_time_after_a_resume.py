"""A flight whose sound had ended early went on at the end of the sound: two approaches lay over each other."""

import json
import shutil
from pathlib import Path

import pytest

from logger_app.__main__ import main
from logger_app.domain.flight_time import latest_ns, overlaps
from logger_app.logstore import codec
from logger_app.logstore.recover import verify
from logger_app.logstore.store import Journal
from logger_app.records.calls import CallKind, CaptureGap, HeardCall
from logger_app.records.journal import FlightInfo, JournalRow, RowKind
from logger_app.units import s_to_ns
from logger_app.workflows.campaign import load_campaign
from logger_app.workflows.flight_session import AWAY_NS, FlightSession, open_flight

DEMO = Path(__file__).resolve().parents[2] / "demo_sessions" / "sparrow_cuffs" / "inputs" / "campaign.toml"
FLIGHT = "day1_baseline"
# (seconds after the beginning, airspeed [kt] or event)
APPROACH = [(0, "on_condition"), *((2 + k, 60 - k) for k in range(12)), (14.2, "break"), (17, "recovered")]


def spoken(begin_s, number, lower_kt=0.0):
    calls = []
    for k, (at_s, what) in enumerate(APPROACH):
        speed = not isinstance(what, str)
        start_ns = s_to_ns(begin_s + at_s)
        calls.append(
            HeardCall(
                id=f"call-{number:02d}{k:02d}",
                start_ns=start_ns,
                end_ns=start_ns + s_to_ns(0.4),
                kind=CallKind.AIRSPEED if speed else CallKind.EVENT,
                name="ias" if speed else what,
                value=what - lower_kt if speed else None,
                unit="kt" if speed else None,
                words=str(what),
                posterior=1.0,
            )
        )
    return [codec.call_row(call, "") for call in calls]


def step(name, at_s, number):
    body = {"step": name, "card": "A", "point": "A1", "run": None, "by": "app", "call": None}
    return JournalRow(id=f"step-{number:04d}", flight_ns=s_to_ns(at_s), utc="", kind=RowKind.STEP, body=body)


@pytest.fixture
def campaign(tmp_path):
    folder = tmp_path / "campaign"
    (folder / "flights").mkdir(parents=True)
    shutil.copy(DEMO, folder)
    return folder


def write(campaign, rows, name=FLIGHT):
    folder = campaign / "flights" / name
    with Journal.create(folder, FlightInfo(id=name, configuration="baseline")) as journal:
        journal.append(rows)
    return folder


def as_before(campaign):
    """A flight of an early version: two approaches, then sound had ended at 5 s and it went on at 20 s."""
    rows = [step("card", 0, 1), *spoken(30, 1), *spoken(100, 2), step("restarted", 60, 2), *spoken(95, 3, lower_kt=6)]
    return write(campaign, rows)


@pytest.mark.parametrize("last", ["call", "gap", "step", "note"])
def test_a_flight_goes_on_after_the_latest_time_that_any_row_knows(campaign, last):
    gap = codec.gap_row(CaptureGap(start_ns=s_to_ns(10), end_ns=s_to_ns(777), why="microphone lost"), "", "gap-0001")
    note = {"start_ns": s_to_ns(10), "end_ns": s_to_ns(555), "text": ""}
    rows = {
        "call": spoken(100, 1),
        "gap": [step("card", 0, 1), gap],
        "step": [step("card", 321.5, 1)],
        "note": [JournalRow(id="note-0001", flight_ns=s_to_ns(10), utc="", kind=RowKind.NOTE, body=note)],
    }[last]
    latest_s = {"call": 117.4, "gap": 777, "step": 321.5, "note": 555}[last]
    write(campaign, rows)
    read = load_campaign(campaign)
    session = FlightSession(read, open_flight(read, campaign, FLIGHT), microphone=None, engine=None)
    session.start()
    session.stop(landed=False)

    with Journal.open(campaign / "flights" / FLIGHT, read_only=True) as journal:
        after = list(journal.rows())[1 + len(rows) :]
    assert latest_ns(rows) == s_to_ns(latest_s)
    away = [codec.body_to_gap(row.body) for row in after if row.kind is RowKind.GAP][-1]
    assert (away.start_ns, away.end_ns) == (s_to_ns(latest_s), s_to_ns(latest_s) + AWAY_NS)
    assert all(row.flight_ns >= away.end_ns for row in after if row.kind is RowKind.STEP)
    assert verify(campaign / "flights" / FLIGHT).ok


def test_sound_that_was_not_kept_is_named_when_a_flight_goes_on(campaign):
    write(campaign, [step("card", 0, 1), *spoken(100, 1)])
    read = load_campaign(campaign)
    session = FlightSession(read, open_flight(read, campaign, FLIGHT), microphone=None, engine=None)
    session.start()
    session.stop(landed=False)

    with Journal.open(campaign / "flights" / FLIGHT, read_only=True) as journal:
        gaps = [codec.body_to_gap(row.body) for row in journal.rows(RowKind.GAP)]
    assert [(gap.start_ns, gap.end_ns, gap.breaks) for gap in gaps][0] == (0, s_to_ns(117.4), False)


def test_verify_names_time_that_goes_back(campaign, capsys):
    folder = as_before(campaign)
    code = main(["store", "verify", str(folder)])

    assert code == 1
    assert "goes back" in capsys.readouterr().err
    assert [(o.start_ns, o.end_ns) for o in overlaps(list(_rows(folder)))] == [(s_to_ns(60), s_to_ns(112.4))]


def test_reduce_averages_nothing_over_a_stretch_that_is_there_twice(campaign, capsys):
    as_before(campaign)
    assert main(["reduce", str(campaign), "--json"]) == 0
    result = json.loads(capsys.readouterr().out)

    counted = [run for run in result["runs"] if run["counts"]]
    assert [round(run["vs_ias_kt"]) for run in counted] == [48]
    assert {cell["n"] for cell in result["cells"] if cell["n"]} <= {1}
    why = [item["why"] for item in result["excluded"] if item["run"].startswith("run-")]
    assert why and all("the flight clock goes back at row" in text for text in why)


def test_a_run_in_such_a_stretch_cannot_be_overruled_in(campaign, capsys):
    folder = as_before(campaign)
    main(["reduce", str(campaign), "--json"])
    run = next(item["run"] for item in json.loads(capsys.readouterr().out)["excluded"])
    body = {
        "id": "correction-0001",
        "utc": "",
        "who": "x",
        "action": "overrule",
        "target": run,
        "payload": {"counts": True},
        "why": "",
        "replaces": None,
    }
    with Journal.open(folder) as journal:
        journal.append([JournalRow(id="correction-0001", flight_ns=0, utc="", kind=RowKind.CORRECTION, body=body)])
    main(["reduce", str(campaign), "--json"])

    assert run in {item["run"] for item in json.loads(capsys.readouterr().out)["excluded"]}


def test_calls_heard_after_landing_are_no_step_back():
    gap = codec.gap_row(CaptureGap(start_ns=s_to_ns(30), end_ns=s_to_ns(60), why="late", breaks=False), "", "gap-0001")
    rows = [step("card", 0, 1), *spoken(10, 1), gap, *spoken(70, 2), step("landed", 90, 2), *spoken(32, 3)]

    assert overlaps(rows) == ()
    assert overlaps([row for row in rows if row is not gap]) != ()


def test_two_transcripts_in_either_order_share_no_time():
    assert overlaps([*spoken(100, 1), *spoken(10, 2)]) == ()
    assert len(overlaps([*spoken(100, 1), *spoken(95, 2)])) == 1


def _rows(folder):
    with Journal.open(folder, read_only=True) as journal:
        yield from journal.rows()


def test_a_flight_with_a_time_beyond_any_flight_is_refused(campaign, capsys):
    write(campaign, [step("card", 1e6, 1)])

    assert main(["fly", str(campaign), "--flight", FLIGHT, "--no-screen", "--without-microphone"]) == 1
    assert "longer than a flight can last" in capsys.readouterr().err

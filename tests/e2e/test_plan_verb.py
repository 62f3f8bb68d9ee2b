"""`kneecall plan` from the outside: a new campaign, its checks, its cards, its screen's door."""

import io
import json
import os
import pty
import select
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest
from pypdf import PdfReader

from logger_app.__main__ import main
from logger_app.logstore.codec import call_row
from logger_app.logstore.store import Journal
from logger_app.plan.cards_io import read_campaign
from logger_app.records.calls import CallKind, HeardCall
from logger_app.records.journal import FlightInfo

DEMO = Path(__file__).resolve().parents[2] / "demo_sessions" / "sparrow_cuffs" / "inputs" / "campaign.toml"
OPTIONS = [
    "--aircraft",
    "Heron",
    "--change",
    "leading-edge cuffs",
    "--empty-weight-lb",
    "855",
    "--max-weight-kg",
    "640",
    "--wing-area-m2",
    "12.4",
    "--fuel-burn-l-per-h",
    "17",
    "--fuel-capacity-l",
    "90",
    "--fuel-reserve-l",
    "15",
    "--fuel-l",
    "70",
    "--flaps",
    "0,15,30",
    "--flap-limits",
    "85,75",
    "--stalls",
    "47,43,41",
    "--powers",
    "idle,2100 rpm",
    "--banks",
    "0,30",
]


@pytest.fixture
def demo(tmp_path):
    folder = tmp_path / "sparrow"
    folder.mkdir()
    shutil.copy(DEMO, folder)
    return folder


def test_twelve_points_from_options_then_checked_then_on_paper(tmp_path, capsys):
    folder, cards = tmp_path / "heron", tmp_path / "cards.pdf"

    assert main(["plan", "new", str(folder), *OPTIONS]) == 0
    assert main(["plan", str(folder)]) == 0
    assert main(["plan", str(folder), "--cards", str(cards), "--paper", "half-letter"]) == 0

    said = capsys.readouterr()
    assert "12 points, 2 configurations" in said.out
    assert said.err == ""
    assert len(read_campaign(folder).points) == 12
    assert len(PdfReader(cards).pages) > 8


def test_a_campaign_that_is_there_is_left_alone_unless_forced(demo, capsys):
    before = (demo / "campaign.toml").read_bytes()

    assert main(["plan", "new", str(demo), *OPTIONS]) == 1
    assert (demo / "campaign.toml").read_bytes() == before
    assert "--force" in capsys.readouterr().err
    assert main(["plan", "new", str(demo), "--force", *OPTIONS]) == 0
    assert read_campaign(demo).aircraft.name == "Heron"


def test_options_that_contradict_each_other_write_nothing(tmp_path, capsys):
    assert main(["plan", "new", str(tmp_path / "x"), *OPTIONS, "--max-weight-kg", "300", "--unit", "knots"]) == 1

    assert "plan new, unit" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_without_a_terminal_missing_answers_are_named(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr("sys.stdin", io.StringIO())

    assert main(["plan", "new", str(tmp_path / "x"), "--aircraft", "Heron"]) == 1

    assert "--empty-weight-kg" in capsys.readouterr().err


def test_json_is_one_document_and_nothing_else(demo, capsys):
    assert main(["plan", str(demo), "--json"]) == 0

    said = capsys.readouterr()
    document = json.loads(said.out)
    assert [cell["point"] for cell in document["matrix"][:4]] == ["A1", "A2", "A3", "B1"]
    assert document["next_flight"]["configuration"] == "baseline"
    assert said.err == ""


def test_faults_are_json_too_and_the_code_is_1(demo, capsys):
    file = demo / "campaign.toml"
    file.write_text(file.read_text("utf-8").replace("flap_deg = 30\nruns", "flap_deg = 35\nruns"), "utf-8")

    assert main(["plan", str(demo), "--json"]) == 1

    said = capsys.readouterr()
    assert [f["where"] for f in json.loads(said.out)["faults"]] == [f"{file}: card A, point A3, flap_deg"]
    assert "expected 30 at most" in said.err


def test_cards_of_one_flight_and_of_the_next(demo, capsys):
    for name, words in (("day2_cuffs", "Flight day2_cuffs"), ("next", "Flight 01_baseline")):
        out = demo / f"{name}.pdf"
        assert main(["plan", str(demo), "--cards", str(out), "--flight", name]) == 0
        assert words in PdfReader(out).pages[0].extract_text()

    assert main(["plan", str(demo), "--cards", str(demo / "x.pdf"), "--flight", "day9"]) == 1
    assert "day1_baseline, day2_cuffs" in capsys.readouterr().err
    assert main(["plan", str(demo), "--cards", str(demo / "next.pdf")]) == 1
    assert "--force" in capsys.readouterr().err


def test_two_folders_are_wrong_usage(demo):
    with pytest.raises(SystemExit) as stop:
        main(["plan", str(demo), str(demo)])

    assert stop.value.code == 2


def test_a_screen_without_a_display_is_one_sentence(demo):
    env = {k: v for k, v in os.environ.items() if k not in ("DISPLAY", "WAYLAND_DISPLAY")}

    done = subprocess.run(
        [sys.executable, "-m", "logger_app", "plan", str(demo), "--screen"],
        env=env,
        check=False,
        capture_output=True,
        text=True,
    )

    assert done.returncode == 1
    assert "got no display" in done.stderr
    assert done.stderr.count("\n") == 1


def fly(folder, id_, configuration, runs):
    """A journalled flight with that many good approaches at point A1, as heard."""
    calls, at_s = [], 10.0

    def say(kind, name, value=None, step_s=1.0):
        nonlocal at_s
        unit = "kt" if kind is CallKind.AIRSPEED else None
        times = {"start_ns": round(at_s * 1e9), "end_ns": round((at_s + 0.4) * 1e9)}
        calls.append(
            HeardCall(id=f"c{len(calls)}", kind=kind, name=name, value=value, unit=unit, posterior=0.99, **times)
        )
        at_s += step_s

    say(CallKind.SETTING, "power", "idle")
    say(CallKind.SETTING, "flap", 0.0)
    for _ in range(runs):
        say(CallKind.COMMAND, "on_condition", step_s=3.0)
        for speed in range(65, 46, -1):
            say(CallKind.AIRSPEED, "ias", float(speed))
        say(CallKind.EVENT, "break")
        say(CallKind.COMMAND, "recovered", step_s=60.0)
    info = FlightInfo(
        id=id_,
        configuration=configuration,
        loading_items=(("seats", 160.0), ("baggage", 5.0)),
        fuel_l=70.0,
        started_utc="2027-04-11T08:00:00Z",
    )
    with Journal.create(folder / "flights" / id_, info) as journal:
        journal.append(call_row(call, "2027-04-11T08:00:00Z") for call in calls)


def test_what_was_flown_is_counted_and_the_next_flight_follows_from_it(demo, capsys):
    fly(demo, "day1_baseline", "baseline", runs=2)

    assert main(["plan", str(demo), "--json"]) == 0

    document = json.loads(capsys.readouterr().out)
    flown = {(c["configuration"], c["point"]): c["flown"] for c in document["matrix"]}
    assert flown["baseline", "A1"] == 2
    assert sum(flown.values()) == 2
    assert document["flights"][0]["flown"]
    assert document["next_flight"]["configuration"] == "cuffs"
    assert document["not_counted"] == ""


def test_a_damaged_flight_is_said_and_the_plan_still_printed(demo, capsys):
    fly(demo, "day1_baseline", "baseline", runs=1)
    (demo / "flights" / "day1_baseline" / "flight.sqlite").write_bytes(b"not a journal at all" * 50)

    assert main(["plan", str(demo)]) == 0

    said = capsys.readouterr()
    assert "A1 0/3" in said.out
    assert "no run is counted" in said.err and "day1_baseline" in said.err


class Terminal:
    """A real terminal with `kneecall plan new` in it."""

    def __init__(self, folder):
        self.said = ""
        self.pid, self.fd = pty.fork()
        if self.pid == 0:
            os.execv(sys.executable, [sys.executable, "-m", "logger_app", "plan", "new", str(folder)])

    def wait_for(self, ending, limit_s=120):
        """Read until the words come; False if the program ended."""
        end = time.monotonic() + limit_s
        while ending not in self.said:
            assert time.monotonic() < end, self.said[-500:]
            if select.select([self.fd], [], [], 0.5)[0]:
                try:
                    self.said += os.read(self.fd, 4096).decode()
                except OSError:
                    return False
        self.said = self.said.split(ending, 1)[1]
        return True

    def answer(self, question, words):
        assert self.wait_for(question)
        assert self.wait_for(": ")
        os.write(self.fd, (words + "\n").encode())

    def code(self):
        return os.waitstatus_to_exitcode(os.waitpid(self.pid, 0)[1])


QUESTIONS = [
    ("the aircraft", "Heron"),
    ("what will be changed", "cuffs"),
    ("name of the campaign", ""),
    ("indicator shows", ""),
    ("empty weight", "900"),
    ("maximum weight", "640"),
    ("wing area", "12.4"),
    ("never-exceed", ""),
    ("fuel burn", ""),
    ("fuel capacity", ""),
    ("fuel reserve", ""),
    ("fuel at start-up", ""),
    ("flap settings", "0, 30"),
    ("fastest with", "75"),
    ("stall speed that", "47, 41"),
    ("power settings", ""),
    ("bank angles", ""),
    ("stations that", ""),
    ("floor", ""),
    ("no approach", ""),
    ("smallest difference", ""),
    ("scatter", ""),
    ("runs a point", ""),
]


@pytest.mark.slow
def test_questions_on_a_terminal_are_asked_again_when_the_answers_contradict(tmp_path):
    terminal = Terminal(tmp_path / "heron")
    for question, words in QUESTIONS:
        terminal.answer(question, words)
    assert terminal.wait_for("900 kg; expected less than max_weight_kg")
    for question, _ in QUESTIONS:
        terminal.answer(question, "388" if question == "empty weight" else "")

    assert terminal.wait_for("2 points, 2 configurations")
    terminal.wait_for("never comes")
    assert terminal.code() == 0
    assert read_campaign(tmp_path / "heron").aircraft.empty_weight_kg == 388


@pytest.mark.slow
def test_ctrl_c_between_questions_writes_nothing(tmp_path):
    terminal = Terminal(tmp_path / "heron")
    terminal.answer("the aircraft", "Heron")
    assert terminal.wait_for("what will be changed")
    os.write(terminal.fd, b"\x03")

    terminal.wait_for("never comes")
    assert terminal.code() == 130
    assert list(tmp_path.iterdir()) == []

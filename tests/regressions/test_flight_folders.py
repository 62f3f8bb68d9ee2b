"""Flight folders that were renamed, are being built, or are damaged: each used to stop or mislead a verb."""

import json
import os
import shutil

import numpy as np
import pytest

from logger_app.__main__ import main
from logger_app.errors import Notice
from logger_app.logstore.schema import JOURNAL_FILE
from logger_app.logstore.store import list_flights
from logger_app.workflows.campaign import FlightByFlight
from logger_app.workflows.flight_session import unfinished_flight
from logger_app.workflows.preflight import OK, WARN, check_flights
from logger_app.workflows.report import SoundFinder
from tests.made_campaign import make_campaign, tone

NAMES = ("day1_baseline", "day2_cuffs")


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    return make_campaign(tmp_path_factory.mktemp("made") / "c", NAMES)


@pytest.fixture
def campaign(made, tmp_path):
    return shutil.copytree(made, tmp_path / "c")


def swap(campaign):
    first, second = (campaign / "flights" / name for name in NAMES)
    first.rename(campaign / "flights" / "x")
    second.rename(first)
    (campaign / "flights" / "x").rename(second)


def pitch(pcm):
    return round(np.argmax(np.abs(np.fft.rfft(pcm[:16_000]))))


def test_two_folders_that_changed_names_keep_their_sound(campaign):
    swap(campaign)
    reader = FlightByFlight(campaign)
    with pytest.warns(Notice, match="renamed or copied"):
        flights = [flight for flight, _ in reader]
    finder = SoundFinder(reader, [])

    assert sorted(flight.info.id for flight in flights) == sorted(NAMES)
    for k, name in enumerate(NAMES):
        finder(name, 2.0, 4.0)
        assert pitch(finder.pcm) == pitch(tone(k, 2.0)) == 300 * (k + 1)
    for flight in flights:
        assert flight.folder.name != flight.info.id


def test_a_renamed_folder_is_reported_with_its_sound(campaign, tmp_path, capsys):
    (campaign / "flights" / NAMES[0]).rename(campaign / "flights" / "the first one")
    assert main(["report", str(campaign), "-o", str(tmp_path / "r")]) == 0
    said = capsys.readouterr().err

    assert "the first one: holds the flight 'day1_baseline'" in said and said.count("renamed or copied") == 1
    assert "No sound" not in said
    assert "data:audio/ogg" in (tmp_path / "r" / "index.html").read_text("utf-8")


@pytest.mark.parametrize("words", [["reduce"], ["report"], ["store", "list"], ["store", "verify"], ["plan"]])
def test_a_flight_that_is_being_built_is_left_out_and_named(campaign, capsys, words):
    shutil.copytree(campaign / "flights" / NAMES[0], campaign / "flights" / f".{NAMES[0]}_rescued.4711.part")
    code = main([*words, str(campaign)])
    said = capsys.readouterr()

    assert code == 0
    assert words == ["plan"] or f".{NAMES[0]}_rescued.4711.part: was left out" in said.err
    assert f".{NAMES[0]}_rescued" not in said.out


def test_a_flight_folder_that_is_a_link_is_left_out_and_named(campaign, tmp_path):
    (campaign / "flights" / "linked").symlink_to(tmp_path / "elsewhere")
    shutil.copytree(campaign / "flights" / NAMES[0], tmp_path / "elsewhere")
    with pytest.warns(Notice, match="link"):
        assert [folder.name for folder in list_flights(campaign)] == list(NAMES)


def damage(campaign, name):
    path = campaign / "flights" / name / JOURNAL_FILE
    data = bytearray(path.read_bytes())
    page = next(k for k in range(1, len(data) // 4096) if data[k * 4096] == 0x0D)
    data[page * 4096 + 4] -= 1
    path.write_bytes(data)


def test_a_damaged_old_flight_does_not_keep_the_next_one_on_the_ground(campaign):
    damage(campaign, NAMES[0])
    with pytest.warns(Notice, match="store rescue"):
        assert unfinished_flight(campaign) is None


def test_preflight_names_every_flight_that_is_damaged(campaign):
    assert (check_flights(campaign).state, check_flights(campaign).words) == (OK, "2 flights intact")
    damage(campaign, NAMES[0])
    (campaign / "flights" / NAMES[1] / "audio" / "0000.wav").unlink()
    check = check_flights(campaign)

    assert check.state == WARN and check.words == f"2 of 2 flights damaged: {', '.join(NAMES)}"
    assert sorted(dict(check.facts)["damaged"]) == list(NAMES)


def test_each_journal_is_read_once_for_a_report(campaign, tmp_path, monkeypatch):
    from logger_app.logstore import store

    opened = []
    connect = store._checked
    monkeypatch.setattr(store, "_checked", lambda uri, path: (opened.append(path.parent.name), connect(uri, path))[1])
    assert main(["report", str(campaign), "-o", str(tmp_path / "r")]) == 0

    assert sorted(opened) == sorted(NAMES)


@pytest.mark.parametrize("name", ["x" * 101, "f" * 250, "ä" * 60])
def test_a_name_too_long_for_its_files_is_refused_everywhere(campaign, capsys, name):
    flights = campaign / "flights"
    words, tape = campaign / "words.csv", flights / NAMES[0] / "audio" / "0000.wav"
    words.write_text("start_s,words\n1,sixty two\n")
    before = sorted(os.listdir(flights))

    for verb in (
        ["fly", str(campaign), "--no-screen", "--flight", name, "--configuration", "baseline", "--audio", str(tape)],
        ["hear", str(words), "--into", str(flights / name)],
        ["store", "rescue", str(flights / NAMES[0]), "-o", str(flights / name)],
    ):
        assert main(verb) == 1
        assert "at most 100 bytes" in capsys.readouterr().err
    assert sorted(os.listdir(flights)) == before


def test_a_name_of_a_hundred_bytes_works_in_every_verb(campaign, capsys):
    name, words = "f" * 91, campaign / "words.csv"
    words.write_text("start_s,words\n1,sixty two\n")
    flight = campaign / "flights" / name
    assert main(["hear", str(words), "--into", str(flight), "--configuration", "baseline"]) == 0
    assert main(["review", str(flight), "--export", str(campaign / "t.csv")]) == 0
    assert main(["store", "rescue", str(flight)]) == 0
    shutil.rmtree(f"{flight}_rescued")
    assert main(["report", str(campaign)]) == 0
    assert main(["store", "verify", str(campaign)]) == 0


@pytest.mark.parametrize("there", ["keys.txt", "index.html"])
def test_a_report_goes_into_no_folder_with_other_things_in_it(campaign, tmp_path, capsys, there):
    out = tmp_path / "mine"
    out.mkdir()
    (out / there).write_text("mine")
    assert main(["report", str(campaign), "-o", str(out)]) == 1
    assert "other files in it" in capsys.readouterr().err
    assert os.listdir(out) == [there] and (out / there).read_text() == "mine"


def test_a_report_goes_into_an_earlier_one_and_into_an_empty_folder(campaign, tmp_path):
    out = tmp_path / "r"
    out.mkdir()
    assert main(["report", str(campaign), "-o", str(out)]) == 0
    (out / "my notes.txt").write_text("mine")
    assert main(["report", str(campaign), "-o", str(out)]) == 0
    assert (out / "my notes.txt").read_text() == "mine"


def test_sync_says_a_refusal_once(campaign, tmp_path, capsys):
    (tmp_path / "wing.mp4").write_bytes(b"no video")
    assert main(["sync", str(campaign / "flights" / NAMES[0]), str(tmp_path / "wing.mp4")]) == 1
    said = capsys.readouterr()

    assert (said.out + said.err).count("wing.mp4") == 1
    assert main(["sync", str(campaign / "flights" / NAMES[0]), str(tmp_path / "wing.mp4"), "--json"]) == 1
    assert not json.loads(capsys.readouterr().out)["videos"][0]["accepted"]

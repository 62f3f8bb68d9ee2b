"""The date of a flight that was heard is that of its recording, or as told; never the hour of hearing."""

import os
import shutil

import pytest

from logger_app.__main__ import main
from logger_app.io.resources import data_dir
from logger_app.logstore import codec
from logger_app.logstore.store import Journal
from logger_app.records.journal import FlightInfo


@pytest.fixture
def campaign(tmp_path):
    shutil.copy(data_dir("demo_sessions") / "sparrow_cuffs" / "inputs" / "campaign.toml", tmp_path)
    return tmp_path


def transcript(folder, at_s=1_900_000_000 - 315_360_000):
    words = folder / "words.csv"
    words.write_text("start_s,words\n1.0,on condition\n3.0,sixty\n5.0,fifty eight\n7.0,fifty six\n9.0,break\n")
    os.utime(words, (at_s, at_s))
    return str(words)


def info_of(campaign):
    with Journal.open(campaign / "flights" / "day1_baseline", read_only=True) as journal:
        return journal.info


def test_a_transcript_is_dated_by_its_file_and_that_is_said(campaign, capsys):
    assert main(["hear", transcript(campaign), "--into", str(campaign / "flights" / "day1_baseline")]) == 0

    found = info_of(campaign)
    assert (found.started_utc, found.dated_by) == ("2020-03-19T17:46:40Z", "file")
    assert "Flown on 2020-03-19 by the time stamp of the file" in capsys.readouterr().err
    assert found.began == "2020-03-19T17:46:40Z (time stamp of the file)"
    assert found.heard_utc > found.started_utc


def test_what_is_told_holds_also_for_a_flight_that_is_there(campaign):
    into = ["--into", str(campaign / "flights" / "day1_baseline")]
    main(["hear", transcript(campaign), *into, "--flown", "2021-04-05"])
    assert (info_of(campaign).started_utc, info_of(campaign).dated_by) == ("2021-04-05", "told")

    shutil.move(transcript(campaign), campaign / "more.csv")
    assert main(["hear", str(campaign / "more.csv"), *into, "--flown", "2021-04-06"]) == 0
    assert info_of(campaign).began == "2021-04-06 (as told)"


def test_a_recording_without_a_date_asks(campaign, capsys):
    main(["hear", transcript(campaign, 0), "--into", str(campaign / "flights" / "day1_baseline")])

    assert "Not known when it was flown: give --flown YYYY-MM-DD." in capsys.readouterr().err
    assert info_of(campaign).started_utc == ""


@pytest.mark.parametrize("wrong", ["5.4.2021", "2090-01-01", "2021-02-30"])
def test_a_day_that_cannot_be_is_refused(campaign, capsys, wrong):
    with pytest.raises(SystemExit):
        main(["hear", transcript(campaign), "--into", str(campaign / "flights" / "x"), "--flown", wrong])
    assert wrong in capsys.readouterr().err and not (campaign / "flights").exists()


def test_a_journal_of_before_is_read_as_it_was():
    body = {"name": "f", "configuration": "base", "started_utc": "2030-01-02T03:04:05Z"}

    old = codec.body_to_info(body)
    assert (old.dated_by, old.heard_utc, old.began) == ("", "", "2030-01-02T03:04:05Z")
    live = FlightInfo(id="f", configuration="base", started_utc="2030-01-02T03:04:05Z")
    assert not {"dated_by", "heard_utc"} & set(codec.info_to_body(live))

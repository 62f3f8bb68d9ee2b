"""`kneecall store` from the command line: exit codes, one sentence, JSON only where asked."""

import json

import numpy as np
import pytest

from logger_app.__main__ import main
from logger_app.logstore.audio_io import SegmentWriter, read_sound
from logger_app.logstore.schema import JOURNAL_FILE
from logger_app.logstore.store import Journal
from logger_app.records.journal import FlightInfo


@pytest.fixture
def flight(tmp_path):
    folder = tmp_path / "flights" / "day1"
    with Journal.create(folder, FlightInfo(id="day1", configuration="baseline")) as journal:
        with SegmentWriter(folder, journal) as writer:
            writer.write(np.arange(40_000, dtype=np.int16))
    return folder


def document(capsys):
    return json.loads(capsys.readouterr().out)


def test_list(flight, tmp_path, capsys):
    assert main(["store", "list", str(tmp_path), "--json"]) == 0
    assert document(capsys)["flights"][0]["sound_s"] == 2.5
    assert main(["store", "list", str(flight)]) == 1
    assert "no flights in it" in capsys.readouterr().err


def test_verify_whole_and_damaged_and_rescue(flight, tmp_path, capsys):
    assert main(["store", "verify", str(tmp_path), "--json"]) == 0
    assert document(capsys)["ok"] is True
    path = flight / JOURNAL_FILE
    data = bytearray(path.read_bytes())
    data[data.index(b"baseline")] ^= 1
    path.write_bytes(data)

    assert main(["store", "verify", str(flight), "--json"]) == 1
    assert "row 1" in document(capsys)["flights"][0]["faults"][0]["where"]
    assert main(["store", "verify", str(flight)]) == 1
    assert "store rescue" in capsys.readouterr().err
    assert main(["store", "rescue", str(flight), "--json"]) == 0
    saved = document(capsys)
    assert saved["lost_rows"] == [1]
    assert main(["store", "verify", saved["out"]]) == 0


def test_compress_keeps_every_sample(flight, capsys):
    before = read_sound(flight, 0, 9)
    assert main(["store", "compress", str(flight), "--json"]) == 0
    assert document(capsys)["files"] == ["audio/0000.flac"]

    assert [path.name for path in (flight / "audio").iterdir()] == ["0000.flac"]
    assert np.array_equal(read_sound(flight, 0, 9), before)
    assert main(["store", "verify", str(flight)]) == 0


def test_flipped_bytes_in_compressed_sound_are_named_and_the_rest_is_saved(flight, tmp_path, capsys):
    main(["store", "compress", str(flight)])
    path = flight / "audio/0000.flac"
    data = bytearray(path.read_bytes())
    data[-40] ^= 255
    path.write_bytes(data)
    capsys.readouterr()

    assert main(["store", "verify", str(flight)]) == 1
    assert "0000.flac" in capsys.readouterr().err
    assert main(["store", "rescue", str(flight), "-o", str(tmp_path / "saved")]) == 0
    assert np.array_equal(read_sound(tmp_path / "saved", 0, 1), np.arange(16_000, dtype=np.int16))


def test_forget_sound(flight, capsys):
    (flight / "media").mkdir()
    (flight / "media" / "wing.mp4").write_bytes(b"x")
    assert main(["store", "forget-sound", str(flight), "--who", "a pilot", "--json"]) == 0

    assert document(capsys) == {
        "removed": ["audio/0000.wav"],
        "camera_files_left": ["wing.mp4"],
        "other_files_left": [],
        "flights_with_the_same_sound": [],
        "reports_left": [],
    }
    assert main(["store", "list", str(flight.parent.parent)]) == 0
    assert "sound forgotten" in capsys.readouterr().out


@pytest.mark.parametrize("job", ["verify", "rescue", "compress", "forget-sound"])
def test_no_flight_is_one_sentence(job, tmp_path, capsys):
    assert main(["store", job, str(tmp_path / "nowhere")]) == 1
    assert len(capsys.readouterr().err.strip().splitlines()) == 1


def test_sound_row_of_an_unfinished_flight_is_a_note_not_a_fault(tmp_path, capsys):
    with Journal.create(tmp_path / "day1", FlightInfo(id="day1", configuration=None)) as journal:
        SegmentWriter(tmp_path / "day1", journal).write(np.zeros(8000, np.int16))
    assert main(["store", "verify", str(tmp_path / "day1")]) == 0
    assert "was not closed; 0.5 s are readable" in capsys.readouterr().out

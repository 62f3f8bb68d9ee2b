"""When a recording was made: by its container, else by its file's time stamp, never later than now."""

import os
import struct
from datetime import UTC, datetime

import av
import numpy as np
import pytest

from logger_app.io.recorded import Recorded, recorded_at

NOW = datetime(2031, 6, 1, tzinfo=UTC)


def recording(path, **tags):
    with av.open(str(path), "w") as container:
        container.metadata.update(tags)
        stream = container.add_stream({".m4a": "aac", ".flac": "flac"}.get(path.suffix, "pcm_s16le"), rate=16_000)
        stream.layout = "mono"
        layout = "s16" if path.suffix != ".m4a" else "fltp"
        sound = np.zeros((1, 16_000), np.int16 if layout == "s16" else np.float32)
        frame = av.AudioFrame.from_ndarray(sound, format=layout, layout="mono")
        frame.rate = 16_000
        container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    os.utime(path, (datetime(2031, 5, 20, 12, 0, 10, tzinfo=UTC).timestamp(),) * 2)
    return path


def test_the_creation_time_of_a_container_is_believed(tmp_path):
    path = recording(tmp_path / "a.m4a", creation_time="2031-05-02T07:15:00Z")

    assert recorded_at(path, NOW) == Recorded(utc="2031-05-02T07:15:00Z", by="recording")


@pytest.mark.parametrize("wrong", ["1904-01-01T00:00:00Z", "1970-01-01T00:00:00Z", "2036-01-01T00:00:00Z"])
def test_a_clock_that_was_never_set_is_not(tmp_path, wrong):
    found = recorded_at(recording(tmp_path / "a.m4a", creation_time=wrong), NOW)

    assert (found.by, found.utc[:13]) == ("file", "2031-05-20T12")


def test_a_date_without_an_hour_gets_none_and_a_year_is_no_date(tmp_path):
    assert recorded_at(recording(tmp_path / "a.flac", date="2031-05-02"), NOW).utc == "2031-05-02"
    assert recorded_at(recording(tmp_path / "b.flac", date="2031"), NOW).by == "file"


def test_a_broadcast_wave_keeps_date_and_hour_apart(tmp_path):
    """EBU Tech 3285: chunk bext, OriginationDate at byte 320, OriginationTime at 330."""
    plain = recording(tmp_path / "a.wav").read_bytes()
    bext = bytes(320) + b"2031-05-02" + b"07:15:09" + bytes(264)
    chunk = b"bext" + struct.pack("<I", len(bext)) + bext
    path = tmp_path / "b.wav"
    path.write_bytes(plain[:4] + struct.pack("<I", len(plain) - 8 + len(chunk)) + plain[8:12] + chunk + plain[12:])

    assert recorded_at(path, NOW) == Recorded(utc="2031-05-02T07:15:09Z", by="recording")


def test_a_transcript_has_the_time_of_its_file_only_and_what_is_not_there_nothing(tmp_path):
    words = tmp_path / "words.csv"
    words.write_text("start_s,text\n1.0,fifty\n")
    os.utime(words, (NOW.timestamp() - 60,) * 2)

    assert recorded_at(words, NOW) == Recorded(utc="2031-05-31T23:59:00Z", by="file")
    os.utime(words, (0, 0))
    assert recorded_at(words, NOW) == recorded_at(tmp_path / "no.wav", NOW) == Recorded()

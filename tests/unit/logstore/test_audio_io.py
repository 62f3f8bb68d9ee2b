"""Sound segments: durable while written, readable after a cut, on the flight clock."""

import wave

import numpy as np
import pytest

from logger_app.errors import LogDamaged, LogError
from logger_app.logstore import audio_io
from logger_app.logstore.audio_io import RATE_HZ, SegmentWriter, iter_sound, list_segments, read_sound, sound_duration_s
from logger_app.logstore.store import Journal
from logger_app.records.journal import FlightInfo, JournalRow, RowKind


def noise(seconds, seed=0):
    return np.random.default_rng(seed).integers(-3000, 3000, round(seconds * RATE_HZ)).astype(np.int16)


@pytest.fixture
def journal(tmp_path):
    with Journal.create(tmp_path / "day1", FlightInfo(id="day1", configuration=None)) as journal:
        yield journal


def test_sound_comes_back_over_segment_borders(journal):
    pcm = noise(7.3)
    with SegmentWriter(journal.flight_dir, journal, segment_s=2) as writer:
        for block in np.array_split(pcm, 31):
            writer.write(block)

    assert np.array_equal(read_sound(journal.flight_dir, 0, 99), pcm)
    assert np.array_equal(read_sound(journal.flight_dir, 1.5, 4.25), pcm[24000:68000])
    assert sound_duration_s(journal.flight_dir) == pytest.approx(7.3)
    assert [s.samples for s in list_segments(journal.flight_dir)] == [32000, 32000, 32000, 20800]


def test_any_other_program_can_read_a_segment(journal):
    """Against Python's own `wave` module, which knows nothing of us."""
    pcm = noise(1.25)
    with SegmentWriter(journal.flight_dir, journal) as writer:
        writer.write(pcm)
    with wave.open(str(journal.flight_dir / "audio/0000.wav")) as file:
        params = (file.getnchannels(), file.getsampwidth(), file.getframerate(), file.getnframes())
        frames = np.frombuffer(file.readframes(10**9), "<i2")

    assert params == (1, 2, 16000, 20000)
    assert np.array_equal(frames, pcm)


def test_an_unfinished_segment_is_read_whatever_its_header_says(journal):
    pcm = noise(1.1)
    writer = SegmentWriter(journal.flight_dir, journal)
    writer.write(pcm)  # not closed: the process died here

    assert np.array_equal(read_sound(journal.flight_dir, 0, 99), pcm)
    with wave.open(str(journal.flight_dir / "audio/0000.wav")) as file:
        assert np.array_equal(np.frombuffer(file.readframes(10**9), "<i2"), pcm)
    path = journal.flight_dir / "audio/0000.wav"
    path.write_bytes(path.read_bytes()[:-1])  # torn in the middle of a sample
    assert np.array_equal(read_sound(journal.flight_dir, 0, 99), pcm[:-1])


def test_a_second_writer_goes_on_where_the_first_was_cut(journal):
    first, second = noise(1.5), noise(0.5, 1)
    SegmentWriter(journal.flight_dir, journal).write(first)
    writer = SegmentWriter(journal.flight_dir, journal)
    writer.write(second)
    writer.close()

    assert np.array_equal(read_sound(journal.flight_dir, 0, 9), np.concatenate([first, second]))
    assert [s.file for s in list_segments(journal.flight_dir)] == ["audio/0000.wav", "audio/0001.wav"]


def test_a_hole_is_silence_and_keeps_the_clock(journal):
    pcm = noise(1)
    with SegmentWriter(journal.flight_dir, journal) as writer:
        writer.write(pcm)
        writer.skip(3 * RATE_HZ)
        writer.write(pcm)

    sound = read_sound(journal.flight_dir, 0, 9)
    assert len(sound) == 5 * RATE_HZ
    assert not sound[RATE_HZ : 4 * RATE_HZ].any()
    assert np.array_equal(sound[4 * RATE_HZ :], pcm)
    assert len(read_sound(journal.flight_dir, 2, 3)) == 0


def test_blocks_are_the_whole_sound(journal):
    pcm = noise(3.3)
    with SegmentWriter(journal.flight_dir, journal, segment_s=1) as writer:
        writer.write(pcm[:20000])
        writer.skip(16000)
        writer.write(pcm[20000:])
    blocks = list(iter_sound(journal.flight_dir, 0.7))

    assert {len(b) for b in blocks[:-1]} == {11200}
    assert np.array_equal(np.concatenate(blocks), read_sound(journal.flight_dir, 0, 99))


def test_no_sound_is_no_sound(journal):
    assert sound_duration_s(journal.flight_dir) == 0
    assert len(read_sound(journal.flight_dir, 0, 10)) == 0
    assert list(iter_sound(journal.flight_dir)) == []


def test_closing_notes_what_the_sound_was(journal):
    pcm = noise(2.5)
    with SegmentWriter(journal.flight_dir, journal) as writer:
        writer.write(pcm)

    assert list_segments(journal.flight_dir)[0].checks == audio_io.second_checks(pcm)
    assert len(audio_io.second_checks(pcm)) == 3


@pytest.mark.parametrize("name", ["../secret.wav", "/etc/passwd", "audio/../../x.wav", "audio/a/b.wav", 7])
def test_a_row_cannot_lead_out_of_the_folder(journal, name):
    body = {"file": name, "first_sample": 0, "samples": 10, "rate_hz": 16000, "source": "x"}
    journal.append([JournalRow(id="bad", flight_ns=0, utc="", kind=RowKind.AUDIO, body=body)])

    with pytest.raises(LogDamaged):
        read_sound(journal.flight_dir, 0, 1)


@pytest.mark.parametrize(("first", "samples"), [(0, 10**18), (-5, 10), ("0", 1), (10**18, None), (0, -1), (0, 1.5)])
def test_a_row_cannot_ask_for_more_memory_than_there_is(journal, first, samples):
    body = {"file": "audio/0000.wav", "first_sample": first, "samples": samples, "rate_hz": 16000, "source": "x"}
    journal.append([JournalRow(id="bad", flight_ns=0, utc="", kind=RowKind.AUDIO, body=body)])

    with pytest.raises(LogDamaged, match="whole numbers"):
        sound_duration_s(journal.flight_dir)


def test_a_full_disk_keeps_what_was_there_and_says_so(journal, monkeypatch):
    pcm = noise(1)
    writer = SegmentWriter(journal.flight_dir, journal)
    writer.write(pcm)
    real_write = audio_io.os.write

    def short_then_full(fd, data):
        if len(data) > 1001:
            return real_write(fd, data[:1001])
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(audio_io.os, "write", short_then_full)
    with pytest.raises(LogError, match="cannot be written at 1.0 s"):
        writer.write(pcm[:1000])
    monkeypatch.undo()

    assert writer.samples == RATE_HZ + 500
    writer.write(pcm)
    assert np.array_equal(read_sound(journal.flight_dir, 0, 9), np.concatenate([pcm, pcm[:500], pcm]))

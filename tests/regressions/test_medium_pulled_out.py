"""A card that is pulled out in flight, or a disk that is full at the wrong byte, ends neither hearing nor recording.

What the system said when the sound file could no longer even be cut ended the thread that writes sound; the
hearing, fed by it, waited for ever, and so did the landing.
"""

import errno
import os

import numpy as np
import pytest

from logger_app.errors import LogError
from logger_app.fly.capture.audio_writer import LOOK_AT_DISK_S, AudioWriter, HearingQueue
from logger_app.fly.capture.mic import BLOCK_SAMPLES, RATE_HZ, BlockQueue
from logger_app.fly.flight_records import Intent
from logger_app.logstore import audio_io
from logger_app.logstore.audio_io import HEADER_BYTES, SegmentWriter, list_segments, read_sound, wav_header
from logger_app.logstore.recover import verify
from logger_app.logstore.store import Journal
from logger_app.records.calls import CaptureGap
from logger_app.records.journal import FlightInfo
from logger_app.records.plan import Aircraft, AircraftConfig, Campaign
from logger_app.workflows.flight_session import FlightSession, open_flight
from logger_app.workflows.flight_session.messages import Called, GapFound

BLOCKS = 400  # 20 s


class Medium:
    """`os` for the writer of sound: gone between two blocks, or full at a byte."""

    def __init__(self, monkeypatch):
        self.gone, self.room = False, None
        for name in ("write", "ftruncate", "open", "fsync", "fdatasync"):
            monkeypatch.setattr(audio_io.os, name, self.door(name, getattr(os, name)))

    def door(self, name, real):
        def act(*args):
            if self.gone:
                raise OSError(errno.EIO, os.strerror(errno.EIO))
            if name == "write" and self.room is not None:
                if not self.room:
                    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
                args = args[0], bytes(args[1])[: self.room]
                self.room -= len(args[1])
            return real(*args)

        return act


@pytest.fixture
def flight(tmp_path):
    with Journal.create(tmp_path / "day1", FlightInfo(id="day1", configuration=None)) as journal:
        yield tmp_path / "day1", journal


def pcm(k):
    return np.full(BLOCK_SAMPLES, k + 1, np.int16)


@pytest.mark.parametrize("back", [False, True])
def test_hearing_goes_on_without_the_medium_and_recording_when_it_is_back(flight, monkeypatch, back):
    folder, journal = flight
    blocks, hearing, gaps = BlockQueue(), HearingQueue(limit_s=60), []
    medium = Medium(monkeypatch)
    store = SegmentWriter(folder, journal, segment_s=5)
    away = range(60, 60 + round(LOOK_AT_DISK_S * 20)) if back else range(60, BLOCKS + 1)

    class Store:
        samples = property(lambda self: store.samples)
        skip, close = store.skip, store.close

        def write(self, sound):
            medium.gone = int(sound[0]) - 1 in away
            store.write(sound)

    writer = AudioWriter(
        blocks,
        Store(),
        hearing,
        on_gap=lambda gap, kept: gaps.append(gap),
        on_state=lambda state: None,
        free_bytes=lambda: 10**12,
    )
    writer.start()
    for k in range(BLOCKS):
        blocks.put_waiting(pcm(k), writer._stopped)
    blocks.end()
    writer.join(60)
    assert not writer.is_alive()

    heard = []
    while (piece := hearing.get()) is not None:
        heard.append(int(piece[1][0]) - 1)
    assert heard == list(range(BLOCKS))
    assert [gap.start_ns // 10**6 for gap in gaps] == [3000]
    medium.gone = False
    assert np.array_equal(read_sound(folder, 0, 3), np.concatenate([pcm(k) for k in range(60)]))
    if back:
        resumed = gaps[0].end_ns * RATE_HZ // 10**9 // BLOCK_SAMPLES
        assert resumed <= away.stop + LOOK_AT_DISK_S * 20
        assert np.array_equal(
            read_sound(folder, resumed * 0.05, 20), np.concatenate([pcm(k) for k in range(resumed, BLOCKS)])
        )
        assert verify(folder).ok


@pytest.mark.parametrize("room", [0, 1, 43, 44, 45, 1000])
def test_a_disk_that_is_full_within_the_head_of_a_segment_shifts_no_sound(flight, monkeypatch, room):
    folder, journal = flight
    medium = Medium(monkeypatch)
    with SegmentWriter(folder, journal, segment_s=1) as sound:
        medium.room = room
        with pytest.raises(LogError):
            sound.write(pcm(0))
        kept = sound.samples
        medium.room = None
        sound.write(pcm(7))
        first, wanted = kept, pcm(7)

    assert kept == max(0, room - HEADER_BYTES) // 2
    assert np.array_equal(read_sound(folder, first / RATE_HZ, first / RATE_HZ + 1), wanted)
    assert verify(folder).ok and verify(folder).notes == ()
    assert all((folder / s.file).read_bytes()[:44] == wav_header(s.samples) for s in list_segments(folder))


def test_a_segment_that_no_row_can_name_is_not_begun(flight, monkeypatch):
    folder, journal = flight
    append = Journal.append

    def refused(self, rows):
        raise LogError("the disk is full")

    sound = SegmentWriter(folder, journal)
    monkeypatch.setattr(Journal, "append", refused)
    with pytest.raises(LogError, match="full"):
        sound.write(pcm(0))
    assert list((folder / "audio").iterdir()) == []
    monkeypatch.setattr(Journal, "append", append)
    sound.write(pcm(1))

    assert np.array_equal(read_sound(folder, 0, 1), pcm(1))
    sound.close()


def test_in_flight_nothing_is_read_from_the_disk(tmp_path, monkeypatch):
    """The first gap of a flight asked the journal which numbers were taken: on a card that was gone, that ended the core."""
    aircraft = Aircraft(name="test", empty_weight_kg=400, reference_weight_kg=600, max_weight_kg=640, wing_area_m2=12)
    campaign = Campaign(name="test", aircraft=aircraft, configurations=(AircraftConfig(id="plain", name="plain"),))
    session = FlightSession(campaign, open_flight(campaign, tmp_path, "f1"), microphone=None, engine=None)

    def gone(self, *args, **options):
        raise LogError("disk I/O error")

    monkeypatch.setattr(Journal, "rows", gone)
    monkeypatch.setattr(Journal, "_highest", gone)
    session.start()
    session._inbox.put(GapFound(CaptureGap(start_ns=0, end_ns=1, why="x")))
    session._inbox.put(Called(None))  # a fact gone wrong
    session.touch(Intent.MARK)
    with pytest.raises(LogError, match="something went wrong on the way"):
        session.stop(landed=True)
    monkeypatch.undo()

    with Journal.open(tmp_path / "flights" / "f1", read_only=True) as journal:
        kinds = [str(row.kind) for row in journal.rows()]
    assert kinds.count("gap") == 1 and kinds.count("step") >= 2

"""Damage that was passed over in silence, or could not be saved, until the fault bench found it."""

import shutil

import numpy as np
import pytest

from logger_app.errors import LogDamaged
from logger_app.logstore.audio_io import SegmentWriter, read_sound
from logger_app.logstore.carve import WAL_FRAME_HEADER_BYTES, WAL_HEADER_BYTES, log_state
from logger_app.logstore.recover import readable_rows, rescue, verify
from logger_app.logstore.schema import JOURNAL_FILE
from logger_app.logstore.store import Journal, list_flights
from logger_app.records.journal import FlightInfo, JournalRow, RowKind
from logger_app.records.plan import Aircraft, AircraftConfig, Campaign
from logger_app.workflows.flight_session import open_flight

FRAME = 4096 + WAL_FRAME_HEADER_BYTES


@pytest.fixture
def crashed(tmp_path):
    """A flight as a kill leaves it: forty rows, each a transaction of its own, all in the log."""
    with Journal.create(tmp_path / "work", FlightInfo(id="day1", configuration="plain")) as journal:
        for k in range(40):
            body = {"start_ns": k, "end_ns": k, "text": f"{k} " + "x" * (97 * k % 900)}
            journal.append([JournalRow(id=f"n{k}", flight_ns=k, utc="", kind=RowKind.NOTE, body=body)])
        shutil.copytree(tmp_path / "work", tmp_path / "flights" / "day1")
    return tmp_path / "flights" / "day1"


def flip(flight, at):
    wal = flight / f"{JOURNAL_FILE}-wal"
    data = bytearray(wal.read_bytes())
    data[at] ^= 16
    wal.write_bytes(data)


def frames(flight):
    return ((flight / f"{JOURNAL_FILE}-wal").stat().st_size - WAL_HEADER_BYTES) // FRAME


def notes(flight):
    return [row.id for row in readable_rows(flight)[0] if row.kind is RowKind.NOTE]


@pytest.mark.parametrize("at", [3, 20, WAL_HEADER_BYTES + 1, WAL_HEADER_BYTES + 9, WAL_HEADER_BYTES + 12 * FRAME + 700])
def test_a_flipped_bit_in_the_log_is_named_by_all_and_what_lies_behind_it_is_saved(crashed, tmp_path, at):
    """SQLite ends at the first page that does not agree, and would write over the rest."""
    flip(crashed, at)

    assert not verify(crashed).ok
    for read_only in (True, False):
        with pytest.raises(LogDamaged, match="store rescue"):
            Journal.open(crashed, read_only=read_only)
    rescue(crashed, tmp_path / "saved")
    assert verify(tmp_path / "saved").ok
    assert set(notes(tmp_path / "saved")) >= {f"n{k}" for k in range(40)} - {"n8", "n9", "n10", "n11", "n12", "n13"}


def test_what_a_power_cut_leaves_at_the_end_of_the_log_is_a_note_and_the_flight_goes_on(crashed):
    flip(crashed, WAL_HEADER_BYTES + (frames(crashed) - 1) * FRAME + 100)

    health = verify(crashed)
    assert health.ok
    assert any("its end is incomplete" in note for note in health.notes)
    with Journal.open(crashed) as journal:
        assert sum(1 for _ in journal.rows(RowKind.NOTE)) == 39


def test_the_state_of_the_log_is_what_sqlite_makes_of_it(crashed):
    """Against SQLite: the pages that it copies back are those that we say agree."""
    state = log_state((crashed / f"{JOURNAL_FILE}-wal").read_bytes())
    import sqlite3

    connection = sqlite3.connect(crashed / JOURNAL_FILE)
    busy, pages, _ = connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
    connection.close()

    assert (busy, pages) == (0, state.frames)
    assert state.finished == 41 and not state.damaged


def test_rows_behind_a_round_of_the_log_that_is_over_are_no_damage(crashed):
    with Journal.open(crashed) as journal:
        journal._connection.execute("PRAGMA wal_checkpoint(RESTART)")
        journal.append([JournalRow(id="new", flight_ns=0, utc="", kind=RowKind.NOTE, body={"text": "x"})])
        shutil.copytree(crashed, crashed.with_name("day2"))

    assert verify(crashed.with_name("day2")).ok
    assert verify(crashed.with_name("day2")).notes == ()
    assert "new" in notes(crashed.with_name("day2"))


@pytest.mark.parametrize("keep", [0, 40, 44, 30_000, 44 + 64_000])
def test_sound_that_was_cut_short_is_saved_as_far_as_it_goes(tmp_path, keep):
    flight, saved = tmp_path / "day1", tmp_path / "saved"
    pcm = np.arange(64_000).astype(np.int16)
    with Journal.create(flight, FlightInfo(id="day1", configuration=None)) as journal:
        with SegmentWriter(flight, journal, segment_s=2) as sound:
            sound.write(pcm)
    whole = (flight / "audio" / "0001.wav").read_bytes()
    (flight / "audio" / "0001.wav").write_bytes(whole[:keep])

    damaged = keep < len(whole)
    assert verify(flight).ok != damaged
    done = rescue(flight, saved)
    assert verify(saved).ok
    assert bool(done.sound_lost) == damaged
    kept = 32_000 + max(0, keep - 44) // 2
    assert np.array_equal(read_sound(saved, 0, kept / 16_000), pcm[:kept])


CAMPAIGN = Campaign(
    name="test",
    aircraft=Aircraft(name="test", empty_weight_kg=400, reference_weight_kg=600, max_weight_kg=640, wing_area_m2=12),
    configurations=(AircraftConfig(id="plain", name="plain"),),
)


@pytest.mark.parametrize("page", [b"", None])
def test_a_flight_that_was_cut_off_before_its_first_row_is_begun_anew(tmp_path, page):
    """The folder is there, the journal has no row: the pilot could not fly the flight that was planned."""
    folder = tmp_path / "flights" / "f1"
    folder.mkdir(parents=True)
    if page is None:
        import sqlite3

        connection = sqlite3.connect(folder / JOURNAL_FILE)
        connection.execute("PRAGMA journal_mode = WAL")
        connection.close()
    else:
        (folder / JOURNAL_FILE).write_bytes(page)

    assert list_flights(tmp_path) == []
    with open_flight(CAMPAIGN, tmp_path, "f1") as journal:
        assert journal.info.configuration == "plain"
    assert list_flights(tmp_path) == [folder]


def test_a_flight_that_was_cut_to_nothing_is_still_a_flight_to_be_looked_at(crashed):
    (crashed / "audio").mkdir(exist_ok=True)
    (crashed / f"{JOURNAL_FILE}-wal").unlink()
    (crashed / JOURNAL_FILE).write_bytes(b"")

    assert list_flights(crashed.parent.parent) == [crashed]
    assert not verify(crashed).ok

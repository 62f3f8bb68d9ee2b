"""The journal: what is appended is there, nothing else can be done to it."""

import sqlite3
import subprocess
import sys
import threading

import pytest

from logger_app.errors import LogDamaged, LogError, LogTooNew
from logger_app.logstore.schema import JOURNAL_FILE, SCHEMA_VERSION
from logger_app.logstore.store import Journal, list_flights
from logger_app.records.journal import FlightInfo, JournalRow, RowKind

UTC = "2027-04-11T09:00:00Z"


def note(id, text="a note", at_ns=0):
    return JournalRow(id=id, flight_ns=at_ns, utc=UTC, kind=RowKind.NOTE, body={"text": text})


@pytest.fixture
def flight(tmp_path):
    info = FlightInfo(
        id="day1", configuration="baseline", loading_items=(("seats", 160.0),), fuel_l=70.0, started_utc=UTC
    )
    with Journal.create(tmp_path / "flights" / "day1", info, app="0.1.0"):
        pass
    return tmp_path / "flights" / "day1"


def test_rows_come_back_as_written_and_in_order(flight):
    rows = [note(f"note-{k}", f"text {k} ümlaut \ud800", k) for k in range(1200)]
    with Journal.open(flight) as journal:
        done = journal.append(rows)
        back = list(journal.rows(RowKind.NOTE))

    assert [row.seq for row in done] == list(range(2, 1202))
    assert back == done


def test_info_is_what_the_flight_was_created_with_and_later_rows_win(flight):
    with Journal.open(flight) as journal:
        journal.append(
            [JournalRow(id="f2", flight_ns=0, utc=UTC, kind=RowKind.FLIGHT, body={"configuration": "cuffs"})]
        )
        info = journal.info
        app = journal.flight_body()["app"]

    assert info == FlightInfo(
        id="day1", configuration="cuffs", loading_items=(("seats", 160.0),), fuel_l=70.0, started_utc=UTC
    )
    assert app == "0.1.0"


def test_wal_and_full_sync_are_on(flight):
    with Journal.open(flight) as journal:
        mode = journal._connection.execute("PRAGMA journal_mode").fetchone()[0]
        sync = journal._connection.execute("PRAGMA synchronous").fetchone()[0]

    # SQLite documentation, "PRAGMA synchronous": 2 is FULL.
    assert (mode, sync) == ("wal", 2)


@pytest.mark.parametrize(
    "statement", ["UPDATE fact SET body = '{}'", "DELETE FROM fact", "REPLACE INTO fact SELECT * FROM fact"]
)
def test_no_program_can_change_or_delete_a_row(flight, statement):
    connection = sqlite3.connect(flight / JOURNAL_FILE)

    with pytest.raises(sqlite3.IntegrityError):
        connection.execute(statement)
    connection.close()


def test_a_batch_with_one_bad_row_writes_nothing(flight):
    with Journal.open(flight) as journal:
        journal.append([note("a")])
        with pytest.raises(LogError, match="already exists"):
            journal.append([note("b"), note("a")])
        ids = [row.id for row in journal.rows(RowKind.NOTE)]

    assert ids == ["a"]


def test_values_that_are_no_json_are_refused_before_anything_is_written(flight):
    with Journal.open(flight) as journal:
        with pytest.raises(ValueError):
            journal.append([note("a"), note("b", float("nan"))])

        assert list(journal.rows(RowKind.NOTE)) == []


def test_second_writer_gets_one_sentence_and_readers_read_on(flight):
    with Journal.open(flight) as journal:
        journal.append([note("a")])
        with pytest.raises(LogError, match="another program is writing"):
            Journal.open(flight)
        code = f"from logger_app.logstore.store import Journal; Journal.open({str(flight)!r})"
        other = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
        with Journal.open(flight, read_only=True) as reader:
            seen = [row.id for row in reader.rows(RowKind.NOTE)]

    assert "another program is writing to this flight (process" in other.stderr
    assert seen == ["a"]
    Journal.open(flight).close()


def test_a_reader_cannot_append(flight):
    with Journal.open(flight, read_only=True) as journal, pytest.raises(LogError, match="reading only"):
        journal.append([note("a")])


def test_newer_version_is_refused_and_left_alone(flight):
    connection = sqlite3.connect(flight / JOURNAL_FILE)
    connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 1}")
    connection.close()

    with pytest.raises(LogTooNew) as caught:
        Journal.open(flight)
    assert caught.value.version == SCHEMA_VERSION + 1
    with pytest.raises(LogTooNew):
        Journal.open(flight, read_only=True)


def test_what_is_no_flight_is_named(tmp_path):
    with pytest.raises(LogError, match="not a flight folder"):
        Journal.open(tmp_path)
    (tmp_path / JOURNAL_FILE).write_bytes(b"something else entirely" * 500)
    for read_only in (True, False):
        with pytest.raises(LogDamaged):
            Journal.open(tmp_path, read_only=read_only)


def test_a_flight_cannot_be_begun_twice_but_a_cut_before_the_first_row_can_be_mended(flight, tmp_path):
    info = FlightInfo(id="x", configuration=None)
    with pytest.raises(LogError, match="already exists"):
        Journal.create(flight, info)
    empty = tmp_path / "flights" / "cut"
    empty.mkdir()
    (empty / JOURNAL_FILE).write_bytes(b"")
    with pytest.raises(LogDamaged, match="holds no journal"):
        Journal.open(empty, read_only=True)

    with Journal.create(empty, info) as journal:
        assert journal.info.id == "x"


def test_ids_are_new_even_before_they_are_written(flight):
    with Journal.open(flight) as journal:
        first = journal.new_id("note")
        journal.append([note("note-0007"), note("note-x")])
        second = journal.new_id("note")
    with Journal.open(flight) as journal:
        third = journal.new_id("note")

    assert (first, second, third) == ("note-0001", "note-0002", "note-0008")


def test_threads_share_one_journal(flight):
    with Journal.open(flight) as journal:
        threads = [
            threading.Thread(target=lambda k=k: [journal.append([note(f"{k}-{n}")]) for n in range(10)])
            for k in range(4)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        rows = list(journal.rows(RowKind.NOTE))

    assert sorted(row.seq for row in rows) == list(range(2, 42))


def test_flights_are_listed_by_name(flight, tmp_path):
    Journal.create(tmp_path / "flights" / "day0", FlightInfo(id="day0", configuration=None)).close()
    (tmp_path / "flights" / "not_a_flight").mkdir()

    assert [path.name for path in list_flights(tmp_path)] == ["day0", "day1"]
    assert list_flights(tmp_path / "nowhere") == []

"""The journal of a flight: append a fact, read facts. Never change one.

`Journal` is the only door to `flight.sqlite`. An `append` is one transaction and is on the disk
when it returns (WAL, ``synchronous=FULL``). One process writes; any number read meanwhile.

Not for: what the facts mean (`codec`, `review`), sound (`audio_io`), mending (`recover`).
"""

from __future__ import annotations

import json
import os
import re
import sqlite3
import tempfile
import threading
import warnings
from collections.abc import Iterable, Iterator
from contextlib import closing, suppress
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from shutil import copyfile

from logger_app.errors import FileRefused, LogDamaged, LogError, LoggerError, LogTooNew, Notice
from logger_app.io.files import (
    clear_left_behind,
    is_file,
    is_folder,
    make_folder,
    open_file,
    read_bytes,
    refuse_links,
    sync_folder,
)
from logger_app.io.resources import user_dir
from logger_app.logstore import codec, schema
from logger_app.logstore.carve import DEFAULT_PAGE_SIZE, log_state
from logger_app.logstore.lock_io import LOCK_FILE, WriterLock
from logger_app.logstore.schema import JOURNAL_FILE, MAX_JOURNAL_BYTES
from logger_app.records.journal import FlightInfo, JournalRow, RowKind

FLIGHTS_DIR = "flights"
BATCH_ROWS = 500
_KINDS = {str(kind): kind for kind in RowKind}


class Journal:
    """The append-only journal of one flight; a context manager.

    ::

        with Journal.open(folder) as journal:
            journal.append([row])           # durable when it returns
            for row in journal.rows(RowKind.CALL):
                ...

    Threads may share one journal: each append is serialised.
    """

    def __init__(self, flight_dir: Path, connection: sqlite3.Connection, lock: WriterLock | None, scratch=None):
        self.flight_dir = Path(flight_dir)
        self.read_only = lock is None
        self._connection = connection
        self._lock = lock
        self._scratch = scratch
        self._mutex = threading.RLock()
        self._given: dict[str, int] = {}

    @classmethod
    def create(cls, flight_dir: Path, info: FlightInfo, **extra) -> Journal:
        """Begin a flight: make its folder and the journal with its first row.

        Parameters
        ----------
        flight_dir : Path
            Folder to make; may exist if it holds no journal.
        **extra
            More keys of the first row: campaign, app, pack, engine.

        Raises
        ------
        LogError
            The folder cannot be written, another process is writing, or there is a flight already.
        """
        flight_dir = Path(flight_dir)
        with _Door(flight_dir):
            make_folder(flight_dir.parent)
            # What people say in a cockpit is personal: a new flight is for its owner's eyes alone.
            make_folder(flight_dir, 0o700)
            _check_kinds(flight_dir / JOURNAL_FILE)
            _for_the_owner_alone(flight_dir)
            lock = WriterLock(flight_dir)
        try:
            with _Door(flight_dir):
                _refuse_existing(flight_dir / JOURNAL_FILE)
                connection = _connect(flight_dir / JOURNAL_FILE, new=True)
                _make_tables(connection, info, extra)
                sync_folder(flight_dir)
                sync_folder(flight_dir.parent)
        except BaseException:
            lock.release()
            raise
        return cls(flight_dir, connection, lock)

    @classmethod
    def open(cls, flight_dir: Path, read_only: bool = False, *, check: bool = True) -> Journal:
        """Open a flight's journal, also after a crash.

        Parameters
        ----------
        read_only : bool
            Only read: needs no lock and works on a folder that cannot be written.
        check : bool
            Refuse a journal that has lost rows; only who saves what is left goes without.

        Raises
        ------
        LogError
            No such flight, or (for writing) another process is writing.
        LogTooNew
            Written by a newer version.
        LogDamaged
            Not a journal, its pages or its log are damaged, or rows are missing.
        FileRefused
            The journal, or a file beside it, is a link or not an ordinary file.
        """
        flight_dir = Path(flight_dir)
        path = flight_dir / JOURNAL_FILE
        _check_kinds(path)
        if not path.is_file():
            raise LogError(
                f"{flight_dir}: not a flight folder (no {JOURNAL_FILE} in it).",
                hint="Give the folder of one flight, CAMPAIGN/flights/NAME.",
            )
        if read_only:
            with _Door(flight_dir):
                _check_log(path)
            connection, scratch = _connect_reader(path)
            journal = cls(flight_dir, connection, None, scratch)
        else:
            with _Door(flight_dir):
                lock = WriterLock(flight_dir)
            try:
                with _Door(flight_dir):
                    _check_log(path)
                    connection = _connect(path)
            except BaseException:
                lock.release()
                raise
            journal = cls(flight_dir, connection, lock)
        try:
            if check:
                with _Door(flight_dir):
                    _check_rows(connection, path)
        except BaseException:
            journal.close()
            raise
        return journal

    def __enter__(self) -> Journal:
        return self

    def __exit__(self, *exc) -> None:
        self.close()

    def close(self) -> None:
        """Close the journal and let the flight go. Safe to call twice."""
        with self._mutex:
            self._connection.close()
            if self._lock:
                self._lock.release()
            if self._scratch:
                self._scratch.cleanup()
                self._scratch = None

    @property
    def info(self) -> FlightInfo:
        """What the flight is: its `FLIGHT` rows, later ones over earlier ones."""
        return codec.body_to_info(self.flight_body())

    def flight_body(self) -> dict:
        """All keys of the `FLIGHT` rows, later ones over earlier ones; `LogDamaged` if none."""
        return codec.flight_body(self.rows(RowKind.FLIGHT), self.flight_dir)

    def append(self, rows: Iterable[JournalRow]) -> list[JournalRow]:
        """Write rows in one transaction; they are on the disk when this returns.

        Parameters
        ----------
        rows : iterable of JournalRow
            New facts; their `seq` is given here.

        Raises
        ------
        LogError
            An id is taken, the disk is full, or the journal is open for reading only. Nothing
            of the batch is then written.
        """
        rows = list(rows)
        if self.read_only:
            raise LogError(f"{self.flight_dir}: opened for reading only; nothing was written.")
        if not rows:
            return []
        texts = [_body_text(row) for row in rows]
        with self._mutex, _Door(self.flight_dir):
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                done = _insert(self._connection, rows, texts)
                self._connection.execute("COMMIT")
            except BaseException as err:
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
                if isinstance(err, sqlite3.IntegrityError):
                    raise LogError(f"{self.flight_dir}: a row with one of these ids already exists ({err}).") from err
                raise
        return done

    def rows(self, *kinds: RowKind, after: int = 0) -> Iterator[JournalRow]:
        """Rows in the order they were written.

        Raises
        ------
        LogDamaged
            A row is damaged; names it.
        """
        where = f" AND kind IN ({', '.join('?' * len(kinds))})" if kinds else ""
        last = after
        while True:
            with self._mutex, _Door(self.flight_dir):
                batch = self._connection.execute(
                    f"{schema.SELECT} WHERE seq > ?{where} ORDER BY seq LIMIT {BATCH_ROWS}", (last, *map(str, kinds))
                ).fetchall()
            for record in batch:
                row = row_of(record)
                if row is None:
                    raise LogDamaged(
                        f"{self.flight_dir / JOURNAL_FILE}: row {record[0]} is damaged: it does not agree with its checksum.",
                        hint=f"Run `kneecall store rescue {self.flight_dir}` to save the rest.",
                        seq=record[0],
                    )
                yield row
            if len(batch) < BATCH_ROWS:
                return
            last = batch[-1][0]

    def new_id(self, prefix: str) -> str:
        """An id that no row of this flight bears: the prefix and a running number; for example ``call-0007``."""
        with self._mutex:
            if prefix not in self._given:
                self._given[prefix] = self._highest(prefix)
            self._given[prefix] += 1
            return f"{prefix}-{self._given[prefix]:04d}"

    def know_ids(self, *prefixes: str) -> None:
        """Look up the running numbers now, so that `new_id` needs no disk in flight."""
        with self._mutex:
            for prefix in prefixes:
                self._given.setdefault(prefix, self._highest(prefix))

    def _highest(self, prefix: str) -> int:
        pattern = re.compile(re.escape(prefix) + r"-(\d{1,15})$")
        with _Door(self.flight_dir):
            ids = self._connection.execute(
                "SELECT id FROM fact NOT INDEXED WHERE id > ? AND id < ?", (f"{prefix}-", f"{prefix}-:")
            )
            matches = (pattern.match(str(id)) for (id,) in ids)
            return max((int(match[1]) for match in matches if match), default=0)


def row_of(record: tuple) -> JournalRow | None:
    """A stored record as a row, or None when its checksum or its form is wrong.

    Parameters
    ----------
    record : tuple
        seq, id, flight_ns, utc, kind, body, checksum.

    Returns
    -------
    JournalRow or None
        The row, if it is what was written.

    Raises
    ------
    LogTooNew
        It is, and states a kind of fact that a later version knows.
    """
    seq, id, flight_ns, utc, kind, body, stored = record
    texts = isinstance(id, str) and isinstance(utc, str) and isinstance(kind, str) and isinstance(body, str)
    if not texts or type(flight_ns) is not int or schema.checksum(seq, id, flight_ns, utc, kind, body) != stored:
        return None
    try:
        facts = json.loads(body)
    except (ValueError, RecursionError):  # a right checksum over what this program never writes
        return None
    if not isinstance(facts, dict) or not codec.fits(kind, facts):
        return None
    if kind not in _KINDS:
        raise LogTooNew(f"row {seq}: a kind of entry that this version does not know ({kind!r}).")
    return JournalRow(id=id, flight_ns=flight_ns, utc=utc, kind=_KINDS[kind], body=facts, seq=seq)


def list_flights(campaign_dir: Path) -> list[Path]:
    """Flight folders of a campaign, in order of their names.

    Returns
    -------
    list of Path
        Folders that hold a journal; none if there is no flight yet. One that was cut off before its
        first row is no flight: it may be begun anew. Folders that are being built, or were when the program
        was killed, and links are left out with a warning (`Notice`).
    """
    folder = Path(campaign_dir) / FLIGHTS_DIR
    if folder.is_symlink():
        _leave_out(folder, "is a link; links inside a campaign are not followed")
        return []
    found = []
    for path in sorted(folder.glob(f"*/{JOURNAL_FILE}")):
        if path.parent.name.startswith("."):
            _leave_out(path.parent, "was left out: a flight that is being built, or was when the program was stopped")
        elif not is_folder(path.parent):
            _leave_out(path.parent, "was left out: a link; links inside a campaign are not followed")
        elif not is_file(path):
            _leave_out(path, "was left out: not an ordinary file")
        elif _begun(path):
            found.append(path.parent)
    return found


def _leave_out(path: Path, why: str) -> None:
    warnings.warn(f"{path}: {why}.", Notice, stacklevel=2)


def _begun(path: Path) -> bool:
    """Whether a journal was ever begun; where that cannot be said, it was: damage is to be named."""
    try:
        with open_file(path) as file:
            head = file.read(64)
        # Before the first row there is nothing, or one page without a version ("Database File Format", 1.3,
        # offset 60), and nothing beside it.
        beside = {other.name for other in path.parent.iterdir()} - {
            LOCK_FILE,
            *(path.name + end for end in ("", "-wal", "-shm")),
        }
        if beside or path.stat().st_size not in (0, DEFAULT_PAGE_SIZE) or any(head[60:64]):
            return True
        wal = Path(f"{path}-wal")
        state = log_state(read_bytes(wal, MAX_JOURNAL_BYTES) if is_file(wal) else b"")
        return state.finished > 0 or state.behind > 1
    except OSError:
        return True


def utc_now() -> str:
    """The wall clock as a label: ISO 8601 with microseconds and `Z`."""
    return datetime.now(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")


class _Door:
    """Translate what SQLite and the system say into one sentence naming the flight."""

    def __init__(self, flight_dir: Path):
        self.flight_dir = flight_dir

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind, err, trace) -> None:
        # A name in a torn file that is no text is found while SQLite's own message is being made.
        if isinstance(err, LoggerError) or not isinstance(err, (sqlite3.Error, OSError, UnicodeDecodeError)):
            return
        if isinstance(err, sqlite3.IntegrityError):
            return
        text = str(err)
        if isinstance(err, (sqlite3.DatabaseError, UnicodeDecodeError)) and re.search(
            "malformed|not a database|decode", text
        ):
            raise LogDamaged(
                f"{self.flight_dir / JOURNAL_FILE}: the file is damaged ({text}).",
                hint=f"Run `kneecall store rescue {self.flight_dir}` to save what can be read.",
            ) from err
        if "full" in text or "No space" in text:
            raise LogError(f"{self.flight_dir}: the disk is full; nothing of this was written.") from err
        if isinstance(err, PermissionError) or "readonly" in text or "Read-only" in text:
            raise LogError(
                f"{self.flight_dir}: the folder cannot be written ({text}).",
                hint="Copy the flight to a place that you may write to.",
            ) from err
        raise LogError(f"{self.flight_dir}: {text}.") from err


def _for_the_owner_alone(folder: Path) -> None:
    """Take the rights of others from a folder that was there before; where a file system has none, nothing."""
    with suppress(OSError):
        folder.chmod(folder.stat().st_mode & 0o700)


def _connect(path: Path, new: bool = False) -> sqlite3.Connection:
    connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False, timeout=10.0)
    try:
        if not new:  # asked first: what is another program's, or a later version's, is left as it is
            schema.check_version(_version(connection), str(path))
        connection.execute("PRAGMA journal_mode = WAL")
        # FULL: NORMAL lost the whole table in an emulated power cut; FULL lost nothing.
        connection.execute("PRAGMA synchronous = FULL")
    except BaseException:
        connection.close()
        raise
    return connection


def _check_log(path: Path) -> None:
    """Refuse a journal whose log is damaged: SQLite would leave out what lies behind, and then write over it."""
    for _ in range(2):  # twice: another program may just be writing
        wal = Path(f"{path}-wal")
        if not is_file(wal) or not (state := log_state(read_bytes(wal, MAX_JOURNAL_BYTES))).damaged:
            return
    raise LogDamaged(
        f"{wal}: the log is damaged behind page {state.frames}; {state.behind} transactions can no longer be reached.",
        hint=f"Run `kneecall store rescue {path.parent}` to save what can be read.",
    )


def _check_kinds(path: Path) -> None:
    """Refuse a journal that is, or has beside it, a link or not an ordinary file: SQLite would follow and write."""
    refuse_links(path)
    for end in ("", "-wal", "-shm", "-journal"):
        beside = Path(f"{path}{end}")
        if os.path.lexists(beside) and not is_file(beside):
            raise FileRefused(
                f"{beside}: is a link or not an ordinary file; expected a part of the journal.", path=beside
            )
    # Ours never has one once it is begun, and SQLite would do what it says: write back pages, remove a file it names.
    if is_file(beside) and beside.stat().st_size and _writes_ahead(path):
        raise LogDamaged(
            f"{beside}: another program's rollback journal; the rows may have been changed by it.",
            hint="Move it away and run `kneecall store verify` on the flight.",
        )


def _writes_ahead(path: Path) -> bool:
    """Whether the file says that its changes are in a log ("Database File Format", 1.3, offset 18)."""
    if not is_file(path):
        return False
    with open_file(path) as file:
        return file.read(20)[18:] == b"\2\2"


def _check_rows(connection: sqlite3.Connection, path: Path) -> None:
    """Refuse a journal that has lost rows: its pages are damaged, or its numbers do not run from 1 to the last given.

    Measured: 21 ms at 20,000 rows (7 MB); reading them takes 0.7 s.
    """
    schema.check_tables(connection.execute("SELECT name, sql FROM sqlite_master"), str(path))
    connection.execute("BEGIN")  # one and the same state for all questions, while another program writes
    try:
        words = [line for (line,) in connection.execute("PRAGMA quick_check(1)") if line != "ok"]
        rows, first, last = connection.execute("SELECT count(*), min(seq), max(seq) FROM fact NOT INDEXED").fetchone()
        given = connection.execute("SELECT max(seq) FROM sqlite_sequence WHERE name = 'fact'").fetchone()[0]
    finally:
        connection.execute("COMMIT")
    if not words and (rows, first, last) != (given, 1, given):
        expected = max(given or 0, last or 0, 1)
        words = [f"{expected - rows} of {expected} rows are missing"]
    if words:
        raise LogDamaged(
            f"{path}: the file is damaged ({' '.join(words[0].split())}).",
            hint=f"Run `kneecall store rescue {path.parent}` to save what can be read.",
        )


def _connect_reader(path: Path):
    """A connection that only reads, and the scratch folder it needs, if any.

    A journal left by a crash has a `-wal` that SQLite can only read where it may write beside
    it; in a folder that cannot be written we read a copy.
    """
    with _Door(path.parent):
        if os.access(path.parent, os.W_OK):
            return _checked(f"{path.resolve().as_uri()}?mode=ro", path), None
        wal = Path(f"{path}-wal")
        if not wal.exists() or not wal.stat().st_size:
            return _checked(f"{path.resolve().as_uri()}?mode=ro&immutable=1", path), None
        scratch = _scratch_folder()
        copy = Path(scratch.name) / JOURNAL_FILE
        copyfile(path, copy)
        copyfile(wal, f"{copy}-wal")
        return _checked(f"{copy.resolve().as_uri()}?mode=ro", path), scratch


def _scratch_folder() -> tempfile.TemporaryDirectory:
    try:
        user_dir().mkdir(parents=True, exist_ok=True)
        clear_left_behind(user_dir(), "reading-*")
        return tempfile.TemporaryDirectory(prefix="reading-", dir=user_dir())
    except OSError:
        return tempfile.TemporaryDirectory(prefix="kneecall-reading-")


def _checked(uri: str, path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(uri, uri=True, isolation_level=None, check_same_thread=False, timeout=10.0)
    try:
        schema.check_version(_version(connection), str(path))
    except BaseException:
        connection.close()
        raise
    return connection


def _version(connection: sqlite3.Connection) -> int:
    return connection.execute("PRAGMA user_version").fetchone()[0]


def _refuse_existing(path: Path) -> None:
    """A file that a cut left before its first row may be begun anew; a flight may not."""
    if not path.exists():
        return
    with closing(sqlite3.connect(path)) as connection:
        begun = _version(connection) or connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    if begun:
        raise LogError(
            f"{path.parent}: a flight of this name already exists; nothing was changed.", hint="Give another name."
        )


def _make_tables(connection: sqlite3.Connection, info: FlightInfo, extra: dict) -> None:
    first = JournalRow(
        id="flight-0001",
        flight_ns=0,
        utc=info.heard_utc or info.started_utc or utc_now(),
        kind=RowKind.FLIGHT,
        body=codec.info_to_body(info, **extra),
    )
    try:
        connection.execute("BEGIN IMMEDIATE")
        for statement in schema.CREATE:
            connection.execute(statement)
        _insert(connection, [first], [_body_text(first)])
        connection.execute("COMMIT")
    except BaseException:
        connection.close()
        raise


def _body_text(row: JournalRow) -> str:
    return json.dumps(row.body, allow_nan=False, separators=(",", ":"))


def _insert(connection: sqlite3.Connection, rows: list[JournalRow], texts: list[str]) -> list[JournalRow]:
    seq = connection.execute("SELECT coalesce(max(seq), 0) FROM fact").fetchone()[0]
    done = []
    for place, (row, text) in enumerate(zip(rows, texts, strict=True), seq + 1):
        facts = (place, row.id, int(row.flight_ns), row.utc, str(row.kind), text)
        connection.execute(schema.INSERT, (*facts, schema.checksum(*facts)))
        done.append(replace(row, seq=place))
    return done

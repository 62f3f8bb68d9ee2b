"""The journal's tables and its version: SQL as text, and the checksum of a row.

One table, one row a fact. Triggers refuse to change or take away a row, so a slip in any
program that opens the file cannot edit the record. `user_version` is the schema's version.

Not for: opening files (see `store`).
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from pathlib import Path

from logger_app.errors import LogDamaged, LogTooNew

JOURNAL_FILE = "flight.sqlite"
# Of a journal and of its log, where they are read into memory; 20,000 rows take about 7 million.
MAX_JOURNAL_BYTES = 400_000_000
SCHEMA_VERSION = 1

CREATE = (
    """CREATE TABLE fact (
        seq INTEGER PRIMARY KEY AUTOINCREMENT,
        id TEXT NOT NULL UNIQUE,
        flight_ns INTEGER NOT NULL,
        utc TEXT NOT NULL,
        kind TEXT NOT NULL,
        body TEXT NOT NULL,
        checksum TEXT NOT NULL
    )""",
    "CREATE INDEX fact_kind ON fact (kind, seq)",
    "CREATE TRIGGER fact_stays BEFORE UPDATE ON fact "
    "BEGIN SELECT RAISE(ABORT, 'a journal row is never changed; append a correction'); END",
    "CREATE TRIGGER fact_kept BEFORE DELETE ON fact "
    "BEGIN SELECT RAISE(ABORT, 'a journal row is never deleted; append a correction'); END",
    # INSERT OR REPLACE takes a row away without asking the trigger above.
    "CREATE TRIGGER fact_new BEFORE INSERT ON fact "
    "WHEN EXISTS (SELECT 1 FROM fact WHERE seq = NEW.seq OR id = NEW.id) "
    "BEGIN SELECT RAISE(ABORT, 'id or place is taken'); END",
    f"PRAGMA user_version = {SCHEMA_VERSION}",
)
INSERT = "INSERT INTO fact (seq, id, flight_ns, utc, kind, body, checksum) VALUES (?, ?, ?, ?, ?, ?, ?)"
# NOT INDEXED: a damaged index must not hide rows.
SELECT = "SELECT seq, id, flight_ns, utc, kind, body, checksum FROM fact NOT INDEXED"


def checksum(seq: int, id: str, flight_ns: int, utc: str, kind: str, body: str) -> str:
    """Checksum over everything a row says, its place included.

    Parameters
    ----------
    seq : int
        Place in the journal, from 1.
    flight_ns : int
        Time on the flight clock [ns].
    body : str
        Body as the JSON text that is stored.

    Returns
    -------
    str
        16 hexadecimal digits (BLAKE2b, 8 bytes).
    """
    text = f"{seq}\x1f{id}\x1f{flight_ns}\x1f{utc}\x1f{kind}\x1f{body}".encode("utf-8", "surrogatepass")
    return hashlib.blake2b(text, digest_size=8).hexdigest()


def check_tables(found: Iterable[tuple[str, str | None]], where: str) -> None:
    """Refuse a journal whose tables and triggers are not ours, or not all there.

    Parameters
    ----------
    found : iterable of (str, str or None)
        Name and SQL of each entry of `sqlite_master`; those that SQLite makes itself are passed over.
    where : str
        Name of the file, for the message.

    Raises
    ------
    LogDamaged
        One is missing, changed or strange.
    """
    there = {str(sql) for name, sql in found if not str(name).startswith("sqlite_")}
    if there != set(CREATE[:-1]):
        raise LogDamaged(
            f"{where}: its tables are not those of a journal; the file is damaged or was changed by another program.",
            hint=f"Run `kneecall store rescue {Path(where).parent}` to save what can be read.",
        )


def check_version(version: int, where: str) -> None:
    """Refuse a journal that this program cannot read.

    Parameters
    ----------
    where : str
        Name of the file, for the message.

    Raises
    ------
    LogTooNew
        Written by a later version of the program.
    LogDamaged
        Holds no journal at all.
    """
    if version > SCHEMA_VERSION:
        raise LogTooNew(
            f"{where}: written with journal version {version}; this program reads up to {SCHEMA_VERSION}.",
            hint="Install the newer kneecall; nothing was changed.",
            version=version,
        )
    if version < 1:
        raise LogDamaged(
            f"{where}: holds no journal (version {version}).",
            hint="The recording was cut before it began, or this is another program's file.",
        )

"""A file of that name that is not ours is refused, and not one byte of it changes."""

import sqlite3

import pytest

from logger_app.errors import LogDamaged, LogTooNew
from logger_app.logstore.store import Journal


@pytest.mark.parametrize("version, error", [(0, LogDamaged), (999, LogTooNew)])
def test_opening_it_for_writing_leaves_it_as_it_was(tmp_path, version, error):
    """It was put into write-ahead mode before its version was looked at."""
    path = tmp_path / "flight.sqlite"
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE theirs (x)")
    connection.execute(f"PRAGMA user_version = {version}")
    connection.commit()
    connection.close()
    before = path.read_bytes()

    with pytest.raises(error):
        Journal.open(tmp_path)

    assert path.read_bytes() == before
    assert not (tmp_path / "flight.sqlite-wal").exists()

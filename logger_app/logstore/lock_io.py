"""The lock of a flight's one writer. Works on Linux, macOS and Windows."""

from __future__ import annotations

import errno
import os
import stat
import sys
from pathlib import Path

from logger_app.errors import FileRefused, LogError
from logger_app.io.files import refuse_links

LOCK_FILE = "flight.lock"


class WriterLock:
    """One writer to a flight: held from creation to `release`, and let go when the process dies.

    A file of its own, not the journal: closing a second descriptor of a SQLite file would drop
    SQLite's own locks.
    """

    def __init__(self, flight_dir: Path):
        self.path = Path(flight_dir) / LOCK_FILE
        self.fd: int | None = _opened(self.path)
        try:
            _lock(self.fd)
        except OSError as err:
            holder = _holder(self.fd)
            os.close(self.fd)
            self.fd = None
            raise LogError(
                f"{flight_dir}: another program is writing to this flight{holder}.",
                hint="Close it there, or wait until it has finished; reading is possible meanwhile.",
            ) from err
        if os.fstat(self.fd).st_nlink > 1:
            return  # the same file has another name elsewhere: it is locked, but its contents are not ours to change
        os.ftruncate(self.fd, 0)
        # Byte 0 is what Windows locks; the holder's number stands after it so that others can read it.
        os.lseek(self.fd, 0, os.SEEK_SET)
        os.write(self.fd, f" {os.getpid()}".encode())

    def release(self) -> None:
        """Let the flight go."""
        if self.fd is not None:
            os.close(self.fd)
            self.fd = None


def _opened(path: Path) -> int:
    """The lock file, made if need be; a link, a pipe or a device in its place is refused and not touched."""
    refuse_links(path)
    flags = os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
    try:
        fd = os.open(path, flags, 0o644)
    except OSError as err:
        if err.errno in (errno.ELOOP, errno.ENXIO, errno.EISDIR):
            raise FileRefused(
                f"{path}: is not an ordinary file; expected Kneecall's own lock file.", path=path
            ) from err
        raise
    if not stat.S_ISREG(os.fstat(fd).st_mode):
        os.close(fd)
        raise FileRefused(f"{path}: is not an ordinary file; expected Kneecall's own lock file.", path=path)
    return fd


def _lock(fd: int) -> None:
    if sys.platform == "win32":
        import msvcrt

        msvcrt.locking(fd, msvcrt.LK_NBLCK, 1)
    else:
        import fcntl

        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)


def _holder(fd: int) -> str:
    try:
        os.lseek(fd, 1, os.SEEK_SET)
        number = os.read(fd, 20).decode("ascii", "replace").strip()
    except OSError:
        return ""
    return f" (process {number})" if number else ""

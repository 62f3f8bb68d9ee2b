"""Files that are written whole or not at all, and waiting until the disk has them.

The basement of every room that writes a file: a temporary file beside the target, its bytes on the
disk, one rename, the folder's list on the disk. Who is stopped in the middle, by a fault, a kill or a
power cut, leaves the old file as it was. Works on Linux, macOS and Windows; where a file system
cannot sync a folder, that step is left out.

Main names: `whole_file`, `write_text`, `write_bytes`, `put_in_place`, `sync_folder`.
"""

from __future__ import annotations

import errno
import os
import shutil
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

# What a killed program left beside a file is cleared when that file is written again, but not before
# nobody can still be writing it.
LEFT_BEHIND_S = 24 * 3600
_NO_SYNC = (errno.EINVAL, errno.EBADF, errno.ENOTSUP)


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """A temporary file beside the target that takes its place when the block ends well.

    Parameters
    ----------
    path : Path
        The target, in a folder that is there; the rights of an older file are kept.

    Yields
    ------
    Path
        The temporary file, empty, with the target's suffix: to be written under this name.

    Raises
    ------
    OSError
        The disk refuses; names the target. The old file is untouched and nothing is left beside it.
    """
    path = Path(path)
    part = path.with_name(f".{path.stem}.{os.getpid()}-{threading.get_native_id()}.part{path.suffix}")
    try:
        clear_left_behind(path.parent, f".{plain(path.stem)}.*.part{plain(path.suffix)}")
        with open(part, "wb"):
            pass
        yield part
        sync_file(part)
        with suppress(OSError):  # no older file, or a file system without rights
            os.chmod(part, path.stat().st_mode & 0o777)
        put_in_place(part, path)
    except OSError as err:
        # Only the system's own words about our own file: rooms raise errors that are OSErrors as well.
        if type(err).__module__ == "builtins" and err.errno and err.filename in (None, str(part)):
            raise OSError(err.errno, err.strerror, str(path)) from err
        raise
    finally:
        with suppress(OSError):
            part.unlink()


def write_bytes(path: Path, data: bytes) -> Path:
    """Put bytes in a file's place, whole or not at all.

    Raises
    ------
    OSError
        As `whole_file`.
    """
    with whole_file(path) as part:
        part.write_bytes(data)
    return path


def write_text(path: Path, text: str) -> Path:
    """Put a text in a file's place, whole or not at all; UTF-8, line ends as they are.

    Raises
    ------
    OSError
        As `whole_file`.
    """
    return write_bytes(path, text.encode("utf-8"))


def put_in_place(part: Path, path: Path) -> None:
    """Rename a finished file or folder to its place, and wait until the disk has the new name.

    Parameters
    ----------
    part : Path
        What is finished, its own bytes on the disk; in the folder of `path`.
    path : Path
        Its place; a file there is replaced.

    Raises
    ------
    OSError
        It cannot be renamed; both are as they were.
    """
    os.replace(part, path)
    sync_folder(path.parent)


def sync_data(fd: int) -> None:
    """Wait until an open file's bytes are on the disk."""
    getattr(os, "fdatasync", os.fsync)(fd)


def sync_file(path: Path) -> None:
    """Wait until a file's bytes are on the disk, whoever wrote them."""
    _sync(path, os.O_RDWR if os.name == "nt" else os.O_RDONLY)


def sync_folder(folder: Path) -> None:
    """Wait until the folder's list of files is on the disk, where the system can."""
    if os.name != "nt":
        _sync(folder, os.O_RDONLY)


def _sync(path: Path, flags: int) -> None:
    handle = os.open(path, flags)
    try:
        os.fsync(handle)
    except OSError as err:
        if err.errno not in _NO_SYNC:
            raise
    finally:
        os.close(handle)


def clear_left_behind(folder: Path, pattern: str) -> None:
    """Take away what killed programs left, a day later: nobody can still be writing it.

    Parameters
    ----------
    pattern : str
        Names of temporary files or folders (`plain` makes a name of our own harmless in it).
    """
    before_s = time.time() - LEFT_BEHIND_S
    for old in Path(folder).glob(pattern):
        with suppress(OSError):
            if old.stat().st_mtime < before_s:
                shutil.rmtree(old) if old.is_dir() else old.unlink()


def plain(text: str) -> str:
    """A name in which no sign stands for others in a pattern.

    Examples
    --------
    >>> plain("day[1]")
    'day[[]1]'
    """
    return "".join(f"[{sign}]" if sign in "*?[" else sign for sign in text)

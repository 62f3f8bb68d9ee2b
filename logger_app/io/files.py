"""Reading and writing files: complete or not at all, ordinary files only, never through a link.

Writing: a temporary file beside the target, its bytes on the disk, one rename, the folder's list on the
disk. A fault, a kill or a power cut in the middle leaves the old file as it was. Works on Linux, macOS and
Windows; where a file system cannot sync a folder, that step is left out.

A campaign may come from somebody else. Inside one nothing is opened, written or removed through a link, and
nothing but an ordinary file is read, to a known length: a pipe would wait for ever, a device never ends.

Main names: `complete_file`, `write_text`, `write_bytes`, `open_file`, `read_bytes`, `read_text`, `refuse_links`,
`make_folder`, `remove_file`, `put_in_place`, `sync_folder`.
"""

from __future__ import annotations

import errno
import os
import shutil
import stat
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from logger_app.errors import FileRefused

# A folder with one of these is ours, and so is all that lies in it.
OUR_FILES = ("campaign.toml", "flight.sqlite")
# Longest file that is read into memory where the caller knows no better [B].
MAX_BYTES = 64_000_000
_KINDS = (
    (stat.S_ISDIR, "a folder"),
    (stat.S_ISFIFO, "a named pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
)

# What a killed program left beside a file is cleared when that file is written again, but not before
# nobody can still be writing it.
LEFT_BEHIND_S = 24 * 3600
_NO_SYNC = (errno.EINVAL, errno.EBADF, errno.ENOTSUP)


@contextmanager
def complete_file(path: Path) -> Iterator[Path]:
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
    # Cut, so that a long name has a temporary one as well (255 bytes on most file systems).
    stem, end = path.stem[:40], path.suffix[-10:]
    part = path.with_name(f".{stem}.{os.getpid()}-{threading.get_native_id()}.part{end}")
    refuse_links(path)
    try:
        clear_left_behind(path.parent, f".{plain(stem)}.*.part{plain(end)}")
        os.close(create_file(part, 0o666))
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
        As `complete_file`.
    """
    with complete_file(path) as part:
        part.write_bytes(data)
    return path


def write_text(path: Path, text: str) -> Path:
    """Put a text in a file's place, whole or not at all; UTF-8, line ends as they are.

    Raises
    ------
    OSError
        As `complete_file`.
    """
    return write_bytes(path, text.encode("utf-8"))


def open_file(path: Path, *, through_links: bool = False) -> BinaryIO:
    """Open an ordinary file for reading bytes.

    Parameters
    ----------
    through_links : bool
        Links inside a campaign are followed: for camera files, which may lie elsewhere.

    Raises
    ------
    FileRefused
        It is a pipe, a device, a folder, or reached through a link inside a campaign.
    OSError
        It is not there or may not be read.
    """
    path = Path(path)
    if not through_links:
        refuse_links(path)
    # Without O_NONBLOCK, opening a pipe waits until somebody writes to it.
    flags = os.O_RDONLY | getattr(os, "O_BINARY", 0) | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOCTTY", 0)
    try:
        fd = os.open(path, flags)
    except OSError as err:
        _refuse_other_kinds(path, err)
        raise
    try:
        _refuse_kind(path, os.fstat(fd).st_mode)
        if os.name != "nt":
            os.set_blocking(fd, True)
        return os.fdopen(fd, "rb")
    except BaseException:
        os.close(fd)
        raise


def read_bytes(path: Path, max_bytes: int = MAX_BYTES, *, through_links: bool = False) -> bytes:
    """An ordinary file, read into memory.

    Raises
    ------
    FileRefused
        As `open_file`; or it is longer than `max_bytes`.
    OSError
        As `open_file`.
    """
    with open_file(path, through_links=through_links) as file:
        # As much as is there: `read` makes room for all that it is asked for.
        size_bytes = os.fstat(file.fileno()).st_size
        data = file.read(min(size_bytes, max_bytes) + 1)
        if size_bytes < len(data) <= max_bytes:  # it has grown since
            data += file.read(max_bytes + 1 - len(data))
    if len(data) > max_bytes:
        raise FileRefused(f"{path}: {path.stat().st_size} bytes; expected at most {max_bytes}.", path=path)
    return data


def read_text(path: Path, max_bytes: int = MAX_BYTES) -> str:
    """A UTF-8 text, without its byte order mark; line ends as they are.

    Raises
    ------
    FileRefused, OSError
        As `read_bytes`.
    UnicodeDecodeError
        It is not UTF-8.
    """
    return read_bytes(path, max_bytes).decode("utf-8-sig")


def is_file(path: Path) -> bool:
    """Whether an ordinary file is there, not a link to one."""
    return _mode(path, stat.S_ISREG)


def is_folder(path: Path) -> bool:
    """Whether a folder is there, not a link to one."""
    return _mode(path, stat.S_ISDIR)


def _mode(path: Path, is_kind) -> bool:
    try:
        status = os.lstat(path)
    except (OSError, ValueError):
        return False
    return is_kind(status.st_mode) and not _is_link(status)


def refuse_links(path: Path, below: Path | None = None) -> None:
    """Refuse a path that leads out of a campaign, or of a flight's folder, through a link.

    Parameters
    ----------
    below : Path, optional
        Folder whose contents are checked; the outermost one above `path` that holds a campaign or a flight if not
        given. That folder itself may be reached through a link: it is the one that the user named.

    Raises
    ------
    FileRefused
        A part of the path is a link; names it. What is not there is no link.
    """
    full = Path(os.path.abspath(path))
    if below is None:
        ours = [folder for folder in full.parents if any(_there(folder / name) for name in OUR_FILES)]
        if not ours:
            return
        below = ours[-1]
    inside = Path(os.path.abspath(below))
    for part in full.relative_to(inside).parts:
        inside /= part
        try:
            status = os.lstat(inside)
        except OSError:
            return
        if _is_link(status):
            raise FileRefused(
                f"{inside}: is a link; links inside a campaign are not followed.",
                hint="Put the file or folder itself in its place.",
                path=inside,
            )


def _there(path: Path) -> bool:
    try:
        return stat.S_ISREG(os.stat(path).st_mode) or os.path.islink(path)
    except (OSError, ValueError):
        return os.path.islink(path)


def _is_link(status: os.stat_result) -> bool:
    mount_point = getattr(stat, "IO_REPARSE_TAG_MOUNT_POINT", -1)
    return stat.S_ISLNK(status.st_mode) or getattr(status, "st_reparse_tag", 0) == mount_point


def _refuse_kind(path: Path, mode: int) -> None:
    if not stat.S_ISREG(mode):
        what = next((words for is_kind, words in _KINDS if is_kind(mode)), "not an ordinary file")
        raise FileRefused(f"{path}: is {what}; expected a file.", path=path)


def _refuse_other_kinds(path: Path, err: OSError) -> None:
    """A folder or a socket cannot be opened at all: say what it is."""
    with suppress(OSError):
        mode = os.stat(path).st_mode
        if err.errno not in (errno.EACCES, errno.EPERM):
            _refuse_kind(path, mode)


def create_file(path: Path, mode: int = 0o600) -> int:
    """A new file, open for writing; what is there already is never opened.

    Returns
    -------
    int
        Its descriptor.

    Raises
    ------
    FileRefused
        Its folder is reached through a link inside a campaign.
    OSError
        Something is there already, or the disk refuses.
    """
    refuse_links(Path(path).parent)
    return os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), mode)


def make_folder(path: Path, mode: int = 0o777, *, parents: bool = True) -> None:
    """Make a folder if it is not there.

    Raises
    ------
    FileRefused
        It, or a folder above it in a campaign, is a link.
    OSError
        It cannot be made.
    """
    refuse_links(path)
    path.mkdir(mode=mode, parents=parents, exist_ok=True)


def remove_file(path: Path, *, missing_ok: bool = False) -> None:
    """Remove a file, or a link in its place but never what the link leads to.

    Raises
    ------
    FileRefused
        Its folder is reached through a link inside a campaign.
    OSError
        It cannot be removed.
    """
    refuse_links(Path(path).parent)
    Path(path).unlink(missing_ok=missing_ok)


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
    """Remove what killed programs left, a day later: nobody can still be writing it.

    Parameters
    ----------
    pattern : str
        Names of temporary files or folders (`plain` makes a name of our own harmless in it).
    """
    before_s = time.time() - LEFT_BEHIND_S
    for old in Path(folder).glob(pattern):
        with suppress(OSError):
            if os.lstat(old).st_mtime < before_s:
                shutil.rmtree(old) if is_folder(old) else remove_file(old)


def plain(text: str) -> str:
    """A name in which no sign stands for others in a pattern.

    Examples
    --------
    >>> plain("day[1]")
    'day[[]1]'
    """
    return "".join(f"[{sign}]" if sign in "*?[" else sign for sign in text)

"""A file is the old one or the new one, whatever happens between; the disk has it before it is said.

The order (bytes on the disk, then the name, then the folder's list) is that of POSIX.1-2017: `fsync`
"transfers all data for the open file descriptor", `rename` replaces "atomically", and a folder is a
file of its own whose changes need their own `fsync` (Linux man-pages, fsync(2), NOTES).
"""

import errno
import os
import time
import tracemalloc

import pytest

from logger_app.errors import FileRefused
from logger_app.io import files as files_io
from logger_app.io.files import LEFT_BEHIND_S, complete_file, write_bytes, write_text


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def test_bytes_come_to_the_disk_before_the_name_and_the_name_before_we_say_so(tmp_path, monkeypatch):
    done = []
    real_sync, real_replace = os.fsync, os.replace

    def fsync(fd):
        done.append("folder" if os.path.samestat(os.fstat(fd), tmp_path.stat()) else "bytes")
        real_sync(fd)

    monkeypatch.setattr(files_io.os, "fsync", fsync)
    monkeypatch.setattr(files_io.os, "replace", lambda a, b: (done.append("name"), real_replace(a, b)))
    write_text(tmp_path / "a.txt", "new\n")

    assert done == ["bytes", "name", "folder"]
    assert (tmp_path / "a.txt").read_bytes() == b"new\n"
    assert names(tmp_path) == ["a.txt"]


@pytest.mark.parametrize(
    "error", [OSError(errno.ENOSPC, "No space left on device"), ValueError("x"), KeyboardInterrupt()]
)
def test_a_fault_in_the_middle_leaves_the_old_file_and_nothing_beside_it(tmp_path, error):
    file = write_bytes(tmp_path / "a.bin", b"old")

    with pytest.raises(type(error)), complete_file(file) as part:
        part.write_bytes(b"ne")
        raise error

    assert file.read_bytes() == b"old"
    assert names(tmp_path) == ["a.bin"]


def test_an_error_names_the_file_that_was_wanted_not_the_temporary_one(tmp_path):
    with pytest.raises(FileNotFoundError) as told:
        write_text(tmp_path / "gone" / "a.txt", "x")

    assert told.value.filename == str(tmp_path / "gone" / "a.txt")
    assert not (tmp_path / "gone").exists()


def test_an_error_about_another_file_keeps_its_name(tmp_path):
    with pytest.raises(FileNotFoundError) as told, complete_file(tmp_path / "a.txt"):
        (tmp_path / "source.txt").read_text()

    assert told.value.filename == str(tmp_path / "source.txt")


@pytest.mark.skipif(os.name == "nt", reason="rights of files are POSIX's")
def test_the_rights_of_the_older_file_are_kept(tmp_path):
    file = write_text(tmp_path / "a.txt", "mine alone")
    file.chmod(0o600)

    write_text(file, "still")

    assert file.stat().st_mode & 0o777 == 0o600


def test_the_temporary_file_has_the_suffix_by_which_libraries_choose_a_format(tmp_path):
    with complete_file(tmp_path / "clip.mp4") as part:
        assert part.suffix == ".mp4" and part.parent == tmp_path


def test_what_a_killed_program_left_is_cleared_a_day_later_and_not_before(tmp_path):
    fresh, old, other = (tmp_path / name for name in (".a.11-1.part.txt", ".a.12-1.part.txt", ".b.13-1.part.txt"))
    for left in (fresh, old, other):
        left.write_text("half")
        os.utime(left, (0, time.time() - LEFT_BEHIND_S - 60) if left != fresh else None)
    write_text(tmp_path / "a.txt", "new")

    assert names(tmp_path) == [fresh.name, other.name, "a.txt"]


def test_a_name_with_signs_of_patterns_clears_only_its_own(tmp_path):
    mine, yours = tmp_path / ".[ab].12-1.part.txt", tmp_path / ".a.12-1.part.txt"
    for left in (mine, yours):
        left.write_text("half")
        os.utime(left, (0, 0))
    write_text(tmp_path / "[ab].txt", "new")

    assert names(tmp_path) == [yours.name, "[ab].txt"]


def test_a_small_file_takes_little_memory_however_long_it_might_be(tmp_path):
    file = write_bytes(tmp_path / "a.bin", b"x" * 1000)
    tracemalloc.start()
    try:
        assert files_io.read_bytes(file, 400_000_000) == b"x" * 1000
        assert tracemalloc.get_traced_memory()[1] < 1_000_000
    finally:
        tracemalloc.stop()


def test_what_a_file_has_grown_by_since_it_was_measured_is_read_too(tmp_path, monkeypatch):
    file = write_bytes(tmp_path / "a.bin", b"x" * 1000)
    real = os.fstat
    short = lambda fd: os.stat_result((*real(fd)[:6], 10, *real(fd)[7:]))
    monkeypatch.setattr(files_io.os, "fstat", short)

    assert files_io.read_bytes(file) == b"x" * 1000
    assert files_io.read_bytes(file, 1000) == b"x" * 1000
    with pytest.raises(FileRefused):
        files_io.read_bytes(file, 999)

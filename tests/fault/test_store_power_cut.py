"""A power cut, played with a file system on a loop file: what had not reached the disk is gone.

The writer is stopped, the backing file is copied as the disk would be found, and the copy is
mounted: the first file system's page cache is not in it. Everything that was acknowledged must be.
Needs to be root with loop devices; elsewhere the same promise is checked on the calls that keep it.
"""

import os
import random
import shutil
import signal
import subprocess
import sys
import time

import numpy as np
import pytest

from logger_app.io import files as files_io
from logger_app.logstore import audio_io
from logger_app.logstore.audio_io import RATE_HZ, SegmentWriter, read_sound, sound_duration_s
from logger_app.logstore.recover import readable_rows, verify
from logger_app.logstore.store import Journal
from logger_app.records.journal import FlightInfo, RowKind

WRITER = """
import sys
import numpy as np
from pathlib import Path
from logger_app.logstore.store import Journal
from logger_app.logstore.audio_io import SegmentWriter
from logger_app.records.journal import FlightInfo, JournalRow, RowKind

folder = Path(sys.argv[1])
journal = Journal.create(folder, FlightInfo(id="day1", configuration="baseline"))
sound = SegmentWriter(folder, journal, segment_s=1)
k = 0
while True:
    body = {"start_ns": k, "end_ns": k, "text": "x" * (k * 97 % 3000)}
    journal.append([JournalRow(id=f"n{k}", flight_ns=k, utc="", kind=RowKind.NOTE, body=body)])
    sound.write(np.arange(8000 * k, 8000 * (k + 1)).astype(np.int16))
    k += 1
    print(k, sound.samples, flush=True)
"""


def _mounted(image, place) -> bool:
    return (
        subprocess.run(["mount", "-o", "loop", str(image), str(place)], capture_output=True, check=False).returncode
        == 0
    )


@pytest.fixture
def disk(tmp_path):
    """A small file system of its own; None where this user may not mount one."""
    image, place, again = tmp_path / "image", tmp_path / "disk", tmp_path / "found"
    place.mkdir()
    again.mkdir()
    if os.name == "nt" or os.geteuid() != 0 or not shutil.which("mkfs.ext4"):
        yield None
        return
    with image.open("wb") as file:
        file.truncate(48 << 20)
    subprocess.run(["mkfs.ext4", "-q", str(image)], check=True)
    if not _mounted(image, place):
        yield None
        return
    yield image, place, again
    for folder in (place, again):
        subprocess.run(["umount", str(folder)], capture_output=True, check=False)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2])
def test_what_was_acknowledged_is_on_the_disk(disk, tmp_path, seed):
    if disk is None:
        _promise_kept_by_calls(tmp_path)
        return
    image, place, again = disk
    writer = subprocess.Popen([sys.executable, "-c", WRITER, str(place / "day1")], stdout=subprocess.PIPE, text=True)
    first = writer.stdout.readline()
    time.sleep(random.Random(seed).uniform(0.5, 1.5))
    writer.send_signal(signal.SIGSTOP)
    found = tmp_path / "copy"
    shutil.copyfile(image, found)
    writer.send_signal(signal.SIGKILL)
    rows_acked, samples_acked = map(int, (first + writer.stdout.read()).split("\n")[-2].split())
    writer.wait()
    assert _mounted(found, again)
    flight = again / "day1"
    notes = [row for row in readable_rows(flight)[0] if row.kind is RowKind.NOTE]

    print(f"acknowledged {rows_acked} rows and {samples_acked} samples; found {len(notes)} rows")
    assert verify(flight).ok
    assert len(notes) >= rows_acked
    assert sound_duration_s(flight) * RATE_HZ >= samples_acked
    sound = read_sound(flight, 0, samples_acked / RATE_HZ)
    assert np.array_equal(sound, np.arange(samples_acked).astype(np.int16))


def _promise_kept_by_calls(tmp_path):
    """Half a second of sound is never left without a sync, nor a new file without one of its folder."""
    unsynced, synced_folders = [0], []
    real_write, real_sync, real_folder = os.write, files_io.sync_data, files_io.sync_folder

    def write(fd, data):
        unsynced[0] += len(data)
        return real_write(fd, data)

    def sync(fd):
        unsynced[0] = 0
        real_sync(fd)

    def folder(path):
        synced_folders.append(path.name)
        real_folder(path)

    patch = pytest.MonkeyPatch()
    patch.setattr(audio_io.os, "write", write)
    patch.setattr(audio_io, "sync_data", sync)
    patch.setattr(audio_io, "sync_folder", folder)
    with patch.context(), Journal.create(tmp_path / "day1", FlightInfo(id="day1", configuration=None)) as journal:
        writer = SegmentWriter(tmp_path / "day1", journal, segment_s=1)
        for _ in range(30):
            writer.write(np.ones(1600, np.int16))
            assert unsynced[0] < RATE_HZ
        assert synced_folders.count("audio") == 3
        assert journal._connection.execute("PRAGMA synchronous").fetchone()[0] == 2
    patch.undo()

"""kill -9, a full disk, torn tails and flipped bytes: nothing accepted is lost, what is damaged is named."""

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from logger_app.errors import LogDamaged, LogError
from logger_app.logstore.audio_io import HEADER_BYTES, RATE_HZ, SegmentWriter, read_sound, sound_duration_s
from logger_app.logstore.recover import forget_sound, readable_rows, rescue, verify
from logger_app.logstore.schema import JOURNAL_FILE
from logger_app.logstore.store import Journal
from logger_app.records.journal import FlightInfo, JournalRow, RowKind

INFO = FlightInfo(id="day1", configuration="baseline", fuel_l=70.0)

WRITER = """
import sys
import numpy as np
from pathlib import Path
from logger_app.logstore.store import Journal
from logger_app.logstore.audio_io import SegmentWriter
from logger_app.records.journal import FlightInfo, JournalRow, RowKind

folder = Path(sys.argv[1])
if (folder / "flight.sqlite").exists():
    journal = Journal.open(folder)
else:
    journal = Journal.create(folder, FlightInfo(id="day1", configuration="baseline"))
sound = SegmentWriter(folder, journal, segment_s=2)
k = sum(1 for _ in journal.rows(RowKind.NOTE))
while True:
    body = {"start_ns": k, "end_ns": k, "text": "x" * (k * 97 % 6000)}
    journal.append([JournalRow(id=f"n{k}", flight_ns=k, utc="", kind=RowKind.NOTE, body=body)])
    sound.write(np.arange(k, k + 4000, dtype=np.int64).astype(np.int16))
    k += 1
    print(k, sound.samples, flush=True)
"""


def note(k, length=None):
    body = {"start_ns": k, "end_ns": k, "text": "x" * (length if length is not None else 97 * k % 700)}
    return JournalRow(id=f"n{k}", flight_ns=k, utc="2027-04-11T09:00:00Z", kind=RowKind.NOTE, body=body)


def pcm(seconds, seed=1):
    return np.random.default_rng(seed).integers(-2000, 2000, round(seconds * RATE_HZ)).astype(np.int16)


@pytest.fixture
def flight(tmp_path):
    folder = tmp_path / "day1"
    with Journal.create(folder, INFO) as journal:
        for k in range(0, 300, 50):
            journal.append([note(n) for n in range(k, k + 50)])
        with SegmentWriter(folder, journal, segment_s=2) as writer:
            writer.write(pcm(5))
    return folder


def test_kill_9_of_the_writer_loses_nothing_that_was_acknowledged(tmp_path):
    folder = tmp_path / "day1"
    rng = random.Random(4)
    for _ in range(5):
        writer = subprocess.Popen([sys.executable, "-c", WRITER, str(folder)], stdout=subprocess.PIPE, text=True)
        first = writer.stdout.readline()
        time.sleep(rng.uniform(0.02, 0.4))
        writer.send_signal(signal.SIGKILL)
        # The last line may be cut off; on a busy machine the first is all there is.
        rows_acked, samples_acked = map(int, (first + writer.stdout.read()).split("\n")[-2].split())
        writer.wait()
        notes = [row for row in readable_rows(folder)[0] if row.kind is RowKind.NOTE]
        health = verify(folder)

        assert health.ok, health.faults
        assert [row.id for row in notes] == [f"n{k}" for k in range(len(notes))]
        assert len(notes) >= rows_acked
        assert sound_duration_s(folder) * RATE_HZ >= samples_acked
        tail = read_sound(folder, (samples_acked - 4000) / RATE_HZ, samples_acked / RATE_HZ)
        assert np.array_equal(tail, np.arange(tail[0], tail[0] + 4000).astype(np.int16))


def test_a_full_disk_is_one_sentence_and_nothing_is_half_written(tmp_path):
    """The limit on the size of a file stands in for the disk: same failing write, no root needed."""
    code = f"""
import resource, signal
from pathlib import Path
from logger_app.errors import LogError
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
exec(open({str(Path(__file__))!r}).read().split("@pytest.fixture")[0])
folder = Path({str(tmp_path / "day1")!r})
journal = Journal.create(folder, INFO)
resource.setrlimit(resource.RLIMIT_FSIZE, (150_000, 150_000))
done = 0
try:
    while True:
        journal.append([note(done, 300), note(done + 1, 300)])
        done += 2
except LogError as err:
    print(done, "|", err)
"""
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    done, _, sentence = shown.stdout.partition("|")
    rows, lost = readable_rows(tmp_path / "day1")

    assert shown.returncode == 0, shown.stderr
    assert str(tmp_path / "day1") in sentence
    assert "\n" not in sentence.strip()
    assert lost == []
    assert [row.id for row in rows[1:]] == [f"n{k}" for k in range(int(done))]
    with Journal.open(tmp_path / "day1") as journal:
        journal.append([note(100_000)])


def test_flipped_bytes_in_the_journal_are_named_and_the_rest_is_saved(flight, tmp_path):
    whole = {row.id: row for row in readable_rows(flight)[0]}
    clean = (flight / JOURNAL_FILE).read_bytes()
    rng = random.Random(9)
    named = 0
    for trial in range(60):
        data = bytearray(clean)
        at = rng.randrange(len(data))
        data[at] ^= 1 << rng.randrange(8)
        copy = tmp_path / f"t{trial}"
        shutil.copytree(flight, copy)
        (copy / JOURNAL_FILE).write_bytes(data)
        rows, lost = readable_rows(copy)
        for row in rows:
            assert row == whole[row.id]
        assert len(rows) + len(lost) == len(whole) or not rows
        # One flipped bit harms at most one page, which holds fewer than 25 of these rows.
        assert len(whole) - len(rows) < 25, f"byte {at}"
        if len(rows) < len(whole):
            assert not verify(copy).ok
            named += 1
        shutil.rmtree(copy)
    assert named > 10


@pytest.mark.parametrize("cut", [0, 50, 100, 4096, 6000, 40_000])
def test_a_journal_torn_at_its_head_is_carved_out_page_by_page(flight, tmp_path, cut):
    path = flight / JOURNAL_FILE
    data = path.read_bytes()
    path.write_bytes(os.urandom(cut) + data[cut:])
    rows, _ = readable_rows(flight)

    assert len(rows) >= (len(data) - cut) / len(data) * 307 - 30
    if cut:
        with pytest.raises(LogDamaged):
            list(Journal.open(flight, read_only=True).rows())
        done = rescue(flight, tmp_path / "saved")
        with Journal.open(tmp_path / "saved") as journal:
            saved = {row.id for row in journal.rows()}
        assert {row.id for row in rows if row.kind is RowKind.NOTE} <= saved
        assert done.rows_saved == len(rows)
        assert verify(tmp_path / "saved").ok


@pytest.mark.parametrize("part", ["journal", "wal"])
def test_a_torn_tail_leaves_a_prefix(tmp_path, part):
    folder = tmp_path / "day1"
    journal = Journal.create(folder, INFO)
    for k in range(120):
        journal.append([note(k)])
    copy = tmp_path / "copy"
    rng = random.Random(3)
    for _ in range(15):
        shutil.rmtree(copy, ignore_errors=True)
        shutil.copytree(folder, copy)
        torn = copy / (JOURNAL_FILE + ("-wal" if part == "wal" else ""))
        with torn.open("rb+") as file:
            file.truncate(rng.randrange(torn.stat().st_size))
        rows, lost = readable_rows(copy)
        ids = [row.id for row in rows if row.kind is RowKind.NOTE]
        if part == "wal":
            assert lost == []
        assert ids == [f"n{k}" for k in range(120)][: len(ids)] or lost
    journal.close()


def test_flipped_and_missing_sound_is_named_to_the_second(flight, tmp_path):
    segment = flight / "audio/0001.wav"
    data = bytearray(segment.read_bytes())
    data[HEADER_BYTES + 2 * RATE_HZ + 10] ^= 64  # second 3 of the flight: segment 1 begins at 2 s
    segment.write_bytes(data)
    (flight / "audio/0002.wav").unlink()
    faults = verify(flight).faults
    done = rescue(flight, tmp_path / "saved")

    assert len(faults) == 2
    assert "0001.wav" in faults[0].where and "flight time 3 to 4 s" in faults[0].got
    assert "0002.wav" in faults[1].where and faults[1].got == "no file"
    assert [(gap.start_ns, gap.end_ns) for gap in done.sound_lost] == [(3 * 10**9, 4 * 10**9), (4 * 10**9, 5 * 10**9)]
    assert np.array_equal(read_sound(tmp_path / "saved", 0, 3), pcm(5)[: 3 * RATE_HZ])
    with Journal.open(tmp_path / "saved") as journal:
        assert len(list(journal.rows(RowKind.GAP))) == 2


def test_sound_is_saved_even_when_the_journal_is_gone(flight, tmp_path):
    (flight / JOURNAL_FILE).unlink()
    rescue(flight, tmp_path / "saved")

    assert np.array_equal(read_sound(tmp_path / "saved", 0, 9), pcm(5))


def test_rescue_never_writes_over_anything(flight, tmp_path):
    (tmp_path / "there").mkdir()
    with pytest.raises(LogError, match="already exists"):
        rescue(flight, tmp_path / "there")
    with pytest.raises(LogError, match="nothing to save"):
        rescue(tmp_path / "there", tmp_path / "new")
    assert not (tmp_path / "new").exists()


def test_rescue_of_a_whole_flight_is_the_same_flight(flight, tmp_path):
    done = rescue(flight, tmp_path / "saved")
    with Journal.open(tmp_path / "saved", read_only=True) as journal:
        info, notes = journal.info, [row.body for row in journal.rows(RowKind.NOTE)][:-1]
    with Journal.open(flight, read_only=True) as journal:
        assert info == journal.info
        assert notes == [row.body for row in journal.rows(RowKind.NOTE)]
    assert (done.lost_rows, done.sound_lost) == ((), ())


def test_forgotten_sound_is_gone_its_length_and_the_calls_stay(flight):
    before = [row for row in readable_rows(flight)[0] if row.kind is RowKind.NOTE]
    removed = forget_sound(flight, "a pilot", "asked to")
    rows = readable_rows(flight)[0]

    assert removed == ["audio/0000.wav", "audio/0001.wav", "audio/0002.wav"]
    assert list((flight / "audio").iterdir()) == []
    assert len(read_sound(flight, 0, 5)) == 0
    assert sound_duration_s(flight) == pytest.approx(5)
    assert [row for row in rows if row.kind is RowKind.NOTE] == before
    assert [(r.body["who"], r.body["why"]) for r in rows if r.kind is RowKind.ERASED] == [("a pilot", "asked to")]
    assert verify(flight).ok
    assert forget_sound(flight, "a pilot") == []


def test_forgetting_that_was_cut_short_is_named_and_can_be_finished(flight):
    shutil.copytree(flight / "audio", flight.parent / "kept")
    forget_sound(flight, "a pilot")
    shutil.copy(flight.parent / "kept/0001.wav", flight / "audio/0001.wav")
    health = verify(flight)

    assert [fault.got for fault in health.faults] == ["sound that should have been removed"]
    assert forget_sound(flight, "a pilot") == ["audio/0001.wav"]
    assert verify(flight).ok


@pytest.mark.skipif(os.name == "nt", reason="needs a second user id")
def test_a_folder_that_cannot_be_written_is_read_with_the_log_that_a_crash_left(tmp_path):
    folder = tmp_path / "day1"
    journal = Journal.create(folder, INFO)
    journal.append([note(k) for k in range(5)])
    copy = tmp_path / "copy"
    shutil.copytree(folder, copy, ignore=shutil.ignore_patterns("*-shm"))
    journal.close()
    assert (copy / f"{JOURNAL_FILE}-wal").stat().st_size
    for path in [copy, *copy.iterdir()]:
        path.chmod(0o555 if path.is_dir() else 0o444)
    tmp_path.chmod(0o755)
    for parent in tmp_path.parents:
        if parent.name.startswith(("pytest-", "popen-")):  # popen-: of a worker
            parent.chmod(0o755)
    code = f"""
import os
from pathlib import Path
from logger_app.errors import LogError
from logger_app.logstore.store import Journal
if os.geteuid() == 0:  # for whom every folder can be written
    os.setgid(65534)
    os.setuid(65534)
folder = Path({str(copy)!r})
print(len(list(Journal.open(folder, read_only=True).rows())))
try:
    Journal.open(folder)
except LogError as err:
    print(err)
"""
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=os.environ | {"HOME": "/"})

    assert shown.stdout.startswith("6\n"), shown.stderr
    assert "cannot be written" in shown.stdout
    assert sorted(path.name for path in copy.iterdir()) == ["flight.lock", JOURNAL_FILE, f"{JOURNAL_FILE}-wal"]
    copy.chmod(0o755)

"""A terminal stopped with Ctrl-S, or a sound server that hangs, held up the journal and the end of the flight."""

import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest

from logger_app.fly.flight_records import Intent
from logger_app.io.outlet import DirectText, Outlet
from logger_app.logstore.store import Journal
from logger_app.records.calls import CallKind, HeardCall
from logger_app.records.journal import RowKind
from logger_app.records.plan import Aircraft, AircraftConfig, Campaign
from logger_app.units import RATE_HZ, s_to_ns
from logger_app.workflows.flight_session import FlightSession, open_flight
from logger_app.workflows.flight_session import landing as limits
from logger_app.workflows.flight_session.messages import Called

CAMPAIGN = Campaign(
    name="test",
    aircraft=Aircraft(name="test", empty_weight_kg=400, reference_weight_kg=600, max_weight_kg=640, wing_area_m2=12),
    configurations=(AircraftConfig(id="plain", name="plain"),),
)
ROOT = Path(__file__).resolve().parents[2]


class FrozenSpeaker:
    """A loudspeaker that never answers."""

    trouble = ""

    def __init__(self):
        self.asked = threading.Event()

    def play(self, pcm):
        self.asked.set()
        threading.Event().wait()


@pytest.fixture
def short_limits(monkeypatch):
    for name in ("TONES_S", "PRINTING_S", "CORE_S"):
        monkeypatch.setattr(limits, name, 0.2 if name != "CORE_S" else 20.0)


def session_of(tmp_path, **options):
    return FlightSession(CAMPAIGN, open_flight(CAMPAIGN, tmp_path, "f1"), microphone=None, engine=None, **options)


def call(at_s):
    return HeardCall(
        id="x",
        start_ns=s_to_ns(at_s),
        end_ns=s_to_ns(at_s + 0.4),
        kind=CallKind.AIRSPEED,
        name="ias",
        value=60.0,
        unit="kt",
        words="sixty",
    )


def rows_on_disk(tmp_path):
    with Journal.open(tmp_path / "flights" / "f1", read_only=True) as journal:
        return list(journal.rows())


def until(condition, timeout_s=60.0):
    end_s = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < end_s
        time.sleep(0.01)


def test_a_printer_that_blocks_holds_up_no_call_and_no_landing(tmp_path, short_limits):
    blocked = threading.Event()

    def stopped(rows, runs):
        blocked.set()
        threading.Event().wait()

    session = session_of(tmp_path, on_rows=stopped)
    session.start()
    session._inbox.put(Called(call(0.0)))
    assert blocked.wait(60)
    for k in range(1, 30):
        session._inbox.put(Called(call(2.0 * k)))
    until(lambda: sum(row.kind is RowKind.CALL for row in rows_on_disk(tmp_path)) == 30)
    landing = session.stop(landed=True)

    rows = rows_on_disk(tmp_path)
    assert rows[-1].body["step"] == "landed"
    assert landing.late == ("Printing",)
    assert landing.rows_not_printed == len([row for row in rows if row.kind is not RowKind.FLIGHT])
    assert any(f"{landing.rows_not_printed} rows were not printed" in sentence for sentence in landing.sentences())


def test_a_loudspeaker_that_does_not_answer_holds_up_nothing(tmp_path, short_limits):
    speaker = FrozenSpeaker()
    session = session_of(tmp_path, speaker=speaker)
    session.start()
    session.touch(Intent.MARK)
    assert speaker.asked.wait(60)
    for k in range(20):
        session.touch(Intent.HOLD if k % 2 else Intent.RESUME)
        session._inbox.put(Called(call(2.0 * k)))
    until(lambda: sum(row.kind is RowKind.CALL for row in rows_on_disk(tmp_path)) == 20)
    landing = session.stop(landed=True)

    rows = rows_on_disk(tmp_path)
    mark = next(row.body for row in rows if row.kind is RowKind.MARK)
    assert mark["played"] is False
    assert [row.body["step"] for row in rows if row.kind is RowKind.STEP][-1] == "landed"
    assert landing.late == ("Tones (the loudspeaker)",)
    assert landing.tones_not_played > 10


def test_a_mark_that_is_played_late_says_when(tmp_path):
    class Speaker:
        trouble = ""

        def play(self, pcm):
            return 0.25

    session = session_of(tmp_path, speaker=Speaker())
    session.start()
    session.touch(Intent.MARK)
    until(lambda: any(row.kind is RowKind.MARK for row in rows_on_disk(tmp_path)))
    session.stop(landed=True)

    rows = rows_on_disk(tmp_path)
    step = next(row for row in rows if row.kind is RowKind.STEP and row.body["step"] == "mark")
    mark = next(row for row in rows if row.kind is RowKind.MARK)
    assert mark.body["played"] is True
    assert mark.flight_ns - step.flight_ns >= s_to_ns(0.25)


def test_an_outlet_counts_what_it_loses():
    free, got = threading.Event(), []

    def deliver(item):
        free.wait()
        if item == 1:
            raise ValueError("one")
        got.append(item)

    outlet = Outlet("test", deliver, limit=4)
    outlet.start()
    until(lambda: outlet.offer(0) and outlet.stuck_s > 0)
    lost = [item for item in range(1, 10) if not outlet.offer(item)]
    free.set()

    assert outlet.finish(60.0)
    assert sorted(got + lost + [1]) == sorted([0] * got.count(0) + list(range(1, 10)))
    assert outlet.lost == len(lost) + 1
    assert str(outlet.failure) == "one"


def test_what_waited_too_long_is_not_delivered():
    first, got = threading.Event(), []

    def deliver(item):
        got.append(item)
        first.wait()

    outlet = Outlet("test", deliver, limit=10, max_age_s=0.0)
    outlet._max_age_s = 60.0
    outlet.start()
    outlet.offer("now")
    until(lambda: got == ["now"])
    outlet.offer("late")
    outlet._max_age_s = -1.0
    first.set()

    assert outlet.finish(60.0)
    assert (got, outlet.lost) == (["now"], 1)


def test_text_goes_past_a_library_that_hides_standard_error(tmp_path):
    with (tmp_path / "err").open("w") as stream, (tmp_path / "null").open("w") as null:
        write = DirectText(stream)
        kept = os.dup(stream.fileno())
        os.dup2(null.fileno(), stream.fileno())
        write("an alarm\n")
        os.dup2(kept, stream.fileno())
        os.close(kept)

    assert (tmp_path / "err").read_text() == "an alarm\n"


def test_a_closed_stream_is_an_error_and_not_another_file(tmp_path):
    with pytest.raises(OSError, match="closed"):
        DirectText(None)("a row\n")


@pytest.mark.skipif(os.name != "posix", reason="file numbers of POSIX")
def test_files_opened_later_do_not_take_the_place_of_closed_standard_ones(tmp_path):
    """ALSA complains on standard error: into a recording that had got its number."""
    code = (
        "import os, sys; from logger_app.__main__ import main\n"
        "try:\n    main(['--version'])\nexcept SystemExit:\n    pass\n"
        f"fd = os.open({str(tmp_path / 'file')!r}, os.O_WRONLY | os.O_CREAT)\n"
        "os._exit(0 if fd > 2 else 7)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=ROOT,
        check=False,
        stdin=subprocess.DEVNULL,
        preexec_fn=lambda: (os.close(1), os.close(2)),
    )

    assert done.returncode == 0


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="pipes of POSIX")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, getattr(signal, "SIGHUP", signal.SIGTERM)])
def test_a_flight_with_a_full_pipe_ends_when_asked(tmp_path, number):
    import fcntl

    from logger_app.io.sound import write_flac

    demo = ROOT / "demo_sessions" / "sparrow_cuffs" / "inputs" / "campaign.toml"
    (tmp_path / "c").mkdir()
    (tmp_path / "c" / "campaign.toml").write_bytes(demo.read_bytes())
    write_flac(tmp_path / "tape.flac", np.random.default_rng(1).integers(-300, 300, 60 * RATE_HZ).astype(np.int16))
    ours, theirs = os.pipe()
    fcntl.fcntl(theirs, fcntl.F_SETPIPE_SZ, 4096)
    os.write(theirs, b"." * 4096)
    words = [
        "fly",
        tmp_path / "c",
        "--flight",
        "day1_baseline",
        "--no-screen",
        "--json",
        "--audio",
        tmp_path / "tape.flac",
    ]
    process = subprocess.Popen(
        [sys.executable, "-m", "logger_app", *map(str, words)],
        cwd=ROOT,
        stdout=theirs,
        stderr=subprocess.PIPE,
        text=True,
    )
    flight = tmp_path / "c" / "flights" / "day1_baseline"
    until(lambda: (flight / "audio" / "0000.wav").is_file(), 60)
    process.send_signal(number)
    _, said = process.communicate(timeout=60)
    os.close(ours)
    os.close(theirs)

    assert process.returncode == 130, said
    assert "not printed" in said
    with Journal.open(flight, read_only=True) as journal:
        steps = [row.body["step"] for row in journal.rows(RowKind.STEP)]
    assert steps[-1] == ("landed" if number == signal.SIGINT else "card")

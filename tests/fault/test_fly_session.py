"""The flight session with everything that can go wrong: disk, microphone, recogniser, clock, restart.

The recogniser here is a script (what is said when); the sound and the disk are real.
"""

import threading
import time

import numpy as np
import pytest

from logger_app.errors import CardError, LogError
from logger_app.fly.capture.audio_writer import JOURNAL_BYTES
from logger_app.fly.capture.mic import BLOCK_SAMPLES, RATE_HZ
from logger_app.fly.flight_records import Intent, Phase
from logger_app.logstore.audio_io import read_sound, sound_duration_s
from logger_app.logstore.store import Journal
from logger_app.records.calls import CallKind, HeardCall
from logger_app.records.journal import RowKind
from logger_app.records.plan import Aircraft, AircraftConfig, Campaign, PlannedFlight, TestCard, TestPoint
from logger_app.units import NS_PER_S, s_to_ns
from logger_app.workflows.flight_session import (
    AWAY_NS,
    FlightClock,
    FlightSession,
    open_flight,
    replay,
    unfinished_flight,
)

POINTS = (TestPoint(id="A1", card="A", runs_wanted=2), TestPoint(id="A2", card="A", flap_deg=15, runs_wanted=1))
CAMPAIGN = Campaign(
    name="test",
    aircraft=Aircraft(name="test", empty_weight_kg=400, reference_weight_kg=600, max_weight_kg=640, wing_area_m2=12),
    configurations=(AircraftConfig(id="plain", name="plain"), AircraftConfig(id="cuffs", name="c", parent="plain")),
    cards=(TestCard(id="A", title="A", points=POINTS),),
    flights=(PlannedFlight(id="f1", configuration="plain"), PlannedFlight(id="f2", configuration="cuffs")),
)
EVENTS = {"on_condition", "break", "recovered", "buffet"}
RUN = [(2, "on_condition"), (4, 56), (5.5, 54.5), (7, 53), (8.5, 51.5), (10, 50), (11, "break"), (14, "recovered")]


def call(at_s, what):
    speed = isinstance(what, (int, float))
    kind = CallKind.AIRSPEED if speed else CallKind.EVENT if what in EVENTS else CallKind.COMMAND
    return HeardCall(
        id="x",
        start_ns=s_to_ns(at_s),
        end_ns=s_to_ns(at_s + 0.4),
        kind=kind,
        name="ias" if speed else what,
        value=what if speed else None,
        unit="kt" if speed else None,
        words=str(what),
    )


class ScriptEngine:
    """Hears what the script says, half a second after it was said on the stream's clock."""

    name = "script"

    def __init__(self, script, slow_s=0.0, fail_at_s=None):
        self.script, self.slow_s, self.fail_at_s = sorted(script, key=lambda item: item[0]), slow_s, fail_at_s
        self.n = 0

    def feed(self, pcm):
        self.n += len(pcm)
        if self.slow_s:
            time.sleep(self.slow_s)
        if self.fail_at_s is not None and self.n > self.fail_at_s * RATE_HZ:
            raise RuntimeError("weights are broken")
        return self._due(self.n / RATE_HZ - 0.9)

    def finish(self):
        return self._due(1e9)

    def partial(self):
        return ""

    def _due(self, until_s):
        due = [call(*item) for item in self.script if item[0] <= until_s]
        self.script = [item for item in self.script if item[0] > until_s]
        return due


class TapeMicrophone:
    """Plays an array as fast as it is taken; `holes` are {block index: samples missing before it}."""

    name, paced, trouble = "tape", False, ""

    def __init__(self, pcm, holes=None, paced=False, end=True):
        self.pcm, self.holes, self.paced, self.end = pcm, holes or {}, paced, end
        self.stopped = threading.Event()

    def start(self, blocks):
        self.thread = threading.Thread(target=self._play, args=(blocks,), daemon=True)
        self.thread.start()

    def _play(self, blocks):
        for k in range(0, len(self.pcm), BLOCK_SAMPLES):
            if self.stopped.is_set():
                break
            missing = self.holes.get(k // BLOCK_SAMPLES, 0)
            if missing:
                blocks.put(self.pcm[k : k + BLOCK_SAMPLES], missing, "microphone lost")
            else:
                blocks.put_waiting(self.pcm[k : k + BLOCK_SAMPLES], self.stopped)
        if self.end:
            blocks.end()

    def stop(self, within_s=None):
        self.stopped.set()
        self.thread.join(within_s)
        return not self.thread.is_alive()


def sound(seconds, seed=1):
    return np.random.default_rng(seed).integers(-3000, 3000, round(seconds * RATE_HZ)).astype(np.int16)


def fly(
    folder,
    script=RUN,
    seconds=20.0,
    *,
    campaign=CAMPAIGN,
    engine=None,
    microphone=None,
    land=True,
    free=None,
    during=None,
    name="f1",
    **options,
):
    """One flight, or a piece of one; gives (rows in order, session)."""
    journal = open_flight(campaign, folder, name)
    rows = []
    pcm = sound(seconds)
    session = FlightSession(
        campaign,
        journal,
        microphone=microphone or TapeMicrophone(pcm),
        engine=engine or (lambda: ScriptEngine(script)),
        on_rows=lambda done, runs: rows.extend(done),
        free_bytes=free,
        **options,
    )
    session.start()
    if during:
        during(session)
    assert session.wait(60)
    session.stop(landed=land)
    return rows, session


def rows_on_disk(folder, name="f1"):
    with Journal.open(folder / "flights" / name, read_only=True) as journal:
        return list(journal.rows())


def test_a_flight_is_kept_whole(tmp_path):
    told, _ = fly(tmp_path)
    kept = rows_on_disk(tmp_path)

    assert [row.id for row in kept if row.kind not in (RowKind.AUDIO, RowKind.FLIGHT)] == [row.id for row in told]
    calls = [row for row in kept if row.kind is RowKind.CALL]
    assert [row.body["words"] for row in calls] == [str(what) for _, what in RUN]
    assert [row.flight_ns for row in calls] == [s_to_ns(at_s) for at_s, _ in RUN]
    steps = [row.body["step"] for row in kept if row.kind is RowKind.STEP]
    assert steps == ["card", "on_condition", "approach", "stall", "recovered", "landed"]
    verdict = next(row.body for row in kept if row.kind is RowKind.VERDICT)
    assert verdict["counts"] and verdict["event"] == "pitch_down"
    assert verdict["entry_rate_kt_per_s"] == pytest.approx(1.0)
    assert np.array_equal(read_sound(tmp_path / "flights" / "f1", 0, 20), sound(20))


def test_a_call_is_told_only_after_it_is_on_the_disk(tmp_path):
    journal = open_flight(CAMPAIGN, tmp_path, "f1")
    seen = []

    def check(rows, runs):
        with Journal.open(tmp_path / "flights" / "f1", read_only=True) as reader:
            on_disk = {row.id for row in reader.rows()}
        seen.append({row.id for row in rows} <= on_disk)

    session = FlightSession(
        CAMPAIGN, journal, microphone=TapeMicrophone(sound(16)), engine=lambda: ScriptEngine(RUN), on_rows=check
    )
    session.start()
    session.wait(60)
    session.stop(landed=True)

    assert len(seen) > 5
    assert all(seen)


def test_lost_sound_is_a_gap_and_times_go_on(tmp_path):
    hole = 3 * RATE_HZ
    microphone = TapeMicrophone(sound(10), holes={100: hole})  # after 5 s
    # The stream that the recogniser hears has a seam of 0.6 s in place of 3 s: said at 5.6 + 2 on the
    # stream is 3 + 5 + 2 on the flight clock.
    fly(tmp_path, script=[(2, 60), (7.6, 55)], microphone=microphone)
    kept = rows_on_disk(tmp_path)

    gap = next(row.body for row in kept if row.kind is RowKind.GAP)
    assert (gap["start_ns"], gap["end_ns"]) == (5 * NS_PER_S, 8 * NS_PER_S)
    times = [row.flight_ns for row in kept if row.kind is RowKind.CALL]
    assert times == [2 * NS_PER_S, pytest.approx(10 * NS_PER_S, abs=1)]
    assert sound_duration_s(tmp_path / "flights" / "f1") == pytest.approx(13.0)
    after = read_sound(tmp_path / "flights" / "f1", 8, 13)
    assert np.array_equal(after, sound(10)[5 * RATE_HZ :])


def test_restart_is_on_the_same_card_with_everything_before(tmp_path):
    fly(tmp_path, script=[(1, 60)], seconds=3, land=False, during=lambda s: s.touch(Intent.CARD, "A2"))
    before = rows_on_disk(tmp_path)
    assert unfinished_flight(tmp_path) == "f1"

    _, session = fly(tmp_path, script=RUN, name=None)

    after = rows_on_disk(tmp_path)
    assert after[: len(before)] == before
    assert session.flight_dir.name == "f1"
    assert session.snapshot().state.point == "A2"
    gap = next(row.body for row in after if row.kind is RowKind.GAP)
    assert gap["end_ns"] - gap["start_ns"] == AWAY_NS
    first_call = next(row for row in after[len(before) :] if row.kind is RowKind.CALL)
    assert first_call.flight_ns == s_to_ns(2) + 3 * NS_PER_S + AWAY_NS
    assert unfinished_flight(tmp_path) is None


def test_restart_in_an_approach_does_not_join_the_halves(tmp_path):
    fly(tmp_path, script=RUN[:4], seconds=8, land=False)
    _, session = fly(tmp_path, script=[(1, 52), (2, 51), (3, "break")], seconds=6)
    state = session.snapshot().state

    assert [run.ended for run in state.runs] == ["gap"]
    assert len(state.runs[0].calls) == 4
    assert state.phase is Phase.LANDED


@pytest.mark.parametrize("cut", [0.5, 3.0, 6.0, 11.5, 13.0])
def test_the_state_after_a_restart_is_the_state_before_it(tmp_path, cut):
    script = [item for item in RUN if item[0] < cut]

    def touches(session):
        session.touch(Intent.NOTE)
        session.touch(Intent.MARK)
        session.touch(Intent.HOLD)
        session.touch(Intent.RESUME)

    _, first = fly(tmp_path, script=script, seconds=cut + 1, land=False, during=touches)
    state, _ = replay(rows_on_disk(tmp_path), CAMPAIGN, "f1")
    assert state == first.snapshot().state


def test_disk_full_stops_sound_and_keeps_the_journal(tmp_path):
    free = iter([10**9, *[JOURNAL_BYTES - 1] * 1000])
    _, session = fly(tmp_path, free=lambda: next(free))
    kept = rows_on_disk(tmp_path)

    assert len([row for row in kept if row.kind is RowKind.CALL]) == len(RUN)
    gap = next(row.body for row in kept if row.kind is RowKind.GAP)
    assert "disk" in gap["why"]
    assert gap["start_ns"] == 5 * NS_PER_S
    assert gap["end_ns"] == 20 * NS_PER_S
    assert session.snapshot().sound.recording is False


def test_disk_nearly_full_warns_ten_minutes_before(tmp_path):
    _, session = fly(tmp_path, free=lambda: JOURNAL_BYTES + 9 * 60 * 32_000)
    sound_state = session.snapshot().sound

    assert sound_state.recording
    assert sound_state.minutes_left == pytest.approx(9.0)


def test_recording_begins_again_when_there_is_room(tmp_path):
    free = iter([10**9, 0, *[10**9] * 1000])
    fly(tmp_path, free=lambda: next(free))
    kept = rows_on_disk(tmp_path)

    gaps = [row.body for row in kept if row.kind is RowKind.GAP]
    assert [(gap["start_ns"], gap["end_ns"]) for gap in gaps] == [(5 * NS_PER_S, 10 * NS_PER_S)]
    assert np.array_equal(read_sound(tmp_path / "flights" / "f1", 10, 20), sound(20)[10 * RATE_HZ :])


def test_rows_that_cannot_be_saved_wait_and_are_saved_later(tmp_path, monkeypatch):
    refused = [0]
    real = Journal.append

    def append(self, rows):
        rows = list(rows)
        if any(row.kind is RowKind.CALL for row in rows) and refused[0] < 6:
            refused[0] += 1
            raise LogError("the disk is full")
        return real(self, rows)

    monkeypatch.setattr(Journal, "append", append)
    monkeypatch.setattr("logger_app.workflows.flight_session.session.RETRY_S", 0.0)
    _, session = fly(tmp_path)

    assert refused[0] == 6
    assert session.snapshot().unsaved == 0
    words = [row.body["words"] for row in rows_on_disk(tmp_path) if row.kind is RowKind.CALL]
    assert words == [str(what) for _, what in RUN]


def test_what_could_not_be_saved_at_the_end_is_said(tmp_path, monkeypatch):
    real = Journal.append

    def append(self, rows):
        rows = list(rows)
        if any(row.kind is RowKind.CALL for row in rows):
            raise LogError("the disk is full")
        return real(self, rows)

    monkeypatch.setattr(Journal, "append", append)
    with pytest.raises(LogError, match="could not be saved"):
        fly(tmp_path)


def test_a_slow_recogniser_is_heard_after_landing(tmp_path):
    pcm = sound(30)
    engines = []

    def engine():
        engines.append(ScriptEngine([(20, 51)] if not engines else [(1.5, 47)], slow_s=0.02 if not engines else 0))
        return engines[-1]

    class Impatient(TapeMicrophone):
        paced = True

        def _play(self, blocks):
            for k in range(0, len(pcm), BLOCK_SAMPLES):
                while blocks._queue.qsize() > 100:
                    time.sleep(0.001)
                blocks.put(pcm[k : k + BLOCK_SAMPLES])
            blocks.end()

    fly(tmp_path, microphone=Impatient(pcm, paced=True), engine=engine, hearing_s=1.0)
    kept = rows_on_disk(tmp_path)

    gaps = [row.body for row in kept if row.kind is RowKind.GAP]
    assert gaps and all("after landing" in gap["why"] for gap in gaps)
    assert np.array_equal(read_sound(tmp_path / "flights" / "f1", 0, 30), pcm)
    assert len(engines) == 1 + len(gaps)
    late = [row for row in kept if row.kind is RowKind.CALL and row.body["value"] == 47]
    assert late[0].flight_ns == gaps[0]["start_ns"] + s_to_ns(1.5)


def test_a_recogniser_that_fails_stops_neither_sound_nor_cards(tmp_path):
    _, session = fly(tmp_path, engine=lambda: ScriptEngine(RUN, fail_at_s=6), during=lambda s: s.touch(Intent.MARK))
    kept = rows_on_disk(tmp_path)

    assert "weights are broken" in session.snapshot().hearing
    assert np.array_equal(read_sound(tmp_path / "flights" / "f1", 0, 20), sound(20))
    assert any(row.kind is RowKind.MARK for row in kept)
    gap = next(row.body for row in kept if row.kind is RowKind.GAP)
    assert gap["start_ns"] == pytest.approx(6 * NS_PER_S, abs=s_to_ns(0.1))


def test_no_microphone_flies_by_touch(tmp_path):
    journal = open_flight(CAMPAIGN, tmp_path, "f1")
    session = FlightSession(CAMPAIGN, journal, microphone=None, engine=None)
    session.start()
    for intent in (Intent.ON_CONDITION, Intent.APPROACH, Intent.STALL, Intent.RECOVERED):
        session.touch(intent)
    session.stop(landed=True)
    steps = [row.body["step"] for row in rows_on_disk(tmp_path) if row.kind is RowKind.STEP]

    assert steps == ["card", "on_condition", "approach", "stall", "recovered", "landed"]
    assert session.snapshot().microphone_trouble == "no microphone"


def test_clock_set_back_an_hour_moves_no_time(tmp_path, monkeypatch):
    from datetime import UTC, datetime, timedelta

    from logger_app.logstore import store

    backwards = iter(range(100_000))

    class Clock(datetime):
        @classmethod
        def now(cls, tz=None):
            return datetime(2027, 4, 11, 9, tzinfo=UTC) - timedelta(hours=next(backwards))

    monkeypatch.setattr(store, "datetime", Clock)
    monkeypatch.setattr(time, "time", lambda: 0.0)
    fly(tmp_path, during=lambda s: s.touch(Intent.MARK))
    rows = rows_on_disk(tmp_path)

    assert [row.flight_ns for row in rows if row.kind is RowKind.CALL] == [s_to_ns(at_s) for at_s, _ in RUN]
    assert all(row.flight_ns >= 0 for row in rows)
    assert sound_duration_s(tmp_path / "flights" / "f1") == 20.0


def test_flight_clock_never_goes_back_and_goes_on_without_sound():
    now = [100.0]
    clock = FlightClock(16_000, running=True, monotonic=lambda: now[0])
    assert clock.now_ns() == NS_PER_S
    now[0] = 102.0
    assert clock.now_ns() == 3 * NS_PER_S
    clock.sound(40_000)  # 2.5 s: the sound is a little late
    assert clock.now_ns() == 3 * NS_PER_S
    now[0] = 103.0
    assert clock.now_ns() == s_to_ns(3.5)


def test_a_second_program_on_the_flight_is_refused(tmp_path):
    with open_flight(CAMPAIGN, tmp_path, "f1"), pytest.raises(LogError, match="another program"):
        open_flight(CAMPAIGN, tmp_path, "f1")


def test_which_flight_comes_next(tmp_path):
    fly(tmp_path, name=None, seconds=1, script=[])
    assert [path.name for path in (tmp_path / "flights").iterdir()] == ["f1"]
    with open_flight(CAMPAIGN, tmp_path) as journal:
        assert journal.info.id == "f2"
        assert journal.info.configuration == "cuffs"


@pytest.mark.parametrize("name", ["../x", " ", "a/b", "a\\b", "..", "c:d"])
def test_a_flight_name_cannot_lead_elsewhere(tmp_path, name):
    with pytest.raises(CardError) as caught:
        open_flight(CAMPAIGN, tmp_path, name, "plain")
    assert "--flight" in str(caught.value)


@pytest.mark.parametrize("configuration, got", [("gaps", "gaps"), (None, "missing")])
def test_a_configuration_that_is_not_known_is_refused(tmp_path, configuration, got):
    with pytest.raises(CardError) as caught:
        open_flight(CAMPAIGN, tmp_path, "extra", configuration)

    assert got in str(caught.value)
    assert "plain, cuffs" in str(caught.value)
    assert not (tmp_path / "flights" / "extra").exists()


def test_another_configuration_on_a_flight_begun_is_refused(tmp_path):
    open_flight(CAMPAIGN, tmp_path, "f1").close()
    with pytest.raises(CardError, match="one configuration"):
        open_flight(CAMPAIGN, tmp_path, "f1", "cuffs")
    open_flight(CAMPAIGN, tmp_path, "f1").close()


def test_a_mark_is_journalled_with_its_sample(tmp_path):
    rows, _ = fly(tmp_path, script=[(3, "mark")], seconds=6)
    mark = next(row for row in rows if row.kind is RowKind.MARK)

    assert mark.body["sample"] * NS_PER_S // RATE_HZ == pytest.approx(mark.flight_ns, abs=NS_PER_S // RATE_HZ)
    assert mark.body["played"] is False


def test_a_note_is_journalled_with_its_span(tmp_path):
    pcm = sound(14)
    pcm[:] = pcm // 60
    pcm[int(3.0 * RATE_HZ) : int(5.5 * RATE_HZ)] *= 30  # the sentence
    rows, _ = fly(tmp_path, script=[(2, "note"), (4, "buffet")], microphone=TapeMicrophone(pcm))
    note = next(row.body for row in rows if row.kind is RowKind.NOTE)

    assert note["start_ns"] == s_to_ns(2.4)
    assert note["end_ns"] == pytest.approx(s_to_ns(5.5), abs=s_to_ns(0.1))
    assert note["text"] == ""


def test_the_spare_file_is_gone_after_the_flight(tmp_path):
    fly(tmp_path, seconds=2)

    assert not (tmp_path / "flights" / "f1" / "spare.tmp").exists()


@pytest.mark.parametrize("raised", [BrokenPipeError(32, "gone"), ValueError("x")])
def test_a_reader_that_goes_away_does_not_end_the_flight(tmp_path, raised):
    journal = open_flight(CAMPAIGN, tmp_path, "f1")

    def gone(rows, runs):
        raise raised

    session = FlightSession(
        CAMPAIGN, journal, microphone=TapeMicrophone(sound(20)), engine=lambda: ScriptEngine(RUN), on_rows=gone
    )
    session.start()
    assert session.wait(60)
    landing = session.stop(landed=True)

    kept = rows_on_disk(tmp_path)
    assert landing.printing_failure is raised
    assert landing.rows_not_printed == len([row for row in kept if row.kind not in (RowKind.FLIGHT, RowKind.AUDIO)])
    assert landing.reader_gone is isinstance(raised, BrokenPipeError)
    assert len([row for row in kept if row.kind is RowKind.CALL]) == len(RUN)
    assert [row.body["step"] for row in kept if row.kind is RowKind.STEP][-1] == "landed"


def test_a_mistake_in_the_cards_does_not_lose_the_call(tmp_path, monkeypatch):
    from logger_app.fly.flight_state import advance
    from logger_app.workflows.flight_session import session as flight_session

    def broken(state, event):
        if isinstance(event, HeardCall) and event.value == 53:
            raise RuntimeError("cards")
        return advance(state, event)

    monkeypatch.setattr(flight_session, "advance", broken)
    with pytest.raises(LogError, match="cards"):
        fly(tmp_path)

    words = [row.body["words"] for row in rows_on_disk(tmp_path) if row.kind is RowKind.CALL]
    assert words == [str(what) for _, what in RUN]

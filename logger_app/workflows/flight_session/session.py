"""One flight being flown: its threads, and the core that orders what they find into the journal."""

from __future__ import annotations

import contextlib
import os
import queue
import shutil
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

from logger_app.domain.flight_time import LATE_CALL_NS
from logger_app.errors import CaptureError, LogError
from logger_app.fly.capture.audio_writer import HEARING_S, AudioWriter, HearingQueue, SoundState, samples_to_ns
from logger_app.fly.capture.listener import Listener, Recogniser
from logger_app.fly.capture.mic import MAX_STOP_S, BlockQueue, Microphone, steady_s
from logger_app.fly.capture.speaker import SilentSpeaker, Speaker
from logger_app.fly.cues import Cue, Tone, tone_sound
from logger_app.fly.flight_records import ClosedRun, FlightState, Intent, Outcome, Touch
from logger_app.fly.flight_state import advance, silent_since_ns
from logger_app.fly.notes import QuietWatch, note_over_ns
from logger_app.fly.troubles import NO_SOUND_S, SoundWatch
from logger_app.io.files import create_file, remove_file
from logger_app.io.outlet import Outlet
from logger_app.logstore import codec
from logger_app.logstore.audio_io import SegmentWriter
from logger_app.logstore.store import Journal, utc_now
from logger_app.records.calls import CaptureGap, HeardCall
from logger_app.records.journal import JournalRow, RowKind
from logger_app.records.plan import Campaign
from logger_app.units import NS_PER_S, RATE_HZ, ns_to_s, s_to_ns
from logger_app.workflows.flight_session import landing as limits
from logger_app.workflows.flight_session import rows as made
from logger_app.workflows.flight_session.clock import FlightClock
from logger_app.workflows.flight_session.landing import Landing
from logger_app.workflows.flight_session.later import LaterHearing
from logger_app.workflows.flight_session.messages import (
    Called,
    End,
    GapFound,
    HeardLater,
    HeardUpTo,
    MarkPlayed,
    Message,
    Touched,
)
from logger_app.workflows.flight_session.replay import gaps_before_resuming, replay
from logger_app.workflows.known import NOTHING_KNOWN, Known

# A file that is given up when the disk is full, so that the journal can go on for hours.
SPARE_FILE = "spare.tmp"
SPARE_BYTES = 1_000_000
TICK_S = 0.2
RETRY_S = 1.0
STRIP_CALLS = 200
# Cues that wait for a screen; without one nobody takes them.
MAX_CUES = 100
# A whole flight's rows may wait for a reader that is slow; of tones only the latest matter.
MAX_BATCHES = 20_000
MAX_TONES = 8
TONE_AGE_S = 2.0
# Printing or a tone that takes longer does not answer.
STUCK_S = 3.0
# A microphone that is away for less at the end of a flight leaves no gap.
END_GAP_NS = s_to_ns(1.0)
# How often the listener tells the core how far it has heard.
REPORT_EVERY_NS = s_to_ns(0.25)


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """What a screen shows. `strip` are the latest calls; `unsaved` rows wait for room on the disk."""

    state: FlightState
    flight: str
    flight_ns: int
    last_call: HeardCall | None = None
    strip: tuple[HeardCall, ...] = ()
    partial: str = ""
    sound: SoundState | None = None
    microphone: str = ""
    microphone_trouble: str = ""
    hearing: str = ""  # what is wrong with the hearing, in words
    behind_s: float = 0.0
    unsaved: int = 0
    gaps: int = 0
    ended: bool = False


class FlightSession:
    """One flight being flown.

    Parameters
    ----------
    blocks : BlockQueue, optional
        Where the microphone pushes its sound already; without it the microphone is started with the flight.
    engine : callable or None
        Makes the recogniser; called again for sound heard after landing. None: nothing is heard.
    on_rows : callable, optional
        Told of rows when they are on the disk, from a thread of its own: it may block.
    on_trouble : callable
        Takes each trouble when it begins and when it is over, in words, from the core's thread: must not block.
    sound_expected : bool
        A flight without sound is a failure; False where the pilot said so.
    free_bytes : callable
        Free space on the flight's disk [B].
    known : Known
        What earlier flights say of each point.
    hearing_s : float
        How far the hearing may fall behind before sound is left for the ground [s].

    Raises
    ------
    LogError
        The journal cannot be read, or reaches further than a flight can last.
    """

    def __init__(
        self,
        campaign: Campaign,
        journal: Journal,
        *,
        microphone: Microphone | None,
        engine: Callable[[], Recogniser] | None,
        blocks: BlockQueue | None = None,
        speaker: Speaker | None = None,
        on_rows: Callable[[Sequence[JournalRow], Sequence[ClosedRun]], object] | None = None,
        on_trouble: Callable[[str], object] = lambda words: None,
        sound_expected: bool = True,
        read: Callable[[Iterable[HeardCall]], list[HeardCall]] | None = None,
        free_bytes: Callable[[], int] | None = None,
        hearing_s: float = HEARING_S,
        known: Known = NOTHING_KNOWN,
    ):
        self.known = known
        self.hearing_s = hearing_s
        self.campaign, self.journal = campaign, journal
        self.flight_dir = journal.flight_dir
        self.microphone, self._make_engine, self._blocks = microphone, engine, blocks
        self.speaker = speaker or SilentSpeaker()
        self.on_trouble = on_trouble
        self._sound_expected = sound_expected and microphone is not None
        self.landing = Landing(flight_dir=self.flight_dir)
        self._read = read or list
        self._free_bytes = free_bytes or (lambda: shutil.disk_usage(self.flight_dir).free)
        self._inbox: queue.SimpleQueue[Message] = queue.SimpleQueue()
        self._cues: deque[Cue] = deque(maxlen=MAX_CUES)
        self._unsaved: list[tuple[list[JournalRow], tuple[ClosedRun, ...]]] = []
        self._retry_at_s = 0.0
        # Nothing is read from the disk in flight: a card that was pulled out ends no thread.
        journal.know_ids("call", "step", "gap", "verdict", "note", "correction", "mark", "proposal", "audio")
        self._who = journal.info.who or "pilot"
        self._refused = ""  # why rows could not be saved, as the journal said it
        self._last_call: HeardCall | None = None
        self._partial = ""
        self._sound: SoundState | None = None
        self._heard_ns = 0
        self._reported_ns = 0
        self._gaps = 0
        self._unheard: list[CaptureGap] = []
        self._quiet = QuietWatch()
        self._troubles: dict[str, str] = {}
        self._trouble_at_end, self._missing_s, self._ended_ns = "", 0.0, 0
        self.stopping = False
        self._expected_more = True  # sound was still coming when the flight was ended
        self._marks: dict[int, int] = {}  # sync marks that the loudspeaker was asked for, and when [ns]
        self._marks_asked = 0
        self.failure: Exception | None = None  # the last error that the core survived
        flown = list(journal.rows())
        self._state, past = replay(flown, campaign, journal.info.id, journal.info.confusions)
        self._strip: deque[HeardCall] = deque(past, maxlen=STRIP_CALLS)
        self._writer: AudioWriter | None = None
        self._listener: Listener | None = None
        self._later: LaterHearing | None = None
        self._store = SegmentWriter(self.flight_dir, journal, source=microphone.name if microphone else "none")
        self._paced = microphone is None or microphone.paced
        self._resumed = any(row.kind in (RowKind.STEP, RowKind.CALL) for row in flown)
        self._missed = self._skip_what_was_flown(flown)
        self.clock = FlightClock(self._store.samples, running=self._paced)
        self._started_s = steady_s()
        self._watch = SoundWatch(self._started_s)
        # Why: a terminal that is stopped, or a pipe that nobody empties, holds up whoever writes to it. Ended by `stop`.
        self._printing = (
            Outlet("printing", lambda saved: on_rows(*saved), MAX_BATCHES, weight=lambda saved: len(saved[0]))
            if on_rows
            else None
        )
        # Why: a sound server may not answer. A loudspeaker that only remembers is asked at once. Ended by `stop`.
        silent = isinstance(self.speaker, SilentSpeaker)
        self._tones = None if silent else Outlet("tones", self._play, MAX_TONES, max_age_s=TONE_AGE_S)
        # Why: touches and calls come from different threads; one thread orders them and is the only
        # one that writes facts. Ended by `stop`.
        self._core = threading.Thread(target=self._run, name="core", daemon=True)

    def _skip_what_was_flown(self, flown: Sequence[JournalRow]) -> tuple[CaptureGap, ...]:
        """Move on to where a flight goes on; gives what is missing before that."""
        if all(row.kind is RowKind.FLIGHT for row in flown):
            return ()
        gaps = gaps_before_resuming(flown, samples_to_ns(self._store.samples))
        if gaps[-1].end_ns > codec.MAX_NS:
            raise LogError(
                f"{self.flight_dir}: its rows reach to {ns_to_s(gaps[-1].start_ns):.0f} s on the flight clock, longer "
                "than a flight can last; it cannot be continued.",
                hint="Give another --flight.",
            )
        self._store.skip(-(-gaps[-1].end_ns * RATE_HZ // NS_PER_S) - self._store.samples)
        return gaps

    # ---- what the screen and the command line use -----------------------------------------------

    def start(self) -> None:
        """Begin: recording, hearing, cards."""
        self._started_s = steady_s()
        self._make_spare()
        for outlet in (self._printing, self._tones):
            if outlet:
                outlet.start()
        self._core.start()
        for gap in self._missed:
            self._inbox.put(GapFound(gap))
        intent, point = (Intent.RESTARTED, None) if self._resumed else (Intent.CARD, self._state.point)
        self._inbox.put(Touched(intent, point, "app", self.clock.now_ns()))
        if self.microphone is None:
            return
        blocks = self._blocks or BlockQueue()
        hearing = HearingQueue(self.hearing_s) if self._make_engine else None
        if hearing and self._make_engine:
            self._listener = Listener(
                self._make_engine(),
                hearing,
                on_calls=self._on_calls,
                on_partial=self._on_partial,
                on_heard=self._on_heard,
                on_gap=self._on_gap,
                read=self._read,
            )
            self._listener.start()
        self._writer = AudioWriter(
            blocks,
            self._store,
            hearing,
            on_gap=self._on_gap,
            on_state=self._on_sound,
            free_bytes=self._free_bytes,
            patient=not self.microphone.paced,
        )
        self._writer.start()
        if self._blocks is None:
            self.microphone.start(blocks)

    def touch(self, intent: Intent, point: str | None = None) -> None:
        """A touch, now. Returns at once."""
        self._inbox.put(Touched(intent, point, "touch", self.clock.now_ns()))

    def wait(self, timeout_s: float | None = None) -> bool:
        """Wait for the end of a played recording; True when it has come."""
        if self._writer:
            self._writer.join(timeout_s)
        return self.recording_over

    @property
    def recording_over(self) -> bool:
        """Whether no more sound is taken: a recording in place of a microphone has come to its end."""
        return self._writer is not None and not self._writer.is_alive()

    @property
    def sound_comes(self) -> bool:
        """Whether there is sound to begin with: a recording, or a microphone that has given some."""
        return self.microphone is not None and (self._blocks is None or self._blocks.has_some)

    def hurry(self) -> None:
        """While `stop` is at work: leave out hearing what was not heard in the air, and printing what is left."""
        if self._later:
            self._later.hurry()
        if self._printing:
            self._printing.give_up()

    def stop(self, landed: bool) -> Landing:
        """End the flight, or only the program. Each thread is given its time and then left behind.

        Parameters
        ----------
        landed : bool
            The flight is over; otherwise the next start resumes it.

        Returns
        -------
        Landing
            What was lost on the way out of the journal, and who was late; also in `landing`.

        Raises
        ------
        LogError
            Rows could not be saved, or the core met an error that it survived.
        """
        self.stopping = True
        if self._core.ident is None:  # never started
            if self.microphone:
                self.microphone.stop(MAX_STOP_S)
            self.journal.close()
            return self.landing
        late = self._end_sound()
        if self._tones and not self._tones.finish(limits.TONES_S):
            late.append("Tones (the loudspeaker)")
        if landed:
            self._inbox.put(Touched(Intent.LAND, None, "app", self._ended_ns))
        self._inbox.put(End())
        self._core.join(limits.CORE_S)
        core_done, writer_done = not self._core.is_alive(), not (self._writer and self._writer.is_alive())
        if not core_done:
            late.append("Saving (the journal)")
        if writer_done:
            with contextlib.suppress(LogError):
                self._store.close()
        with contextlib.suppress(OSError):
            remove_file(self.flight_dir / SPARE_FILE, missing_ok=True)
        if core_done and writer_done:
            self.journal.close()
        # A recording that is over is in no hurry: its rows may go to a reader who is slow.
        patience_s = limits.PRINTING_PLAYED_S if self._writer and not self._expected_more else limits.PRINTING_S
        if self._printing and not self._printing.finish(patience_s):
            late.append("Printing")
        self.landing = self._landing(late)
        unsaved = self._rows_unsaved()
        if self.failure:
            raise LogError(f"{self.flight_dir}: kept, but something went wrong on the way ({self.failure!r}).")
        if unsaved:
            raise LogError(f"{unsaved} of the last rows could not be saved. {self._refused}")
        return self.landing

    def snapshot(self) -> Snapshot:
        """What there is to show now."""
        sound, writer, listener = self._sound, self._writer, self._listener
        behind_ns = samples_to_ns(writer.position) - self._heard_ns if writer and listener else 0
        return Snapshot(
            state=self._state,
            flight=self.flight_dir.name,
            flight_ns=self.clock.now_ns(),
            last_call=self._last_call,
            strip=tuple(self._strip),
            partial=self._partial,
            sound=sound,
            microphone=self.microphone.name if self.microphone else "",
            microphone_trouble=(self.microphone.trouble or self._troubles.get("microphone", ""))
            if self.microphone
            else "no microphone",
            hearing=listener.failure if listener else "" if self._make_engine else "nothing listens",
            behind_s=max(0.0, ns_to_s(behind_ns)),
            unsaved=self._rows_unsaved(),
            gaps=self._gaps,
            ended=self.recording_over and not (self._writer and self._writer.failure),
        )

    def take_cues(self) -> list[Cue]:
        """The cues since the last time, for the screen."""
        cues = []
        with contextlib.suppress(IndexError):
            while True:
                cues.append(self._cues.popleft())
        return cues

    # ---- the end --------------------------------------------------------------------------------

    def _end_sound(self) -> list[str]:
        """End microphone, sound writer and hearing; gives those that did not end in time."""
        late: list[str] = []
        self._ended_ns = self.clock.now_ns()
        if self.microphone is None or self._writer is None:
            return late
        expected = self._expected_more = self._writer.is_alive()
        if expected and steady_s() - self._started_s < NO_SOUND_S:
            self._sound_expected = False  # ended before anything could come
        trouble = self._sound_trouble() if expected else self._writer.failure
        if not self.microphone.stop(MAX_STOP_S):
            late.append("The microphone")
        if not self._writer.finish(limits.SOUND_WRITER_S):
            late.append("Writing sound")
        self._ended_ns = self.clock.now_ns()
        if expected and "Writing sound" not in late:
            self._name_what_is_missing(trouble)
        self._trouble_at_end = trouble
        if self._listener:
            self._listener.join(limits.HEARING_S)
            if self._listener.is_alive():
                late.append("Hearing")
                self._name_what_was_not_heard()
            elif self._unheard and not self._hear_the_rest():
                late.append("Hearing after landing")
        return late

    def _name_what_is_missing(self, trouble: str) -> None:
        """A microphone that did not come back leaves a gap up to the end."""
        assert self._writer is not None
        start_ns, end_ns = samples_to_ns(self._writer.position), self._ended_ns
        if self._paced and end_ns - start_ns > END_GAP_NS:
            why = (self.microphone.trouble if self.microphone else "") or trouble or "no sound came"
            self._inbox.put(GapFound(CaptureGap(start_ns=start_ns, end_ns=end_ns, why=why)))
            self._missing_s = ns_to_s(end_ns - start_ns)

    def _name_what_was_not_heard(self) -> None:
        assert self._writer is not None
        start_ns, end_ns = self._heard_ns, samples_to_ns(self._writer.position)
        if end_ns > start_ns:
            why = "recorded, not heard: the hearing did not end in time"
            self._inbox.put(GapFound(CaptureGap(start_ns=start_ns, end_ns=end_ns, why=why, breaks=False)))

    def _hear_the_rest(self) -> bool:
        """Hear from the disk what was kept but not heard in the air; False if it did not end in time."""
        assert self._make_engine is not None
        self._later = LaterHearing(
            self._unheard, self.journal, self._make_engine, lambda rows: self._inbox.put(HeardLater(rows))
        )
        self.on_trouble(f"Hearing {self._later.length_s:.0f} s that were not heard in the air ...")
        self._later.start()
        self._later.join(limits.HEARING_LATER_S + self._later.length_s)
        self._later.hurry()
        return not self._later.is_alive()

    def _landing(self, late: list[str]) -> Landing:
        printing, tones, writer = self._printing, self._tones, self._writer
        return Landing(
            flight_dir=self.flight_dir,
            late=tuple(late),
            rows_not_printed=printing.lost if printing else 0,
            printing_failure=printing.failure if printing else None,
            tones_not_played=tones.lost if tones else 0,
            tones_failure=tones.failure if tones else None,
            sound_expected=self._sound_expected,
            recorded_s=writer.kept_samples / RATE_HZ if writer else 0.0,
            silent=not self._watch.heard_anything,
            sound_trouble=self._trouble_at_end,
            missing_s=self._missing_s,
            hearing_failure=(self._later.failure if self._later else "")
            or (self._listener.failure if self._listener else ""),
        )

    # ---- from the other threads -----------------------------------------------------------------

    def _on_calls(self, calls: list[HeardCall]) -> None:
        for call in calls:
            self._inbox.put(Called(call))

    def _on_partial(self, text: str) -> None:
        self._partial = text

    def _on_gap(self, gap: CaptureGap, kept: bool) -> None:
        if kept:
            self._unheard.append(gap)
        self._inbox.put(GapFound(gap))

    def _on_sound(self, sound: SoundState) -> None:
        self._sound = sound
        self._watch.block(steady_s(), sound.peak)
        self.clock.sound(sound.end_sample)

    def _on_heard(self, end_sample: int, level_dbfs: float) -> None:
        self._heard_ns = samples_to_ns(end_sample)
        self._quiet.block(self._heard_ns, level_dbfs)
        if self._heard_ns - self._reported_ns >= REPORT_EVERY_NS:
            self._reported_ns = self._heard_ns
            # In the inbox behind the calls heard so far: how fast the sound comes then changes nothing.
            self._inbox.put(HeardUpTo(self._heard_ns, bool(self._partial), self._quiet.last_speech_ns))

    def _play(self, asked: tuple[Tone, int | None]) -> None:
        """In the thread of tones."""
        tone, mark = asked
        at_ns = self.clock.now_ns()
        delay_s = self.speaker.play(tone_sound(tone))
        if mark is not None:
            self._inbox.put(MarkPlayed(mark, at_ns, delay_s))
        if delay_s is None:
            raise CaptureError(getattr(self.speaker, "trouble", "") or "no loudspeaker")

    # ---- the core -------------------------------------------------------------------------------

    def _run(self) -> None:
        tick_at_s = time.monotonic() + TICK_S
        while True:
            message: Message | None = None
            with contextlib.suppress(queue.Empty):
                message = self._inbox.get(timeout=TICK_S)
            try:
                if message is not None:
                    self._take(message)
                if not 0 < tick_at_s - time.monotonic() <= TICK_S:  # due, or the clock was set
                    tick_at_s = time.monotonic() + TICK_S
                    self._tick()
            except Exception as err:
                self.failure = err
            if isinstance(message, End):
                return

    def _take(self, message: Message) -> None:
        match message:
            case Called(call):
                call = replace(call, id=self.journal.new_id("call"))
                self._strip.append(call)
                self._last_call = call
                self._turn(call, made.of_call(call, self.journal))
            case Touched(intent, point, by, at_ns):
                touch = Touch(id=self.journal.new_id("step"), flight_ns=at_ns, intent=intent, point=point, by=by)
                self._turn(touch, [])
            case GapFound(gap):
                self._gaps += 1
                self._save([codec.gap_row(gap, utc_now(), self.journal.new_id("gap"))], ())
            case HeardLater(rows):
                self._save(list(rows), ())
            case HeardUpTo(heard_ns, speaking, last_speech_ns):
                self._heard(heard_ns, speaking, last_speech_ns)
            case MarkPlayed():
                self._mark_played(message)
            case End():
                for mark, asked_ns in list(self._marks.items()):
                    self._mark_played(MarkPlayed(mark, asked_ns, None))
                self._save([], ())

    def _heard(self, heard_ns: int, speaking: bool, last_speech_ns: int | None) -> None:
        """Nothing new was said up to here: a run may be over, a note may be."""
        if not speaking and silent_since_ns(self._state, heard_ns - LATE_CALL_NS) is not None:
            self._take(Touched(Intent.SILENCE, None, "app", heard_ns - LATE_CALL_NS))
        note_ns = self._state.note_ns
        if note_ns is not None and (over_ns := note_over_ns(note_ns, heard_ns, last_speech_ns)) is not None:
            self._take(Touched(Intent.END_NOTE, None, "app", over_ns))

    def _tick(self) -> None:
        self._report_troubles()
        if self._unsaved and time.monotonic() >= self._retry_at_s:
            self._save([], ())
        if self._listener is None and self._state.note_ns is not None:
            self._heard(self.clock.now_ns(), True, None)

    def _turn(self, event: HeardCall | Touch, rows: list[JournalRow]) -> None:
        try:
            state, outcome = advance(self._state, event)
        except Exception as err:
            state, outcome, self.failure = self._state, Outcome(), err
        rows += made.of_outcome(outcome, self.journal, self._who, self.clock.now_ns())
        self._state = state
        self._save(rows, outcome.closed)
        for cue in outcome.cues:
            self._cue(cue)

    def _save(self, rows: list[JournalRow], runs: tuple[ClosedRun, ...]) -> None:
        """Make rows durable, older ones first; what cannot be saved is kept and tried again."""
        if rows:
            self._unsaved.append((rows, runs))
        while self._unsaved:
            batch, closed = self._unsaved[0]
            try:
                done = self.journal.append(batch)
            except LogError as err:
                if self._give_up_spare():
                    continue
                self._refused = str(err)
                self._retry_at_s = time.monotonic() + RETRY_S
                return
            self._unsaved.pop(0)
            if self._printing:
                self._printing.offer((done, closed))

    def _rows_unsaved(self) -> int:
        return sum(len(rows) for rows, _ in self._unsaved)

    def _make_spare(self) -> None:
        with contextlib.suppress(OSError):
            remove_file(self.flight_dir / SPARE_FILE, missing_ok=True)
            with os.fdopen(create_file(self.flight_dir / SPARE_FILE), "wb") as spare:
                spare.write(b"\1" * SPARE_BYTES)

    def _give_up_spare(self) -> bool:
        spare = self.flight_dir / SPARE_FILE
        try:
            had = spare.lstat().st_size > 0
            remove_file(spare)
        except OSError:
            return False
        return had

    # ---- cues and troubles ----------------------------------------------------------------------

    def _cue(self, cue: Cue) -> None:
        self._cues.append(cue)
        if cue.tone is None:
            return
        mark, asked_ns = None, self.clock.now_ns()
        if cue.tone is Tone.MARK:
            self._marks_asked += 1
            mark = self._marks_asked
            self._marks[mark] = asked_ns
        if self._tones is None:
            delay_s = self.speaker.play(tone_sound(cue.tone))
        elif self._tones.offer((cue.tone, mark)):
            return
        else:
            delay_s = None
        if mark is not None:
            self._mark_played(MarkPlayed(mark, asked_ns, delay_s))

    def _mark_played(self, played: MarkPlayed) -> None:
        if self._marks.pop(played.mark, None) is not None:
            self._save([made.of_mark(played, self.journal)], ())

    def _sound_trouble(self) -> str:
        """What is wrong with the sound now, in words; empty where none is due."""
        microphone, writer = self.microphone, self._writer
        if microphone is None or writer is None:
            return ""
        if writer.failure:
            return f"sound is not recorded ({writer.failure})"
        if not self._paced or not writer.is_alive():
            return ""
        return microphone.trouble or self._watch.trouble(steady_s())

    def _report_troubles(self) -> None:
        """A tone and words once for each trouble that is new, words when one is over."""
        sound, listener = self._sound, self._listener
        now: dict[str, str] = {}
        trouble = self._sound_trouble()
        if trouble:
            now["microphone"] = trouble
        if listener and listener.failure:
            now["hearing"] = f"not hearing ({listener.failure}); sound is recorded"
        if sound and not sound.recording:
            now["disk"] = sound.trouble or "sound is not recorded"
        elif sound and sound.minutes_left is not None:
            now["room"] = f"room on the disk for {sound.minutes_left:.0f} minutes of sound"
        if self._unsaved:
            now["journal"] = f"rows waiting to be saved: {self._rows_unsaved()} ({self._refused})"
        if self._tones and (self._tones.failure or self._tones.stuck_s > STUCK_S):
            now["tones"] = f"no tones ({self._tones.failure or 'the loudspeaker is not responding'})"
        if self._printing and self._printing.stuck_s > STUCK_S:
            now["printing"] = "printing is blocked; the flight goes on and is saved"
        new, over = now.keys() - self._troubles.keys(), self._troubles.keys() - now.keys()
        if new - {"tones", "printing"}:
            self._cue(Cue(tone=Tone.TROUBLE))
        self._troubles = now
        for key in sorted(new):
            self.on_trouble(f"! {now[key]}")
        for key in sorted(over):
            self.on_trouble(f"{key}: OK again")

"""A flight as it happens: the one place where the fly room meets the flight folder.

::

    microphone ─► BlockQueue ─► sound writer ─► audio/*.wav
                                     └► HearingQueue ─► listener ─► calls ─┐
    touches ───────────────────────────────────────────────────────────────┴► inbox ─► core
                                                                core: state machine, journal, cues

Threads: the microphone's own, the sound writer, the listener, the core. Only the core advances the
state and says what is durable; screens look at `snapshot()` and take cues from `take_cues()`.
"""

from __future__ import annotations

import contextlib
import os
import queue
import shutil
import threading
import time
import warnings
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from logger_app.domain.folder_names import name_faults
from logger_app.domain.points import points_for
from logger_app.domain.settings import Possible
from logger_app.errors import CardError, Fault, LogError, Notice
from logger_app.fly.capture.audio_writer import HEARING_S, AudioWriter, HearingQueue, SoundState, samples_to_ns
from logger_app.fly.capture.listener import Listener, Recogniser
from logger_app.fly.capture.mic import BlockQueue, Microphone, steady_s
from logger_app.fly.capture.speaker import SilentSpeaker, Speaker
from logger_app.fly.cues import Cue, Tone, tone_sound
from logger_app.fly.flight_state import ClosedRun, FlightState, Intent, Outcome, Touch, advance, begin, silent_since_ns
from logger_app.fly.notes import QuietWatch, note_over_ns
from logger_app.io.files import create_file, remove_file
from logger_app.logstore import codec
from logger_app.logstore.audio_io import SegmentWriter, read_sound
from logger_app.logstore.store import Journal, list_flights, utc_now
from logger_app.records.calls import Action, CaptureGap, Correction, HeardCall
from logger_app.records.journal import FlightInfo, JournalRow, RowKind
from logger_app.records.plan import Campaign, Loading
from logger_app.units import NS_PER_S, RATE_HZ, ns_to_s, s_to_ns

FLIGHTS_DIR = "flights"
LANDED = str(Intent.LAND)
# A run cannot be joined across a time when the program was not running, and how long that was no
# clock of ours can say; the flight clock moves on by more than the silence that ends a run.
AWAY_NS = s_to_ns(15.0)
AWAY = "the program was not running; for how long is not known"
# A file that is given up when the disk is full, so that the journal can go on for hours.
SPARE_FILE = "spare.tmp"
SPARE_BYTES = 1_000_000
TICK_S = 0.2
RETRY_S = 1.0
STRIP_CALLS = 200
BACKLOG_BLOCK_S = 1.0
INTENTS = frozenset(Intent)
# How often the listener tells the core how far it has heard, and how much later than its words a call
# may come (the recogniser looks ahead): silence is only believed after that.
TELL_NS = s_to_ns(0.25)
LATE_CALL_NS = s_to_ns(2.0)


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


class FlightClock:
    """The flight clock: samples while there is sound, the steady clock between and without.

    Never the wall clock, so that a clock set back in flight moves nothing; never goes back.
    """

    def __init__(self, start_sample: int, running: bool, monotonic: Callable[[], float] = steady_s):
        self._monotonic = monotonic
        self._running = running
        self._base_ns = samples_to_ns(start_sample)
        self._base_s = monotonic()
        self._last_ns = self._base_ns
        self._lock = threading.Lock()

    def sound(self, end_sample: int) -> None:
        """Sound has come up to this sample."""
        with self._lock:
            self._base_ns = samples_to_ns(end_sample)
            self._base_s = self._monotonic()

    def now_ns(self) -> int:
        """Now [ns]; extrapolated past the last block unless a file is played faster than time."""
        with self._lock:
            since_ns = s_to_ns(self._monotonic() - self._base_s) if self._running else 0
            self._last_ns = max(self._last_ns, self._base_ns + since_ns)
            return self._last_ns


class FlightSession:
    """One flight being flown.

    Parameters
    ----------
    engine : callable or None
        Makes the recogniser; called again for sound heard after landing. None: nothing is heard.
    on_rows : callable
        Told of rows when they are on the disk, from the core's thread.
    free_bytes : callable
        Free space on the flight's disk [B].
    hearing_s : float
        How far the hearing may fall behind before sound is left for the ground [s].
    """

    def __init__(
        self,
        campaign: Campaign,
        journal: Journal,
        *,
        microphone: Microphone | None,
        engine: Callable[[], Recogniser] | None,
        speaker: Speaker | None = None,
        on_rows: Callable[[Sequence[JournalRow], Sequence[ClosedRun]], None] = lambda rows, runs: None,
        read: Callable | None = None,
        free_bytes: Callable[[], int] | None = None,
        hearing_s: float = HEARING_S,
    ):
        self.hearing_s = hearing_s
        self.campaign, self.journal = campaign, journal
        self.flight_dir = journal.flight_dir
        self.microphone, self._make_engine = microphone, engine
        self.speaker = speaker or SilentSpeaker()
        self.on_rows = on_rows
        self._read = read or list
        self.done = threading.Event()  # the recording given with --audio is over
        self._free_bytes = free_bytes or (lambda: shutil.disk_usage(self.flight_dir).free)
        self._inbox: queue.SimpleQueue = queue.SimpleQueue()
        self._cues: queue.SimpleQueue[Cue] = queue.SimpleQueue()
        self._unsaved: list[tuple[list[JournalRow], tuple[ClosedRun, ...]]] = []
        self._retry_at_s = 0.0
        # Nothing is read from the disk in flight: a card that was pulled out ends no thread.
        journal.know_ids("call", "step", "gap", "verdict", "note", "correction", "mark", "proposal", "audio")
        self._who = journal.info.who or "pilot"
        self._refused = ""  # why rows could not be saved, as the journal said it
        self._strip: deque[HeardCall] = deque(maxlen=STRIP_CALLS)
        self._last_call: HeardCall | None = None
        self._partial = ""
        self._sound: SoundState | None = None
        self._heard_ns = 0
        self._told_ns = 0
        self._gaps = 0
        self._unheard: list[CaptureGap] = []
        self._quiet = QuietWatch()
        self._troubles: set[str] = set()
        self.told_badly: Exception | None = None  # the last error that was survived, for `stop` to tell
        self._state, past = _replay(journal, campaign)
        self._strip.extend(past)
        self._writer: AudioWriter | None = None
        self._listener: Listener | None = None
        self._store = SegmentWriter(self.flight_dir, journal, source=microphone.name if microphone else "none")
        paced = microphone is None or microphone.paced
        self._resumed = next(iter(journal.rows(RowKind.STEP)), None) is not None
        if self._resumed:
            self._store.skip(AWAY_NS * RATE_HZ // NS_PER_S)
        self.clock = FlightClock(self._store.samples, running=paced)
        # Why: touches and calls come from different threads; one thread orders them and is the only
        # one that writes facts. Ends with `stop`.
        self._core = threading.Thread(target=self._run, name="core", daemon=True)

    # ---- what the screen and the command line use -----------------------------------------------

    def start(self) -> None:
        """Begin: recording, hearing, cards."""
        self._make_spare()
        self._core.start()
        now_ns = self.clock.now_ns()
        if self._resumed:
            start_ns = max(0, now_ns - AWAY_NS)
            self._inbox.put(("gap", CaptureGap(start_ns=start_ns, end_ns=now_ns, why=AWAY)))
            self._inbox.put(("touch", Intent.RESTARTED, None, "app", now_ns))
        else:
            self._inbox.put(("touch", Intent.CARD, self._state.point, "app", now_ns))
        if self.microphone is None:
            return
        blocks = BlockQueue()
        hearing = HearingQueue(self.hearing_s) if self._make_engine else None
        if hearing:
            self._listener = Listener(
                self._make_engine(),
                hearing,
                on_calls=lambda calls: [self._inbox.put(("call", call)) for call in calls],
                on_partial=lambda text: setattr(self, "_partial", text),
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
        self.microphone.start(blocks)

    def touch(self, intent: Intent, point: str | None = None) -> None:
        """A touch, now. Returns at once."""
        self._inbox.put(("touch", intent, point, "touch", self.clock.now_ns()))

    def wait(self, timeout_s: float | None = None) -> bool:
        """Wait for the end of a played recording; True when it has come."""
        writer = self._writer
        if writer is None:
            return self.done.wait(timeout_s)
        writer.join(timeout_s)
        return not writer.is_alive()

    def stop(self, landed: bool) -> None:
        """End the flight, or only the program.

        Parameters
        ----------
        landed : bool
            The flight is over; otherwise the next start resumes it.
        """
        if self.microphone:
            self.microphone.stop()
        if self._writer:
            self._writer.finish()
        if self._listener:
            self._listener.join()
            self._hear_the_rest()
        if landed:
            self._inbox.put(("touch", Intent.LAND, None, "app", self.clock.now_ns()))
        self._inbox.put(("end",))
        self._core.join()
        with contextlib.suppress(LogError):
            self._store.close()
        lost = sum(len(rows) for rows, _ in self._unsaved)
        with contextlib.suppress(OSError):
            remove_file(self.flight_dir / SPARE_FILE, missing_ok=True)
        self.journal.close()
        if isinstance(self.told_badly, BrokenPipeError):
            raise self.told_badly
        if self.told_badly:
            raise LogError(f"{self.flight_dir}: kept, but not all of it was told ({self.told_badly!r}).")
        if lost:
            raise LogError(f"{lost} of the last rows could not be saved. {self._refused}")

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
            microphone_trouble=self.microphone.trouble if self.microphone else "no microphone",
            hearing=listener.failure if listener else "" if self._make_engine else "nothing listens",
            behind_s=max(0.0, ns_to_s(behind_ns)),
            unsaved=sum(len(rows) for rows, _ in self._unsaved),
            gaps=self._gaps,
            ended=bool(writer and not writer.is_alive()),
        )

    def take_cues(self) -> list[Cue]:
        """The cues since the last time, for the screen."""
        cues = []
        with contextlib.suppress(queue.Empty):
            while True:
                cues.append(self._cues.get_nowait())
        return cues

    # ---- from the other threads -----------------------------------------------------------------

    def _on_gap(self, gap: CaptureGap, kept: bool) -> None:
        if kept:
            self._unheard.append(gap)
        self._inbox.put(("gap", gap))

    def _on_sound(self, sound: SoundState) -> None:
        self._sound = sound
        self.clock.sound(sound.end_sample)

    def _on_heard(self, end_sample: int, level_dbfs: float) -> None:
        self._heard_ns = samples_to_ns(end_sample)
        self._quiet.block(self._heard_ns, level_dbfs)
        if self._heard_ns - self._told_ns >= TELL_NS:
            self._told_ns = self._heard_ns
            # In the inbox behind the calls heard so far: how fast the sound comes then changes nothing.
            self._inbox.put(("heard", self._heard_ns, bool(self._partial), self._quiet.last_speech_ns))

    # ---- the core -------------------------------------------------------------------------------

    def _run(self) -> None:
        while True:
            try:
                message = self._inbox.get(timeout=TICK_S)
            except queue.Empty:
                self._tick()
                continue
            if message[0] == "end":
                self._save([], ())
                return
            try:
                self._take(*message)
            except Exception as err:
                self.told_badly = err

    def _take(self, what: str, *args) -> None:
        if what == "call":
            call = replace(args[0], id=self.journal.new_id("call"))
            self._strip.append(call)
            self._last_call = call
            self._turn(call, [codec.call_row(call, utc_now()), *self._proposal(call)])
        elif what == "touch":
            intent, point, by, at_ns = args
            self._turn(Touch(id=self.journal.new_id("step"), flight_ns=at_ns, intent=intent, point=point, by=by), [])
        elif what == "gap":
            self._gaps += 1
            self._save([codec.gap_row(args[0], utc_now(), self.journal.new_id("gap"))], ())
        elif what == "rows":
            self._save(args[0], ())
        elif what == "heard":
            self._heard(*args)

    def _heard(self, heard_ns: int, speaking: bool, last_speech_ns: int | None) -> None:
        """Nothing new was said up to here: a run may be over, a note may be."""
        if not speaking and silent_since_ns(self._state, heard_ns - LATE_CALL_NS) is not None:
            self._take("touch", Intent.SILENCE, None, "app", heard_ns - LATE_CALL_NS)
        note_ns = self._state.note_ns
        if note_ns is not None and (over_ns := note_over_ns(note_ns, heard_ns, last_speech_ns)) is not None:
            self._take("touch", Intent.END_NOTE, None, "app", over_ns)

    def _tick(self) -> None:
        self._tell_trouble()
        if self._unsaved and time.monotonic() >= self._retry_at_s:
            self._save([], ())
        if self._listener is None and self._state.note_ns is not None:
            self._heard(self.clock.now_ns(), True, None)

    def _turn(self, event: HeardCall | Touch, rows: list[JournalRow]) -> None:
        try:
            state, outcome = advance(self._state, event)
        except Exception as err:
            state, outcome, self.told_badly = self._state, Outcome(), err
        rows += self._rows_of(outcome)
        self._state = state
        self._save(rows, outcome.closed)
        for cue in outcome.cues:
            self._cue(cue)

    def _proposal(self, call: HeardCall) -> list[JournalRow]:
        """What the reader of sequences thinks likelier: a row of its own beside what was heard."""
        if call.proposed is None:
            return []
        body = {
            "call": call.id,
            "value": call.proposed,
            "posterior": call.posterior,
            "why": [str(flag) for flag in call.flags],
        }
        id = self.journal.new_id("proposal")
        return [JournalRow(id=id, flight_ns=call.start_ns, utc=utc_now(), kind=RowKind.PROPOSAL, body=body)]

    def _rows_of(self, outcome: Outcome) -> list[JournalRow]:
        utc = utc_now()
        rows = [
            JournalRow(
                id=step.id or self.journal.new_id("step"),
                flight_ns=step.flight_ns,
                utc=utc,
                kind=RowKind.STEP,
                body=step.as_body(),
            )
            for step in outcome.steps
        ]
        for run in outcome.closed:
            rows.append(
                JournalRow(
                    id=self.journal.new_id("verdict"),
                    flight_ns=run.end_ns,
                    utc=utc,
                    kind=RowKind.VERDICT,
                    body=run.verdict.as_body() | {"ended": str(run.ended)},
                )
            )
        for start_ns, end_ns in outcome.notes:
            body = {"start_ns": start_ns, "end_ns": end_ns, "text": ""}
            rows.append(
                JournalRow(id=self.journal.new_id("note"), flight_ns=start_ns, utc=utc, kind=RowKind.NOTE, body=body)
            )
        for run_id in outcome.reinstated:
            correction = Correction(
                id=self.journal.new_id("correction"),
                utc=utc,
                who=self._who,
                action=Action.REINSTATE,
                target=run_id,
                why="taken back in flight",
            )
            rows.append(codec.correction_row(correction, self.clock.now_ns()))
        return rows

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
            try:
                self.on_rows(done, closed)
            except Exception as err:
                self.told_badly = err

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

    def _cue(self, cue: Cue) -> None:
        self._cues.put(cue)
        if cue.tone is None:
            return
        asked_ns = self.clock.now_ns()
        delay_s = self.speaker.play(tone_sound(cue.tone))
        if cue.tone is Tone.MARK:
            at_ns = asked_ns + s_to_ns(delay_s or 0.0)
            body = {"sample": at_ns * RATE_HZ // NS_PER_S, "delay_s": delay_s, "played": delay_s is not None}
            self._save(
                [
                    JournalRow(
                        id=self.journal.new_id("mark"), flight_ns=at_ns, utc=utc_now(), kind=RowKind.MARK, body=body
                    )
                ],
                (),
            )

    def _tell_trouble(self) -> None:
        """A tone once for each trouble that is new; the words stand on the screen."""
        sound = self._sound
        now = set()
        if self.microphone and self.microphone.trouble and not self.microphone.trouble.endswith("not started"):
            now.add("microphone")
        if self._listener and self._listener.failure:
            now.add("hearing")
        if sound and not sound.recording:
            now.add("disk full")
        elif sound and sound.minutes_left is not None:
            now.add("disk low")
        if self._unsaved:
            now.add("journal")
        if now - self._troubles:
            self._cue(Cue(tone=Tone.TROUBLE))
        self._troubles = now

    # ---- after landing --------------------------------------------------------------------------

    def _hear_the_rest(self) -> None:
        """Hear from the disk what was kept but not heard in the air."""
        for gap in self._unheard:
            try:
                self._hear_stretch(gap)
            except Exception as err:
                self._listener.failure = f"{type(err).__name__}: {err}"
        self._unheard = []

    def _hear_stretch(self, gap: CaptureGap) -> None:
        engine = self._make_engine()
        pcm = read_sound(self.flight_dir, ns_to_s(gap.start_ns), ns_to_s(gap.end_ns))
        step = round(BACKLOG_BLOCK_S * RATE_HZ)
        calls: list[HeardCall] = []
        for first in range(0, len(pcm), step):
            calls += engine.feed(np.ascontiguousarray(pcm[first : first + step]))
        calls += engine.finish()
        utc = utc_now()
        rows = []
        for call in calls:
            shifted = replace(
                call,
                id=self.journal.new_id("call"),
                start_ns=call.start_ns + gap.start_ns,
                end_ns=call.end_ns + gap.start_ns,
                word_times=tuple((w, a + gap.start_ns, b + gap.start_ns) for w, a, b in call.word_times),
            )
            rows.append(codec.call_row(shifted, utc))
        if rows:
            self._inbox.put(("rows", rows))


class EngineMaker:
    """Makes recognisers for a campaign; the first one at once, so that what is wrong is said on the ground.

    Raises
    ------
    PackError, EngineError
        The pack or the recogniser cannot be used.
    """

    def __init__(self, campaign: Campaign | None, name: str | None = None, model: Path | None = None):
        from logger_app.hear.packs_io import load_pack

        self.campaign, self.name, self.model = campaign, name, model
        self.pack = load_pack(campaign.language if campaign else "en", campaign)
        self._ready = [self._make()]
        self.engine_name = self._ready[0].name

    def __call__(self) -> Recogniser:
        """A fresh recogniser, its clock at 0."""
        return self._ready.pop() if self._ready else self._make()

    def _make(self) -> Recogniser:
        from logger_app.hear.engine import make_engine

        return make_engine(self.name, self.pack, self.campaign, self.model)

    def reader(self) -> Callable:
        """A reader of sequences for calls as they come (see `Listener`)."""
        from logger_app.hear.engine import airspeed_range
        from logger_app.hear.sequence import SequenceReader

        low, high, unit = airspeed_range(self.campaign)
        reader = SequenceReader(unit=unit, low=low, high=high)
        return lambda calls: [reader.read(call) for call in calls]


# ---- which flight, and how it begins or goes on ---------------------------------------------------


def open_flight(
    campaign: Campaign,
    campaign_dir: Path,
    name: str | None = None,
    configuration: str | None = None,
    *,
    who: str = "",
    **extra,
) -> Journal:
    """The journal of the flight to fly: the one named, the unfinished one, or the next one planned.

    Parameters
    ----------
    **extra
        More keys of the first row: app, pack, engine.

    Raises
    ------
    CardError
        The configuration is not known, not given, or not the one that the flight was begun with.
    LogError
        The folder cannot be written.
    """
    name = name or unfinished_flight(campaign_dir) or _next_planned(campaign, campaign_dir)
    _check_name(name)
    folder = Path(campaign_dir) / FLIGHTS_DIR / name
    if folder in list_flights(campaign_dir):
        journal = Journal.open(folder)
        flown = journal.info.configuration
        if configuration and flown != configuration:
            journal.close()
            raise CardError(
                faults=(
                    Fault(
                        where=f"{folder}, --configuration",
                        got=configuration,
                        expected=f"{flown}, with which this flight was begun",
                        hint="One flight has one configuration: give another --flight.",
                    ),
                )
            )
        return journal
    planned = campaign.flight(name)
    fitted = _configuration(campaign, name, configuration or (planned.configuration if planned else None))
    loading = planned.loading if planned else Loading()
    info = FlightInfo(
        id=name,
        configuration=fitted,
        loading_items=loading.items,
        fuel_l=loading.fuel_l,
        started_utc=utc_now(),
        who=who,
    )
    points = codec.points_to_body(campaign.points)
    return Journal.create(folder, info, campaign=campaign.name, points=points, **extra)


def unfinished_flight(campaign_dir: Path) -> str | None:
    """The latest flight that was begun in the air and not landed, or None."""
    for folder in reversed(list_flights(campaign_dir)):
        try:
            with Journal.open(folder, read_only=True) as journal:
                steps = [row.body.get("step") for row in journal.rows(RowKind.STEP)]
        except LogError as err:  # an old flight that is damaged does not keep the next one on the ground
            warnings.warn(f"left out: {err}", Notice, stacklevel=2)
            continue
        if steps and steps[-1] != LANDED:
            return folder.name
    return None


def _next_planned(campaign: Campaign, campaign_dir: Path) -> str:
    flown = {folder.name for folder in list_flights(campaign_dir)}
    planned = next((flight.id for flight in campaign.flights if flight.id not in flown), None)
    if planned:
        return planned
    day = utc_now()[:10]
    return next(f"{day}_{letter}" for letter in "abcdefghijklmnopqrstuvwxyz" if f"{day}_{letter}" not in flown)


def _configuration(campaign: Campaign, flight: str, wanted: str | None) -> str | None:
    known = [configuration.id for configuration in campaign.configurations]
    if wanted in known:
        return wanted
    if wanted is None and len(known) <= 1:
        return known[0] if known else None
    raise CardError(
        faults=(
            Fault(
                where=f"flight {flight}, --configuration",
                got=wanted or "none",
                expected=f"what is fitted, one of: {', '.join(known)}" if known else "a campaign with configurations",
                hint="Give --configuration ID, or plan the flight in campaign.toml.",
            ),
        )
    )


def _check_name(name: str) -> None:
    if faults := name_faults(name, "--flight"):
        raise CardError(faults=faults)


def _replay(journal: Journal, campaign: Campaign) -> tuple[FlightState, list[HeardCall]]:
    """The state that the journal's rows lead to, and the calls in it: the same fold as in flight."""
    state = begin(points_for(campaign, journal.info.id), campaign.indicator.unit, Possible.of(campaign))
    calls: list[HeardCall] = []
    for row in journal.rows(RowKind.CALL, RowKind.STEP, RowKind.CORRECTION):
        event = _event_of(row)
        if event is None:
            continue
        if isinstance(event, HeardCall):
            calls.append(event)
        state, _ = advance(state, event)
    return state, calls


def _event_of(row: JournalRow) -> HeardCall | Touch | None:
    if row.kind is RowKind.CALL:
        return codec.body_to_call(row.body)
    if row.kind is RowKind.CORRECTION:
        return None
    step, by = row.body.get("step"), row.body.get("by")
    if by == "voice" or step not in INTENTS:
        return None  # a call's own step is made again by the call
    return Touch(id=row.id, flight_ns=row.flight_ns, intent=Intent(step), point=row.body.get("point"), by=by or "touch")

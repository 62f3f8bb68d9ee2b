"""A flight under review: everything that a review shows, and the one way to correct it.

Used by `kneecall review` on the command line and by the review screen. `ReviewWorkflow.load` reads what is new in the
journal; each change is one transaction, durable when the method returns. Between changes the journal is not locked, so
that two people may take turns.
"""

from __future__ import annotations

import contextlib
import os
import uuid
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING, cast

from logger_app.domain.cameras import camera_files
from logger_app.domain.reviewed import review_of
from logger_app.errors import LogError, LoggerError, ReduceError, ReviewError
from logger_app.io import files as files_io
from logger_app.logstore import audio_io, codec
from logger_app.logstore.store import Journal, list_flights, utc_now
from logger_app.records.calls import Action, CallKind, Correction, ReviewedCall
from logger_app.records.clocks import ClockMap
from logger_app.records.journal import FlightInfo, JournalRow, RowKind
from logger_app.records.plan import Campaign
from logger_app.records.results import StallSpeed
from logger_app.records.runs import FlightData, FlightReview, FlightRuns, Run
from logger_app.review.apply import settled_items
from logger_app.review.check import Current, correct, last_in_force, made_with
from logger_app.review.items import Item, QueueItem
from logger_app.review.placing import peers_of
from logger_app.review.progress import Progress, progress_of
from logger_app.review.queue import Queue, build_queue, last_listening
from logger_app.review.second import compare_listenings
from logger_app.review.table import MAX_BYTES, Conflict, Wanted, read_changes
from logger_app.units import RATE_HZ, s_to_ns
from logger_app.workflows import campaign as flow

__all__ = ["ReviewData", "Item", "QueueItem", "ReviewWorkflow", "new_call_id", "person"]

if TYPE_CHECKING:
    from logger_app.hear.engine_callout import CalloutEngine
    from logger_app.reduce.trace import TraceAtEvent

# What the queue's opinion of the heard calls, as heard, depends on.
HEARD_KINDS = frozenset({RowKind.CALL, RowKind.PROPOSAL, RowKind.SECOND})


@dataclass(frozen=True, slots=True, kw_only=True)
class ReviewData:
    """A flight as it is after every correction. `calls` holds rejected ones too."""

    data: FlightData
    info: FlightInfo
    unit: str
    graduation: float
    calls: tuple[ReviewedCall, ...]
    runs: FlightRuns
    corrections: tuple[Correction, ...]
    queue: Queue
    progress: Progress
    duration_s: float
    sound: tuple[audio_io.Segment, ...]
    clock_maps: tuple[ClockMap, ...]
    media: tuple[dict, ...]
    points: tuple[str, ...]
    rates: dict[str, tuple[float, float]]  # entry-rate band by test point [kt/s]
    by_id: dict[str, ReviewedCall]
    spoken: Mapping[str, str] = field(default_factory=dict)  # what people say for each name of a call

    def call(self, id: str) -> ReviewedCall | None:
        """The call with this id, or None."""
        return self.by_id.get(id)

    @property
    def review(self) -> FlightReview:
        """Whether the flight is reviewed, and how much of it was heard again."""
        counts = {"flagged": len(self.queue.flagged), "sampled": len(self.queue.sampled)}
        # Whether a fitted stall counts is a decision, no check of what was heard.
        to_check = sum(item.item is not Item.STALL for item in self.queue.items)
        return review_of(self.info.id, self.calls, to_check=to_check, **counts)

    def run(self, id: str) -> Run | None:
        """The run with this id or, from 1, this number; or None."""
        return next((run for run in self.runs.runs if id in (run.id, str(run.number))), None)

    @property
    def end_s(self) -> float:
        """End of the flight: of its sound, or of its last call where there is no sound [s]."""
        return max([self.duration_s, *(call.end_ns / 1e9 for call in self.calls)])

    def run_of(self) -> dict[str, tuple[str, str]]:
        """Run number and test point by call id."""
        return {call.id: (str(run.number), run.point or "") for run in self.runs.runs for call in run.calls}

    def clock(self, camera: str) -> ClockMap:
        """The clock of a camera file, the last one found; `ReviewError` if it is not linked."""
        files = [file for file in camera_files(self.media, self.clock_maps) if file.clock_map is not None]
        fitting = [file.clock_map for file in files if file.clock_map is not None and file.named(camera)]
        if not fitting:
            known = ", ".join(sorted(file.file for file in files)) or "none"
            raise ReviewError(
                f"camera {camera!r}: is not on the flight clock; there are: {known}.", hint="Run `kneecall sync` first."
            )
        return fitting[-1]

    def as_json(self) -> dict:
        """The contract of `review --list --json`."""
        return {
            "flight": self.info.id,
            "duration_s": round(self.duration_s, 3),
            "calls": [call.as_json() for call in self.calls],
            "runs": [_run_json(run) for run in self.runs.runs],
            "queue": [item.as_json() for item in self.queue.items],
            "progress": {**self.progress.as_json(), "review": self.review.as_json()},
            "elsewhere": [{"run": run, "flown_as": flown, "now": now} for run, flown, now in self.runs.elsewhere],
            "corrections": [
                {
                    "id": c.id,
                    "utc": c.utc,
                    "who": c.who,
                    "action": str(c.action),
                    "target": c.target,
                    "why": c.why,
                    "replaces": c.replaces,
                    **dict(c.payload),
                }
                for c in self.corrections
            ],
        }


class ReviewWorkflow:
    """Reads a flight and takes corrections to it, in the name of one person."""

    def __init__(self, flight_dir: Path, who: str, campaign_dir: Path | None = None):
        self.flight_dir = Path(flight_dir)
        self.who = who
        if not (self.flight_dir / "flight.sqlite").is_file():
            Journal.open(self.flight_dir, read_only=True)  # says in its own words what is missing
        self.campaign_dir = Path(campaign_dir or flow.campaign_of(self.flight_dir))
        self.campaign = flow.load_campaign(self.campaign_dir)
        self._rows: list[JournalRow] = []
        self._workflow: ReviewData | None = None
        self._flagged: frozenset[str] | None = None
        self._names: dict[str, CallKind] | None = None
        self._spoken: dict[str, str] | None = None
        self._peer_speeds: dict[str, list[float]] | None = None
        self._results: dict[str, StallSpeed] = {}
        self._reduced: dict[str, tuple] = {}
        self._at_event: Mapping[str, TraceAtEvent] = {}
        self._trace_runs: tuple | None = None

    def load(self) -> ReviewData:
        """The flight as it stands now.

        Raises
        ------
        LogError
            The flight cannot be read.
        """
        with Journal.open(self.flight_dir, read_only=True) as journal:
            # Rows never change: only new ones are read, and without any the desk is as it was.
            new = list(journal.rows(after=(self._rows[-1].seq or 0) if self._rows else 0))
            info = journal.info
            sound = tuple(audio_io.journal_segments(journal))
        if self._workflow is None or new or sound != self._workflow.sound:
            self._rows += new
            if any(row.kind in HEARD_KINDS for row in new):
                self._flagged = None
            self._workflow = self._made(info, sound)
            self._flagged = self._workflow.queue.flagged
        return self._workflow

    def _made(self, info: FlightInfo, sound: tuple[audio_io.Segment, ...]) -> ReviewData:
        rows = self._rows
        duration_s = max((s.end_sample for s in sound), default=0) / RATE_HZ
        folded = flow.fold_rows(self.campaign, info, rows, s_to_ns(duration_s))
        data, calls, corrections = folded.data, folded.calls, folded.data.corrections
        indicator = self.campaign.indicator
        at_event = self._traced(data)
        results = self._reduced_runs(data)
        queue = build_queue(
            data.runs,
            calls,
            unit=indicator.unit,
            graduation=indicator.graduation,
            second=last_listening([row.body for row in rows if row.kind is RowKind.SECOND]),
            settled=settled_items(corrections, calls),
            flagged=self._flagged,
            doubts_as_heard=folded.doubts_as_heard,
            points=self.campaign.points,
            peers=self._peers(info),
            own=data.info.confusions,
            what_if=lambda id, rejected: folded.runs_with(_supposed(id, rejected)),
            lowest={
                run: (s_to_ns(there.lowest_s), there.lowest_ias_kt)
                for run, there in at_event.items()
                if there.lowest_s is not None and there.lowest_ias_kt is not None
            },
            beyond=[id for id, result in results.items() if result.too_far_only],
        )
        return ReviewData(
            data=data,
            info=data.info,
            unit=indicator.unit,
            graduation=indicator.graduation,
            calls=calls,
            runs=data.runs,
            corrections=corrections,
            queue=queue,
            progress=progress_of(calls, corrections, queue),
            duration_s=duration_s,
            sound=sound,
            clock_maps=tuple(codec.body_to_clock_map(row.body) for row in rows if row.kind is RowKind.CLOCK_MAP),
            media=tuple(row.body for row in rows if row.kind is RowKind.MEDIA),
            points=tuple(point.id for point in self.campaign.points),
            rates={p.id: (p.rate_low_kt_per_s, p.rate_high_kt_per_s) for p in self.campaign.points},
            by_id={call.id: call for call in calls},
            spoken=self.spoken(),
        )

    def results(self, workflow: ReviewData) -> dict[str, StallSpeed]:
        """Stall speed and verdict of each run, by run id; empty where they cannot be worked out.

        Only runs that changed since the last time are worked out again.
        """
        return self._reduced_runs(workflow.data)

    def _reduced_runs(self, data: FlightData) -> dict[str, StallSpeed]:
        from logger_app.reduce.campaign import Reducer

        now = {run.id: (run, data.weight(run.id)) for run in data.runs.runs}
        known = {id: result for id, result in self._results.items() if self._reduced.get(id) == now.get(id)}
        try:
            made = Reducer(self.campaign).reduce(data, self._traced(data), now.keys() - known.keys())
        except ReduceError:
            return {}
        self._results, self._reduced = known | {result.run: result for result in made}, now
        return self._results

    def _traced(self, data: FlightData) -> Mapping[str, TraceAtEvent]:
        """What the traces of the flight's folder say, by run; read again only where runs or events changed."""
        from logger_app.reduce.join_io import join_traces

        now = tuple((run.id, run.end_ns, tuple(c.id for c in run.calls if c.counts)) for run in data.runs.runs)
        if self._trace_runs != now:
            self._at_event = join_traces(self.flight_dir, data, self.campaign.indicator)[0]
            self._trace_runs = now
        return self._at_event

    def _peers(self, info: FlightInfo) -> dict[str, list[float]]:
        """Stall speeds of the other flights in the same configuration, by point; read once."""
        if self._peer_speeds is None:
            self._peer_speeds = {}
            root = self.campaign_dir if self.campaign_dir.is_dir() else self.campaign_dir.parent
            for folder in list_flights(root):
                if folder.resolve() == self.flight_dir.resolve():
                    continue
                with contextlib.suppress(LoggerError):
                    other = flow.load_flight(self.campaign, folder)
                    if other.info.configuration == info.configuration:
                        for point, kt in peers_of(other.runs, flow.all_calls(other)):
                            self._peer_speeds.setdefault(point, []).append(kt)
        return self._peer_speeds

    def act(self, action: Action, target: str, why: str = "", **payload) -> Correction:
        """Take one correction.

        Raises
        ------
        ReviewError
            It cannot be taken; nothing was written.
        """
        return self.act_all([(action, target, why, payload)])[0]

    def act_all(self, wanted: Iterable[Wanted]) -> list[Correction]:
        """Take several corrections in one transaction: all, or none when one cannot be taken.

        Raises
        ------
        ReviewError
            One or more cannot be taken; names each.
        """
        return self._decide(lambda workflow: wanted)

    def take_table(self, path: Path, take_mine: bool = False) -> tuple[list[Correction], tuple[Conflict, ...]]:
        """Take what a person changed in a table of calls since it was exported.

        Parameters
        ----------
        path : Path
            CSV as `review --export` wrote it, edited.
        take_mine : bool
            Take also what contradicts changes made by others since the export.

        Returns
        -------
        tuple of (list of Correction, tuple of Conflict)
            What was taken, and the contradictions; these are taken only with `take_mine`.

        Raises
        ------
        ReviewError
            The table cannot be read, or a correction not be taken; nothing was written.
        """
        try:
            text = files_io.read_text(path, MAX_BYTES)
        except UnicodeDecodeError as err:
            raise ReviewError(
                f"{path}: is not text in UTF-8 (byte {err.start}).", hint="Save it as CSV UTF-8."
            ) from err
        conflicts: tuple[Conflict, ...] = ()

        def wanted(workflow: ReviewData) -> list[Wanted]:
            nonlocal conflicts
            changes = read_changes(text, workflow.calls, str(path), workflow.end_s)
            conflicts = changes.conflicts
            chosen = list(changes.wanted) + [one for c in conflicts for one in c.wanted if take_mine]
            named = [(a, new_call_id() if a is Action.ADD else target, why, p) for a, target, why, p in chosen]
            return [(action, target, why or f"from {path.name}", p) for action, target, why, p in named]

        return self._decide(wanted), conflicts

    def _decide(self, choose: Callable[[ReviewData], Iterable[Wanted]]) -> list[Correction]:
        """Corrections chosen on the flight as it is, all taken in one transaction or none."""
        # The flight is held from reading to writing: what is checked is what is corrected.
        with Journal.open(self.flight_dir) as journal:
            workflow = self.load()
            wanted = list(choose(workflow))
            named = any(payload.get("name") for *_, payload in wanted)
            now = self._current(workflow, frozenset(self.names()) if named else frozenset())
            made, problems = [], []
            together = _new_id("together") if len(wanted) > 1 else None
            for action, target, why, payload in wanted:
                try:
                    correction = correct(
                        now, action, target, id=_new_id("fix"), utc=utc_now(), who=self.who, why=why, **payload
                    )
                    correction = replace(correction, together=together)
                except ReviewError as err:
                    problems.append(err)
                    continue
                made.append(correction)
                now = _with(now, correction)
            if problems:
                raise problems[0] if len(problems) == 1 else ReviewError("\n".join(map(str, problems)))
            journal.append(codec.correction_row(c, _at_ns(now, c)) for c in made)
        return made

    def undo(self, id: str | None = None) -> list[Correction]:
        """Undo a correction, or the last of this person that stands, with all that were made together with it.

        Parameters
        ----------
        id : str, optional
            Which correction, and that one alone; the last if not given.

        Raises
        ------
        ReviewError
            There is nothing to undo, or no such correction.
        """
        ids = [id] if id is not None else [c.id for c in last_in_force(self.load().corrections, self.who)]
        if not ids:
            raise ReviewError(f"{self.flight_dir.name}: {self.who} has no correction to undo.")
        return self.act_all((Action.UNDO, one, "", {}) for one in ids)

    def redo(self) -> list[Correction]:
        """Take this person's last undo back, all of it.

        Raises
        ------
        ReviewError
            Nothing was undone, or something else was corrected since.
        """
        corrections = sorted(self.load().corrections, key=lambda c: (c.utc, c.id))
        mine = [c for c in corrections if c.who == self.who]
        undos = {c.id for c in mine if c.action is Action.UNDO}
        taken_back = {c.target for c in mine if c.target in undos}
        for c in reversed(mine):
            if c.action is not Action.UNDO:
                break
            if c.target not in undos and c.id not in taken_back:
                left = [one for one in made_with(c, mine) if one.id not in taken_back]
                return self.act_all((Action.UNDO, one.id, "", {}) for one in left)
        raise ReviewError(f"{self.flight_dir.name}: nothing to redo.")

    def add_phrase(self, name: str, phrase: str) -> None:
        """Add to the campaign what the team says for a call; later recordings are heard with it.

        Raises
        ------
        CardError, PackError
            The phrase cannot be heard, means something else already, or the campaign cannot be written.
        """
        from logger_app.hear.packs_io import load_pack, phrases_of
        from logger_app.plan.cards_io import read_campaign
        from logger_app.plan.edit import set_words

        file = self.campaign_dir / flow.CAMPAIGN_FILE if self.campaign_dir.is_dir() else self.campaign_dir
        phrases = [*phrases_of(name, self.campaign), " ".join(phrase.lower().split())]
        words = tuple((n, w) for n, w in self.campaign.team.words if n != name) + ((name, tuple(phrases)),)
        changed = replace(self.campaign, team=replace(self.campaign.team, words=words))
        load_pack(changed.language, changed)  # refuses what cannot be heard
        files_io.write_text(file, set_words(files_io.read_text(file), name, phrases))
        self.campaign, self._spoken, self._names = read_campaign(self.campaign_dir), None, None

    def add(self, at_s: float, value, why: str = "", **payload) -> Correction:
        """Add a call that nobody heard, at a time on the flight clock [s]."""
        return self.act(Action.ADD, new_call_id(), why, flight_ns=s_to_ns(at_s), value=value, **payload)

    def listen_again(self, progress: Callable[[float], None] | None = None) -> int:
        """Hear the flight's sound once more; differences go to the queue, none into the record.

        Parameters
        ----------
        progress : callable, optional
            Called with 0 to 1.

        Raises
        ------
        LogError
            There is no sound, or the flight cannot be written.
        """
        from logger_app.hear.packs_io import load_pack

        workflow = self.load()
        if not any(segment.samples and not segment.erased for segment in workflow.sound):
            raise LogError(f"{self.flight_dir}: there is no sound to hear again.")
        pack = load_pack(self.campaign.language, self.campaign)
        first = [call.heard for call in workflow.calls if call.heard]
        heard, engine = _heard_again(self.flight_dir, workflow, pack, self.campaign, progress)
        bodies = compare_listenings(first, heard, engine)
        if other := _other_recogniser(pack, self.campaign):
            # It may miss what ours heard: only where it heard something else is there a difference.
            bodies += [
                b
                for b in compare_listenings(first, _heard_by(other, self.flight_dir), other.name)
                if b["call"] and b["heard"]
            ]
        with Journal.open(self.flight_dir) as journal:
            now = utc_now()
            note: dict = {
                "call": None,
                "start_ns": 0,
                "heard": [],
                "engine": engine,
                "whole": True,
                "compared": len(first),
            }
            journal.append(
                JournalRow(
                    id=journal.new_id("second"), flight_ns=body["start_ns"], utc=now, kind=RowKind.SECOND, body=body
                )
                for body in [note, *bodies]
            )
        return len(bodies)

    def names(self) -> dict[str, CallKind]:
        """Names of events, settings and commands that the campaign's language pack knows."""
        if self._names is None:
            from logger_app.hear.packs_io import load_pack

            pack = load_pack(self.campaign.language, self.campaign)
            self._names = {item.name: item.kind for item in pack.items}
        return self._names

    def spoken(self) -> dict[str, str]:
        """What people say for each name: the team's words, else the pack's."""
        if self._spoken is None:
            from logger_app.hear.packs_io import spoken_names

            self._spoken = spoken_names(self.campaign)
        return self._spoken

    def understood(self, text: str) -> dict:
        """A call in a person's words, or by the pack's own name, as a correction's payload.

        Raises
        ------
        ReviewError
            Nothing that the pack knows is said so.
        """
        name = text.strip().lower().replace(" ", "_")
        if name in self.names():
            return {"kind": str(self.names()[name]), "name": name}
        from logger_app.hear.packs_io import load_pack
        from logger_app.hear.parse import parse_words

        found = parse_words(
            text.split(), load_pack(self.campaign.language, self.campaign), unit=self.campaign.indicator.unit
        )
        if len(found) == 1 and found[0].start == 0 and found[0].end == len(text.split()):
            call = found[0]
            given = {"kind": str(call.kind), "name": call.name, "value": call.value, "unit": call.unit}
            return {key: value for key, value in given.items() if value is not None}
        near = get_close_matches(text.lower(), [*self.spoken().values(), *self.names()], n=1, cutoff=0.5)
        hint = (
            f"Did you mean {near[0]!r}?" if near else "Say it as in the air, such as 'stick on the stop' or 'flaps 20'."
        )
        raise ReviewError(f"{text!r}: is no call that the team's words or the pack know.", hint=hint)

    def sound(self, start_s: float, end_s: float, speed: float = 1.0):
        """The sound of a stretch of the flight clock [s], slowed down without a change of pitch; int16, may be empty."""
        from logger_app.review.stretch import stretched

        first, end = round(start_s * RATE_HZ), round(end_s * RATE_HZ)
        pcm = audio_io.read_samples(self.flight_dir, self.load().sound, first, end)
        return stretched(pcm, speed) if len(pcm) else pcm

    def shape(self, start_s: float, end_s: float, columns: int):
        """Lowest and highest sample in each column of a stretch; None where there is no sound."""
        import numpy as np

        from logger_app.review.peaks import peaks

        try:
            pcm = self.sound(start_s, end_s)
        except LoggerError:
            return None
        # The end of the recording may come before the end of the stretch.
        made = round(columns * len(pcm) / ((end_s - start_s) * RATE_HZ))
        return np.pad(peaks(pcm, made), ((0, max(0, columns - made)), (0, 0))) if made else None

    def export(self, path: Path, *, camera: str | None = None, force: bool = False) -> None:
        """Write the calls as a table (.csv) or as subtitles (.vtt, .srt), on the flight clock or a camera's.

        Raises
        ------
        ReviewError
            Another ending, or the file is there already.
        """
        from logger_app.review.subtitles import cues, to_srt, to_webvtt
        from logger_app.review.table import to_csv

        kind = path.suffix.lower()
        if kind not in (".csv", ".vtt", ".srt"):
            raise ReviewError(f"{path}: ends in {kind or 'nothing'}; expected .csv, .vtt or .srt.")
        if path.exists() and not force:
            raise ReviewError(f"{path}: already exists; not overwritten.", hint="Give --force to replace it.")
        now = self.load()
        made = cues(now.calls, now.run_of(), now.clock(camera) if camera else None) if kind != ".csv" else []
        text = {".csv": lambda: to_csv(now.calls, now.run_of()), ".vtt": lambda: to_webvtt(made)}.get(
            kind, lambda: to_srt(made)
        )()
        files_io.write_text(path, text)

    def _current(self, workflow: ReviewData, names: frozenset[str]) -> Current:
        return Current(
            calls=workflow.calls,
            runs=[run.id for run in workflow.runs.runs],
            points=workflow.points,
            corrections=workflow.corrections,
            duration_ns=s_to_ns(workflow.duration_s),
            unit=workflow.unit,
            never_exceed_ias_kt=self.campaign.aircraft.never_exceed_ias_kt,
            names=names,
            run_spans={run.id: (run.start_ns, run.end_ns) for run in workflow.runs.runs},
            items=frozenset(item.id for item in workflow.queue.items if item.target is None or item.id != item.target),
        )


def _heard_again(flight_dir: Path, workflow: ReviewData, pack, campaign: Campaign, progress) -> tuple[list, str]:
    """The slower listening of our own recogniser, minute by minute, then all of it read in sequence."""
    from logger_app.hear.engine import airspeed_range, make_engine, usual_high
    from logger_app.hear.listen import minutes
    from logger_app.hear.sequence import read_sequence

    engine = cast("CalloutEngine", make_engine("callout", pack, campaign))
    heard, done_s = [], 0.0
    for block in minutes(audio_io.iter_sound(flight_dir)):
        heard += engine.hear_all(block)
        done_s += len(block) / RATE_HZ
        if progress:
            progress(done_s / workflow.duration_s)
    heard += engine.finish()
    low, high, unit = airspeed_range(campaign)
    named = [replace(call, id=f"second-{k:04d}") for k, call in enumerate(heard)]
    read = read_sequence(named, unit=unit, low=low, high=high, usual_high=usual_high(campaign))
    return list(read), f"{engine.name}, slower"


def _other_recogniser(pack, campaign: Campaign):
    """The second recogniser, where the user has put its model; else None."""
    from logger_app.errors import EngineError
    from logger_app.hear.engine import make_engine

    try:
        return make_engine("vosk", pack, campaign)
    except EngineError:
        return None


def _heard_by(engine, flight_dir: Path) -> list:
    calls = [call for block in audio_io.iter_sound(flight_dir) for call in engine.feed(block)]
    return [replace(call, id=f"other-{k:04d}") for k, call in enumerate(calls + engine.finish())]


def person() -> str:
    """Who reviews, where nobody said so: `KNEECALL_WHO`, else the login name."""
    import getpass

    return os.environ.get("KNEECALL_WHO") or getpass.getuser()


def new_call_id() -> str:
    """An id for a call that a person adds."""
    return _new_id("call")


def _new_id(prefix: str) -> str:
    # Random: corrections made on two copies of a flight must not bear the same name.
    return f"{prefix}-{uuid.uuid4().hex[:10]}"


def _with(now: Current, correction: Correction) -> Current:
    return replace(now, corrections=[*now.corrections, correction])


def _at_ns(now: Current, correction: Correction) -> int:
    call = now.call(correction.target)
    given = correction.get("flight_ns")
    if call is None and isinstance(given, int):
        return given
    return call.flight_ns if call else now.run_spans.get(correction.target, (0, 0))[0]


def _supposed(call: str, rejected: bool) -> Correction:
    """A correction that nobody made: what would follow from it?"""
    action = Action.REJECT if rejected else Action.CONFIRM
    return Correction(id="supposed", utc="9999", who="", action=action, target=call)


def _run_json(run: Run) -> dict:
    return {
        "id": run.id,
        "number": run.number,
        "point": run.point,
        "why_no_point": run.why_no_point,
        "point_why": run.point_why,
        "point_share": round(run.point_share, 3),
        "point_sure": run.point_sure,
        "next_likeliest": run.next_likeliest,
        "start_s": round(run.start_s, 3),
        "end_s": round(run.end_s, 3),
        "ended": str(run.ended),
        "discarded": run.discarded,
        "why_discarded": run.why_discarded,
        "overruled": run.overruled,
        "reviewed": run.reviewed,
        "calls": [call.id for call in run.calls],
    }

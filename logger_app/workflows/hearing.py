"""Recordings into a flight folder: sound and calls together, or nothing at all.

A new flight is built beside its place and moved there when it is whole. To a flight that exists,
the sound files are added first, then every row in one transaction; until then the flight does not
know of them. Main names: `hear`, `hear_into`.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from logger_app.domain.flight_time import latest_ns
from logger_app.domain.folder_names import name_faults
from logger_app.domain.times import flight_time
from logger_app.errors import CardError, Fault, SoundError
from logger_app.hear.listen import HearResult, hear_files
from logger_app.hear.own_voice import soften
from logger_app.hear.transcript_io import is_transcript
from logger_app.io.files import make_folder, put_in_place, refuse_links, remove_file
from logger_app.io.recorded import recorded_at
from logger_app.io.sound import write_flac
from logger_app.logstore import codec
from logger_app.logstore.audio_io import AUDIO_DIR, SEGMENT_S, Segment, audio_row, journal_segments, second_checks
from logger_app.logstore.recover import clear_unfinished
from logger_app.logstore.schema import JOURNAL_FILE
from logger_app.logstore.store import Journal, utc_now
from logger_app.records.calls import CallKind
from logger_app.records.journal import FlightInfo, JournalRow, RowKind
from logger_app.records.plan import Campaign, Loading
from logger_app.units import NS_PER_S, RATE_HZ, s_to_ns

# The files' clocks give whole seconds, and chapters of one recording may lose some; more is a gap. Ours.
APART_S = 5.0


def hear(
    files: Sequence[Path],
    campaign: Campaign | None = None,
    *,
    engine: str | None = None,
    model: Path | None = None,
    pack: str | None = None,
    progress: Callable[[float], None] | None = None,
    on_sound: Callable[[Path, np.ndarray], None] | None = None,
    second: bool = False,
) -> HearResult:
    """The calls in recordings or transcripts; nothing is written.

    Parameters
    ----------
    engine, pack : str, optional
        Recogniser and language pack; our own and the campaign's language without them.
    progress : callable, optional
        Called with 0 to 1.
    on_sound : callable, optional
        Called with each file and each block of its sound.
    second : bool
        Hear the sound a second time, slower, with our own recogniser.

    Raises
    ------
    SoundError, PackError, EngineError
        A file, the pack or the recogniser cannot be used; no call was found.
    """
    from logger_app.hear.engine import make_engine
    from logger_app.hear.engine_callout import CalloutEngine
    from logger_app.hear.packs_io import load_pack

    words = load_pack(pack, campaign)
    listener = None if all(map(is_transcript, files)) else make_engine(engine, words, campaign, model)
    slow = make_engine("callout", words, campaign) if second and listener else None
    again = slow if isinstance(slow, CalloutEngine) else None
    result = hear_files(files, listener, words, campaign, progress, on_sound, again)
    notes = (language_note(listener), *apart_notes(files, result)) if listener else ()
    return replace(result, notes=(*result.notes, *filter(None, notes)))


def language_note(engine: object) -> str:
    """A sentence where our recogniser was not trained on the pack's language; empty elsewhere."""
    pack, languages = getattr(engine, "pack", None), getattr(engine, "languages", ())
    if pack is None or not languages or pack.language in languages:
        return ""
    return (
        f"Our own recogniser was never trained on this language (pack {pack.name}) and misses most of what is said in it: "
        "check all runs by ear, or hear it with another recogniser."
    )


def apart_notes(files: Sequence[Path], result: HearResult) -> list[str]:
    """Sentences where the files' own clocks say that one does not begin where the one before ends."""
    begun = [_begun(path) for path in files]
    notes = []
    for k in range(1, len(files)):
        one, other = begun[k - 1], begun[k]
        if one is None or other is None:
            continue
        apart_s = (other - one).total_seconds() - (result.starts_s[k] - result.starts_s[k - 1])
        if abs(apart_s) >= APART_S:
            how = (
                f"{apart_s:.0f} s after {files[k - 1].name} ends"
                if apart_s > 0
                else f"{-apart_s:.0f} s before {files[k - 1].name} ends"
            )
            notes.append(
                f"{files[k].name} begins {how}, by the files' own clocks. They were heard as one recording without a gap: "
                f"from {flight_time(result.starts_s[k])} on, times on the flight clock are off by as much, and a run across "
                "that moment is not one approach: discard it in the review."
            )
    return notes


def _begun(path: Path) -> datetime | None:
    """When a recording began by its own clock, where that gives the hour."""
    recorded = recorded_at(path)
    if recorded.by != "recording" or "T" not in recorded.utc:
        return None
    return datetime.fromisoformat(recorded.utc.replace("Z", "+00:00"))


def hear_into(
    files: Sequence[Path],
    flight_dir: Path,
    *,
    campaign_dir: Path | None = None,
    configuration: str | None = None,
    engine: str | None = None,
    model: Path | None = None,
    pack: str | None = None,
    progress: Callable[[float], None] | None = None,
    second: bool = False,
    flown: str | None = None,
) -> HearResult:
    """As `hear`, and the sound and the calls go into a flight.

    Parameters
    ----------
    flight_dir : Path
        Flight folder; made if it is not there.
    campaign_dir : Path, optional
        Campaign folder; without it, the one that the flight lies in.
    configuration : str, optional
        What was fitted; without it as planned for a flight of that name.
    progress : callable, optional
        Called with 0 to 1.
    second : bool
        Hear the sound a second time, slower.
    flown : str, optional
        Date of the flight, YYYY-MM-DD; without it that of the recording, else the time stamp of its file.

    Returns
    -------
    HearResult
        Calls with their ids in the journal and times on the flight clock.

    Raises
    ------
    CardError
        No campaign, or it does not say what was fitted.
    SoundError, PackError, EngineError, LogError
        As `hear`; the flight folder cannot be written or is damaged. Nothing is then changed.
    """
    from logger_app.workflows import campaign as flow

    flight_dir = Path(flight_dir)
    campaign = flow.load_campaign(campaign_dir or flow.campaign_of(flight_dir))
    arguments = {"engine": engine, "model": model, "pack": pack, "progress": progress, "second": second}
    if (flight_dir / JOURNAL_FILE).is_file():
        with Journal.open(flight_dir) as journal:
            _check_configuration(journal.info, configuration, flight_dir)
            result = _hear_to(journal, files, campaign, arguments)
            if flown:
                info = replace(journal.info, started_utc=flown, dated_by="told", heard_utc=utc_now())
                journal.append([_flight_row(journal, codec.info_to_body(info))])
            return result
    if faults := name_faults(flight_dir.name, str(flight_dir)):
        raise CardError(faults=faults)
    info = _dated(_new_info(campaign, flight_dir.name, configuration), files, flown)
    info = replace(info, confusions=_kept_confusions(Path(campaign_dir or flow.campaign_of(flight_dir)), info))
    if flight_dir.exists() and any(flight_dir.iterdir()):
        raise SoundError(f"{flight_dir}: a folder with other files in it; expected a flight, or a new or empty folder.")
    refuse_links(flight_dir)
    make_folder(flight_dir.parent)
    clear_unfinished(flight_dir.parent)
    building = flight_dir.with_name(f".{flight_dir.name}.{os.getpid()}.part")
    try:
        points = codec.points_to_body(campaign.points)
        with Journal.create(building, info, campaign=campaign.name, points=points) as journal:
            result = _hear_to(journal, files, campaign, arguments)
            # What heard it: known only when it is done.
            journal.append([_flight_row(journal, {"engine": result.engine, "pack": result.pack})])
        if flight_dir.exists():
            flight_dir.rmdir()
        put_in_place(building, flight_dir)
    finally:
        shutil.rmtree(building, ignore_errors=True)
    return replace(result, notes=(*result.notes, _date_in_words(info)))


def _kept_confusions(campaign_dir: Path, info: FlightInfo) -> tuple[tuple[int, int], ...]:
    """What the rehearsal of the day on which it was flown showed of the voice; of today's where that day is not known."""
    from logger_app.workflows.preflight import kept_confusions

    folder = campaign_dir if campaign_dir.is_dir() else campaign_dir.parent
    when = datetime.fromisoformat(info.started_utc) if info.started_utc else None
    if when and len(info.started_utc) == len("YYYY-MM-DD"):
        when = when.replace(hour=12)
    return kept_confusions(folder, info.who, when and (when if when.tzinfo else when.replace(tzinfo=UTC)))


def _dated(info: FlightInfo, files: Sequence[Path], flown: str | None) -> FlightInfo:
    """The flight with its date: as told, else from the first file; never the hour of hearing."""
    if flown:
        return replace(info, started_utc=flown, dated_by="told")
    found = recorded_at(Path(files[0]))
    return replace(info, started_utc=found.utc, dated_by=found.by)


def _date_in_words(info: FlightInfo) -> str:
    if info.dated_by == "told":
        return f"Flown on {info.started_utc}."
    ask = "give --flown YYYY-MM-DD"
    if info.dated_by == "recording":
        return f"Flown on {info.started_utc[:10]} by the recording's own clock; if not, {ask}."
    if info.dated_by == "file":
        return (
            f"Flown on {info.started_utc[:10]} by the time stamp of the file, which a copy may change; if not, {ask}."
        )
    return f"Not known when it was flown: {ask}."


def _flight_row(journal: Journal, more: Mapping[str, object]) -> JournalRow:
    body = journal.flight_body() | dict(more)
    return JournalRow(id=journal.new_id("flight"), flight_ns=0, utc=utc_now(), kind=RowKind.FLIGHT, body=body)


def _check_configuration(info: FlightInfo, configuration: str | None, flight_dir: Path) -> None:
    if configuration and configuration != info.configuration:
        raise CardError(
            faults=(
                Fault(
                    where=f"{flight_dir}, --configuration",
                    got=configuration,
                    expected=f"{info.configuration}, with which this flight was begun",
                ),
            )
        )


def _new_info(campaign: Campaign, name: str, configuration: str | None) -> FlightInfo:
    planned = campaign.flight(name)
    fitted = configuration or (planned.configuration if planned else None)
    known = [one.id for one in campaign.configurations]
    if fitted not in known:
        hint = "Say what was fitted with --configuration." if fitted is None else ""
        got = repr(fitted) if fitted else f"no flight {name!r} in the campaign"
        raise CardError(
            faults=(
                Fault(where=f"flight {name}, configuration", got=got, expected=f"one of {', '.join(known)}", hint=hint),
            )
        )
    loading = planned.loading if planned else Loading()
    return FlightInfo(
        id=name, configuration=fitted, loading_items=loading.items, fuel_l=loading.fuel_l, heard_utc=utc_now()
    )


def _hear_to(journal: Journal, files: Sequence[Path], campaign: Campaign, arguments: dict) -> HearResult:
    known = journal_segments(journal)
    _refuse_same(files, {segment.source for segment in known}, journal.flight_dir)
    # After the latest time that any row knows: calls from a transcript have no sound.
    after = -(-latest_ns(journal.rows()) * RATE_HZ // NS_PER_S)
    sound = _Segments(journal.flight_dir, max([after, *(segment.end_sample for segment in known)]))
    try:
        result = hear(files, campaign, on_sound=sound.take, **arguments)
        sound.close()
        result = _on_flight(result, sound.begins, journal)
        result = replace(result, calls=tuple(soften(result.calls, journal.info.confusions)))
        utc = utc_now()
        rows = [audio_row(segment, journal.new_id("audio"), utc) for segment in sound.segments]
        rows += [codec.gap_row(gap, utc, journal.new_id("gap")) for gap in result.gaps]
        for call in result.calls:
            rows.append(codec.call_row(call, utc))
            if call.proposed is not None:
                rows.append(_proposal(call, journal.new_id("proposal"), utc))
        journal.append(rows)
    except BaseException:
        sound.discard()
        raise
    return result


def _refuse_same(files: Sequence[Path], sources: set[str], flight_dir: Path) -> None:
    for path in files:
        if Path(path).name in sources:
            raise SoundError(
                f"{path}: is in flight {flight_dir.name} already; to hear its sound again use "
                f"`kneecall review {flight_dir} --second`."
            )


def _on_flight(result: HearResult, first_sample: int, journal: Journal) -> HearResult:
    shift = s_to_ns(first_sample / RATE_HZ)
    calls = tuple(
        replace(
            call,
            id=journal.new_id("call"),
            start_ns=call.start_ns + shift,
            end_ns=call.end_ns + shift,
            word_times=tuple((word, a + shift, b + shift) for word, a, b in call.word_times),
        )
        for call in result.calls
    )
    gaps = tuple(replace(gap, start_ns=gap.start_ns + shift, end_ns=gap.end_ns + shift) for gap in result.gaps)
    return replace(result, calls=calls, gaps=gaps)


def _proposal(call, id: str, utc: str) -> JournalRow:
    body = {
        "call": call.id,
        "value": call.proposed,
        "posterior": call.posterior,
        "why": [str(flag) for flag in call.flags],
    }
    return JournalRow(id=id, flight_ns=call.start_ns, utc=utc, kind=RowKind.PROPOSAL, body=body)


class _Segments:
    """Sound on its way into a flight: FLAC files that no row names yet."""

    def __init__(self, flight_dir: Path, first_sample: int):
        self.folder = Path(flight_dir) / AUDIO_DIR
        self.begins = self._at = first_sample
        self.segments: list[Segment] = []
        self._made: list[Path] = []
        self._held: list[np.ndarray] = []
        self._samples = 0
        self._source = ""

    def take(self, path: Path, pcm: np.ndarray) -> None:
        """The next sound of a file."""
        name = Path(path).name
        if name != self._source:
            self._write()
            self._source = name
        self._held.append(pcm)
        self._samples += len(pcm)
        if self._samples >= SEGMENT_S * RATE_HZ:
            self._write()

    def close(self) -> None:
        """No more sound."""
        self._write()

    def discard(self) -> None:
        """Take away what was written."""
        for path in self._made:
            remove_file(path, missing_ok=True)

    def _write(self) -> None:
        if not self._samples:
            return
        pcm = np.concatenate(self._held)
        make_folder(self.folder, 0o700, parents=False)
        taken = [int(path.stem) for path in self.folder.glob("*.*") if path.stem.isdigit()]
        path = self.folder / f"{max(taken, default=-1) + 1:04d}.flac"
        self._made.append(path)
        write_flac(path, pcm)
        self.segments.append(
            Segment(
                file=f"{AUDIO_DIR}/{path.name}",
                first_sample=self._at,
                samples=len(pcm),
                source=self._source,
                checks=second_checks(pcm),
            )
        )
        self._at += len(pcm)
        self._held, self._samples = [], 0


def counts(result: HearResult) -> str:
    """What was heard, in a few words."""
    parts = []
    for kind in CallKind:
        number = sum(call.kind is kind for call in result.calls)
        if number:
            parts.append(f"{number} {kind}{'s' if number > 1 else ''}")
    return ", ".join(parts)

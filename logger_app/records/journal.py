"""The rows of a flight's journal: one fact each, never changed."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class RowKind(StrEnum):
    """What a journal row states. The body's keys are given with each kind."""

    FLIGHT = "flight"  # name, configuration, campaign, loading {items, fuel_l}, who, started_utc, dated_by, heard_utc, confusions, app, pack, engine
    AUDIO = "audio"  # file, first_sample, samples, rate_hz, source
    CALL = "call"  # a HeardCall (codec.call_to_body)
    PROPOSAL = "proposal"  # call, value, posterior, why: from the reader of sequences
    SECOND = "second"  # second listening of a call or stretch: call, start_ns, heard [...], engine
    GAP = "gap"  # start_ns, end_ns, why
    STEP = "step"  # step, card, point, run, by ("voice"|"touch"|"app"): the state machine moved on
    VERDICT = "verdict"  # run, counts, why, entry_rate_kt_per_s, vs_ias_kt, event
    CORRECTION = "correction"  # a Correction (codec.correction_to_body)
    MEDIA = "media"  # file, sha256, camera, chapter, duration_s, fps
    CLOCK_MAP = "clock_map"  # a ClockMap
    MARK = "mark"  # sync signature played: sample
    NOTE = "note"  # start_ns, end_ns, text
    TUFT = "tuft"  # camera, frame_pts, station, state, ias_kt, who, proposed
    TUFT_GRID = (
        "tuft_grid"  # camera, corners [[x, y] x 4], span_pct [...], chord_pct [...], who; carried_from: a flight
    )
    ERASED = "erased"  # what was removed on request and why (never calls)


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalRow:
    """One fact: its id (unique in the flight), when on the flight clock, UTC label, kind, body."""

    id: str
    flight_ns: int
    utc: str
    kind: RowKind
    body: dict
    seq: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FlightInfo:
    """What a flight was, from its `FLIGHT` rows (the last one holds).

    `dated_by` says where `started_utc` comes from: "" the clock of the program (flown live, and all older
    journals), else recording, file or told; then it may be a date only, or empty, and `heard_utc` says when the
    recording was heard. `confusions` are decades, heard and meant, that the rehearsal showed the pilot's voice to confuse.
    """

    id: str
    configuration: str | None
    loading_items: tuple[tuple[str, float], ...] = ()
    fuel_l: float | None = None
    started_utc: str = ""
    who: str = ""
    dated_by: str = ""
    heard_utc: str = ""
    confusions: tuple[tuple[int, int], ...] = ()

    @property
    def began(self) -> str:
        """When it was flown, in words; empty where nobody knows."""
        source = {"recording": "the recording's clock", "file": "time stamp of the file", "told": "as told"}
        by = source.get(self.dated_by, "")
        return f"{self.started_utc} ({by})" if by and self.started_utc else self.started_utc

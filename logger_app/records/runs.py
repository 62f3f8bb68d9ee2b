"""A run: one attempt at a test point, from on condition through the approach to recovered or discarded."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from logger_app.records.calls import Correction, ReviewedCall
from logger_app.records.clocks import Stretch
from logger_app.records.journal import FlightInfo


class RunEnd(StrEnum):
    """How a run ended."""

    RECOVERED = "recovered"
    DISCARDED = "discarded"
    KNOCKED_OFF = "knocked_off"
    NEXT_RUN = "next_run"  # the next one began
    GAP = "gap"  # silence, or no sound
    FLIGHT_END = "flight_end"


class StallEvent(StrEnum):
    """What the stall was: different kinds of speed, never averaged together unsaid.

    The kinds follow 14 CFR 23.201(b) and 25.201(d); `NOT_REACHED` is our own word for a run
    that ended without one.
    """

    PITCH_DOWN = "pitch_down"
    AFT_STOP = "aft_stop"
    DEVICE = "device"
    DETERRENT_BUFFET = "deterrent_buffet"
    ROLL_OFF = "roll_off"
    NOT_REACHED = "not_reached"


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """What was set when the run was flown, as spoken, carded or touched. None is not known."""

    power: str | None = None
    power_rpm: float | None = None
    power_pct: float | None = None
    flap_deg: float | None = None
    bank_deg: float | None = None
    altitude_ft: float | None = None
    fuel_l: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Run(Stretch):
    """One run with the calls in it.

    `id` is anchored on the row that opened it (a card step, or the first call as heard), so
    corrections do not rename it; `number` counts runs of the flight from 1. `point` is the test
    point's id, or None with the reason in `why_no_point`. `point_why` says what the choice of point
    rests on, `point_share` (0 to 1) how likely it is, `point_cause` the call that an unsure choice
    hangs on, `rivals` the next likeliest points, each with its share. `looked_back`: the whole
    flight says another point than was given when it was flown, `point_then`.
    """

    id: str
    number: int
    flight: str
    start_ns: int
    end_ns: int
    point: str | None
    calls: tuple[ReviewedCall, ...]
    ended: RunEnd
    settings: Settings = Settings()
    why_no_point: str = ""
    discarded: bool = False
    why_discarded: str = ""
    overruled: bool | None = None
    point_why: str = ""
    point_share: float = 1.0
    point_sure: bool = True
    point_cause: str | None = None
    looked_back: bool = False
    point_then: str | None = None
    clock_fault: str = ""  # why its times cannot be trusted
    decade_doubt: str = ""  # why a decade of its airspeeds may have been heard wrongly all through
    rivals: tuple[tuple[str, float], ...] = ()

    @property
    def next_likeliest(self) -> str | None:
        """The point that it would be otherwise."""
        return self.rivals[0][0] if self.rivals else None

    @property
    def reviewed(self) -> bool:
        """Whether a person has looked at every call in it."""
        return all(call.reviewed for call in self.calls)


@dataclass(frozen=True, slots=True, kw_only=True)
class FlightRuns:
    """The runs of one flight, the calls that belong to none, and settings that were heard and not applied.

    `doubts` holds (call id, why); `elsewhere` runs that the campaign as it is now would put at another
    point: (run id, the point flown in words, the other point or None).
    """

    flight: str
    runs: tuple[Run, ...]
    unassigned: tuple[ReviewedCall, ...] = ()
    doubts: tuple[tuple[str, str], ...] = ()
    elsewhere: tuple[tuple[str, str, str | None], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class RunWeight:
    """Weight and CG when a run was flown, from loading and fuel; None where not known."""

    run: str
    weight_kg: float | None
    weight_u_kg: float | None = None
    cg_mm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FlightReview:
    """How far one flight is reviewed.

    `flagged`, `sampled` and `to_check` count what was to be looked at: calls that something pointed at, random
    checks, and what is still open of both and of runs (None where nobody has begun); `corrected` are calls that were
    changed, added or rejected.
    """

    flight: str
    calls: int
    heard_again: int
    flagged: int
    sampled: int
    corrected: int
    to_check: int | None

    @property
    def complete(self) -> bool:
        """Whether nothing is left to look at, in a flight in which something was heard."""
        return self.calls > 0 and self.to_check == 0

    @property
    def share(self) -> float:
        """Share of the calls that a person heard again, 0 to 1."""
        return self.heard_again / self.calls if self.calls else 0.0

    def as_json(self) -> dict:
        """As `reduce --json` and `review --list --json` show it."""
        return {
            "flight": self.flight,
            "complete": self.complete,
            "calls": self.calls,
            "heard_again": self.heard_again,
            "heard_again_share": round(self.share, 4),
            "flagged": self.flagged,
            "sampled": self.sampled,
            "corrected": self.corrected,
            "to_check": self.to_check,
        }

    def in_words(self) -> str:
        """One line for a person.

        Examples
        --------
        >>> FlightReview(
        ...     flight="day1", calls=200, heard_again=24, flagged=14, sampled=10, corrected=3, to_check=0
        ... ).in_words()
        'reviewed: 14 flagged, 10 sampled, 3 corrected; 12 % of the calls heard again'
        """
        if not self.calls:
            return "not reviewed: no call was heard"
        heard = f"{100 * self.share:.0f} % of the calls heard again"
        if self.to_check is None:
            return "not reviewed"
        if not self.complete:
            return f"not reviewed: {self.to_check} to check; {heard}"
        return f"reviewed: {self.flagged} flagged, {self.sampled} sampled, {self.corrected} corrected; {heard}"


@dataclass(frozen=True, slots=True, kw_only=True)
class FlightData:
    """All that the reduction and the report need of one flight.

    `folder` is where it was read from, None where it was not read from a disk. Its name need not be the flight's id:
    people rename folders.
    """

    info: FlightInfo
    runs: FlightRuns
    weights: tuple[RunWeight, ...] = ()
    corrections: tuple[Correction, ...] = ()
    packs: tuple[str, ...] = ()
    journal_sha256: str = ""
    folder: Path | None = None
    review: FlightReview | None = None

    def weight(self, run: str) -> RunWeight | None:
        """The weight record of a run, or None."""
        return next((w for w in self.weights if w.run == run), None)

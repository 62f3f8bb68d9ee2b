"""How well a difference is known before a flight, and what its runs will add: for the set-up card and for `fly --json`.

Worked out once, before the flight begins, from the reduction of what was flown before; in flight it is looked up.
Main names: `Known`, `known_before`.
"""

from __future__ import annotations

import time
import warnings
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from logger_app.errors import LoggerError, Notice
from logger_app.fly.flight_records import ClosedRun, FlightState
from logger_app.records.plan import Campaign
from logger_app.records.results import StallSpeed
from logger_app.units import from_kt

# A flight does not wait longer for it than this: with more history nothing is said in the air [s].
MAX_S = 5.0
# Runs of a point on one flight that are worked out; more are not flown.
MAX_RUNS = 24
Halves = tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """By point and runs on this flight: half-widths of the 95 % interval now, with one more run, with one more flight [kt]."""

    by_point: Mapping[str, tuple[Halves | None, ...]] = field(default_factory=dict)
    unit: str = "kt"

    def _at(self, point: str | None, runs: int) -> Halves | None:
        halves = self.by_point.get(point or "", ())
        return halves[runs] if runs < len(halves) else None

    def in_words(self, state: FlightState) -> str:
        """One line for the point that is set up; empty where nothing is known."""
        found = self._at(state.point, state.counted(state.point))
        if found is None:
            return ""
        now, run, flight = (from_kt(half, self.unit) for half in found)
        return f"{state.point}: known to ±{now:.1f} {self.unit}; one more run ±{run:.1f}, one more flight of each ±{flight:.1f}"

    def after_run(self, state: FlightState, run: ClosedRun) -> dict[str, float]:
        """The same once a run is over, for machines; empty where nothing is known."""
        flown = sum(one.counts for one in state.runs if one.point == run.point and one.number <= run.number)
        found = self._at(run.point, flown)
        names = "known_to_kt", "with_one_more_run_kt", "with_one_more_flight_kt"
        return dict(zip(names, (round(half, 2) for half in found), strict=True)) if found else {}


NOTHING_KNOWN = Known()


def known_before(campaign: Campaign, campaign_dir: Path, flight: str, configuration: str | None) -> Known:
    """What the campaign's other flights say; nothing where they cannot be read, or not soon enough."""
    try:
        runs = _runs_of_others(campaign_dir, flight, time.monotonic() + MAX_S)
        return known_from(campaign, runs, configuration or "") if runs else NOTHING_KNOWN
    # scipy and readers of traces are not on every device that flies; no statistics keep a flight on the ground.
    except (LoggerError, ImportError, ArithmeticError, ValueError, LookupError):
        return NOTHING_KNOWN


def known_from(campaign: Campaign, runs: list[StallSpeed], configuration: str) -> Known:
    """As `known_before`, from runs that were reduced already."""
    from logger_app.domain.design import enough
    from logger_app.reduce.compare import flown_before

    before = flown_before(campaign, runs, configuration)
    return Known(
        by_point={
            point: tuple(enough(posterior, design, now) for now in range(MAX_RUNS + 1))
            for point, (posterior, design) in before.items()
        },
        unit=campaign.indicator.unit,
    )


def _runs_of_others(campaign_dir: Path, flight: str, until_s: float) -> list[StallSpeed]:
    from logger_app.workflows.campaign import FlightByFlight

    reader = FlightByFlight(campaign_dir)
    runs: list[StallSpeed] = []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", Notice)
        for folder in reader.folders:
            if folder.name == flight:
                continue
            if time.monotonic() > until_s:
                return []
            for _, reduced in reader.of([folder]):
                runs += reduced
    return runs

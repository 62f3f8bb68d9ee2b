"""Runs under the edition of the campaign that they were flown under: a plan edited afterwards moves none. Pure.

Main names: `runs_as_flown`, `doubts_as_flown`, `elsewhere_in_words`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from logger_app.domain.points import points_for, same_point
from logger_app.domain.runs import find_runs, settings_doubted
from logger_app.domain.settings import Possible
from logger_app.records.calls import Action, CaptureGap, Correction, ReviewedCall
from logger_app.records.journal import JournalRow
from logger_app.records.plan import Campaign, TestPoint
from logger_app.records.runs import FlightRuns


def runs_as_flown(
    campaign: Campaign,
    flown: Sequence[TestPoint] | None,
    flight: str,
    calls: Sequence[ReviewedCall],
    steps: Sequence[JournalRow],
    corrections: Sequence[Correction],
    gaps: Sequence[CaptureGap],
    duration_ns: int | None,
) -> FlightRuns:
    """The runs of a flight at the points that it was flown for, whatever the campaign says now.

    Parameters
    ----------
    flown : sequence of TestPoint or None
        The points of the edition that the flight was flown under; None where the journal does not hold them.
    duration_ns : int or None
        Length of the recording [ns].

    Returns
    -------
    FlightRuns
        A run keeps its point; in `elsewhere` are those that the campaign as it is now would put elsewhere. A run
        whose point now asks for other settings is at none until a person assigns it. One that had no point takes
        the one that the campaign has for it now.
    """
    order = points_for(campaign, flight)

    def fold(points: Sequence[TestPoint]) -> FlightRuns:
        possible = Possible.of(campaign, points)
        return find_runs(flight, calls, steps, points, corrections, gaps, duration_ns, possible, order)

    now = fold(campaign.points)
    if flown is None or not _edited(campaign, flown):
        return now
    assigned = {c.target for c in corrections if c.action is Action.ASSIGN}
    there = {run.id: run for run in now.runs}
    before = {point.id: point for point in flown}
    after = {point.id: point for point in campaign.points}
    runs, elsewhere = [], []
    as_flown = fold(flown)
    for run in as_flown.runs:
        then, other = run.point, there.get(run.id, run).point
        if run.id in assigned or then is None:
            runs.append(there.get(run.id, run))
            continue
        changed = then in after and then in before and not same_point(before[then], after[then])
        if changed or then not in after or other != then:
            elsewhere.append((run.id, f"{then} ({before[then].label})", other))
        why = f"flown as {then} ({before[then].label}), which is {after[then].label} now: assign it" if changed else ""
        lost = replace(run, point=None, why_no_point=why, point_sure=False, rivals=((other, 0.5),) if other else ())
        runs.append(lost if changed else run)
    return replace(as_flown, runs=tuple(runs), elsewhere=tuple(elsewhere))


def doubts_as_flown(
    campaign: Campaign,
    flown: Sequence[TestPoint] | None,
    flight: str,
    calls: Sequence[ReviewedCall],
    steps: Sequence[JournalRow],
    gaps: Sequence[CaptureGap],
    duration_ns: int | None,
) -> dict[str, str]:
    """Settings that were heard and not applied, by call: `doubts` of `runs_as_flown`, without making the runs."""
    points = flown if flown and _edited(campaign, flown) else campaign.points
    possible = Possible.of(campaign, points)
    return settings_doubted(flight, calls, steps, gaps, duration_ns, possible, points_for(campaign, flight))


def _edited(campaign: Campaign, flown: Sequence[TestPoint]) -> bool:
    """Whether a flight's own points are not those that the campaign has now."""
    same = len(flown) == len(campaign.points) and all(map(same_edition, flown, campaign.points))
    return bool(flown) and not same


def elsewhere_in_words(found: FlightRuns) -> list[str]:
    """Runs that the campaign as it is now would put at another point than they were flown for, one sentence each."""
    number = {run.id: run.number for run in found.runs}
    return [
        f"flight {found.flight}, run {number[id]}: flown as {flown}; the campaign as it is now "
        + (
            f"asks for other settings at {other}"
            if flown.startswith(f"{other} (")
            else f"puts it at {other or 'no point'}"
        )
        + f". It stays where it was flown until you assign it (kneecall review ... --assign {number[id]} POINT)."
        for id, flown, other in found.elsewhere
    ]


def same_edition(one: TestPoint, other: TestPoint) -> bool:
    """Whether a point has the same name and settings in two editions of a campaign."""
    return one.id == other.id and same_point(one, other)

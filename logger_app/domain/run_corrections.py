"""What people decided about runs: discarded, taken in again, assigned, split, joined, overruled. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from logger_app.records.calls import Action, Correction
from logger_app.records.plan import TestPoint
from logger_app.records.runs import Run, RunEnd


def apply_to_runs(
    runs: Sequence[Run], corrections: Sequence[Correction], points: Sequence[TestPoint] = ()
) -> list[Run]:
    """Corrections on runs: discard, reinstate, assign, split, join, overrule; in order of time.

    Parameters
    ----------
    corrections : sequence of Correction
        Those that stand; ones whose run is not there are passed over.

    Returns
    -------
    list of Run
        In order of time; numbers are not set here.
    """
    by_id = {run.id: run for run in runs}
    for correction in sorted(corrections, key=lambda c: (c.utc, c.id)):
        run = by_id.get(correction.target)
        if run is None:
            continue
        if correction.action is Action.DISCARD:
            by_id[run.id] = replace(
                run, discarded=True, why_discarded=correction.why or f"discarded by {correction.who}"
            )
        elif correction.action is Action.REINSTATE:
            by_id[run.id] = replace(run, discarded=False, why_discarded="")
        elif correction.action is Action.ASSIGN:
            by_id[run.id] = _assigned(run, str(correction.get("point")), correction.who, points)
        elif correction.action is Action.OVERRULE:
            by_id[run.id] = replace(run, overruled=bool(correction.get("counts", True)))
        elif correction.action is Action.SPLIT:
            for part in _split(run, int(correction.get("flight_ns"))):
                by_id[part.id] = part
        elif correction.action is Action.JOIN and (other := by_id.get(str(correction.get("other")))):
            del by_id[other.id]
            by_id[run.id] = _join(run, other)
    return sorted(by_id.values(), key=lambda run: (run.start_ns, run.id))


def _assigned(run: Run, id: str, who: str, points: Sequence[TestPoint]) -> Run:
    """The run at the point that a person gave it; what was said against that point no longer holds for it."""
    point = next((p for p in points if p.id == id), None)
    settings = run.settings
    if point is not None:
        settings = replace(
            settings,
            power=point.power,
            power_rpm=point.power_rpm,
            power_pct=point.power_pct,
            flap_deg=point.flap_deg,
            bank_deg=point.bank_deg,
        )
    return replace(
        run,
        point=id,
        why_no_point="",
        point_why=f"assigned by {who}",
        point_sure=True,
        point_share=1.0,
        point_cause=None,
        looked_back=False,
        point_then=None,
        rivals=(),
        settings=settings,
    )


def _split(run: Run, at_ns: int) -> list[Run]:
    before = tuple(call for call in run.calls if call.flight_ns < at_ns)
    after = tuple(call for call in run.calls if call.flight_ns >= at_ns)
    if not before or not after:
        return [run]
    return [
        replace(run, calls=before, end_ns=before[-1].end_ns, ended=RunEnd.NEXT_RUN),
        replace(run, id=f"run-{after[0].id}", calls=after, start_ns=after[0].flight_ns),
    ]


def _join(run: Run, other: Run) -> Run:
    first, last = sorted((run, other), key=lambda r: r.start_ns)
    return replace(
        run,
        start_ns=first.start_ns,
        end_ns=max(run.end_ns, other.end_ns),
        calls=tuple(sorted(run.calls + other.calls, key=lambda call: (call.flight_ns, call.id))),
        ended=last.ended,
    )

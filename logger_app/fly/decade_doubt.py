"""Whether a run's airspeeds may have had a decade heard wrongly all through, asked while still at altitude. Pure.

The rule is `domain.decades`, the same that the review asks on the ground; here it sees the runs flown so far, as heard. Main
names: `doubted_decade`, `without_decade`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from logger_app.domain.decades import NAMES, TEEN, WrongDecade, wrong_decades
from logger_app.domain.reviewed import as_heard
from logger_app.fly.flight_records import ClosedRun
from logger_app.fly.verdict import Verdict
from logger_app.records.plan import TestPoint
from logger_app.records.runs import Run
from logger_app.units import from_kt


def doubted_decade(
    runs: Sequence[ClosedRun], points: Sequence[TestPoint], unit: str, own: Sequence[tuple[int, int]] = ()
) -> WrongDecade | None:
    """The decade in doubt in the last of the runs, or None.

    Parameters
    ----------
    runs : sequence of ClosedRun
        Of this flight, in order of time.
    own : sequence of (int, int)
        Decades, heard and meant, that the rehearsal showed this pilot's voice to confuse.
    """
    flown = [_run(run, unit) for run in runs if run.spoken]
    found = wrong_decades(flown, points, unit=unit, own=own)
    return next((one for one in found if runs[-1].id in one.runs), None)


def without_decade(verdict: Verdict, found: WrongDecade) -> Verdict:
    """The verdict while it is open which decade was said: as on the ground, the run does not count until that is settled."""
    heard, meant = (f"{from_kt(kt, verdict.unit):.0f}" for kt in (found.heard_stall_kt, found.stall_kt))
    sounded = "tens" if found.meant == TEEN else NAMES[found.heard]
    why = f"{sounded} may have been {found.meant_name}, a stall at {meant} and not {heard} {verdict.unit}"
    return replace(verdict, counts=False, why=(why,), runs_counted=verdict.runs_counted - 1)


def _run(run: ClosedRun, unit: str) -> Run:
    return Run(
        id=run.id,
        number=run.number,
        flight="",
        start_ns=run.start_ns,
        end_ns=run.end_ns,
        point=run.point,
        calls=tuple(as_heard(call, unit) for call in run.spoken),
        ended=run.ended,
        discarded=run.discarded,
    )

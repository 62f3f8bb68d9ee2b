"""Which runs are compared. Pure."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence

from logger_app.errors import SyncError
from logger_app.records.results import StallSpeed
from logger_app.units import speed_text

# Runs in a message.
MAX_NAMED = 40
# So many sets of runs are looked at: four configurations of sixteen runs each have more.
MAX_SETS = 20_000


def choose_runs(
    candidates: Mapping[str, Sequence[StallSpeed]], wanted: Mapping[str, str] | None = None, unit: str = "kt"
) -> tuple[dict[str, StallSpeed], str]:
    """One run of each configuration, and in words why these.

    Parameters
    ----------
    candidates : mapping of str to sequence of StallSpeed
        Runs of the point by configuration, in the order of comparison; those without pictures left out.
    wanted : mapping of str to str, optional
        Configuration to run id or ``FLIGHT:NUMBER``, where the user chose.
    unit : str
        The indicator's, for the words.

    Raises
    ------
    SyncError
        A configuration has no run, or a chosen one is not there.
    """
    lists = {}
    for configuration, runs in candidates.items():
        asked = (wanted or {}).get(configuration)
        fitting = [
            r for r in runs if asked is None or asked in (r.run, f"{r.flight}:{r.run_number}", str(r.run_number))
        ]
        if not fitting:
            there = ", ".join(f"{r.flight}:{r.run_number}" for r in runs[:MAX_NAMED]) or "none"
            there += f" and {len(runs) - MAX_NAMED} more" if len(runs) > MAX_NAMED else ""
            raise SyncError(
                f"configuration {configuration}: got run {asked or '(any)'}; expected one of those with pictures: {there}"
            )
        lists[configuration] = fitting
    near_1 = {name: sorted(runs, key=_typical) for name, runs in lists.items()}
    while (
        math.prod(map(len, near_1.values())) > MAX_SETS
    ):  # of the longest list the run that is farthest from 1 kt/s goes
        max(near_1.values(), key=len).pop()
    sets = list(itertools.product(*near_1.values()))
    best = min(sets, key=_worth)
    rates = [r.entry_rate_kt_per_s for r in best]
    said = " and ".join(
        f"{r.flight} run {r.run_number} ({_rate(r, unit)}{', reviewed' if r.reviewed else ''})" for r in best
    )
    near = "the nearest entry rates" if len(best) > 1 and None not in rates else "the first that counts"
    reason = "chosen by you" if wanted else f"{near}, runs that count and reviewed ones first"
    out = [
        f"{r.flight} run {r.run_number} does not count ({'; '.join(r.why) or 'left out'})" for r in best if not r.counts
    ]
    doubt = f". {'; '.join(out)}: its stall speed, and ratios to it, are not established" if out else ""
    return dict(zip(lists, best)), f"{said}: {reason}{doubt}"


def _typical(run: StallSpeed) -> tuple:
    rate = run.entry_rate_kt_per_s
    return not run.counts, not run.reviewed, 99.0 if rate is None else abs(rate - 1.0), run.run_number


def _worth(runs: Sequence[StallSpeed]) -> tuple:
    rates = [r.entry_rate_kt_per_s for r in runs if r.entry_rate_kt_per_s is not None]
    apart = max(rates) - min(rates) if len(rates) == len(runs) else 99.0
    return sum(not r.counts for r in runs), sum(not r.reviewed for r in runs), apart


def _rate(result: StallSpeed, unit: str) -> str:
    rate = result.entry_rate_kt_per_s
    return "rate not known" if rate is None else f"{speed_text(rate, unit, '.2f')}/s"

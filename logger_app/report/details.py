"""Which runs of a long campaign its page shows in detail, and in words which. Pure.

A page with the calls of 20,000 runs helps nobody. First those asked for, then those that saved
pictures show, then one of each configuration at each point to stand for it, then those that deserve
a look (overruled, or far from the mean of their cell), then the newest of each in turn. Main names:
`choose_details`, `asked_runs`.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from itertools import zip_longest
from typing import TYPE_CHECKING

from logger_app.errors import ReportError
from logger_app.records.results import Cell

if TYPE_CHECKING:
    from logger_app.report.view import RunView

# So many standard deviations from the mean of its cell a run deserves a look; one in 400 by chance.
FAR_SD = 3.0
# Of the places, for those that deserve a look.
FAR_SHARE = 0.3


def choose_details(
    runs: Sequence[RunView],
    cells: Iterable[Cell],
    asked: Sequence[str],
    pictured: Collection[tuple[str, str]],
    most: int,
) -> tuple[list[RunView], str]:
    """The runs to detail, and a sentence that says how they were chosen.

    Parameters
    ----------
    pictured : collection of (str, str)
        Flight and id of runs that saved pictures show.

    Returns
    -------
    (list of RunView, str)
        In the order of `runs`, and the sentence.

    Raises
    ------
    ReportError
        As `asked_runs`, or more runs are asked for than may be detailed.
    """
    groups: dict[tuple, list[RunView]] = {}
    for run in runs:
        groups.setdefault((run.run.point, run.configuration), []).append(run)
    wanted = asked_runs(runs, asked)
    if len(wanted) > most:
        raise ReportError(
            f"--runs {','.join(asked)}: {len(wanted)} runs; a page details at most {most}.",
            hint="Ask for fewer: FLIGHT:3-9,FLIGHT:12",
        )
    steps = (
        ("asked for", wanted, most),
        ("shown in saved pictures", [run for run in runs if _key(run) in pictured], most),
        (
            "nearest to an entry rate of 1 kt/s, for each configuration at each point",
            [r for g in groups.values() for r in _typical(g)],
            most,
        ),
        (
            f"overruled by the pilot, or more than {FAR_SD:g} standard deviations from the mean of their cell",
            _far(runs, cells),
            round(FAR_SHARE * most),
        ),
        ("the newest of each configuration at each point, in turn", _newest_in_turn(groups.values()), most),
    )
    chosen: dict[tuple[str, str], RunView] = {}
    said = []
    for name, candidates, share in steps:
        new = [run for run in candidates if _key(run) not in chosen][: min(share, most - len(chosen))]
        chosen |= {_key(run): run for run in new}
        if new:
            said.append(f"{len(new)} {name}")
    picked = [run for run in runs if _key(run) in chosen]
    return picked, f"{len(picked)} of {len(runs)} runs are shown in detail: {'; '.join(said)}."


def asked_runs(runs: Sequence[RunView], asked: Sequence[str]) -> list[RunView]:
    """The runs that were asked for.

    Parameters
    ----------
    asked : sequence of str
        ``FLIGHT`` for all of a flight, ``FLIGHT:3``, ``FLIGHT:3-9``, or a run's id.

    Raises
    ------
    ReportError
        One names no run: says which flights there are.
    """
    if not asked:
        return []
    flights: dict[str, list[RunView]] = {}
    ids: dict[str, list[RunView]] = {}
    for run in runs:
        flights.setdefault(run.flight, []).append(run)
        ids.setdefault(run.run.id, []).append(run)
    found: dict[tuple[str, str], RunView] = {}
    for text in asked:
        mine = _named(text, flights, ids)
        if not mine:
            known = list(flights)
            listed = ", ".join(known[:12]) + (f" and {len(known) - 12} more" if len(known) > 12 else "")
            raise ReportError(
                f"--runs {text}: no such run; expected FLIGHT, FLIGHT:3 or FLIGHT:3-9 with a flight of {listed}."
            )
        found |= {_key(run): run for run in mine}
    return list(found.values())


def _named(text: str, flights: Mapping[str, list[RunView]], ids: Mapping[str, list[RunView]]) -> list[RunView]:
    if text in flights:
        return flights[text]
    flight, _, numbers = text.rpartition(":")
    span = re.fullmatch(r"(\d{1,9})(?:-(\d{1,9}))?", numbers)
    if flight in flights and span:
        first, last = int(span[1]), int(span[2] or span[1])
        return [run for run in flights[flight] if first <= run.run.number <= last]
    return ids.get(text, [])


def _key(run: RunView) -> tuple[str, str]:
    return run.flight, run.run.id


def _typical(group: Sequence[RunView]) -> list[RunView]:
    """The run that stands for a configuration: reviewed first, then nearest to 1 kt/s."""
    counting = [run for run in group if run.counts and run.event_s is not None]
    return [min(counting, key=typicality)] if counting else []


def typicality(run: RunView) -> tuple[bool, float]:
    """What sorts runs by how well they stand for others: reviewed first, then nearest to 1 kt/s."""
    return not run.reduced.reviewed, abs((run.reduced.entry_rate_kt_per_s or 9.0) - 1.0)


def _far(runs: Sequence[RunView], cells: Iterable[Cell]) -> list[RunView]:
    """Overruled runs, then those far from the mean of their cell, farthest first."""
    means: dict[tuple[str | None, str | None], list[tuple[float, float]]] = {}
    for cell in cells:
        if cell.vs_std_kt is not None and cell.vs_std_sd_kt:
            means.setdefault((cell.point, cell.configuration), []).append((cell.vs_std_kt, cell.vs_std_sd_kt))
    scored = []
    for place, run in enumerate(runs):
        result = run.result
        if result is None:
            continue
        if run.run.overruled is not None:
            scored.append((-1e9, place, run))
        elif result.counts and result.vs_std_kt is not None:
            # Runs of another kind of stall have a cell of their own: the nearest is theirs.
            away = [
                abs(result.vs_std_kt - mean_kt) / sd_kt
                for mean_kt, sd_kt in means.get((run.run.point, run.configuration), ())
            ]
            if away and min(away) > FAR_SD:
                scored.append((-min(away), place, run))
    return [run for _, _, run in sorted(scored, key=lambda one: one[:2])]


def _newest_in_turn(groups: Iterable[Sequence[RunView]]) -> list[RunView]:
    rows = zip_longest(*(reversed(group) for group in groups))
    return [run for row in rows for run in row if run is not None]

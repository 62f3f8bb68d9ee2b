"""The line of a design: generation by generation what was fitted, what it did, and what nobody has tried. Pure.

Evidence, not advice: a sentence about what comes next says what the data show and what no run has changed alone.
Not for: whether a difference is shown (`reduce`), drawing (`wing_drawing`). Main names: `Generation`, `generations`, `evidence`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from logger_app.domain.fitted import Difference, device_rows, difference, fitted_to, history_problems, lineage
from logger_app.domain.planform import drawing_of, row_words
from logger_app.records.plan import AircraftConfig, Campaign, TestPoint
from logger_app.records.results import Cell, Comparison, OneSided, Reduction
from logger_app.report import layout
from logger_app.report.wing_drawing import wing_figure


@dataclass(frozen=True, slots=True, kw_only=True)
class StallLine:
    """The stall at one point: this generation's speed, and its difference to the baseline and to its parent."""

    point: TestPoint
    cell: Cell | None
    to_baseline: Comparison | None
    to_parent: Comparison | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Generation:
    """One configuration of the line, with all that is known of it."""

    configuration: AircraftConfig
    number: int
    parent: str | None
    baseline: str
    fitted: tuple[str, ...]
    drawing: layout.Drawing
    step: Difference | None
    stalls: tuple[StallLine, ...]
    drops: tuple[tuple[str, int], ...]
    one_sided: OneSided | None
    team_words: tuple[str, ...]
    question: str

    @property
    def flown(self) -> bool:
        """Whether a run of it counts."""
        return any(line.cell is not None for line in self.stalls)


def generations(
    campaign: Campaign, reduction: Reduction, flown: Iterable[tuple[str, str]] = ()
) -> tuple[Generation, ...]:
    """Every configuration in the order of its line, baselines first.

    Parameters
    ----------
    flown : iterable of (str, str)
        Flight id and configuration of each flight, for the work that was done before it.
    """
    flights = list(flown)
    ordered = sorted(campaign.configurations, key=lambda c: len(lineage(campaign, c.id)))
    return tuple(_generation(campaign, reduction, config, k, flights) for k, config in enumerate(ordered))


def _generation(campaign, reduction: Reduction, config: AircraftConfig, number: int, flights) -> Generation:
    chain = lineage(campaign, config.id)
    baseline = chain[0].id if chain else config.id
    fits = fitted_to(campaign, config.id)
    lines = []
    for point in campaign.points:
        cells = [c for c in reduction.cells if (c.point, c.configuration) == (point.id, config.id)]
        cell = max(cells, key=lambda c: c.n, default=None)
        to_baseline = _comparison(reduction, point.id, baseline, config.id)
        to_parent = _comparison(reduction, point.id, config.parent, config.id) if config.parent else None
        if cell or to_baseline or to_parent:
            lines.append(StallLine(point=point, cell=cell, to_baseline=to_baseline, to_parent=to_parent))
    own = [fit for fit in fits if fit.since == config.id]
    listed = [row_words(fit, row) for fit, row in device_rows(own)] or [fit.change.item for fit in own]
    work = [
        f"{words} ({flight.id})"
        for flight in campaign.flights
        if flight.configuration == config.id
        for words in (*flight.work_done, *((flight.note,) if flight.note else ()))
    ]
    return Generation(
        configuration=config,
        number=number,
        parent=config.parent,
        baseline=baseline,
        fitted=tuple(listed),
        drawing=wing_figure(
            drawing_of(campaign.aircraft, fits, config.id), f"wing-{config.id}", f"{config.name}: what is fitted"
        ),
        step=difference(campaign, config.parent, config.id) if config.parent else None,
        stalls=tuple(lines),
        drops=_drops(reduction, config.id),
        one_sided=next((one for one in reduction.one_sided if one.configuration == config.id), None),
        team_words=tuple(([config.note] if config.note else []) + work),
        question=config.question,
    )


def _comparison(reduction: Reduction, point: str, reference: str | None, changed: str) -> Comparison | None:
    every = (*reduction.comparisons, *reduction.history)
    return next((c for c in every if (c.point, c.reference, c.changed) == (point, reference, changed)), None)


def _drops(reduction: Reduction, configuration: str) -> tuple[tuple[str, int], ...]:
    said = [
        run.wing_drop or "not called" for run in reduction.runs if run.counts and run.configuration == configuration
    ]
    return tuple((name, said.count(name)) for name in ("left", "right", "none", "not called") if said.count(name))


def evidence(
    campaign: Campaign, first: Sequence[tuple[str, str, float, int, int]] = (), ratio_line: float = 1.1
) -> tuple[str, ...]:
    """What the data would want next, as sentences about what was seen and what has not been changed alone.

    Parameters
    ----------
    first : sequence of (configuration, station, ratio, runs, of runs)
        Stations that separated at `ratio` times the stall speed or faster, and in how many of the runs that showed them.
    ratio_line : float
        Stations that let go above this ratio are named.
    """
    found = list(history_problems(campaign))
    last = campaign.configurations[-1].id if campaign.configurations else ""
    early = [one for one in first if one[0] == last and one[2] > ratio_line]
    if early:
        stations = ", ".join(
            f"{station} at {ratio:.2f} Vs ({n} of {of} runs)"
            for _, station, ratio, n, of in sorted(early, key=lambda one: -one[2])[:6]
        )
        touched = {
            fit.since
            for fit, row in device_rows(fitted_to(campaign, last))
            for _, station, *_ in early
            if row.span_from_pct <= _span_of(station) <= row.span_to_pct
        }
        tail = (
            f"changed there by {', '.join(sorted(touched))}"
            if touched
            else "no configuration has changed that area alone"
        )
        found.append(f"{last}: separated above {ratio_line:g} Vs: {stations}; {tail}.")
    return tuple(found)


def _span_of(station: str) -> float:
    try:
        return float(station.split("/")[0])
    except ValueError:
        return -1.0

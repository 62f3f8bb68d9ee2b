"""The line of a design: generation by generation what was fitted, what it did, and what nobody has tried. Pure.

Evidence, not advice: a sentence about what comes next says what the data show and what no run has changed alone.
Not for: whether a difference is shown (`reduce`), drawing (`wing_drawing`). Main names: `Generation`, `generations`, `evidence`, `not_flown`; `caption` and `facts`, which page, PDF and screen show.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from logger_app.domain.binomial import clopper_pearson
from logger_app.domain.fitted import Difference, device_rows, difference, fitted_to, history_problems, lineage
from logger_app.domain.planform import drawing_of, row_words
from logger_app.domain.station_ratios import StationRatio
from logger_app.domain.tufts import place_words
from logger_app.records.plan import AircraftConfig, Campaign, TestPoint
from logger_app.records.results import Cell, Comparison, OneSided, Reduction, StationPair
from logger_app.report import layout
from logger_app.report.wing_drawing import wing_figure
from logger_app.report.words import WING_DROPS
from logger_app.units import from_kt

MAX_FIRST, MAX_PAIRS = 4, 4
SAME_RATIO = 0.005  # a look at 1.1 times the stall speed is within this of 1.1


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
    stations: tuple[StationRatio, ...] = ()
    first_to_go: tuple[str, ...] = ()
    paired_words: tuple[str, ...] = ()

    @property
    def flown(self) -> bool:
        """Whether a run of it counts."""
        return any(line.cell is not None for line in self.stalls)


def generations(
    campaign: Campaign,
    reduction: Reduction,
    stations: Sequence[StationRatio] = (),
    paired: Sequence[tuple[str, tuple[StationPair, ...]]] = (),
) -> tuple[Generation, ...]:
    """Every configuration in the order of its line, baselines first.

    Parameters
    ----------
    stations : sequence of StationRatio
        From the tuft marks of all configurations.
    paired : sequence of (str, tuple of StationPair)
        Of fits on one wing: the stations of both wings in the same runs.
    """
    ordered = sorted(campaign.configurations, key=lambda c: len(lineage(campaign, c.id)))
    return tuple(_generation(campaign, reduction, c, k, stations, dict(paired)) for k, c in enumerate(ordered))


def _generation(
    campaign: Campaign, reduction: Reduction, config: AircraftConfig, number: int, stations, paired
) -> Generation:
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
            drawing_of(campaign.aircraft, fits, config.id),
            f"wing-{config.id}",
            f"{config.name}: what is fitted",
            mine := tuple(one for one in stations if one.configuration == config.id),
        ),
        stations=mine,
        first_to_go=_first_to_go(mine),
        paired_words=_paired_words(paired.get(config.id, ()), campaign.indicator.unit),
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
    """Of the runs that count, as in the headline."""
    said = [
        run.wing_drop or "not called" for run in reduction.runs if run.counts and run.configuration == configuration
    ]
    return tuple((name, said.count(name)) for name in WING_DROPS if said.count(name))


def caption(one: Generation) -> str:
    """What its drawing shows, as sentences."""
    parts = [f"New: {'; '.join(one.fitted)}." if one.fitted else "Nothing is added." if one.parent else "The baseline."]
    if one.step and one.step.removed:
        parts.append(f"Removed: {', '.join(fit.change.item for fit in one.step.removed)}.")
    return " ".join(parts)


def facts(one: Generation) -> tuple[tuple[str, str], ...]:
    """All that is known of a generation beside its drawing and its table: (label, words), a label may come again."""
    compared = any(stall.to_parent and stall.to_parent.difference_kt is not None for stall in one.stalls)
    answers = one.step.answers if one.step else ""
    found = (
        [("answers", answers if compared else answers.replace(" shows ", " would show, once flown, "))]
        if answers
        else []
    )
    if one.drops:
        found.append(("wing drop", _drop_words(dict(one.drops))))
    found += [("let go", words) for words in one.first_to_go]
    found += [("wing against wing", words) for words in one.paired_words]
    if one.one_sided:
        # A side that dropped is known of every stall; the tally above is of the runs that count.
        said = f"of every stall, whether or not its speed counts: {one.one_sided.words}"
        found.append(("one wing only", f"{said}. No stall speed of a full fit follows from it."))
    found += [("the team", words) for words in one.team_words]
    if one.question:
        found.append(("next question", one.question))
    return tuple(found)


def _drop_words(drops: Mapping[str, int]) -> str:
    """The tally, and how often the side that dropped more often came first, with its exact interval."""
    tally = ", ".join(f"{name} {n}" for name, n in drops.items())
    left, right = drops.get("left", 0), drops.get("right", 0)
    if not left + right:
        return tally
    side, first = ("right", right) if right > left else ("left", left)
    low, high = clopper_pearson(first, left + right)
    return f"{tally}; {side} first in {first} of {left + right}, {100 * low:.0f} to {100 * high:.0f} % (95 %, exact)"


def _first_to_go(stations: Sequence[StationRatio]) -> tuple[str, ...]:
    """Of each wing the stations that let go first, with in how many runs; those that the looks do not tell apart together."""
    found = []
    for wing in ("left", "right"):
        mine = [one for one in stations if one.wing == wing and one.first_in]
        most = max((one.first_in for one in mine), default=0)
        first = sorted((one for one in mine if one.first_in == most), key=lambda one: -(one.ratio or 0.0))
        if not first:
            continue
        names = [place_words(one.station) for one in first]
        count = f"in {most} of {first[0].runs} runs"
        if len(first) == 1:
            alone = "" if first[0].alone_in == most else f", in {first[0].alone_in} of them alone"
            found.append(f"{wing} wing first at {names[0]} {count}{alone}{_between(first)}")
        else:
            rest = f" and {len(names) - MAX_FIRST} more" if len(names) > MAX_FIRST else ""
            listed = "; ".join(names[:MAX_FIRST])
            found.append(
                f"{wing} wing first at one of: {listed}{rest}; the looks do not tell them apart, {count}{_between(first)}"
            )
    return tuple(found)


def first_places(stations: Sequence[StationRatio]) -> tuple[str, ...]:
    """In short where each wing let go first: ``left: 75 % span, 7 of 8`` runs, ``right: 60 to 90 % span, 8 of 8`` where the looks leave that open."""
    found = []
    for wing in ("left", "right"):
        mine = [one for one in stations if one.wing == wing and one.first_in and one.span_pct is not None]
        most = max((one.first_in for one in mine), default=0)
        spans = [one.span_pct or 0.0 for one in mine if one.first_in == most]
        if spans:
            to = f" to {max(spans):g}" if max(spans) > min(spans) else ""
            runs = max(one.runs for one in mine)
            found.append(f"{wing}: {min(spans):g}{to} % span, {most} of {runs}")
    return tuple(found)


def not_flown(line: Sequence[Generation]) -> tuple[str, ...]:
    """Of what nothing is known, as sentences: generations, points and wings without a run or a mark."""
    points = list(dict.fromkeys(stall.point.id for one in line for stall in one.stalls if stall.cell))
    found = []
    for one in line:
        name = one.configuration.id
        flown = {stall.point.id for stall in one.stalls if stall.cell}
        if not flown:
            found.append(f"{name}: no run counts, so nothing is known of its stall.")
        elif missing := [point for point in points if point not in flown]:
            found.append(f"{name}: no run counts at {', '.join(missing)}.")
        compared = [
            c for stall in one.stalls for c in (stall.to_baseline, stall.to_parent) if c and c.low_kt is not None
        ]
        once = [c for c in compared if c.n_flights_reference == c.n_flights_changed == 1]
        if once:
            at = f" at {', '.join(dict.fromkeys(c.point for c in once))}" if len(once) < len(compared) else ""
            found.append(
                f"{name}: compared by one flight each{at}, so its intervals {'there ' if at else ''}rest on an assumed scatter of flights "
                "([plan] flight_scatter_kt), not on a measured one."
            )
        wings = {station.wing for station in one.stations}
        if flown and any(other.stations for other in line) and len(wings) < 2:
            which = f"the {'right' if 'left' in wings else 'left'} wing" if wings else "either wing"
            found.append(f"{name}: no tufts of {which} are marked; where it let go is not known.")
    return tuple(found)


def _between(stations: Sequence[StationRatio]) -> str:
    """Between which ratios they let go, as far as the looks say."""
    lows = [one.low_ratio for one in stations if one.low_ratio]
    highs = [one.high_ratio for one in stations if one.high_ratio]
    return f" (between {min(lows):.2f} and {max(highs):.2f} Vs)" if lows and highs else ""


def _paired_words(pairs: Sequence[StationPair], unit: str) -> tuple[str, ...]:
    """Stations at which the wings surely differ in the same runs, the largest first."""
    shown = [(max(p.low_kt or 0.0, -(p.high_kt or 0.0)), p) for p in pairs]
    shown = sorted(((sure, p) for sure, p in shown if sure > 0), key=lambda one: -one[0])
    return tuple(_pair_words(p, unit) for _, p in shown[:MAX_PAIRS])


def _pair_words(one: StationPair, unit: str) -> str:
    longer = (one.low_kt or 0.0) > 0
    near, far = (one.low_kt, one.high_kt) if longer else (one.high_kt, one.low_kt)
    least = from_kt(abs(near or 0.0), unit)
    by = f"at least {least:.1f}" if far is None else f"{least:.1f} to {from_kt(abs(far), unit):.1f}"
    return (
        f"{place_words(one.station)}: the wing with the change held {'longer' if longer else 'less long'} by {by} {unit} "
        f"in the same runs (95 %, as far as the looks tell; n = {one.n})"
    )


def evidence(campaign: Campaign, stations: Sequence[StationRatio] = (), ratio_line: float = 1.1) -> tuple[str, ...]:
    """What the data would want next, as sentences about what was seen and what has not been changed alone.

    Parameters
    ----------
    stations : sequence of StationRatio
        From the tuft marks.
    ratio_line : float
        Stations that let go above this ratio to the stall speed are named.
    """
    found = list(history_problems(campaign))
    marked = {one.configuration for one in stations}
    last = next((c.id for c in reversed(campaign.configurations) if c.id in marked), "")
    mine = [one for one in stations if one.configuration == last and _seen_at(one) >= ratio_line - SAME_RATIO]
    if mine:
        early = sorted(mine, key=lambda one: -(one.ratio or 0.0))
        spans = [one.span_pct for one in early if one.span_pct is not None]
        listed = ", ".join(
            f"{one.wing} {place_words(one.station)} at {_seen_at(one):.2f} Vs ({one.separated} of {one.runs} runs)"
            for one in early[:6]
        )
        where = (
            f"from {min(spans):g} to {max(spans):g}"
            if spans and max(spans) > min(spans)
            else f"at {min(spans, default=0):g}"
        )
        area = f"the area {where} % span" if spans else "the area"
        alone = _changed_alone(campaign, spans)
        tail = (
            f"{area} was changed alone by {', '.join(alone)}" if alone else f"no configuration has changed {area} alone"
        )
        found.append(f"{last}: seen separated at {ratio_line:g} Vs or faster: {listed}; {tail}.")
    return tuple(found)


def _seen_at(one: StationRatio) -> float:
    """The ratio at which it was seen separated, on the mean: it may have let go faster; 0 where it never was."""
    return one.low_ratio or one.ratio or 0.0


def _changed_alone(campaign: Campaign, spans: Sequence[float]) -> list[str]:
    """Configurations that differ from their parent in one thing, with a row over some of these places."""
    found = []
    for config in campaign.configurations:
        if config.parent is None:
            continue
        step = difference(campaign, config.parent, config.id)
        rows = [row for _, row in device_rows(step.added)]
        if len(step.items) == 1 and any(r.span_from_pct <= span <= r.span_to_pct for r in rows for span in spans):
            found.append(config.id)
    return found

"""Records to what the page shows: runs, calls and points joined and given anchors. Pure; no markup.

A run's key is (flight, run id): ids are unique within a flight only. Everything that the page
says of review goes through here, so that what is unreviewed is marked wherever it reaches.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from logger_app.records.calls import Action, Correction, ReviewedCall
from logger_app.records.plan import AircraftConfig, Campaign, TestPoint
from logger_app.records.results import BudgetTerm, Cell, Comparison, Excluded, Reduction, StallSpeed
from logger_app.records.runs import FlightData, Run, StallEvent
from logger_app.report.words import call_words, count, heard_words

NO_POINT = ""


@dataclass(slots=True, kw_only=True)
class CallView:
    """A call with where it went: used in the fit, left out (why), or neither."""

    anchor: str
    flight: str
    call: ReviewedCall
    says: str
    heard: str
    used: bool
    left_out: str
    corrections: tuple[Correction, ...]
    sound: str = ""
    frame: str = ""


@dataclass(slots=True, kw_only=True)
class RunView:
    """A run, how it reduced, and its calls."""

    anchor: str
    flight: str
    configuration: str | None
    series: int
    run: Run
    result: StallSpeed | None
    calls: tuple[CallView, ...]
    corrections: tuple[Correction, ...]
    why: tuple[str, ...]

    @property
    def counts(self) -> bool:
        """Whether it enters the averages."""
        return self.result is not None and self.result.counts

    @property
    def stalled(self) -> bool:
        """Whether its speed is a stall speed, not just its lowest."""
        return self.result is not None and self.result.event is not StallEvent.NOT_REACHED

    @property
    def name(self) -> str:
        """``flight, run 3``."""
        return f"{self.flight}, run {self.run.number}"

    @property
    def unreviewed(self) -> int:
        """How many calls nobody has looked at."""
        return sum(not call.call.reviewed for call in self.calls)

    @property
    def event_s(self) -> float | None:
        """The stall event on the flight clock, or None [s]."""
        return self.result.event_flight_s if self.result else None


@dataclass(slots=True, kw_only=True)
class Side:
    """One configuration at one point: its cells (one a kind of event) and its runs."""

    configuration: AircraftConfig
    series: int
    cells: tuple[Cell, ...]
    runs: tuple[RunView, ...]

    @property
    def cell(self) -> Cell | None:
        """The cell with most runs."""
        return max(self.cells, key=lambda cell: cell.n, default=None)

    @property
    def counting(self) -> tuple[RunView, ...]:
        """Runs that enter the averages."""
        return tuple(run for run in self.runs if run.counts)

    @property
    def wing_drops(self) -> tuple[tuple[str, int], ...]:
        """How often left, right, none, a side nobody named, and not called, among the runs that count."""
        said = [run.result.wing_drop or "not called" for run in self.counting]
        order = ("left", "right", "none", "unknown", "not called")
        return tuple((name, said.count(name)) for name in order if said.count(name) or name in order[:3])

    @property
    def margins(self) -> tuple[tuple[RunView, float], ...]:
        """Warning margin of each run that has one: the first warning or buffet above the stall [kt]."""
        found = ((run, margin_kt(run.result)) for run in self.counting)
        return tuple((run, margin) for run, margin in found if margin is not None)

    @property
    def unreviewed(self) -> int:
        """Runs that count and have calls nobody has looked at."""
        return sum(not run.result.reviewed for run in self.counting)


@dataclass(slots=True, kw_only=True)
class Row:
    """One line of the table: a comparison with both sides."""

    point: TestPoint
    anchor: str
    comparison: Comparison | None
    reference: Side | None
    changed: Side | None

    @property
    def n(self) -> int:
        """Runs on both sides."""
        return (self.comparison.n_reference + self.comparison.n_changed) if self.comparison else 0

    @property
    def caveat(self) -> str:
        """What is unreviewed in it, in words; empty when nothing is."""
        return unreviewed_words([side for side in (self.reference, self.changed) if side])


@dataclass(slots=True, kw_only=True)
class Pair:
    """All comparisons of one changed configuration with its reference."""

    reference: AircraftConfig
    changed: AircraftConfig
    rows: tuple[Row, ...]

    @property
    def common_notes(self) -> tuple[str, ...]:
        """Notes that stand at every point compared: said once, under the table."""
        made = [row.comparison for row in self.rows if row.comparison.difference_kt is not None]
        if len(made) < 2:
            return ()
        return tuple(note for note in made[0].notes if all(note in c.notes for c in made))

    def own_notes(self, row: Row) -> tuple[str, ...]:
        """Notes of one point that do not stand at every point."""
        return tuple(note for note in row.comparison.notes if note not in self.common_notes)


@dataclass(slots=True, kw_only=True)
class PointView:
    """One test point with everything known of it."""

    anchor: str
    point: TestPoint
    card: str
    sides: tuple[Side, ...]
    comparisons: tuple[Comparison, ...]
    figures: list = field(default_factory=list)
    sheet: list = field(default_factory=list)
    stills: list = field(default_factory=list)

    @property
    def runs(self) -> tuple[RunView, ...]:
        """All runs, by configuration."""
        return tuple(run for side in self.sides for run in side.runs)

    @property
    def budgets(self) -> tuple[tuple[str, tuple[BudgetTerm, ...]], ...]:
        """(what for, terms) of every cell and comparison that has a budget."""
        mine = [
            (side.configuration.name, side.cell.budget)
            for side in self.sides
            if side.cell and side.cell.budget
        ]
        mine += [(f"{c.changed} less {c.reference}", c.budget) for c in self.comparisons if c.budget]
        return tuple(mine)

    @property
    def caveat(self) -> str:
        """What is unreviewed, in words."""
        return unreviewed_words(self.sides)


@dataclass(slots=True, kw_only=True)
class Page:
    """All that the page shows, but for pictures and sound, which are filled in after."""

    campaign: Campaign
    reduction: Reduction
    flights: tuple[FlightData, ...]
    pairs: tuple[Pair, ...]
    points: tuple[PointView, ...]
    runs: tuple[RunView, ...]
    loose: tuple[CallView, ...]
    corrections: tuple[tuple[str, Correction, str], ...]  # (flight, correction, anchor of what it changed)
    excluded: tuple[tuple[Excluded, str, str], ...]  # (what and why, its name, its anchor)

    @property
    def unit(self) -> str:
        """The unit of the indicator."""
        return self.campaign.indicator.unit

    @property
    def calls(self) -> tuple[CallView, ...]:
        """Every call, in runs or not, by flight and time."""
        every = [call for run in self.runs for call in run.calls] + list(self.loose)
        order = {data.info.id: k for k, data in enumerate(self.flights)}
        return tuple(sorted(every, key=lambda c: (order[c.flight], c.call.flight_ns, c.call.id)))

    @property
    def assigned_nowhere(self) -> tuple[RunView, ...]:
        """Runs that fit no test point."""
        known = {point.point.id for point in self.points}
        return tuple(run for run in self.runs if run.run.point not in known)

    @property
    def unreviewed(self) -> tuple[int, int]:
        """(calls in runs that nobody looked at, calls in runs)."""
        calls = [call for run in self.runs for call in run.calls]
        return sum(not call.call.reviewed for call in calls), len(calls)


def margin_kt(result: StallSpeed) -> float | None:
    """The first warning or buffet above the stall [kt]: calibrated where it can be, else indicated.

    Parameters
    ----------
    result : StallSpeed
        A run reduced [-].

    Returns
    -------
    float | None
        Margin, or None [kt].
    """
    margins = [margin for margin in (result.warning_margin_kt, result.buffet_margin_kt) if margin is not None]
    if not margins and result.vs_ias_kt is not None:
        speeds = [v for v in (result.warning_ias_kt, result.buffet_ias_kt) if v is not None]
        margins = [v - result.vs_ias_kt for v in speeds]
    return max(margins, default=None)


def unreviewed_words(sides: Sequence[Side]) -> str:
    """What nobody has reviewed among the runs that count, in words; empty when nothing.

    Parameters
    ----------
    sides : sequence of Side
        Configurations at a point [-].

    Returns
    -------
    str
        Words such as ``2 of 6 runs not reviewed`` [-].
    """
    every = sum(len(side.counting) for side in sides)
    missing = sum(side.unreviewed for side in sides)
    if missing == every:
        return "not reviewed" if missing else ""
    return f"{missing} of {count(every, 'run')} not reviewed" if missing else ""


def build_page(campaign: Campaign, flights: Sequence[FlightData], reduction: Reduction) -> Page:
    """Join a campaign, its flights and its results.

    Parameters
    ----------
    campaign : Campaign
        The plan [-].
    flights : sequence of FlightData
        Flights in the order they are to be shown [-].
    reduction : Reduction
        Results of the same flights [-].

    Returns
    -------
    Page
        Everything with its anchor [-].
    """
    configurations = _configurations(campaign, flights, reduction)
    series = {configuration.id: k for k, configuration in enumerate(configurations)}
    results = {(result.flight, result.run): result for result in reduction.runs}
    runs, loose = [], []
    for k, data in enumerate(flights, 1):
        anchors = _call_anchors(data, k)
        history = _history(data)
        for run in data.runs.runs:
            runs.append(
                _run_view(data, k, run, results.get((data.info.id, run.id)), series, anchors, history)
            )
        loose += [_call_view(data.info.id, call, None, anchors, history) for call in data.runs.unassigned]
    points = tuple(
        _point_view(campaign, f"p{n}", point, configurations, series, runs, reduction)
        for n, point in enumerate(_points(campaign, reduction), 1)
    )
    return Page(
        campaign=campaign,
        reduction=reduction,
        flights=tuple(flights),
        pairs=_pairs(configurations, points, reduction),
        points=points,
        runs=tuple(runs),
        loose=tuple(loose),
        corrections=_corrections(flights, runs, loose),
        excluded=_excluded(reduction, runs),
    )


def _configurations(campaign, flights, reduction) -> list[AircraftConfig]:
    """As planned; then those only flown, so that nothing flown is missing."""
    found = list(campaign.configurations)
    known = {configuration.id for configuration in found}
    flown = [data.info.configuration for data in flights] + [cell.configuration for cell in reduction.cells]
    for id in flown:
        if id and id not in known:
            known.add(id)
            found.append(AircraftConfig(id=id, name=id))
    return found


def _points(campaign: Campaign, reduction: Reduction) -> list[TestPoint]:
    """Planned points in card order; then those that only the results know."""
    points = list(campaign.points)
    known = {point.id for point in points}
    for cell in reduction.cells:
        if cell.point not in known:
            known.add(cell.point)
            points.append(TestPoint(id=cell.point, card="", power="not planned"))
    return points


def _call_anchors(data: FlightData, k: int) -> dict[str, str]:
    calls = [call for run in data.runs.runs for call in run.calls] + list(data.runs.unassigned)
    return {
        call.id: f"c{k}-{n}" for n, call in enumerate(sorted(calls, key=lambda c: (c.flight_ns, c.id)), 1)
    }


def _history(data: FlightData) -> dict[str, list[Correction]]:
    """Corrections by what they changed; an undo goes to what the undone one changed."""
    target = {correction.id: correction.target for correction in data.corrections}
    by_target: dict[str, list[Correction]] = {}
    for correction in data.corrections:
        on = correction.target
        seen: set[str] = set()
        while correction.action is Action.UNDO and on in target and on not in seen:
            seen.add(on)
            on = target[on]
        by_target.setdefault(on, []).append(correction)
    return by_target


def _run_view(data, k, run, result, series, anchors, history) -> RunView:
    configuration = (result.configuration if result else None) or data.info.configuration
    why = tuple(result.why) if result else ()
    if run.discarded and not any(run.why_discarded and run.why_discarded in reason for reason in why):
        why = (*why, f"discarded: {run.why_discarded}" if run.why_discarded else "discarded")
    if run.why_no_point and run.why_no_point not in why:
        why = (*why, f"no test point: {run.why_no_point}")
    return RunView(
        anchor=f"r{k}-{run.number}",
        flight=data.info.id,
        configuration=configuration,
        series=series.get(configuration, 0),
        run=run,
        result=result,
        calls=tuple(_call_view(data.info.id, call, result, anchors, history) for call in run.calls),
        corrections=tuple(history.get(run.id, ())),
        why=why,
    )


def _call_view(flight, call, result, anchors, history) -> CallView:
    left_out = dict(result.calls_excluded).get(call.id, "") if result else ""
    return CallView(
        anchor=anchors[call.id],
        flight=flight,
        call=call,
        says=call_words(call),
        heard=heard_words(call),
        used=bool(result and call.id in result.calls_used),
        left_out=left_out,
        corrections=tuple(history.get(call.id, ())),
    )


def _point_view(campaign, anchor, point, configurations, series, runs, reduction) -> PointView:
    sides = []
    for configuration in configurations:
        mine = tuple(r for r in runs if r.run.point == point.id and r.configuration == configuration.id)
        cells = tuple(
            c for c in reduction.cells if (c.point, c.configuration) == (point.id, configuration.id)
        )
        if mine or cells:
            sides.append(
                Side(configuration=configuration, series=series[configuration.id], cells=cells, runs=mine)
            )
    title = next((card.title for card in campaign.cards if point in card.points), "")
    return PointView(
        anchor=anchor,
        point=point,
        card=title,
        sides=tuple(sides),
        comparisons=tuple(c for c in reduction.comparisons if c.point == point.id),
    )


def _pairs(configurations, points, reduction) -> tuple[Pair, ...]:
    named = {configuration.id: configuration for configuration in configurations}
    order = list(dict.fromkeys((c.reference, c.changed) for c in reduction.comparisons))
    pairs = []
    for reference, changed in order:
        rows = []
        for view in points:
            found = next(
                (c for c in view.comparisons if (c.reference, c.changed) == (reference, changed)), None
            )
            if found:
                side = {s.configuration.id: s for s in view.sides}
                rows.append(Row(point=view.point, anchor=view.anchor, comparison=found,
                                reference=side.get(reference), changed=side.get(changed)))  # fmt: skip
        pairs.append(
            Pair(
                reference=named.get(reference) or AircraftConfig(id=reference, name=reference),
                changed=named.get(changed) or AircraftConfig(id=changed, name=changed),
                rows=tuple(rows),
            )
        )
    return tuple(pairs)


def _corrections(flights, runs, loose):
    anchors = {(run.flight, run.run.id): run.anchor for run in runs}
    calls = [call for run in runs for call in run.calls] + list(loose)
    anchors |= {(call.flight, call.call.id): call.anchor for call in calls}
    rows = []
    for data in flights:
        for target, found in _history(data).items():
            rows += [
                (data.info.id, correction, anchors.get((data.info.id, target), "")) for correction in found
            ]
    return tuple(sorted(rows, key=lambda row: (row[1].utc, row[1].id)))


def _excluded(reduction: Reduction, runs: list[RunView]):
    by_key = {(run.flight, run.run.id): run for run in runs}
    by_id = {run.run.id: run for run in runs}
    calls = {(call.flight, call.call.id): (run, call) for run in runs for call in run.calls}
    rows = []
    for item in reduction.excluded:
        run = by_key.get((item.flight, item.what)) or (by_id.get(item.what) if not item.flight else None)
        if run:
            rows.append((item, run.name, run.anchor))
        elif (item.flight, item.what) in calls:
            run, call = calls[item.flight, item.what]
            rows.append((item, f"{call.says} in {run.name}", call.anchor))
        else:
            rows.append((item, item.what, ""))
    return tuple(rows)

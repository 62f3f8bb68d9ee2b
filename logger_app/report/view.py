"""Records to what the page shows: runs, calls and points joined and given anchors. Pure; no markup.

A run's key is (flight, run id): ids are unique within a flight only. Everything that the page
says of review goes through here, so that what is unreviewed is marked wherever it reaches.

`PageBuilder` takes flights one after another. Up to `MAX_DETAILED` runs keep their calls; of a
longer campaign the page details so many (`details` says which), and of the others it knows only
how they reduced.
"""

from __future__ import annotations

import heapq
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace

from logger_app.domain.reviewed import all_in_words
from logger_app.domain.station_ratios import StationRatio
from logger_app.errors import ReportError
from logger_app.records.calls import Action, Correction, ReviewedCall
from logger_app.records.plan import AircraftConfig, Campaign, TestPoint
from logger_app.records.results import (
    BudgetTerm,
    Cell,
    Comparison,
    Excluded,
    Overall,
    Reduction,
    StallSpeed,
    StationPair,
    without_details,
)
from logger_app.records.runs import FlightData, FlightRuns, Run, Settings, StallEvent
from logger_app.report.details import choose_details
from logger_app.report.words import WING_DROPS, Units, call_words, count, heard_words

# Runs with all their calls, sounds and pictures on one page: about 2 MB of 15, and what a reader can take in.
MAX_DETAILED = 120
# Rows of the page's lists of corrections, of calls in no run, and of what was left out. All are in the tables.
MAX_LISTED = 1000
_NO_SETTINGS = Settings()


@dataclass(slots=True, kw_only=True)
class CallView:
    """A call with where it went: used in the fit, left out (why), or neither."""

    anchor: str
    flight: str
    call: ReviewedCall
    description: str
    heard: str
    used: bool
    left_out: str
    corrections: tuple[Correction, ...]
    sound: str = ""
    frame: str = ""


@dataclass(slots=True, kw_only=True)
class RunView:
    """A run, how it reduced, and its calls; without `anchor` the page has no details of it, and no calls here."""

    anchor: str
    flight: str
    configuration: str | None
    series: int
    run: Run
    result: StallSpeed | None
    calls: tuple[CallView, ...]
    corrections: tuple[Correction, ...]
    why: tuple[str, ...]
    calls_in_all: int
    unreviewed: int  # how many calls nobody has looked at; none in a flight whose review is complete

    @property
    def counts(self) -> bool:
        """Whether it enters the averages."""
        return self.result is not None and self.result.counts

    @property
    def reduced(self) -> StallSpeed:
        """How it reduced, where it did; every run that counts did."""
        if self.result is None:
            raise TypeError(f"{self.name} was not reduced")
        return self.result

    @property
    def stalled(self) -> bool:
        """Whether its speed is a stall speed, not just its lowest."""
        return self.result is not None and self.result.event is not StallEvent.NOT_REACHED

    @property
    def name(self) -> str:
        """``flight, run 3``."""
        return f"{self.flight}, run {self.run.number}"

    @property
    def event_s(self) -> float | None:
        """The stall event on the flight clock, or None [s]."""
        return self.result.event_flight_s if self.result else None


@dataclass(slots=True, kw_only=True)
class FlightView:
    """One flight with all its runs and calls: what tables and subtitles are made from."""

    flight: str
    runs: tuple[RunView, ...]
    loose: tuple[CallView, ...]

    @property
    def calls(self) -> tuple[CallView, ...]:
        """Every call, in runs or not, by time."""
        every = [call for run in self.runs for call in run.calls] + list(self.loose)
        return tuple(sorted(every, key=lambda c: (c.call.flight_ns, c.call.id)))


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
        said = [run.reduced.wing_drop or "not called" for run in self.counting]
        return tuple((name, said.count(name)) for name in WING_DROPS if said.count(name) or name in WING_DROPS[:3])

    @property
    def margins(self) -> tuple[tuple[RunView, float], ...]:
        """Warning margin of each run that has one: the first warning or buffet above the stall [kt]."""
        found = ((run, margin_kt(run.reduced)) for run in self.counting)
        return tuple((run, margin) for run, margin in found if margin is not None)

    @property
    def unreviewed(self) -> int:
        """Runs that count and have calls nobody has looked at."""
        return sum(not run.reduced.reviewed for run in self.counting)


@dataclass(slots=True, kw_only=True)
class Row:
    """One line of the table: a comparison with both sides."""

    point: TestPoint
    anchor: str
    comparison: Comparison
    reference: Side | None
    changed: Side | None

    @property
    def bounds(self) -> tuple[float, float, float] | None:
        """Low end of the interval, difference, high end [kt]; None where nothing could be compared."""
        c = self.comparison
        if c.low_kt is None or c.difference_kt is None or c.high_kt is None:
            return None
        return c.low_kt, c.difference_kt, c.high_kt

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
    reference_series: int
    series: int  # of the changed one
    overall: Overall | None = None  # of all points together

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
    def budgets(self) -> tuple[tuple[str, tuple[BudgetTerm, ...], Comparison | None], ...]:
        """(what for, terms, its comparison if it is of one) of every cell and comparison that has a budget."""
        sides = [(side.configuration.name, side.cell) for side in self.sides if side.cell]
        mine: list[tuple[str, tuple[BudgetTerm, ...], Comparison | None]]
        mine = [(name, cell.budget, None) for name, cell in sides if cell.budget]
        mine += [(f"{c.changed} less {c.reference}", c.budget, c) for c in self.comparisons if c.budget]
        return tuple(mine)

    @property
    def caveat(self) -> str:
        """What is unreviewed, in words."""
        return unreviewed_words(self.sides)


@dataclass(slots=True, kw_only=True)
class Page:
    """All that the page shows, but for pictures and sound, which are filled in after.

    `flights` come without their runs; `loose`, `corrections` and `excluded` are the newest, where
    there are more than can be listed: `..._in_all` says of how many. `chosen` says in words which
    runs are detailed, where not all are.
    """

    campaign: Campaign
    units: Units
    reduction: Reduction
    flights: tuple[FlightData, ...]
    pairs: tuple[Pair, ...]
    points: tuple[PointView, ...]
    runs: tuple[RunView, ...]
    loose: tuple[CallView, ...]
    corrections: tuple[tuple[str, Correction, str], ...]  # (flight, correction, anchor of what it changed)
    excluded: tuple[tuple[Excluded, str, str], ...]  # (what and why, its name, its anchor)
    calls_in_all: int
    loose_in_all: int
    corrections_in_all: int
    excluded_in_all: int
    chosen: str = ""
    stations: tuple[StationRatio, ...] = ()  # at what ratio to the stall each station of the marked wings let go
    paired: tuple[tuple[str, tuple[StationPair, ...]], ...] = ()  # of one-sided fits: control less fitted wing

    @property
    def unit(self) -> str:
        """The unit of the indicator."""
        return self.units.speed_unit

    @property
    def shown(self) -> tuple[RunView, ...]:
        """Runs that the page details."""
        return tuple(run for run in self.runs if run.anchor)

    @property
    def calls(self) -> tuple[CallView, ...]:
        """Every call that the page lists, in runs or not, by flight and time."""
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
        """(calls in runs that nobody looked at, calls in runs); a flight whose review is complete has none."""
        return sum(run.unreviewed for run in self.runs), sum(run.calls_in_all for run in self.runs)

    @property
    def review_words(self) -> str:
        """How far its flights are reviewed, in one line."""
        if self.reduction.reviews:
            return all_in_words(self.reduction.reviews)
        unreviewed, every = self.unreviewed
        return f"{100 * (1 - unreviewed / every) if every else 0:.0f} % of calls in runs reviewed"


def margin_kt(result: StallSpeed) -> float | None:
    """The first warning or buffet above the stall [kt]: calibrated where it can be, else indicated.

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

    Returns
    -------
    str
        Words such as ``2 of 6 runs not reviewed``.
    """
    every = sum(len(side.counting) for side in sides)
    missing = sum(side.unreviewed for side in sides)
    if missing == every:
        return "not reviewed" if missing else ""
    return f"{missing} of {count(every, 'run')} not reviewed" if missing else ""


Again = Callable[[str, set[str]], tuple[FlightData, Sequence[StallSpeed]]]
"""A second look at a flight, by its id and those of the runs wanted: with everything, as it was at first."""


class PageBuilder:
    """Joins a campaign, its flights and its results, one flight after another."""

    def __init__(self, campaign: Campaign, weight_unit: str = "kg"):
        self.campaign = campaign
        self.units = Units(campaign.indicator.unit, weight_unit, campaign.aircraft.reference_weight_kg)
        self._flights: list[FlightData] = []
        self._runs: list[RunView] = []
        self._in_full = True
        self._loose: deque[CallView] = deque(maxlen=MAX_LISTED)
        self._loose_in_all = self._calls_in_all = self._corrections_in_all = 0
        # The newest, as a heap: (when, id, place, flight, correction, anchor of what it changed).
        self._corrections: list[tuple] = []

    def add(self, data: FlightData, results: Iterable[StallSpeed]) -> FlightView:
        """Take the next flight.

        Parameters
        ----------
        results : iterable of StallSpeed
            Its runs reduced, with everything; a run may be missing.

        Returns
        -------
        FlightView
            All of the flight: the caller's, not kept.
        """
        number = len(self._flights) + 1
        view = _flight_view(data, number, results)
        self._flights.append(replace(data, runs=FlightRuns(flight=data.info.id, runs=()), weights=(), corrections=()))
        self._loose += view.loose
        self._loose_in_all += len(view.loose)
        self._calls_in_all += len(view.loose) + sum(run.calls_in_all for run in view.runs)
        self._keep_corrections(data, view)
        self._runs += view.runs if self._in_full else map(_without_calls, view.runs)
        if self._in_full and len(self._runs) > MAX_DETAILED:
            self._in_full = False
            self._runs = [_without_calls(run) for run in self._runs]
        return view

    def finish(
        self,
        reduction: Reduction,
        again: Again | None = None,
        asked: Sequence[str] = (),
        pictured: Iterable[tuple[str, str]] = (),
        empty_allowed: bool = False,
    ) -> Page:
        """The page of all flights that were added.

        Parameters
        ----------
        reduction : Reduction
            Results of these flights; its runs may come without their details.
        again : callable, optional
            For the runs that a long campaign's page details.
        asked : sequence of str
            Runs that must be detailed: ``FLIGHT``, ``FLIGHT:3``, ``FLIGHT:3-9`` or a run's id.
        pictured : iterable of (str, str)
            Flight and id of runs that a saved picture shows: detailed where there is room.
        empty_allowed : bool
            For tables, which may have no rows.

        Raises
        ------
        ReportError
            There is no flight or no run; a run asked for is not there, or more are asked for than a page holds.
        """
        runs, chosen = self._runs, ""
        if not runs and not empty_allowed:
            what = "no run in any flight" if self._flights else "no flight"
            raise ReportError(
                f"{self.campaign.name}: {what}; a report needs at least one run.",
                hint="Hear a recording into the campaign first: kneecall hear FILE --into CAMPAIGN/flights/NAME",
            )
        if not self._in_full:
            kept = {(result.flight, result.run): result for result in reduction.runs}
            for run in runs:
                run.result = kept.get((run.flight, run.run.id))
        if asked or not self._in_full:
            picked, chosen = choose_details(runs, reduction.cells, asked, set(pictured), MAX_DETAILED)
            if self._in_full:
                chosen = ""
            else:
                runs = self._detailed(picked, again) if again else runs
        configurations = _configurations(self.campaign, self._flights, reduction)
        series = {configuration.id: k for k, configuration in enumerate(configurations)}
        for run in runs:
            run.series = series.get(run.configuration or "", 0)
        points = _point_views(self.campaign, _points(self.campaign, reduction), configurations, runs, reduction)
        loose = tuple(self._loose)
        return Page(
            campaign=self.campaign,
            units=self.units,
            reduction=reduction,
            flights=tuple(self._flights),
            pairs=_pairs(configurations, points, reduction, series),
            points=points,
            runs=tuple(runs),
            loose=loose,
            corrections=self._newest_corrections(runs, loose),
            excluded=_excluded(reduction, runs),
            calls_in_all=self._calls_in_all,
            loose_in_all=self._loose_in_all,
            corrections_in_all=self._corrections_in_all,
            excluded_in_all=len(reduction.excluded),
            chosen=chosen,
        )

    def _detailed(self, picked: Sequence[RunView], again: Again) -> list[RunView]:
        """All runs, those picked with their calls: of one flight after another."""
        ids: dict[str, set[str]] = {}
        for run in picked:
            ids.setdefault(run.flight, set()).add(run.run.id)
        number = {data.info.id: k for k, data in enumerate(self._flights, 1)}
        full: dict[tuple[str, str], RunView] = {}
        for flight, wanted in ids.items():
            data, results = again(flight, wanted)
            view = _flight_view(data, number[flight], results)
            full |= {(flight, run.run.id): run for run in view.runs if run.run.id in wanted}
        return [full.get((run.flight, run.run.id), run) for run in self._runs]

    def _keep_corrections(self, data: FlightData, view: FlightView) -> None:
        anchors = {run.run.id: run.anchor for run in view.runs} | {call.call.id: call.anchor for call in view.calls}
        for target, found in _history(data).items():
            for correction in found:
                self._corrections_in_all += 1
                entry = (
                    correction.utc,
                    correction.id,
                    self._corrections_in_all,
                    data.info.id,
                    correction,
                    anchors.get(target, ""),
                )
                put = heapq.heappush if len(self._corrections) < MAX_LISTED else heapq.heappushpop
                put(self._corrections, entry)

    def _newest_corrections(self, runs: Sequence[RunView], loose: Sequence[CallView]):
        there = {anchor for run in runs for anchor in (run.anchor, *(call.anchor for call in run.calls))}
        there |= {call.anchor for call in loose}
        return tuple(
            (flight, correction, anchor if anchor in there else "")
            for _, _, _, flight, correction, anchor in sorted(self._corrections)
        )


def _without_calls(view: RunView) -> RunView:
    """What tables and figures of a point need of a run."""
    return replace(
        view,
        anchor="",
        run=replace(view.run, calls=(), settings=_NO_SETTINGS),
        result=without_details(view.result) if view.result else None,
        calls=(),
        corrections=(),
    )


def _flight_view(data: FlightData, number: int, results: Iterable[StallSpeed]) -> FlightView:
    by_id = {result.run: result for result in results}
    anchors, history = _call_anchors(data, number), _history(data)
    return FlightView(
        flight=data.info.id,
        runs=tuple(_run_view(data, number, run, by_id.get(run.id), anchors, history) for run in data.runs.runs),
        loose=tuple(_call_view(data.info.id, call, None, anchors, history) for call in data.runs.unassigned),
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
    return {call.id: f"c{k}-{n}" for n, call in enumerate(sorted(calls, key=lambda c: (c.flight_ns, c.id)), 1)}


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


def _run_view(data, k, run, result, anchors, history) -> RunView:
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
        series=0,  # known once all flights are
        run=run,
        result=result,
        calls=tuple(_call_view(data.info.id, call, result, anchors, history) for call in run.calls),
        corrections=tuple(history.get(run.id, ())),
        why=why,
        calls_in_all=len(run.calls),
        unreviewed=0 if data.review and data.review.complete else sum(not call.reviewed for call in run.calls),
    )


def _call_view(flight, call, result, anchors, history) -> CallView:
    left_out = dict(result.calls_excluded).get(call.id, "") if result else ""
    return CallView(
        anchor=anchors[call.id],
        flight=flight,
        call=call,
        description=call_words(call),
        heard=heard_words(call),
        used=bool(result and call.id in result.calls_used),
        left_out=left_out,
        corrections=tuple(history.get(call.id, ())),
    )


def _point_views(campaign, points, configurations, runs, reduction) -> tuple[PointView, ...]:
    flown: dict[tuple, list[RunView]] = {}
    for run in runs:
        flown.setdefault((run.run.point, run.configuration), []).append(run)
    return tuple(
        _point_view(campaign, f"p{n}", point, configurations, flown, reduction) for n, point in enumerate(points, 1)
    )


def _point_view(campaign, anchor, point, configurations, flown, reduction) -> PointView:
    sides = []
    for k, configuration in enumerate(configurations):
        mine = tuple(flown.get((point.id, configuration.id), ()))
        cells = tuple(c for c in reduction.cells if (c.point, c.configuration) == (point.id, configuration.id))
        if mine or cells:
            sides.append(Side(configuration=configuration, series=k, cells=cells, runs=mine))
    title = next((card.title for card in campaign.cards if point in card.points), "")
    return PointView(
        anchor=anchor,
        point=point,
        card=title,
        sides=tuple(sides),
        comparisons=tuple(c for c in reduction.comparisons if c.point == point.id),
    )


def _pairs(configurations, points, reduction, series) -> tuple[Pair, ...]:
    named = {configuration.id: configuration for configuration in configurations}
    order = list(dict.fromkeys((c.reference, c.changed) for c in reduction.comparisons))
    pairs = []
    for reference, changed in order:
        rows = []
        for view in points:
            found = next((c for c in view.comparisons if (c.reference, c.changed) == (reference, changed)), None)
            if found:
                side = {s.configuration.id: s for s in view.sides}
                rows.append(
                    Row(
                        point=view.point,
                        anchor=view.anchor,
                        comparison=found,
                        reference=side.get(reference),
                        changed=side.get(changed),
                    )
                )
        pairs.append(
            Pair(
                reference=named.get(reference) or AircraftConfig(id=reference, name=reference),
                changed=named.get(changed) or AircraftConfig(id=changed, name=changed),
                rows=tuple(rows),
                reference_series=series.get(reference, 0),
                series=series.get(changed, 1),
                overall=next((o for o in reduction.overall if (o.reference, o.changed) == (reference, changed)), None),
            )
        )
    # The last one leads the page: one that has nothing to say yet, its configuration not flown, never does.
    return tuple(sorted(pairs, key=lambda pair: any(row.comparison.difference_kt is not None for row in pair.rows)))


def _excluded(reduction: Reduction, runs: Sequence[RunView]):
    """The newest that were left out, with name and anchor."""
    by_key = {(run.flight, run.run.id): run for run in runs}
    by_id = {run.run.id: run for run in runs}
    calls = {(call.flight, call.call.id): (run, call) for run in runs for call in run.calls}
    rows = []
    for item in reduction.excluded[-MAX_LISTED:]:
        run = by_key.get((item.flight, item.what)) or (by_id.get(item.what) if not item.flight else None)
        if run:
            rows.append((item, run.name, run.anchor))
        elif (item.flight, item.what) in calls:
            run, call = calls[item.flight, item.what]
            rows.append((item, f"{call.description} in {run.name}", call.anchor))
        else:
            rows.append((item, item.what, ""))
    return tuple(rows)

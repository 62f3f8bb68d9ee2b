"""The tables that page and PDF both show, as text in cells, in the pilot's units. Pure; knows neither HTML nor paper.

Not for: tables for machines (see `tables`). Main names: `ShownTable` and the functions that make one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from logger_app.records import results
from logger_app.records.results import BudgetTerm, Comparison
from logger_app.report import words
from logger_app.report.extras import Conditions
from logger_app.report.generations import Generation, StallLine, caption, first_places
from logger_app.report.view import Page, Pair, PointView, Row, RunView, Side
from logger_app.report.words import NONE, Units, clock, number

# Rows of flights that are listed; the rest is in versions.json.
MAX_FLIGHTS = 500
VERDICT_SIGNS = {"lower": "▼ ", "higher": "▲ ", "not shown": "○ ", "not comparable": "× "}
ARROW = "\N{RIGHTWARDS ARROW}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A column: its heading (a line break where it is long), whether it holds numbers, and its share of the width."""

    head: str
    share: float = 1.0
    number: bool = False

    @property
    def label(self) -> str:
        """The heading on one line."""
        return self.head.replace("\n", " ")


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """What stands in a cell; `mark` is set off after the text, `small` are quieter lines under it."""

    text: str = ""
    link: str = ""
    mark: str = ""
    strong: bool = False
    small: tuple[str, ...] = ()
    series: int | None = None
    code: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownTable:
    """A table; the first cell of a row heads it, rows in `faint` are of what was left out."""

    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    caption: str = ""
    faint: frozenset[int] = frozenset()
    stacked: bool = False  # on a phone each row becomes a block


def made(
    caption: str, columns: Sequence[Column], rows: Iterable[Sequence[Cell | str]], stacked: bool = False
) -> ShownTable:
    """A table from rows whose plain texts become cells."""
    cells = tuple(tuple(cell if isinstance(cell, Cell) else Cell(text=cell) for cell in row) for row in rows)
    return ShownTable(caption=caption, columns=tuple(columns), rows=cells, stacked=stacked)


def answer_table(pair: Pair, page: Page) -> ShownTable:
    """Every point of a pair: speeds, difference, warning, wing drop, and what may be concluded."""
    units, before, after = page.units, pair.reference.id, pair.changed.id
    columns = (
        Column(head="Point", share=2.0),
        Column(head=f"{before}\nindicated [{units.speed_unit}]", number=True, share=1.4),
        Column(head=f"{after}\nindicated [{units.speed_unit}]", number=True, share=1.4),
        Column(head=f"Difference\n[{units.speed_unit}]", number=True, share=1.3),
        Column(head="Interval", number=True, share=1.6),
        Column(head=f"Warning\nmargin [{units.speed_unit}]", number=True, share=1.4),
        Column(head="Wing\ndrop", number=True, share=1.7),
        Column(head="Runs", number=True, share=0.9),
        Column(head="What can be concluded", share=2.6),
    )
    at = f" at {units.reference_weight}" if units.reference_weight else ""
    level = max((row.comparison.level for row in pair.rows), default=0.95)
    caption = (
        f"{pair.changed.name} against {pair.reference.name}. Differences are of calibrated speeds{at}, of the change; "
        f"negative: lower stall. Intervals: {words.interval_words(level)}."
    )
    return made(caption, columns, (_answer_row(row, pair, page) for row in pair.rows), stacked=True)


def _answer_row(row: Row, pair: Pair, page: Page) -> Sequence[Cell | str]:
    c, units = row.comparison, page.units
    cells = [side.cell if side else None for side in (row.reference, row.changed)]
    notes = list(pair.own_notes(row))
    if not words.usual_basis(c):
        notes.insert(0, words.basis_words(c.basis, c.load_factor_basis, units, c.at_reference_weight))
    if beside := words.flights_words(c, units):
        notes.insert(0, beside)
    if c.verdict == "not shown" and c.smallest_kt is not None:
        notes.insert(0, f"these runs could have shown {units.text(c.smallest_kt)} {units.speed_unit}")
    return (
        Cell(text=row.point.id, link=row.anchor, small=(row.point.label,)),
        *(units.text(cell.vs_ias_kt if cell else None) for cell in cells),
        Cell(text=units.text(c.difference_kt, 1, True), strong=True),
        units.span(c.low_kt, c.high_kt),
        f"{_margin(row.reference, page)} {ARROW} {_margin(row.changed, page)}",
        f"{_drops(row.reference)} {ARROW} {_drops(row.changed)}",
        f"{c.n_reference} + {c.n_changed}",
        Cell(text=VERDICT_SIGNS.get(c.verdict, "") + c.verdict, mark=row.caveat, strong=True, small=tuple(notes)),
    )


def _margin(side: Side | None, page: Page) -> str:
    margins = [margin_kt for _, margin_kt in side.margins] if side else []
    return page.units.text(sum(margins) / len(margins)) if margins else NONE


def _drops(side: Side | None) -> str:
    """``2 of 6``: runs with a wing drop of those where it was said whether one dropped."""
    said = [run.reduced.wing_drop for run in side.counting if run.reduced.wing_drop] if side else []
    return f"{sum(one != 'none' for one in said)} of {len(said)}" if said else NONE


def generation_table(generation: Generation, units: Units) -> ShownTable:
    """One generation: its stall speed at each point, against the one it was made from and against the baseline."""
    parent, baseline = generation.parent or "", generation.baseline
    columns = [
        Column(head="Point", share=2.2),
        Column(head=f"Stall, indicated\n[{units.speed_unit}]", number=True, share=1.2),
        Column(head="Runs", number=True, share=0.7),
    ]
    if parent:
        columns.append(Column(head=f"Against {parent}\n[{units.speed_unit}]", share=2.4))
    if parent and parent != baseline:
        columns.append(Column(head=f"Against {baseline}, the baseline\n[{units.speed_unit}]", share=2.4))
    columns.append(Column(head=f"Warning above stall\n[{units.speed_unit}]", share=1.4))
    rows = []
    for line in generation.stalls:
        cells: list[Cell | str] = [
            Cell(text=line.point.id, small=(line.point.label,)),
            units.text(line.cell.vs_ias_kt if line.cell else None),
            f"{line.cell.n}" if line.cell else NONE,
        ]
        if parent:
            cells.append(_against(line.to_parent, units))
        if parent and parent != baseline:
            cells.append(_against(line.to_baseline, units))
        cells.append(_warning(line.cell, units))
        rows.append(cells)
    return made("", columns, rows, stacked=True)


def line_table(line: Sequence[Generation], units: Units) -> ShownTable:
    """The line at a glance: a row a generation, for who has a minute."""
    columns = (
        Column(head="Generation", share=3.4),
        Column(head=f"Stall against\nthe baseline [{units.speed_unit}]", share=2.6),
        Column(head=f"Warning above\nstall [{units.speed_unit}]", share=1.6),
        Column(head="Wing drop", share=1.4),
        Column(head="Tufts let\ngo first", share=1.9),
    )
    rows = [
        (
            Cell(text=f"{one.number}. {one.configuration.name}", strong=True, small=(caption(one),)),
            _glance(one, units),
            Cell(text="", small=_at_points(one, lambda stall: _warning(stall.cell, units).text)),
            Cell(text="", small=tuple(f"{side} {n}" for side, n in one.drops)) if one.drops else NONE,
            Cell(text="", small=first_places(one.stations)) if one.stations else "not marked",
        )
        for one in line
    ]
    return made("The line at a glance", columns, rows, stacked=True)


def _at_points(one: Generation, words: Callable[[StallLine], str]) -> tuple[str, ...]:
    return tuple(f"{stall.point.id}: {words(stall)}" for stall in one.stalls if stall.cell)


def _glance(one: Generation, units: Units) -> Cell:
    if not one.flown:
        return Cell(text="not flown", strong=True)
    if not one.parent:
        speeds = _at_points(one, lambda stall: units.text(stall.cell.vs_ias_kt if stall.cell else None))
        return Cell(text="stalls, indicated", small=speeds)

    def words(stall: StallLine) -> str:
        said = _against(stall.to_baseline, units)
        return f"{said.text} ({said.small[0]})" if said.small else said.text

    return Cell(text="", small=_at_points(one, words))


def _warning(cell: results.Cell | None, units: Units) -> Cell:
    """The mean margin of the warning, else of the buffet, and its interval."""
    if cell is None:
        return Cell(text=NONE)
    margin, low, high = cell.warning_margin_kt, cell.warning_margin_low_kt, cell.warning_margin_high_kt
    what: tuple[str, ...] = ()
    if margin is None and cell.buffet_margin_kt is not None:
        margin, low, high = cell.buffet_margin_kt, cell.buffet_margin_low_kt, cell.buffet_margin_high_kt
        what = ("buffet",)
    interval = () if low is None or high is None else (units.span(low, high, 1, False),)
    return Cell(text=units.text(margin), small=(*interval, *what))


def _against(comparison: Comparison | None, units: Units) -> Cell:
    if comparison is None or comparison.difference_kt is None:
        return Cell(text=comparison.verdict if comparison else "not compared")
    interval = f"{units.text(comparison.difference_kt, 1, True)}, {units.span(comparison.low_kt, comparison.high_kt)}"
    return Cell(text=VERDICT_SIGNS.get(comparison.verdict, "") + comparison.verdict, strong=True, small=(interval,))


def single_table(page: Page) -> ShownTable:
    """Cells that no comparison shows."""
    compared = {(c.point, name) for c in page.reduction.comparisons for name in (c.reference, c.changed)}
    units = page.units
    columns = (
        Column(head="Point", share=2.2),
        Column(head="Configuration", share=2.2),
        Column(head=f"Stall, indicated\n[{units.speed_unit}]", number=True, share=1.3),
        Column(head=f"Calibrated\n[{units.speed_unit}]", number=True, share=1.3),
        Column(head="95 %\ninterval", number=True, share=1.6),
        Column(head="Runs", number=True, share=0.7),
        Column(head="Event", share=2.2),
    )
    rows = [
        (
            Cell(text=view.point.id, link=view.anchor, small=(view.point.label,)),
            Cell(text=side.configuration.name, series=side.series),
            units.text(cell.vs_ias_kt),
            Cell(text=units.text(cell.vs_std_kt), small=(words.basis_words("std", cell.basis, units),)),
            units.span(cell.low_kt, cell.high_kt, 1, False),
            str(cell.n),
            Cell(text=words.event_words(cell.event), mark=view.caveat),
        )
        for view in page.points
        for side in view.sides
        for cell in side.cells
        if (view.point.id, side.configuration.id) not in compared
    ]
    return made("Stall speeds" if not page.pairs else "Points without a comparison", columns, rows, stacked=True)


def sides_table(view: PointView, page: Page) -> ShownTable:
    """Every configuration at a point, one row a kind of event."""
    unit = page.unit
    columns = (
        Column(head="Configuration", share=3.4),
        Column(head="Event", share=1.4),
        Column(head="Runs", number=True, share=0.7),
        Column(head=f"Indicated\n[{unit}]", number=True),
        Column(head=f"Calibrated\n[{unit}]", number=True, share=1.3),
        Column(head="95 % of\nrepeats", number=True, share=1.5),
        Column(head="with\nsystematic", number=True, share=1.5),
        Column(head=f"At 1 kt/s\n[{unit}]", number=True),
        Column(head=f"Warning\nmargin [{unit}]", number=True, share=1.2),
        Column(head="Wing drop", share=1.9),
    )
    rows: list[Sequence[Cell | str]] = []
    for side in view.sides:
        name = Cell(text=side.configuration.name, series=side.series)
        for cell in side.cells:
            basis = words.basis_words("std", cell.basis, page.units)
            rows.append(
                (
                    replace(name, small=(f"calibrated: {basis}", *cell.notes)),
                    words.event_words(cell.event),
                    str(cell.n),
                    page.units.text(cell.vs_ias_kt),
                    page.units.text(cell.vs_std_kt, 2),
                    page.units.span(cell.low_kt, cell.high_kt, 1, False),
                    page.units.span(cell.total_low_kt, cell.total_high_kt, 1, False),
                    page.units.text(cell.at_1_kt_per_s_kt, 2),
                    _margin(side, page),
                    words.tally([drop for drop in side.wing_drops if drop[1]]) or NONE,
                )
            )
        if not side.cells:
            rows.append((name, "no run counts", *("",) * 8))
    return made("", columns, rows, stacked=True)


def budget_table(name: str, terms: Sequence[BudgetTerm], comparison: Comparison | None, page: Page) -> ShownTable:
    """An uncertainty budget. In a comparison what cancels is named and not in the total, which is the difference's own."""
    columns = (
        Column(head="Source", share=1.4),
        Column(head=f"u (k = 1)\n[{page.unit}]", number=True),
        Column(head="Kind", share=2.0),
        Column(head="Note", share=3.4),
    )
    rows: list[Sequence[Cell | str]] = [
        (
            term.name,
            page.units.text(term.u_kt, 2),
            "random: shrinks with more runs" if term.kind == "random" else "systematic: does not shrink",
            "; ".join(filter(None, ("cancels: not in the total" if comparison and term.cancels else "", term.note))),
        )
        for term in terms
    ]
    total = comparison.u_kt if comparison else sum(term.u_kt**2 for term in terms) ** 0.5
    how = "with the scatter of runs and flights, without what cancels" if comparison else "root of the sum of squares"
    rows.append((Cell(text="together", strong=True), Cell(text=page.units.text(total, 2), strong=True), how, ""))
    return made(f"{name}: standard uncertainty", columns, rows)


def runs_table(page: Page) -> ShownTable:
    """The runs that the page details."""
    unit = page.unit
    columns = (
        Column(head="Run", share=2.2),
        Column(head="Point", share=0.8),
        Column(head="Configuration", share=1.7),
        Column(head="From, to", share=1.9),
        Column(head=f"Stall, indicated\n[{unit}]", number=True, share=1.2),
        Column(head="± u", number=True, share=0.7),
        Column(head=f"Calibrated, ref.\nweight [{unit}]", number=True, share=1.2),
        Column(head=f"Entry rate\n[{page.units.rate_unit}]", number=True, share=0.9),
        Column(head=f"Weight\n[{page.units.weight_unit}]", number=True, share=0.9),
        Column(head="Counts", share=2.8),
    )
    rows = [_run_row(run, page) for run in page.shown]
    table = made(f"{'Runs in detail' if page.chosen else 'Every run'}; its name leads to its calls.", columns, rows)
    faint = frozenset(k for k, run in enumerate(page.shown) if not run.counts)
    return ShownTable(caption=table.caption, columns=table.columns, rows=table.rows, faint=faint)


def _run_row(run: RunView, page: Page) -> Sequence[Cell | str]:
    r, units = run.result, page.units
    speed = r if r and run.stalled else None
    caveat = f"{run.unreviewed} of {len(run.calls)} calls not reviewed" if run.unreviewed else ""
    return (
        Cell(text=run.name, link=run.anchor),
        run.run.point or NONE,
        Cell(text=run.configuration or NONE, series=run.series),
        f"{clock(run.run.start_s)} to {clock(run.run.end_s)}",
        units.text(speed.vs_ias_kt if speed else None),
        units.text(speed.vs_ias_u_kt if speed else None, 2),
        units.text(speed.vs_std_kt if speed else None),
        units.text(r.entry_rate_kt_per_s if r else None, 2),
        units.weight(r.weight_kg if r else None),
        Cell(text="yes" if run.counts else f"no: {'; '.join(run.why) or 'not reduced'}", mark=caveat),
    )


def excluded_table(page: Page) -> ShownTable:
    """What was left out, and why."""
    rows: list[Sequence[Cell | str]] = [
        (Cell(text=name, link=anchor), item.why) for item, name, anchor in page.excluded
    ]
    if len(rows) < page.excluded_in_all:
        rows.insert(0, (f"{page.excluded_in_all} in all", f"the newest {len(rows)} are listed, all are in runs.csv"))
    return made("", (Column(head="What"), Column(head="Why", share=2.4)), rows)


def corrections_table(page: Page) -> ShownTable:
    """Who corrected what, when and why."""
    columns = (
        Column(head="When", share=1.5),
        Column(head="Who"),
        Column(head="What", share=1.6),
        Column(head="On", share=1.8),
        Column(head="Why", share=2.4),
    )
    rows: list[Sequence[Cell | str]] = [
        (
            k.utc,
            k.who,
            f"{k.action} " + " ".join(f"{name} {value}" for name, value in k.payload),
            Cell(text=f"{flight}, {k.target}", link=anchor),
            k.why,
        )
        for flight, k, anchor in page.corrections
    ]
    if len(rows) < page.corrections_in_all:
        where = "all are in the flights’ journals, the last one of each call in calls.csv"
        rows.insert(0, ("", "", f"{page.corrections_in_all} in all", "", f"the newest {len(rows)} are listed; {where}"))
    return made("", columns, rows)


def flights_table(page: Page) -> ShownTable:
    """Where the figures come from: flights, crews, packs, and the sums of their journals."""
    columns = (
        Column(head="Flight", share=1.5),
        Column(head="Configuration", share=1.3),
        Column(head="Begun", share=1.6),
        Column(head="Crew"),
        Column(head="Language packs", share=1.1),
        Column(head="Journal, SHA-256", share=3.2),
    )
    shown = page.flights[-MAX_FLIGHTS:]
    rows = [
        (
            d.info.id,
            d.info.configuration or NONE,
            d.info.began or NONE,
            d.info.who or NONE,
            ", ".join(d.packs) or NONE,
            Cell(text=d.journal_sha256 or NONE, code=True),
        )
        for d in shown
    ]
    more = f", the last {len(shown)} of {len(page.flights)}; all are in versions.json"
    return made("Flights" + (more if len(shown) < len(page.flights) else ""), columns, rows)


def conditions_table(page: Page, conditions: Mapping[str, Conditions]) -> ShownTable:
    """A row a flight: the air at the aerodrome, and what its runs were flown at."""
    units = page.units
    columns = (
        Column(head="Flight", share=1.8),
        Column(head="Begun", share=1.6),
        Column(head="Wind", share=1.2),
        Column(head="Temperature\n[degC]", number=True),
        Column(head="QNH\n[hPa]", number=True, share=0.8),
        Column(head="Density altitude,\naerodrome [ft]", number=True, share=1.4),
        Column(head="Runs: altitude\n[ft]", number=True, share=1.4),
        Column(head=f"Runs: weight\n[{units.weight_unit}]", number=True, share=1.2),
        Column(head="Runs that\ncount", number=True, share=0.9),
    )
    rows = []
    for data in page.flights[-MAX_FLIGHTS:]:
        air = conditions.get(data.info.id, Conditions())
        runs = [run.reduced for run in page.runs if run.flight == data.info.id and run.counts]
        rows.append(
            (
                Cell(text=data.info.id, small=tuple(filter(None, (data.info.configuration or "", air.source)))),
                data.info.began or NONE,
                air.wind or NONE,
                number(air.oat_degc, 1),
                number(air.qnh_hpa, 0),
                number(air.density_altitude_ft, 0),
                _reach([run.altitude_ft for run in runs], lambda value: number(value, 0)),
                _reach([run.weight_kg for run in runs], units.weight),
                str(len(runs)),
            )
        )
    return made("Conditions of each flight.", columns, rows, stacked=True)


def _reach(values: Sequence[float | None], text: Callable[[float], str]) -> str:
    known = [value for value in values if value is not None]
    if not known:
        return NONE
    low, high = text(min(known)), text(max(known))
    return low if low == high else f"{low} to {high}"


FLOWN = (
    ("altitude_ft", "altitude", "ft", 0),
    ("density_altitude_ft", "density altitude", "ft", 0),
    ("weight_kg", "weight", "kg", 0),
    ("cg_mm", "centre of gravity", "mm aft of datum", 0),
    ("entry_rate_kt_per_s", "entry rate", "kt/s", 1),
    ("bank_deg", "bank", "deg", 0),
)


def flown_words(page: Page) -> str:
    """The ranges that were flown by the runs that count: atmosphere, loading, entry rate, bank."""
    parts = []
    for field, name, unit, places in FLOWN:
        values = [value for run in page.runs if run.counts and (value := getattr(run.result, field)) is not None]
        if not values:
            parts.append(f"{name} not recorded")
            continue
        text, written = _as_shown(field, unit, places, page)
        low, high = text(min(values)), text(max(values))
        parts.append(f"{name} {low} {written}" if low == high else f"{name} {low} to {high} {written}")
    return "; ".join(parts) + "."


def _as_shown(field: str, unit: str, places: int, page: Page) -> tuple[Callable[[float], str], str]:
    """How a quantity's values are written, and its unit."""
    if field == "weight_kg":
        return page.units.weight, page.units.weight_unit
    if unit == "kt/s":
        return page.units.text, page.units.rate_unit
    return lambda value: number(value, places), unit

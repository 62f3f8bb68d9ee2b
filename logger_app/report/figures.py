"""Results to pictures as data: `Figure`s and `Grid`s in the pilot's units. Pure; knows no pixels and no file format.

Of a pair: the differences (`forest`) and the warning margins. Of the campaign: every run (`every_run`).
Of a point: the approaches, the stall speed against entry rate, and the tufts.
"""

from __future__ import annotations

import statistics
from collections.abc import Mapping, Sequence

from logger_app.domain.approach_curve import ApproachCurve
from logger_app.domain.tufts import TuftMark, view_of
from logger_app.domain.warning import WARNING_MARGIN_KT
from logger_app.domain.wing_words import ASSIST_LIMITS
from logger_app.records.calls import CallKind
from logger_app.records.results import Cell, Comparison
from logger_app.report.extras import WingMap
from logger_app.report.plot import (
    Axis,
    Bar,
    Dot,
    Event,
    Figure,
    Grid,
    Key,
    Line,
    Rule,
    Square,
    fitted_range,
    nice_ticks,
)
from logger_app.report.view import Page, Pair, PointView, Row, RunView, Side
from logger_app.report.words import Units, basis_words, clock, flights_words, interval, interval_words, listed, number
from logger_app.units import NS_PER_S, from_kt

# What is shown of an approach: common practice, no source; the fit needs 1.3 Vs at most.
BEFORE_S = 30.0
# Markers of one configuration in one figure: more hide each other.
MAX_DRAWN = 120
MAX_COLUMNS = 4
TUFT_STATES = {"attached": 0, "unsteady": 1, "separated": 2, "reversed": 3, "not visible": None}
NOT_REVIEWED = "Hollow: not reviewed by a person"


def forest(pair: Pair, id: str, units: Units) -> Figure | None:
    """The differences of a pair with their 95 % intervals, one line a test point.

    Returns
    -------
    Figure or None
        None when no point could be compared.
    """
    rows = [(row, bounds) for row in pair.rows if (bounds := row.bounds) is not None][::-1]
    if not rows:
        return None
    shown = [(row, tuple(units.speed(kt) for kt in bounds)) for row, bounds in rows]
    low, high = fitted_range([v for _, ends in shown for v in ends] + [0.0], 2.0)
    bars, said = [], []
    for k, (row, (low_v, at, high_v)) in enumerate(shown):
        words = f"{number(at, 1, True)} ({interval(low_v, high_v)})"
        said.append(f"{row.point.id}, {row.point.label}: {words} {units.speed_unit}")
        caveat = f"; {row.caveat}" if row.caveat else ""
        bars.append(
            Bar(
                low=low_v,
                high=high_v,
                at=at,
                y=k,
                series=pair.series,
                inner=_as_flown(row.comparison, units),
                hollow=bool(row.caveat) or not row.comparison.reviewed,
                link=row.anchor,
                description=f"{said[-1]}{caveat}",
            )
        )
    compared = [row.comparison for row, _ in shown]
    bases = {basis_words(c.basis, c.load_factor_basis, units, c.at_reference_weight) for c in compared}
    level = interval_words(max(c.level for c in compared))
    thick = (
        " Thin bars: of the change; thick ones: between the flights flown." if any(bar.inner for bar in bars) else ""
    )
    basis = next(iter(bases)) if len(bases) == 1 else "basis differs: see the table"
    hollow = f" {NOT_REVIEWED}." if any(bar.hollow for bar in bars) else ""
    return Figure(
        id=id,
        title=f"Difference in stall speed, {pair.changed.name} less {pair.reference.name}",
        see=_forest_see(pair),
        description="; ".join(reversed(said)) + ". Left of zero is a lower stall.",
        caption=f"Bars are intervals ({level}).{thick} A bar that crosses zero: no difference was shown there, which is "
        f"not the same as no difference.{hollow}",
        x=Axis(
            label=f"lower \N{LEFTWARDS ARROW}  difference in stall speed [{units.speed_unit}], {basis}",
            low=low,
            high=high,
            ticks=nice_ticks(low, high, integers=True),
        ),
        y=_points_axis(
            [row for row, _ in rows],
            [f"{number(v[1], 1, True)} ({interval(v[0], v[2])})" for _, v in shown],
            f"{units.speed_unit} (interval)",
        ),
        bars=tuple(bars),
        rules=(Rule(at=0.0, upright=True, strong=True),),
        height=62.0 + 38.0 * len(rows),
        left=170.0,
        right=142.0,
    )


def _points_axis(rows: Sequence[Row], values: Sequence[str], head: str) -> Axis:
    """A row of the figure for each test point, with its value at the right."""
    return Axis(
        label="",
        low=-0.6,
        high=len(rows) - 0.4,
        names=tuple(row.point.id for row in rows),
        notes=tuple(row.point.label for row in rows),
        links=tuple(row.anchor for row in rows),
        values=tuple(values),
        values_head=head,
    )


def _as_flown(c: Comparison, units: Units) -> tuple[float, float] | None:
    """The interval between the flights flown, where it is another than that of the change."""
    if c.flights_low_kt is None or c.flights_high_kt is None or not flights_words(c, units):
        return None
    return units.speed(c.flights_low_kt), units.speed(c.flights_high_kt)


def _forest_see(pair: Pair) -> str:
    """What of the differences to see: on which side of zero the intervals lie."""
    rows = [row for row in pair.rows if row.bounds is not None]
    parts = []
    for where, side in (("left of zero: lower", "lower"), ("right of zero: higher", "higher")):
        points = [row.point.id for row in rows if row.comparison.verdict == side]
        if points:
            parts.append(f"{_of(points, len(rows))} {where}")
    unclear = [row for row in rows if row.comparison.verdict == "not shown"]
    if unclear:
        parts.append(f"{_of([row.point.id for row in unclear], len(rows))}: not shown of the change")
    flown = [row.point.id for row in unclear if row.comparison.flights_verdict in ("lower", "higher")]
    if flown:
        parts.append(f"the thick bars of {_of(flown, len(rows))} leave out zero: these flights differed")
    return _capital("; ".join(parts))


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _of(points: Sequence[str], every: int) -> str:
    if len(points) == every:
        return f"all {every} points" if every > 1 else points[0]
    return listed(points)


def warning_figure(pair: Pair, id: str, units: Units) -> Figure | None:
    """Margin of the first warning or buffet above the stall: one marker a run, both configurations, every point.

    Returns
    -------
    Figure or None
        None when no run had a warning called.
    """
    rows = [row for row in pair.rows if any(side and side.margins for side in (row.reference, row.changed))][::-1]
    if not rows:
        return None
    line = units.speed(WARNING_MARGIN_KT)
    dots: list[Dot] = []
    said, values, drawn, every = [], [], 0, 0
    for k, row in enumerate(rows):
        means = []
        for offset, side in ((0.17, row.reference), (-0.17, row.changed)):
            if side is None or not side.margins:
                means.append("not called")
                continue
            pairs = thinned(side.margins)
            drawn, every = drawn + len(pairs), every + len(side.margins)
            mean = units.speed(statistics.fmean(margin_kt for _, margin_kt in side.margins))
            means.append(number(mean))
            said.append(f"{row.point.id}, {side.configuration.name}: mean {number(mean)} {units.speed_unit}")
            dots += [
                Dot(
                    x=units.speed(margin_kt),
                    y=k + offset,
                    series=side.series,
                    hollow=not run.reduced.reviewed,
                    link=run.anchor,
                    description=f"{run.name}: warning {number(units.speed(margin_kt))} {units.speed_unit} above the stall",
                )
                for run, margin_kt in pairs
            ]
        values.append(" \N{RIGHTWARDS ARROW} ".join(means))
    low, high = fitted_range([dot.x for dot in dots] + [0.0, line + 1], 6.0, 0.03)
    low = min(low, 0.0)
    now = [mean_kt for row in rows if row.changed and (mean_kt := _mean(row.changed)) is not None]
    short, at = sum(mean_kt < WARNING_MARGIN_KT for mean_kt in now), len(now)
    return Figure(
        id=id,
        title=f"Warning before the stall, {pair.reference.name} and {pair.changed.name}",
        see=f"{pair.changed.name}: mean margin less than {_plain(line)} {units.speed_unit} at {short} of {at} points"
        if at
        else f"{pair.changed.name}: no warning was called",
        description="; ".join(reversed(said)) + "." + _drawn(drawn, every),
        caption="The first warning or buffet called, above the stall; one marker a run. At the right: means of "
        f"{pair.reference.id} \N{RIGHTWARDS ARROW} {pair.changed.id}. Line: 14 CFR 23.207(c), before amendment 64."
        + (f" {NOT_REVIEWED}." if any(dot.hollow for dot in dots) else ""),
        x=Axis(
            label=f"above the stall [{units.speed_unit}]",
            low=low,
            high=high,
            ticks=nice_ticks(low, high, integers=True),
        ),
        y=_points_axis(rows, values, f"mean [{units.speed_unit}]"),
        dots=tuple(dots),
        rules=(Rule(at=line, upright=True, strong=True, word=f"{_plain(line)} {units.speed_unit}"),),
        keys=(
            Key(word=pair.reference.name, series=pair.reference_series),
            Key(word=pair.changed.name, series=pair.series),
        ),
        height=80.0 + 38.0 * len(rows),
        left=170.0,
        right=142.0,
    )


def _plain(value: float) -> str:
    return number(value, 0 if value == round(value) else 1)


def _mean(side: Side) -> float | None:
    return statistics.fmean(margin for _, margin in side.margins) if side.margins else None


def every_run(page: Page) -> Grid | None:
    """Every run that counts, a panel a test point on one scale: speed with its own uncertainty, mean and interval.

    Returns
    -------
    Grid or None
        None when no run has a speed at the reference weight.
    """
    units, panels = page.units, []
    drawn = every = 0
    for view in page.points:
        sides = [side for side in view.sides if side.cell and _speeds_on(side, side.cell.basis)]
        dots, bars = [], []
        for k, side in enumerate(sides):
            speeds = _speeds_on(side, side.cell.basis if side.cell else "raw")
            shown = thinned(speeds)
            drawn, every = drawn + len(shown), every + len(speeds)
            for n, (run, speed_kt) in enumerate(shown):
                dots.append(
                    Dot(
                        x=k - 0.12 + 0.1 * ((n % 3) - 1),
                        y=units.speed(speed_kt),
                        y_half=units.speed(random_u_kt(run) or 0.0),
                        series=side.series,
                        hollow=not run.reduced.reviewed,
                        link=run.anchor,
                        description=f"{run.name}: {number(units.speed(speed_kt))} {units.speed_unit}",
                    )
                )
            if side.cell and side.cell.low_kt is not None and side.cell.high_kt is not None and side.cell.vs_std_kt:
                ends = [units.speed(kt) for kt in (side.cell.low_kt, side.cell.vs_std_kt, side.cell.high_kt)]
                bars.append(Bar(low=ends[0], at=ends[1], high=ends[2], y=k + 0.22, series=side.series, upright=True))
        if dots:
            panels.append((view, sides, dots, bars))
    if not panels:
        return None
    ends = [d.y + s * d.y_half for _, _, dots, _ in panels for d in dots for s in (-1, 1)]
    low, high = fitted_range(ends, 4.0, 0.1)
    cut = any(bar.low < low or bar.high > high for _, _, _, bars in panels for bar in bars)
    bases = {basis_words("std", s.cell.basis, units) for _, sides, _, _ in panels for s in sides if s.cell}
    figures = tuple(
        Figure(
            id=f"{view.anchor}-runs",
            title=view.point.label,
            description=view.point.label,
            heading=f"{view.point.id}  {view.point.power}, flap {view.point.flap_deg:g}"
            + (f", bank {view.point.bank_deg:g}" if view.point.bank_deg else ""),
            x=Axis(label="", low=-0.6, high=max(len(sides), 2) - 0.4, names=tuple(s.configuration.id for s in sides)),
            y=Axis(
                label=f"stall speed [{units.speed_unit} CAS]", low=low, high=high, ticks=nice_ticks(low, high, 6, True)
            ),
            dots=tuple(dots),
            bars=tuple(bars),
            height=250.0,
        )
        for view, sides, dots, bars in panels
    )
    sds = [s.cell.vs_std_sd_kt for _, sides, _, _ in panels for s in sides if s.cell and s.cell.vs_std_sd_kt]
    spread = (
        f"Repeats at one point scatter by {number(units.speed(statistics.fmean(sds)))} {units.speed_unit} (mean standard deviation)"
        if sds
        else "One run per point: the scatter is not known"
    )
    said = "; ".join(
        f"{view.point.id} {side.configuration.id}: {number(units.speed(side.cell.vs_std_kt))} {units.speed_unit}, {side.cell.n} runs"
        for view, sides, _, _ in panels
        for side in sides
        if side.cell and side.cell.vs_std_kt is not None
    )
    return Grid(
        id="every-run",
        title="Every run that counts",
        see=spread,
        description=f"Stall speed of every run, a panel a test point. {said}.{_drawn(drawn, every)}",
        caption=f"Calibrated, {listed(sorted(bases))}. Marker: a run, with its own standard uncertainty; "
        f"long bar beside: mean of the runs and its 95 % interval. One scale in all panels{'; intervals that reach further are cut at the edge' if cut else ''}."
        f"{_drawn(drawn, every)}",
        panels=figures,
        columns=min(MAX_COLUMNS, len(figures)),
    )


def _speeds_on(side: Side, basis: str) -> list[tuple[RunView, float]]:
    """Speeds at the reference weight of the runs that count, on one load-factor basis [kt]."""
    found = []
    for run in side.counting:
        speeds = {name: speed_kt for name, speed_kt, _ in run.reduced.bases}
        speed_kt = speeds.get(basis, run.reduced.vs_std_kt if run.reduced.basis == basis else None)
        if speed_kt is not None:
            found.append((run, speed_kt))
    return found


def approaches(view: PointView, units: Units) -> Grid | None:
    """All approaches at a point, a panel a configuration on one scale: calls, fits and events before the stall.

    Returns
    -------
    Grid or None
        None when no run has an event or a lowest call to line up on.
    """
    drawn: list[tuple[Side, list[Dot], list[Line], list[Event], float | None]] = []
    for side in view.sides:
        dots, lines, events = [], [], []
        for run in side.counting:
            if (zero_s := zero_of(run)) is not None:
                dots += _call_dots(run, zero_s, units)
                lines += _fit_line(run, zero_s, units)
                events += _spoken_events(run, zero_s, units)
        if dots:
            drawn.append((side, dots, lines, events, _mean_stall(side)))
    if not drawn:
        return None
    every = [dot for _, dots, *_ in drawn for dot in dots]
    low_x, high_x = -min(max(-dot.x for dot in every) + 1, BEFORE_S), 3.0
    inside = [dot for dot in every if low_x <= dot.x <= high_x]
    ends = [y for _, _, lines, _, _ in drawn for line in lines for y in line.ys]
    means = {side.series: units.speed(kt) for side, *_, kt in drawn if kt is not None}
    low, high = fitted_range([dot.y for dot in inside] + [*means.values()] + ends, units.speed(8.0))
    keys = [Key(word="buffet or another event called", tick=True)]
    if any(dot.hollow for dot in every):
        keys.append(Key(word="not reviewed", hollow=True))
    if any(dot.struck for dot in every):
        keys.append(Key(word="left out of the fit", struck=True))
    panels = tuple(
        Figure(
            id=f"{view.anchor}-approach-{side.series}",
            title=side.configuration.name,
            description="",
            heading=side.configuration.name,
            x=Axis(label="time from the stall [s]", low=low_x, high=high_x, ticks=nice_ticks(low_x, high_x, 6, True)),
            y=Axis(
                label=f"indicated airspeed [{units.speed_unit}]",
                low=low,
                high=high,
                ticks=nice_ticks(low, high, 7, True),
            ),
            dots=tuple(dot for dot in dots if low_x <= dot.x <= high_x),
            lines=tuple(lines),
            events=tuple(e for e in events if e.x >= low_x)
            + (
                (Event(x=0.3, y=means[side.series], word=number(means[side.series]), series=side.series),)
                if side.series in means
                else ()
            ),
            rules=(Rule(at=0.0, upright=True),),
            height=330.0,
        )
        for side, dots, lines, events, _ in drawn
    )
    return Grid(
        id=f"{view.anchor}-approaches",
        title=f"{view.point.id}, {view.point.label}: the approaches",
        see="; ".join(
            f"{side.configuration.name}: mean stall at {number(means[side.series])} {units.speed_unit} indicated"
            for side, *_ in drawn
            if side.series in means
        ),
        description=_approach_words(view, units),
        caption="One marker a spoken airspeed, leading to its sound; lines are the fits that the stall speed was read "
        f"from; the number is the mean at the stall. One scale.{drawn_words(view)}",
        panels=panels,
        columns=min(2, len(panels)) if len(panels) < 3 else 3,
        keys=tuple(keys),
    )


def zero_of(run: RunView) -> float | None:
    """Where a run's time axis has its zero: the stall event, else the lowest call, on the flight clock [s].

    Returns
    -------
    float | None
        Time on the flight clock; None without event and call [s].
    """
    if run.event_s is not None:
        return run.event_s
    speeds = [
        (c.call.ias_kt, c.call.flight_s)
        for c in run.calls
        if c.call.kind is CallKind.AIRSPEED and c.call.counts and c.call.ias_kt is not None
    ]
    return min(speeds)[1] if speeds else None


def fitted_ias_kt(run: RunView, flight_s: float) -> float | None:
    """The fitted approach at a time on the flight clock [kt]; None without a fit or outside its curve."""
    result = run.result
    if result is None or result.fit is None:
        return None
    if result.curve:
        return ApproachCurve(fitted=result.curve).speed_at_kt(flight_s)
    t0_ns, intercept_kt, slope_kt_per_s = result.fit
    return intercept_kt + slope_kt_per_s * (flight_s - t0_ns / NS_PER_S)


def _call_dots(run: RunView, zero_s: float, units: Units) -> list[Dot]:
    dots = []
    for view in run.calls:
        call = view.call
        if call.kind is not CallKind.AIRSPEED or not call.counts or call.ias_kt is None:
            continue
        status = "" if call.reviewed else ", not reviewed"
        dots.append(
            Dot(
                x=call.flight_s - zero_s,
                y=units.speed(call.ias_kt),
                series=run.series,
                hollow=not call.reviewed,
                struck=bool(view.left_out),
                link=view.anchor,
                description=f"{view.description} at {clock(call.flight_s)}, {run.name}{status}",
            )
        )
    return dots


def _fit_line(run: RunView, zero_s: float, units: Units) -> list[Line]:
    """The fitted approach: its curve, or the line over the calls that it used."""
    result = run.reduced
    if result.fit is None:
        return []
    curve: Sequence[tuple[float, float]] = result.curve
    if not curve:
        used = [view.call.flight_s for view in run.calls if view.used]
        ends = (min(used), max(*used, zero_s)) if used else ()
        curve = [(at_s, ias_kt) for at_s in ends if (ias_kt := fitted_ias_kt(run, at_s)) is not None]
    if not curve:
        return []
    xs, ys = zip(*curve, strict=True)
    return [Line(xs=tuple(x - zero_s for x in xs), ys=tuple(units.speed(y) for y in ys), series=run.series)]


def _spoken_events(run: RunView, zero_s: float, units: Units) -> list[Event]:
    """Ticks on the fitted line where something was called before the event."""
    ticks = []
    for view in run.calls:
        ias_kt = fitted_ias_kt(run, view.call.flight_s)
        if (
            view.call.kind is CallKind.EVENT
            and view.call.counts
            and ias_kt is not None
            and view.call.flight_s < zero_s - 0.05
        ):
            description = f"{view.description} at {clock(view.call.flight_s)}, {run.name}"
            ticks.append(
                Event(
                    x=view.call.flight_s - zero_s,
                    y=units.speed(ias_kt),
                    word="",
                    series=run.series,
                    description=description,
                )
            )
    return ticks


def _mean_stall(side: Side) -> float | None:
    """Mean indicated speed of the runs that count at their stalls [kt]."""
    speeds = [run.reduced.vs_ias_kt for run in side.counting if run.reduced.vs_ias_kt is not None]
    return statistics.fmean(speeds) if speeds else None


def _approach_words(view: PointView, units: Units) -> str:
    parts = []
    for side in view.sides:
        for run in _detailed(side.counting):
            r = run.reduced
            parts.append(
                f"{side.configuration.name}, run {run.run.number} of {run.flight}: stall at "
                f"{units.text(r.vs_ias_kt)} {units.speed_unit} indicated, entry rate {units.text(r.entry_rate_kt_per_s)} {units.rate_unit}"
            )
    return (
        "Spoken airspeeds falling to the stall event, with the fitted approach of each run. "
        + "; ".join(parts)
        + "."
        + drawn_words(view)
    )


def drawn_words(view: PointView) -> str:
    """What is said beside the approaches where not all are drawn: a blank and a sentence, or nothing."""
    counting = [run for side in view.sides for run in side.counting]
    return _drawn(len(_detailed(counting)), len(counting))


def _detailed(runs: Sequence[RunView]) -> list[RunView]:
    return [run for run in runs if run.anchor]


def _drawn(drawn: int, every: int) -> str:
    """What is said where not all runs are drawn."""
    return f" {drawn} of {every} runs are drawn." if drawn < every else ""


def thinned(runs: Sequence[tuple[RunView, float]]) -> list[tuple[RunView, float]]:
    """Runs to draw where there are too many: the detailed ones, and an even choice of the others.

    Parameters
    ----------
    runs : sequence of (RunView, float)
        Each with what the choice is even along; its lowest and highest are always chosen.

    Returns
    -------
    list of (RunView, float)
        In the order given; all while there are no more than `MAX_DRAWN`.
    """
    if len(runs) <= MAX_DRAWN:
        return list(runs)
    order = sorted(range(len(runs)), key=lambda k: runs[k][1])
    step = (len(order) - 1) / (MAX_DRAWN - 1)
    kept = {order[round(k * step)] for k in range(MAX_DRAWN)}
    return [pair for k, pair in enumerate(runs) if k in kept or pair[0].anchor]


def against_entry_rate(view: PointView, units: Units) -> Figure | None:
    """Stall speed against entry rate, with the regression where the reduction has one.

    Returns
    -------
    Figure or None
        None with fewer than two runs to draw.
    """
    dots: list[Dot] = []
    lines, parts, keys, every = [], [], [], 0
    sides = [(side, side.cell) for side in view.sides if side.cell]
    for side, cell in sides:
        known = [(run, kt, run.reduced.entry_rate_kt_per_s) for run, kt in _speeds_on(side, cell.basis)]
        speed_of = {run.flight + run.run.id: kt for run, kt, _ in known}
        rates = [(run, rate) for run, _, rate in known if rate is not None]
        every += len(rates)
        for run, rate in thinned(rates):
            speed, u = units.speed(speed_of[run.flight + run.run.id]), units.speed(random_u_kt(run) or 0.0)
            dots.append(
                Dot(
                    x=units.speed(rate),
                    y=speed,
                    series=side.series,
                    hollow=not run.reduced.reviewed,
                    link=run.anchor,
                    x_half=units.speed(run.reduced.entry_rate_u_kt_per_s or 0.0),
                    y_half=u,
                    description=f"{run.name}: {number(speed)} {units.speed_unit} at {number(units.speed(rate), 2)} {units.rate_unit}",
                )
            )
        line = _regression_line(cell, [rate for _, rate in rates], side.series, units)
        if rates:
            keys.append(Key(word=side.configuration.name, series=side.series, line=line is not None))
        if line:
            lines.append(line)
            parts.append(
                f"{side.configuration.name}: {number(cell.rate_slope, 1, True)} {units.speed_unit} for each "
                f"{units.rate_unit}, {units.text(cell.at_1_kt_per_s_kt)} {units.speed_unit} at 1 kt/s"
            )
    if len(dots) < 2:
        return None
    one = units.speed(1.0)
    low_x, high_x = fitted_range([v for d in dots for v in (d.x - d.x_half, d.x + d.x_half)] + [one], 0.6)
    low, high = fitted_range([v for d in dots for v in (d.y - d.y_half, d.y + d.y_half)], 4.0)
    bases = listed(sorted({basis_words("std", cell.basis, units) for _, cell in sides}))
    return Figure(
        id=f"{view.anchor}-rate",
        title=f"{view.point.id}, {view.point.label}: stall speed against entry rate",
        see="; ".join(parts) if parts else "No regression: too few runs, or the flown rates do not span 1 kt/s",
        description=f"One marker a run. {'; '.join(parts) or 'No regression'}.{_drawn(len(dots), every)}",
        caption=f"One marker a run with its standard uncertainty; calibrated, {bases}. Nothing is extrapolated."
        + (f" {NOT_REVIEWED}." if any(dot.hollow for dot in dots) else ""),
        x=Axis(
            label=f"entry rate, 1.1 Vs to Vs [{units.rate_unit}]",
            low=max(low_x, 0.0),
            high=high_x,
            ticks=nice_ticks(max(low_x, 0.0), high_x),
        ),
        y=Axis(label=f"stall speed [{units.speed_unit} CAS]", low=low, high=high, ticks=nice_ticks(low, high, 6, True)),
        dots=tuple(dots),
        lines=tuple(lines),
        rules=(Rule(at=one, upright=True, word="1 kt/s"),),
        keys=tuple(keys),
        height=290.0,
    )


def random_u_kt(run: RunView) -> float | None:
    """Standard uncertainty of a run's speed without what is common to all runs [kt].

    Returns
    -------
    float | None
        Standard uncertainty, or None [kt].
    """
    if run.reduced.budget:
        terms = [term.u_kt**2 for term in run.reduced.budget if term.kind == "random"]
        return sum(terms) ** 0.5 if terms else None
    return run.reduced.vs_ias_u_kt


def _regression_line(cell: Cell, rates: Sequence[float], series: int, units: Units) -> Line | None:
    """The reduction's line of stall speed on entry rate, over the rates that were flown."""
    at_1_kt, slope = cell.at_1_kt_per_s_kt, cell.rate_slope
    if at_1_kt is None or slope is None or not rates:
        return None
    xs = (min(rates), max(rates))
    return Line(
        xs=tuple(units.speed(x) for x in xs),
        ys=tuple(units.speed(at_1_kt + slope * (x - 1.0)) for x in xs),
        series=series,
    )


def tuft_map(side: Side, view: PointView, marks: Sequence[TuftMark], unit: str) -> Figure | None:
    """State of the tufts along the span against airspeed, of one configuration through one camera.

    Returns
    -------
    Figure or None
        None without marks that have a speed.
    """
    speed_of = {id(mark): round(from_kt(mark.ias_kt, unit)) for mark in marks if mark.ias_kt is not None}
    marks = [mark for mark in marks if id(mark) in speed_of]
    if not marks:
        return None
    seen = view_of(marks[0])
    # Root above, tip below; fast at the left, as the approach is flown.
    stations = sorted({mark.station for mark in marks}, key=_station_order, reverse=True)
    speeds = sorted(set(speed_of.values()), reverse=True)
    worst: dict[tuple[int, int], TuftMark] = {}
    for mark in marks:
        at = speeds.index(speed_of[id(mark)]), stations.index(mark.station)
        if at not in worst or _shade(mark) > _shade(worst[at]):
            worst[at] = mark
    squares = tuple(
        Square(
            x=x,
            y=y,
            shade=TUFT_STATES.get(mark.state),
            series=side.series,
            proposed=mark.proposed,
            description=f"{stations[y]} at {speeds[x]} {unit}: {mark.state}",
        )
        for (x, y), mark in sorted(worst.items())
    )
    first = [
        f"{name} first separated at {max(speeds[x] for (x, y), m in worst.items() if stations[y] == name and _shade(m) >= 2)} {unit}"
        for name in reversed(stations)
        if any(stations[y] == name and _shade(m) >= 2 for (_, y), m in worst.items())
    ]
    return Figure(
        id=f"{view.anchor}-tufts-{side.series}-{_id(seen)}",
        title=f"{view.point.id}: tufts along the span, {side.configuration.name}" + (f", {seen}" if seen else ""),
        description=("; ".join(first) + "." if first else "No station was marked separated.")
        + (
            f" Dashed boxes are proposed by the assist, not confirmed. {ASSIST_LIMITS}"
            if any(m.proposed for m in worst.values())
            else ""
        ),
        caption="Stations as percent of span / percent of chord, root above; hatching grows from attached to reversed, ? is not visible."
        + (
            f" Dashed boxes are only proposed by the assist. {ASSIST_LIMITS}"
            if any(m.proposed for m in worst.values())
            else ""
        ),
        x=Axis(
            label=f"indicated airspeed [{unit}]",
            low=-0.6,
            high=max(len(speeds), 6) - 0.4,
            names=tuple(f"{s}" for s in speeds),
        ),
        y=Axis(label="station [% span / % chord]", low=-0.6, high=len(stations) - 0.4, names=tuple(stations)),
        squares=squares,
        keys=tuple(
            Key(word=state, series=side.series, shade=shade)
            for state, shade in TUFT_STATES.items()
            if shade is not None
        ),
        width=480.0,
        height=110.0 + 22.0 * max(len(stations), 5),
        left=96.0,
    )


def _shade(mark: TuftMark) -> int:
    shade = TUFT_STATES.get(mark.state)
    return -1 if shade is None else shade


def wing_map(one: WingMap, view: PointView, names: Mapping[str, str], series: int, unit: str) -> Figure | None:
    """A wing from above, root at the left, leading edge up: where it first separated, or the difference."""
    if not one.cells:
        return None
    spans = sorted({cell.span_pct for cell in one.cells})
    chords = sorted({cell.chord_pct for cell in one.cells}, reverse=True)
    seen = f", {one.view}" if one.view else ""
    title = (
        f"where the wing first separated, {names.get(one.configuration, one.configuration)}{seen} [{unit} indicated]"
    )
    caption = (
        "From above: root at the left, leading edge up. 52-56: between these speeds; <46: below 46, if at all; >54: at "
        "54 or faster; after: after the stall; !: people disagree; -: not seen. Darker with more strokes: earlier."
    )
    if one.reference:
        title = f"first separation, {one.configuration} less {one.reference}{seen} [{unit}]"
        caption = (
            "-6..-1: by 1 to 6 slower; below 0 stays attached to a lower speed. Tinted where the sign is certain: upright "
            "strokes slower, lying strokes faster, more with the size."
        )
    said = (
        "; ".join(f"{cell.span_pct:g} % span, {cell.chord_pct:g} % chord: {cell.description}" for cell in one.cells)
        + "."
    )
    guessed = any(cell.drawn.proposed for cell in one.cells)
    limits = f" {ASSIST_LIMITS}" if guessed else ""
    return Figure(
        id=f"{view.anchor}-wing-{one.reference or 'first'}-{one.configuration}-{_id(one.view)}",
        title=f"{view.point.id}: {title}",
        description=said + limits,
        caption=caption + limits,
        x=Axis(label="span [%], root to tip", low=-0.6, high=len(spans) - 0.4, names=tuple(f"{s:g}" for s in spans)),
        y=Axis(label="chord [%]", low=-0.6, high=len(chords) - 0.4, names=tuple(f"{c:g}" for c in chords)),
        squares=tuple(
            Square(
                x=spans.index(c.span_pct),
                y=chords.index(c.chord_pct),
                shade=c.drawn.tone,
                series=series,
                proposed=c.drawn.proposed,
                word=f"{c.drawn.words}?" if c.drawn.proposed else c.drawn.words,
                description=c.description,
                tinted=True,
                across=c.drawn.kind == "faster",
            )
            for c in one.cells
        ),
        width=max(480.0, 64.0 + 58.0 * len(spans)),
        height=80.0 + 34.0 * len(chords),
        left=64.0,
    )


def _id(text: str) -> str:
    return "".join(ch if ch.isalnum() else "-" for ch in text)


def _station_order(name: str) -> tuple:
    """By span, then chord: ``16.7/50`` before ``50/16.7``."""
    try:
        return (0, *(float(part) for part in name.split("/")), name)
    except ValueError:
        return (1, name)

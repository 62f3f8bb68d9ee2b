"""Data for the plots: results to `Figure`s. Pure; knows no pixels and no file format.

The forest plot of differences, the approaches at a point, stall speed against entry rate, the
warning margins and the spanwise tuft map.
"""

from __future__ import annotations

import statistics
from collections.abc import Mapping, Sequence

from logger_app.domain.approach_curve import ApproachCurve, curve_of
from logger_app.records.calls import CallKind
from logger_app.records.results import Cell
from logger_app.report.extras import TuftMark, WingMap
from logger_app.report.plot import Axis, Bar, Dot, Event, Figure, Key, Line, Rule, Square, fitted_range, nice_ticks
from logger_app.report.view import Pair, PointView, RunView, Side
from logger_app.report.words import clock, indicated, interval, number
from logger_app.units import NS_PER_S, from_kt

# What is shown of an approach: common practice, no source; the fit needs 1.3 Vs at most.
BEFORE_S = 30.0
MEAN_STEP_S = 1.7
# Stall warning at least 5 kt above the stalling speed: 14 CFR 23.207(c), Amdt 23-62.
WARNING_KT = 5.0
# Markers of one configuration in one figure: more hide each other.
MAX_DRAWN = 120
TUFT_STATES = {"attached": 0, "unsteady": 1, "separated": 2, "reversed": 3, "not visible": None}


def forest(pair: Pair, id: str) -> Figure | None:
    """The differences of a pair with their 95 % intervals, one line a test point.

    Returns
    -------
    Figure or None
        None when no point could be compared.
    """
    rows = [(row, bounds) for row in pair.rows if (bounds := row.bounds) is not None]
    if not rows:
        return None
    values = [v for _, (low_kt, _, high_kt) in rows for v in (low_kt, high_kt)] + [0.0]
    low, high = fitted_range(values, 2.0)
    bars: list[Bar] = []
    says: list[str] = []
    for k, (row, (low_kt, at_kt, high_kt)) in enumerate(reversed(rows)):
        c = row.comparison
        words = f"{row.point.id}, {row.point.label}: {number(c.difference_kt, 1, True)} kt, 95 % {interval(c.low_kt, c.high_kt)} kt"
        bars.append(
            Bar(
                low=low_kt,
                high=high_kt,
                at=at_kt,
                y=k,
                series=1,
                hollow=bool(row.caveat) or not c.reviewed,
                link=row.anchor,
                says=words + (f"; {row.caveat}" if row.caveat else ""),
            )
        )
        says.insert(0, words)
    names = tuple(row.point.id for row, _ in reversed(rows))
    return Figure(
        id=id,
        title=f"Difference in stall speed, {pair.changed.name} less {pair.reference.name}",
        says="; ".join(says) + ". Left of zero is a lower stall.",
        x=Axis(
            label="difference in stall speed [kt CAS]; negative: lower", low=low, high=high, ticks=nice_ticks(low, high)
        ),
        y=Axis(
            label="",
            low=-0.6,
            high=len(rows) - 0.4,
            names=names,
            notes=tuple(row.point.label for row, _ in reversed(rows)),
            links=tuple(row.anchor for row, _ in reversed(rows)),
        ),
        bars=tuple(bars),
        rules=(Rule(at=0.0, upright=True, strong=True),),
        keys=(Key(word="difference and 95 % interval", series=1),)
        + ((Key(word="not all reviewed", series=1, hollow=True),) if any(bar.hollow for bar in bars) else ()),
        height=74.0 + 38.0 * len(rows) + 18.0,
        left=170.0,
    )


def approaches(view: PointView, unit: str) -> Figure | None:
    """All approaches at a point on one axis of time before the stall event: calls, fits, events.

    Returns
    -------
    Figure or None
        None when no run has an event or a lowest call to line up on.
    """
    dots, lines, events = [], [], []
    for side in view.sides:
        for run in side.counting:
            zero_s = zero_of(run)
            if zero_s is None:
                continue
            dots += _call_dots(run, zero_s, unit)
            lines += _fit_line(run, zero_s, unit)
            events += _spoken_events(run, zero_s, unit)
    if not dots:
        return None
    sides = [side for side in view.sides if side.counting]
    low_x, high_x = -min(max(-dot.x for dot in dots) + 1, BEFORE_S), MEAN_STEP_S * len(sides) + 1.0
    dots = [dot for dot in dots if low_x <= dot.x <= high_x]
    means = _means(sides, unit)
    ends = [y for line in lines for y in line.ys]
    low, high = fitted_range([dot.y for dot in dots] + [mean.y for mean in means] + ends, from_kt(8.0, unit))
    events = [event for event in events if event.x >= low_x] + means
    keys = [Key(word=side.configuration.name, series=side.series, line=True) for side in view.sides if side.counting]
    keys.append(Key(word="buffet or another event called", tick=True))
    if any(dot.hollow for dot in dots):
        keys.append(Key(word="not reviewed", hollow=True))
    if any(dot.struck for dot in dots):
        keys.append(Key(word="left out of the fit", struck=True))
    return Figure(
        id=f"{view.anchor}-approaches",
        title=f"{view.point.id}, {view.point.label}: the approaches",
        says=_approach_words(view, unit),
        x=Axis(label="time from the stall event [s]", low=low_x, high=high_x, ticks=nice_ticks(low_x, high_x, 9)),
        y=Axis(label=f"indicated airspeed [{unit}]", low=low, high=high, ticks=nice_ticks(low, high)),
        dots=tuple(dots),
        lines=tuple(lines),
        events=tuple(events),
        rules=(Rule(at=0.0, upright=True, word="stall event"),),
        keys=tuple(keys),
        height=390.0,
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
    """The fitted approach at a time on the flight clock [kt]; None without a fit or outside its curve.

    Parameters
    ----------
    flight_s : float
        Time on the flight clock [s].

    Returns
    -------
    float | None
        Indicated airspeed, or None [kt].
    """
    result = run.result
    if result is None or result.fit is None:
        return None
    if result.curve:
        return ApproachCurve(fitted=result.curve).speed_at_kt(flight_s)
    t0_ns, intercept_kt, slope_kt_per_s = result.fit
    return intercept_kt + slope_kt_per_s * (flight_s - t0_ns / NS_PER_S)


def time_at_ias_s(run: RunView, ias_kt: float) -> float | None:
    """When the approach last slowed through a speed, on the flight clock [s]; None when it was not flown or has no event.

    Parameters
    ----------
    ias_kt : float
        Indicated airspeed [kt].
    """
    return None if run.result is None or run.event_s is None else curve_of(run.result).time_at_s(ias_kt)


def _call_dots(run: RunView, zero_s: float, unit: str) -> list[Dot]:
    dots = []
    for view in run.calls:
        call = view.call
        if call.kind is not CallKind.AIRSPEED or not call.counts or call.ias_kt is None:
            continue
        status = "" if call.reviewed else ", not reviewed"
        dots.append(
            Dot(
                x=call.flight_s - zero_s,
                y=from_kt(call.ias_kt, unit),
                series=run.series,
                hollow=not call.reviewed,
                struck=bool(view.left_out),
                link=view.anchor,
                says=f"{view.says} at {clock(call.flight_s)}, {run.name}{status}",
            )
        )
    return dots


def _fit_line(run: RunView, zero_s: float, unit: str) -> list[Line]:
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
    return [Line(xs=tuple(x - zero_s for x in xs), ys=tuple(from_kt(y, unit) for y in ys), series=run.series)]


def _spoken_events(run: RunView, zero_s: float, unit: str) -> list[Event]:
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
            says = f"{view.says} at {clock(view.call.flight_s)}, {run.name}"
            ticks.append(
                Event(x=view.call.flight_s - zero_s, y=from_kt(ias_kt, unit), word="", series=run.series, says=says)
            )
    return ticks


def _means(sides: Sequence[Side], unit: str) -> list[Event]:
    """The stall itself, once a configuration: mean speed of its runs at their events."""
    events = []
    for k, side in enumerate(sides):
        speeds = [run.reduced.vs_ias_kt for run in side.counting if run.reduced.vs_ias_kt is not None]
        if speeds:
            y = from_kt(statistics.fmean(speeds), unit)
            events.append(Event(x=0.3 + MEAN_STEP_S * k, y=y, word=number(y), series=side.series))
    return events


def _approach_words(view: PointView, unit: str) -> str:
    parts = []
    for side in view.sides:
        for run in _detailed(side.counting):
            r = run.reduced
            parts.append(
                f"{side.configuration.name}, run {run.run.number} of {run.flight}: stall at {indicated(r.vs_ias_kt, unit)} {unit} "
                f"indicated, entry rate {number(r.entry_rate_kt_per_s)} kt/s"
            )
    return (
        "Spoken airspeeds falling to the stall event, with the fitted approach of each run. "
        + "; ".join(parts)
        + "."
        + drawn_words(view)
    )


def drawn_words(view: PointView) -> str:
    """What is said beside the approaches where not all are drawn.

    Returns
    -------
    str
        A sentence after a blank, or nothing.
    """
    counting = [run for side in view.sides for run in side.counting]
    return _drawn(len(_detailed(counting)), len(counting))


def _detailed(runs: Sequence[RunView]) -> list[RunView]:
    return [run for run in runs if run.anchor]


def _drawn(drawn: int, every: int) -> str:
    """What is said where not all runs are drawn."""
    return f" {drawn} of {every} runs are drawn." if drawn < every else ""


def thinned(runs: Sequence[tuple[RunView, float]], most: int = MAX_DRAWN) -> list[tuple[RunView, float]]:
    """Runs to draw where there are too many: the detailed ones, and an even choice of the others.

    Parameters
    ----------
    runs : sequence of (RunView, float)
        Each with what the choice is even along; its lowest and highest are always chosen.

    Returns
    -------
    list of (RunView, float)
        In the order given; all while there are no more than `most`.
    """
    if len(runs) <= most:
        return list(runs)
    order = sorted(range(len(runs)), key=lambda k: runs[k][1])
    step = (len(order) - 1) / (most - 1)
    kept = {order[round(k * step)] for k in range(most)}
    return [pair for k, pair in enumerate(runs) if k in kept or pair[0].anchor]


def against_entry_rate(view: PointView) -> Figure | None:
    """Stall speed against entry rate, with the regression where the reduction has one.

    Returns
    -------
    Figure or None
        None with fewer than two runs to draw.
    """
    dots, lines, parts, keys, every = [], [], [], [], 0
    for side in view.sides:
        speeds = [(run, run.reduced.vs_std_kt) for run in side.counting]
        rates = [(run, run.reduced.entry_rate_kt_per_s) for run, speed_kt in speeds if speed_kt is not None]
        known = [(run, rate) for run, rate in rates if rate is not None]
        every += len(known)
        for run, rate in thinned(known):
            r, u, speed_kt = run.reduced, random_u_kt(run), run.reduced.vs_std_kt or 0.0
            dots.append(
                Dot(
                    x=rate,
                    y=speed_kt,
                    series=side.series,
                    hollow=not r.reviewed,
                    link=run.anchor,
                    x_half=r.entry_rate_u_kt_per_s or 0.0,
                    y_half=u or 0.0,
                    says=f"{run.name}: {number(speed_kt)} kt at {number(rate, 2)} kt/s",
                )
            )
        if known:
            keys.append(
                Key(
                    word=side.configuration.name,
                    series=side.series,
                    line=bool(side.cell and side.cell.at_1_kt_per_s_kt),
                )
            )
        if side.cell and (line := _regression_line(side.cell, [rate for _, rate in known], side.series)):
            lines.append(line)
            parts.append(
                f"{side.configuration.name}: {number(side.cell.rate_slope, 1, True)} kt for each kt/s, "
                f"{number(side.cell.at_1_kt_per_s_kt)} kt at 1 kt/s"
            )
    if len(dots) < 2:
        return None
    low_x, high_x = fitted_range([v for d in dots for v in (d.x - d.x_half, d.x + d.x_half)] + [1.0], 0.6)
    low, high = fitted_range([v for d in dots for v in (d.y - d.y_half, d.y + d.y_half)], 2.0)
    if any(dot.hollow for dot in dots):
        keys.append(Key(word="not reviewed", hollow=True))
    words = "; ".join(parts) + "." if parts else "No regression: too few runs, or the flown rates do not span 1 kt/s."
    return Figure(
        id=f"{view.anchor}-rate",
        title=f"{view.point.id}, {view.point.label}: stall speed against entry rate",
        says=f"One marker a run. {words}{_drawn(len(dots), every)}",
        x=Axis(
            label="entry rate, 1.1 Vs to Vs [kt/s]",
            low=max(low_x, 0.0),
            high=high_x,
            ticks=nice_ticks(max(low_x, 0.0), high_x),
        ),
        y=Axis(
            label="stall speed, calibrated, reference weight [kt]", low=low, high=high, ticks=nice_ticks(low, high, 6)
        ),
        dots=tuple(dots),
        lines=tuple(lines),
        rules=(Rule(at=1.0, upright=True, word="1 kt/s"),),
        keys=tuple(keys),
        width=480.0,
        height=330.0,
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


def _regression_line(cell: Cell, rates: Sequence[float], series: int) -> Line | None:
    """The reduction's line of stall speed on entry rate, over the rates that were flown."""
    at_1_kt, slope = cell.at_1_kt_per_s_kt, cell.rate_slope
    if at_1_kt is None or slope is None or not rates:
        return None
    xs = (min(rates), max(rates))
    return Line(xs=xs, ys=tuple(at_1_kt + slope * (x - 1.0) for x in xs), series=series)


def warning_margins(view: PointView) -> Figure | None:
    """Margin of the first warning or buffet above the stall, one marker a run.

    Returns
    -------
    Figure or None
        None when no run had a warning called.
    """
    sides = [side for side in view.sides if side.margins]
    if not sides:
        return None
    dots = []
    for k, side in enumerate(reversed(sides)):
        for n, (run, margin_kt) in enumerate(thinned(side.margins)):
            y = k + 0.16 * ((n % 3) - 1)
            dots.append(
                Dot(
                    x=margin_kt,
                    y=y,
                    series=side.series,
                    hollow=not run.reduced.reviewed,
                    link=run.anchor,
                    says=f"{run.name}: warning {number(margin_kt)} kt above the stall",
                )
            )
    low, high = fitted_range([dot.x for dot in dots] + [0.0, WARNING_KT + 1], 6.0, 0.03)
    means = {s.configuration.name: statistics.fmean(m for _, m in s.margins) for s in sides}
    return Figure(
        id=f"{view.anchor}-warning",
        title=f"{view.point.id}, {view.point.label}: warning margin",
        says="; ".join(f"{name}: mean {number(mean)} kt" for name, mean in means.items())
        + "."
        + _drawn(len(dots), sum(len(s.margins) for s in sides)),
        x=Axis(
            label="first warning or buffet above the stall [kt]",
            low=min(low, 0.0),
            high=high,
            ticks=nice_ticks(min(low, 0), high),
        ),
        y=Axis(label="", low=-0.6, high=len(sides) - 0.4, names=tuple(s.configuration.id for s in reversed(sides))),
        dots=tuple(dots),
        rules=(Rule(at=WARNING_KT, upright=True, word="14 CFR 23.207(c)"),),
        width=480.0,
        height=86.0 + 34.0 * len(sides),
        left=110.0,
    )


def tuft_map(side: Side, view: PointView, marks: Sequence[TuftMark], unit: str) -> Figure | None:
    """State of the tufts along the span against airspeed, one configuration.

    Returns
    -------
    Figure or None
        None without marks that have a speed.
    """
    speed_of = {id(mark): round(from_kt(mark.ias_kt, unit)) for mark in marks if mark.ias_kt is not None}
    marks = [mark for mark in marks if id(mark) in speed_of]
    if not marks:
        return None
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
            says=f"{stations[y]} at {speeds[x]} {unit}: {mark.state}",
        )
        for (x, y), mark in sorted(worst.items())
    )
    first = [
        f"{name} first separated at {max(speeds[x] for (x, y), m in worst.items() if stations[y] == name and _shade(m) >= 2)} {unit}"
        for name in reversed(stations)
        if any(stations[y] == name and _shade(m) >= 2 for (_, y), m in worst.items())
    ]
    return Figure(
        id=f"{view.anchor}-tufts-{side.series}",
        title=f"{view.point.id}: tufts along the span, {side.configuration.name}",
        says=("; ".join(first) + "." if first else "No station was marked separated.")
        + (
            " Dashed boxes are proposed by the assist, not confirmed."
            if any(m.proposed for m in worst.values())
            else ""
        ),
        caption="Stations as percent of span / percent of chord, root above; hatching grows from attached to reversed, ? is not visible."
        + (" Dashed boxes are only proposed by the assist." if any(m.proposed for m in worst.values()) else ""),
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
    title = f"where the wing first separated, {names.get(one.configuration, one.configuration)} [{unit} indicated]"
    if one.reference:
        title = f"first separation, {one.configuration} less {one.reference} [{unit}]; below 0 stays attached to a lower speed"
    said = "; ".join(f"{cell.span_pct:g} % span, {cell.chord_pct:g} % chord: {cell.says}" for cell in one.cells) + "."
    guessed = " A ? and a dashed box: only proposed by the assist, not confirmed."
    return Figure(
        id=f"{view.anchor}-wing-{one.reference or 'first'}-{one.configuration}",
        title=f"{view.point.id}: {title}",
        says=said + (guessed if any(cell.proposed for cell in one.cells) else ""),
        caption="From above: root at the left, leading edge up. <46: not separated down to 46; -: not seen."
        + (" <-3: slower by more than 3." if one.reference else "")
        + (guessed if any(cell.proposed for cell in one.cells) else ""),
        x=Axis(label="span [%], root to tip", low=-0.6, high=len(spans) - 0.4, names=tuple(f"{s:g}" for s in spans)),
        y=Axis(label="chord [%]", low=-0.6, high=len(chords) - 0.4, names=tuple(f"{c:g}" for c in chords)),
        squares=tuple(
            Square(
                x=spans.index(c.span_pct),
                y=chords.index(c.chord_pct),
                shade=0,
                series=series,
                proposed=c.proposed,
                word=f"{c.words}?" if c.proposed else c.words,
                says=c.says,
            )
            for c in one.cells
        ),
        width=480.0,
        height=80.0 + 30.0 * len(chords),
        left=64.0,
    )


def _station_order(name: str) -> tuple:
    """By span, then chord: ``16.7/50`` before ``50/16.7``."""
    try:
        return (0, *(float(part) for part in name.split("/")), name)
    except ValueError:
        return (1, name)

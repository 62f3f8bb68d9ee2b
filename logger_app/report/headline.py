"""The answer at one look: what a pair of configurations showed, in as few sentences as can be repeated at the airfield.

Good news and bad news are statements of the same kind and size: the stall speed, the warning before it, the wing
drop, and what is not known. Pure. Main name: `headline`.
"""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from logger_app.domain.binomial import counts_differ_p
from logger_app.domain.warning import WARNING_MARGIN_KT
from logger_app.records.results import Comparison, Overall
from logger_app.report.view import Pair, Row, Side
from logger_app.report.words import Units, count, flights_words, listed

BETTER, WORSE, CAUTION, SAME, OPEN, FLIGHTS = "better", "worse", "caution", "same", "open", "as flown"
SIGNIFICANT_P = 0.05


@dataclass(frozen=True, slots=True)
class Statement:
    """One sentence of the answer; `tone` is better, worse, caution (short of a rule), same, as flown (of these
    flights, not of the change) or open (not known)."""

    tone: str
    about: str
    text: str


def headline(pair: Pair, units: Units) -> tuple[Statement, ...]:
    """What a pair showed: stall speed, warning, wing drop, and what would settle what is open."""
    return (*_stall(pair, units), *_warning(pair.rows, units), *_drop(pair.rows))


def caveats(pair: Pair, units: Units) -> tuple[str, ...]:
    """What a reader must know with the answer: flights behind it, and what nobody reviewed."""
    found = []
    flights = [{run.flight for row in pair.rows for run in _counting(side(row))} for side in (_reference, _changed)]
    if all(flights) and min(map(len, flights)) == 1:
        once = max(map(len, flights)) == 1
        each = "One flight each" if once else "One flight only of one of them"
        rests = ", which rests on an assumed scatter of flights and not on a measured one" if once else ""
        found.append(
            f"{each}: the weather, the loading and the pilot of the day are in what differed between the flights. "
            f"What holds for the change has a wider interval{rests}; another flight of each narrows it most."
        )
    runs = [run for row in pair.rows for side in (row.reference, row.changed) for run in _counting(side)]
    unreviewed = sum(not run.reduced.reviewed for run in runs)
    if unreviewed:
        found.append(
            f"{unreviewed} of {count(len(runs), 'run')} not reviewed by a person: the figures rest on what the machine heard."
        )
    return tuple(found)


def _stall(pair: Pair, units: Units) -> list[Statement]:
    found = [_overall(pair.overall, units)] if pair.overall and len(pair.overall.points) > 1 else []
    by: dict[str, list[Row]] = {}
    for row in pair.rows:
        by.setdefault(row.comparison.verdict, []).append(row)
    every = sum(len(by.get(verdict, ())) for verdict in ("lower", "higher", "not shown"))
    for verdict, tone in (("lower", BETTER), ("higher", WORSE)):
        if shown := by.get(verdict, []):
            sizes = [abs(row.comparison.difference_kt or 0.0) for row in shown]
            where = _where([row.point.id for row in shown], every)
            found.append(Statement(tone, "Stall", f"{verdict} {where}, by {_range(sizes, units)}"))
    if unclear := by.get("not shown", []):
        found += _unclear(unclear, every, units)
    if apart := by.get("not comparable", []):
        why = dict.fromkeys(row.comparison.notes[0] for row in apart if row.comparison.notes)
        where = listed([row.point.id for row in apart])
        found.append(Statement(OPEN, "Stall", f"not comparable at {where}: {'; '.join(why)}"))
    return found


def _overall(answer: Overall, units: Units) -> Statement:
    """The answer of all points together, of the change."""
    mean = f"mean of {len(answer.points)} points"
    low, high = sorted((abs(answer.low_kt or 0.0), abs(answer.high_kt or 0.0)))
    if answer.verdict in ("lower", "higher"):
        by = f"{units.text(abs(answer.difference_kt or 0.0))} {units.speed_unit} ({units.span(low, high, 1, False)})"
        return Statement(BETTER if answer.verdict == "lower" else WORSE, "Stall", f"{answer.verdict} by {by}, {mean}")
    text = f"no difference shown, {mean}: {units.span(answer.low_kt, answer.high_kt)} {units.speed_unit} is possible"
    if answer.no_worse:
        text += f"; not higher by more than {units.text(answer.no_worse_kt)} {units.speed_unit}"
    return Statement(OPEN, "Stall", text)


def _unclear(rows: Sequence[Row], every: int, units: Units) -> list[Statement]:
    """Points where nothing was shown of the change: what differed as flown, what it leaves, what would settle it."""
    found = []
    once = [row for row in rows if flights_words(row.comparison, units)]
    for verdict in ("lower", "higher"):
        shown = [row for row in once if row.comparison.flights_verdict == verdict]
        if shown:
            sizes = [abs(row.comparison.flights_difference_kt or 0.0) for row in shown]
            where = _where([row.point.id for row in shown], every)
            text = f"{verdict} {where}, by {_range(sizes, units)}"
            found.append(Statement(FLIGHTS, "Between these flights", text))
    points = [row.point.id for row in rows]
    where = f"at any of {every} points" if len(points) == every > 1 else _where(points, every)
    text = f"not shown for the change {where}"
    bounds = [row.bounds for row in rows if row.bounds]
    if bounds:
        text += f" ({units.span(min(b[0] for b in bounds), max(b[2] for b in bounds))} {units.speed_unit} is possible)"
    if more := _would_show([row.comparison for row in rows], units):
        text += f"; {more}"
    elif not bounds:
        text += "; two runs of each at least are needed"
    return [*found, Statement(OPEN, "Point by point" if every > 1 else "Stall", text)]


def _would_show(comparisons: Sequence[Comparison], units: Units) -> str:
    """What it takes to show the planned difference at every one of these points; empty where that is not known."""
    planned = next((c.planned_kt for c in comparisons if c.planned_kt), None)
    if planned is None:
        return ""
    wanted = f"the planned {units.text(planned)} {units.speed_unit}"
    runs = [(c.runs_to_show_planned, max(c.n_reference, c.n_changed)) for c in comparisons]
    if all(need is not None and need <= flown for need, flown in runs):
        return f"as many runs as were flown show {wanted}, four times out of five"
    known = [need for need, _ in runs if need is not None]
    if len(known) == len(runs):
        return f"about {max(known)} runs of each on as many flights would show {wanted}"
    flights = [c.flights_to_show_planned for c in comparisons if c.flights_to_show_planned]
    return f"about {max(flights)} flights of each would show {wanted}" if flights else ""


def _warning(rows: Sequence[Row], units: Units) -> list[Statement]:
    flown = [row for row in rows if _counting(row.changed)]
    after = {row.point.id: mean for row in flown if (mean := _margin(row.changed)) is not None}
    before = {row.point.id: mean for row in flown if (mean := _margin(row.reference)) is not None}
    if not after:
        runs = sum(len(_counting(row.changed)) for row in flown)
        return [Statement(OPEN, "Warning", f"none was called before the stall in {count(runs, 'run')}")] if runs else []
    line = units.text(WARNING_MARGIN_KT, 0 if units.speed_unit == "kt" else 1)
    short = [point for point, mean in after.items() if mean < WARNING_MARGIN_KT]
    text = f"{_range(list(after.values()), units)} above the stall"
    if short:
        text += f", less than the {line} {units.speed_unit} line {_where(short, len(after))}"
    else:
        text += f", not less than the {line} {units.speed_unit} line"
    both = [point for point in after if point in before]
    if both:
        was_short = sum(before[point] < WARNING_MARGIN_KT for point in both)
        text += f" (before: {_range([before[point] for point in both], units)}"
        text += f", less at {was_short} of {len(both)})" if was_short else ")"
    if silent := [row.point.id for row in flown if row.point.id not in after]:
        text += f"; not called at {listed(silent)}"
    return [Statement(CAUTION if short else SAME, "Warning", text)]


def _drop(rows: Sequence[Row]) -> list[Statement]:
    (was, was_of), (now, now_of) = (_drops([side(row) for row in rows]) for side in (_reference, _changed))
    if not now_of:
        return []
    text = f"in {now} of {count(now_of, 'run')}"
    if not was_of:
        return [Statement(WORSE if now else OPEN, "Wing drop", f"{text}; not called before")]
    text += f", {was} of {was_of} before"
    if now * was_of == was * now_of:
        return [Statement(SAME, "Wing drop", f"no more and no less often: {text}")]
    p = counts_differ_p((was, was_of - was), (now, now_of - now))
    more = now * was_of > was * now_of
    chance = "" if p < SIGNIFICANT_P else f"; so few could be chance (exact test, p = {p:.2f})"
    return [
        Statement(
            WORSE if more else SAME if chance else BETTER,
            "Wing drop",
            f"{'more' if more else 'less'} often: {text}{chance}",
        )
    ]


def _drops(sides: Sequence[Side | None]) -> tuple[int, int]:
    """(runs in which a wing dropped, runs in which it was said whether one did)."""
    said = [run.reduced.wing_drop for side in sides for run in _counting(side) if run.reduced.wing_drop]
    return sum(one != "none" for one in said), len(said)


def _margin(side: Side | None) -> float | None:
    margins = [margin_kt for _, margin_kt in side.margins] if side else []
    return statistics.fmean(margins) if margins else None


def _counting(side: Side | None):
    return side.counting if side else ()


def _reference(row: Row) -> Side | None:
    return row.reference


def _changed(row: Row) -> Side | None:
    return row.changed


def _where(points: Sequence[str], every: int) -> str:
    if len(points) == every:
        return f"at all {every} points" if every > 1 else f"at {points[0]}"
    return f"at {len(points)} of {every} points ({listed(points)})"


def _range(values_kt: Sequence[float], units: Units) -> str:
    low, high = units.text(min(values_kt)), units.text(max(values_kt))
    return f"{low} {units.speed_unit}" if low == high else f"{low} to {high} {units.speed_unit}"

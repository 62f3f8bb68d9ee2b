"""A reduction as plain text for a terminal: summary, comparisons, cells, runs, what was left out."""

from __future__ import annotations

from collections.abc import Sequence

from logger_app.records.plan import Campaign
from logger_app.records.results import Reduction
from logger_app.reduce.one_side import CAUTION as ONE_SIDE_CAUTION
from logger_app.units import from_kt, speed_text

# What a person reads on a terminal. All of it is in results/reduction.json and in the report's tables.
MAX_LINES = 1000
CAUTION = (
    "A record of what was called, not an instrument: no figure here replaces the approved limits, "
    "the rules in force or a qualified person's judgement."
)


def plain_text(campaign: Campaign, reduction: Reduction) -> str:
    """The reduction as text.

    Returns
    -------
    str
        Several tables; speeds in the indicator's unit.
    """
    labels = {point.id: point.label for point in campaign.points}
    unit = campaign.indicator.unit
    parts = [f"{reduction.campaign}\n", *[f"{line}\n" for line in reduction.summary]]
    parts.append(_comparisons(reduction, labels, unit))
    if reduction.one_sided:
        lines = [f"  {one.configuration}: {one.words}." for one in reduction.one_sided]
        parts.append("One wing only\n" + "\n".join([*lines, f"  {ONE_SIDE_CAUTION}"]) + "\n")
    parts.append(_what_next(reduction, labels, unit))
    parts.append(_cells(reduction, labels, unit))
    parts.append(_runs(reduction, unit))
    parts.append(_remarks(reduction, labels))
    if reduction.excluded:
        lines = [f"  {e.flight} {e.what}: {e.why}" for e in reduction.excluded[-MAX_LINES:]]
        parts.append(f"Left out{_last_of(reduction.excluded)}\n" + "\n".join(lines) + "\n")
    parts.append("".join(f"{one.flight}: {one.in_words()}\n" for one in reduction.reviews[-MAX_LINES:]))
    parts.append(f"{100 * reduction.reviewed_share:.0f} % of the runs have been reviewed by a person.\n{CAUTION}")
    return "\n".join(part for part in parts if part)


def _comparisons(reduction: Reduction, labels, unit: str) -> str:
    rows = [
        (
            labels.get(c.point, c.point),
            f"{c.changed} - {c.reference}",
            f"{c.n_reference}/{c.n_changed}",
            _speed(c.difference_kt, unit, "+.1f"),
            _span(c.low_kt, c.high_kt, unit, "+.1f"),
            _speed(c.smallest_kt, unit),
            c.method,
            c.verdict,
        )
        for c in reduction.comparisons
    ]
    head = ("point", "difference", "runs", unit, f"95 %, {unit}", f"would show, {unit}", "method", "verdict")
    return _table("Comparisons", head, rows)


def _what_next(reduction: Reduction, labels, unit: str) -> str:
    """Enough, or one more? By comparison; and what the whole campaign's runs say of the scatters."""
    lines = [
        f"  {labels.get(c.point, c.point)}, {c.changed} - {c.reference}: {c.next_words}"
        for c in reduction.comparisons
        if c.next_words
    ]
    if not lines:
        return ""
    model = reduction.model
    if model:
        flights = "learned" if model.flights_learned else "assumed in [plan] flight_scatter_kt, not measured"
        runs, between = (
            f"{speed_text(m, unit)} ({_span(low, high, unit)}" for m, low, high in (model.run_sd_kt, model.flight_sd_kt)
        )
        lines.append(f"  scatter of repeated runs {runs}), of flights {between}, {flights})")
        lines += [f"  {note}" for note in model.notes]
    return "Enough, or one more?\n" + "\n".join(lines) + "\n"


def _cells(reduction: Reduction, labels, unit: str) -> str:
    rows = [
        (
            labels.get(c.point, c.point),
            c.configuration,
            c.event.replace("_", " "),
            str(c.n),
            _speed(c.vs_ias_kt, unit),
            _speed(c.vs_std_kt, unit),
            _speed(c.vs_std_sd_kt, unit, ".2f"),
            _span(c.low_kt, c.high_kt, unit),
            _speed(c.vs_std_u_kt, unit),
            c.basis,
        )
        for c in reduction.cells
    ]
    head = (
        "point",
        "configuration",
        "stall",
        "n",
        f"IAS, {unit}",
        f"std CAS, {unit}",
        "sd",
        f"95 %, {unit}",
        f"u all, {unit}",
        "basis",
    )
    return _table("Test points", head, rows)


def _runs(reduction: Reduction, unit: str) -> str:
    rows = [
        (
            run.flight,
            str(run.run_number),
            run.point or "-",
            str(run.event).replace("_", " "),
            _speed(run.vs_ias_kt, unit),
            run.method,
            _speed(run.vs_cas_kt, unit),
            _speed(run.vs_std_kt, unit),
            _speed(run.vs_std_u_kt, unit),
            _speed(run.entry_rate_kt_per_s, unit, ".2f"),
            _number(run.weight_kg, ".0f"),
            "yes" if run.counts else "no: " + "; ".join(run.why),
        )
        for run in reduction.runs[-MAX_LINES:]
    ]
    head = ("flight", "run", "point", "stall", f"IAS, {unit}", "by", "CAS", "std", "u", f"{unit}/s", "kg", "counts")
    return _table(f"Runs{_last_of(reduction.runs)}", head, rows)


def _last_of(everything: Sequence) -> str:
    """What is said where only the last lines are printed."""
    few = len(everything) > MAX_LINES
    return (
        f", the last {MAX_LINES} of {len(everything)}; all are in results/reduction.json and the report's runs.csv"
        if few
        else ""
    )


def _remarks(reduction: Reduction, labels) -> str:
    """Every note once, with all that it belongs to: no figure stands without its caveat."""
    belongs: dict[str, list[str]] = {}
    for c in reduction.comparisons:
        for note in c.notes:
            belongs.setdefault(note, []).append(f"{c.changed} - {c.reference} at {labels.get(c.point, c.point)}")
    for cell in reduction.cells:
        for note in cell.notes:
            belongs.setdefault(note, []).append(f"{cell.configuration} at {labels.get(cell.point, cell.point)}")
    for run in reduction.runs:
        for note in (*run.notes, *run.caveats):
            belongs.setdefault(note, []).append(f"{run.flight} run {run.run_number}")
    if not belongs:
        return ""
    return "Remarks\n" + "\n".join(f"  {note}: {_shortened(whom)}" for note, whom in belongs.items()) + "\n"


def _shortened(names: Sequence[str]) -> str:
    names = list(dict.fromkeys(names))
    return ", ".join(names[:4]) + (f" and {len(names) - 4} more" if len(names) > 4 else "")


def _table(title: str, head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    if not rows:
        return ""
    widths = [max(len(row[k]) for row in (head, *rows)) for k in range(len(head))]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(row, widths)).rstrip() for row in (head, *rows)]
    return f"{title}\n  " + "\n  ".join(lines) + "\n"


def _number(value: float | None, style: str) -> str:
    return "-" if value is None else format(value, style)


def _speed(speed_kt: float | None, unit: str, style: str = ".1f") -> str:
    return _number(None if speed_kt is None else from_kt(speed_kt, unit), style)


def _span(low_kt: float | None, high_kt: float | None, unit: str, style: str = ".1f") -> str:
    return (
        "-" if low_kt is None or high_kt is None else f"{_speed(low_kt, unit, style)} to {_speed(high_kt, unit, style)}"
    )

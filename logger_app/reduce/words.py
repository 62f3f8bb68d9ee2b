"""Sentences that say what may be concluded, and no more. Not for: numbers (see `compare`).

Two statements are kept apart: of the change (what another pair of flights would show) comes first; what differed
between the flights flown stands beside it where a configuration flew once only.
"""

from __future__ import annotations

from collections.abc import Sequence

from logger_app.records.plan import Campaign
from logger_app.records.results import Comparison, Overall
from logger_app.units import from_kt, speed_text


def sentence(comparison: Comparison, label: str, unit: str = "kt") -> str:
    """One comparison in one sentence.

    Returns
    -------
    str
        For example ``lower by 1.6 kt, 0.7 to 2.5 (95 %), at idle, flap 15, wings level``.
    """
    if comparison.verdict == "not comparable":
        return f"not comparable at {label}: {comparison.notes[0]}"
    kind = _basis_in_words(comparison)
    if comparison.low_kt is None:
        runs = f"{comparison.n_reference} and {comparison.n_changed} run(s)"
        return f"not shown at {label}: {speed_text(comparison.difference_kt or 0.0, unit, '+.1f')} from {runs}, no interval{kind}"
    adjusted = f"; adjusted for {comparison.adjusted_for} comparisons" if comparison.adjusted_for > 1 else ""
    return f"{_of_the_change(comparison, f' at {label}', unit)}{kind}{adjusted}{_beside(comparison, unit)}"


def overall_sentence(answer: Overall, unit: str = "kt") -> str:
    """The answer of all points together in one sentence."""
    said = _of_the_change(answer, f" as the mean of {len(answer.points)} points", unit)
    return (
        f"{said}{'' if answer.basis == 'std' else f' ({answer.basis.upper()} at some points)'}{_beside(answer, unit)}"
    )


def _of_the_change(found: Comparison | Overall, where: str, unit: str) -> str:
    speeds = found.difference_kt or 0.0, found.low_kt or 0.0, found.high_kt or 0.0
    difference, low, high = (from_kt(speed_kt, unit) for speed_kt in speeds)
    if found.verdict == "lower":
        return f"lower by {_span(-difference, -high, -low, unit)},{where}"
    if found.verdict == "higher":
        return f"higher by {_span(difference, low, high, unit)},{where}"
    seen = f"{difference:+.1f} {unit}, {low:+.1f} to {high:+.1f} (95 %)"
    no_worse = f"; no worse than {speed_text(found.no_worse_kt or 0.0, unit, '.2g')}" if found.no_worse else ""
    return f"not shown{where}: {seen}; {speed_text(found.smallest_kt or 0.0, unit)} would have shown{no_worse}"


def _beside(found: Comparison | Overall, unit: str) -> str:
    """What differed between the flights flown, where one flight cannot tell the change from the day."""
    if min(found.n_flights_reference, found.n_flights_changed) > 1 or found.flights_low_kt is None:
        return ""
    speeds = found.flights_difference_kt or 0.0, found.flights_low_kt, found.flights_high_kt or 0.0
    difference, low, high = (from_kt(speed_kt, unit) for speed_kt in speeds)
    between = "between these two flights" if found.n_flights_reference + found.n_flights_changed == 2 else "as flown"
    if found.flights_verdict == "lower":
        return f"; {between} lower by {_span(-difference, -high, -low, unit)}, whatever it came from"
    if found.flights_verdict == "higher":
        return f"; {between} higher by {_span(difference, low, high, unit)}, whatever it came from"
    return f"; {between} {difference:+.1f} {unit}, {low:+.1f} to {high:+.1f}"


def _basis_in_words(comparison: Comparison) -> str:
    if comparison.basis == "std":
        return ""
    weight = "reference weight" if comparison.at_reference_weight else "weights flown"
    return f" ({comparison.basis.upper()} at the {weight})"


def _span(value: float, low: float, high: float, unit: str) -> str:
    return f"{value:.1f} {unit}, {low:.1f} to {high:.1f} (95 %)"


def summary(campaign: Campaign, comparisons: Sequence[Comparison], overall: Sequence[Overall] = ()) -> tuple[str, ...]:
    """What the campaign says: one line a pair of configurations; the named comparison first, then all points together."""
    if not comparisons:
        return ("Nothing to compare yet: no pair of configurations has runs that count.",)
    order = {"lower": 0, "higher": 0, "not shown": 1, "not comparable": 2}
    lines = []
    for pair in dict.fromkeys((c.reference, c.changed) for c in comparisons):
        of_pair = sorted(
            (c for c in comparisons if (c.reference, c.changed) == pair), key=lambda c: (not c.named, order[c.verdict])
        )
        parts = [f"the question asked: {c.words}" if c.named else c.words for c in of_pair]
        answer = next((o.words for o in overall if (o.reference, o.changed) == pair), None)
        if answer:
            parts.insert(int(of_pair[0].named), f"all together: {answer}")
        names = [getattr(campaign.configuration(id), "name", id) for id in pair]
        lines.append(f"{names[1]} against {names[0]}: {'; '.join(parts)}.")
    return tuple(lines)

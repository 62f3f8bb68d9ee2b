"""Sentences that say what may be concluded, and no more. Not for: numbers (see `compare`)."""

from __future__ import annotations

from collections.abc import Sequence

from logger_app.records.plan import Campaign
from logger_app.records.results import Comparison

_KIND = {"std": "", "cas": " (CAS at the weights flown)", "ias": " (IAS at the weights flown)"}


def sentence(comparison: Comparison, label: str, tested: int) -> str:
    """One comparison in one sentence.

    Returns
    -------
    str
        For example ``lower by 1.6 kt, 0.7 to 2.5 (95 %), at idle, flap 15, wings level``.
    """
    if comparison.verdict == "not comparable":
        return f"not comparable at {label}: {comparison.notes[0]}"
    kind = _KIND[comparison.basis]
    if comparison.low_kt is None:
        runs = f"{comparison.n_reference} and {comparison.n_changed} run(s)"
        return f"not shown at {label}: {comparison.difference_kt:+.1f} kt from {runs}, no interval{kind}"
    if comparison.verdict == "lower":
        return f"lower by {_span(-comparison.difference_kt, -comparison.high_kt, -comparison.low_kt)}, at {label}{kind}"
    if comparison.verdict == "higher":
        return f"higher by {_span(comparison.difference_kt, comparison.low_kt, comparison.high_kt)}, at {label}{kind}"
    return f"not shown at {label}: {_not_shown(comparison, tested)}{kind}"


def _not_shown(comparison: Comparison, tested: int) -> str:
    found = f"{comparison.difference_kt:+.1f} kt, {comparison.low_kt:+.1f} to {comparison.high_kt:+.1f} (95 %)"
    if comparison.p is not None and comparison.p < 0.05:
        return f"{found}; on its own it would show, but not as one of {tested} comparisons"
    return f"{found}; {comparison.smallest_kt:.1f} kt would have shown"


def _span(value: float, low: float, high: float) -> str:
    return f"{value:.1f} kt, {low:.1f} to {high:.1f} (95 %)"


def summary(campaign: Campaign, comparisons: Sequence[Comparison]) -> tuple[str, ...]:
    """What the campaign says: one line a pair of configurations, what was shown first."""
    if not comparisons:
        return ("Nothing to compare yet: no pair of configurations has runs that count.",)
    order = {"lower": 0, "higher": 0, "not shown": 1, "not comparable": 2}
    lines = []
    for pair in dict.fromkeys((c.reference, c.changed) for c in comparisons):
        of_pair = [c for c in comparisons if (c.reference, c.changed) == pair]
        said = "; ".join(c.words for c in sorted(of_pair, key=lambda c: order[c.verdict]))
        names = [getattr(campaign.configuration(id), "name", id) for id in pair]
        lines.append(f"{names[1]} against {names[0]}: {said}.")
    return tuple(lines)

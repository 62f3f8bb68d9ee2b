"""How far a flight is reviewed, by whom, and what may still be wrong. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from logger_app.records.calls import Correction, ReviewedCall
from logger_app.review.apply import in_force
from logger_app.review.items import Item
from logger_app.review.queue import Queue, UndetectedRate


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """Counts of calls; `by` gives who settled how many (a call counts for who touched it last)."""

    calls: int
    reviewed: int
    to_look_at: int
    sampled_to_look_at: int
    by: tuple[tuple[str, int], ...]
    statuses: tuple[tuple[str, int], ...]
    undetected: UndetectedRate

    @property
    def share(self) -> float:
        """Share of calls that a person has looked at, 0 to 1; 0 for a flight without calls: nothing was heard."""
        return self.reviewed / self.calls if self.calls else 0.0

    def as_json(self) -> dict:
        """As `review --list --json` shows it."""
        rate = self.undetected
        return {
            "calls": self.calls,
            "reviewed": self.reviewed,
            "reviewed_share": round(self.share, 4),
            "to_look_at": self.to_look_at,
            "sampled_to_look_at": self.sampled_to_look_at,
            "by": dict(self.by),
            "statuses": dict(self.statuses),
            "undetected_errors": {
                "looked_at": rate.looked_at,
                "wrong": rate.wrong,
                "rate": rate.rate,
                "low": round(rate.low, 4),
                "high": round(rate.high, 4),
                "method": "Clopper-Pearson, 95 %, of randomly checked calls",
            },
        }

    def in_words(self) -> str:
        """Two sentences for a person."""
        if not self.calls:
            return "No call was heard in this flight; there is nothing to review."
        by = ", ".join(f"{who} {n}" for who, n in self.by)
        words = (
            f"{self.reviewed} of {self.calls} calls reviewed ({100 * self.share:.0f} %{'; ' + by if by else ''}); "
            f"{self.to_look_at} to look at, {self.sampled_to_look_at} of them sampled."
        )
        rate = self.undetected
        if rate.looked_at:
            words += (
                f" Errors found by random checks: {rate.wrong} of {rate.looked_at} sampled, "
                f"{100 * rate.low:.1f} to {100 * rate.high:.1f} % (95 %)."
            )
        return words


def progress_of(calls: Sequence[ReviewedCall], corrections: Sequence[Correction], queue: Queue) -> Progress:
    """How far a flight is reviewed.

    Parameters
    ----------
    queue : Queue
        What is still to be looked at.
    """
    last_by = {c.target: c.who for c in in_force(corrections)}
    reviewed = [call for call in calls if call.reviewed]
    by = Counter(last_by[call.id] for call in reviewed if call.id in last_by)
    return Progress(
        calls=len(calls),
        reviewed=len(reviewed),
        to_look_at=len(queue.items),
        sampled_to_look_at=sum(item.item is Item.SAMPLE for item in queue.items),
        by=tuple(sorted(by.items())),
        statuses=tuple(sorted(Counter(str(call.status) for call in calls).items())),
        undetected=queue.undetected,
    )

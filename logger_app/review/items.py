"""A thing to look at: what it is about, why, what is proposed. Pure. Which there are is `review.queue`."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from logger_app.units import ns_to_s


class Item(StrEnum):
    """What a queue item is about."""

    CALL = "call"
    DUE = "due"  # a silence where a call was due
    EXTRA = "extra"  # the second listening heard a call that the first did not
    RUN = "run"
    STALL = "stall"  # runs that count only once a person says that their fitted stall speed holds
    POINT = "point"  # runs that may stand at the wrong test point
    TIMES = "times"  # calls whose times are good to seconds only
    DECADE = "decade"  # a run in which a decade may have been heard wrongly all through
    SAMPLE = "sample"


@dataclass(frozen=True, slots=True, kw_only=True)
class QueueItem:
    """One thing to look at.

    `id` is stable; `target` is the call or run to act on (None for a silence). `effect_kt` is
    what settling it could change in a stall speed; `p_wrong` the probability that the reading is
    wrong. `proposed` is in the pilot's unit, None where nothing is proposed; for runs at the wrong
    point it is the point that would fit, for a run without an event the event to add at `flight_ns`. `runs` are all runs
    that it concerns, `calls` all calls that are proposed to be read again, each with its value.
    """

    id: str
    item: Item
    target: str | None
    run: str | None
    flight_ns: int
    why: tuple[str, ...]
    proposed: float | str | None = None
    effect_kt: float = 0.0
    p_wrong: float = 0.0
    runs: tuple[str, ...] = ()
    calls: tuple[tuple[str, float], ...] = ()

    def as_json(self) -> dict:
        """The item as `review --list --json` shows it."""
        return {
            "id": self.id,
            "item": str(self.item),
            "target": self.target,
            "run": self.run,
            "flight_s": round(ns_to_s(self.flight_ns), 3),
            "why": list(self.why),
            "proposed": self.proposed,
            "effect_kt": round(self.effect_kt, 2),
            "p_wrong": round(self.p_wrong, 3),
            "runs": list(self.runs),
            "calls": dict(self.calls),
        }

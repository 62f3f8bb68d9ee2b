"""Build-up: the order in which points are flown, the least demanding first, with the reason for each.

Pure. What counts first is the team's to set (`[plan] build_up`); the usual order is wings level
before turning, idle before power, less flap before more. Main names: `build_up`, `Step`.

Incremental build-up in hazard order is its own section of the USNTPS test manual (1.9.1, title
only read); the order of the four keys is common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

from logger_app.records.plan import POWER_IDLE, Campaign, TestPoint

ALL_KEYS = ("hazard", "bank", "power", "flap")


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One point in the order, and why it comes here."""

    number: int
    point: TestPoint
    reason: str


def build_up(campaign: Campaign) -> tuple[Step, ...]:
    """All points of a campaign, the least demanding first.

    Returns
    -------
    tuple of Step
        Each point once; points that are equal in everything keep the order of the file.
    """
    hazard = {card.id: card.hazard for card in campaign.cards}
    names = [*campaign.planning.build_up, *(k for k in ALL_KEYS if k not in campaign.planning.build_up), "rate"]

    def ranks(point: TestPoint) -> list[tuple]:
        return [rank(name, point, hazard.get(point.card, 1)) for name in names]

    ordered = sorted(campaign.points, key=ranks)
    steps = []
    for number, point in enumerate(ordered, 1):
        before = ordered[number - 2] if number > 1 else None
        steps.append(Step(number=number, point=point, reason=_reason(names, hazard, before, point)))
    return tuple(steps)


def rank(name: str, point: TestPoint, hazard: int = 1) -> tuple:
    """How demanding a point is in one respect."""
    if name == "hazard":
        return (hazard,)
    if name == "bank":
        return (abs(point.bank_deg),)
    if name == "power":
        number = point.power_rpm or point.power_pct or 0.0
        named = 0 if point.power == POWER_IDLE else 1 if number else 2
        return (named, number)
    if name == "flap":
        return (point.flap_deg,)
    return (point.rate_high_kt_per_s,)


def _reason(names: list[str], hazard: dict[str, int], before: TestPoint | None, point: TestPoint) -> str:
    if before is None:
        return "first: the least demanding"
    for name in names:
        was, now = (rank(name, before, hazard.get(before.card, 1)), rank(name, point, hazard.get(point.card, 1)))
        if was != now:
            return _words(name, hazard, before, point)
    return f"as {before.id}; the order of the file"


def _words(name: str, hazard: dict[str, int], before: TestPoint, point: TestPoint) -> str:
    if name == "hazard":
        return f"card {point.card} is hazard {hazard.get(point.card, 1)}, after hazard {hazard.get(before.card, 1)}"
    if name == "bank":
        level = "turning after wings level" if not before.bank_deg else "steeper after shallower"
        return f"{level}: bank {abs(point.bank_deg):g} after {abs(before.bank_deg):g}"
    if name == "power":
        return f"more power after less: {point.power} after {before.power}"
    if name == "flap":
        return f"more flap after less: {point.flap_deg:g} after {before.flap_deg:g}"
    return f"faster entry after slower: up to {point.rate_high_kt_per_s:g} kt/s"

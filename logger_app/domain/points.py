"""Which test point the settings make, why, and which would be the next likeliest. Pure.

Every point is weighed by what is known of power, flap and bank (`domain.settings`): a setting said since the card went
up weighs most, the card next, an older setting least. Wings level is likely where no bank was said, not certain.
Where two points weigh the same no point is guessed. Main names: `place`, `Placement`, `next_point`, `named_point`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from logger_app.domain.settings import ITEMS, BankLeft, Known, Memory, known_fits, setting_words
from logger_app.records.plan import Campaign, TestPoint

# How often each kind of evidence is wrong. Ours, chosen on made campaigns (tests/bench/gauntlet.py).
SAID_WRONG = 0.003
CONFIRMED_WRONG = 0.0001
SAID_BEFORE_CARD_WRONG = 0.3
# Said for an earlier set-up; another call may have been missed since.
SAID_EARLIER_WRONG = 0.02
# A bank from before the last run, once something else was set up: by a pilot who says only what changes it holds,
# by one who repeats what did not change it would have been repeated.
BANK_LEFT_WRONG = {BankLeft.CARRIED_OVER: 0.12, BankLeft.NOT_REPEATED: 0.4}
SAID_IN_APPROACH_WRONG = 0.1
# A setting that is contradicted during the approach is not so sure any more.
CONTRADICTED_WRONG = 0.03
CARD_WRONG = 0.01
# A card that was put up wrongly, or that the pilot has left without a word.
CARD_STALE = 0.03
# Only what is believed this much can say that a run fits no point at all.
MIN_BELIEF_AGAINST_CARD = 0.9
# Of runs for which no bank was said, this share is flown with the wings level although banked points are planned.
LEVEL_UNLESS_SAID = 0.9
# A point less likely than this needs a look; one that has a rival nearly as likely is not chosen at all.
SURE_SHARE = 0.92
CONTRADICTED_SHARE = 0.9
TIE_RATIO = 0.6
MIN_SHARE = 0.4
# Rivals that are told, and how likely they must be.
MAX_RIVALS = 3
MIN_RIVAL_SHARE = 0.002


@dataclass(frozen=True, slots=True, kw_only=True)
class Placement:
    """Where a run belongs: `point` or, if None, why not; how likely that is (0 to 1), and the next likeliest points.

    `why` says what the choice rests on. `cause` is the call that an uncertain choice hangs on, if it hangs on one.
    """

    point: str | None
    why: str = ""
    share: float = 1.0
    rivals: tuple[tuple[str, float], ...] = ()
    cause: str | None = None

    @property
    def next_likeliest(self) -> str | None:
        """The point that it would be otherwise."""
        return self.rivals[0][0] if self.rivals else None

    @property
    def sure(self) -> bool:
        """Whether it needs no look."""
        return self.point is not None and self.share >= SURE_SHARE


def place(points: Sequence[TestPoint], memory: Memory) -> Placement:
    """The test point of the campaign (in card order) that the settings make.

    None where nothing was said, where nothing fits, or where several fit as well.
    """
    if not points:
        return Placement(point=None, why="the campaign has no test points")
    carded = next((point for point in points if point.id == memory.card), None)
    if not memory.anything_said:
        if carded:
            return Placement(point=carded.id, why="the card that was up")
        return Placement(point=None, why="neither power nor flap nor bank was said, and no card was open")
    card = carded if memory.card_by_pilot else None
    weights = {point.id: _weight(point, points, memory, card) for point in points}
    ranked = sorted(points, key=lambda point: -weights[point.id])
    best, total = ranked[0], sum(weights.values())
    shares = tuple((point.id, weights[point.id] / total) for point in ranked[: 1 + MAX_RIVALS])
    share = shares[0][1]
    if card is None and any(_contradicts(item, best, memory) for item in ITEMS):
        share = min(share, CONTRADICTED_SHARE)  # what was said is never overruled without a look
    rivals = tuple(pair for pair in shares[1:] if pair[1] >= MIN_RIVAL_SHARE)
    known = _in_words(memory)
    if not any(all(_fits_now(item, point, memory, card) for item in ITEMS) for point in points):
        return Placement(point=None, why=f"no test point has {known}", rivals=shares[:1] + rivals)
    tied = [point for point in ranked if weights[point.id] >= TIE_RATIO * weights[best.id]]
    if len(tied) > 1 or share < MIN_SHARE:
        tied = tied if len(tied) > 1 else ranked[:2]
        ids = {point.id for point in tied}
        listed = ", ".join(point.id for point in points if point.id in ids)
        return Placement(point=None, why=f"{known} fits more than one point: {listed}", rivals=shares[:1] + rivals)
    return Placement(
        point=best.id, why=_why(best, memory, card), share=share, rivals=rivals, cause=_cause(best, memory, card)
    )


def points_for(campaign: Campaign, flight: str) -> tuple[TestPoint, ...]:
    """The points of a flight in the order of its planned cards; all of them where nothing is planned."""
    planned = campaign.flight(flight)
    if not planned or not planned.cards:
        return campaign.points
    by_id = {card.id: card for card in campaign.cards}
    return tuple(point for id in planned.cards if id in by_id for point in by_id[id].points)


def same_point(one: TestPoint, other: TestPoint) -> bool:
    """Whether two editions of a point ask for the same power, flap and bank."""
    return all(same_on_card(item, one, other) for item in ITEMS)


def point_to_show(points: Sequence[TestPoint], memory: Memory, here: str | None) -> TestPoint | None:
    """The card to put up after a setting was called, or None to leave the one that is up."""
    shown = next((point for point in points if point.id == here), None)
    if not memory.anything_said or (shown and not any(_contradicts(item, shown, memory) for item in ITEMS)):
        return None
    there = place(points, memory).point
    return next((point for point in points if point.id == there and there != here), None)


def _contradicts(item: str, point: TestPoint, memory: Memory) -> bool:
    known = getattr(memory, item)
    return known is not None and not known_fits(item, known, point)


def next_point(
    points: Sequence[TestPoint], here: str | None, complete: Callable[[TestPoint], bool], *, forward: bool = True
) -> TestPoint | None:
    """The point that "next card" leads to: the next one that still wants runs, any next one when none does."""
    if not points:
        return None
    k = next((k for k, point in enumerate(points) if point.id == here), -1)
    if not forward:
        return points[(k - 1) % len(points)]
    others = [*points[k + 1 :], *points[: max(k, 0)]]
    return next((point for point in others if not complete(point)), None) or points[(k + 1) % len(points)]


def named_point(points: Sequence[TestPoint], value: object, here: str | None) -> TestPoint | None:
    """The point that a spoken or touched name means: its id, its card, or a number on the card that is up.

    Examples
    --------
    >>> points = [TestPoint(id="A1", card="A"), TestPoint(id="A3", card="A"), TestPoint(id="B1", card="B")]
    >>> [(p.id if p else None) for p in (named_point(points, n, "A1") for n in ("a3", "B", 3.0, 7.0))]
    ['A3', 'B1', 'A3', None]
    """
    if value is None:
        return None
    name = (f"{value:g}" if isinstance(value, float) else str(value)).replace(" ", "").upper()
    card = next((point.card for point in points if point.id == here), points[0].card if points else "")
    for wanted in (name, f"{card.upper()}{name}"):
        found = next((point for point in points if point.id.upper() == wanted), None)
        found = found or next((point for point in points if point.card.upper() == wanted), None)
        if found:
            return found
    return None


# ---- weighing ---------------------------------------------------------------------------------------


def _weight(point: TestPoint, points: Sequence[TestPoint], memory: Memory, card: TestPoint | None) -> float:
    """Either the card that is up holds, or it does not and only what was said counts."""
    if card is None:
        return _said_weight(point, points, memory, None)
    stale = max(CARD_STALE, 1 - memory.card_belief)
    on_card = math.prod(_factor(same_on_card(item, point, card), CARD_WRONG) for item in ITEMS)
    holds = on_card * _said_weight(point, points, memory, card)
    return (1 - stale) * holds + stale / len(points) * _said_weight(point, points, memory, None)


def _said_weight(point: TestPoint, points: Sequence[TestPoint], memory: Memory, card: TestPoint | None) -> float:
    weight = 1.0
    for item in ITEMS:
        known: Known | None = getattr(memory, item)
        settled = known is not None and known.value is not None
        if known is not None and settled:
            weight *= _factor(known_fits(item, known, point), _wrong(item, known, memory, card))
        if (
            item == "bank"
            and card is None
            and (known is None or not settled or memory.bank_left is BankLeft.NOT_REPEATED)
        ):
            weight *= _level_prior(point, points, memory)
        if (late := late_of(memory, item)) is not None and late.value is not None:
            weight *= _factor(known_fits(item, late, point), SAID_IN_APPROACH_WRONG)
    return weight


def _factor(fits: bool, wrong: float) -> float:
    return 1 - wrong if fits else wrong


def _wrong(item: str, known: Known, memory: Memory, card: TestPoint | None) -> float:
    """How likely a setting that was said does not hold any more, or never did."""
    late = late_of(memory, item)
    if late is not None and late.value != known.value:
        return CONTRADICTED_WRONG
    if card is not None and known.since_ns < memory.card_ns:
        return SAID_BEFORE_CARD_WRONG
    if item == "bank" and memory.bank_left in BANK_LEFT_WRONG:
        return BANK_LEFT_WRONG[memory.bank_left]
    earlier = SAID_EARLIER_WRONG if known.since_ns <= memory.set_up_after_ns else 0.0
    if known.belief == 1.0:
        return max(CONFIRMED_WRONG, earlier)
    doubt = 1 - known.belief
    # The recogniser's belief in a whole phrase is low rather than high: above 0.9 it is hardly ever wrong.
    return max(SAID_WRONG, earlier, doubt / 4 if known.belief >= MIN_BELIEF_AGAINST_CARD else min(0.4, doubt))


def late_of(memory: Memory, item: str) -> Known | None:
    """What was said of an item during the approach."""
    return next((known for name, known in memory.late if name == item), None)


def same_on_card(item: str, point: TestPoint, card: TestPoint) -> bool:
    """Whether two points ask for the same power, flap or bank."""
    if item == "power":
        return (point.power, point.power_rpm, point.power_pct) == (card.power, card.power_rpm, card.power_pct)
    return getattr(point, f"{item}_deg") == getattr(card, f"{item}_deg")


def _level_prior(point: TestPoint, points: Sequence[TestPoint], memory: Memory) -> float:
    banks = {p.bank_deg for p in points}
    # A bank that was heard and not believed is no wings level either.
    if len(banks) == 1 or 0.0 not in banks or any(doubt.item == "bank" for doubt in memory.doubts):
        return 1.0
    return LEVEL_UNLESS_SAID if point.bank_deg == 0 else (1 - LEVEL_UNLESS_SAID) / (len(banks) - 1)


def _fits_now(item: str, point: TestPoint, memory: Memory, card: TestPoint | None) -> bool:
    """Whether a point agrees with what certainly holds: said since the card went up, and not left since."""
    known: Known | None = getattr(memory, item)
    if known is None or late_of(memory, item) is not None or (item == "bank" and memory.bank_left is not BankLeft.NO):
        return True
    if known.since_ns <= memory.set_up_after_ns:
        return True
    if card is not None and (known.since_ns < memory.card_ns or known.belief < MIN_BELIEF_AGAINST_CARD):
        return True
    return known_fits(item, known, point)


# ---- in words ---------------------------------------------------------------------------------------


def _in_words(memory: Memory) -> str:
    said = [(item, getattr(memory, item)) for item in ITEMS]
    parts = [setting_words(item, k.value, k.unit) for item, known in said if (k := known or late_of(memory, item))]
    return ", ".join(parts)


def _why(point: TestPoint, memory: Memory, card: TestPoint | None) -> str:
    parts = []
    for item in ITEMS:
        known = getattr(memory, item)
        said = known if known and known.value is not None and known_fits(item, known, point) else late_of(memory, item)
        if said and said.value is not None:
            parts.append(f"{setting_words(item, said.value, said.unit)} called")
        elif card is not None and same_on_card(item, point, card):
            parts.append(f"{item} from card {card.id}")
        elif known and known.value is not None:
            before = setting_words(item, known.value, known.unit)
            parts.append(f"{before} was called earlier and fits no point with the rest")
        elif item == "bank":
            parts.append("wings level: no bank called" if point.bank_deg == 0 else "bank from the only point that fits")
    return ", ".join(parts)


def _cause(point: TestPoint, memory: Memory, card: TestPoint | None) -> str | None:
    """The call against the card, or the setting that may not hold any more."""
    for item in ITEMS:
        known, late = getattr(memory, item), late_of(memory, item)
        if late is not None and not known_fits(item, late, point):
            return late.call
        if known is None or known.value is None:
            continue
        against_card = card is not None and known.since_ns >= memory.card_ns and not known_fits(item, known, card)
        unsure_bank = item == "bank" and memory.bank_left is not BankLeft.NO
        hardly_believed = known.belief < MIN_BELIEF_AGAINST_CARD and known_fits(item, known, point)
        if against_card or unsure_bank or hardly_believed:
            return known.call
    return None

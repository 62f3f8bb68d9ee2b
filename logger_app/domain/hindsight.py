"""Which point each run of a flight was flown at, looking back over the whole flight. Pure.

While a run is flown only what was said before it is known (`domain.points`). Afterwards more is: what the next set-up
called, which points were flown already, in which order the cards follow one another, and how this pilot calls: what
changes only, or everything, before each point or before each run. A call that was missed then shows as the one break
in an otherwise ordinary flight. Stall speeds have no say here: they are what the flight is to find out, and a run that
was placed by its speed could no longer speak for or against a change. They only make the reviewer look
(`review.placing`). Main names: `looking_back`, `shares`.

Notes
-----
A hidden Markov chain over the points, forward and backward (L. R. Rabiner, "A tutorial on hidden Markov models",
Proceedings of the IEEE 77, 1989, sections III and V.A: semi-Markov, with the number of runs flown in a row as part of
the state); the pilot's habits are re-estimated in a few rounds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logger_app.domain.points import MAX_RIVALS, MIN_BELIEF_AGAINST_CARD, MIN_RIVAL_SHARE, same_on_card
from logger_app.domain.settings import ITEMS, Evidence, Known, Memory, known_fits
from logger_app.records.plan import TestPoint

# A setting that changes is called and heard (ours: one in twenty is not).
CALLED_IF_CHANGED = (19.0, 1.0)
# Begin of the estimate of a pilot's habits, as counts of (called, not called): an item that stays as it was, at another
# point; anything, before another run at the same point; wings level, at another point.
CALLED_IF_SAME, CALLED_AGAIN, CALLED_LEVEL, CALLED_LEVEL_AFTER_TURN = (1.0, 1.0), (0.5, 4.0), (1.0, 1.0), (3.0, 1.0)
# Runs at a point before it is left: rarely fewer than the card wants, mostly as many (common practice, no source).
LEAVES_EARLY, LEAVES_DONE, LEAVES_LATE = 0.15, 0.8, 0.6
# Where to: the card that follows, or any other; a point that was flown already is less likely by this factor.
NEXT_IN_ORDER, FLOWN_ALREADY = 0.5, 2.0
FIRST_IN_ORDER = 0.2
# A card that was put up is not always the one that is flown.
CARD_HOLDS, CARD_MEANT_NEXT, CARD_WRONG = 0.9, 0.5, 0.03
CARD_CALLED = (1.0, 1.0)
CARD_AGAIN = 0.03
SAID_WRONG, CONFIRMED_WRONG, LATE_WRONG = 0.006, 0.0001, 0.1
# While the program was away, this share of what was said was not heard.
LOST_WHILE_AWAY = 0.6
MAX_RUNS_IN_A_ROW = 6
ROUNDS = 4
# A run is moved to a point that is at least this likely; one that had none is given one.
MIN_SHARE_TO_MOVE, MIN_SHARE_TO_PLACE = 0.8, 0.7
# With fewer runs there is little to look back on.
MIN_RUNS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class LookedBack:
    """A run in hindsight: its point, how likely that is (0 to 1), the next likeliest; `why` where it was moved."""

    point: str | None
    share: float
    rivals: tuple[tuple[str, float], ...] = ()
    why: str = ""


def looking_back(
    points: Sequence[TestPoint], order: Sequence[TestPoint], memory: Memory, placed: Sequence[str | None]
) -> list[LookedBack]:
    """Each run of a flight with all of it known.

    Parameters
    ----------
    points : sequence of TestPoint
        Of the campaign.
    order : sequence of TestPoint
        In which the cards of this flight follow one another.
    memory : Memory
        At the end of the flight.
    placed : sequence of str or None
        The point that each run was given when it was flown.

    Returns
    -------
    list of LookedBack
        None where there are too few to look back on. A run moves only where another point is much likelier and nothing that was called for it speaks against that
        point; else it stays, less sure. One that had no point gets one on the same terms.
    """
    if not points or len(placed) < MIN_RUNS:
        return []
    ids = [point.id for point in points]
    found: list[LookedBack] = []
    said: dict[str, Known] = {}
    for k, (row, before) in enumerate(zip(shares(points, order, memory.flown), placed, strict=True)):
        if memory.flown[k].said:
            said = dict(memory.flown[k].said)
        likely = dict(zip(ids, row.tolist(), strict=True))
        best = points[int(row.argmax())]
        contradicted = any(_certain(known) and not known_fits(item, known, best) for item, known in said.items())
        enough = MIN_SHARE_TO_PLACE if before is None else MIN_SHARE_TO_MOVE
        # What was heard and not believed may have been a setting that no card has.
        contradicted |= before is None and bool(memory.flown[k].doubted)
        moves = best.id != before and likely[best.id] >= enough and not contradicted
        point = best.id if moves else before
        ranked = sorted((p for p in ids if p != point), key=lambda p: -likely[p])[:MAX_RIVALS]
        found.append(
            LookedBack(
                point=point,
                share=likely[point] if point is not None else 0.0,
                rivals=tuple((p, likely[p]) for p in ranked if likely[p] >= MIN_RIVAL_SHARE),
                why=_why(points, order, best, before, found) if moves else "",
            )
        )
    return found


def _why(points, order, best: TestPoint, before: str | None, earlier: Sequence[LookedBack]) -> str:
    """``looking back: D1 follows C2 on the cards, D2 was flown already; a flap call was missed``."""
    reasons = []
    last = earlier[-1].point if earlier else None
    ids = [point.id for point in order]
    if last in ids and best.id in ids and ids.index(best.id) == ids.index(last) + 1:
        reasons.append(f"{best.id} follows {last} on the cards")
    stood = next((point for point in points if point.id == before), None)
    if stood is not None and any(one.point == before for one in earlier):
        reasons.append(f"{before} was flown already")
    items = [item for item in ITEMS if stood is not None and not same_on_card(item, best, stood)]
    reasons.append(f"a {' or '.join(items)} call was missed" if items else "by what was called around it")
    return "looking back: " + ", ".join(reasons)


def shares(points: Sequence[TestPoint], order: Sequence[TestPoint], flown: Sequence[Evidence]) -> np.ndarray:
    """How likely each run was flown at each point.

    Parameters
    ----------
    flown : sequence of Evidence
        What was called before and during each run, in order of time.

    Returns
    -------
    ndarray of float64, shape (n_runs, n_points)
        Rows add up to 1.
    """
    return _Chain(points, order, flown).shares()


class _Chain:
    """The chain of one flight: fits, transitions, habits."""

    def __init__(self, points: Sequence[TestPoint], order: Sequence[TestPoint], flown: Sequence[Evidence]):
        self.points, self.flown = points, flown
        self.n, self.t = len(points), len(flown)
        index = {point.id: k for k, point in enumerate(points)}
        self.index = index
        following = [index[p.id] for p in order if p.id in index]
        self.first = following[0] if following else 0
        self.next = np.zeros((self.n, self.n), bool)
        for a, b in zip(following, following[1:], strict=False):
            self.next[a, b] = a != b
        self.same = {item: np.array([[same_on_card(item, a, b) for b in points] for a in points]) for item in ITEMS}
        self.level = np.array([point.bank_deg == 0 for point in points])
        self.wanted = np.array([max(1, point.runs_wanted) for point in points])
        self.stays = np.eye(self.n, dtype=bool)
        self.fits = [self._fits(evidence) for evidence in flown]
        # Most runs are flown without a word about the settings: what is the same for many is worked out once.
        kinds: dict[tuple, int] = {}
        self.kind = np.array([kinds.setdefault(self._alike(k), k) for k in range(self.t)], int)

    def _fits(self, evidence: Evidence) -> dict[str, np.ndarray]:
        """By item that was called: how well each point agrees with it."""
        said, late = dict(evidence.said), dict(evidence.late)
        fits = {}
        for item in ITEMS:
            known, after = said.get(item), late.get(item)
            weight = np.ones(self.n)
            if known is not None and known.value is not None:
                weight *= self._agrees(item, known, _wrong(known))
            if after is not None and after.value is not None:
                weight *= self._agrees(item, after, LATE_WRONG)
            if (known and known.value is not None) or (after and after.value is not None):
                fits[item] = weight
        return fits

    def _alike(self, k: int) -> tuple:
        """All that `called` depends on: equal for runs that it says the same of."""
        one = self.flown[k]
        fits = tuple((item, fit.tobytes()) for item, fit in self.fits[k].items())
        return k == 0, fits, one.doubted, one.away, one.card, one.card_belief, one.card_follows

    def _agrees(self, item: str, known: Known, wrong: float) -> np.ndarray:
        return np.array([1 - wrong if known_fits(item, known, point) else wrong for point in self.points])

    # ---- what is said on the way from one run to the next ---------------------------------------------

    def called(self, k: int, habits: dict) -> np.ndarray:
        """Likelihood of what was called before run `k`, by the point before it and its own, shape (n, n)."""
        evidence, likely = self.flown[k], np.ones((self.n, self.n))
        for item in ITEMS:
            chance = np.where(self.same[item], habits["same"], habits["changed"]) if k else habits["changed"]
            chance = np.broadcast_to(chance, (self.n, self.n)).copy()
            if item == "bank":
                chance[:, self.level] = habits["level"]
                chance[np.ix_(~self.level, self.level)] = habits["after turn"]
            if k:
                chance[self.stays] = habits["again"]
            if evidence.away:
                chance = chance * (1 - LOST_WHILE_AWAY)
            fit = self.fits[k].get(item)
            if fit is not None:
                likely *= chance * fit[None, :]
            elif item not in evidence.doubted:
                likely *= 1 - chance
        return likely * self._carded(k, habits)

    def _carded(self, k: int, habits: dict) -> np.ndarray:
        evidence = self.flown[k]
        chance = np.where(self.stays, CARD_AGAIN, habits["card"])
        if evidence.card is None or evidence.card not in self.index:
            return np.ones((self.n, self.n)) if k == 0 else 1 - chance
        here = self.index[evidence.card]
        fit = np.full((self.n, self.n), CARD_WRONG)
        if evidence.card_follows:
            fit[self.next] = CARD_MEANT_NEXT
        wrong = max(CARD_WRONG, 1 - evidence.card_belief)
        fit[:, here] = CARD_HOLDS * (1 - wrong)
        return fit if k == 0 else chance * fit

    def leaves(self, runs_in_a_row: int) -> np.ndarray:
        """Chance to leave each point after so many runs."""
        n = runs_in_a_row
        return np.where(n < self.wanted, LEAVES_EARLY, np.where(n == self.wanted, LEAVES_DONE, LEAVES_LATE))

    def goes_to(self, entered: np.ndarray) -> np.ndarray:
        """Where a point is left for, shape (t, n, n); `entered` how often each was gone to at other times, shape (t, n)."""
        other = (1 / (1 + FLOWN_ALREADY * entered))[:, None, :]
        there = np.where(self.stays, 0.0, other)
        there = there / np.maximum(there.sum(2, keepdims=True), 1e-12)
        follows = self.next * (0.3 + 0.7 * other)
        return NEXT_IN_ORDER * follows + (1 - NEXT_IN_ORDER * follows.sum(2, keepdims=True)) * there

    # ---- forward, backward, habits ----------------------------------------------------------------------

    def shares(self) -> np.ndarray:
        if self.n == 1 or not self.t:
            return np.ones((self.t, self.n))
        habits = {
            "changed": _mean(CALLED_IF_CHANGED),
            "same": _mean(CALLED_IF_SAME),
            "again": _mean(CALLED_AGAIN),
            "level": _mean(CALLED_LEVEL),
            "after turn": _mean(CALLED_LEVEL_AFTER_TURN),
            "card": _mean(CARD_CALLED),
        }
        entered = np.zeros((self.t, self.n))
        gamma = np.zeros((self.t, self.n))
        for _ in range(ROUNDS):
            gamma, moves = self._passes(habits, entered)
            habits = self._habits(moves)
            into = moves.sum(1) - moves.diagonal(axis1=1, axis2=2)
            entered = into.sum(0)[None, :] - into
        return gamma

    def _passes(self, habits: dict, entered: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Share of each point at each run, and of each step (before, after) into it."""
        deep = MAX_RUNS_IN_A_ROW
        leave = np.array([self.leaves(c + 1) for c in range(deep)])  # (deep, n)
        stay_on = 1 - leave
        kinds, which = np.unique(self.kind, return_inverse=True)
        likely = np.stack([self.called(k, habits) for k in kinds.tolist()])[which]
        steps = self.goes_to(entered) * likely
        stay = likely.diagonal(axis1=1, axis2=2)
        stays = stay_on * stay[:, None, :]  # (t, deep, n)
        start = np.full(self.n, (1 - FIRST_IN_ORDER) / self.n)
        start[self.first] += FIRST_IN_ORDER
        forward = np.zeros((self.t, deep, self.n))
        forward[0, 0] = start * likely[0].mean(0)
        forward[0] /= forward[0].sum()
        for k in range(1, self.t):
            here, before = forward[k], forward[k - 1]
            here[0] = np.add.reduce(before * leave, 0) @ steps[k]
            staying = before * stay_on * stay[k]
            here[1:] = staying[:-1]
            here[-1] += staying[-1]
            here /= here.sum()
        backward = np.ones((self.t, deep, self.n))
        kept = np.zeros_like(backward)
        for k in range(self.t - 1, 0, -1):
            after = backward[k]
            kept[k, :-1] = stays[k, :-1] * after[1:]
            kept[k, -1] = stays[k, -1] * after[-1]
            gone = steps[k] @ after[0]
            before = backward[k - 1]
            before[:] = leave * gone + kept[k]
            before /= before.max()
        moves = np.zeros((self.t, self.n, self.n))
        pairs = ((forward[:-1] * leave).sum(1)[:, :, None] * steps[1:]) * backward[1:, 0][:, None, :]
        pairs[:, self.stays] += (forward[:-1] * kept[1:]).sum(1)
        moves[1:] = pairs / pairs.reshape(-1, self.n**2).sum(1)[:, None, None]
        gamma = (forward * backward).sum(1)
        gamma /= gamma.sum(1, keepdims=True)
        return gamma, moves

    def _habits(self, moves: np.ndarray) -> dict:
        """How often this pilot calls what changes, what does not, before each run, wings level."""
        counts = {
            "changed": list(CALLED_IF_CHANGED),
            "same": list(CALLED_IF_SAME),
            "again": list(CALLED_AGAIN),
            "level": list(CALLED_LEVEL),
            "after turn": list(CALLED_LEVEL_AFTER_TURN),
            "card": list(CARD_CALLED),
        }
        apart, level = ~self.stays, self.level

        def share(of: np.ndarray) -> list[float]:
            """By run, how much of the steps into it are among these."""
            return moves.reshape(-1, self.n**2).take(np.flatnonzero(of), axis=1).sum(1).tolist()

        into: dict[str, dict[str, list[float]]] = {}
        again = share(self.stays)
        for item in ITEMS:
            held, turned = self.same[item] & apart, ~self.same[item] & apart
            if item == "bank":
                held, turned = held & ~level[None, :], turned & ~level[None, :]
            into[item] = {"same": share(held), "changed": share(turned), "again": again}
        into["bank"]["level"] = share(apart & level[:, None] & level[None, :])
        into["bank"]["after turn"] = share(~level[:, None] & level[None, :])
        moved = share(apart)
        for k in range(1, self.t):
            if self.flown[k].away:
                continue
            for item in ITEMS:
                not_called = item not in self.fits[k]
                for name, shares in into[item].items():
                    counts[name][not_called] += shares[k]
            counts["card"][self.flown[k].card is None] += moved[k]
        return {name: _mean(pair) for name, pair in counts.items()}


def _mean(counts: Sequence[float]) -> float:
    return counts[0] / (counts[0] + counts[1])


def _wrong(known: Known) -> float:
    if known.belief == 1.0:
        return CONFIRMED_WRONG
    doubt = 1 - known.belief
    return max(SAID_WRONG, doubt / 4 if _certain(known) else min(0.4, doubt))


def _certain(known: Known) -> bool:
    return known.belief >= MIN_BELIEF_AGAINST_CARD

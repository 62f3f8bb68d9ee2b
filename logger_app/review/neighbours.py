"""What the calls around one make of it: the line through its neighbours, and how likely it is wrong. Pure.

Main names: `approaches`, `expectations`, `p_wrong`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations
from statistics import median

from logger_app.domain.stall_events import APPROACH_ENDS, APPROACH_STARTS
from logger_app.records.calls import CallKind, ReviewedCall

# A machine that says 1.0 is still wrong now and then; without this nothing could contradict it.
MAX_POSTERIOR = 0.985
# The needle wanders and the pilot reads to the nearest mark: never less than this about the line.
MIN_WANDER_KT = 0.6
MAX_WANDER_KT = 2.0
NEIGHBOURS = 7
NEIGHBOUR_S = 10.0
# Of what may have been said and is in no list of rivals: a sixth is the mark beside, the rest is spread
# over the dial (teens for tens, another decade, nothing at all). A guess; the rivals carry the weight.
SLIP_KT = 1.0
SLIP_SHARE = 1 / 6
DIAL_KT = 80.0
# A pilot who has said no airspeed for this long is not in the same approach any more.
APPROACH_GAP_S = 12.0
# Uncertainty of continuing a line past its end grows by about this much a second.
BEYOND_KT_PER_S = 0.4
MIN_FOR_A_LINE = 3


def p_wrong(
    posterior: float,
    value_kt: float | None = None,
    likely_kt: float | None = None,
    sigma_kt: float = 1.0,
    rivals: Sequence[tuple[float, float]] = (),
) -> float:
    """Probability that a reading is wrong, given the machine's posterior and the neighbours.

    Parameters
    ----------
    posterior : float
        The machine's own, 0 to 1.
    value_kt : float, optional
        The reading [kt].
    likely_kt : float, optional
        What the neighbours make likely; without it the posterior stands alone [kt].
    sigma_kt : float
        Standard deviation of a right reading about that [kt].
    rivals : sequence of (float, float)
        Other values that the sound may be, in knots, each with its posterior.

    Returns
    -------
    float
        0 to 1.

    Notes
    -----
    Bayes over what may have been said: the reading, each rival, a value in no list. The weight of
    each is the machine's posterior times the normal density of its distance from `likely_kt`.
    """
    posterior = min(posterior, MAX_POSTERIOR)
    if likely_kt is None or value_kt is None:
        return 1 - posterior
    share = min(1.0, (1 - posterior) / (sum(weight for _, weight in rivals) or 1.0))
    rival = [(kt, weight * share) for kt, weight in rivals]
    unlisted = max(1 - posterior - sum(weight for _, weight in rival), 0.2 * (1 - posterior))
    off = value_kt - likely_kt
    right = posterior * normal(off, sigma_kt)
    slip = (normal(off - SLIP_KT, sigma_kt) + normal(off + SLIP_KT, sigma_kt)) / 2
    wrong = unlisted * (SLIP_SHARE * slip + (1 - SLIP_SHARE) / DIAL_KT)
    wrong += sum(weight * normal(kt - likely_kt, sigma_kt) for kt, weight in rival)
    return wrong / (right + wrong)


def normal(x: float, sigma: float) -> float:
    return math.exp(-0.5 * (x / sigma) ** 2) / (sigma * math.sqrt(2 * math.pi))


@dataclass(frozen=True)
class Approach:
    """Airspeed calls that follow one another, up to an event, a new start or a long silence.

    Made from the calls, not from the runs: one wild reading may split a run in two, and its
    neighbours must still be able to contradict it. `end_ns` is the event's time, if there is one.
    """

    speeds: tuple[ReviewedCall, ...]
    end_ns: int | None

    @cached_property
    def place(self) -> dict[str, int]:
        """Where each call is among the airspeeds, by id."""
        return {call.id: k for k, call in enumerate(self.speeds)}

    @property
    def readings(self) -> list[tuple[str, int, float | None]]:
        """All that its neighbours make of a call depends on."""
        return [(call.id, call.flight_ns, call.ias_kt) for call in self.speeds]

    @cached_property
    def before_end(self) -> list[tuple[float, float]]:
        """Of each airspeed, its time from the event, or from the last of them [s], and its value [kt]."""
        end_ns = self.end_ns or self.speeds[-1].flight_ns
        return [((call.flight_ns - end_ns) / 1e9, kt_of(call)) for call in self.speeds]

    @cached_property
    def usual_s(self) -> float | None:
        """The pilot's rhythm: the median interval [s]; None with too few calls."""
        steps = steps_s(self.speeds)
        return median(steps) if len(steps) >= MIN_FOR_A_LINE else None


def approaches(calls: Iterable[ReviewedCall]) -> list[Approach]:
    """Airspeed calls grouped into approaches, in order of time.

    Parameters
    ----------
    calls : iterable of ReviewedCall
        In any order; rejected ones are passed over.
    """
    found: list[Approach] = []
    speeds: list[ReviewedCall] = []

    def close(end_ns: int | None) -> None:
        if speeds:
            found.append(Approach(tuple(speeds), end_ns))
            speeds.clear()

    for call in sorted((c for c in calls if c.counts), key=lambda c: (c.flight_ns, c.id)):
        if call.kind is CallKind.AIRSPEED and call.ias_kt is not None:
            if speeds and call.flight_ns - speeds[-1].flight_ns > APPROACH_GAP_S * 1e9:
                close(None)
            speeds.append(call)
        elif call.name in APPROACH_STARTS | APPROACH_ENDS:
            near = speeds and call.flight_ns - speeds[-1].flight_ns <= APPROACH_GAP_S * 1e9
            close(call.flight_ns if near and call.name not in APPROACH_STARTS else None)
    close(None)
    return found


def steps_s(speeds: Sequence[ReviewedCall]) -> list[float]:
    return [(b.flight_ns - a.flight_ns) / 1e9 for a, b in zip(speeds, speeds[1:], strict=False)]


@dataclass(frozen=True, slots=True)
class Expected:
    """What the neighbours make of one reading: None where there are too few."""

    ias_kt: float | None
    sigma_kt: float


def expectations(speeds: Sequence[ReviewedCall]) -> dict[str, Expected]:
    """For each airspeed of an approach, what its neighbours make likely.

    Parameters
    ----------
    speeds : sequence of ReviewedCall
        Airspeeds of one approach, in order of time.
    """
    readings = [(call.flight_ns, kt_of(call)) for call in speeds]
    predicted = {call.id: _predict(k, readings) for k, call in enumerate(speeds)}
    off = [abs(kt_of(c) - likely) for c in speeds if (likely := predicted[c.id][0]) is not None]
    wander = min(MAX_WANDER_KT, max(MIN_WANDER_KT, 1.4826 * median(off))) if off else MAX_WANDER_KT
    return {
        id: Expected(likely, math.hypot(wander, BEYOND_KT_PER_S * beyond_s))
        for id, (likely, beyond_s) in predicted.items()
    }


def kt_of(call: ReviewedCall) -> float:
    """The airspeed of a call of an approach: those without one are in none [kt]."""
    return math.nan if call.ias_kt is None else call.ias_kt


def _predict(k: int, readings: Sequence[tuple[int, float]]) -> tuple[float | None, float]:
    """A robust line (Theil-Sen) through the nearest others, at this one of (ns, kt); and seconds past its end."""
    at_ns = readings[k][0]
    others = sorted([(abs(ns - at_ns), j) for j, (ns, _) in enumerate(readings) if j != k])
    near = [readings[j] for apart_ns, j in others[:NEIGHBOURS] if apart_ns <= NEIGHBOUR_S * 1e9]
    if len(near) < MIN_FOR_A_LINE:
        return None, 0.0
    points = sorted([((ns - at_ns) / 1e9, kt) for ns, kt in near])
    slopes = [(w - v) / (t - s) for (s, v), (t, w) in combinations(points, 2) if t - s > 0.3]
    slope = median(slopes) if slopes else 0.0
    beyond_s = max(0.0, points[0][0], -points[-1][0])
    return median([v - slope * s for s, v in points]), beyond_s

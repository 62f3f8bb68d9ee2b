"""The reader of sequences: what each airspeed call deserves to be believed, given its neighbours.

A hidden Markov model over the airspeed at each call. What the sound says comes from the call's
N-best list; how the speed moves comes from what a stall approach can do: falling, wandering near
the stall, rising after an event, anything after a gap. A call may also be no reading at all. What
was heard is never changed, except that a last digit said alone is completed; where a rival is
likelier it goes into `proposed`.

Main names: `read_sequence` (a whole recording), `SequenceReader` (live, causal), `Motion`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from logger_app.domain.stall_events import APPROACH_STARTS, SPEED_JUMPS
from logger_app.hear.alike import alike_share
from logger_app.hear.parse import complete_shorthand
from logger_app.records.calls import Alternative, CallKind, Flag, HeardCall
from logger_app.units import from_kt

# Under this the call gets a flag. Chosen on simulated sequences (tests/bench/sequence.py): the balance
# between wrong readings without a flag (about 0.5 %) and right ones with a flag (about 8 %).
SURE = 0.94
# A value this much less likely before its own sound is heard than the best one is implausible.
IMPLAUSIBLE_RATIO = 0.02
LOW_KT, HIGH_KT = 20.0, 250.0
_JUDGED = (Flag.UNSURE, Flag.IMPLAUSIBLE, Flag.SOUNDS_LIKE, Flag.OUT_OF_RANGE, Flag.NO_DECADE)
# After these the airspeed starts anew: the run is over, or another is set up.
_RUN_OVER = frozenset(("recovered", "scratch_that", "knock_it_off", "next_card", "again", "repeat"))
# An engine's doubt between two that sound alike stands unless the other calls make the rival so much less likely.
SETTLED_RATIO = 0.05
# A rival with this posterior, or more, the engine itself left open (`decode`).
OPEN_SHARE = 0.025


@dataclass(frozen=True, slots=True, kw_only=True)
class Motion:
    """How an airspeed moves between calls. Shares are probabilities; speeds are in knots.

    From practice and the simulated sequences of the bench, not from a publication: a stall approach
    is flown at about 1 kt/s and read to the nearest mark.
    """

    rates_kt_per_s: tuple[float, ...] = (-6.0, -2.5, 0.0, 0.4, 0.8, 1.2, 1.6, 2.1, 3.0, 4.5)  # positive falls
    rate_shares: tuple[float, ...] = (0.01, 0.02, 0.13, 0.13, 0.2, 0.2, 0.13, 0.1, 0.06, 0.02)
    rate_shares_after_break: tuple[float, ...] = (0.25, 0.35, 0.2, 0.05, 0.05, 0.04, 0.02, 0.02, 0.01, 0.01)
    spread_falling: float = 0.12
    spread_rising: float = 0.6
    rate_change_share: float = 0.08
    reading_sd_kt: float = 0.6
    drift_sd_kt_per_s: float = 0.2
    loose_share: float = 0.1
    loose_sd_kt: float = 2.5
    anywhere_share: float = 0.006
    anywhere_share_after_break: float = 0.1
    anywhere_share_after_end: float = 0.5
    anywhere_share_after_begin: float = 0.85
    gap_s: float = 5.0
    gap_fade_s: float = 10.0
    no_reading_share: float = 0.02
    shorthand_share: float = 0.12
    unheard_share: float = 0.02
    alike_share: float = 0.5
    above_plan_ratio: float = 0.03


def read_sequence(
    calls: Sequence[HeardCall],
    *,
    unit: str = "kt",
    low: float | None = None,
    high: float | None = None,
    usual_high: float | None = None,
    motion: Motion | None = None,
) -> tuple[HeardCall, ...]:
    """Every call with what its neighbours, before and after, say about it.

    Parameters
    ----------
    calls : sequence of HeardCall
        In any order; all kinds. Airspeeds carry their rivals in `alternatives`; a last digit said
        alone has the digit as `value` and the flag `SHORTHAND` or `NO_DECADE`.
    low, high : float, optional
        Lowest and highest airspeed the aircraft can show, in `unit`.
    usual_high : float, optional
        Highest airspeed that the planned approaches pass through, in `unit`; a faster one needs more to be believed.
    motion : Motion, optional
        How the airspeed moves; the default is for light aircraft.

    Returns
    -------
    tuple of HeardCall
        The same calls in order of time: `posterior`, `flags`, `proposed` as read, `value` as heard.
    """
    model = _Model(unit, low, high, usual_high, motion or Motion())
    ordered = sorted(calls, key=lambda call: (call.start_ns, call.id))
    speeds = [call for call in ordered if call.kind is CallKind.AIRSPEED]
    if not speeds:
        return tuple(ordered)
    sounds = [model.sound(call) for call in speeds]
    moves = _moves(ordered)
    ahead = [model.start]
    for sound, (elapsed_s, between) in zip(sounds, moves):
        ahead.append(_normal(model.forward(ahead[-1] * sound, elapsed_s, between)))
    behind = [np.ones_like(model.start)]
    for sound, (elapsed_s, between) in zip(reversed(sounds), reversed(moves)):
        behind.append(_normal(model.backward(behind[-1] * sound, elapsed_s, between)))
    read = {}
    previous: float | None = None
    for call, before, after in zip(speeds, ahead, reversed(behind)):
        read[call.id] = model.judge(call, before * after, previous)
        previous = _number(read[call.id]) if Flag.NO_DECADE not in read[call.id].flags else previous
    return tuple(read.get(call.id, call) for call in ordered)


class SequenceReader:
    """The same, live: each call as it comes, from the calls before it alone.

    Parameters are those of `read_sequence`. Keeps one distribution over airspeeds; no history.
    """

    def __init__(
        self,
        *,
        unit: str = "kt",
        low: float | None = None,
        high: float | None = None,
        usual_high: float | None = None,
        motion: Motion | None = None,
    ):
        self._model = _Model(unit, low, high, usual_high, motion or Motion())
        self._now = self._model.start
        self._last_s: float | None = None
        self._between: set[str] = set()
        self._previous: float | None = None

    def read(self, call: HeardCall) -> HeardCall:
        """Take the next call.

        Parameters
        ----------
        call : HeardCall
            Any kind, later than the one before.

        Returns
        -------
        HeardCall
            The call as read; other kinds than airspeeds come back as they are.
        """
        if call.kind is not CallKind.AIRSPEED:
            self._between.add(call.name)
            return call
        if self._last_s is not None:
            self._now = _normal(self._model.forward(self._now, call.start_s - self._last_s, frozenset(self._between)))
        read = self._model.judge(call, self._now, self._previous)
        self._now = _normal(self._now * self._model.sound(call))
        self._last_s, self._between = call.start_s, set()
        if Flag.NO_DECADE not in read.flags:
            self._previous = _number(read)
        return read

    def expected(self) -> tuple[float, float] | None:
        """Lowest and highest airspeed that holds 95 % of what may have been called last, in `unit`."""
        if self._last_s is None:
            return None
        share = np.cumsum(self._now.sum(axis=0))
        low, high = np.searchsorted(share, (0.025, 0.975))
        return float(self._model.grid[low]), float(self._model.grid[min(high, len(share) - 1)])


class _Model:
    """Probabilities over rates and whole airspeeds, shape (n_rates, n_speeds), in the indicator's unit."""

    def __init__(self, unit: str, low: float | None, high: float | None, usual_high: float | None, motion: Motion):
        self.kt = from_kt(1.0, unit)  # one knot in the indicator's unit
        self.low = LOW_KT * self.kt if low is None else low
        self.high = HIGH_KT * self.kt if high is None else high
        self.motion = motion
        self.grid = np.arange(np.floor(self.low), np.ceil(self.high) + 1)
        anywhere = np.ones(len(self.grid))
        if usual_high is not None:
            anywhere[self.grid > usual_high] = motion.above_plan_ratio
        self._unknown = anywhere / anywhere.sum()
        self.start = np.outer(motion.rate_shares, self._unknown)
        self._step = np.arange(1 - len(self.grid), len(self.grid), dtype=float)
        self._alike = {value: self._alike_to(value) for value in range(10, int(self.grid[-1]) + 1)}

    def forward(self, now: np.ndarray, elapsed_s: float, between: frozenset[str]) -> np.ndarray:
        """From what holds at one call to what is expected at the next."""
        stay, shares, anywhere = self._shares(elapsed_s, between)
        rates = (1 - anywhere) * (stay * now + (1 - stay) * shares[:, None] * now.sum(axis=0))
        moved = np.array([_slide(row, bell) for row, bell in zip(rates, self._bells(elapsed_s))])
        return moved + anywhere * now.sum() * self.start

    def backward(self, later: np.ndarray, elapsed_s: float, between: frozenset[str]) -> np.ndarray:
        """How well each state at one call explains what came later: `forward` transposed."""
        stay, shares, anywhere = self._shares(elapsed_s, between)
        moved = np.array([_slide(row, bell[::-1]) for row, bell in zip(later, self._bells(elapsed_s))])
        rates = stay * moved + (1 - stay) * (shares[:, None] * moved).sum(axis=0)
        return (1 - anywhere) * rates + anywhere * (self.start * later).sum()

    def _shares(self, elapsed_s: float, between: frozenset[str]) -> tuple[float, np.ndarray, float]:
        m = self.motion
        stay, shares, anywhere = 1 - m.rate_change_share, m.rate_shares, m.anywhere_share
        if between & (SPEED_JUMPS | _RUN_OVER):
            stay, shares, anywhere = 0.1, m.rate_shares_after_break, m.anywhere_share_after_break
        if between & _RUN_OVER:
            anywhere = m.anywhere_share_after_end
        if between & APPROACH_STARTS:
            stay, shares, anywhere = 0.0, m.rate_shares, m.anywhere_share_after_begin
        anywhere = max(anywhere, 1 - np.exp(-max(0.0, elapsed_s - m.gap_s) / m.gap_fade_s))
        return stay, np.asarray(shares), anywhere

    def _bells(self, elapsed_s: float) -> list[np.ndarray]:
        """For each rate, the probability of each step of the speed, shape (2 * n_speeds - 1,)."""
        m, kt = self.motion, self.kt
        dt = max(0.2, elapsed_s)
        bells = []
        for rate in m.rates_kt_per_s:
            off = self._step + rate * dt * kt
            drift = np.hypot(m.drift_sd_kt_per_s, rate * (m.spread_falling if rate > 0 else m.spread_rising)) * dt
            tight, loose = np.hypot(m.reading_sd_kt, drift) * kt, np.hypot(m.loose_sd_kt, drift) * kt
            bell = sum(
                share * np.exp(-0.5 * (off / sd) ** 2) / (sd * np.sqrt(2 * np.pi))
                for share, sd in ((1 - m.loose_share, tight), (m.loose_share, loose))
            )
            bells.append(bell)
        return bells

    def sound(self, call: HeardCall) -> np.ndarray:
        """Likelihood of the sound for each speed; what no list holds gets a little."""
        return (1 - self.motion.no_reading_share) * self._said(call) + self.motion.no_reading_share / len(self.grid)

    def _said(self, call: HeardCall) -> np.ndarray:
        m = self.motion
        heard = _candidates(call)
        rest = max(m.unheard_share, 1.0 - sum(heard.values()))
        made = np.full(len(self.grid), rest * (1 - m.alike_share) / len(self.grid))
        most = max(heard.values(), default=1.0) or 1.0
        for value, probability in heard.items():
            weight = (1 - m.unheard_share) * probability
            if value <= 9:
                made[self.grid % 10 == value] += m.shorthand_share * weight
            else:
                made[self.grid == round(value)] += (1 - m.shorthand_share) * weight
                made += rest * m.alike_share * probability / most * self._alike.get(round(value), 0.0)
        return made

    def _alike_to(self, value: int) -> np.ndarray:
        shares = np.array([alike_share(value, int(other)) for other in self.grid])
        return shares / shares.sum() if shares.any() else shares

    def judge(self, call: HeardCall, around: np.ndarray, previous: float | None) -> HeardCall:
        """The call with posterior, flags and proposal; `around` is what the other calls say."""
        around = _normal(around.sum(axis=0))
        joint = around * self.sound(call)
        total = joint.sum()
        value, flags = self._value(call, around, previous)
        flags = [*flags, *(flag for flag in call.flags if flag not in _JUDGED and flag not in flags)]
        if Flag.NO_DECADE in flags:
            return replace(call, flags=tuple(flags), posterior=min(call.posterior, 1.0), proposed=None)
        at = np.flatnonzero(self.grid == round(value))
        spoken = (1 - self.motion.no_reading_share) * self._said(call)
        posterior = float(around[at[0]] * spoken[at[0]] / total) if len(at) else 0.0
        best = int(np.argmax(joint))
        rival = float(self.grid[best])
        proposed = rival if rival != round(value) and joint[best] / total > posterior else None
        if not self.low <= value <= self.high:
            flags.append(Flag.OUT_OF_RANGE)
        if posterior < SURE:
            flags += self._why(value, joint, around, at)
        elif Flag.SOUNDS_LIKE in call.flags and self._open(call, value, around):
            flags.append(Flag.SOUNDS_LIKE)
        return replace(
            call,
            value=float(value),
            posterior=min(1.0, max(0.0, posterior)),
            flags=tuple(dict.fromkeys(flags)),
            proposed=proposed,
        )

    def _value(self, call: HeardCall, around: np.ndarray, previous: float | None) -> tuple[float, list[Flag]]:
        """The value as heard; a digit alone completed to the decade that its neighbours make likeliest."""
        digit = _digit(call)
        if digit is None:
            return _number(call), []
        if previous is None and np.ptp(around - self._unknown) < 1e-9:
            return digit, [Flag.NO_DECADE]
        fits = np.flatnonzero(self.grid % 10 == digit)
        if not len(fits):
            return digit, [Flag.NO_DECADE]
        likely = around[fits]
        best = float(self.grid[fits[np.argmax(likely)]])
        if previous is not None and np.sort(likely)[-1] < 3 * (np.sort(likely)[-2] if len(fits) > 1 else 0.0):
            near = complete_shorthand(digit, previous)  # the neighbours do not say: as a listener would
            best = near if near in self.grid else best
        return best, [Flag.SHORTHAND]

    def _open(self, call: HeardCall, value: float, around: np.ndarray) -> bool:
        """Whether the other calls leave a rival possible that sounds alike or was nearly as likely."""
        here = around[self.grid == round(value)].sum()
        rivals = [
            rival
            for rival, share in _candidates(call).items()
            if rival != value and (share >= OPEN_SHARE or alike_share(round(value), round(rival)))
        ]
        return any(around[self.grid == round(rival)].sum() >= SETTLED_RATIO * here for rival in rivals)

    def _why(self, value: float, joint: np.ndarray, around: np.ndarray, at: np.ndarray) -> list[Flag]:
        others = joint.copy()
        others[at] = 0.0
        rival = float(self.grid[int(np.argmax(others))])
        why = []
        if not len(at) or around[at[0]] < IMPLAUSIBLE_RATIO * around.max():
            why.append(Flag.IMPLAUSIBLE)
        if alike_share(round(value), round(rival)):
            why.append(Flag.SOUNDS_LIKE)
        return why or [Flag.UNSURE]


def _number(call: HeardCall) -> float:
    """The value of an airspeed call."""
    if not isinstance(call.value, int | float):
        raise TypeError(f"{call.id}: airspeed {call.value!r} is not a number")
    return float(call.value)


def _candidates(call: HeardCall) -> dict[float, float]:
    """Airspeeds (or digits alone) that the sound may be, with their posteriors."""
    own = _digit(call)
    heard: dict[float, float] = {own if own is not None else _number(call): call.posterior}
    for rival in call.alternatives:
        if isinstance(rival, Alternative) and rival.kind is CallKind.AIRSPEED and isinstance(rival.value, (int, float)):
            heard.setdefault(float(rival.value), rival.posterior)
    total = sum(heard.values())
    return {value: probability / max(1.0, total) for value, probability in heard.items()}


def _digit(call: HeardCall) -> float | None:
    """The digit of a shorthand call, completed before or not."""
    if Flag.SHORTHAND in call.flags or Flag.NO_DECADE in call.flags or _number(call) <= 9:
        return _number(call) % 10
    return None


def _moves(ordered: Sequence[HeardCall]) -> list[tuple[float, frozenset[str]]]:
    """Between each airspeed and the next: seconds, and the names of what was said."""
    moves, between, last_s = [], set(), None
    for call in ordered:
        if call.kind is not CallKind.AIRSPEED:
            between.add(call.name)
            continue
        if last_s is not None:
            moves.append((call.start_s - last_s, frozenset(between)))
        last_s, between = call.start_s, set()
    return moves


def _slide(row: np.ndarray, bell: np.ndarray) -> np.ndarray:
    """Shares moved by the steps of `bell`, ends cut off."""
    n = len(row)
    return np.convolve(row, bell)[n - 1 : 2 * n - 1]


def _normal(shares: np.ndarray) -> np.ndarray:
    total = shares.sum()
    return shares / total if total > 0 else np.full(shares.shape, 1.0 / shares.size)

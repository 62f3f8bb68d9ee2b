"""Put a camera's sound on the flight's: search, decide, and say why not when not. Pure.

Sounds are arrays (or memory maps) of 16 kHz mono. Nothing is accepted unless the agreement of many
windows would be chance less than once in a million; when in doubt it refuses, and keeps the likeliest place for
another chapter to confirm.

Main names: `align`, `Alignment`, `Prior`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from logger_app.errors import SyncError
from logger_app.sync.fit import (
    TOLERANCE_S,
    Coarse,
    Line,
    along,
    coarse_lags,
    consensus,
    fitted,
    lag_curve,
    log10_chance,
    log10_chance_clear,
    log10_chance_of_two,
    log10_chance_there,
    peak_of,
    stack,
)
from logger_app.sync.onsets import ENVELOPE_HZ, onset_envelope
from logger_app.units import RATE_HZ

ACCEPT_LOG10 = -6.0
# Where the envelopes agree by themselves as they never do by chance (measured: z 6 to 11 and a ratio
# of 1.06 to 1.27 without common sound, z 50 to 94 and over 3 with it), fewer windows are enough.
CLEAR_Z, CLEAR_RATIO, ACCEPT_CLEAR_LOG10 = 25.0, 1.8, -2.0
# A window counts when its peak is this much higher than its next best: enough to leave out tones,
# which peak alike at every period. Weak windows help more by their number than they harm.
CLEAR_PEAK = 1.12
WINDOW_S = 3.0
# Windows are put where both envelopes rise together (speech, a switch); they do not overlap.
APART_S = 3.0
MAX_WINDOWS = 240
# Coarse lags that are tried, and windows by which all but the likeliest are first looked at; those at which even
# these do not agree by more than a little are left.
MAX_LAGS, FEW_WINDOWS, WORTH_MORE_LOG10 = 8, 60, -1.5
# So many sounds must agree, whatever the odds: fewer may be cues, which are the same in every flight.
MIN_WINDOWS = 4
# Other windows agree on the same moment by another path: an echo, not a clock that jumped [s].
ECHO_APART_S = 0.015
# No other lag may do nearly as well. Where the agreement is better than the first, only lags are tried whose envelopes
# agree by that share of the best one's: a recording that is played twice.
SURE_LOG10, RIVAL_LOG10, RIVAL_Z = -12.0, -3.0, 0.5
# A chapter whose place is known to a second or two: less evidence is enough than in a whole flight.
NEAR_S, ACCEPT_NEAR_LOG10 = 0.2, -3.0
# Where the envelopes agree there better than elsewhere in the flight, this counts too; but the windows give the moment,
# and must be worth this by themselves (at wrong places 400 searches reached 10^-1.6).
WINDOWS_NEAR_LOG10 = -1.5
# A place that another chapter may confirm: unlikely enough by itself to stand for a chapter whose place is known, and
# no other place of this chapter better than this.
LIKELIEST_RIVAL_LOG10 = -1.5
# The envelope gives the lag to a few hundredths; drift adds to it away from where it was found.
COARSE_U_S = 0.35
DRIFT_REACH = 150e-6
# How near the line peaks must lie when it is fitted again, in turn [s].
NEARER_S = (0.0008, 0.0004, 0.0002)
# Sound travels 3 ms a metre; microphones in one cockpit lie about a metre apart.
TRAVEL_U_S = 0.003
# Coarse search: longer pieces smear under drift.
PIECE_S = 1800.0
SHORTEST_S = 10.0
BLOCK = 60 * RATE_HZ


@dataclass(frozen=True, slots=True)
class Prior:
    """What another chapter of the same camera says: lag at this one's start, how sure, and drift."""

    lag_s: float
    u_s: float
    drift: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Alignment:
    """``flight_s = offset_s + sound_s * (1 + drift_ppm * 1e-6)`` when accepted, else why not.

    `from_s .. to_s` is the part of the camera's sound that the line holds for.
    """

    accepted: bool
    why: str
    offset_s: float | None = None
    drift_ppm: float | None = None
    u_s: float | None = None
    from_s: float = 0.0
    to_s: float = math.inf
    evidence: tuple[tuple[str, float | str], ...] = ()
    # Of a refused one: the place that would be taken were there more evidence, for another chapter to confirm.
    likeliest: Alignment | None = None

    @property
    def line(self) -> tuple[float, float, float]:
        """Offset [s], drift [ppm] and uncertainty [s] of an accepted one.

        Raises
        ------
        SyncError
            It was not placed.
        """
        if self.offset_s is None or self.drift_ppm is None or self.u_s is None:
            raise SyncError(f"not placed: {self.why}")
        return self.offset_s, self.drift_ppm, self.u_s

    @property
    def log10_chance(self) -> float:
        """Decimal logarithm of the probability that the windows agree by chance, at most 0."""
        return float(dict(self.evidence).get("log10_chance", 0.0))


def align(
    flight: np.ndarray,
    camera: np.ndarray,
    *,
    envelope: np.ndarray | None = None,
    prior: Prior | None = None,
    progress: Callable[[float], None] = lambda share: None,
) -> Alignment:
    """Align a camera's sound with the flight's.

    Parameters
    ----------
    flight : ndarray of int16, shape (n,)
        The flight's sound, sample 0 at flight time 0.
    camera : ndarray of int16, shape (m,)
        The camera's sound from its first sample.
    envelope : ndarray of float32, optional
        Onset envelope of the flight's sound, if it is at hand.
    prior : Prior, optional
        Where this chapter is expected from its neighbours; only there is looked.
    progress : callable
        Called with the share done, 0 to 1.

    Returns
    -------
    Alignment
        Accepted with its line, or refused with the reason.
    """
    if why := _unusable(flight, "the flight's sound") or _unusable(camera, "its sound"):
        return Alignment(accepted=False, why=why)
    envelope = onset_envelope(_blocks(flight)) if envelope is None else envelope
    progress(0.1)
    mine = onset_envelope(_blocks(camera))
    candidates = _candidates(envelope, mine) if prior is None else []
    progress(0.3)
    if prior is not None:
        return _from_prior(flight, camera, envelope, mine, prior, progress)
    if not candidates:
        return Alignment(
            accepted=False, why="its sound is steady noise: nothing in it can be matched with the flight's"
        )
    best = _best_of(flight, camera, envelope, mine, candidates, lambda share: progress(0.3 + 0.7 * share))
    progress(1.0)
    return best


def _unusable(sound: np.ndarray, what: str) -> str:
    if len(sound) < SHORTEST_S * RATE_HZ:
        return f"{what} is only {len(sound) / RATE_HZ:.1f} s long; at least {SHORTEST_S:g} s are needed"
    if not any(int(block.max()) - int(block.min()) > 2 for block in _blocks(sound)):
        return f"{what} is silent"
    return ""


def _blocks(sound: np.ndarray) -> Iterator[np.ndarray]:
    for k in range(0, len(sound), BLOCK):
        yield sound[k : k + BLOCK]


def _candidates(flight: np.ndarray, camera: np.ndarray) -> list[tuple[float, Coarse]]:
    """Lags to try, best first, each with the camera time it was found at; long recordings in pieces."""
    piece = round(PIECE_S * ENVELOPE_HZ)
    pieces = max(1, math.ceil(len(camera) / (1.5 * piece)))
    size = math.ceil(len(camera) / pieces)
    found = []
    for k in range(0, len(camera), size):
        part = camera[k : k + size]
        start_s = k / ENVELOPE_HZ
        for lag in coarse_lags(flight, part, MAX_LAGS):
            # A lag of a piece is one of the camera less where the piece begins.
            found.append((start_s + len(part) / 2 / ENVELOPE_HZ, Coarse(lag.lag_s - start_s, lag.z, lag.ratio)))
    found.sort(key=lambda item: -item[1].z)
    return found[:MAX_LAGS]


def _best_of(flight, camera, envelope, mine, candidates, progress) -> Alignment:
    """The candidate that most windows agree on, unless another does nearly as well."""
    tried: list[tuple[float, Alignment]] = []
    sure = None
    for k, (at_s, found) in enumerate(candidates):
        if sure is not None and (found.z < RIVAL_Z * sure.z or abs(found.lag_s - sure.lag_s) < 2 * COARSE_U_S):
            continue  # by its envelope no rival
        most = MAX_WINDOWS if k == 0 else FEW_WINDOWS
        one = _try(
            flight,
            camera,
            envelope,
            mine,
            found,
            at_s,
            most,
            len(candidates),
            lambda share, k=k: progress((k + share) / len(candidates)),
        )
        if most < MAX_WINDOWS and one.log10_chance <= WORTH_MORE_LOG10:
            one = _try(flight, camera, envelope, mine, found, at_s, MAX_WINDOWS, len(candidates), lambda share: None)
        if one.accepted and one.log10_chance <= SURE_LOG10 and sure is None:
            sure = found
        tried.append((found.lag_s, one))
    tried.sort(key=lambda item: (not item[1].accepted, item[1].log10_chance))
    lag_s, best = tried[0]
    rivals = [
        one for other_s, one in tried[1:] if abs(other_s - lag_s) > 2 * COARSE_U_S and one.log10_chance <= RIVAL_LOG10
    ]
    if best.accepted and rivals:
        why = "its sound fits the flight's at more than one place; a sound that repeats itself cannot tell which"
        return Alignment(accepted=False, why=why, evidence=best.evidence)
    others = [
        one
        for other_s, one in tried[1:]
        if abs(other_s - lag_s) > 2 * COARSE_U_S and one.log10_chance <= LIKELIEST_RIVAL_LOG10
    ]
    return replace(best, likeliest=None) if others else best


@dataclass(frozen=True, slots=True, eq=False)
class _Windows:
    """What each window says: when, its curve, the lag the curve's middle stands for, and its highest peak."""

    times: np.ndarray
    curves: np.ndarray
    base: np.ndarray
    lags: np.ndarray
    clear: np.ndarray


def _judged(windows: _Windows, *, drift: float | None, tries: int) -> tuple[Line | None, float]:
    """The line that the windows agree on and how likely that is chance, by what is the stronger evidence."""
    free = 2 if drift is None else 1
    usable = windows.clear > CLEAR_PEAK
    line = consensus(windows.times[usable], windows.lags[usable], drift=drift)
    chance = 0.0
    if line is not None:
        on_line = windows.clear[usable][line.inliers]
        chance = min(
            log10_chance(len(on_line), int(usable.sum()), free=free, tries=tries),
            log10_chance_clear(on_line, len(windows.times), free=free, tries=tries),
        )
        line = _settled(windows, line.lag_s(windows.times) - windows.base, drift) or line
    if chance > ACCEPT_LOG10 and len(windows.times) >= MIN_WINDOWS:
        lag_s, slope, stacked = stack(windows.times, windows.curves, drift=drift is None)
        stacked = min(0.0, stacked + math.log10(tries))
        if stacked < chance:
            other = _settled(windows, lag_s + slope * (windows.times - windows.times.mean()), drift)
            if other is not None:
                line, chance = other, stacked
    return line, chance


def _settled(windows: _Windows, lag_s: np.ndarray, drift: float | None) -> Line | None:
    """The line through the peaks beside this one, on the strongest path of the sound.

    An echo a millisecond later is within what windows may scatter; looked at ever nearer, with the line found so far, one
    path remains.
    """
    which, lags = along(windows.curves, lag_s)
    if len(which) < 3:
        return None
    line = consensus(windows.times[which], windows.base[which] + lags, drift=drift)
    for near_s in NEARER_S:
        if line is None:
            break
        which, lags = along(windows.curves, line.lag_s(windows.times) - windows.base, near_s)
        if len(which) < max(MIN_WINDOWS, 0.5 * line.inliers.sum()):
            break
        line = fitted(windows.times[which], windows.base[which] + lags, np.ones(len(which), bool), drift)
    return line


def _try(flight, camera, envelope, mine, coarse: Coarse, at_s: float, most: int, tries: int, progress) -> Alignment:
    length_s = len(camera) / RATE_HZ
    search_s = COARSE_U_S + DRIFT_REACH * max(at_s, length_s - at_s)
    places = _places(envelope, mine, coarse.lag_s, most)
    windows = _windows(flight, camera, lambda t: coarse.lag_s, places, search_s, progress)
    line, chance = _judged(windows, drift=None, tries=tries)
    agreeing = int(line.inliers.sum()) if line else 0
    evidence = _evidence(coarse, agreeing, len(windows.times), chance, line)
    needed = ACCEPT_CLEAR_LOG10 if coarse.z > CLEAR_Z and coarse.ratio > CLEAR_RATIO else ACCEPT_LOG10
    if line is None or chance > max(needed, ACCEPT_NEAR_LOG10) or agreeing < MIN_WINDOWS:
        return Alignment(accepted=False, why=_refusal(len(windows.times), agreeing), evidence=evidence)
    from_s, to_s, note = _span(windows, line, length_s)
    there = _accepted(line, from_s, to_s, note, evidence)
    if chance > needed:
        return Alignment(accepted=False, why=_refusal(len(windows.times), agreeing), evidence=evidence, likeliest=there)
    return there


def _from_prior(flight, camera, envelope, mine, prior: Prior, progress) -> Alignment:
    """A short chapter between others: the same search, but only where it can be."""
    length_s, drift = len(camera) / RATE_HZ, prior.drift or 0.0
    lags_s = _lags_near(envelope, mine, prior)
    best: tuple[float, float, Line | None, int, int] | None = None
    for near_s in lags_s:
        places = _places(envelope, mine, near_s, MAX_WINDOWS)
        windows = _windows(flight, camera, lambda t, near_s=near_s: near_s + drift * t, places, NEAR_S, progress)
        line, chance = _judged(windows, drift=prior.drift, tries=len(lags_s))
        agreeing = int(line.inliers.sum()) if line else 0
        if line is not None and chance <= ACCEPT_NEAR_LOG10:
            return _accepted(line, 0.0, length_s, "", _evidence(None, agreeing, len(windows.times), chance, line))
        if best is None or chance < best[0]:
            best = (chance, near_s, line, agreeing, len(windows.times))
    if best is None:
        return Alignment(accepted=False, why=_refusal(0, 0))
    chance, near_s, line, agreeing, usable = best
    evidence = _evidence(None, agreeing, usable, chance, line)
    if line is not None and chance <= WINDOWS_NEAR_LOG10 and agreeing >= MIN_WINDOWS:
        together = log10_chance_of_two(chance, log10_chance_there(envelope, mine, near_s, prior.u_s))
        evidence = (*evidence, ("log10_chance_with_envelope", round(together, 1)))
        if together <= ACCEPT_NEAR_LOG10:
            return _accepted(line, 0.0, length_s, "", evidence)
    return Alignment(accepted=False, why=_refusal(usable, agreeing), evidence=evidence)


def _lags_near(envelope: np.ndarray, mine: np.ndarray, prior: Prior) -> list[float]:
    """The three lags within the prior's range at which the envelopes agree best [s]."""
    shifts = np.arange(
        math.floor((prior.lag_s - prior.u_s) * ENVELOPE_HZ), math.ceil((prior.lag_s + prior.u_s) * ENVELOPE_HZ) + 1
    )
    score = np.full(len(shifts), -np.inf)
    for k, shift in enumerate(shifts.tolist()):
        first, last = max(0, -shift), min(len(mine), len(envelope) - shift)
        if last > first:
            score[k] = float(mine[first:last] @ envelope[first + shift : last + shift])
    found = []
    for _ in range(3):
        k = int(np.argmax(score))
        if not np.isfinite(score[k]):
            break
        found.append(float(shifts[k]) / ENVELOPE_HZ)
        score[max(0, k - 30) : k + 30] = -np.inf
    return found


def _places(envelope: np.ndarray, mine: np.ndarray, lag_s: float, most: int) -> np.ndarray:
    """Camera times around which both sounds rise together, for the lag given, shape (n,) [s]."""
    shift = round(lag_s * ENVELOPE_HZ)
    first, last = max(0, -shift), min(len(mine), len(envelope) - shift)
    if last - first < WINDOW_S * ENVELOPE_HZ:
        return np.zeros(0)
    both = np.clip(mine[first:last], 0, None) * np.clip(envelope[first + shift : last + shift], 0, None)
    return first / ENVELOPE_HZ + _rises(both, APART_S, most)


def _rises(envelope: np.ndarray, apart_s: float, most: int) -> np.ndarray:
    """Where an envelope is highest, at least so far apart, some in each minute, shape (n,) [s]."""
    level = np.convolve(np.clip(envelope, 0, None), np.ones(ENVELOPE_HZ), "same")
    edge, minute, apart = round(WINDOW_S / 2 * ENVELOPE_HZ) + 1, 60 * ENVELOPE_HZ, round(apart_s * ENVELOPE_HZ)
    level[:edge] = level[len(level) - edge :] = 0
    share = max(1, math.ceil(most / max(1, len(level) // minute)))  # a lively minute does not take all
    found = []
    for start in range(0, len(level), minute):
        part = level[start : start + minute]
        for _ in range(share):
            k = start + int(np.argmax(part))
            if level[k] <= 0:
                break
            found.append(k / ENVELOPE_HZ)
            level[max(0, k - apart) : k + apart] = 0
    return np.array(sorted(found))


def _windows(flight, camera, lag_at, places: np.ndarray, search_s: float, progress) -> _Windows:
    """The windows that lie in both sounds."""
    size, most = round(WINDOW_S * RATE_HZ), round(search_s * RATE_HZ)
    times, base, lags, clear, curves = [], [], [], [], []
    for k, middle_s in enumerate(places):
        progress(k / len(places))
        start_s = middle_s - WINDOW_S / 2
        first_camera, first_flight = round(start_s * RATE_HZ), round((start_s + lag_at(start_s)) * RATE_HZ)
        if (
            min(first_flight, first_camera) < 0
            or first_flight + size > len(flight)
            or first_camera + size > len(camera)
        ):
            continue
        there = np.asarray(flight[first_flight : first_flight + size], np.float32)
        here = np.asarray(camera[first_camera : first_camera + size], np.float32)
        curve = lag_curve(there, here, search_s)
        found, ratio = peak_of(curve)
        if not ratio:
            continue
        times.append(middle_s)
        base.append((first_flight - first_camera) / RATE_HZ)
        lags.append(base[-1] + found)
        clear.append(ratio)
        curves.append(curve)
    held = np.stack(curves) if curves else np.zeros((0, 2 * most + 1), np.float32)
    return _Windows(np.array(times), held, np.array(base), np.array(lags), np.array(clear))


def _span(windows: _Windows, line: Line, length_s: float) -> tuple[float, float, str]:
    """Where the line holds: the whole camera, unless other windows agree on another line (a clock that jumped)."""
    usable = windows.clear > CLEAR_PEAK
    times, lags = windows.times[usable], windows.lags[usable]
    off = np.abs(lags - line.lag_s(times))
    mine, rest = times[off < TOLERANCE_S], off > ECHO_APART_S
    other = consensus(times[rest], lags[rest])
    if other is None or not len(mine):
        return 0.0, length_s, ""
    agreeing = int(other.inliers.sum())
    if log10_chance(agreeing, int(rest.sum())) > ACCEPT_LOG10:
        return 0.0, length_s, ""
    theirs = times[rest][other.inliers]
    from_s = max([0.0, *((mine.min() + t) / 2 for t in theirs if t < mine.min())])
    to_s = min([length_s, *((mine.max() + t) / 2 for t in theirs if t > mine.max())])
    jump_ms = 1000 * (other.lag_s(other.middle_s) - line.lag_s(other.middle_s))
    return (
        from_s,
        to_s,
        f"its clock jumps by {jump_ms:.0f} ms; only {from_s:.0f} to {to_s:.0f} s of it are on the flight clock",
    )


def _accepted(line: Line, from_s: float, to_s: float, note: str, evidence) -> Alignment:
    offset_s = line.lag_s(0.0)
    u_s = math.hypot(max(line.u_s(from_s), line.u_s(to_s)), TRAVEL_U_S)
    return Alignment(
        accepted=True,
        why=note or "common sound",
        offset_s=offset_s,
        drift_ppm=line.slope * 1e6,
        u_s=u_s,
        from_s=from_s,
        to_s=to_s,
        evidence=evidence,
    )


def _evidence(coarse: Coarse | None, agreeing: int, usable: int, chance: float, line: Line | None):
    rows: list[tuple[str, float | str]] = [
        ("windows_agree", agreeing),
        ("windows_clear", usable),
        ("log10_chance", round(chance, 1)),
    ]
    if coarse:
        rows += [("envelope_z", round(coarse.z, 1)), ("envelope_ratio", round(coarse.ratio, 2))]
    if line:
        rows += [("rms_ms", round(line.rms_s * 1000, 3))]
    return tuple(rows)


def _refusal(usable: int, agreeing: int) -> str:
    if usable < 3:
        return "no common sound with the flight was found (no stretch of it has a clear match)"
    return f"no common sound with the flight was found (of {usable} stretches that match somewhere, only {agreeing} agree on one offset)"

"""Where an approach begins and ends, by its airspeeds and silences: for the cockpit and the ground alike. Pure.

Main names: `silent_after_ns`, `approach_begins`, `new_approach_at`, `next_set_up_ns`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from logger_app.domain.approach import MIN_CALLS
from logger_app.records.calls import Flag
from logger_app.units import s_to_ns

# Common practice, no source: calls come every second or two; a pilot who has said no airspeed for
# this long is not in an approach any more. After "on condition" the first call may take longer.
SILENCE_NS = s_to_ns(12.0)
FIRST_CALL_NS = s_to_ns(40.0)
# "Scratch that" reaches back to a run that ended no longer ago than this (common practice, no source).
SCRATCH_NS = s_to_ns(30.0)
# After "knock it off" or "hold" speeds are said on the way home, not in an approach, until "on condition".
STOPPED_NS = s_to_ns(60.0)
# Power and flaps said sooner after the stall are the recovery's; later, where nobody called the recovery, they are the
# next set-up's (ours).
RECOVERY_NS = s_to_ns(8.0)
# A sentence for the notes is over by then, whatever was said (common practice, no source).
LONGEST_NOTE_NS = s_to_ns(20.0)
# A recording without "on condition" or "recovered" shows a new approach as a speed well above the
# lowest one, falling again. 8 kt: more than a wander near the stall, less than a recovery to entry.
NEW_APPROACH_KT = 8.0
# A fall of more than this from one call to the next is a call misheard, not an approach.
JUMP_KT = 6.0
# Airspeeds that neither begin nor part a run, until a person has looked.
DOUBTED_SPEED = frozenset({Flag.IMPLAUSIBLE, Flag.OUT_OF_RANGE, Flag.NO_DECADE})


def silent_after_ns(has_airspeeds: bool) -> int:
    """The silence that ends a run [ns]."""
    return SILENCE_NS if has_airspeeds else FIRST_CALL_NS


def next_set_up_ns(stalls_ns: Sequence[int]) -> int | None:
    """From when on a setting is the next set-up's although nobody called the recovery [ns]; None without a stall."""
    return max(stalls_ns) + RECOVERY_NS if stalls_ns else None


def approach_begins(speeds_kt: Sequence[float | None]) -> bool:
    """Whether airspeeds show an approach that nobody announced: three, none faster than the one before, that fall."""
    for a, b, c in zip(speeds_kt, speeds_kt[1:], speeds_kt[2:], strict=False):
        if a is not None and b is not None and c is not None and a >= b >= c and c < a:
            return True
    return False


def new_approach_at(speeds_kt: Sequence[float], next_kt: float) -> int | None:
    """Where the next approach began, after a recovery that nobody announced.

    Parameters
    ----------
    speeds_kt : sequence of float
        The believed airspeeds of the open run [kt].
    next_kt : float
        The airspeed that follows [kt].

    Returns
    -------
    int or None
        Index of the first airspeed of the next approach, or None where the run goes on.

    Examples
    --------
    >>> new_approach_at([61, 58, 55, 50, 62], 60), new_approach_at([61, 58, 55, 50, 52], 51)
    (4, None)
    """
    lowest_kt = math.inf
    for kt in speeds_kt:
        if kt > lowest_kt + NEW_APPROACH_KT:
            break
        lowest_kt = min(lowest_kt, kt)
    else:
        return None  # most often: nothing rises by so much
    come_down_to = [k for k in range(1, len(speeds_kt)) if speeds_kt[k - 1] - speeds_kt[k] <= JUMP_KT]
    if len(speeds_kt) < MIN_CALLS or not come_down_to:
        return None
    # The lowest call that was come down to, not jumped to.
    lowest = min(come_down_to, key=lambda k: speeds_kt[k])
    after = speeds_kt[lowest + 1 :]
    if not after or max(after) <= speeds_kt[lowest] + NEW_APPROACH_KT or next_kt >= max(after) - 1:
        return None
    return lowest + 1 + max(range(len(after)), key=lambda k: after[k])

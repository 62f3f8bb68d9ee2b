"""What this pilot's voice is known to confuse, as the rehearsal before the flight showed it. Pure.

Such a call keeps its value: it carries a flag and the other reading, so that nobody takes it for sure.
Main name: `soften`.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import replace

from logger_app.domain.decades import read_as
from logger_app.records.calls import Alternative, CallKind, Flag, HeardCall

# Belief in such a reading, and in the other, where nothing else is known of the voice. Ours.
BELIEVED, OTHERWISE = 0.8, 0.2


def soften(calls: Iterable[HeardCall], confusions: Collection[tuple[int, int]]) -> list[HeardCall]:
    """Flag the airspeeds that a voice is known to be heard wrongly in; all else comes back as it is.

    Parameters
    ----------
    calls : iterable of HeardCall
        As the reader of sequences gives them: the calls around share the fault and cannot settle it.
    confusions : collection of (int, int)
        Decades, heard and meant (`domain.decades.confused`).
    """
    return [_softened(call, confusions) for call in calls] if confusions else list(calls)


def _softened(call: HeardCall, confusions: Collection[tuple[int, int]]) -> HeardCall:
    if call.kind is not CallKind.AIRSPEED or not isinstance(call.value, (int, float)):
        return call
    meant = [other for pair in confusions if (other := read_as(float(call.value), *pair)) is not None]
    if not meant:
        return call
    listed = {rival.value for rival in call.alternatives}
    more = [
        Alternative(kind=call.kind, name=call.name, value=other, posterior=OTHERWISE)
        for other in meant
        if other not in listed
    ]
    rivals = [
        replace(rival, posterior=max(rival.posterior, OTHERWISE)) if rival.value in meant else rival
        for rival in call.alternatives
    ]
    return replace(
        call,
        posterior=min(call.posterior, BELIEVED),
        flags=tuple(dict.fromkeys((*call.flags, Flag.SOUNDS_LIKE))),
        alternatives=tuple(sorted((*rivals, *more), key=lambda rival: -rival.posterior)),
    )

"""What a called event means: which events are the stall, which end an approach. By the language pack's own names.

Hearing, cockpit, review and reduction all ask here. A name that is not in the table has no meaning and is left
alone. The kinds of stall follow 14 CFR 23.201(b) and 25.201(d) [CFR23.201] [CFR25.201].
Main names: `EVENT_MEANINGS`, `meaning_of`, `STALL_KINDS`, `APPROACH_STARTS`, `APPROACH_ENDS`, `SPEED_JUMPS`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from logger_app.records.calls import CallKind, ReviewedCall
from logger_app.records.runs import StallEvent


class Role(StrEnum):
    """What a called event does in a run."""

    WARNING = "warning"
    BUFFET = "buffet"  # onset: a warning, not the stall
    STALL = "stall"
    WING_DROP = "wing_drop"
    RECOVERY = "recovery"
    REMARK = "remark"  # goes beside the figure, changes nothing


@dataclass(frozen=True, slots=True, kw_only=True)
class Meaning:
    """Role of an event, the kind of stall if it is one, its side if it has one, what to remark."""

    role: Role
    stall: StallEvent | None = None
    side: str | None = None
    remark: str = ""


def _stall(kind: StallEvent) -> Meaning:
    return Meaning(role=Role.STALL, stall=kind)


EVENT_MEANINGS: dict[str, Meaning] = {
    "stall_warning": Meaning(role=Role.WARNING),
    "stick_shaker": Meaning(role=Role.WARNING),
    "buffet": Meaning(role=Role.BUFFET),
    "heavy_buffet": _stall(StallEvent.DETERRENT_BUFFET),
    "break": _stall(StallEvent.PITCH_DOWN),
    "nose_drop": _stall(StallEvent.PITCH_DOWN),
    "aft_stop": _stall(StallEvent.AFT_STOP),
    "stick_pusher": _stall(StallEvent.DEVICE),
    "wing_drop": Meaning(role=Role.WING_DROP, stall=StallEvent.ROLL_OFF),
    "wing_drop_left": Meaning(role=Role.WING_DROP, stall=StallEvent.ROLL_OFF, side="left"),
    "wing_drop_right": Meaning(role=Role.WING_DROP, stall=StallEvent.ROLL_OFF, side="right"),
    "mush": Meaning(role=Role.REMARK, remark="mushing was called; on its own that is not a stall event"),
    "wing_rock": Meaning(role=Role.REMARK, remark="wing rock was called"),
    "spin": Meaning(role=Role.REMARK, remark="a spin was called"),
    "recovered": Meaning(role=Role.RECOVERY),
    "knock_it_off": Meaning(role=Role.RECOVERY),
}
"""By the name in a language pack (or of a call that a person added)."""

STALL_KINDS: dict[str, StallEvent] = {
    name: meaning.stall for name, meaning in EVENT_MEANINGS.items() if meaning.stall is not None
}
"""Events that are the stall, and which kind each is. Buffet and horn are warnings on the way there."""

APPROACH_STARTS = frozenset({"on_condition"})
# A heavy buffet may be flown through: what follows it is still the same approach.
APPROACH_ENDS = frozenset(
    {name for name, kind in STALL_KINDS.items() if kind is not StallEvent.DETERRENT_BUFFET}
    | {name for name, meaning in EVENT_MEANINGS.items() if meaning.role is Role.RECOVERY}
    | {"scratch_that"}
)
"""Calls after which the airspeed no longer belongs to the approach."""

SPEED_JUMPS = APPROACH_ENDS | {"spin", "mush"}
"""Calls after which the next airspeed may be anything: the stall, what follows it, the recovery."""


def meaning_of(call: ReviewedCall) -> Meaning | None:
    """What a call means in a run.

    Returns
    -------
    Meaning or None
        None when it is no event or command of the table.

    References
    ----------
    [CFR23.201] (b); [CFR25.201] (d).
    """
    if call.kind not in (CallKind.EVENT, CallKind.COMMAND):
        return None
    meaning = EVENT_MEANINGS.get(call.name)
    if meaning and meaning.side is None and call.value in ("left", "right"):
        return Meaning(role=meaning.role, stall=meaning.stall, side=str(call.value))
    return meaning

"""What is set on the aircraft: what was said, what the card says, how sure, since when. Pure.

One memory for the cockpit and the ground. A setting that was said stays until another one is said; a card that the
pilot puts up asks for its own settings from then on. A setting that this campaign has no use for, or that was part of
a sentence, is kept as a doubt and changes nothing until a person confirms it. Which test point a memory makes is
`domain.points`.

Main names: `Memory`, `Known`, `Doubt`, `Possible`, `setting_called`, `card_shown`, `approach_flown`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

from logger_app.records.calls import Flag, HeardCall, ReviewedCall
from logger_app.records.plan import Campaign, TestPoint
from logger_app.records.runs import Settings

# How far a spoken setting may be from the card and still be it (common practice, no source:
# a tachometer is read to 50 rpm, a bank to 5 deg).
RPM_TOLERANCE = 75.0
PCT_TOLERANCE = 5.0
FLAP_TOLERANCE_DEG = 1.5
BANK_TOLERANCE_DEG = 7.5
# A fuel gauge is read to a few litres; what is more than the tanks hold, or than was aboard before, is something else.
FUEL_TOLERANCE_L = 8.0
# A setting believed less than this is kept, not applied (ours; the recogniser's own threshold is near it).
MIN_BELIEF = 0.6
# A machine that says 1.0 is still wrong now and then.
MAX_BELIEF = 0.997
# Another setting said in the middle of an approach: the next set-up after an end that nobody heard, or talk.
LATE_BELIEF = 0.9
ITEMS = ("power", "flap", "bank")


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """A setting in force: `value` None means moved, but not known to what. `belief`: how much it is believed, 0 to 1."""

    value: float | str | None
    unit: str | None
    since_ns: int
    call: str
    belief: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """A setting that was heard and not applied."""

    item: str
    call: str
    at_ns: int
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Possible:
    """What this campaign can have: its points, the aircraft's flap settings, its tanks."""

    points: tuple[TestPoint, ...] = ()
    flaps_deg: tuple[float, ...] = ()
    fuel_capacity_l: float | None = None

    @classmethod
    def of(cls, campaign: Campaign, points: Iterable[TestPoint] | None = None) -> Possible:
        """What a campaign can have; `points` in place of its own where a flight was flown by an earlier edition."""
        aircraft = campaign.aircraft
        flaps = {limit.flap_deg for limit in aircraft.flap_limits} | {t.flap_deg for t in campaign.calibrations}
        return cls(
            points=campaign.points if points is None else tuple(points),
            flaps_deg=tuple(sorted(flaps)),
            fuel_capacity_l=aircraft.fuel_capacity_l,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What was called before a run and during it: `said` before it, `late` during its approach, by item.

    `card` is the card that a person asked for since the run before, `card_follows` that it was asked for as the next
    one, `away` that the program was not there all the time since, `doubted` what was heard and not applied.
    """

    said: tuple[tuple[str, Known], ...] = ()
    late: tuple[tuple[str, Known], ...] = ()
    card: str | None = None
    card_belief: float = 1.0
    card_follows: bool = False
    away: bool = False
    doubted: frozenset[str] = frozenset()


class BankLeft(StrEnum):
    """Whether a bank that was said may have been left without a word."""

    NO = "no"
    CARRIED_OVER = "carried over"  # only what changed was said since
    NOT_REPEATED = "not repeated"  # what did not change was said again, and the bank was not


@dataclass(frozen=True, slots=True, kw_only=True)
class Memory:
    """What is known of the settings at one moment.

    `late` are settings said during an approach: they hold for what nothing before it settled. `card` is the point
    that was put up, `card_by_pilot` whether a person asked for it, `card_belief` how much that is believed, 0 to 1.
    `flown_ns` is the end of the last run; `changed` and `repeated` say whether power or flap was set to something
    else since then, and whether one was said again as it was (`said_since`: which were said). `bank_left` says what that makes of a bank from before
    that run: it may have been left without a word. What was said before `set_up_after_ns` was said for a set-up that
    has changed since. `since` is what was called since the last run, `flown` what was called for each run so far.
    """

    power: Known | None = None
    flap: Known | None = None
    bank: Known | None = None
    altitude: Known | None = None
    fuel: Known | None = None
    late: tuple[tuple[str, Known], ...] = ()
    card: str | None = None
    card_ns: int = 0
    card_by_pilot: bool = False
    card_belief: float = 1.0
    flown_ns: int = -1
    changed: bool = False
    repeated: bool = False
    said_since: frozenset[str] = frozenset()
    bank_left: BankLeft = BankLeft.NO
    set_up_after_ns: int = -1
    doubts: tuple[Doubt, ...] = ()
    since: Evidence = Evidence()
    flown: tuple[Evidence, ...] = ()

    @property
    def placed_by(self) -> tuple:
        """All that says which test point it makes: `points.place` reads nothing else."""
        said = (self.power, self.flap, self.bank, self.late, self.bank_left, self.set_up_after_ns, self.doubts)
        return (*said, self.card, self.card_ns, self.card_by_pilot, self.card_belief)

    @property
    def anything_said(self) -> bool:
        """Whether power, flap or bank was said."""
        return any(getattr(self, item) for item in ITEMS) or bool(self.late)

    def settings(self, point: TestPoint | None = None) -> Settings:
        """What was said, as a run carries it; what a run's `point` contradicts is left out."""
        said = {item: getattr(self, item) for item in (*ITEMS, "altitude", "fuel")}
        said |= {item: known for item, known in self.late if not said[item]}
        if point is not None:
            said |= {item: None for item in ITEMS if said[item] and not known_fits(item, said[item], point)}
        power = said["power"]
        return Settings(
            power=None if power is None else _power_words(power),
            power_rpm=_number(power) if power and power.unit != "%" else None,
            power_pct=_number(power) if power and power.unit == "%" else None,
            flap_deg=_number(said["flap"]),
            bank_deg=_number(said["bank"]),
            altitude_ft=_number(said["altitude"]),
            fuel_l=_number(said["fuel"]),
        )


def setting_called(
    memory: Memory, call: HeardCall | ReviewedCall, possible: Possible, *, in_approach: bool = False
) -> Memory:
    """The memory after a setting was called.

    Parameters
    ----------
    possible : Possible
        What decides whether the setting is believed.
    in_approach : bool
        Said between the first airspeed of a run and its stall.
    """
    item, at_ns = call.name, _at_ns(call)
    if item not in (*ITEMS, "altitude", "fuel") or call.value is None:
        return memory
    if item != "power" and isinstance(call.value, str) and item != "flap":
        return memory
    value = _with_side(call, possible) if item == "bank" else call.value
    kept = tuple(doubt for doubt in memory.doubts if doubt.item != item)
    held: Known | None = getattr(memory, item)
    if Flag.IN_TALK in call.flags and not _reviewed(call) and held and (held.value, held.unit) == (value, call.unit):
        return memory  # a sentence that agrees with what is set is neither news nor a doubt
    if why := _why_doubtful(memory, call, value, possible):
        memory = replace(memory, since=replace(memory.since, doubted=memory.since.doubted | {item}))
        return replace(memory, doubts=(*kept, Doubt(item=item, call=call.id, at_ns=at_ns, why=why)))
    if item == "flap" and isinstance(value, str):
        value = None  # moved to a setting whose degrees the campaign does not name
    belief = 1.0 if _reviewed(call) else min(call.posterior, MAX_BELIEF)
    known = Known(value=value, unit=call.unit, since_ns=at_ns, call=call.id, belief=belief)
    if in_approach and item in ITEMS:
        return replace(memory, late=(*((i, k) for i, k in memory.late if i != item), (item, known)), doubts=kept)
    if item in ITEMS:
        said_now = (*((i, k) for i, k in memory.since.said if i != item), (item, known))
        memory = replace(memory, since=replace(memory.since, said=said_now))
    before: Known | None = getattr(memory, item)
    same = before is not None and (before.value, before.unit) == (known.value, known.unit)
    memory = replace(memory, **_changes({item: known}), doubts=kept)
    if item in ITEMS and not same:
        memory = replace(memory, set_up_after_ns=memory.flown_ns)
    if item in ("power", "flap"):
        said = memory.said_since | {item}
        memory = replace(memory, changed=memory.changed or not same, repeated=memory.repeated or same, said_since=said)
        # Power and flap both said again, and the bank not: who repeats the set-up would have repeated the bank.
        told_all = said >= {"power", "flap"}
        earlier = memory.bank and memory.bank.value != 0 and memory.bank.since_ns <= memory.flown_ns
        if earlier and (memory.changed or told_all):
            left = BankLeft.NOT_REPEATED if memory.repeated else BankLeft.CARRIED_OVER
            return replace(memory, bank_left=left)
    return replace(memory, bank_left=BankLeft.NO) if item == "bank" else memory


def card_shown(
    memory: Memory, point: str | None, at_ns: int, *, by_pilot: bool, belief: float = 1.0, follows: bool = False
) -> Memory:
    """The memory after a card was put up: by a word or touch of the pilot, or by the app at the start.

    Parameters
    ----------
    belief : float
        How much the word for it is believed, 0 to 1.
    follows : bool
        Asked for as the next card, not by name.
    """
    if by_pilot:
        since = replace(memory.since, card=point, card_belief=belief, card_follows=follows)
        memory = replace(memory, since=since)
    return replace(memory, card=point, card_ns=at_ns, card_by_pilot=by_pilot, card_belief=belief)


def approach_flown(memory: Memory, at_ns: int) -> Memory:
    """The memory after a run: what was said during it is set from now on, less believed where it is new."""
    settled = {
        item: known if getattr(memory, item) is None else replace(known, belief=min(known.belief, LATE_BELIEF))
        for item, known in memory.late
    }
    flown = (*memory.flown, replace(memory.since, late=memory.late))
    memory = replace(memory, flown=flown, since=Evidence())
    return replace(
        memory, late=(), flown_ns=at_ns, changed=False, repeated=False, said_since=frozenset(), **_changes(settled)
    )


def away(memory: Memory) -> Memory:
    """The memory after the program was not there for a while."""
    return replace(memory, since=replace(memory.since, away=True))


def approach_given_up(memory: Memory) -> Memory:
    """The memory after airspeeds that were no run: what was said between them is set."""
    return replace(memory, late=(), **_changes(dict(memory.late)))


def value_fits(item: str, value: float | str, unit: str | None, point: TestPoint) -> bool:
    """Whether a setting is the one that a point asks for.

    Examples
    --------
    >>> point = TestPoint(id="B1", card="B", power="2100 rpm", power_rpm=2100.0, flap_deg=15.0)
    >>> [value_fits("power", v, "rpm", point) for v in ("idle", 2150.0, 2200.0)], value_fits("flap", 20.0, "deg", point)
    ([False, True, False], False)
    """
    if item == "power":
        if isinstance(value, str):
            return point.power == value
        wanted, tolerance = (point.power_pct, PCT_TOLERANCE) if unit == "%" else (point.power_rpm, RPM_TOLERANCE)
        return wanted is not None and abs(wanted - value) <= tolerance
    if isinstance(value, str):
        return False
    if item == "flap":
        return abs(value - point.flap_deg) <= FLAP_TOLERANCE_DEG
    return abs(value - point.bank_deg) <= BANK_TOLERANCE_DEG


def known_fits(item: str, known: Known, point: TestPoint) -> bool:
    """Whether what is set is what a point asks for; what is not known contradicts nothing."""
    return known.value is None or value_fits(item, known.value, known.unit, point)


def settings_at(point: TestPoint, settings: Settings) -> Settings:
    """What was said, less what a point contradicts."""
    power: float | str | None = settings.power
    if settings.power_rpm is not None or settings.power_pct is not None:
        power = settings.power_rpm if settings.power_pct is None else settings.power_pct
    unit = "%" if settings.power_pct is not None else "rpm"
    gone: dict[str, Any] = {}
    if power is not None and not value_fits("power", power, unit, point):
        gone |= {"power": None, "power_rpm": None, "power_pct": None}
    if settings.flap_deg is not None and not value_fits("flap", settings.flap_deg, "deg", point):
        gone["flap_deg"] = None
    if settings.bank_deg is not None and not value_fits("bank", settings.bank_deg, "deg", point):
        gone["bank_deg"] = None
    return replace(settings, **gone)


def contradicted_items(point: TestPoint, memory: Memory) -> tuple[str, ...]:
    """What was said since the card went up that is not on it: any of ``power``, ``flap``, ``bank``."""
    return tuple(
        item
        for item in ITEMS
        if (known := getattr(memory, item)) and known.since_ns >= memory.card_ns and not known_fits(item, known, point)
    )


def setting_words(item: str, value: float | str | None, unit: str | None = None) -> str:
    """A setting as people say it.

    Examples
    --------
    >>> setting_words("bank", -30.0), setting_words("bank", 0.0), setting_words("power", "idle"), setting_words("flap", 20.0)
    ('bank 30 left', 'wings level', 'power idle', 'flap 20')
    """
    if value is None:
        return f"{item} not known"
    if item == "bank" and not isinstance(value, str):
        side = "right" if value > 0 else "left"
        return "wings level" if value == 0 else f"bank {abs(value):g} {side}"
    shown = value if isinstance(value, str) else f"{value:g}"
    return f"{item} {shown}" + (f" {unit}" if item == "power" and unit and not isinstance(value, str) else "")


def _changes(known: dict[str, Known]) -> dict[str, Any]:
    """Settings by the names of the memory's own fields."""
    return {item: one for item, one in known.items() if item in (*ITEMS, "altitude", "fuel")}


# ---- belief -----------------------------------------------------------------------------------------


def _why_doubtful(memory: Memory, call: HeardCall | ReviewedCall, value, possible: Possible) -> str:
    """Why a setting is not applied by itself; empty where it is."""
    if _reviewed(call):
        return ""
    if Flag.IN_TALK in call.flags:
        return "said within a sentence"
    if call.posterior < MIN_BELIEF:
        return f"low confidence ({100 * call.posterior:.0f} %)"
    if call.name == "fuel":
        return _why_fuel_doubtful(memory, value, possible)
    if call.name not in ITEMS or not possible.points:
        return ""
    if any(value_fits(call.name, value, call.unit, point) for point in possible.points):
        return ""
    if call.name == "power":
        return f"no test point has {setting_words('power', value, call.unit)}"
    if call.name == "bank":
        level = not isinstance(value, str) and abs(value) <= BANK_TOLERANCE_DEG
        return "" if level else f"no test point has {setting_words('bank', value)}"
    if isinstance(value, str) or any(abs(value - deg) <= FLAP_TOLERANCE_DEG for deg in possible.flaps_deg):
        return ""
    return f"this aircraft has no flap {value:g}" if possible.flaps_deg else ""


def _why_fuel_doubtful(memory: Memory, value: float, possible: Possible) -> str:
    most_l = possible.fuel_capacity_l
    if most_l is not None and value > most_l + FUEL_TOLERANCE_L:
        return f"{value:.0f} L is more than the tanks hold ({most_l:.0f} L)"
    before_l = _number(memory.fuel)
    if before_l is not None and value > before_l + FUEL_TOLERANCE_L:
        return f"{value:.0f} L is more than was aboard before ({before_l:.0f} L)"
    return ""


def _with_side(call: HeardCall | ReviewedCall, possible: Possible):
    """A bank called without a side is on the side that the campaign flies, if it flies one only."""
    value = call.value
    if value is None or isinstance(value, str) or value <= 0:
        return value
    words = call.words if isinstance(call, HeardCall) else call.heard.words if call.heard else ""
    fits = [any(value_fits("bank", v, "deg", p) for p in possible.points) for v in (value, -value)]
    return -value if fits == [False, True] and "right" not in words.split() else value


def _reviewed(call: HeardCall | ReviewedCall) -> bool:
    return isinstance(call, ReviewedCall) and call.reviewed


def _at_ns(call: HeardCall | ReviewedCall) -> int:
    return call.flight_ns if isinstance(call, ReviewedCall) else call.start_ns


def _number(known: Known | None) -> float | None:
    return float(known.value) if known and isinstance(known.value, (int, float)) else None


def _power_words(known: Known) -> str | None:
    value = known.value
    return value if value is None or isinstance(value, str) else f"{value:g} {known.unit or 'rpm'}"

"""Numbers and codes to the words of the report: one way to write each, used by page, figures and PDF."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from logger_app.domain.times import flight_time
from logger_app.records.calls import CallKind, ReviewedCall
from logger_app.records.results import Comparison, Overall
from logger_app.units import KG_PER_LB, from_kt

_CONTROLS = {code: None for code in (*range(0x20), *range(0x7F, 0xA0), 0xFFFE, 0xFFFF) if chr(code) not in "\t\n\r"}
MINUS = "\N{MINUS SIGN}"
NONE = "\N{EN DASH}"

EVENTS = {
    "pitch_down": "pitch-down",
    "aft_stop": "stick on the aft stop",
    "device": "stall-avoidance device",
    "deterrent_buffet": "deterrent buffet",
    "roll_off": "roll-off",
    "not_reached": "not reached",
}
BASES = {
    "raw": "as flown",
    "sqrt_cos": "wings level by √cos of the bank",
    "measured_nz": "1 g by the measured load factor",
}
# How a wing dropped: sides, none, a side that nobody named.
WING_DROPS = ("left", "right", "none", "unknown", "not called")
METHODS = {"fit": "fit of the approach at the event", "lowest": "lowest steady call"}
STATUS = {
    "heard": "heard, not reviewed",
    "confirmed": "confirmed",
    "corrected": "corrected",
    "rejected": "rejected",
    "added": "added by hand",
}


def printable(text: str) -> str:
    """Text without the control characters that neither HTML nor XML may hold.

    Returns
    -------
    str
        The same without them; line breaks and tabs stay.
    """
    return text.translate(_CONTROLS)


def basis_words(kind: str, load_factor_basis: str, units: Units, at_reference_weight: bool = True) -> str:
    """What a speed stands for: ``CAS at 600 kg, as flown``; ``IAS at the weights flown, as flown``.

    Parameters
    ----------
    kind : str
        ``std``, ``cas`` or ``ias``, as a comparison's basis.
    """
    speed = "IAS" if kind == "ias" else "CAS"
    weight = units.reference_weight if kind == "std" or at_reference_weight else ""
    at = f"at {weight}" if weight else "at the weights flown"
    return f"{speed} {at}, {BASES.get(load_factor_basis, load_factor_basis)}"


def usual_basis(c: Comparison) -> bool:
    """Whether a comparison is of CAS at the reference weight, as flown: what needs no word of its own."""
    return c.basis == "std" and c.load_factor_basis == "raw"


def interval_words(level: float) -> str:
    """Of an interval: ``95 %``, and for how many comparisons it is widened."""
    made = round(0.05 / (1 - level)) if level < 1 else 1
    return "95 %" if made < 2 else f"95 %, widened for {made} comparisons"


def sentence(c: Comparison, label: str, changed: str, units: Units) -> str:
    """A comparison as a sentence about the changed configuration, in the pilot's unit.

    What holds for the change comes first; what differed between the flights flown, where one flight cannot tell.
    """
    unit = units.speed_unit
    kind = "" if usual_basis(c) else f" ({basis_words(c.basis, c.load_factor_basis, units, c.at_reference_weight)})"
    if c.verdict == "not comparable":
        return f"{changed}: not comparable at {label}: {c.notes[0] if c.notes else 'no reason given'}."
    if c.difference_kt is None or c.low_kt is None or c.high_kt is None:
        runs = f"{c.n_reference} and {count(c.n_changed, 'run')}"
        return f"{changed}: nothing shown at {label}: {units.text(c.difference_kt, 1, True)} {unit} from {runs}, no interval{kind}."
    how = interval_words(c.level)
    beside = f"; {words}" if (words := flights_words(c, units)) else ""
    if c.verdict in ("lower", "higher"):
        low, high = sorted((abs(c.low_kt), abs(c.high_kt)))
        by = f"{units.text(abs(c.difference_kt))} {unit}, {units.span(low, high, 1, False)} ({how})"
        return f"{changed}: stalls {c.verdict} by {by}, at {label}{kind}{beside}."
    found = f"{units.text(c.difference_kt, 1, True)} {unit}, {units.span(c.low_kt, c.high_kt)} ({how})"
    could = f"; {units.text(c.smallest_kt)} {unit} would have shown" if c.smallest_kt is not None else ""
    return f"{changed}: no difference of the change shown at {label}: {found}{could}{kind}{beside}."


def flights_words(c: Comparison | Overall, units: Units) -> str:
    """What differed between the flights flown, where one flight cannot tell the change from the day; else empty."""
    if min(c.n_flights_reference, c.n_flights_changed) > 1 or c.flights_low_kt is None or c.flights_high_kt is None:
        return ""
    found = f"{units.text(c.flights_difference_kt, 1, True)} {units.speed_unit}, {units.span(c.flights_low_kt, c.flights_high_kt)}"
    return f"between the flights flown {found}, whatever it came from"


def listed(names: Sequence[str]) -> str:
    """``A1``, ``A1 and A2``, ``A1, A2 and B1``."""
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1]))) if names else ""


def event_words(event: str) -> str:
    """Kinds of stall event, ``+`` between them, in words.

    Parameters
    ----------
    event : str
        As a cell or a run names it.
    """
    return ", ".join(EVENTS.get(kind, kind.replace("_", " ")) for kind in str(event).split("+"))


def number(value: float | None, places: int = 1, signed: bool = False) -> str:
    """A number with a true minus sign, or a dash when there is none.

    Examples
    --------
    >>> number(-1.64), number(None), number(1.0, signed=True)
    ('−1.6', '–', '+1.0')
    """
    if value is None or math.isnan(value):
        return NONE
    text = f"{value:{'+' if signed else ''}.{places}f}"
    if float(text) == 0:
        text = text.lstrip("+-")
    return text.replace("-", MINUS)


def interval(low: float | None, high: float | None, places: int = 1, signed: bool = True) -> str:
    """An interval, ``-2.5 to -0.7`` with true minus signs, or a dash."""
    if low is None or high is None:
        return NONE
    return f"{number(low, places, signed)} to {number(high, places, signed)}"


def clock(flight_s: float | None) -> str:
    """A time on the flight clock, or a dash.

    Parameters
    ----------
    flight_s : float or None
        Time since recording began [s].
    """
    return NONE if flight_s is None else flight_time(flight_s)


def call_words(call: ReviewedCall) -> str:
    """What a call stands for now, in words."""
    if call.kind is CallKind.AIRSPEED:
        return f"{_plain(call.value)} {call.unit or ''}".strip()
    name = str(call.name).replace("_", " ")
    if call.value is None:
        return name
    return f"{name} {_plain(call.value)} {call.unit or ''}".strip()


def heard_words(call: ReviewedCall) -> str:
    """What the machine heard, when that differs from what holds now; else empty."""
    if call.heard is None:
        return "not heard by the machine"
    if (call.heard.kind, call.heard.name, call.heard.value) == (call.kind, call.name, call.value):
        return ""
    name = "" if call.heard.kind is CallKind.AIRSPEED else call.heard.name.replace("_", " ") + " "
    return f"heard as {name}{_plain(call.heard.value)}".strip()


def count(n: int, one: str, many: str = "") -> str:
    """A number of things: ``1 run``, ``3 runs``.

    Parameters
    ----------
    many : str
        Word for more; an s is put to `one` if empty.
    """
    return f"{n} {one if n == 1 else (many or one + 's')}"


def _plain(value) -> str:
    if value is None:
        return ""
    return f"{value:g}".replace("-", MINUS) if isinstance(value, (int, float)) else str(value)


def tally(drops: Sequence[tuple[str, int]]) -> str:
    """Wing drops in words: ``left 1, right 2, none 0``."""
    return ", ".join(f"{name} {n}" for name, n in drops)


@dataclass(frozen=True, slots=True)
class Units:
    """What the pilot reads and the owner weighs in: for speeds, their differences and rates, and for weights."""

    speed_unit: str = "kt"
    weight_unit: str = "kg"
    reference_weight_kg: float | None = None

    @property
    def reference_weight(self) -> str:
        """``600 kg``; empty where there is none."""
        return f"{self.weight(self.reference_weight_kg)} {self.weight_unit}" if self.reference_weight_kg else ""

    @property
    def rate_unit(self) -> str:
        """Of entry rates: ``kt/s``."""
        return f"{self.speed_unit}/s"

    def speed(self, speed_kt: float) -> float:
        """A speed, a difference of speeds or a rate, from knots [kt]."""
        return from_kt(speed_kt, self.speed_unit)

    def text(self, speed_kt: float | None, places: int = 1, signed: bool = False) -> str:
        """The same as text without its unit; a dash for None [kt]."""
        return number(None if speed_kt is None else self.speed(speed_kt), places, signed)

    def span(self, low_kt: float | None, high_kt: float | None, places: int = 1, signed: bool = True) -> str:
        """An interval, ``-2.5 to -0.7``; a dash where an end is missing [kt]."""
        if low_kt is None or high_kt is None:
            return number(None)
        return f"{self.text(low_kt, places, signed)} to {self.text(high_kt, places, signed)}"

    def weight(self, weight_kg: float | None) -> str:
        """A weight as text without its unit; a dash for None [kg]."""
        per_unit = KG_PER_LB if self.weight_unit == "lb" else 1.0
        return number(None if weight_kg is None else weight_kg / per_unit, 0)

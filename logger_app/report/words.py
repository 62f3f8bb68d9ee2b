"""Numbers and codes to the words of the report: one way to write each, used by page, figures and PDF."""

from __future__ import annotations

import math

from logger_app.domain.times import flight_time
from logger_app.records.calls import CallKind, ReviewedCall
from logger_app.records.results import Comparison
from logger_app.units import from_kt

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
    "raw": "as flown, at the reference weight",
    "sqrt_cos": "brought to wings level with \N{SQUARE ROOT}cos of the bank, at the reference weight",
    "measured_nz": "brought to 1 g with the measured load factor, at the reference weight",
}
METHODS = {"fit": "fit of the approach at the event", "lowest": "lowest steady call"}
STATUS = {
    "heard": "heard, not reviewed",
    "confirmed": "confirmed",
    "corrected": "corrected",
    "rejected": "rejected",
    "added": "added by hand",
}
VERDICTS = {"lower": "lower", "higher": "higher", "not shown": "not shown", "not comparable": "not comparable"}


def printable(text: str) -> str:
    """Text without the control characters that neither HTML nor XML may hold.

    Returns
    -------
    str
        The same without them; line breaks and tabs stay.
    """
    return text.translate(_CONTROLS)


def sentence(comparison: Comparison, changed: str) -> str:
    """A comparison as a sentence about the changed configuration."""
    words = comparison.words.replace("-", MINUS) if comparison.verdict == "not shown" else comparison.words
    lead = {"lower": "stalls ", "higher": "stalls ", "not shown": "a difference is "}.get(comparison.verdict, "")
    return f"{changed}: {lead}{words.rstrip('.')}."


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
    """An interval, ``−2.5 to −0.7``, or a dash."""
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


def indicated(ias_kt: float | None, unit: str, places: int = 1) -> str:
    """An indicated airspeed in the pilot's unit, without the unit's name.

    Parameters
    ----------
    ias_kt : float | None
        Indicated airspeed, or None [kt].
    """
    return number(None if ias_kt is None else from_kt(ias_kt, unit), places)


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


def tally(drops: tuple[tuple[str, int], ...]) -> str:
    """Wing drops in words: ``left 1, right 2, none 0``."""
    return ", ".join(f"{name} {n}" for name, n in drops)

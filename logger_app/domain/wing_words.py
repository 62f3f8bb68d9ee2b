"""What a wing map says at a station, short and in full: the same on the screen, in the report and on the terminal. Pure.

Main names: `first_words`, `difference_words`, `map_cell`, `difference_cell`, `ASSIST_LIMITS`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from logger_app.domain.tufts import Bracket, FirstSeparated, StationDifference, WingMap
from logger_app.units import from_kt

ASSIST_LIMITS = (
    "States marked ? are proposals of the tuft assist that nobody has confirmed. The assist was measured on drawn "
    "tufts only, never on film of a real wing."
)


def first_words(first: FirstSeparated, unit: str) -> tuple[str, str]:
    """When a station first separated.

    Returns
    -------
    tuple of (str, str)
        ``52-56``, ``<46`` (below 46, if at all), ``>54`` (at 54 or faster), ``after`` (the stall), ``!`` (people
        disagree) or ``-`` (not seen); and the same in words.
    """
    end = " (only proposed)" if first.proposed else ""
    if first.disputed:
        end += (
            f"; observers disagree on {first.disputed} look{'s' if first.disputed > 1 else ''}, left out until settled"
        )
    if not first.runs:
        return ("!" if first.disputed else "-"), f"not seen{end}"
    short = _span(first.low_kt, first.high_kt, unit)
    if first.after == len(first.runs):
        short = "after"
    if len(first.runs) == 1:
        return short, _run_words(first.runs[0], unit) + end
    count = f"{len(first.runs)} runs"
    parts = []
    if first.separated == 0:
        parts.append(f"not separated down to {_speed(first.high_kt, unit)} {unit} in {count}")
    elif first.after == len(first.runs):
        parts.append(f"separated after the stall in {count}")
    elif first.low_kt is not None and first.high_kt is not None:
        low, high = _speed(first.low_kt, unit), _speed(first.high_kt, unit)
        parts.append(f"first separated between {low} and {high} {unit}, mean of {count}")
    else:
        parts.append(f"separated in {first.separated} of {count}")
        parts.append("; ".join(_run_words(one, unit) for one in first.runs))
    if first.after and first.after < len(first.runs):
        parts.append(f"after the stall in {first.after}")
    if first.sd_kt is not None:
        parts.append(f"run to run {from_kt(first.sd_kt, unit):.1f} {unit} (standard deviation)")
    return short, ", ".join(parts) + end


def difference_words(difference: StationDifference, changed: str, unit: str) -> tuple[str, str]:
    """How much slower or faster a station first separates, as a bracket.

    Returns
    -------
    tuple of (str, str)
        ``-6..-1``, ``<-3`` (slower by more than 3), ``>+2`` or ``-`` (no bound); and the same in words.
    """
    end = " (only proposed)" if difference.proposed else ""
    low, high = difference.low_kt, difference.high_kt
    if low is None and high is None:
        return "-", f"cannot be compared: no bound{end}"
    if low is None and high is not None:
        by = round(from_kt(high, unit))
        if by <= 0:
            return f"<{by:+d}", f"separates more than {abs(by)} {unit} slower with {changed}{end}"
        return f"<{by:+d}", f"separates slower, or up to {by} {unit} faster, with {changed}{end}"
    if high is None and low is not None:
        by = round(from_kt(low, unit))
        if by >= 0:
            return f">{by:+d}", f"separates more than {by} {unit} faster with {changed}{end}"
        return f">{by:+d}", f"separates faster, or up to {abs(by)} {unit} slower, with {changed}{end}"
    a, b = round(from_kt(low or 0.0, unit)), round(from_kt(high or 0.0, unit))
    short = f"{a:+d}..{b:+d}"
    if difference.shown:
        near, far = sorted((abs(a), abs(b)))
        return short, f"separates {near} to {far} {unit} {'slower' if b <= 0 else 'faster'} with {changed}{end}"
    return short, f"no difference shown: {a:+d} to {b:+d} {unit} with {changed}{end}"


def _run_words(one: Bracket, unit: str) -> str:
    attached, separated = _speed(one.attached_kt, unit), _speed(one.separated_kt, unit)
    if one.after:
        return f"attached at {attached} {unit}, separated after the stall" if attached else "separated after the stall"
    if not one.separated:
        return f"not separated down to {attached} {unit}" if attached else "not separated after the stall"
    if not attached:
        return f"separated at {separated} {unit}, not seen before"
    return f"attached at {attached}, separated at {separated} {unit}"


def _span(low_kt: float | None, high_kt: float | None, unit: str) -> str:
    low, high = _speed(low_kt, unit), _speed(high_kt, unit)
    if low and high:
        return low if low == high else f"{low}-{high}"
    return f"<{high}" if high else f">{low}" if low else "-"


def _speed(kt: float | None, unit: str) -> str:
    return "" if kt is None else f"{from_kt(kt, unit):.0f}"


@dataclass(frozen=True, slots=True, kw_only=True)
class MapCell:
    """A station on a drawn map.

    `tone` 0 to 3 is drawn as colour and as pattern: how early it separates, or how large the difference is; None
    where that is not known. `kind` of a first separation: ``bracket``, ``below``, ``above``, ``after``, ``disputed`` or
    ``unseen``; of a difference: ``slower``, ``faster``, ``none`` or ``unseen``.
    """

    words: str
    kind: str
    tone: int | None = None
    proposed: bool = False


def map_cell(first: FirstSeparated, maps: Sequence[WingMap], unit: str) -> MapCell:
    """How a station's first separation is drawn, on one scale with those of all `maps`."""
    known = [at for one in maps for f in one.first if (at := _middle(f)) is not None]
    at = _middle(first)
    tone = None
    if at is not None:
        tone = round(3 * (at - min(known)) / max(max(known) - min(known), 3.0))
    kinds = (
        ("disputed", bool(first.disputed) and not first.runs),
        ("unseen", not first.runs),
        ("after", first.after == len(first.runs)),
        ("below", first.low_kt is None),
        ("above", first.high_kt is None),
        ("bracket", True),
    )
    kind = next(name for name, holds in kinds if holds)
    words = first_words(first, unit)[0] + ("!" if first.disputed and first.runs else "")
    return MapCell(words=words, kind=kind, tone=tone, proposed=first.proposed)


def difference_cell(difference: StationDifference, unit: str) -> MapCell:
    """How a difference is drawn."""
    by = difference.low_kt if difference.high_kt is None else difference.high_kt
    by = by if difference.middle_kt is None else difference.middle_kt
    kind = "unseen" if by is None else "none" if not difference.shown else "slower" if by < 0 else "faster"
    tone = min(3, 1 + int(abs(by) / 3)) if by is not None and difference.shown else None
    return MapCell(words=difference_words(difference, "", unit)[0], kind=kind, tone=tone, proposed=difference.proposed)


def _middle(first: FirstSeparated) -> float | None:
    if first.low_kt is not None and first.high_kt is not None:
        return (first.low_kt + first.high_kt) / 2
    return first.low_kt

"""What stands at a station of a wing map, short and in full: the same on the screen, in the report and on the terminal.

Main names: `first_words`, `difference_words`. Pure.
"""

from __future__ import annotations

from logger_app.sync.tufts import FirstSeparated, SpanMap, StationDifference
from logger_app.units import from_kt


def first_words(first: FirstSeparated, unit: str) -> tuple[str, str]:
    """When a station first separated.

    Returns
    -------
    tuple of (str, str)
        ``47``, ``<46`` (not separated down to 46) or ``-``; and the same in words.
    """
    guessed = " (only proposed)" if first.proposed else ""
    if first.ias_kt is not None:
        speed = f"{from_kt(first.ias_kt, unit):.0f}"
        return speed, f"first separated at {speed} {unit}{guessed}"
    if first.clear_kt is not None:
        speed = f"{from_kt(first.clear_kt, unit):.0f}"
        return f"<{speed}", f"not separated down to {speed} {unit}"
    return "-", "not seen"


def difference_words(difference: StationDifference, reference: SpanMap, changed: SpanMap, unit: str) -> tuple[str, str]:
    """How much slower or faster a station first separates; a bound where one of the two was never seen to.

    Returns
    -------
    tuple of (str, str)
        ``-4``, ``<-3`` (slower by more than 3), ``>+2`` or ``-``; and the same in words.
    """
    guessed = " (only proposed)" if difference.proposed else ""
    if difference.difference_kt is not None:
        by = round(from_kt(difference.difference_kt, unit))
        if not by:
            return "0", f"separates at the same speed{guessed}"
        return (
            f"{by:+d}",
            f"separates {abs(by)} {unit} {'slower' if by < 0 else 'faster'} with {changed.configuration}{guessed}",
        )
    a, b = (next((f for f in one.first if f.station == difference.station), None) for one in (reference, changed))
    for known, other, sign in ((a, b, "<"), (b, a, ">")):
        if (
            known
            and other
            and known.ias_kt is not None
            and other.ias_kt is None
            and other.clear_kt is not None
            and other.clear_kt <= known.ias_kt
        ):
            by = round(from_kt(other.clear_kt - known.ias_kt, unit) * (1 if sign == "<" else -1))
            slower = "slower" if sign == "<" else "faster"
            return (
                f"{sign}{by:+d}" if by else f"{sign}0",
                f"separates more than {abs(by)} {unit} {slower} with {changed.configuration}{guessed}",
            )
    said = []
    for one, first in ((reference, a), (changed, b)):
        said.append(f"{one.configuration}: {first_words(first, unit)[1] if first else 'not seen'}")
    return "-", "; ".join(said)

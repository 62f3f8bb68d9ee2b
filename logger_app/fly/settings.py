"""What was set, as spoken, and which test points it fits. Pure.

Not for: the assignment that counts (`review.runs`), which sees the whole flight; this one only
keeps the right card on the screen while flying.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from logger_app.records.calls import HeardCall
from logger_app.records.plan import TestPoint
from logger_app.records.runs import Settings

# How far a spoken setting may be from the card and still be it (common practice, no source:
# a tachometer is read to 50 rpm, a bank to 5 deg).
RPM_TOLERANCE = 75.0
PCT_TOLERANCE = 5.0
FLAP_TOLERANCE_DEG = 1.5
BANK_TOLERANCE_DEG = 7.5


def with_setting(settings: Settings, call: HeardCall) -> Settings:
    """The settings after one was spoken.

    Parameters
    ----------
    call : HeardCall
        A setting; names other than flap, power, bank, altitude, fuel change nothing.
    """
    value = call.value
    number = float(value) if isinstance(value, (int, float)) else None
    if call.name == "power":
        if isinstance(value, str):
            return replace(settings, power=value, power_rpm=None, power_pct=None)
        if number is None:
            return settings
        if call.unit == "%":
            return replace(settings, power=f"{number:g} %", power_rpm=None, power_pct=number)
        return replace(settings, power=f"{number:g} rpm", power_rpm=number, power_pct=None)
    if call.name == "flap" and isinstance(value, str):
        return replace(settings, flap_deg=None)  # moved to a setting whose degrees the campaign does not name
    if number is None:
        return settings
    field = {"flap": "flap_deg", "bank": "bank_deg", "altitude": "altitude_ft", "fuel": "fuel_l"}.get(call.name)
    return replace(settings, **{field: number}) if field else settings


def for_new_card(settings: Settings) -> Settings:
    """What still holds on the next card: altitude and fuel; power, flap and bank are set anew."""
    return Settings(altitude_ft=settings.altitude_ft, fuel_l=settings.fuel_l)


def contradictions(point: TestPoint, settings: Settings) -> tuple[str, ...]:
    """What was said that is not on the card: any of ``power``, ``flap``, ``bank``."""
    wrong = []
    if settings.power is not None and not _power_fits(point, settings):
        wrong.append("power")
    if settings.flap_deg is not None and abs(settings.flap_deg - point.flap_deg) > FLAP_TOLERANCE_DEG:
        wrong.append("flap")
    if settings.bank_deg is not None and abs(settings.bank_deg - point.bank_deg) > BANK_TOLERANCE_DEG:
        wrong.append("bank")
    return tuple(wrong)


def the_point_for(points: Sequence[TestPoint], settings: Settings) -> TestPoint | None:
    """The one point that fits what was said, or None where none or several do.

    Returns
    -------
    TestPoint or None
        The point; wings level is understood where no bank was said.
    """
    fits = [point for point in points if not contradictions(point, settings)]
    if settings.bank_deg is None:
        fits = [point for point in fits if point.bank_deg == 0] or fits
    return fits[0] if len(fits) == 1 else None


def _power_fits(point: TestPoint, settings: Settings) -> bool:
    if settings.power_rpm is not None:
        return point.power_rpm is not None and abs(point.power_rpm - settings.power_rpm) <= RPM_TOLERANCE
    if settings.power_pct is not None:
        return point.power_pct is not None and abs(point.power_pct - settings.power_pct) <= PCT_TOLERANCE
    return point.power == settings.power

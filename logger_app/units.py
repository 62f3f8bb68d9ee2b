"""Unit conversions, used once, at the edges; inside, one unit a quantity (knots, feet, kilograms).

Not for: formulas of flight (see `reduce`). Each constant names its source. The tests compare
every one with `pint`, an independent library.
"""

from __future__ import annotations

from typing import NewType

IasKt = NewType("IasKt", float)
CasKt = NewType("CasKt", float)
EasKt = NewType("EasKt", float)
TasKt = NewType("TasKt", float)

# International nautical mile 1852 m exactly (BIPM SI brochure, 8th ed., table 8); foot 0.3048 m
# and mile 1609.344 m exactly (international yard and pound agreement, 1959).
M_PER_NMI = 1852.0
M_PER_FT = 0.3048
M_PER_MILE = 1609.344
KT_PER_MPH = M_PER_MILE / M_PER_NMI
KT_PER_KMH = 1000.0 / M_PER_NMI
KT_PER_MPS = 3600.0 / M_PER_NMI
# Avoirdupois pound 0.45359237 kg exactly (same agreement); US gallon 231 in3.
KG_PER_LB = 0.45359237
# Conventional inch of mercury: 25.4 mm of 133.322387415 Pa (ISO 80000-4; NIST SP 811 rounds it to 3386.389 Pa).
HPA_PER_INHG = 25.4 * 1.33322387415
L_PER_USGAL = 231 * 2.54**3 / 1000.0
# Standard acceleration of gravity, CGPM 1901.
G0_MPS2 = 9.80665
NS_PER_S = 1_000_000_000
# Sound inside the program: mono, 16 bit, at the rate that the recognisers take [Hz].
RATE_HZ = 16_000

AIRSPEED_UNITS = {"kt": 1.0, "mph": KT_PER_MPH, "km/h": KT_PER_KMH}


def to_kt(speed: float, unit: str) -> float:
    """Airspeed in the indicator's unit to knots.

    Returns
    -------
    float
        Airspeed [kt].

    Raises
    ------
    ValueError
        The unit is not one of the three.

    Examples
    --------
    >>> round(to_kt(100, "mph"), 3), round(to_kt(100, "km/h"), 3)
    (86.898, 53.996)
    """
    return speed * _factor(unit)


def from_kt(speed_kt: float, unit: str) -> float:
    """Knots to the indicator's unit; the inverse of `to_kt`."""
    return speed_kt / _factor(unit)


def speed_text(speed_kt: float, unit: str, form: str = ".1f") -> str:
    """A speed, a difference of speeds or a scatter with its unit, as the pilot reads it [kt].

    Examples
    --------
    >>> speed_text(2.0, "kt", "g"), speed_text(-1.0, "mph", "+.1f")
    ('2 kt', '-1.2 mph')
    """
    return f"{from_kt(speed_kt, unit):{form}} {unit}"


def _factor(unit: str) -> float:
    try:
        return AIRSPEED_UNITS[unit]
    except KeyError:
        allowed = ", ".join(AIRSPEED_UNITS)
        raise ValueError(f"airspeed unit {unit!r} is not known; allowed: {allowed}") from None


def ns_to_s(ns: int) -> float:
    """Nanoseconds on a clock to seconds."""
    return ns / NS_PER_S


def s_to_ns(seconds: float) -> int:
    """Seconds to nanoseconds, rounded."""
    return round(seconds * NS_PER_S)

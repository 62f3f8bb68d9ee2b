"""Unit constants against pint."""

import pint
import pytest

from logger_app import units

UREG = pint.UnitRegistry()


@pytest.mark.parametrize(
    "constant, expression, to",
    [
        (units.M_PER_NMI, "1 nautical_mile", "m"),
        (units.M_PER_FT, "1 foot", "m"),
        (units.M_PER_MILE, "1 mile", "m"),
        (units.KT_PER_MPH, "1 mile/hour", "knot"),
        (units.KT_PER_KMH, "1 km/hour", "knot"),
        (units.KT_PER_MPS, "1 m/s", "knot"),
        (units.KG_PER_LB, "1 pound", "kg"),
        (units.L_PER_USGAL, "1 US_liquid_gallon", "liter"),
        (units.G0_MPS2, "1 standard_gravity", "m/s**2"),
    ],
)
def test_constants_agree_with_pint(constant, expression, to):
    assert constant == pytest.approx(UREG(expression).to(to).magnitude, rel=1e-12)


def test_certification_speeds_in_two_units():
    # CS-VLA 201(c): 1.9 km/h per s is 1 kt/s; CS-VLA: 83 km/h is 45 kt; printed rounded. CS 22.201(a)
    # says about 2 km/h per s, the same rate.
    assert units.from_kt(1, "km/h") == pytest.approx(1.9, abs=0.05)
    assert units.from_kt(45, "km/h") == pytest.approx(83, abs=0.5)
    assert units.to_kt(2, "km/h") == pytest.approx(1, abs=0.1)

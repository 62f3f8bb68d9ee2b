"""Every conversion constant against pint, an independent library, and there-and-back."""

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger_app import units

U = pint.UnitRegistry()


@pytest.mark.parametrize(
    ("ours", "theirs"),
    [
        (units.KT_PER_MPH, U("mile/hour").to("knot").magnitude),
        (units.KT_PER_KMH, U("km/hour").to("knot").magnitude),
        (units.KT_PER_MPS, U("m/s").to("knot").magnitude),
        (units.M_PER_FT, U("foot").to("m").magnitude),
        (units.M_PER_NMI, U("nautical_mile").to("m").magnitude),
        (units.KG_PER_LB, U("pound").to("kg").magnitude),
        (units.HPA_PER_INHG, U("inch_Hg").to("hPa").magnitude),
        (units.L_PER_USGAL, U("gallon").to("liter").magnitude),
        (units.G0_MPS2, U("standard_gravity").to("m/s**2").magnitude),
    ],
)
def test_constants_agree_with_pint(ours, theirs):
    assert ours == pytest.approx(theirs, rel=1e-12)


@given(st.floats(0, 500), st.sampled_from(sorted(units.AIRSPEED_UNITS)))
def test_there_and_back(speed, unit):
    assert units.from_kt(units.to_kt(speed, unit), unit) == pytest.approx(speed, abs=1e-9)


@given(st.integers(0, 10**15))
def test_nanoseconds_survive_as_seconds_within_half_a_microsecond(ns):
    assert abs(units.s_to_ns(units.ns_to_s(ns)) - ns) < 500


def test_an_unknown_unit_names_the_allowed_ones():
    with pytest.raises(ValueError, match="kt, mph, km/h"):
        units.to_kt(1.0, "knots")

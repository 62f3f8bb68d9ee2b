"""Which card fits what was said: each tolerance to its last value, and what is set anew on a new card."""

import pytest

from logger_app.fly.settings import contradictions, for_new_card, the_point_for, with_setting
from logger_app.records.calls import CallKind, HeardCall
from logger_app.records.plan import TestPoint
from logger_app.records.runs import Settings

IDLE = TestPoint(id="A1", card="A", flap_deg=15.0, bank_deg=-30.0)
RPM = TestPoint(id="B1", card="B", power="2100 rpm", power_rpm=2100.0)
PCT = TestPoint(id="B2", card="B", power="60 %", power_pct=60.0)


def setting(name, value, unit=None):
    return HeardCall(id="c1", start_ns=0, end_ns=1, kind=CallKind.SETTING, name=name, value=value, unit=unit)


@pytest.mark.parametrize(
    "name, value, unit, expected",
    [
        ("flap", 15, None, Settings(flap_deg=15.0)),
        ("bank", -30, "deg", Settings(bank_deg=-30.0)),
        ("altitude", 6200, "ft", Settings(altitude_ft=6200.0)),
        ("fuel", 40.5, "l", Settings(fuel_l=40.5)),
        ("power", "idle", None, Settings(power="idle")),
        ("power", 2100, "rpm", Settings(power="2100 rpm", power_rpm=2100.0)),
        ("power", 60, "%", Settings(power="60 %", power_pct=60.0)),
        ("power", None, None, Settings()),
        ("flap", None, None, Settings()),
        ("flap", "up", None, Settings()),
        ("trim", 3, None, Settings()),
    ],
)
def test_what_a_spoken_setting_sets(name, value, unit, expected):
    assert with_setting(Settings(), setting(name, value, unit)) == expected


def test_a_new_power_takes_the_place_of_the_old_in_every_form():
    percent = with_setting(Settings(power="2100 rpm", power_rpm=2100.0), setting("power", 60, "%"))
    idle = with_setting(percent, setting("power", "idle"))

    assert (percent.power, percent.power_rpm, percent.power_pct) == ("60 %", None, 60.0)
    assert (idle.power, idle.power_rpm, idle.power_pct) == ("idle", None, None)
    assert with_setting(percent, setting("power", 2100, "rpm")).power_pct is None


def test_height_and_fuel_stay_on_a_new_card():
    held = Settings(power="idle", flap_deg=15.0, bank_deg=30.0, altitude_ft=6000.0, fuel_l=40.0)

    assert for_new_card(held) == Settings(altitude_ft=6000.0, fuel_l=40.0)


@pytest.mark.parametrize(
    "point, said, wrong",
    [
        (IDLE, Settings(), ()),
        (IDLE, Settings(power="idle"), ()),
        (IDLE, Settings(power="2100 rpm", power_rpm=2100.0), ("power",)),
        (IDLE, Settings(power="60 %", power_pct=60.0), ("power",)),
        (RPM, Settings(power="idle"), ("power",)),
        (RPM, Settings(power="60 %", power_pct=60.0), ("power",)),
        (PCT, Settings(power="2100 rpm", power_rpm=2100.0), ("power",)),
        # A tachometer is read to 50 rpm, a bank to 5 deg: within one and a half of that it is the card's.
        (RPM, Settings(power="x", power_rpm=2175.0), ()),
        (RPM, Settings(power="x", power_rpm=2025.0), ()),
        (RPM, Settings(power="x", power_rpm=2176.0), ("power",)),
        (RPM, Settings(power="x", power_rpm=2024.0), ("power",)),
        (PCT, Settings(power="x", power_pct=65.0), ()),
        (PCT, Settings(power="x", power_pct=55.0), ()),
        (PCT, Settings(power="x", power_pct=65.5), ("power",)),
        (PCT, Settings(power="x", power_pct=54.5), ("power",)),
        (IDLE, Settings(flap_deg=16.5), ()),
        (IDLE, Settings(flap_deg=13.5), ()),
        (IDLE, Settings(flap_deg=16.6), ("flap",)),
        (IDLE, Settings(flap_deg=13.4), ("flap",)),
        (IDLE, Settings(bank_deg=-37.5), ()),
        (IDLE, Settings(bank_deg=-22.5), ()),
        (IDLE, Settings(bank_deg=-37.6), ("bank",)),
        (IDLE, Settings(bank_deg=30.0), ("bank",)),
        (IDLE, Settings(power="full", flap_deg=0.0, bank_deg=0.0), ("power", "flap", "bank")),
    ],
)
def test_what_was_said_that_is_not_on_the_card(point, said, wrong):
    assert contradictions(point, said) == wrong


def test_one_point_that_fits_is_the_point_and_several_are_none():
    level, banked = TestPoint(id="L", card="A"), TestPoint(id="R", card="A", bank_deg=30.0)
    other = TestPoint(id="F", card="A", flap_deg=15.0)

    assert the_point_for([level, banked, other], Settings(flap_deg=0.0)) is level  # no bank said: wings level
    assert the_point_for([level, banked, other], Settings(flap_deg=0.0, bank_deg=30.0)) is banked
    assert the_point_for([level, other], Settings()) is None
    assert the_point_for([banked, other], Settings(flap_deg=0.0)) is banked  # the only one, although banked
    assert the_point_for([level], Settings(flap_deg=40.0)) is None
    assert the_point_for([], Settings()) is None

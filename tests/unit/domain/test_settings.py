"""The memory of settings: tolerances to the last value, what is believed, what a new card and a run change."""

from dataclasses import replace

import pytest

from logger_app.domain.settings import (
    Memory,
    Possible,
    approach_flown,
    approach_given_up,
    card_shown,
    contradicted_items,
    setting_called,
    value_fits,
)
from logger_app.records.calls import CallKind, CallStatus, Flag, HeardCall, ReviewedCall
from logger_app.records.plan import TestPoint
from logger_app.records.runs import Settings
from logger_app.units import s_to_ns

IDLE = TestPoint(id="A1", card="A", flap_deg=15.0, bank_deg=-30.0)
RPM = TestPoint(id="B1", card="B", power="2100 rpm", power_rpm=2100.0)
PCT = TestPoint(id="B2", card="B", power="60 %", power_pct=60.0)
ANY = Possible()
EMPTY = Memory()
THIS = Possible(points=(IDLE, RPM), flaps_deg=(0.0, 15.0, 40.0), fuel_capacity_l=60.0)


def setting(name, value, unit=None, at_s=1.0, **over):
    call = HeardCall(
        id=f"c{at_s:g}",
        start_ns=s_to_ns(at_s),
        end_ns=s_to_ns(at_s + 1),
        kind=CallKind.SETTING,
        name=name,
        value=value,
        unit=unit,
    )
    return replace(call, **over)


def memory(*calls, possible=ANY, start=EMPTY):
    for call in calls:
        start = setting_called(start, call, possible)
    return start


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
    assert memory(setting(name, value, unit)).settings() == expected


def test_a_new_power_takes_the_place_of_the_old_in_every_form():
    percent = memory(setting("power", 2100, "rpm"), setting("power", 60, "%"))
    idle = memory(setting("power", "idle"), start=percent)

    assert percent.settings() == Settings(power="60 %", power_pct=60.0)
    assert idle.settings() == Settings(power="idle")


@pytest.mark.parametrize(
    "point, item, value, unit, fits",
    [
        (IDLE, "power", "idle", None, True),
        (IDLE, "power", 2100.0, "rpm", False),
        (IDLE, "power", 60.0, "%", False),
        (RPM, "power", "idle", None, False),
        (RPM, "power", 60.0, "%", False),
        (PCT, "power", 2100.0, "rpm", False),
        # A tachometer is read to 50 rpm, a bank to 5 deg: within one and a half of that it is the card's.
        (RPM, "power", 2175.0, "rpm", True),
        (RPM, "power", 2025.0, None, True),
        (RPM, "power", 2176.0, "rpm", False),
        (RPM, "power", 2024.0, "rpm", False),
        (PCT, "power", 65.0, "%", True),
        (PCT, "power", 55.0, "%", True),
        (PCT, "power", 65.5, "%", False),
        (PCT, "power", 54.5, "%", False),
        (IDLE, "flap", 16.5, None, True),
        (IDLE, "flap", 13.5, None, True),
        (IDLE, "flap", 16.6, None, False),
        (IDLE, "flap", 13.4, None, False),
        (IDLE, "bank", -37.5, None, True),
        (IDLE, "bank", -22.5, None, True),
        (IDLE, "bank", -37.6, None, False),
        (IDLE, "bank", 30.0, None, False),
    ],
)
def test_how_far_what_was_said_may_be_from_the_card(point, item, value, unit, fits):
    assert value_fits(item, value, unit, point) is fits


@pytest.mark.parametrize(
    "call, why",
    [
        (setting("power", 65.0, "%"), "no test point has power 65 %"),  # "sixty five percent humidity"
        (setting("power", 5500.0, "rpm"), "no test point has power 5500 rpm"),  # a radio call
        (setting("power", "full"), "no test point has power full"),
        (setting("flap", 25.0, "deg"), "this aircraft has no flap 25"),
        (setting("bank", 45.0, "deg"), "no test point has bank 45 right"),
        (setting("fuel", 90.0, "L"), "90 L is more than the tanks hold (60 L)"),
        (setting("power", 2100.0, "rpm", posterior=0.5), "low confidence (50 %)"),
        (setting("power", 2100.0, "rpm", flags=(Flag.IN_TALK,)), "said within a sentence"),
    ],
)
def test_a_setting_that_the_campaign_has_no_use_for_is_kept_and_not_applied(call, why):
    before = memory(setting("power", "idle"), setting("flap", 15.0), setting("fuel", 50.0), possible=THIS)
    after = setting_called(before, call, THIS)

    assert after.settings() == before.settings()
    assert [(doubt.call, doubt.why) for doubt in after.doubts] == [(call.id, why)]


@pytest.mark.parametrize(
    "call",
    [
        setting("power", 2100.0, "rpm"),
        setting("flap", 40.0, "deg"),  # the aircraft has it, whatever the cards ask for
        setting("bank", 0.0, "deg"),
        setting("fuel", 45.0, "L"),
    ],
)
def test_a_setting_that_may_be_is_applied(call):
    assert setting_called(Memory(), call, THIS).doubts == ()


def test_a_confirmed_setting_is_applied_whatever_the_campaign_has():
    call = ReviewedCall(
        id="c1",
        flight_ns=0,
        end_ns=1,
        kind=CallKind.SETTING,
        name="power",
        value=65.0,
        unit="%",
        status=CallStatus.CONFIRMED,
    )

    assert setting_called(Memory(), call, THIS).settings().power_pct == 65.0


def test_fuel_does_not_grow_in_flight():
    after = memory(setting("fuel", 40.0, "L"), setting("fuel", 55.0, "L", at_s=9), possible=THIS)

    assert after.settings().fuel_l == 40.0
    assert after.doubts[0].why == "55 L is more than was aboard before (40 L)"


def test_a_bank_without_a_side_is_on_the_side_that_is_flown():
    said = memory(setting("bank", 30.0, "deg", words="bank thirty"), possible=THIS)
    right = memory(setting("bank", 30.0, "deg", words="bank thirty right"), possible=THIS)

    assert said.settings().bank_deg == -30.0
    assert right.settings().bank_deg is None and right.doubts


def test_a_card_asks_for_its_own_settings_and_forgets_none():
    said = memory(setting("flap", 15.0, at_s=1))
    shown = card_shown(said, "B1", s_to_ns(10), by_pilot=True)

    assert shown.settings() == said.settings()
    assert contradicted_items(RPM, said) == ("flap",)
    assert contradicted_items(RPM, shown) == ()
    assert contradicted_items(RPM, memory(setting("flap", 15.0, at_s=12), start=shown)) == ("flap",)


def test_what_was_set_up_since_the_last_run():
    flown = approach_flown(memory(setting("power", "idle"), setting("flap", 15.0)), s_to_ns(15))
    again = memory(setting("flap", 15.0, at_s=20), start=flown)
    other = memory(setting("flap", 0.0, at_s=20), start=again)

    assert (flown.changed, flown.repeated) == (False, False)
    assert (again.changed, again.repeated) == (False, True)
    assert (other.changed, other.repeated) == (True, True)


def test_what_is_said_in_an_approach_counts_where_nothing_else_was_said_and_holds_afterwards():
    before = memory(setting("power", "idle"))
    late = setting_called(before, setting("bank", -30.0, at_s=9), ANY, in_approach=True)
    late = setting_called(late, setting("power", 2100.0, "rpm", at_s=10), ANY, in_approach=True)

    assert late.settings() == Settings(power="idle", bank_deg=-30.0)
    assert approach_flown(late, 0).settings().power_rpm == approach_given_up(late).settings().power_rpm == 2100.0

"""Which point the settings make: said, on the card, older; never guessed where two fit as well."""

import dataclasses
from dataclasses import replace

import pytest

from logger_app.domain.points import named_point, next_point, place, point_to_show, points_for
from logger_app.domain.settings import (
    BankLeft,
    Evidence,
    Known,
    Memory,
    Possible,
    approach_flown,
    card_shown,
    setting_called,
)
from logger_app.records.calls import CallKind, HeardCall
from logger_app.records.plan import Aircraft, Campaign, Loading, PlannedFlight, TestCard, TestPoint
from logger_app.units import s_to_ns

POINTS = (
    TestPoint(id="A1", card="A"),
    TestPoint(id="A2", card="A", flap_deg=20),
    TestPoint(id="B1", card="B", power="2100 rpm", power_rpm=2100.0),
    TestPoint(id="D1", card="D", bank_deg=-30),
    TestPoint(id="D2", card="D", flap_deg=20, bank_deg=-30),
)


def say(memory, name, value, at_s=1.0, unit=None, posterior=0.99):
    call = HeardCall(
        id=f"{name}{at_s:g}",
        start_ns=s_to_ns(at_s),
        end_ns=s_to_ns(at_s + 1),
        kind=CallKind.SETTING,
        name=name,
        value=value,
        unit=unit,
        posterior=posterior,
    )
    return setting_called(memory, call, Possible(points=POINTS))


def said(**values):
    memory = Memory()
    for name, value in values.items():
        memory = say(memory, name, value)
    return memory


def test_everything_said_is_sure():
    placed = place(POINTS, said(power="idle", flap=20.0, bank=-30.0))

    assert (placed.point, placed.sure) == ("D2", True)
    assert placed.why == "power idle called, flap 20 called, bank 30 left called"


def test_wings_level_is_likely_and_not_sure_where_no_bank_was_said():
    """A missed "bank thirty left" put turning stalls into the level point, counted and unqueued."""
    placed = place(POINTS, said(power="idle", flap=0.0))

    assert (placed.point, placed.sure, placed.next_likeliest) == ("A1", False, "D1")
    assert "wings level: no bank called" in placed.why


def test_wings_level_is_sure_where_nothing_banked_is_planned():
    assert place(POINTS[:3], said(power="idle", flap=0.0)).sure


@pytest.mark.parametrize(
    "points, memory, why",
    [
        (POINTS, said(flap=0.0), "flap 0 fits more than one point: A1, B1"),
        (POINTS[:1], said(power="idle", flap=20.0), "no test point has power idle, flap 20"),
        (POINTS, Memory(), "neither power nor flap nor bank was said, and no card was open"),
        ((), said(flap=0.0), "the campaign has no test points"),
    ],
)
def test_no_point_is_guessed(points, memory, why):
    placed = place(points, memory)

    assert (placed.point, placed.why, placed.sure) == (None, why, False)


def test_the_only_point_that_fits_is_it_although_banked():
    assert place(POINTS[3:], said(flap=0.0)).point == "D1"


def test_a_card_that_the_pilot_put_up_settles_what_was_not_said():
    carded = card_shown(Memory(), "D1", s_to_ns(5), by_pilot=True)

    assert (place(POINTS, carded).point, place(POINTS, carded).sure) == ("D1", True)
    assert place(POINTS, say(carded, "flap", 20.0, at_s=9)).point == "D2"


def test_a_card_after_what_was_said_holds():
    memory = card_shown(said(power="idle", flap=0.0), "B1", s_to_ns(60), by_pilot=True)

    assert (place(POINTS, memory).point, place(POINTS, memory).sure) == ("B1", True)


def test_a_setting_called_against_the_card_names_the_call():
    memory = say(card_shown(Memory(), "A1", s_to_ns(5), by_pilot=True), "flap", 20.0, at_s=9)
    placed = place(POINTS, memory)

    assert (placed.point, placed.sure, placed.cause, placed.next_likeliest) == ("A2", False, "flap9", "A1")


def test_a_setting_hardly_believed_does_not_move_a_run_off_its_card():
    memory = say(card_shown(Memory(), "A1", s_to_ns(5), by_pilot=True), "flap", 20.0, at_s=9, posterior=0.65)

    assert (place(POINTS, memory).point, place(POINTS, memory).sure) == ("A1", True)


def test_the_first_card_of_the_app_is_no_evidence_once_something_was_said():
    shown = card_shown(Memory(), "A1", 0, by_pilot=False)

    assert place(POINTS, shown).point == "A1"
    assert place(POINTS, say(shown, "flap", 20.0)).point == "A2"  # idle alone has flap 20
    assert place(POINTS, say(shown, "flap", 0.0)).point is None


def test_a_bank_from_before_another_set_up():
    banked = approach_flown(said(power="idle", flap=0.0, bank=-30.0), s_to_ns(50))
    changed = place(POINTS, say(banked, "flap", 20.0, at_s=99))
    everything = place(POINTS, say(say(banked, "power", "idle", at_s=98), "flap", 20.0, at_s=99))
    repeated = place(POINTS, say(banked, "power", "idle", at_s=99))

    # Who says only what changes is still banked; who says everything again has left the bank out.
    assert (changed.point, changed.sure, changed.next_likeliest) == ("D2", False, "A2")
    assert (everything.point, everything.sure, everything.next_likeliest) == ("A2", False, "D2")
    assert changed.cause == everything.cause == "bank1"
    assert (repeated.point, repeated.sure) == ("D1", True)
    both = place(POINTS, say(say(banked, "power", "idle", at_s=98), "flap", 0.0, at_s=99))
    assert (both.point, both.sure, both.next_likeliest) == ("A1", False, "D1")


def test_an_earlier_setting_gives_way_where_it_fits_nothing_with_what_was_set_since():
    """ "Power idle" was missed: what was set up since fits one point only."""
    before = approach_flown(said(power=2100.0, flap=0.0), s_to_ns(50))
    now = say(say(before, "flap", 20.0, at_s=98), "bank", -30.0, at_s=99)

    assert (place(POINTS, now).point, place(POINTS, now).sure) == ("D2", False)
    first = say(said(power=2100.0, flap=20.0), "bank", -30.0, at_s=9)
    assert place(POINTS, first).why == "no test point has power 2100, flap 20, bank 30 left"


def test_the_card_to_show():
    memory = said(power="idle", flap=20.0, bank=0.0)

    assert point_to_show(POINTS, memory, "A1").id == "A2"
    assert point_to_show(POINTS, memory, "A2") is None
    assert point_to_show(POINTS, Memory(), "A1") is None


def test_next_and_named_points():
    done = {"A2"}

    assert next_point(POINTS, "A1", lambda p: p.id in done).id == "B1"
    assert next_point(POINTS, "A1", lambda p: True).id == "A2"
    assert next_point(POINTS, "A1", lambda p: False, forward=False).id == "D2"
    assert next_point((), None, lambda p: False) is None
    # "Card A three" was heard as card 3: a number alone is on the card that is up.
    assert named_point(POINTS, 2.0, "A1").id == "A2"
    assert named_point(POINTS, "d 2", "A1").id == "D2"
    assert named_point(POINTS, "b", "A1").id == "B1"
    assert named_point(POINTS, None, "A1") is named_point(POINTS, "9", "A1") is None


def test_the_order_of_a_planned_flight():
    cards = tuple(TestCard(id=c, title=c, points=tuple(p for p in POINTS if p.card == c)) for c in "ABD")
    campaign = Campaign(
        name="x",
        aircraft=Aircraft(name="x", empty_weight_kg=1, reference_weight_kg=2, max_weight_kg=3, wing_area_m2=1),
        cards=cards,
        flights=(PlannedFlight(id="f", configuration="c", loading=Loading(), cards=("D", "A")),),
    )

    assert [p.id for p in points_for(campaign, "f")] == ["D1", "D2", "A1", "A2"]
    assert points_for(campaign, "other") == campaign.points


def test_nothing_but_what_it_names_places_a_run():
    """A run is placed as the one before where `placed_by` is the same: whatever else a memory holds must not matter."""
    known = Known(value=0.0, unit="deg", since_ns=5, call="late")
    others = {
        "altitude": known,
        "fuel": known,
        "flown_ns": 10**12,
        "changed": True,
        "repeated": True,
        "said_since": frozenset({"power", "flap", "bank"}),
        "since": Evidence(said=(("flap", known),), card="A2", away=True),
        "flown": (Evidence(late=(("bank", known),)),),
    }
    fields = {field.name for field in dataclasses.fields(Memory)}
    memories = [
        said(power="idle", flap=20.0),
        said(power="idle", bank=-30.0),
        replace(said(power="idle", flap=20.0, bank=-30.0), bank_left=BankLeft.NOT_REPEATED, set_up_after_ns=10**9),
        replace(said(flap=20.0), late=(("flap", known),)),
        card_shown(said(power=2100.0), "B1", s_to_ns(3.0), by_pilot=True, belief=0.8),
        Memory(),
    ]

    for memory in memories:
        for name, value in others.items():
            other = replace(memory, **{name: value})

            assert other.placed_by == memory.placed_by and place(POINTS, other) == place(POINTS, memory), name
        assert len(memory.placed_by) == len(fields - others.keys())

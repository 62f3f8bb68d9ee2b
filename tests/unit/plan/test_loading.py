"""Weight, CG, limits and ballast."""

from dataclasses import replace

import pytest

from logger_app.domain.fitted import lineage
from logger_app.errors import CardError
from logger_app.plan.loading import aircraft_as_fitted, ballast_to_match, loading_limits, weight_and_cg
from logger_app.plan.parse import parse_text
from logger_app.records.plan import Loading


@pytest.fixture
def campaign(sound):
    return parse_text(sound)[0]


def test_fuel_used_moves_weight_and_cg_towards_the_empty_aircraft(campaign):
    aircraft, loading = campaign.aircraft, Loading(fuel_l=50)

    full_kg, full_mm = weight_and_cg(aircraft, loading, 0)
    dry_kg, dry_mm = weight_and_cg(aircraft, loading, 50)

    assert full_kg - dry_kg == pytest.approx(36)
    assert full_mm > dry_mm == aircraft.empty_arm_mm


def test_more_fuel_used_than_was_aboard_is_all_of_it(campaign):
    assert weight_and_cg(campaign.aircraft, Loading(fuel_l=50), 70) == (388, 2010)


@pytest.mark.parametrize(
    "change", [{"empty_arm_mm": None}, {"fuel_arm_mm": None}, {"stations": ()}], ids=["empty", "fuel", "stations"]
)
def test_a_cg_is_not_guessed_when_an_arm_is_missing(campaign, change):
    loading = campaign.flights[0].loading

    weight_kg, cg_mm = weight_and_cg(replace(campaign.aircraft, **change), loading, 0)

    assert weight_kg == pytest.approx(603.4)
    assert cg_mm is None


def test_a_missing_arm_of_nothing_does_not_matter(campaign):
    aircraft = replace(campaign.aircraft, fuel_arm_mm=None)

    assert weight_and_cg(aircraft, Loading(fuel_l=10), 10)[1] == 2010


def test_weight_without_fuel_at_the_start_is_refused(campaign):
    with pytest.raises(CardError) as err:
        weight_and_cg(campaign.aircraft, Loading(), 0)

    assert err.value.faults[0].where == "loading, fuel_l"


def test_what_a_configuration_adds_counts_for_it_and_its_children(sound):
    text = sound.replace("span_to_pct = 92", "span_to_pct = 92\nweight_kg = 4\narm_mm = 1500")
    text += '[[configuration]]\nid = "fences"\nparent = "cuffs"\n[[configuration.change]]\nitem = "wing fence"\nweight_kg = 1\narm_mm = 1700\n'
    campaign, faults = parse_text(text)

    cuffs, fences = aircraft_as_fitted(campaign, "cuffs"), aircraft_as_fitted(campaign, "fences")

    assert faults == ()
    assert aircraft_as_fitted(campaign, "baseline") == campaign.aircraft == aircraft_as_fitted(campaign, None)
    assert cuffs.empty_weight_kg == 392
    assert cuffs.empty_arm_mm == pytest.approx((388 * 2010 + 4 * 1500) / 392)
    assert fences.empty_weight_kg == 393
    assert fences.empty_arm_mm == pytest.approx((388 * 2010 + 4 * 1500 + 1700) / 393)
    assert [c.id for c in lineage(campaign, "fences")] == ["baseline", "cuffs", "fences"]


def test_an_added_weight_without_an_arm_makes_the_cg_unknown(sound):
    campaign, _ = parse_text(sound.replace("span_to_pct = 92", "span_to_pct = 92\nweight_kg = 4"))

    assert aircraft_as_fitted(campaign, "cuffs").empty_arm_mm is None


def test_limits_name_the_flight_and_what_to_take_off(campaign):
    loading = Loading(items=(("seats", 200.0), ("baggage", 25.0)), fuel_l=90)

    faults = loading_limits(campaign.aircraft, loading, 0, "flight X, at start-up")

    assert [f.where for f in faults] == ["flight X, at start-up, weight"]
    assert "Take off 37.8 kg" in faults[0].hint


def test_ballast_brings_weight_and_cg_to_the_other_loading(campaign):
    heavy, light = Loading(items=(("seats", 160.0),), fuel_l=70), Loading(items=(("seats", 80.0),), fuel_l=70)
    to_kg, to_mm = weight_and_cg(campaign.aircraft, heavy, 0)

    ballast = ballast_to_match(campaign.aircraft, light, to_kg, to_mm)

    assert ballast.weight_kg == pytest.approx(80)
    assert ballast.arm_mm == pytest.approx(2150)
    assert ballast.station == "seats"
    assert ballast.words.endswith(f"the CG would be {to_mm:.0f} mm against {to_mm:.0f} mm")


def test_ballast_is_not_asked_for_when_both_match(campaign):
    loading = campaign.flights[0].loading
    to_kg, to_mm = weight_and_cg(campaign.aircraft, loading, 0)

    assert ballast_to_match(campaign.aircraft, loading, to_kg, to_mm).words == "none needed"


def test_equal_weights_with_other_cgs_ask_for_a_shift(campaign):
    to_kg, to_mm = weight_and_cg(campaign.aircraft, Loading(items=(("seats", 20.0),), fuel_l=70), 0)
    other = Loading(items=(("baggage", 20.0),), fuel_l=70)

    assert "shift the load" in ballast_to_match(campaign.aircraft, other, to_kg, to_mm).words


def test_ballast_without_a_known_cg_says_so(campaign):
    aircraft = replace(campaign.aircraft, empty_arm_mm=None)

    ballast = ballast_to_match(aircraft, Loading(fuel_l=70), 500, None)

    assert ballast.arm_mm is None
    assert "cannot be said" in ballast.words

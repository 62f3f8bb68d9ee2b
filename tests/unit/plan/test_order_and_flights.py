"""Build-up, runs, time and fuel, A-B-B-A blocks, and what comes next."""

from dataclasses import replace

import pytest

from logger_app.plan.flights import (
    budget,
    count_flown,
    loads,
    next_flight,
    planned_runs,
    propose_flights,
    runs_left,
    shared_runs,
    there_and_back,
)
from logger_app.plan.order import build_up
from logger_app.plan.parse import parse_text
from logger_app.records.results import StallSpeed
from logger_app.records.runs import StallEvent


@pytest.fixture
def campaign(sound):
    return parse_text(sound)[0]


def stall(configuration, point, counts=True):
    return StallSpeed(
        run="r",
        run_number=1,
        flight="f",
        configuration=configuration,
        point=point,
        event=StallEvent.PITCH_DOWN,
        method="fit",
        counts=counts,
    )


def total(flight):
    return sum(runs for _, runs in flight.runs)


def test_build_up_goes_from_less_to_more_and_says_why(campaign):
    steps = build_up(campaign)

    assert [s.point.id for s in steps] == ["A1", "A2", "B1"]
    assert [s.reason for s in steps] == [
        "first: the least demanding",
        "more flap after less: 30 after 0",
        "card B is hazard 3, after hazard 1",
    ]


def test_the_team_sets_what_counts_first(sound):
    swapped = sound.replace("hazard = 3", "hazard = 1").replace("[plan]", '[plan]\nbuild_up = ["flap", "bank"]')

    steps = build_up(parse_text(swapped)[0])

    assert [s.point.id for s in steps] == ["A1", "B1", "A2"]
    assert steps[1].reason == "turning after wings level: bank 30 after 0"


def test_power_is_ranked_idle_number_name(sound):
    extra = '\n[[card]]\nid = "C"\n[[card.point]]\nid = "C1"\npower = "climb power"\n[[card.point]]\nid = "C2"\npower = "1500 rpm"\n'
    campaign, _ = parse_text(sound.replace("hazard = 3", "hazard = 1").replace("bank_deg = 30", "") + extra)

    assert [s.point.id for s in build_up(campaign)] == ["A1", "A2", "C2", "B1", "C1"]


def test_time_and_fuel_of_a_flight(campaign):
    needs = budget(campaign, 12, 70)

    assert needs.minutes == 20 + 12 * 3 + 15
    assert needs.fuel_used_l == pytest.approx(17 * 71 / 60)
    assert needs.fuel_left_l == pytest.approx(70 - 17 * 71 / 60)
    # (70 - 15) l at 17 l/h are 194.1 min; less 35 min are 159.1 min, 53 runs of 3 min.
    assert needs.runs_that_fit == 53
    assert needs.fits and not budget(campaign, 54, 70).fits


def test_fuel_that_is_not_known_stays_unknown(campaign):
    needs = budget(campaign, 12, None)

    assert needs.fuel_left_l is None
    assert needs.runs_that_fit is None


def test_a_card_flown_twice_is_shared(campaign):
    first, _, third = campaign.flights

    assert shared_runs(campaign, first) == {"A1": 2, "A2": 2, "B1": 2}
    assert planned_runs(campaign, third) == 6
    odd = replace(
        campaign,
        cards=tuple(replace(c, points=tuple(replace(p, runs_wanted=3) for p in c.points)) for c in campaign.cards),
    )
    assert [sum(shared_runs(odd, f).values()) for f in (first, third)] == [6, 3]


def test_weight_and_cg_at_each_card(campaign):
    rows = loads(campaign, campaign.flights[1])

    assert [row.card for row in rows] == ["start-up", "A", "B", "shut-down"]
    assert [row.minutes for row in rows] == [0, 20, 44, 71]
    assert [round(row.weight_kg, 1) for row in rows] == [603.4, 599.3, 594.4, 588.9]
    assert all(row.faults == () for row in rows)


def test_limits_are_checked_at_every_card(sound):
    campaign, faults = parse_text(sound.replace("max_weight_kg = 640", "max_weight_kg = 600"))

    broken = [row.card for row in loads(campaign, campaign.flights[0]) if row.faults]

    assert broken == ["start-up"]
    assert len(faults) == 3  # one a flight


def test_blocks_go_there_and_back(campaign):
    flights = propose_flights(campaign)

    assert there_and_back(campaign) == ("baseline", "cuffs", "cuffs", "baseline")
    assert [f.configuration for f in flights] == ["baseline", "cuffs", "cuffs", "baseline"]
    assert [dict(f.runs) for f in flights] == [{"A1": 2, "A2": 2, "B1": 2}] * 4
    assert flights[3].reason.startswith("back to the baseline")
    assert flights[0].cards(campaign) == ("A", "B")


def test_a_flight_holds_no_more_runs_than_fuel_or_crew_allow(sound):
    tight, _ = parse_text(sound.replace("fuel_l = 70", "fuel_l = 28"))
    fresh, _ = parse_text(sound.replace("[plan]", "[plan]\nmost_runs_per_flight = 5"))

    # 13 l at 17 l/h are 45.9 min, less 35 min: three runs.
    assert {total(f) for f in propose_flights(tight)} <= {1, 2, 3}
    assert max(total(f) for f in propose_flights(fresh)) <= 5
    assert sum(total(f) for f in propose_flights(tight)) == 24 == sum(total(f) for f in propose_flights(fresh))


def test_nothing_is_proposed_when_not_one_run_fits(sound):
    campaign, _ = parse_text(sound.replace("fuel_l = 70", "fuel_l = 20"))

    assert propose_flights(campaign) == ()


def test_what_is_flown_is_not_proposed_again(campaign):
    flown = {("baseline", "A1"): 2, ("baseline", "A2"): 2, ("baseline", "B1"): 1}

    following = next_flight(campaign, flown, ["baseline"])

    assert following.configuration == "cuffs"
    assert following.number == 2
    assert runs_left(campaign, flown)["baseline", "B1"] == 3
    later = propose_flights(campaign, flown, ["baseline"])
    assert sum(total(f) for f in later if f.configuration == "baseline") == 7


def test_the_baseline_is_asked_for_again_when_all_is_flown_but_nobody_went_back(campaign):
    flown = {(c, p.id): 4 for c in ("baseline", "cuffs") for p in campaign.points}

    again = next_flight(campaign, flown, ["baseline", "cuffs"])

    assert again.configuration == "baseline"
    assert "nothing yet shows drift" in again.reason
    assert next_flight(campaign, flown, ["baseline", "cuffs", "baseline"]) is None


def test_only_runs_that_count_and_belong_somewhere_are_counted():
    runs = [stall("baseline", "A1"), stall("baseline", "A1", counts=False), stall(None, "A1"), stall("cuffs", None)]

    assert count_flown(runs) == {("baseline", "A1"): 1}

"""What holds for every loading, every plan and every edit, not only for the examples."""

from dataclasses import replace

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from logger_app.errors import CardError
from logger_app.plan.edit import set_value, values_at
from logger_app.plan.flights import budget, propose_flights, runs_left
from logger_app.plan.loading import ballast_to_match, weight_and_cg
from logger_app.plan.order import build_up, rank
from logger_app.plan.parse import parse_text
from logger_app.plan.template import Answers, campaign_text
from logger_app.records.plan import Aircraft, AircraftConfig, Campaign, Loading, Planning, Station, TestCard, TestPoint

kilograms = st.floats(0, 300)
arms = st.floats(500, 4000)


@st.composite
def loaded(draw):
    """An aircraft with up to four stations, and a loading of it."""
    stations = [Station(name=str(n), arm_mm=draw(arms)) for n in range(draw(st.integers(0, 4)))]
    aircraft = Aircraft(
        name="a",
        empty_weight_kg=draw(st.floats(100, 900)),
        reference_weight_kg=1000,
        max_weight_kg=5000,
        wing_area_m2=12,
        empty_arm_mm=draw(arms),
        fuel_arm_mm=draw(arms),
        stations=tuple(stations),
    )
    items = tuple((s.name, draw(kilograms)) for s in stations)
    return aircraft, Loading(items=items, fuel_l=draw(st.floats(0, 300)))


@given(loaded(), st.floats(0, 300))
def test_weight_is_the_sum_and_the_cg_lies_between_the_arms(pair, used_l):
    aircraft, loading = pair

    weight_kg, cg_mm = weight_and_cg(aircraft, loading, used_l)

    fuel_kg = max(0, loading.fuel_l - used_l) * aircraft.fuel_density_kg_per_l
    assert weight_kg == pytest.approx(aircraft.empty_weight_kg + sum(kg for _, kg in loading.items) + fuel_kg)
    all_arms = [aircraft.empty_arm_mm, aircraft.fuel_arm_mm, *(s.arm_mm for s in aircraft.stations)]
    assert min(all_arms) - 1e-6 <= cg_mm <= max(all_arms) + 1e-6


@given(loaded(), st.floats(0, 300), st.floats(10, 2000))
def test_moving_the_datum_moves_the_cg_by_as_much(pair, used_l, shift_mm):
    aircraft, loading = pair
    moved = replace(
        aircraft,
        empty_arm_mm=aircraft.empty_arm_mm + shift_mm,
        fuel_arm_mm=aircraft.fuel_arm_mm + shift_mm,
        stations=tuple(replace(s, arm_mm=s.arm_mm + shift_mm) for s in aircraft.stations),
    )

    assert weight_and_cg(moved, loading, used_l)[1] == pytest.approx(
        weight_and_cg(aircraft, loading, used_l)[1] + shift_mm
    )


@given(loaded(), st.floats(1, 300), arms)
def test_ballast_really_matches(pair, extra_kg, at_mm):
    aircraft, loading = pair
    other = replace(aircraft, stations=(*aircraft.stations, Station(name="more", arm_mm=at_mm)))
    to_kg, to_mm = weight_and_cg(other, replace(loading, items=(*loading.items, ("more", extra_kg))), 0)

    ballast = ballast_to_match(aircraft, loading, to_kg, to_mm)

    assert ballast.weight_kg == pytest.approx(extra_kg, rel=1e-6)
    assert ballast.arm_mm == pytest.approx(at_mm, rel=1e-4, abs=0.5)


@st.composite
def campaigns(draw):
    """Campaigns of a few configurations and points, with any number of runs and any fuel."""
    powers = st.sampled_from([("idle", None), ("1500 rpm", 1500.0), ("2100 rpm", 2100.0), ("climb power", None)])
    points = []
    for n in range(draw(st.integers(1, 8))):
        power, rpm = draw(powers)
        points.append(
            TestPoint(
                id=f"P{n}",
                card=draw(st.sampled_from("AB")),
                power=power,
                power_rpm=rpm,
                flap_deg=draw(st.sampled_from([0.0, 15.0, 30.0])),
                bank_deg=draw(st.sampled_from([0.0, 30.0, -30.0])),
                runs_wanted=draw(st.integers(1, 9)),
            )
        )
    cards = tuple(
        TestCard(id=id_, title=id_, hazard=draw(st.integers(1, 5)), points=tuple(p for p in points if p.card == id_))
        for id_ in "AB"
    )
    configs = [AircraftConfig(id="base", name="base")]
    for n in range(draw(st.integers(0, 3))):
        configs.append(AircraftConfig(id=f"c{n}", name="c", parent=draw(st.sampled_from([c.id for c in configs]))))
    aircraft = Aircraft(
        name="a",
        empty_weight_kg=400,
        reference_weight_kg=600,
        max_weight_kg=640,
        wing_area_m2=12,
        fuel_burn_l_per_h=draw(st.sampled_from([0.0, 17.0])),
        fuel_capacity_l=draw(st.sampled_from([30.0, 60.0])),
        fuel_reserve_l=10,
    )
    planning = Planning(most_runs_per_flight=draw(st.integers(1, 25)))
    return Campaign(name="x", aircraft=aircraft, configurations=tuple(configs), cards=cards, planning=planning)


@given(campaigns(), st.data())
@settings(deadline=None)
def test_proposed_flights_fly_what_is_left_exactly_in_order_and_within_the_limits(campaign, data):
    flown = {key: data.draw(st.integers(0, 10)) for key in runs_left(campaign)}
    left = runs_left(campaign, flown)
    history = data.draw(st.lists(st.sampled_from([c.id for c in campaign.configurations]), max_size=4))
    place = {step.point.id: step.number for step in build_up(campaign)}

    flights = propose_flights(campaign, flown, history)

    for flight in flights:
        runs = sum(count for _, count in flight.runs)
        numbers = [place[point] for point, _ in flight.runs]
        assert numbers == sorted(numbers)
        assert 1 <= runs <= campaign.planning.most_runs_per_flight
        assert budget(campaign, runs, campaign.aircraft.fuel_capacity_l).fits
    asked: dict = {}
    back = [f for f in flights if "nothing yet shows drift" in f.reason]
    for flight in flights:
        for point, count in flight.runs if flight not in back else ():
            asked[flight.configuration, point] = asked.get((flight.configuration, point), 0) + count
    assert asked == {key: count for key, count in left.items() if count}
    assert len(back) <= 1


@given(campaigns())
@settings(deadline=None)
def test_build_up_has_each_point_once_and_never_steps_down_in_its_first_key(campaign):
    hazard = {card.id: card.hazard for card in campaign.cards}

    points = [step.point for step in build_up(campaign)]

    assert sorted(p.id for p in points) == sorted(p.id for p in campaign.points)
    firsts = [rank(campaign.planning.build_up[0], p, hazard[p.card]) for p in points]
    assert firsts == sorted(firsts)


SMALL = """\
# first line
[campaign]
name = "x"  # name

[team] # briefed
floor_ft = 3000 # hard

[[card]]
id = "A"
# before the point
[[card.point]]
id = "A1"
trim_ias_mph = 80 # by feel
"""


@given(st.text(max_size=60))
def test_any_text_that_is_set_is_read_back_and_no_comment_is_lost(words):
    assume(words.strip() and "\r" not in words and not any(0xD800 <= ord(c) <= 0xDFFF for c in words))

    after = set_value(SMALL, ("card", "A"), "title", words)

    assert values_at(after, ("card", "A"))["title"] == words
    for comment in ("# first line", "# name", "# briefed", "# hard", "# before the point", "# by feel"):
        assert comment in after


@given(st.floats(20, 250))
def test_a_speed_that_is_set_is_read_back_to_six_digits(speed_kt):
    after = set_value(SMALL, ("card", "A", "point", "A1"), "trim_ias_kt", speed_kt)

    assert values_at(after, ("card", "A", "point", "A1"))["trim_ias_kt"] == pytest.approx(speed_kt, rel=1e-5)
    assert "trim_ias_mph" in after and "# by feel" in after


texts = st.text(st.characters(blacklist_categories=("Cs", "Cc")), min_size=1, max_size=20).filter(str.strip)


@given(
    name=texts,
    aircraft=texts,
    unit=st.sampled_from(["kt", "mph", "km/h"]),
    empty=st.floats(100, 900),
    useful=st.floats(50, 500),
    flaps=st.lists(st.sampled_from([0.0, 10.0, 20.0, 35.0]), min_size=1, max_size=4, unique=True),
    stall=st.floats(25, 70),
    limit=st.floats(40, 120),
    banks=st.lists(st.sampled_from([0.0, 30.0, -30.0, 45.0]), min_size=1, max_size=3, unique=True),
    runs=st.one_of(st.none(), st.integers(1, 12)),
    accelerated=st.booleans(),
)
@settings(deadline=None, max_examples=60)
def test_a_new_campaign_is_sound_or_says_why_not(
    name, aircraft, unit, empty, useful, flaps, stall, limit, banks, runs, accelerated
):
    answers = Answers(
        name=name,
        aircraft=aircraft,
        unit=unit,
        amounts=(("empty_weight_kg", empty), ("max_weight_kg", empty + useful), ("wing_area_m2", 12.0)),
        flaps=tuple((flap, limit, stall) for flap in sorted(flaps)),
        banks=tuple(banks),
        runs=runs,
        changes=(("one", "one thing"),),
        accelerated=accelerated,
    )
    try:
        text = campaign_text(answers)
    except CardError as err:
        assert err.faults
        return

    campaign, faults = parse_text(text)
    assert faults == ()
    assert campaign.name == name.strip()
    assert len(campaign.points) == len(flaps) * ((0 in banks) + len([b for b in banks if b]) * (1 + accelerated))


@given(st.text(max_size=200))
def test_no_text_makes_the_reader_fail(text):
    campaign, faults = parse_text(text)

    assert faults or campaign


values = st.recursive(
    st.one_of(st.none().map(lambda _: 0), st.booleans(), st.integers(), st.floats(), st.text(max_size=8)),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.text(min_size=1, max_size=5), inner, max_size=3)
    ),
    max_leaves=5,
)
TABLE_NAMES = [
    "campaign",
    "aircraft",
    "indicator",
    "calibration",
    "configuration",
    "team",
    "plan",
    "card",
    "flight",
    "comparison",
]
KEY_NAMES = [
    "name",
    "id",
    "flap_deg",
    "power",
    "point",
    "change",
    "words",
    "load_kg",
    "altitude_band_ft",
    "parent",
    "ias_kt",
    "cas_kt",
    "chord_pct",
    "cards",
    "station",
    "max_weight_kg",
]


@given(
    st.dictionaries(
        st.sampled_from(TABLE_NAMES),
        st.one_of(
            values,
            st.lists(st.dictionaries(st.sampled_from(KEY_NAMES), values, max_size=5), max_size=3),
            st.dictionaries(st.sampled_from(KEY_NAMES), values, max_size=6),
        ),
        max_size=6,
    )
)
@settings(deadline=None, max_examples=300)
def test_no_shape_of_document_makes_the_reader_fail(document):
    from logger_app.plan.cards import check_campaign
    from logger_app.plan.parse import parse_campaign

    campaign, faults = parse_campaign(document)

    assert faults
    check_campaign(campaign)

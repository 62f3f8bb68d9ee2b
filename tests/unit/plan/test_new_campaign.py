"""Questions, answers and the text of a new campaign."""

import pytest

from logger_app.errors import CardError
from logger_app.plan.advice import advise
from logger_app.plan.parse import parse_text
from logger_app.plan.questions import QUESTIONS, answers_from, flag, read_answer, worth_asking
from logger_app.plan.template import Answers, campaign_text

ASK = {q.name: q for q in QUESTIONS}
WORDS = {
    "aircraft": "Heron",
    "changes": "leading-edge cuffs",
    "empty_weight_kg": "855 lb",
    "max_weight_kg": "640",
    "wing_area_m2": "133.5 ft2",
    "fuel_burn_l_per_h": "4.5 usgal/h",
    "fuel_capacity_l": "90",
    "fuel_reserve_l": "15",
    "fuel_l": "70",
    "flaps": "0, 15, 30",
    "flap_limits": "85, 75",
    "stalls": "47, 43, 41",
    "powers": "idle, 2100 rpm",
    "banks": "0, 30L",
    "stations": "seats:2150:200; baggage:2600:25",
    "load_kg": "seats:160; baggage:5",
    "empty_arm_mm": "79.13 in",
    "fuel_arm_mm": "2140",
    "cg_min_mm": "1960",
    "cg_max_mm": "2190",
}


def answers(**changed):
    return answers_from({name: read_answer(ASK[name], text) for name, text in {**WORDS, **changed}.items() if text})


def test_twelve_points_in_two_configurations_come_out_sound():
    campaign, faults = parse_text(campaign_text(answers()))

    assert faults == ()
    assert len(campaign.points) == 12
    assert [c.id for c in campaign.configurations] == ["baseline", "leading_edge_cuffs"]
    assert campaign.aircraft.empty_weight_kg == pytest.approx(387.8, abs=0.05)
    assert campaign.aircraft.wing_area_m2 == pytest.approx(12.40, abs=0.01)
    assert campaign.aircraft.fuel_burn_l_per_h == pytest.approx(17.03, abs=0.01)
    assert campaign.points[-1].bank_deg == -30
    assert [f.configuration for f in campaign.flights[:4]] == [
        "baseline",
        "leading_edge_cuffs",
        "leading_edge_cuffs",
        "baseline",
    ]
    assert [a.topic for a in advise(campaign)] == ["calibration"]


def test_the_text_explains_itself():
    text = campaign_text(answers())

    assert text.count("#") > 30
    assert "A-B-B-A" in text and "Defer to the rules" in text


@pytest.mark.parametrize("unit", ["kt", "mph", "km/h"])
def test_speeds_are_written_and_said_in_the_unit_of_the_dial(unit):
    text = campaign_text(
        answers(
            unit=unit,
            stalls={"kt": "47,43,41", "mph": "54,50,47", "km/h": "87,80,76"}[unit],
            flap_limits={"kt": "85,75", "mph": "98,86", "km/h": "157,139"}[unit],
        )
    )
    campaign, faults = parse_text(text)

    assert faults == ()
    assert campaign.points[0].expected_stall_ias_kt == pytest.approx(47, abs=0.2)
    assert campaign.aircraft.flap_limits[0].max_ias_kt == pytest.approx(85, abs=0.4)
    assert ("12 mph" in campaign.cards[0].entry) == (unit == "mph")


def test_one_configuration_and_nothing_known_is_still_a_campaign():
    few = answers_from(
        {n: read_answer(ASK[n], WORDS[n]) for n in ("aircraft", "empty_weight_kg", "max_weight_kg", "wing_area_m2")}
    )

    campaign, faults = parse_text(campaign_text(few))

    assert faults == ()
    assert campaign.points[0].trim_ias_kt is None


@pytest.mark.parametrize(
    ("name", "text", "expected"),
    [
        ("empty_weight_kg", "850 lbs", ("empty_weight_lb", 850.0)),
        ("empty_weight_kg", "388,5", ("empty_weight_kg", 388.5)),
        ("never_exceed_ias_kt", "150 mph", ("never_exceed_ias_mph", 150.0)),
        ("never_exceed_ias_kt", "240 km/h", ("never_exceed_ias_kmh", 240.0)),
        ("floor_ft", "1000 m", pytest.approx(3280.84, abs=0.01)),
        ("floor_ft", "", 3000.0),
        ("fuel_reserve_l", "", None),
        ("banks", "0, 30, 30 left, -15", (0.0, 30.0, -30.0, -15.0)),
        ("flaps", "30; 0; 15", (0.0, 15.0, 30.0)),
        ("flaps", "-", None),
        ("stations", "seats:2150", (("seats", 2150.0, None),)),
        ("runs", "5", 5),
    ],
)
def test_answers_are_read(name, text, expected):
    assert read_answer(ASK[name], text) == expected


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("empty_weight_kg", "heavy"),
        ("empty_weight_kg", "850 mm"),
        ("empty_weight_kg", ""),
        ("unit", "knots"),
        ("flaps", "up"),
        ("banks", "steep"),
        ("stations", "seats"),
        ("load_kg", "seats"),
        ("runs", "0"),
    ],
)
def test_an_answer_that_cannot_be_read_says_what_is_expected(name, text):
    with pytest.raises(CardError) as err:
        read_answer(ASK[name], text)

    assert err.value.faults[0].where == f"plan new, {name}"


def test_missing_answers_are_named_all_at_once_with_their_options():
    with pytest.raises(CardError) as err:
        answers_from({"flaps": (0.0, 15.0), "flap_limits": (85.0, 75.0)})

    said = str(err.value)
    assert all(word in said for word in ("--aircraft", "--empty-weight-kg", "--max-weight-kg", "--wing-area-m2"))
    assert "2 speeds; expected 1, one for each flap setting above 0" in said


def test_answers_that_contradict_each_other_are_refused():
    with pytest.raises(CardError) as err:
        campaign_text(answers(empty_weight_kg="855"))

    assert "855 lb is 388 kg" in str(err.value)


def test_a_fuel_that_holds_no_run_is_said_in_the_text():
    assert "Not enough fuel for one run" in campaign_text(answers(fuel_l="20"))


def test_a_name_with_quotes_and_a_backslash_survives():
    campaign, faults = parse_text(campaign_text(answers(aircraft='The "\\Heron"\t€')))

    assert faults == ()
    assert campaign.aircraft.name == 'The "\\Heron"\t€'


def test_questions_that_make_no_sense_are_not_asked():
    assert not worth_asking(ASK["cg_min_mm"], {})
    assert worth_asking(ASK["cg_min_mm"], {"stations": (("seats", 1.0, None),)})
    assert not worth_asking(ASK["flap_limits"], {"flaps": (0.0,)})
    assert flag("changes") == "--change"


def test_a_flap_limit_too_low_for_a_safe_start_leaves_the_start_to_the_pilot():
    campaign, faults = parse_text(campaign_text(answers(flap_limits="85, 48")))

    assert faults == ()
    assert {p.flap_deg: p.trim_ias_kt for p in campaign.points if not p.bank_deg}[30] is None


def test_answers_default_to_idle_and_wings_level():
    plain = Answers(
        name="x", aircraft="x", amounts=(("empty_weight_kg", 300.0), ("max_weight_kg", 500.0), ("wing_area_m2", 11.0))
    )

    assert [p.label for p in parse_text(campaign_text(plain))[0].points] == ["idle, flap 0, wings level"]

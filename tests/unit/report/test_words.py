"""Numbers and codes in words."""

import math
from dataclasses import replace

import pytest

from logger_app.records.calls import CallKind, CallStatus, HeardCall, ReviewedCall
from logger_app.records.results import Comparison
from logger_app.report import words


@pytest.mark.parametrize(
    ("value", "places", "signed", "text"),
    [
        (-1.64, 1, False, "−1.6"),
        (1.25, 1, True, "+1.2"),
        (-0.04, 1, True, "0.0"),
        (None, 1, False, "–"),
        (math.nan, 1, False, "–"),
        (600.4, 0, False, "600"),
    ],
)
def test_numbers_have_a_true_minus_and_no_minus_zero(value, places, signed, text):
    assert words.number(value, places, signed) == text


def test_an_interval_without_an_end_is_a_dash():
    assert words.interval(-2.46, -0.7) == "−2.5 to −0.7"
    assert words.interval(None, 1.0) == "–"


@pytest.mark.parametrize(("seconds", "text"), [(0.0, "0:00.0"), (59.96, "1:00.0"), (3599.99, "1:00:00.0"), (None, "–")])
def test_times_carry_over(seconds, text):
    assert words.clock(seconds) == text


def test_speeds_and_weights_are_in_the_owners_units():
    """1852 m to the nautical mile, 1609.344 m to the mile; 0.45359237 kg to the pound (agreement of 1959)."""
    assert words.Units("kt").text(50.0) == "50.0"
    assert words.Units("mph").text(50.0, 3) == "57.539"
    assert words.Units("km/h").span(-50.0, 50.0) == "−92.6 to +92.6"
    assert words.Units("mph", "lb", 600.0).reference_weight == "1323 lb"


def call(value, heard_value, name="ias", kind=CallKind.AIRSPEED):
    heard = HeardCall(id="c", start_ns=0, end_ns=1, kind=kind, name=name, value=heard_value)
    return ReviewedCall(
        id="c",
        flight_ns=0,
        end_ns=1,
        kind=kind,
        name=name,
        value=value,
        unit="kt",
        status=CallStatus.CORRECTED,
        heard=heard,
    )


def test_what_was_heard_is_said_only_where_it_differs():
    assert words.heard_words(call(58.0, 68.0)) == "heard as 68"
    assert words.heard_words(call(58.0, 58.0)) == ""
    assert words.call_words(call("right", "left", "wing_drop", CallKind.EVENT)) == "wing drop right kt"


COMPARED = Comparison(
    point="A1",
    reference="a",
    changed="b",
    n_reference=3,
    n_changed=3,
    verdict="lower",
    words="",
    difference_kt=-1.6,
    low_kt=-2.5,
    high_kt=-0.7,
    smallest_kt=1.4,
)


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({}, "Cuffs: stalls lower by 1.6 kt, 0.7 to 2.5 kt (95 %), at idle."),
        (
            {"verdict": "not shown", "difference_kt": -0.2, "low_kt": -1.2, "high_kt": 0.8},
            "Cuffs: no difference of the change shown at idle: −0.2 kt, −1.2 to +0.8 (95 %); 1.4 kt would have shown.",
        ),
        ({"verdict": "not comparable", "notes": ("one run",)}, "Cuffs: not comparable at idle: one run."),
        (
            {
                "verdict": "higher",
                "difference_kt": 1.6,
                "low_kt": 0.7,
                "high_kt": 2.5,
                "basis": "ias",
                "at_reference_weight": False,
            },
            "Cuffs: stalls higher by 1.6 kt, 0.7 to 2.5 (95 %), at idle (IAS at the weights flown, as flown).",
        ),
    ],
)
def test_a_comparison_is_a_sentence_about_the_changed_configuration(changes, sentence):
    said = words.sentence(replace(COMPARED, **changes), "idle", "Cuffs", words.Units())

    assert said == sentence.replace("2.5 kt (95", "2.5 (95")


def test_what_differed_between_the_flights_stands_beside_what_holds_for_the_change():
    once = replace(
        COMPARED,
        verdict="not shown",
        low_kt=-4.8,
        high_kt=1.1,
        level=0.9875,
        n_flights_reference=1,
        n_flights_changed=1,
        flights_difference_kt=-1.6,
        flights_low_kt=-2.5,
        flights_high_kt=-0.7,
    )
    said = words.sentence(once, "idle", "Cuffs", words.Units())

    assert "−4.8 to +1.1 (95 %, widened for 4 comparisons)" in said
    assert said.endswith("between the flights flown −1.6 kt, −2.5 to −0.7, whatever it came from.")
    assert "between" not in words.sentence(
        replace(once, n_flights_reference=2, n_flights_changed=2), "idle", "Cuffs", words.Units()
    )


def test_kinds_of_event_averaged_together_are_all_named():
    assert words.event_words("pitch_down+roll_off") == "pitch-down, roll-off"

"""Conditions of the presets, as typed in from the paragraphs they name.

Source: 14 CFR part 23 before Amdt 23-64, sections 23.201, 23.203 and 23.207 (public repository
AlextheYounga/ecfr, part-23/subpart-B), and 23.49 at Amdt 23-62 (law.cornell.edu/cfr/text/14/23.49).
"""

import math

import pytest

from logger_app.plan.advice import AEROBATIC_FLOOR_FT, START_ABOVE_STALL_KT
from logger_app.plan.cards import check_campaign
from logger_app.plan.parse import parse_text
from logger_app.plan.presets import DEFER, PRESETS
from logger_app.plan.template import Answers, campaign_text

LEVEL, TURNING, ACCELERATED, SPEEDS = (PRESETS[name] for name in ("level", "turning", "accelerated", "speeds"))


def test_23_201b_starts_10_kt_above_the_stall_and_slows_by_1_kt_per_s():
    assert LEVEL.start_above_stall_kt == 10 == START_ABOVE_STALL_KT
    assert "at most 1 kt/s" in LEVEL.entry
    assert "23.201(b)" in LEVEL.basis


def test_23_201c_holds_the_stop_for_2_s():
    assert any("2 s with the stick on the stop" in step for step in LEVEL.procedure)


def test_23_201d_allows_15_deg_of_roll_or_yaw():
    assert any("15 deg of roll or yaw (23.201(d))" in limit for limit in LEVEL.limits)


def test_23_201f_trims_at_1_5_times_the_stall_speed():
    assert LEVEL.trim_over_stall == 1.5


def test_23_203a1_turning_flight_stall_30_deg_and_1_kt_per_s():
    assert TURNING.bank_deg == 30
    assert "at most 1 kt/s" in TURNING.entry
    assert "23.203(a)(1)" in TURNING.basis
    assert any("60 deg with the turn, 30 deg against it (23.203(b)(4))" in limit for limit in TURNING.limits)


def test_23_203a2_accelerated_turning_stall_3_to_5_kt_per_s():
    assert (ACCELERATED.rate_low_kt_per_s, ACCELERATED.rate_high_kt_per_s) == (3, 5)
    assert "23.203(a)(2)" in ACCELERATED.basis
    assert any("90 deg with the turn, 60 deg against it (23.203(b)(5))" in limit for limit in ACCELERATED.limits)


def test_23_207c_warning_5_kt_above_the_stall():
    assert any("5 kt above the stall (23.207(c))" in limit for limit in LEVEL.limits)


def test_23_49a_zero_thrust_at_1_1_times_the_stall_speed_and_most_forward_cg():
    assert any("1.1 times the stall speed (23.49(a)(1))" in limit for limit in SPEEDS.limits)
    assert any("23.49(a)(5)" in limit for limit in SPEEDS.limits)


def test_91_303_allows_no_aerobatic_flight_below_1500_ft():
    """14 CFR 91.303 (public repository AlextheYounga/ecfr, part-91, section-91.303)."""
    assert AEROBATIC_FLOOR_FT == 1500


def test_a_new_campaign_keeps_the_conditions_names_its_paragraphs_and_defers():
    text = campaign_text(
        Answers(
            name="x",
            aircraft="Heron",
            amounts=(("empty_weight_kg", 388.0), ("max_weight_kg", 640.0), ("wing_area_m2", 12.4)),
            flaps=((0.0, None, 47.0), (30.0, 75.0, 41.0)),
            banks=(0.0, 30.0),
            accelerated=True,
        )
    )
    campaign, faults = parse_text(text)

    assert faults == () == check_campaign(campaign)
    assert DEFER in text
    assert [card.basis for card in campaign.cards] == [LEVEL.basis, TURNING.basis, ACCELERATED.basis]
    for point in campaign.points:
        assert point.trim_ias_kt >= point.expected_stall_ias_kt + 10
    # Load factor at 30 deg 1.154 (FAA-style table at ja3.jsfiddle.net/parte/4582533); its square root is 1.074.
    by_id = {p.id: p for p in campaign.points}
    assert by_id["B1"].expected_stall_ias_kt == pytest.approx(47 * 1.154**0.5, abs=0.06)
    assert by_id["C1"].rate_low_kt_per_s == 3 and math.isclose(by_id["C1"].bank_deg, 30)

"""Dimensions and refusals; published figures are in tests/published."""

import pytest

from logger_app.errors import BadQuantity
from logger_app.reduce.standardise import (
    cas_at_1_g_kt,
    cas_at_cg_kt,
    cas_at_weight_kt,
    max_lift_coefficient,
    turn_load_factor,
)


def test_at_its_own_weight_load_factor_and_cg_a_speed_is_itself():
    assert cas_at_weight_kt(48.3, 600, 600) == 48.3
    assert cas_at_1_g_kt(48.3, 1.0) == 48.3
    assert cas_at_cg_kt(48.3, 2050, 2050, 4000) == 48.3


def test_lift_coefficient_scales_as_physics_says():
    cl = max_lift_coefficient(50, 600, 12)

    assert max_lift_coefficient(100, 600, 12) == pytest.approx(cl / 4)
    assert max_lift_coefficient(50, 1200, 12) == pytest.approx(2 * cl)
    assert max_lift_coefficient(50, 600, 24) == pytest.approx(cl / 2)
    assert max_lift_coefficient(50, 600, 12, 2.0) == pytest.approx(2 * cl)


def test_cg_aft_stalls_slower_and_there_and_back_nearly_cancels():
    # Sign and size of an independent flight model: 3.1 in aft of a 15.7 ft arm, 49.86 -> about 49.5 kt.
    aft = cas_at_cg_kt(49.86, 0.0, 3.1 * 25.4, 15.7 * 304.8)

    assert 49.2 < aft < 49.86
    assert cas_at_cg_kt(aft, 3.1 * 25.4, 0.0, 15.7 * 304.8) == pytest.approx(49.86, abs=0.02)


@pytest.mark.parametrize(
    "call",
    [
        lambda: cas_at_weight_kt(48, 0, 600),
        lambda: cas_at_weight_kt(48, 600, -1),
        lambda: cas_at_weight_kt(float("nan"), 600, 600),
        lambda: cas_at_1_g_kt(48, 0),
        lambda: turn_load_factor(90),
        lambda: turn_load_factor(float("nan")),
        lambda: max_lift_coefficient(48, 600, 0),
        lambda: cas_at_cg_kt(48, 0, 2000, 4000),
        lambda: cas_at_cg_kt(48, 0, 10, 0),
        lambda: cas_at_cg_kt(48, 0, 800, 4000),  # a fifth of the arm
        lambda: cas_at_cg_kt(48, 800, 0, 4000),
        lambda: cas_at_cg_kt(0, 0, 10, 4000),
        lambda: turn_load_factor(-90),
        lambda: cas_at_1_g_kt(0, 1),
        lambda: cas_at_weight_kt(48, 600, float("inf")),
        lambda: max_lift_coefficient(0, 600, 12),
        lambda: max_lift_coefficient(48, 0, 12),
        lambda: max_lift_coefficient(48, 600, 12, 0),
    ],
)
def test_what_physics_forbids_is_refused(call):
    with pytest.raises(BadQuantity):
        call()


def test_just_inside_what_physics_allows_is_taken():
    assert cas_at_weight_kt(0.5, 0.5, 0.5) == 0.5
    assert (
        turn_load_factor(89.5) == pytest.approx(turn_load_factor(-89.5)) == pytest.approx(114.59, abs=0.01)
    )  # 1 / sin(0.5 deg)
    assert cas_at_cg_kt(48, 0, 799, 4000) < cas_at_cg_kt(48, 0, 0, 4000) < cas_at_cg_kt(48, 799, 0, 4000)

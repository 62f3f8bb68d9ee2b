"""IAS to CAS to 1 g through the published tables of a certificated aircraft.

Cessna 172S POH: Fig. 5-1 (airspeed calibration, normal static source; two transcriptions agree) and
Fig. 5-3 (power-off stall, 2,550 lb, most rearward CG, KIAS), and 172SPHUS rev. 5 Fig. 5-3 (KCAS).
Transcriptions: check against the book before publishing anything that rests on them.
"""

import pytest

from logger_app.records.plan import CalibrationTable
from logger_app.reduce.calibration import GROWTH_KT_PER_KT, calibrate_ias
from logger_app.reduce.standardise import cas_at_1_g_kt, turn_load_factor

UP = CalibrationTable(
    flap_deg=0,
    ias_kt=(50, 60, 70, 80, 90, 100, 110, 120, 130, 140, 150, 160),
    cas_kt=(56, 62, 70, 78, 87, 97, 107, 117, 127, 137, 147, 157),
)
TEN = CalibrationTable(flap_deg=10, ias_kt=(40, 50, 60, 70, 80, 90, 100, 110), cas_kt=(51, 57, 63, 71, 80, 89, 99, 109))
FULL = CalibrationTable(flap_deg=30, ias_kt=(40, 50, 60, 70, 80, 85), cas_kt=(50, 56, 63, 72, 81, 86))
TABLES = (UP, TEN, FULL)
# Fig. 5-3: flap deg, bank deg, KIAS at the stall; KCAS wings level, aft CG.
BANKED = [
    (0, 30, 52, 53),
    (0, 45, 62, 53),
    (0, 60, 76, 53),
    (10, 30, 45, 50),
    (10, 45, 54, 50),
    (10, 60, 70, 50),
    (30, 30, 43, 48),
    (30, 45, 52, 48),
    (30, 60, 65, 48),
]
# Worked out apart from this program by linear interpolation: bank deg, KIAS, KCAS, KCAS at 1 g.
CHAIN_UP = [(30, 52, 57.20, 53.23), (45, 62, 63.60, 53.48), (60, 76, 74.80, 52.89)]


@pytest.mark.parametrize("table", TABLES, ids=lambda t: f"flap{t.flap_deg:g}")
def test_every_printed_calibration_point_is_returned(table):
    for ias, cas in zip(table.ias_kt, table.cas_kt):
        assert calibrate_ias(TABLES, table.flap_deg, ias).cas_kt == pytest.approx(cas, abs=1e-9)


@pytest.mark.parametrize("bank_deg, kias, kcas, at_1_g", CHAIN_UP)
def test_banked_stalls_flaps_up(bank_deg, kias, kcas, at_1_g):
    found = calibrate_ias(TABLES, 0, kias)

    assert found.cas_kt == pytest.approx(kcas, abs=0.005)
    assert cas_at_1_g_kt(found.cas_kt, turn_load_factor(bank_deg)) == pytest.approx(at_1_g, abs=0.005)


@pytest.mark.parametrize("flap_deg, bank_deg, kias, wings_level_kcas", BANKED)
def test_banked_stalls_come_back_to_the_printed_wings_level_speed(flap_deg, bank_deg, kias, wings_level_kcas):
    cas = calibrate_ias(TABLES, flap_deg, kias).cas_kt

    # Both figures are printed in whole knots: 0.7 kt.
    assert cas_at_1_g_kt(cas, turn_load_factor(bank_deg)) == pytest.approx(wings_level_kcas, abs=0.7)


def test_wings_level_indicated_stall_flaps_up_is_below_the_table_and_marked():
    found = calibrate_ias(TABLES, 0, 48)  # Fig. 5-3: 48 KIAS, 53 KCAS

    assert found.beyond_kt == 2
    assert abs(found.cas_kt - 53) <= 2 * found.u_kt
    assert found.u_kt == pytest.approx((1 + (GROWTH_KT_PER_KT * 2) ** 2) ** 0.5)
    assert "extrapolated" in found.notes[0]


@pytest.mark.parametrize("flap_deg, kias, kcas", [(10, 42, 50), (30, 40, 48)])
def test_the_two_figures_disagree_near_the_stall_by_two_to_three_knots(flap_deg, kias, kcas):
    # A position-error ambiguity in a certificated aircraft: why no calibration at the stall is exact.
    assert 1.5 < calibrate_ias(TABLES, flap_deg, kias).cas_kt - kcas < 3.0


def test_a_ratio_of_indicated_speeds_is_not_a_load_factor():
    # 76/48 KIAS at 60 deg is 1.583, not sqrt 2: corrections are made in CAS.
    assert 76 / 48 == pytest.approx(1.583, abs=0.001)
    ratio = calibrate_ias(TABLES, 0, 76).cas_kt / calibrate_ias(TABLES, 0, 48).cas_kt
    assert ratio == pytest.approx(2**0.5, abs=0.06)  # whole knots at both ends


# Cessna 172P POH Fig. 5-3, 2,400 lb, power off, KCAS: flap deg, aft CG, forward CG.
@pytest.mark.parametrize("flap_deg, aft, forward", [(0, 51, 52), (10, 48, 49), (30, 46, 46)])
def test_forward_cg_never_stalls_slower(flap_deg, aft, forward):
    from logger_app.reduce.standardise import cas_at_cg_kt

    # An invented CG shift of 150 mm on a 4.8 m tail arm: the sign, and less than the printed whole knot and a half.
    moved = cas_at_cg_kt(aft, 150.0, 0.0, 4800.0)

    assert aft <= moved <= forward + 1.5

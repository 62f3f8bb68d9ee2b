"""Weight and balance against printed examples.

Source of WB1 to WB4: SFTE Reference Handbook, 2013 edition (repository
Society-of-Flight-Test-Engineers/handbook-2013, commit be83c9e), chapter 7 (examples of CG
corrections) and chapter 1 (conversion table). WB5 takes the density from there; its weight is
worked out here by hand. Tolerances are half of the last printed digit.
"""

import pytest

from logger_app.plan.keys import MM_PER_IN
from logger_app.plan.loading import weight_and_cg
from logger_app.records.plan import Aircraft, Loading, Station
from logger_app.units import KG_PER_LB, L_PER_USGAL


def loaded(empty, *loads, fuel=(0.0, 0.0)):
    """(weight in lb, CG in inches) of an empty weight and loads, each (lb, inches); negative is removed."""
    aircraft = Aircraft(
        name="printed example",
        empty_weight_kg=empty[0] * KG_PER_LB,
        reference_weight_kg=5000 * KG_PER_LB,
        max_weight_kg=5000 * KG_PER_LB,
        wing_area_m2=15,
        empty_arm_mm=empty[1] * MM_PER_IN,
        fuel_arm_mm=fuel[1] * MM_PER_IN,
        stations=tuple(Station(name=str(n), arm_mm=arm * MM_PER_IN) for n, (_, arm) in enumerate(loads)),
    )
    items = tuple((str(n), lb * KG_PER_LB) for n, (lb, _) in enumerate(loads))
    fuel_l = fuel[0] * KG_PER_LB / aircraft.fuel_density_kg_per_l
    weight_kg, cg_mm = weight_and_cg(aircraft, Loading(items=items, fuel_l=fuel_l), 0.0)
    return weight_kg / KG_PER_LB, cg_mm / MM_PER_IN


def test_wb1_pilot_fuel_and_oil():
    """1075 lb at 84 in, pilot 170 at 85.5, fuel 75 at 94, oil 15 at 31.7: printed 1335 lb, 84.16 in."""
    weight_lb, cg_in = loaded((1075, 84), (170, 85.5), (15, 31.7), fuel=(75, 94))

    assert weight_lb == pytest.approx(1335, abs=0.5)
    assert cg_in == pytest.approx(84.16, abs=0.01)


def test_wb2_three_wheels_on_scales():
    """816 lb at 115 in, 810 at 115, 320 at 40, datum at the spinner: printed 1946 lb, 102.67 in."""
    weight_lb, cg_in = loaded((816, 115), (810, 115), (320, 40))

    assert weight_lb == pytest.approx(1946, abs=0.5)
    assert cg_in == pytest.approx(102.67, abs=0.01)


def test_wb3_equipment_changed_with_the_printed_slip_put_right():
    """1220 lb at 25 in, +15 at 65, -11 at -21.5, +14 at -21.5.

    Printed 25.38 in, from 14 x -21.5 = -294.0; the product is -301.0, which gives 25.37 in.
    """
    weight_lb, cg_in = loaded((1220, 25), (15, 65), (-11, -21.5), (14, -21.5))

    assert weight_lb == pytest.approx(1238, abs=0.5)
    assert cg_in == pytest.approx(25.37, abs=0.005)
    assert cg_in != pytest.approx(25.38, abs=0.005)


def test_wb4_and_wb5_fuel_burnt_at_the_printed_density():
    """Avgas 5.8 lb/US gal (WB4). Start at 1450.0 lb, 6.0 gal/h for 40 min: 1426.8 lb (WB5)."""
    density = 5.8 * KG_PER_LB / L_PER_USGAL
    aircraft = Aircraft(
        name="a",
        empty_weight_kg=1200 * KG_PER_LB,
        reference_weight_kg=1450 * KG_PER_LB,
        max_weight_kg=1500 * KG_PER_LB,
        wing_area_m2=15,
        fuel_density_kg_per_l=density,
    )
    fuel_l = 250 / 5.8 * L_PER_USGAL
    used_l = 6.0 * L_PER_USGAL * 40 / 60

    weight_kg, cg_mm = weight_and_cg(aircraft, Loading(fuel_l=fuel_l), used_l)

    assert density == pytest.approx(0.695, abs=0.0005)
    assert weight_kg / KG_PER_LB == pytest.approx(1426.8, abs=0.01)
    assert cg_mm is None

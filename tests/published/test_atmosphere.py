"""The standard atmosphere against printed tables and two independent libraries."""

import pytest

from logger_app.errors import OutsideValidity
from logger_app.reduce.atmosphere import (
    P0_HPA,
    RHO0_KG_PER_M3,
    T0_K,
    density_altitude_ft,
    density_ratio,
    pressure_altitude_ft,
    pressure_ratio,
    temperature_ratio,
)
from logger_app.units import KG_PER_LB, M_PER_FT

# US Standard Atmosphere 1976 table at engineeringtoolbox.com/standard-atmosphere-d_604.html. The
# column is headed geopotential, but its values are those of geometric altitude.
# altitude ft (geometric), temperature degF, pressure psi, density 1e-4 slug/ft3
TABLE_US = [
    (0, 59.00, 14.696, 23.77),
    (5000, 41.17, 12.228, 20.48),
    (10000, 23.36, 10.108, 17.56),
    (15000, 5.55, 8.297, 14.96),
]
# Public Domain Aeronautical Software's table of the same, as reproduced in the tests of the library
# fluids (tests/test_atmosphere.py at commit 091070e): geometric m, K, Pa, kg/m3.
TABLE_SI = [(2000, 275.15, 79501, 1.0066), (4000, 262.17, 61660, 0.81935)]
# SFTE Reference Handbook 2013 (handbook-2013 at be83c9e), ch. 3 equations: geopotential ft, theta,
# delta, sigma. Values worked out apart from this program and agreeing with fluids 1.3.1.
RATIOS = [
    (1000, 0.993124, 0.964388, 0.971064),
    (2000, 0.986249, 0.929809, 0.942773),
    (3000, 0.979373, 0.896241, 0.915117),
    (4000, 0.972498, 0.863662, 0.888086),
    (5000, 0.965622, 0.832048, 0.861671),
    (6000, 0.958746, 0.801378, 0.83586),
    (8000, 0.944995, 0.742782, 0.786016),
    (10000, 0.931244, 0.687705, 0.738479),
]
# Same chapter, inverse equation with exponent 0.1902632: inHg, ft.
PRESSURE_ALTITUDES = [(29.92126, 0.0), (29.42, 466.8), (30.42, -458.2)]
# Same chapter solved for a day that is not standard: Hp ft, OAT degC, density altitude ft, sigma.
OFF_STANDARD = [(5000, 25.0, 7262.0, 0.80414), (3000, -5.0, 1280.0, 0.96309), (8000, 10.0, 9256.0, 0.7559)]

HPA_PER_PSI = KG_PER_LB * 9.80665 / 0.0254**2 / 100
HPA_PER_INHG = 33.8638866667  # conventional inch of mercury at 0 degC
KG_PER_M3_PER_SLUG_PER_FT3 = KG_PER_LB * 9.80665 / M_PER_FT / M_PER_FT**3


def geopotential_ft(geometric_ft):
    """The 1976 standard's radius of the earth, 6,356,766 m."""
    radius_ft = 6_356_766 / M_PER_FT
    return geometric_ft * radius_ft / (radius_ft + geometric_ft)


@pytest.mark.parametrize("altitude_ft, degf, psi, slugs", TABLE_US)
def test_printed_table_in_us_units(altitude_ft, degf, psi, slugs):
    h = geopotential_ft(altitude_ft)

    assert T0_K * temperature_ratio(h) * 9 / 5 - 459.67 == pytest.approx(degf, abs=0.02)
    assert P0_HPA * pressure_ratio(h) / HPA_PER_PSI == pytest.approx(psi, rel=1e-3)
    assert RHO0_KG_PER_M3 * density_ratio(h) / KG_PER_M3_PER_SLUG_PER_FT3 * 1e4 == pytest.approx(slugs, rel=1e-3)


@pytest.mark.parametrize("altitude_m, kelvin, pascal, density", TABLE_SI)
def test_printed_table_in_si_units(altitude_m, kelvin, pascal, density):
    h = geopotential_ft(altitude_m / M_PER_FT)

    assert T0_K * temperature_ratio(h) == pytest.approx(kelvin, abs=0.005)
    assert P0_HPA * 100 * pressure_ratio(h) == pytest.approx(pascal, rel=5e-5)
    assert RHO0_KG_PER_M3 * density_ratio(h) == pytest.approx(density, rel=5e-5)


@pytest.mark.parametrize("altitude_ft, theta, delta, sigma", RATIOS)
def test_ratios(altitude_ft, theta, delta, sigma):
    assert temperature_ratio(altitude_ft) == pytest.approx(theta, abs=1e-6)
    assert pressure_ratio(altitude_ft) == pytest.approx(delta, abs=2e-6)
    assert density_ratio(altitude_ft) == pytest.approx(sigma, abs=2e-6)


@pytest.mark.parametrize("inhg, altitude_ft", PRESSURE_ALTITUDES)
def test_pressure_altitude(inhg, altitude_ft):
    assert pressure_altitude_ft(inhg * HPA_PER_INHG) == pytest.approx(altitude_ft, abs=0.5)


@pytest.mark.parametrize("altitude_ft, oat_degc, density_alt_ft, sigma", OFF_STANDARD)
def test_density_altitude_and_ratio_off_standard(altitude_ft, oat_degc, density_alt_ft, sigma):
    assert density_altitude_ft(altitude_ft, oat_degc) == pytest.approx(density_alt_ft, abs=1)
    assert density_ratio(altitude_ft, oat_degc) == pytest.approx(sigma, abs=1e-5)


@pytest.mark.parametrize("altitude_ft", range(-2000, 30001, 2000))
def test_against_the_library_fluids(altitude_ft):
    from fluids import ATMOSPHERE_1976

    radius = 6_356_766.0
    h = altitude_ft * M_PER_FT
    theirs = ATMOSPHERE_1976(radius * h / (radius - h))  # it takes geometric altitude

    assert T0_K * temperature_ratio(altitude_ft) == pytest.approx(theirs.T, rel=1e-6)
    assert 100 * P0_HPA * pressure_ratio(altitude_ft) == pytest.approx(theirs.P, rel=2e-6)
    assert RHO0_KG_PER_M3 * density_ratio(altitude_ft) == pytest.approx(theirs.rho, rel=5e-6)


@pytest.mark.parametrize("altitude_ft", range(0, 30001, 3000))
def test_against_the_library_ambiance(altitude_ft):
    from ambiance import Atmosphere

    radius = 6_356_766.0
    h = altitude_ft * M_PER_FT
    theirs = Atmosphere(radius * h / (radius - h))  # ICAO standard, geometric metres

    assert T0_K * temperature_ratio(altitude_ft) == pytest.approx(theirs.temperature[0], rel=1e-5)
    assert 100 * P0_HPA * pressure_ratio(altitude_ft) == pytest.approx(theirs.pressure[0], rel=1e-5)
    assert RHO0_KG_PER_M3 * density_ratio(altitude_ft) == pytest.approx(theirs.density[0], rel=1e-5)


@pytest.mark.parametrize("altitude_ft", [36_089, 60_000, -20_000, float("nan")])
def test_altitudes_outside_the_formula_are_refused(altitude_ft):
    with pytest.raises(OutsideValidity):
        temperature_ratio(altitude_ft)

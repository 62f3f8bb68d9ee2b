"""The airspeed chain. Equations: SFTE Reference Handbook 2013 (handbook-2013 at be83c9e), ch. 4."""

import pytest

from logger_app.reduce.airspeed import cas_from_impact_pressure_kt, cas_from_tas_kt, eas_kt, impact_pressure_hpa, tas_kt
from logger_app.units import KG_PER_LB, M_PER_FT

# "Scale Altitude Correction": CAS kt, Hp ft, EAS kt.
EAS = [(50, 0, 50.0), (50, 5000, 49.993), (50, 10000, 49.984), (120, 10000, 119.779)]
# Ve = VT sqrt(sigma): CAS kt, Hp ft, OAT degC or None for standard, TAS kt.
TAS = [
    (50, 0, None, 50.0),
    (50, 5000, None, 53.856),
    (50, 10000, None, 58.165),
    (120, 10000, None, 139.384),
    (50, 5000, 25.0, 55.75),
]
# "Calibrated Airspeed", British form Vc = 1479 sqrt((qc/2116 + 1)^(2/7) - 1): qc lb/ft2, Vc kt.
CAS_OF_QC = [(0.5, 12.15), (3, 29.76), (10, 54.3), (20, 76.73)]
HPA_PER_PSF = KG_PER_LB * 9.80665 / M_PER_FT**2 / 100


@pytest.mark.parametrize("cas, altitude_ft, expected", EAS)
def test_equivalent_airspeed(cas, altitude_ft, expected):
    assert eas_kt(cas, altitude_ft) == pytest.approx(expected, abs=0.002)


@pytest.mark.parametrize("cas, altitude_ft, oat_degc, expected", TAS)
def test_true_airspeed(cas, altitude_ft, oat_degc, expected):
    assert tas_kt(cas, altitude_ft, oat_degc) == pytest.approx(expected, abs=0.005)


@pytest.mark.parametrize("qc_psf, expected", CAS_OF_QC)
def test_calibrated_airspeed_of_an_impact_pressure(qc_psf, expected):
    # The printed constants (1479, 2116) are rounded: hence the tolerance.
    assert cas_from_impact_pressure_kt(qc_psf * HPA_PER_PSF) == pytest.approx(expected, abs=0.05)


def test_compressibility_may_be_neglected_below_100_kt_and_10000_ft():
    # Size stated with the chain: at most 0.13 kt there, 0.22 kt at 120 kt.
    assert 100 - eas_kt(100, 10_000) == pytest.approx(0.13, abs=0.005)
    assert 120 - eas_kt(120, 10_000) == pytest.approx(0.22, abs=0.005)


def test_impact_pressure_against_bernoulli_at_low_speed():
    # 1/2 rho V^2, independent of the compressible formula; 50 kt is 25.722 m/s.
    assert 100 * impact_pressure_hpa(50) == pytest.approx(0.5 * 1.225 * 25.7222**2, rel=2e-3)


def test_true_airspeed_and_back():
    for cas in (30.0, 47.3, 90.0):
        assert cas_from_tas_kt(tas_kt(cas, 6500, 12.0), 6500, 12.0) == pytest.approx(cas, abs=1e-9)

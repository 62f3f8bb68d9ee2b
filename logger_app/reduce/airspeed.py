"""The airspeed chain: CAS, EAS, TAS and impact pressure. Subsonic, perfect gas.

Not for: the indicator and its static port (see `calibration`). IAS passed as CAS is the
unit error of this trade: no function here takes an IAS.
"""

from __future__ import annotations

import math

from logger_app.errors import BadQuantity
from logger_app.reduce.atmosphere import P0_HPA, RHO0_KG_PER_M3, density_ratio, pressure_ratio
from logger_app.units import KT_PER_MPS, CasKt, EasKt, TasKt

# Speed of sound at sea level, US Standard Atmosphere 1976 (from memory: 340.294 m/s) [USSA76].
A0_KT = 340.294 * KT_PER_MPS
_PA_PER_HPA = 100.0


def impact_pressure_hpa(cas_kt: CasKt) -> float:
    """Impact pressure qc [hPa] that an airspeed indicator turns into CAS.

    Raises
    ------
    BadQuantity
        The speed is negative or not below the speed of sound at sea level.

    Notes
    -----
    qc = P0 ((1 + 0.2 (Vc / a0)^2)^3.5 - 1).

    References
    ----------
    [SFTE] ch. 4, "Calibrated Airspeed".
    """
    if not 0 <= cas_kt < A0_KT:
        raise BadQuantity(f"calibrated airspeed {cas_kt:g} kt; needs 0 to {A0_KT:.0f} kt")
    # expm1/log1p: qc is a few thousandths of P0 at stall speeds.
    return P0_HPA * math.expm1(3.5 * math.log1p(0.2 * (cas_kt / A0_KT) ** 2))


def cas_from_impact_pressure_kt(impact_pressure_hpa: float) -> CasKt:
    """The inverse of `impact_pressure_hpa`.

    Raises
    ------
    BadQuantity
        The pressure is negative.

    Notes
    -----
    Vc = a0 sqrt(5 ((qc / P0 + 1)^(2/7) - 1)).

    References
    ----------
    [SFTE] ch. 4, "Calibrated Airspeed" (printed there in lb/ft2: 1479 sqrt(...)).
    """
    if not impact_pressure_hpa >= 0:
        raise BadQuantity(f"impact pressure {impact_pressure_hpa:g} hPa; needs 0 or more")
    return CasKt(A0_KT * math.sqrt(5 * math.expm1(math.log1p(impact_pressure_hpa / P0_HPA) * 2 / 7)))


def eas_kt(cas_kt: CasKt, pressure_altitude_ft: float) -> EasKt:
    """Equivalent airspeed from calibrated airspeed: the compressibility step.

    Raises
    ------
    BadQuantity, OutsideValidity
        See `impact_pressure_hpa` and `atmosphere.temperature_ratio`.

    Notes
    -----
    Ve = sqrt(7 (Pa / rho0) ((qc / Pa + 1)^(2/7) - 1)). At 50 kt and 10,000 ft it is 0.02 kt.

    References
    ----------
    [SFTE] ch. 4, "Scale Altitude Correction".

    Examples
    --------
    >>> round(eas_kt(120, 10_000), 2)
    119.78
    """
    qc_hpa = impact_pressure_hpa(cas_kt)
    p_hpa = P0_HPA * pressure_ratio(pressure_altitude_ft)
    step = math.expm1(math.log1p(qc_hpa / p_hpa) * 2 / 7)
    return EasKt(KT_PER_MPS * math.sqrt(7 * _PA_PER_HPA * p_hpa / RHO0_KG_PER_M3 * step))


def tas_kt(cas_kt: CasKt, pressure_altitude_ft: float, oat_degc: float | None = None) -> TasKt:
    """True airspeed from calibrated airspeed; the standard temperature where `oat_degc` is not given.

    Raises
    ------
    BadQuantity, OutsideValidity
        See `eas_kt` and `atmosphere.density_ratio`.

    Notes
    -----
    VT = Ve / sqrt(sigma).

    References
    ----------
    [SFTE] ch. 4.

    Examples
    --------
    >>> round(tas_kt(50, 5000, 25.0), 2)
    55.75
    """
    return TasKt(eas_kt(cas_kt, pressure_altitude_ft) / math.sqrt(density_ratio(pressure_altitude_ft, oat_degc)))


def cas_from_tas_kt(tas_kt: TasKt, pressure_altitude_ft: float, oat_degc: float | None = None) -> CasKt:
    """Calibrated airspeed from true airspeed, as GPS legs give it; `oat_degc` as for `tas_kt`.

    Raises
    ------
    BadQuantity
        The speed is negative.
    OutsideValidity
        See `atmosphere.density_ratio`.

    Notes
    -----
    Ve = VT sqrt(sigma), then qc = Pa ((1 + rho0 Ve^2 / (7 Pa))^3.5 - 1), then Vc of that qc.

    References
    ----------
    [SFTE] ch. 4, solved the other way round.

    Examples
    --------
    >>> round(cas_from_tas_kt(tas_kt(50, 5000, 25.0), 5000, 25.0), 9)
    50.0
    """
    if not tas_kt >= 0:
        raise BadQuantity(f"true airspeed {tas_kt:g} kt; needs 0 or more")
    equivalent_mps = tas_kt * math.sqrt(density_ratio(pressure_altitude_ft, oat_degc)) / KT_PER_MPS
    p_hpa = P0_HPA * pressure_ratio(pressure_altitude_ft)
    step = RHO0_KG_PER_M3 * equivalent_mps**2 / (7 * _PA_PER_HPA * p_hpa)
    return cas_from_impact_pressure_kt(p_hpa * math.expm1(3.5 * math.log1p(step)))

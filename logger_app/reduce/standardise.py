"""Stall speeds re-expressed at another weight, load factor or CG, and CLmax.

All of it is in CAS (below 100 kt and 10,000 ft CAS is EAS within 0.13 kt): an *indicated*
speed must not be scaled, its position error changes with speed. Not for: entry rate (see
`statistics.line_at`), thrust (power-on results are reported at the stated power).
"""

from __future__ import annotations

import math

from logger_app.errors import BadQuantity
from logger_app.reduce.atmosphere import RHO0_KG_PER_M3
from logger_app.units import G0_MPS2, KT_PER_MPS, EasKt


def cas_at_weight_kt(cas_kt: float, weight_kg: float, to_weight_kg: float) -> float:
    """Stall speed re-expressed at another weight.

    Parameters
    ----------
    cas_kt : float
        Calibrated airspeed at the stall [kt].
    weight_kg : float
        Weight when it was flown [kg].
    to_weight_kg : float
        Weight to express the speed at [kg].

    Returns
    -------
    float
        Calibrated airspeed at `to_weight_kg` [kt].

    Raises
    ------
    BadQuantity
        A weight or the speed is not positive.

    Notes
    -----
    V2 = V1 sqrt(W2 / W1): same lift coefficient, load factor and CG position.

    References
    ----------
    [SFTE] ch. 12, "Power Standardization": Viw = Ve_t (Ws / Wt)^0.5.

    Examples
    --------
    >>> round(cas_at_weight_kt(48.0, 1450, 1600), 3)
    50.422
    """
    _positive(cas_kt=cas_kt, weight_kg=weight_kg, to_weight_kg=to_weight_kg)
    return cas_kt * math.sqrt(to_weight_kg / weight_kg)


def turn_load_factor(bank_deg: float) -> float:
    """Load factor of a level, coordinated turn.

    Parameters
    ----------
    bank_deg : float
        Bank, either side [deg].

    Raises
    ------
    BadQuantity
        The bank is not between -90 and 90 deg.

    Notes
    -----
    n = 1 / cos(bank). In a stall the flight path curves down and n is less than this.

    References
    ----------
    [SFTE] ch. 12.

    Examples
    --------
    >>> round(turn_load_factor(60), 4)
    2.0
    """
    if not -90 < bank_deg < 90:
        raise BadQuantity(f"bank {bank_deg:g} deg; needs to be between -90 and 90 deg")
    return 1 / math.cos(math.radians(bank_deg))


def cas_at_1_g_kt(cas_kt: float, load_factor: float) -> float:
    """Stall speed at a measured load factor, re-expressed at 1 g.

    Parameters
    ----------
    cas_kt : float
        Calibrated airspeed at the stall [kt].
    load_factor : float
        Load factor normal to the flight path at the same instant.

    Returns
    -------
    float
        Calibrated airspeed at 1 g [kt].

    Raises
    ------
    BadQuantity
        The load factor or the speed is not positive.

    Notes
    -----
    Vs1g = V / sqrt(nzw). With `turn_load_factor` in place of a measured value it is only fair
    between stalls flown at the same bank: the flight path curves down and n has fallen.

    References
    ----------
    [CFR25.103] (a).

    Examples
    --------
    >>> round(cas_at_1_g_kt(48.82, 0.9587), 2)
    49.86
    """
    _positive(cas_kt=cas_kt, load_factor=load_factor)
    return cas_kt / math.sqrt(load_factor)


# At the stall of a light aeroplane in an idle glide, common practice, no source: angle of attack of the body, and
# what an accelerometer along it reads (path downhill, slowing at about 1 kt/s), each with its standard uncertainty.
STALL_ALPHA_DEG, STALL_ALPHA_U_DEG = 15.0, 3.0
STALL_NX, STALL_NX_U = 0.08, 0.05


def wind_axis_load_factor(
    nz_body: float, nz_u: float, alpha_deg: float | None = None, pitch_deg: float | None = None
) -> tuple[float, float]:
    """Load factor normal to the flight path from a sensor that is fixed to the body.

    Parameters
    ----------
    nz_body : float
        As recorded, normal to the body.
    nz_u : float
        Its standard uncertainty.
    alpha_deg : float, optional
        Angle of attack of the body; a usual one at the stall if not given [deg].
    pitch_deg : float, optional
        Attitude, for what the sensor's other axis would read [deg].

    Returns
    -------
    (float, float)
        The load factor and its standard uncertainty.

    Notes
    -----
    nzw = nz cos(alpha) + nx sin(alpha); nx = sin(pitch) less the deceleration, about 0.05 g.

    References
    ----------
    [DERIVED] rotation of body axes by the angle of attack; held to flown runs of an independent flight model.

    Examples
    --------
    >>> round(wind_axis_load_factor(0.9695, 0.02)[0], 3)
    0.957
    """
    alpha, alpha_u = (STALL_ALPHA_DEG, STALL_ALPHA_U_DEG) if alpha_deg is None else (alpha_deg, 1.0)
    nx, nx_u = (STALL_NX, STALL_NX_U) if pitch_deg is None else (math.sin(math.radians(pitch_deg)) - 0.05, 0.03)
    sine, cosine = math.sin(math.radians(alpha)), math.cos(math.radians(alpha))
    turn = (nx * cosine - nz_body * sine) * math.radians(alpha_u)
    return nz_body * cosine + nx * sine, math.sqrt((cosine * nz_u) ** 2 + turn**2 + (sine * nx_u) ** 2)


def max_lift_coefficient(eas_kt: EasKt, weight_kg: float, wing_area_m2: float, load_factor: float = 1.0) -> float:
    """CL at the stall.

    Parameters
    ----------
    eas_kt : float
        Equivalent airspeed at the stall [kt].
    weight_kg : float
        Weight [kg].
    wing_area_m2 : float
        Wing area [m2].
    load_factor : float
        Load factor normal to the flight path.

    Raises
    ------
    BadQuantity
        A quantity is not positive.

    Notes
    -----
    CL = n W g / (q S), q = rho0 Ve^2 / 2.

    References
    ----------
    [SFTE] ch. 4, q = rho0 Ve^2 / 2.
    """
    _positive(eas_kt=eas_kt, weight_kg=weight_kg, wing_area_m2=wing_area_m2, load_factor=load_factor)
    q_pa = 0.5 * RHO0_KG_PER_M3 * (eas_kt / KT_PER_MPS) ** 2
    return load_factor * weight_kg * G0_MPS2 / (q_pa * wing_area_m2)


def cas_at_cg_kt(cas_kt: float, cg_mm: float, to_cg_mm: float, tail_arm_mm: float) -> float:
    """Stall speed re-expressed at another CG, to first order. Only on request: flying at one CG is better.

    Parameters
    ----------
    cas_kt : float
        Calibrated airspeed at the stall [kt].
    cg_mm : float
        CG when it was flown, aft of datum [mm].
    to_cg_mm : float
        CG to express the speed at, aft of datum [mm].
    tail_arm_mm : float
        From the CG to the tail's quarter chord [mm].

    Returns
    -------
    float
        Calibrated airspeed at `to_cg_mm` [kt].

    Raises
    ------
    BadQuantity
        The speed or the arm is not positive, or the move is a fifth of the arm or more.

    Notes
    -----
    dCL = CLmax dx / lt for a move dx aft (less download on the tail), V ~ CL^-1/2.

    References
    ----------
    [DERIVED] moment balance; first order only.
    """
    _positive(cas_kt=cas_kt, tail_arm_mm=tail_arm_mm)
    share = (to_cg_mm - cg_mm) / tail_arm_mm
    if not abs(share) < 0.2:
        raise BadQuantity(
            f"CG from {cg_mm:g} to {to_cg_mm:g} mm; the first-order correction needs less than a fifth of the tail arm"
        )
    return cas_kt / math.sqrt(1 + share)


def _positive(**quantities: float) -> None:
    bad = [f"{name} {value:g}" for name, value in quantities.items() if not (value > 0 and math.isfinite(value))]
    if bad:
        raise BadQuantity(f"{', '.join(bad)}; needs more than 0")

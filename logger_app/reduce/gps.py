"""Airspeed calibration from GPS legs: true airspeed and wind from ground speeds, then IAS to CAS.

Legs are flown at constant indicated airspeed, altitude and power in a steady wind. With track
known, the tips of the ground velocities lie on a circle about the wind whose radius is the true
airspeed; with heading known instead, the speeds alone are enough. Not valid, and not done:
averaging ground speeds over headings. Not for: reading files (see `trace_io`, `legs_io`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logger_app.errors import BadQuantity, TooFewCalls
from logger_app.records.plan import CalibrationTable
from logger_app.reduce.airspeed import cas_from_tas_kt
from logger_app.units import TasKt, speed_text

MIN_LEGS = 3
# Residual above which a set is not used; suggested common practice, no source.
LARGEST_RESIDUAL_KT = 1.5
# Expected steadiness of one leg's ground speed and airspeed, one sigma, and how many degrees of freedom that
# belief counts for beside the residuals. Common practice, no source.
LEG_U_KT = 0.75
LEG_PRIOR_DF = 2.0
# Without an outside air temperature it may be this far from the standard one: a warm or cold day (common practice).
OAT_U_DEGC = 10.0
# A height from satellites taken for a pressure altitude: QNH and temperature of the day (common practice).
GPS_ALTITUDE_U_FT = 400.0
# Worse geometry than this leaves wind and airspeed indistinct (condition of the equations). Ours.
LARGEST_CONDITION = 12.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Leg:
    """One steady leg. Of track and heading at least one is known; `heading_deg` may be magnetic. `unit` is the dial's."""

    ground_speed_kt: float
    ias_kt: float
    flap_deg: float = 0.0
    track_deg: float | None = None
    heading_deg: float | None = None
    pressure_altitude_ft: float | None = None
    oat_degc: float | None = None
    where: str = ""
    unit: str = "kt"
    gps_altitude: bool = False  # the altitude is a height from satellites, not a pressure altitude


@dataclass(frozen=True, slots=True, kw_only=True)
class WindSolution:
    """True airspeed and wind of a set of legs. `residual_kt` is the misfit of a leg, over n - 3 degrees of freedom;
    NaN for three legs."""

    tas_kt: float
    tas_u_kt: float
    wind_kt: float
    wind_from_deg: float
    residual_kt: float
    headings_deg: tuple[float, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationPoint:
    """One speed at one flap setting: what the indicator showed and what it was. `unit` is the dial's."""

    flap_deg: float
    ias_kt: float
    cas_kt: float
    cas_u_kt: float
    solution: WindSolution
    legs: int
    usable: bool = True
    notes: tuple[str, ...] = ()
    unit: str = "kt"


def wind_from_tracks(ground_speed_kt: Sequence[float], track_deg: Sequence[float]) -> WindSolution:
    """True airspeed and wind from three or more ground speeds and tracks.

    Parameters
    ----------
    ground_speed_kt : sequence of float
        Ground speed of each leg [kt].
    track_deg : sequence of float
        True track of each leg [deg].

    Returns
    -------
    WindSolution
        Least squares with wind; exact for three legs.

    Raises
    ------
    TooFewCalls
        Fewer than three legs.
    BadQuantity
        A speed is not positive, or the tracks are too alike to tell wind from airspeed.

    Notes
    -----
    Minimises sum (|g_i - w| - TAS)^2. Start: 2 (g_i - g_1) . w = |g_i|^2 - |g_1|^2, linear.

    References
    ----------
    [GRAY1998]; [SFTE] ch. 4, "Cloverleaf" (its slope form fails when two legs have equal north
    components; this one does not).

    Examples
    --------
    >>> s = wind_from_tracks([140, 112, 120], [192, 283, 20])
    >>> round(s.tas_kt, 2), round(s.wind_kt, 2), round(s.wind_from_deg, 1)
    (130.0, 20.63, 314.8)
    """
    speed, track = _checked(ground_speed_kt, track_deg)
    ground = speed[:, None] * np.column_stack([np.cos(track), np.sin(track)])  # north, east
    offset, square = ground[1:] - ground[0], speed[1:] ** 2 - speed[0] ** 2
    _distinct(offset, speed)
    wind = np.linalg.lstsq(2 * offset, square, rcond=None)[0]
    unknown = np.append(wind, np.linalg.norm(ground - wind, axis=1).mean())

    def misfit(u):
        air = ground - u[:2]
        length = np.linalg.norm(air, axis=1)
        return length - u[2], np.column_stack([-air / length[:, None], -np.ones(len(length))])

    unknown, residual, inverse = _gauss_newton(unknown, misfit)
    air = ground - unknown[:2]
    return _solution(unknown, residual, inverse, np.degrees(np.arctan2(air[:, 1], air[:, 0])) % 360)


def wind_from_headings(ground_speed_kt: Sequence[float], heading_deg: Sequence[float]) -> WindSolution:
    """True airspeed and wind from three or more ground speeds on known headings, tracks unknown.

    Parameters
    ----------
    ground_speed_kt : sequence of float
        Ground speed of each leg [kt].
    heading_deg : sequence of float
        Heading of each leg; all true or all magnetic [deg].

    Returns
    -------
    WindSolution
        Least squares; the branch with TAS above the wind. Wind in the headings' own north.

    Raises
    ------
    TooFewCalls
        Fewer than three legs.
    BadQuantity
        A speed is not positive, or the headings are too alike.

    Notes
    -----
    Minimises sum (|TAS h_i + w| - v_i)^2. For headings 120 deg apart it equals the closed form
    TAS^2 = vms (1/2 + sqrt(1/4 - mu)), mu = sum((v_i^2 / vms - 1)^2) / 6.

    References
    ----------
    [WILLIAMS]; [SFTE] ch. 4, "Horseshoe Heading" (printed with ambiguous signs).

    Examples
    --------
    >>> s = wind_from_headings([113.891, 108.481, 80.379], [40, 160, 280])
    >>> round(s.tas_kt, 2), round(s.wind_kt, 2), round(s.wind_from_deg)
    (100.0, 20.0, 270)
    """
    speed, heading = _checked(ground_speed_kt, heading_deg)
    unit = np.column_stack([np.cos(heading), np.sin(heading)])
    _distinct(speed.mean() * (unit[1:] - unit[0]), speed)

    def misfit(u):
        ground = u[2] * unit + u[:2]
        length = np.maximum(np.linalg.norm(ground, axis=1), 1e-9)
        along = ground / length[:, None]
        return length - speed, np.column_stack([along, (along * unit).sum(axis=1)])

    # v^2 = (TAS^2 + w^2) + 2 TAS (h . w): linear in its three unknowns.
    linear = np.linalg.lstsq(np.column_stack([np.ones(len(speed)), 2 * unit]), speed**2, rcond=None)[0]
    half, cross = linear[0] / 2, float(linear[1:] @ linear[1:])
    tas = math.sqrt(half + math.sqrt(max(half**2 - cross, 0.0)))
    unknown, residual, inverse = _gauss_newton(np.append(linear[1:] / tas, tas), misfit)
    return _solution(unknown, residual, inverse, np.degrees(heading) % 360)


def calibration_point(legs: Sequence[Leg]) -> CalibrationPoint:
    """Calibrated airspeed of one set of legs, flown at one indicated airspeed and flap setting.

    Parameters
    ----------
    legs : sequence of Leg
        Three or more; all with tracks, or all with headings.

    Returns
    -------
    CalibrationPoint
        `usable` is False when the residual says that wind or speed was not steady.

    Raises
    ------
    TooFewCalls, BadQuantity
        See `wind_from_tracks`; or altitude is missing, or neither track nor heading is complete.

    Notes
    -----
    CAS = TAS sqrt(sigma), with compressibility; position correction is CAS - IAS.

    References
    ----------
    [SFTE] ch. 4, Ve = VT sqrt(sigma), dVpc = Vc - Vic.
    """
    altitudes = [leg.pressure_altitude_ft for leg in legs if leg.pressure_altitude_ft is not None]
    tracks = [leg.track_deg for leg in legs if leg.track_deg is not None]
    headings = [leg.heading_deg for leg in legs if leg.heading_deg is not None]
    if len(altitudes) < len(legs):
        raise BadQuantity(f"{legs[0].where or 'legs'}: pressure altitude is missing; it is needed for the density")
    speeds = [leg.ground_speed_kt for leg in legs]
    if len(tracks) == len(legs):
        solution = wind_from_tracks(speeds, tracks)
    elif len(headings) == len(legs):
        solution = wind_from_headings(speeds, headings)
    else:
        raise BadQuantity(f"{legs[0].where or 'legs'}: give the track of every leg, or the heading of every leg")
    notes, unit = list(solution.notes), legs[0].unit
    temperatures = [leg.oat_degc for leg in legs if leg.oat_degc is not None]
    oat = float(np.mean(temperatures)) if temperatures else None
    if oat is None:
        notes.append(
            "no outside air temperature: the standard one is assumed, which may be 2 % of the speed off; give --oat-degc"
        )
    cas = cas_from_tas_kt(TasKt(solution.tas_kt), float(np.mean(altitudes)), oat)
    usable = not solution.residual_kt > LARGEST_RESIDUAL_KT  # NaN: three legs, no check
    if not usable:
        got, most = speed_text(solution.residual_kt, unit), speed_text(LARGEST_RESIDUAL_KT, unit, ".2g")
        notes.append(f"residual {got} is above {most}: not used")
    if any(leg.gps_altitude for leg in legs):
        notes.append("height from satellites taken for pressure altitude: give --pressure-altitude-ft")
    indicated = [leg.ias_kt for leg in legs]
    return CalibrationPoint(
        unit=unit,
        flap_deg=legs[0].flap_deg,
        ias_kt=float(np.mean(indicated)),
        cas_kt=cas,
        cas_u_kt=math.hypot(
            solution.tas_u_kt * cas / solution.tas_kt,
            float(np.std(indicated)) / math.sqrt(len(legs)),
            cas * _density_share(oat is None, any(leg.gps_altitude for leg in legs)),
        ),
        solution=solution,
        legs=len(legs),
        usable=usable,
        notes=tuple(notes),
    )


def _density_share(no_temperature: bool, gps_altitude: bool) -> float:
    """Uncertainty of CAS as a share, from what is not known of the air's density (CAS goes with its square root)."""
    temperature = 0.5 * OAT_U_DEGC / 288.15 if no_temperature else 0.0
    height = 0.5 * GPS_ALTITUDE_U_FT / 33_000.0 if gps_altitude else 0.0  # density falls by 1/33,000 a foot
    return math.hypot(temperature, height)


def calibration_tables(points: Sequence[CalibrationPoint], source: str) -> tuple[CalibrationTable, ...]:
    """Tables that a campaign can use, one a flap setting with two usable speeds or more.

    Parameters
    ----------
    points : sequence of CalibrationPoint
        In any order; unusable ones are left out.
    source : str
        Where the points come from, kept in the table.

    Returns
    -------
    tuple of CalibrationTable
        Rising in IAS, of sets flown at the same the mean; `u_kt` is the rms of the points' uncertainties.

    References
    ----------
    [CP] one table a flap setting, down to the slowest safe trimmed speed.
    """
    tables = []
    for flap in sorted({p.flap_deg for p in points}):
        usable = [p for p in points if p.flap_deg == flap and p.usable]
        at_ias: dict[float, list[float]] = {}
        for point in usable:
            at_ias.setdefault(round(point.ias_kt, 1), []).append(point.cas_kt)
        if len(at_ias) < 2:
            continue
        tables.append(
            CalibrationTable(
                flap_deg=flap,
                ias_kt=tuple(sorted(at_ias)),
                cas_kt=tuple(round(sum(at_ias[ias]) / len(at_ias[ias]), 1) for ias in sorted(at_ias)),
                u_kt=round(math.sqrt(sum(p.cas_u_kt**2 for p in usable) / len(usable)), 2),
                source=source,
            )
        )
    return tuple(tables)


def _checked(speeds: Sequence[float], angles: Sequence[float]) -> tuple[np.ndarray, np.ndarray]:
    if len(speeds) != len(angles):
        raise TypeError("one angle a speed")
    if len(speeds) < MIN_LEGS:
        raise TooFewCalls(f"{len(speeds)} leg(s); airspeed and wind need at least {MIN_LEGS}")
    bad = [f"leg {k}: {v:g} kt, {a:g} deg" for k, (v, a) in enumerate(zip(speeds, angles), 1) if not _fair(v, a)]
    if bad:
        raise BadQuantity(f"{'; '.join(bad)}; a ground speed needs to be above 0 and an angle within -360 to 360 deg")
    return np.asarray(speeds, float), np.radians(np.asarray(angles, float))


def _fair(speed: float, angle: float) -> bool:
    return math.isfinite(speed) and 0 < speed < 600 and math.isfinite(angle) and -360 <= angle <= 360


def _distinct(offset: np.ndarray, speed: np.ndarray) -> None:
    """Refuse legs that all point nearly the same way, or nearly along one line."""
    spread = np.linalg.svd(offset, compute_uv=False)
    if spread[-1] < float(speed.mean()) / LARGEST_CONDITION:
        raise BadQuantity(
            "the legs point too nearly along one line to tell wind from airspeed; fly them 90 to 120 deg apart"
        )


def _gauss_newton(unknown, misfit):
    for _ in range(50):
        residual, jacobian = misfit(unknown)
        step = np.linalg.lstsq(jacobian, residual, rcond=None)[0]
        unknown = unknown - step
        if float(np.abs(step).max()) < 1e-10:
            break
    residual, jacobian = misfit(unknown)
    return unknown, residual, np.linalg.pinv(jacobian.T @ jacobian)


def _solution(unknown, residual, inverse, headings_deg) -> WindSolution:
    north, east, tas = map(float, unknown)
    free = len(residual) - 3
    squares = float(residual @ residual)
    variance = (squares + LEG_PRIOR_DF * LEG_U_KT**2) / (free + LEG_PRIOR_DF)
    notes = ("three legs: nothing checks that the wind was steady; a fourth would",) if free == 0 else ()
    return WindSolution(
        tas_kt=tas,
        tas_u_kt=math.sqrt(variance * float(inverse[2, 2])),
        wind_kt=math.hypot(north, east),
        wind_from_deg=(math.degrees(math.atan2(east, north)) + 180) % 360,
        residual_kt=math.sqrt(squares / free) if free else math.nan,
        headings_deg=tuple(map(float, headings_deg)),
        notes=notes,
    )

"""Standard atmosphere below 36,089 ft and density altitude.

Not for: the stratosphere, humidity. Main names: `temperature_ratio`, `pressure_ratio`,
`density_ratio`, `pressure_altitude_ft`, `density_altitude_ft`.
"""

from __future__ import annotations

from logger_app.errors import OutsideValidity

# SFTE Reference Handbook 2013, ch. 3, "1976 U.S. Standard Atmosphere Equations" [SFTE].
LAPSE_PER_FT = 6.8755856e-6
PRESSURE_EXPONENT = 5.255876
DENSITY_EXPONENT = 4.255876
INVERSE_PRESSURE_EXPONENT = 0.1902632
P0_HPA = 1013.25
T0_K = 288.15
RHO0_KG_PER_M3 = 1.225
KELVIN_AT_0_DEGC = 273.15
TROPOPAUSE_FT = 36_089.0
LOWEST_FT = -16_404.0  # -5 km, the lower end of the 1976 tables (from memory)


def temperature_ratio(pressure_altitude_ft: float) -> float:
    """Standard temperature at a geopotential pressure altitude over its sea-level value, theta.

    Raises
    ------
    OutsideValidity
        The altitude is not within -16,404 to 36,089 ft.

    Notes
    -----
    theta = 1 - 6.8755856e-6 h.

    References
    ----------
    [SFTE] ch. 3, "1976 U.S. Standard Atmosphere Equations".

    Examples
    --------
    >>> round(temperature_ratio(5000), 6)
    0.965622
    """
    if not LOWEST_FT <= pressure_altitude_ft < TROPOPAUSE_FT:
        raise OutsideValidity(
            f"pressure altitude {pressure_altitude_ft:g} ft; the formula holds from {LOWEST_FT:g} to {TROPOPAUSE_FT:g} ft"
        )
    return 1 - LAPSE_PER_FT * pressure_altitude_ft


def pressure_ratio(pressure_altitude_ft: float) -> float:
    """Standard pressure over its sea-level value, delta.

    Raises
    ------
    OutsideValidity
        See `temperature_ratio`.

    Notes
    -----
    delta = theta ** 5.255876.

    References
    ----------
    [SFTE] ch. 3.
    """
    return temperature_ratio(pressure_altitude_ft) ** PRESSURE_EXPONENT


def density_ratio(pressure_altitude_ft: float, oat_degc: float | None = None) -> float:
    """Air density over its standard sea-level value, sigma; the standard temperature where `oat_degc` is not given.

    Raises
    ------
    OutsideValidity
        See `temperature_ratio`; or the temperature is outside -80 to +60 degC.

    Notes
    -----
    sigma = theta ** 4.255876 on a standard day, delta / (T / 288.15) on any other.

    References
    ----------
    [SFTE] ch. 3. That chapter's nomenclature defines sigma as Pa/P0; this is a misprint for
    rho/rho0.

    Examples
    --------
    >>> round(density_ratio(5000, 25.0), 5)
    0.80414
    """
    if oat_degc is None:
        return temperature_ratio(pressure_altitude_ft) ** DENSITY_EXPONENT
    if not -80.0 <= oat_degc <= 60.0:
        raise OutsideValidity(f"outside air temperature {oat_degc:g} degC; expected -80 to 60 degC")
    return pressure_ratio(pressure_altitude_ft) * T0_K / (oat_degc + KELVIN_AT_0_DEGC)


def pressure_altitude_ft(pressure_hpa: float) -> float:
    """Pressure altitude of a static pressure.

    Raises
    ------
    OutsideValidity
        The pressure is not that of an altitude below 36,089 ft.

    Notes
    -----
    Hp = (1 - (Pa / P0) ** 0.1902632) / 6.8755856e-6.

    References
    ----------
    [SFTE] ch. 3, inverse pressure-altitude equation.
    """
    if not 226.3 <= pressure_hpa <= 1800.0:
        raise OutsideValidity(f"pressure {pressure_hpa:g} hPa; expected 226.3 to 1800 hPa")
    return (1 - (pressure_hpa / P0_HPA) ** INVERSE_PRESSURE_EXPONENT) / LAPSE_PER_FT


def density_altitude_ft(pressure_altitude_ft: float, oat_degc: float) -> float:
    """Altitude at which the standard atmosphere has the density that there is.

    Raises
    ------
    OutsideValidity
        See `density_ratio`.

    Notes
    -----
    Hd = (1 - sigma ** (1 / 4.255876)) / 6.8755856e-6.

    References
    ----------
    [SFTE] ch. 3, solved for altitude.

    Examples
    --------
    >>> round(density_altitude_ft(5000, 25.0))
    7262
    """
    return (1 - density_ratio(pressure_altitude_ft, oat_degc) ** (1 / DENSITY_EXPONENT)) / LAPSE_PER_FT

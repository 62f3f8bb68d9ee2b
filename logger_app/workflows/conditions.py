"""The air at the aerodrome of a flight: from the METAR in the campaign file, from fields beside it, or both.

A field that is given holds over what the METAR says. Main names: `conditions_of`, `conditions_at`.
"""

from __future__ import annotations

from logger_app.domain.metar import altimeter_setting_hpa, read_metar
from logger_app.records.plan import PlannedFlight
from logger_app.reduce.atmosphere import density_altitude_ft, pressure_altitude_ft
from logger_app.report.extras import Conditions


def conditions_of(flight: PlannedFlight) -> Conditions | None:
    """What the campaign file says of a flight's air; None where it says nothing."""
    metar = read_metar(flight.metar) if flight.metar else None
    given = (flight.oat_degc, flight.qnh_hpa, flight.wind_kt)
    if metar is None and given == (None, None, None):
        return None
    wind = (
        f"{flight.wind_deg:03.0f}/{flight.wind_kt:.0f} kt"
        if flight.wind_kt is not None and flight.wind_deg is not None
        else ""
    )
    oat_degc, qnh_hpa = flight.oat_degc, altimeter_setting_hpa(flight)
    if metar is not None:
        oat_degc = metar.oat_degc if oat_degc is None else oat_degc
        if not wind and metar.wind_kt is not None:
            direction = "variable" if metar.wind_deg is None else f"{metar.wind_deg:03}"
            gust = f", gusts {metar.gust_kt:.0f}" if metar.gust_kt else ""
            wind = "calm" if metar.wind_kt == 0 else f"{direction}/{metar.wind_kt:.0f}{gust} kt"
    source = f"METAR {metar.station}, {metar.issued}" if metar else ""
    if given != (None, None, None):
        source = f"{source}, with the team's values" if source else "the team's values"
    return conditions_at(flight.elevation_ft, qnh_hpa, oat_degc, wind, source)


def conditions_at(
    elevation_ft: float | None = None,
    qnh_hpa: float | None = None,
    oat_degc: float | None = None,
    wind: str = "",
    source: str = "",
) -> Conditions:
    """With the pressure and density altitude of the aerodrome, where what they need is known.

    Parameters
    ----------
    elevation_ft : float, optional
        Of the aerodrome [ft].
    qnh_hpa : float, optional
        Pressure reduced to sea level by the standard atmosphere [hPa].
    oat_degc : float, optional
        Temperature at the aerodrome [degC].
    """
    pressure_ft = density_ft = None
    if elevation_ft is not None and qnh_hpa is not None:
        # An altimeter set to QNH reads the elevation, and its two scales differ by the pressure altitude of QNH.
        pressure_ft = elevation_ft + pressure_altitude_ft(qnh_hpa)
        density_ft = density_altitude_ft(pressure_ft, oat_degc) if oat_degc is not None else None
    return Conditions(
        wind=wind,
        oat_degc=oat_degc,
        qnh_hpa=qnh_hpa,
        pressure_altitude_ft=pressure_ft,
        density_altitude_ft=density_ft,
        source=source,
    )

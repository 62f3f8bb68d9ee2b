"""Wind, temperature and pressure out of a METAR as it was issued. Pure; weather, cloud and visibility are passed over.

The form is that of WMO-No. 306, Manual on Codes, FM 15 METAR and FM 16 SPECI, and of its use in the United States
(FAA Aeronautical Information Manual, figure 7-1-19: pressure in inches of mercury, tenths of degrees in remarks).

Main name: `read_metar`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from logger_app.records.plan import PlannedFlight
from logger_app.units import HPA_PER_INHG, KT_PER_KMH, KT_PER_MPS

_HEAD = re.compile(r"(?:(METAR|SPECI)\s+)?(?:COR\s+)?([A-Z][A-Z0-9]{3})\s+(\d{2})(\d{2})(\d{2})Z\b")
_WIND = re.compile(r"(\d{3}|VRB|///)(P?\d{2,3}|//)(?:G(P?\d{2,3}))?(KT|MPS|KMH)")
_VARYING = re.compile(r"(\d{3})V(\d{3})")
_TEMPERATURE = re.compile(r"(M?\d{2}|//|XX)/(M?\d{2}|//|XX)?")
_PRESSURE = re.compile(r"(Q|A)(\d{4}|////)")
_TENTHS = re.compile(r"T([01])(\d{3})([01])(\d{3})")
# What follows is a forecast, or words.
_END = ("NOSIG", "BECMG", "TEMPO", "RMK")
_TO_KT = {"KT": 1.0, "MPS": KT_PER_MPS, "KMH": KT_PER_KMH}


@dataclass(frozen=True, slots=True, kw_only=True)
class Metar:
    """What a report says of the air at an aerodrome; None where it says nothing.

    `wind_deg` is None for a variable wind; `wind_varies` are the ends of its range.
    """

    station: str
    day: int
    hour: int
    minute: int
    wind_deg: int | None = None
    wind_kt: float | None = None
    gust_kt: float | None = None
    wind_varies: tuple[int, int] | None = None
    oat_degc: float | None = None
    dew_point_degc: float | None = None
    qnh_hpa: float | None = None

    @property
    def issued(self) -> str:
        """``day 22, 16:30 UTC``."""
        return f"day {self.day}, {self.hour:02}:{self.minute:02} UTC"


def altimeter_setting_hpa(flight: PlannedFlight) -> float | None:
    """What the altimeter was set to on a flight [hPa]: as the campaign file gives it, else by the METAR."""
    if flight.qnh_hpa is not None or not flight.metar:
        return flight.qnh_hpa
    return read_metar(flight.metar).qnh_hpa


def read_metar(text: str) -> Metar:
    """A METAR or SPECI as pasted, on one line or several.

    Raises
    ------
    ValueError
        It has no station and time, or something in it cannot be: says what.

    Examples
    --------
    >>> found = read_metar("METAR YUDO 221630Z 24004MPS 0600 R12/1000U DZ FG SCT010 OVC020 17/16 Q1018")
    >>> found.station, found.wind_deg, round(found.wind_kt), found.oat_degc, found.qnh_hpa
    ('YUDO', 240, 8, 17.0, 1018.0)
    """
    plain = " ".join(text.upper().replace("=", " ").split())
    head = _HEAD.match(plain)
    if head is None:
        raise ValueError(
            f"{text.strip()[:40]!r} is not a METAR; a METAR begins with station and time, such as LZIB 211630Z"
        )
    day, hour, minute = (int(head[k]) for k in (3, 4, 5))
    if not (1 <= day <= 31 and hour <= 23 and minute <= 59):
        raise ValueError(f"{head[0]!r}: day {day}, {hour:02}:{minute:02} is no time")
    groups = plain[head.end() :].split()
    body = groups[: next((k for k, group in enumerate(groups) if group in _END), len(groups))]
    remarks = groups[groups.index("RMK") :] if "RMK" in groups else []
    return Metar(
        station=head[2],
        day=day,
        hour=hour,
        minute=minute,
        **_wind(body),
        **_temperatures(body, remarks),
        qnh_hpa=_pressure_hpa(body),
    )


def _wind(body: list[str]) -> dict:
    for k, group in enumerate(body):
        if (found := _WIND.fullmatch(group)) is None:
            continue
        direction, speed, gust, unit = found.groups()
        if direction.isdigit() and int(direction) > 360:
            raise ValueError(f"wind {group}: direction {direction}; needs 000 to 360")
        varies = _VARYING.fullmatch(body[k + 1]) if k + 1 < len(body) else None
        return {
            "wind_deg": int(direction) if direction.isdigit() else None,
            "wind_kt": None if speed == "//" else int(speed.lstrip("P")) * _TO_KT[unit],
            "gust_kt": int(gust.lstrip("P")) * _TO_KT[unit] if gust else None,
            "wind_varies": (int(varies[1]), int(varies[2])) if varies else None,
        }
    return {}


def _temperatures(body: list[str], remarks: list[str]) -> dict:
    for group in remarks:
        if found := _TENTHS.fullmatch(group):
            air, dew = (int(found[k + 1]) / 10 * (-1 if found[k] == "1" else 1) for k in (1, 3))
            return {"oat_degc": air, "dew_point_degc": dew}
    for group in body:
        if found := _TEMPERATURE.fullmatch(group):
            return {"oat_degc": _degrees(found[1]), "dew_point_degc": _degrees(found[2])}
    return {}


def _degrees(text: str | None) -> float | None:
    if text in (None, "//", "XX") or text is None:
        return None
    return -float(text[1:]) if text.startswith("M") else float(text)


def _pressure_hpa(body: list[str]) -> float | None:
    for group in body:
        if (found := _PRESSURE.fullmatch(group)) and found[2] != "////":
            value = int(found[2])
            hpa = float(value) if found[1] == "Q" else value / 100 * HPA_PER_INHG
            if not 850 <= hpa <= 1090:  # the lowest and highest ever measured at sea level lie within; ours
                raise ValueError(f"pressure {group}: {hpa:.0f} hPa; needs 850 to 1090")
            return hpa
    return None

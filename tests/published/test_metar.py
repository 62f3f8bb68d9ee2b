"""METARs as they are printed and explained in published documents; what each says is what the document says.

Sources, beside each: WMO-No. 306, Manual on Codes, FM 15 (regulations 15.5, 15.11, 15.12); ICAO Annex 3, example
A3-1; FAA Pilot's Handbook of Aeronautical Knowledge (FAA-H-8083-25), chapter 13, METAR KGGG; FAA Aeronautical
Information Manual, figure 7-1-19, METAR KPIT.
"""

import math

import pytest

from logger_app.domain.metar import read_metar
from logger_app.reduce.atmosphere import pressure_altitude_ft
from logger_app.reduce.trace_io import read_trace
from logger_app.workflows.conditions import conditions_at

# 1 m/s = 3600/1852 kt; 29.70 inHg = 1005.76 hPa, 29.92 = 1013.21 (conventional inch of mercury, 3386.389 Pa).
PRINTED = [
    # ICAO Annex 3, A3-1: wind 240 degrees, 4 m/s; air 17, dew point 16 degrees Celsius; QNH 1018 hPa; 22nd, 1630 UTC.
    (
        "METAR YUDO 221630Z 24004MPS 0600 R12/1000U DZ FG SCT010 OVC020 17/16 Q1018 BECMG TL1700 0800 FG BECMG AT1800 9999 NSW",
        {
            "station": "YUDO",
            "day": 22,
            "hour": 16,
            "minute": 30,
            "wind_deg": 240,
            "wind_kt": 7.775,
            "oat_degc": 17.0,
            "dew_point_degc": 16.0,
            "qnh_hpa": 1018.0,
        },
    ),
    # FAA handbook: 140 degrees at 21 knots gusting 26; 18 and 17 degrees Celsius; altimeter 29.70 inches.
    (
        "METAR KGGG 161753Z AUTO 14021G26KT 3/4SM\n+TSRA BR BKN008 OVC012CB 18/17 A2970 RMK\nPRESFR",
        {
            "station": "KGGG",
            "day": 16,
            "hour": 17,
            "minute": 53,
            "wind_deg": 140,
            "wind_kt": 21.0,
            "gust_kt": 26.0,
            "oat_degc": 18.0,
            "dew_point_degc": 17.0,
            "qnh_hpa": 1005.76,
        },
    ),
    # FAA manual: 220 degrees at 15 gusting 25 knots; T01820159: 18.2 and 15.9 degrees; altimeter 29.92 inches.
    (
        "METAR KPIT 091955Z COR 22015G25KT 3/4SM R28L/2600FT TSRA OVC010CB 18/16 A2992 RMK SLP045 T01820159",
        {
            "station": "KPIT",
            "day": 9,
            "wind_deg": 220,
            "wind_kt": 15.0,
            "gust_kt": 25.0,
            "oat_degc": 18.2,
            "dew_point_degc": 15.9,
            "qnh_hpa": 1013.21,
        },
    ),
    # WMO-No. 306, 15.11.1: below 0 degrees Celsius preceded by M; 15.5.3: a variable direction; 15.5.2: VRB.
    (
        "METAR LBBG 041600Z 12012MPS 090V150 1400 +SN BKN022 OVC050 M04/M07 Q1020 NOSIG",
        {
            "wind_deg": 120,
            "wind_kt": 23.33,
            "wind_varies": (90, 150),
            "oat_degc": -4.0,
            "dew_point_degc": -7.0,
            "qnh_hpa": 1020.0,
        },
    ),
    (
        "SPECI ABCD 010000Z VRB02KT CAVOK 00/M01 Q0999",
        {"wind_deg": None, "wind_kt": 2.0, "oat_degc": 0.0, "dew_point_degc": -1.0, "qnh_hpa": 999.0},
    ),
    # 15.5.5: calm; an element that is missing is solidi.
    (
        "ABCD 010000Z AUTO 00000KT 9999 // ////// ///// Q////",
        {"wind_deg": 0, "wind_kt": 0.0, "oat_degc": None, "qnh_hpa": None},
    ),
    # 15.5.6: 100 kt and more (50 m/s and more) with P.
    (
        "ABCD 010000Z 270P99KT 9999 10/// Q1000",
        {"wind_deg": 270, "wind_kt": 99.0, "oat_degc": 10.0, "dew_point_degc": None},
    ),
]


@pytest.mark.parametrize(("text", "said"), PRINTED)
def test_a_printed_report_is_read_as_it_is_explained(text, said):
    found = read_metar(text)

    for name, value in said.items():
        if isinstance(value, float):
            assert getattr(found, name) == pytest.approx(value, abs=0.006), name
        else:
            assert getattr(found, name) == value, name


def test_a_forecast_in_the_report_is_not_taken_for_what_was_observed():
    found = read_metar("METAR ABCD 010000Z 9999 Q1000 BECMG 24010KT 20/10 Q1020")

    assert (found.wind_kt, found.oat_degc, found.qnh_hpa) == (None, None, 1000.0)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("sunny, 20 degrees", "not a METAR"),
        ("ABCD 320000Z", "is no time"),
        ("ABCD 010000Z 37010KT", "direction"),
        ("ABCD 010000Z Q9999", "pressure"),
    ],
)
def test_what_is_no_report_is_refused_in_one_sentence(text, said):
    with pytest.raises(ValueError, match=said):
        read_metar(text)


@pytest.mark.parametrize(
    ("qnh_hpa", "altitude_ft"), [(1031.69, -500), (1020.59, -200), (1046.64, -900), (1050.41, -1000)]
)
def test_the_pressure_altitude_of_a_qnh_is_that_of_the_standard_atmosphere(qnh_hpa, altitude_ft):
    """Printed altitude to pressure table of the US Standard Atmosphere 1976 (sensorsone.co.uk), 0.01 hPa: 0.3 ft."""
    assert pressure_altitude_ft(qnh_hpa) == pytest.approx(altitude_ft, abs=0.3)
    assert conditions_at(elevation_ft=2000.0, qnh_hpa=qnh_hpa).pressure_altitude_ft == pytest.approx(
        2000 + altitude_ft, abs=0.3
    )


def test_an_altimeter_reading_and_its_setting_make_the_pressure_altitude_of_another_library(tmp_path):
    """`ambiance` turns a pressure into its height; and an inch of mercury is about 1,000 ft (from memory, FAA PHAK, altimeter)."""
    from ambiance import Atmosphere

    (tmp_path / "t.csv").write_text(
        "time_s,ias_kt,indicated_altitude_ft,altimeter_inHg\n0,60,5000,29.42\n1,60,5000,28.92\n2,60,5000,\n3,60,5000,1013\n"
    )
    altitude_ft = read_trace(tmp_path / "t.csv").columns["altitude_ft"]

    theirs_ft = [5000 + Atmosphere.from_pressure(inhg * 3386.389).H[0] / 0.3048 for inhg in (29.42, 28.92)]
    assert list(altitude_ft[:2]) == pytest.approx(theirs_ft, abs=1.0)
    assert altitude_ft[1] - 5000 == pytest.approx(1000, rel=0.08)
    assert not any(map(math.isfinite, altitude_ft[2:]))  # no setting, and one that no altimeter has


def test_the_density_altitude_agrees_with_another_library():
    """`ambiance`, ICAO standard atmosphere: the height with the density p / (R T)."""
    import numpy as np
    from ambiance import Atmosphere

    found = conditions_at(elevation_ft=1500.0, qnh_hpa=1005.0, oat_degc=31.0)
    p_pa = Atmosphere(
        found.pressure_altitude_ft * 0.3048 / (1 - found.pressure_altitude_ft * 0.3048 / 6356766)
    ).pressure[0]
    density = p_pa / (287.05287 * (273.15 + 31.0))
    heights = np.linspace(0, 3000, 30_001)
    at_m = np.interp(-density, -Atmosphere(heights).density, heights)
    geopotential_m = 6356766 * at_m / (6356766 + at_m)

    assert found.density_altitude_ft == pytest.approx(geopotential_m / 0.3048, abs=3.0)

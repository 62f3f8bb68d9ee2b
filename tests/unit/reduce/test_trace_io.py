"""Reading traces and legs: CSV, GPX, NMEA; and every way in which a file can be wrong."""

import numpy as np
import pytest

from logger_app.errors import ReduceError
from logger_app.reduce.legs_io import fragment, read_legs
from logger_app.reduce.trace_io import read_trace

GPX = """<?xml version="1.0" encoding="UTF-8"?>
<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>
{points}
</trkseg></trk></gpx>"""


def gpx(points):
    return GPX.format(
        points="\n".join(
            f'<trkpt lat="{lat:.7f}" lon="{lon:.7f}"><ele>1219.2</ele><time>2031-05-04T07:00:{s:02d}Z</time></trkpt>'
            for s, lat, lon in points
        )
    )


def sentence(body):
    total = 0
    for char in body:
        total ^= ord(char)
    return f"${body}*{total:02X}"


def test_csv_with_units_in_its_names(tmp_path):
    path = tmp_path / "t.csv"
    path.write_text("# logger\ntime_s;ias_mph;altitude_m;nz;oat_degF\n0;100;1000;0.98;59\n1;99;;nan;59\n", encoding="utf-8")

    trace = read_trace(path)

    assert trace.columns["ias_kt"][0] == pytest.approx(86.898, abs=0.001)
    assert trace.columns["altitude_ft"][0] == pytest.approx(3280.84, abs=0.01)
    assert trace.columns["oat_degc"][0] == pytest.approx(15.0)
    assert np.isnan(trace.columns["load_factor"][1]) and np.isnan(trace.columns["altitude_ft"][1])


def test_csv_on_the_flight_clock_and_with_utc(tmp_path):
    flight = tmp_path / "film.csv"
    flight.write_text("flight_s,ias_kt\n12.5,60\n13.5,59\n", encoding="utf-8")
    utc = tmp_path / "utc.csv"
    utc.write_text("utc,ias_kt\n2031-05-04T07:00:01Z,60\n2031-05-04T07:00:03Z,59\n", encoding="utf-8")

    assert read_trace(flight).on_flight_clock and read_trace(flight).time_s[0] == 12.5
    assert list(read_trace(utc).time_s) == [0.0, 2.0]


def test_gpx_without_speed_gets_it_from_positions(tmp_path):
    # Due north at 40 m/s: 77.75 kt; one degree of latitude is 111.19 km on the mean sphere.
    path = tmp_path / "t.gpx"
    path.write_text(gpx([(s, 47 + s * 40 / 111_194.93, 8.0) for s in range(20)]), encoding="utf-8")

    trace = read_trace(path)

    assert trace.columns["ground_speed_kt"] == pytest.approx(77.754, abs=0.05)
    assert trace.columns["altitude_ft"][0] == pytest.approx(4000, abs=0.1)
    assert "from positions" in trace.notes[0]


def test_a_gpx_with_a_document_type_is_refused_before_any_entity_is_expanded(tmp_path):
    path = tmp_path / "bomb.gpx"
    path.write_text(
        '<?xml version="1.0"?><!DOCTYPE gpx [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;">'
        '<!ENTITY x SYSTEM "file:///etc/hostname">]><gpx><trk><trkseg><trkpt lat="1" lon="2"><time>&b;&x;</time></trkpt>'
        "</trkseg></trk></gpx>",
        encoding="utf-8",
    )

    with pytest.raises(ReduceError) as caught:
        read_trace(path)

    assert "document type" in caught.value.faults[0].got


def test_nmea_with_checksums_and_midnight(tmp_path):
    path = tmp_path / "t.nmea"
    lines = [
        sentence("GPRMC,235958.00,A,4700.000,N,00800.000,E,065.0,010.0,040531,,,A"),
        sentence("GPGGA,235958.00,4700.000,N,00800.000,E,1,08,0.9,1219.2,M,46.9,M,,"),
        sentence("GNRMC,235959.00,A,4700.010,N,00800.000,E,064.0,010.0,040531,,,A"),
        "$GPRMC,235959.50,A,4700.010,N,00800.000,E,999.0,010.0,040531,,,A*00",
        sentence("GPRMC,000000.00,A,4700.020,S,00800.000,W,063.0,010.0,050531,,,A"),
    ]
    path.write_text("\r\n".join(lines), encoding="utf-8")

    trace = read_trace(path)

    assert list(trace.time_s) == [0.0, 1.0, 2.0]
    assert list(trace.columns["ground_speed_kt"]) == [65.0, 64.0, 63.0]
    assert trace.columns["latitude_deg"] == pytest.approx([47.0, 47.0 + 0.01 / 60, -(47.0 + 0.02 / 60)])
    assert trace.columns["altitude_ft"][0] == pytest.approx(4000, abs=0.1)
    assert "1 damaged" in trace.notes[0]


@pytest.mark.parametrize(
    "name, content, says",
    [
        ("t.csv", b"", "an empty file"),
        ("t.csv", b"time_s,ias_kt\n", "no rows"),
        ("t.csv", b"time_s,ias_kt\n1,abc\n", "ias_kt = 'abc'"),
        ("t.csv", b"when,speed\n1,2\n", "columns when, speed"),
        ("t.csv", b"time_s,ias_kt\n1,50\n", "1 sample(s)"),
        ("t.csv", b"\xff\xfe\x00bad", "no UTF-8 text"),
        ("t.csv", b"utc,ias_kt\nyesterday,50\n1,2\n", "time 'yesterday'"),
        ("t.gpx", b"<gpx><trk>", "no element found"),
        ("t.gpx", b"<gpx></gpx>", "0 track point(s)"),
        ("t.nmea", b"hello\n$GPRMC,garbage\n", "no RMC or GGA"),
        ("t.docx", b"x", "a .docx file"),
    ],
)
def test_files_that_cannot_be_used_say_where_and_what(tmp_path, name, content, says):
    path = tmp_path / name
    path.write_bytes(content)

    with pytest.raises(ReduceError) as caught:
        read_trace(path)

    assert says in str(caught.value) and name in str(caught.value)


def test_a_missing_file(tmp_path):
    with pytest.raises(ReduceError) as caught:
        read_trace(tmp_path / "none.csv")

    assert "No such file" in str(caught.value)


def test_legs_of_a_csv_are_grouped_by_flap_and_speed(tmp_path):
    path = tmp_path / "legs.csv"
    path.write_text(
        "ias_kmh,ground_speed_kmh,track_deg,flap_deg,pressure_altitude_m\n"
        + "".join(f"100,{g},{t},{f},1000\n" for f in (0, 15) for g, t in ((120, 0), (100, 120), (90, 240))),
        encoding="utf-8",
    )

    sets = read_legs(path)

    assert [(len(s), s[0].flap_deg) for s in sets] == [(3, 0.0), (3, 15.0)]
    assert sets[0][0].ias_kt == pytest.approx(53.996, abs=0.001)


def test_all_bad_legs_are_named_at_once(tmp_path):
    path = tmp_path / "legs.csv"
    path.write_text("ias_kt,ground_speed_kt,track_deg\n60,70,10\n60,,20\n60,70,\n", encoding="utf-8")

    with pytest.raises(ReduceError) as caught:
        read_legs(path)

    assert [fault.where for fault in caught.value.faults] == ["legs.csv, line 3", "legs.csv, line 4"]


def test_a_log_needs_its_indicated_airspeed(tmp_path):
    path = tmp_path / "log.gpx"
    path.write_text(gpx([(s, 47 + s * 1e-4, 8.0) for s in range(20)]), encoding="utf-8")

    with pytest.raises(ReduceError) as caught:
        read_legs(path)

    assert "--ias-kt" in str(caught.value)


def test_the_fragment_is_toml_that_a_campaign_can_read():
    import tomllib

    from logger_app.records.plan import CalibrationTable

    table = CalibrationTable(flap_deg=15.0, ias_kt=(45.0, 60.0), cas_kt=(48.2, 61.0), u_kt=0.6, source='legs "a"')

    document = tomllib.loads(fragment([table], []))

    assert document["calibration"] == [
        {"flap_deg": 15.0, "ias_kt": [45.0, 60.0], "cas_kt": [48.2, 61.0], "u_kt": 0.6, "source": 'legs "a"'}
    ]

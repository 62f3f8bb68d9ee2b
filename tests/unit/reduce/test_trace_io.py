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
    path.write_text(
        "# logger\ntime_s;ias_mph;altitude_m;nz;oat_degF\n0;100;1000;0.98;59\n1;99;;nan;59\n", encoding="utf-8"
    )

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
    "name, content, description",
    [
        ("t.csv", b"", "an empty file"),
        ("t.csv", b"time_s,ias_kt\n", "no rows"),
        ("t.csv", b"time_s,ias_kt\n1,abc\n", "ias_kt = 'abc'"),
        ("t.csv", b"when,speed\n1,2\n", "columns when, speed"),
        ("t.csv", b"time_s,ias_kt\n1,50\n", "1 sample(s)"),
        ("t.csv", b"\xff\xfe\x00bad", "not UTF-8 text"),
        ("t.csv", b"utc,ias_kt\nyesterday,50\n1,2\n", "time 'yesterday'"),
        ("t.gpx", b"<gpx><trk>", "no element found"),
        ("t.gpx", b"<gpx></gpx>", "0 track point(s)"),
        ("t.nmea", b"hello\n$GPRMC,garbage\n", "no RMC or GGA"),
        ("t.docx", b"x", "a .docx file"),
    ],
)
def test_files_that_cannot_be_used_say_where_and_what(tmp_path, name, content, description):
    path = tmp_path / name
    path.write_bytes(content)

    with pytest.raises(ReduceError) as caught:
        read_trace(path)

    assert description in str(caught.value) and name in str(caught.value)


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


def test_east_at_47_degrees_is_shorter_than_north(tmp_path):
    # 40 m/s due south-east: a degree of longitude is cos(47 deg) of one of latitude (sphere).
    step = 40 / 2**0.5 / 111_194.93
    path = tmp_path / "t.gpx"
    path.write_text(
        gpx([(s, 47 - s * step, 8 + s * step / np.cos(np.radians(47))) for s in range(20)]), encoding="utf-8"
    )
    trace = read_trace(path)

    assert trace.columns["ground_speed_kt"] == pytest.approx(77.754, abs=0.05)
    assert trace.columns["track_deg"] == pytest.approx(135, abs=0.05)


def test_west_over_the_date_line(tmp_path):
    path = tmp_path / "t.gpx"
    path.write_text(
        gpx([(s, 0.0, (-179.999 - s * 40 / 111_194.93 + 180) % 360 - 180) for s in range(20)]), encoding="utf-8"
    )
    trace = read_trace(path)

    assert trace.columns["ground_speed_kt"] == pytest.approx(77.754, abs=0.05)
    assert trace.columns["track_deg"] == pytest.approx(270, abs=0.05)


def test_a_csv_needs_a_time_and_something_known(tmp_path):
    for text in ("time_s,speed\n1,2\n2,3\n", "when,ias_kt\n1,2\n2,3\n"):
        path = tmp_path / "t.csv"
        path.write_text(text, encoding="utf-8")
        with pytest.raises(ReduceError, match="expected a time"):
            read_trace(path)


def test_a_cell_that_is_no_number_is_named_by_line_and_column(tmp_path):
    path = tmp_path / "t.csv"
    path.write_text("time_s,ias_kt\n1,50\nx,51\n", encoding="utf-8")

    with pytest.raises(ReduceError, match=r"line 3: got time_s = 'x'"):
        read_trace(path)


def test_headings_of_a_csv(tmp_path):
    path = tmp_path / "t.csv"
    path.write_text("time_s,heading_deg,ias_kmh\n1,90,100\n2,91,100\n", encoding="utf-8")
    trace = read_trace(path)

    assert list(trace.columns["heading_deg"]) == [90, 91]
    assert trace.columns["ias_kt"] == pytest.approx(100 / 1.852)


def written(tmp_path, text):
    path = tmp_path / "legs.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_sets_of_legs_by_flap_and_airspeed_or_by_name(tmp_path):
    by_speed = read_legs(
        written(tmp_path, "ias_kt,ground_speed_kt,track_deg,flap_deg\n55,60,0,\n55,61,120,\n65,70,0,\n55,62,0,15\n"),
        None,
        10.0,
        4000.0,
        12.0,
    )
    by_name = read_legs(
        written(
            tmp_path,
            "set,ias_kt,ground_speed_kt,heading_deg,altitude_ft,oat_degc\na,55,60,0,3000,8\na,56,61,120,3000,8\nb,55,62,0,3000,8\n",
        )
    )

    assert [[leg.ground_speed_kt for leg in legs] for legs in by_speed] == [[60, 61], [70], [62]]
    first = by_speed[0][0]
    assert (first.flap_deg, first.pressure_altitude_ft, first.oat_degc, first.where) == (
        10.0,
        4000.0,
        12.0,
        "legs.csv, line 2",
    )
    assert by_speed[2][0].flap_deg == 15.0
    assert [[leg.ground_speed_kt for leg in legs] for legs in by_name] == [[60, 61], [62]]
    assert (
        by_name[0][0].pressure_altitude_ft,
        by_name[0][0].oat_degc,
        by_name[0][0].heading_deg,
        by_name[0][0].track_deg,
    ) == (3000.0, 8.0, 0.0, None)


def test_temperatures_in_fahrenheit_are_converted(tmp_path):
    (leg,), *_ = read_legs(written(tmp_path, "ias_mph,ground_speed_kt,track_deg,oat_degF\n100,60,0,50\n"))

    assert (leg.oat_degc, leg.ias_kt) == (pytest.approx(10.0), pytest.approx(86.898, abs=1e-3))


def test_legs_that_lack_something_are_named_by_line_and_all_at_once(tmp_path):
    with pytest.raises(ReduceError) as caught:
        read_legs(written(tmp_path, "ias_kt,ground_speed_kt,track_deg\n55,60,\n55,,20\nx,1,1\n".replace("x,1,1\n", "")))

    assert [(f.where, f.got) for f in caught.value.faults] == [
        ("legs.csv, line 2", "no track or heading"),
        ("legs.csv, line 3", "no ground_speed_kt"),
    ]
    with pytest.raises(ReduceError, match="line 2: got ias_kt = 'x'"):
        read_legs(written(tmp_path, "ias_kt,ground_speed_kt,track_deg\nx,60,20\n"))


def test_a_log_needs_its_airspeed_and_a_steady_leg(tmp_path):
    def log(path, seconds, column=""):
        head, cell = (",ias_kt", ",58") if column else ("", "")
        path.write_text(
            f"time_s,ground_speed_kt,track_deg,altitude_ft{head}\n"
            + "".join(f"{s},70,90,4000{cell}\n" for s in range(seconds)),
            encoding="utf-8",
        )
        return path

    ((leg,),) = read_legs(log(tmp_path / "a.csv", 20), 55.0, 15.0)
    assert (leg.ias_kt, leg.flap_deg, leg.ground_speed_kt) == (55.0, 15.0, pytest.approx(70))
    ((own,),) = read_legs(log(tmp_path / "b.csv", 20, "ias"))
    assert own.ias_kt == 58.0
    with pytest.raises(ReduceError, match="without its indicated airspeed"):
        read_legs(log(tmp_path / "c.csv", 20))
    with pytest.raises(ReduceError, match="no steady leg"):
        read_legs(log(tmp_path / "d.csv", 5), 55.0)


def test_a_fragment_is_written_with_where_its_points_came_from(tmp_path):
    import tomllib

    from logger_app.records.plan import CalibrationTable
    from logger_app.reduce.gps import Leg, calibration_point
    from logger_app.reduce.legs_io import write_fragment

    legs = [Leg(ground_speed_kt=60, ias_kt=55, track_deg=t, pressure_altitude_ft=4000) for t in (0, 120, 240)]
    table = CalibrationTable(flap_deg=0, ias_kt=(45, 55), cas_kt=(48, 57), u_kt=0.8, source="legs")
    path = write_fragment(tmp_path / "c.toml", [table], [calibration_point(legs)])
    text = path.read_text("utf-8")

    assert tomllib.loads(text)["calibration"] == [
        {"flap_deg": 0, "ias_kt": [45, 55], "cas_kt": [48, 57], "u_kt": 0.8, "source": "legs"}
    ]
    assert "# " in text and "three legs" in text


def test_a_table_without_airspeeds_is_a_log_and_needs_its_times(tmp_path):
    with pytest.raises(ReduceError, match="expected a time"):
        read_legs(written(tmp_path, "ground_speed_kt,track_deg\n60,0\n61,120\n"), 55.0)


def test_a_gpx_whose_elements_carry_a_prefix(tmp_path):
    path = tmp_path / "t.gpx"
    text = gpx([(s, 47 + s * 40 / 111_194.93, 8.0) for s in range(5)])
    for tag in ("gpx", "trkpt", "trkseg", "trk", "time", "ele"):
        text = (
            text.replace(f"<{tag}>", f"<g:{tag}>").replace(f"<{tag} ", f"<g:{tag} ").replace(f"</{tag}>", f"</g:{tag}>")
        )
    path.write_text(text.replace("xmlns=", "xmlns:g="), encoding="utf-8")

    assert read_trace(path).columns["ground_speed_kt"] == pytest.approx(77.754, abs=0.05)

"""`kneecall reduce` and `kneecall calibrate` from the command line, on folders as they lie on disk."""

import json
import math
import os
import tomllib

import pytest
from bench import campaigns as made

from logger_app.__main__ import main
from logger_app.logstore import codec
from logger_app.logstore.store import Journal
from logger_app.records.calls import Action, CallKind, Correction
from logger_app.records.journal import FlightInfo

CAMPAIGN, heard = made.CAMPAIGN, made.heard


def fly(campaign, id, configuration, stalls):
    """A flight folder with one approach a stall speed; the pilot says 65 first and 'recovered' last."""
    runs, at = [], 10.0
    for k, vs in enumerate(stalls):
        calls, event = made.approach(k, at, vs, 0.9 + 0.1 * k)
        runs.append(calls)
        at = event + 20
    return made.write_flight(campaign, id, configuration, runs)


@pytest.fixture
def campaign(tmp_path):
    folder = tmp_path / "camp äé"
    (folder / "flights").mkdir(parents=True)
    (folder / "campaign.toml").write_text(CAMPAIGN, encoding="utf-8")
    fly(folder, "d1", "base", [45.0, 45.3, 44.8])
    fly(folder, "d2", "cuffs", [42.6, 42.2, 42.5])
    return folder


def run_json(capsys, *argv):
    code = main([*map(str, argv), "--json"])
    out = capsys.readouterr()
    return code, (json.loads(out.out) if out.out else None), out.err


def test_reduce_gives_the_documents_that_were_agreed(campaign, capsys):
    code, document, _ = run_json(capsys, "reduce", campaign)

    assert code == 0
    assert {"runs", "cells", "comparisons", "excluded", "provenance"} <= set(document)
    assert len(document["runs"]) == 6 and all(run["counts"] for run in document["runs"])
    (comparison,) = document["comparisons"]
    assert comparison["verdict"] == "lower"
    assert comparison["low_kt"] < -2.6 * 40 / 45 < comparison["high_kt"]
    run = document["runs"][0]
    assert run["vs_ias_kt"] == pytest.approx(45.0, abs=0.6)
    assert run["provenance"]["rows"] and document["provenance"]["hashes"][0][0] == "d1"
    assert json.loads((campaign / "results" / "reduction.json").read_text(encoding="utf-8")) == document


def test_reduce_prints_tables_with_the_conclusion_first(campaign, capsys):
    assert main(["reduce", str(campaign)]) == 0

    out = capsys.readouterr().out
    assert out.splitlines()[2].startswith("Cuffs against Plain: lower by")
    for title in ("Comparisons", "Test points", "Runs", "not an instrument"):
        assert title in out


def test_a_second_time_the_result_is_the_same_to_the_last_digit(campaign, capsys):
    first, second = run_json(capsys, "reduce", campaign)[1], run_json(capsys, "reduce", campaign)[1]

    assert first == second


def test_the_pilot_overrules_with_a_row_in_the_journal(campaign, capsys):
    run = run_json(capsys, "reduce", campaign)[1]["runs"][0]["run"]
    row = codec.correction_row(
        Correction(
            id="k-1",
            utc="2031-05-04T12:00:00Z",
            who="me",
            action=Action.OVERRULE,
            target=run,
            payload=(("counts", False),),
        )
    )
    with Journal.open(campaign / "flights" / "d1") as journal:
        journal.append([row])

    document = run_json(capsys, "reduce", campaign)[1]

    assert document["excluded"][0]["run"] == run
    assert "overruled" in document["excluded"][0]["why"]


def test_an_indicator_in_mph_gives_the_same_stall_in_knots(campaign, capsys, tmp_path):
    other = tmp_path / "mph"
    (other / "flights").mkdir(parents=True)
    (other / "campaign.toml").write_text(CAMPAIGN.replace('unit = "kt"', 'unit = "mph"'), encoding="utf-8")
    info = FlightInfo(id="d1", configuration="base", loading_items=(("crew", 150.0),), fuel_l=80.0)
    calls = [heard("s1", 1, "setting", "power", "idle"), heard("s2", 2, "setting", "flap", 0.0)]
    # 51.8 mph is 45 kt: slowing at 1 mph/s from 70 mph.
    calls += [heard(f"c{k}", 10.0 + k, "airspeed", "ias", float(70 - k), "mph") for k in range(18)]
    calls += [heard("b", 10.0 + 18.2, "event", "break"), heard("r", 32.0, "event", "recovered")]
    with Journal.create(other / "flights" / "d1", info) as journal:
        journal.append([codec.call_row(call, "2031-05-04T07:00:00Z") for call in calls])

    run = run_json(capsys, "reduce", other)[1]["runs"][0]

    assert run["vs_ias_kt"] == pytest.approx(51.8 * 0.868976, abs=0.15)


def test_a_trace_in_the_flights_folder_is_joined_and_said(campaign, capsys):
    calls = fly(campaign, "d3", "base", [45.0, 44.6, 45.1])
    known = sorted((c.start_s - 0.5, c.value) for c in calls if c.kind is CallKind.AIRSPEED)
    lines = ["time_s,ias_kt,nz,altitude_ft"]
    for tenth in range(int(known[-1][0] * 10)):
        now = tenth / 10
        before = max((k for k in known if k[0] <= now), default=known[0])
        after = min((k for k in known if k[0] > now), default=known[-1])
        share = (now - before[0]) / (after[0] - before[0]) if after[0] > before[0] else 0
        lines.append(f"{now + 500:.1f},{before[1] + share * (after[1] - before[1]):.2f},0.97,5200")
    traces = campaign / "flights" / "d3" / "traces"
    traces.mkdir()
    (traces / "logger.csv").write_text("\n".join(lines), encoding="utf-8")

    code, document, err = run_json(capsys, "reduce", campaign)

    assert code == 0
    assert "logger.csv joined by ias_kt" in err
    assert "reading lag" in document["provenance"]["steps"][0]
    first = next(run for run in document["runs"] if run["flight"] == "d3")
    assert (first["basis"], first["load_factor"], first["altitude_ft"]) == (
        "measured_nz",
        pytest.approx(0.958, abs=0.002),
        5200.0,
    )
    # The other flights have no load factor: the comparison stays on the basis that all have.
    assert document["comparisons"][0]["load_factor_basis"] == "raw"


def test_a_trace_that_does_not_fit_is_left_out_when_it_merely_lies_there(campaign, capsys):
    traces = campaign / "flights" / "d1" / "traces"
    traces.mkdir()
    (traces / "other.csv").write_text(
        "time_s,ias_kt\n" + "\n".join(f"{k},{90 + k % 40}" for k in range(300)), encoding="utf-8"
    )

    code, document, err = run_json(capsys, "reduce", campaign)

    assert code == 0 and "not joined" in err
    assert "other.csv" in document["provenance"]["steps"][0]
    assert main(["reduce", str(campaign), "--trace", f"d1={traces / 'other.csv'}"]) == 1


@pytest.mark.parametrize(
    "argv, description",
    [
        (["--trace", "d9=x.csv"], "FLIGHT=FILE"),
        (["--trace", "d1=missing.csv"], "missing.csv"),
        (["--to-cg-mm", "2000"], "both or neither"),
    ],
)
def test_wrong_options_get_one_sentence_and_write_nothing(campaign, capsys, argv, description):
    assert main(["reduce", str(campaign), *argv]) == 1

    err = capsys.readouterr().err
    assert description in err and "Traceback" not in err
    assert not (campaign / "results").exists()


def test_a_folder_that_is_no_campaign(tmp_path, capsys):
    assert main(["reduce", str(tmp_path)]) == 1

    assert "campaign.toml" in capsys.readouterr().err


@pytest.mark.parametrize("step", ["replace", "fsync"])
def test_results_that_cannot_be_written_leave_the_old_ones(campaign, capsys, monkeypatch, step):
    main(["reduce", str(campaign)])
    before = (campaign / "results" / "reduction.json").read_bytes()

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, step, full)
    assert main(["reduce", str(campaign)]) == 1

    assert "No space left on device" in capsys.readouterr().err
    assert (campaign / "results" / "reduction.json").read_bytes() == before
    assert [path.name for path in (campaign / "results").iterdir()] == ["reduction.json"]


def test_a_results_name_taken_by_a_file_is_one_sentence(campaign, capsys):
    (campaign / "results").write_text("mine", encoding="utf-8")

    assert main(["reduce", str(campaign)]) == 1
    assert "cannot be written" in capsys.readouterr().err
    assert (campaign / "results").read_text(encoding="utf-8") == "mine"


def test_a_campaign_without_flights_and_a_flight_without_runs(tmp_path, capsys):
    (tmp_path / "campaign.toml").write_text(CAMPAIGN, encoding="utf-8")
    assert main(["reduce", str(tmp_path)]) == 1
    assert "got no flight" in capsys.readouterr().err

    (tmp_path / "flights").mkdir()
    Journal.create(tmp_path / "flights" / "d1", FlightInfo(id="d1", configuration="base")).close()
    assert main(["reduce", str(tmp_path)]) == 1
    assert "1 flight(s) with no run in them" in capsys.readouterr().err
    assert not (tmp_path / "results").exists()


@pytest.mark.parametrize(
    "lines",
    ["correction_ias_kt = [40, 60]\ncorrection_kt = [1]", "correction_ias_kt = [60, 40]\ncorrection_kt = [1, 1]"],
)
def test_an_instrument_correction_that_is_no_table_is_a_fault(tmp_path, capsys, lines):
    text = CAMPAIGN.replace("graduation = 1.0", f"graduation = 1.0\n{lines}")
    (tmp_path / "campaign.toml").write_text(text, encoding="utf-8")

    assert main(["reduce", str(tmp_path)]) == 1

    err = capsys.readouterr().err
    assert "indicator, correction_ias_kt and correction_kt" in err and "Traceback" not in err


def legs_csv(path, speeds=((50.0, 54.0), (65.0, 67.0))):
    """Legs made from known CAS at sea level on a standard day, wind 15 kt from 240."""
    rows = ["ias_kt,ground_speed_kt,track_deg,pressure_altitude_ft,oat_degc"]
    for ias, cas in speeds:
        for heading in (0, 90, 180, 270):
            north = cas * math.cos(math.radians(heading)) + 15 * math.cos(math.radians(60))
            east = cas * math.sin(math.radians(heading)) + 15 * math.sin(math.radians(60))
            rows.append(f"{ias},{math.hypot(north, east):.3f},{math.degrees(math.atan2(east, north)) % 360:.2f},0,15")
    path.write_text("\n".join(rows), encoding="utf-8")
    return path


def test_calibrate_writes_a_table_that_a_campaign_reads(tmp_path, capsys, campaign):
    out = tmp_path / "cal.toml"

    code, document, _ = run_json(capsys, "calibrate", legs_csv(tmp_path / "legs.csv"), "-o", out)

    assert code == 0
    assert [p["cas_kt"] for p in document["points"]] == pytest.approx([54.0, 67.0], abs=0.01)
    assert [round(p["wind_from_deg"]) for p in document["points"]] == [240, 240]
    table = tomllib.loads(out.read_text(encoding="utf-8"))["calibration"][0]
    assert (table["ias_kt"], table["cas_kt"]) == ([50.0, 65.0], [54.0, 67.0])
    text = (campaign / "campaign.toml").read_text(encoding="utf-8")
    start = text.index("[[calibration]]")
    end = text.index("[[configuration]]")
    (campaign / "campaign.toml").write_text(
        text[:start] + out.read_text(encoding="utf-8") + text[end:], encoding="utf-8"
    )
    assert main(["reduce", str(campaign)]) == 0


def test_calibrate_from_a_gpx_log(tmp_path, capsys):
    points, lat, lon, clock = [], 47.0, 8.0, 0
    for heading in (0, 120, 240):
        for _ in range(25):
            points.append(
                f'<trkpt lat="{lat:.8f}" lon="{lon:.8f}"><ele>0</ele><time>2031-05-04T07:{clock // 60:02d}:{clock % 60:02d}Z</time></trkpt>'
            )
            lat += 30 * math.cos(math.radians(heading)) / 111_194.93
            lon += 30 * math.sin(math.radians(heading)) / (111_194.93 * math.cos(math.radians(lat)))
            clock += 1
    path = tmp_path / "log.gpx"
    path.write_text(f"<gpx><trk><trkseg>{''.join(points)}</trkseg></trk></gpx>", encoding="utf-8")

    code, document, err = run_json(capsys, "calibrate", path, "--ias-kt", "57", "--oat-degc", "15")

    assert code == 0
    assert document["points"][0]["tas_kt"] == pytest.approx(30 * 3600 / 1852, abs=0.2)
    assert document["points"][0]["wind_kt"] == pytest.approx(0, abs=0.3)
    assert document["tables"] == [] and "two usable speeds" in err


@pytest.mark.parametrize(
    "content, argv, description",
    [
        ("ias_kt,ground_speed_kt,track_deg\n60,70,10\n60,71,100\n60,69,190\n", [], "pressure altitude is missing"),
        ("ias_kt,ground_speed_kt,track_deg,altitude_ft\n60,70,10,0\n60,71,12,0\n60,69,11,0\n", [], "along one line"),
        ("ias_kt,ground_speed_kt,track_deg,altitude_ft\n60,70,10,0\n60,71,12,0\n", [], "at least 3"),
        ("ias_kt,ground_speed_kt,track_deg,altitude_ft\n60,nan,10,0\n", [], "line 2"),
    ],
)
def test_legs_that_cannot_be_used_are_one_sentence(tmp_path, capsys, content, argv, description):
    path = tmp_path / "legs.csv"
    path.write_text(content, encoding="utf-8")

    assert main(["calibrate", str(path), *argv, "-o", str(tmp_path / "out.toml")]) == 1

    err = capsys.readouterr().err
    assert description in err and "Traceback" not in err
    assert not (tmp_path / "out.toml").exists()


def test_calibrate_does_not_overwrite_unasked(tmp_path, capsys):
    out = tmp_path / "cal.toml"
    out.write_text("mine", encoding="utf-8")

    assert main(["calibrate", str(legs_csv(tmp_path / "legs.csv")), "-o", str(out)]) == 1
    assert out.read_text(encoding="utf-8") == "mine"
    assert main(["calibrate", str(legs_csv(tmp_path / "legs.csv")), "-o", str(out), "--force"]) == 0

"""The main job end to end on real sound: the demo, held against the truth it was made from.

The figures are the ones that the project promises: 95 % of the airspeed calls right, no chatter
taken for a reading, stall speeds within 1.0 kt, differences within 0.7 kt.
"""

import json

import pytest

from logger_app.__main__ import main


@pytest.fixture(scope="module")
def watched_demo(tmp_path_factory, watched):
    out = tmp_path_factory.mktemp("demo") / "with space äé"
    return watched(["demo", "-o", str(out), "--json"], out.parent, tmp_path_factory.mktemp("base")), out


@pytest.fixture(scope="module")
def demo(watched_demo):
    seen, out = watched_demo
    return seen["code"], json.loads(seen["stdout"]), out


@pytest.mark.slow
def test_the_demo_stays_offline_and_in_its_folder(watched_demo):
    seen, out = watched_demo

    assert seen["written"] and not seen["outside"]
    assert not seen["sockets"] and not seen["begun"]
    assert not seen["home"] and not seen["temporary"]
    assert [path.name for path in out.parent.iterdir()] == [out.name]


@pytest.mark.slow
def test_calls_are_heard(demo):
    code, result, _ = demo
    calls = result["calls"]

    assert code == 0
    assert calls["expected"] > 150
    assert calls["right"] >= 0.95 * calls["expected"]
    assert calls["invented"] == 0


@pytest.mark.slow
def test_stall_speeds_and_differences_are_near_the_truth(demo):
    _, result, _ = demo

    assert len(result["stall_speeds"]) == 8
    for row in result["stall_speeds"]:
        # A run whose last calls are doubtful, so that the stall lies more than 2 kt below the rest, does not count unreviewed.
        assert row["n"] >= 1, row
        assert row["vs_ias_kt"] == pytest.approx(row["truth_ias_kt"], abs=1.0), row
    assert sum(row["n"] for row in result["stall_speeds"]) >= 16, "two of three runs a point, before anybody has looked"
    assert len(result["differences"]) == 4
    for row in result["differences"]:
        assert row["difference_kt"] == pytest.approx(row["truth_kt"], abs=0.7), row
        assert row["low_kt"] <= row["truth_kt"] <= row["high_kt"], row


@pytest.mark.slow
def test_the_report_and_the_tables_are_there(demo):
    _, result, out = demo
    page = out / "report" / "index.html"

    assert result["report"] == str(page)
    assert page.stat().st_size < 15_000_000
    assert (out / "report" / "runs.csv").is_file()
    assert (out / "campaign" / "flights" / "day1_baseline" / "flight.sqlite").is_file()


@pytest.mark.slow
def test_a_second_demo_does_not_overwrite_the_first(demo, capsys):
    _, _, out = demo
    before = (out / "report" / "index.html").read_bytes()

    code = main(["demo", "-o", str(out)])

    assert code == 1
    assert "--force" in capsys.readouterr().err
    assert (out / "report" / "index.html").read_bytes() == before


@pytest.mark.slow
def test_the_scratched_run_is_known_and_not_counted(demo, capsys):
    _, _, out = demo

    code = main(["reduce", str(out / "campaign"), "--json"])

    result = json.loads(capsys.readouterr().out)
    assert code == 0
    assert any("scratch that" in row["why"] for row in result["excluded"])
    assert len(result["runs"]) == 25

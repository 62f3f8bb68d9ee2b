"""The demo of a design's history: what was made comes out, and nothing is claimed of what was not flown."""

import json

import pytest

from logger_app.__main__ import main


@pytest.mark.slow
def test_sides_and_stall_speeds_come_out_as_made(tmp_path, capsys):
    assert main(["demo", "--history", "-o", str(tmp_path), "--json"]) == 0
    result = json.loads(capsys.readouterr().out)

    (one,) = result["one_sided"]
    assert (one["configuration"], one["control_side"]) == ("fence_right", "left")
    assert 0 <= one["truth_control_first"] - one["control_first"] <= 5, "runs that count, of those that were made"
    # A stall read too far below its last call does not count; of eight runs at least half do.
    assert all(4 <= row["n"] <= 8 for row in result["stall_speeds"])
    for row in result["stall_speeds"]:
        assert row["vs_ias_kt"] == pytest.approx(row["truth_ias_kt"], abs=0.6), row
    page = (tmp_path / "report" / "index.html").read_text("utf-8")
    assert page.count('class="generation"') == 5
    assert "the wing with the change held longer" in page
    assert "no configuration has changed" in page or "was changed alone by" in page

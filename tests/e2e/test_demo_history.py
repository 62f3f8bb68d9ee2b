"""The demo of a design's history: what was made comes out, and nothing is claimed of what was not flown."""

import json

import pytest

from logger_app.__main__ import main
from logger_app.domain.cameras import WINGS
from logger_app.domain.tufts import TuftState
from logger_app.io.resources import data_dir
from logger_app.workflows.compare import WingComparison
from logger_app.workflows.compare_runs import open_comparison
from logger_app.workflows.demo_films import UNSTEADY_RATIO

DEMO = data_dir("demo_sessions") / "heron_fences"
pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """The demo's folder and what the verb printed."""
    import contextlib
    import io

    folder, out = tmp_path_factory.mktemp("history"), io.StringIO()
    with contextlib.redirect_stdout(out):
        assert main(["demo", "--history", "-o", str(folder), "--json"]) == 0
    return folder, json.loads(out.getvalue())


def test_sides_and_stall_speeds_come_out_as_made(made):
    folder, result = made

    (one,) = result["one_sided"]
    assert (one["configuration"], one["control_side"]) == ("fence_right", "left")
    assert 0 <= one["truth_control_first"] - one["control_first"] <= 5, "runs that count, of those that were made"
    # A stall read too far below its last call does not count; of eight runs at least half do.
    assert all(4 <= row["n"] <= 8 for row in result["stall_speeds"])
    for row in result["stall_speeds"]:
        assert row["vs_ias_kt"] == pytest.approx(row["truth_ias_kt"], abs=0.6), row
    page = (folder / "report" / "index.html").read_text("utf-8")
    assert page.count('class="generation"') == 5
    assert "the wing with the change held longer" in page
    assert "no configuration has changed" in page or "was changed alone by" in page


def test_marks_on_the_films_lead_to_the_stations_that_were_made_to_go_first(made):
    _, result = made

    assert result["films"] == 80
    assert [(row["configuration"], row["wing"]) for row in result["let_go"]] == [
        (name, wing) for name in ("plain", "fence_right", "fences", "fences_strips", "strips") for wing in WINGS
    ]
    for row in result["let_go"]:
        assert row["truth_first"] in row["seen_first"], row
        assert row["low_ratio"] - 0.02 <= row["truth_ratio"] <= row["high_ratio"] + 0.02, row


def test_the_assist_asked_on_the_films_finds_what_was_made(made):
    """No mark of a person is used: the frames alone, at 1.05 times the stall speed."""
    folder, _ = made
    truth = json.loads((DEMO / "expected" / "truth.json").read_text("utf-8"))
    by_run = {(f["flight"], r["number"]): r for f in truth["flights"] for r in f["runs"]}
    told = right = 0
    sides = {}
    with open_comparison(folder / "campaign", "A1", "fence_right:left,fence_right:right") as one:
        wings = WingComparison(one.campaign_dir, one.campaign, one.flights, one.point, one.sides, "test", "", one)
        for (k, _camera), grid in sorted(wings.grids().items()):
            side = one.sides[k]
            if side.camera not in grid.camera:
                continue
            run = by_run[side.result.flight, side.result.run_number]
            at_s = run["stall_s"] - 0.05 * run["stall_ias_kt"] / run["entry_rate_kt_per_s"]
            looked = wings.look(k, at_s, grid)
            assert looked.answer is not None, looked.why
            for proposal in looked.answer.proposed:
                first = run["first_ratio"][side.camera][proposal.station]
                true = [TuftState.SEPARATED] * (first >= 1.05) or [
                    TuftState.UNSTEADY if 1.05 <= first + UNSTEADY_RATIO else TuftState.ATTACHED
                ]
                told += 1
                right += proposal.state is true[0]
                sides.setdefault(side.camera, []).append(proposal.state is TuftState.SEPARATED)
        wings.close()

    assert told >= 10, "of 24"
    assert right >= 0.85 * told
    assert sum(sides["left"]) > sum(sides["right"]), "the unfitted wing has let go further"


def test_the_contact_sheet_shows_every_generation_and_the_marks_that_were_made(made, tmp_path, capsys):
    folder, _ = made
    truth = json.loads((DEMO / "expected" / "truth.json").read_text("utf-8"))
    by_run = {f"{f['flight']}, run {r['number']}": r for f in truth["flights"] for r in f["runs"]}

    assert main(["compare", str(folder / "campaign"), "--point", "A1", "--line", "-o", str(tmp_path), "--json"]) == 0
    shown = json.loads(capsys.readouterr().out)

    assert [one["configuration"] for one in shown["generations"]] == [
        "plain", "fence_right", "fences", "fences_strips", "strips",
    ]  # fmt: skip
    for one in shown["generations"]:
        assert [(p["view"], p["at"]) for p in one["pictures"]] == [
            (f"{wing} wing", at) for wing in WINGS for at in ("1.2 Vs", "1.1 Vs", "1.05 Vs", "stall")
        ]
        run = by_run[one["run"].removesuffix(", does not count")]
        for picture in one["pictures"]:
            assert picture["why"] == ""
            if picture["at"] == "1.1 Vs":  # a station well on one side of 1.1 is what it was made to be
                for station, first in run["first_ratio"][picture["view"].split()[0]].items():
                    if abs(first - 1.1) > 0.02:
                        gone = picture["stations"][station] == "separated"
                        assert gone == (first > 1.1), (one["run"], picture, station, first)
    assert (tmp_path / "A1_line.pdf").read_bytes().startswith(b"%PDF")
    assert main(["compare", str(folder / "campaign"), "--point", "A1", "--line", "-o", str(tmp_path)]) == 1
    assert "is there already" in capsys.readouterr().err
    page = (folder / "report" / "index.html").read_text("utf-8")
    assert page.count('alt="The wing of ') >= 5

"""A pilot's "fifty" was heard as "sixty" through a whole approach: sure, unflagged, and ten knots in the results."""

import json
import shutil

import pytest

from logger_app.__main__ import main
from logger_app.domain.points import points_for
from logger_app.domain.settings import Possible
from logger_app.fly.flight_state import advance, begin
from logger_app.fly.verdict import in_words
from logger_app.io.resources import data_dir
from logger_app.logstore import codec
from logger_app.logstore.store import Journal
from logger_app.records.calls import Action, Correction
from logger_app.records.journal import FlightInfo
from logger_app.workflows import campaign as flow
from logger_app.workflows.review import ReviewWorkflow
from tests.made_flight import spoken_runs

UTC = "2031-05-04T07:00:00.000000Z"
# 62 to 51 in each; the last as it is heard of somebody whose fifties sound like sixties.
RUNS = ((62, 60, 58, 57, 55, 54, 53, 52, 51),) * 3 + ((62, 60, 68, 67, 65, 64, 63, 62, 61),)


@pytest.fixture
def flight(tmp_path):
    shutil.copy(data_dir("demo_sessions") / "sparrow_cuffs/inputs/campaign.toml", tmp_path / "campaign.toml")
    folder = tmp_path / "flights" / "day1"
    with Journal.create(folder, FlightInfo(id="day1", configuration="baseline", started_utc=UTC)) as journal:
        journal.append(codec.call_row(call, UTC) for call in spoken_runs(RUNS))
    return folder


def listed(flight, capsys, *words):
    capsys.readouterr()
    assert main(["review", str(flight), "--who", "ann", "--json", *words]) == 0
    return json.loads(capsys.readouterr().out)


def reduced(flight):
    return flow.reduce_all(flight.parent.parent)[2].runs[-1]


def test_the_run_is_one_item_first_in_the_queue_and_counts_for_nothing_yet(flight, capsys):
    queue = listed(flight, capsys)["queue"]
    last = reduced(flight)

    assert (queue[0]["item"], queue[0]["proposed"]) == ("decade", "fifties")
    assert list(queue[0]["calls"].values()) == [58, 57, 55, 54, 53, 52, 51]
    assert not any(item["run"] == queue[0]["run"] for item in queue[1:] if item["item"] != "sample")
    assert not last.counts and "read as fifties would fit" in last.why[0]


def test_one_correction_reads_all_of_it_again_and_one_undo_takes_it_back(flight, capsys):
    corrected = listed(flight, capsys, "--reread", "4")
    counted = reduced(flight)
    undone = listed(flight, capsys, "--undo")

    assert len(corrected["corrections"]) == 1
    assert [c["value"] for c in corrected["calls"] if c["status"] == "corrected"] == [58, 57, 55, 54, 53, 52, 51]
    assert not any(item["item"] == "decade" for item in corrected["queue"])
    assert counted.counts and counted.vs_ias_kt == pytest.approx(50.5, abs=1)
    assert not any(c["status"] == "corrected" for c in undone["calls"])
    assert undone["queue"][0]["item"] == "decade"


def test_kept_as_heard_it_counts_and_is_not_asked_again(flight, capsys):
    kept = listed(flight, capsys, "--confirm", listed(flight, capsys)["queue"][0]["id"])

    assert not any(item["item"] == "decade" for item in kept["queue"])
    assert not any("read as fifties" in why for why in reduced(flight).why)


def verdicts(flight, runs, own=()):
    """What the cards say of each run as it ends, the calls fed as in flight."""
    campaign = flow.load_campaign(flight.parent.parent)
    state = begin(points_for(campaign, "day1"), campaign.indicator.unit, Possible.of(campaign), own)
    for call in spoken_runs(runs):
        state, _ = advance(state, call)
    return [run.verdict for run in state.runs]


def test_in_flight_the_same_run_does_not_count_either_and_the_pilot_is_told_why(flight):
    first, *_, last = verdicts(flight, RUNS)

    assert first.counts and last.runs_counted == 3
    assert not last.counts
    assert in_words(last) == "sixties may have been fifties, a stall at 50 and not 60 kt: fly it again?"


def test_in_flight_what_the_rehearsal_showed_counts_from_the_first_run_on(flight):
    odd = ((62, 60, 68, 67, 65, 64, 63, 62, 61),)

    assert [run.counts for run in verdicts(flight, RUNS[:1], own=((6, 5),))] == [True]
    assert [run.counts for run in verdicts(flight, odd, own=((6, 5),))] == [False]


def test_a_run_without_a_proposal_has_nothing_to_read_again(flight, capsys):
    assert main(["review", str(flight), "--reread", "1"]) == 1
    assert "nothing to read again" in capsys.readouterr().err


def test_a_reread_in_the_journal_with_strange_calls_changes_nothing(flight):
    payload = (("call-none", 52.0), ("call-0015.0", "left"), ("call-0016.0", 52.0))
    strange = Correction(id="fix-1", utc=UTC, who="x", action=Action.REREAD, target="run-none", payload=payload)
    before = ReviewWorkflow(flight, "ann").load()
    with Journal.open(flight) as journal:
        journal.append([codec.correction_row(strange)])
    after = ReviewWorkflow(flight, "ann").load()

    assert [c.value for c in after.calls] == [c.value for c in before.calls]

"""Two people review two copies of a flight; `store merge` joins them, and both come to the same."""

import json
import shutil

import pytest

from logger_app.__main__ import main
from logger_app.logstore.recover import verify
from logger_app.logstore.store import Journal
from logger_app.workflows.campaign import all_calls, campaign_of, load_campaign, load_flight
from tests.made_campaign import make_campaign


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    return make_campaign(tmp_path_factory.mktemp("made") / "c", sound_s=0)


@pytest.fixture
def copies(made, tmp_path):
    return [shutil.copytree(made, tmp_path / name) / "flights" / "day1_baseline" for name in ("anna", "ben")]


def review(flight, who, *words):
    assert main(["review", str(flight), "--who", who, *words]) == 0


def airspeeds(flight):
    with Journal.open(flight, read_only=True) as journal:
        return [row.body["id"] for row in journal.rows() if row.kind == "call" and row.body["name"] == "ias"]


def state(flight):
    calls = all_calls(load_flight(load_campaign(campaign_of(flight)), flight))
    return sorted((c.id, c.value, c.name, c.flight_ns, str(c.status)) for c in calls)


def test_both_ways_round_come_to_the_same(copies, capsys):
    anna, ben = copies
    ids = airspeeds(anna)
    review(anna, "anna", "--set", ids[0], "61", "--add", "26", "48")
    review(ben, "ben", "--reject", ids[1], "--move", ids[2], "16.5")
    review(ben, "ben", "--undo")
    assert main(["store", "merge", str(anna), str(ben)]) == 0
    assert main(["store", "merge", str(ben), str(anna)]) == 0
    capsys.readouterr()

    assert state(anna) == state(ben)
    assert {"61.0", "48.0"} <= {str(value) for _, value, *_ in state(ben)}
    assert main(["store", "merge", str(ben), str(anna), "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {"joined": [], "contradictions": [], "left": {}}
    assert verify(anna).ok and verify(ben).ok


def test_contradictions_are_named_and_the_later_holds_in_both(copies, capsys):
    anna, ben = copies
    id = airspeeds(anna)[0]
    review(anna, "anna", "--set", id, "61")
    review(ben, "ben", "--set", id, "60")
    capsys.readouterr()
    assert main(["store", "merge", str(anna), str(ben)]) == 0
    said = capsys.readouterr().out
    main(["store", "merge", str(ben), str(anna)])

    assert f"{id}: anna said set" in said and "then ben said set" in said and "the later one counts" in said
    assert state(anna) == state(ben)
    assert next(value for call, value, *_ in state(anna) if call == id) == 60


def test_another_flight_is_not_joined(made, tmp_path, capsys):
    one = shutil.copytree(made, tmp_path / "one") / "flights" / "day1_baseline"
    other = make_campaign(tmp_path / "other", sound_s=0) / "flights" / "day1_baseline"
    review(other, "ben", "--reject", airspeeds(other)[0])
    before = state(one)
    capsys.readouterr()

    assert main(["store", "merge", str(one), str(other)]) == 1
    assert "not a copy" in capsys.readouterr().err
    assert main(["store", "merge", str(one), str(one)]) == 1
    assert state(one) == before


def test_a_copy_heard_otherwise_is_not_joined(copies, tmp_path, capsys):
    anna, ben = copies
    more = tmp_path / "more.csv"
    more.write_text("start_s,words\n40,sixty one\n")
    assert main(["hear", str(more), "--into", str(ben)]) == 0
    capsys.readouterr()

    assert main(["store", "merge", str(anna), str(ben)]) == 1
    assert "heard differently" in capsys.readouterr().err

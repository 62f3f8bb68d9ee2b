"""The plan in words and for machines."""

import json

import pytest

from logger_app.plan.parse import parse_text
from logger_app.plan.summary import matrix, plan_document, plan_text
from logger_app.records.journal import FlightInfo


@pytest.fixture
def campaign(sound):
    return parse_text(sound)[0]


def test_the_matrix_has_a_row_for_power_and_bank_and_a_column_for_flap(campaign):
    columns, rows = matrix(campaign)

    assert columns == ("flap 0", "flap 30")
    assert [(label, [[p.id for p in cell] for cell in cells]) for label, cells in rows] == [
        ("idle, wings level", [["A1"], ["A2"]]),
        ("2100 rpm, bank 30 right", [["B1"], []]),
    ]


def test_fast_entries_have_a_row_of_their_own(sound):
    campaign, _ = parse_text(sound.replace("bank_deg = 30", "bank_deg = 30\nentry_rate_band_kt_per_s = [3, 5]"))

    assert [label for label, _ in matrix(campaign)[1]][1] == "2100 rpm, bank 30 right, 3 to 5 kt/s"


def test_the_document_is_plain_json_and_counts_what_was_flown(campaign):
    flown = {("baseline", "A1"): 3}

    document = plan_document(campaign, flown, [FlightInfo(id="01_baseline", configuration="baseline")])

    assert json.loads(json.dumps(document)) == document
    cell = next(c for c in document["matrix"] if c["configuration"] == "baseline" and c["point"] == "A1")
    assert (cell["flown"], cell["wanted"], cell["left"]) == (3, 4, 1)
    assert document["next_flight"]["configuration"] == "cuffs"
    assert document["flights"][0]["flown"] and not document["flights"][1]["flown"]
    assert document["repeats"]["runs_needed"] == 4
    assert document["flights"][0]["loading"][0]["weight_kg"] == 603.4


def test_the_words_hold_what_a_pilot_plans_with(campaign):
    text = plan_text(campaign)

    for words in (
        "baseline: Plain wing",
        "A1 0/4",
        "first: the least demanding",
        "above the reserve of 15 l",
        "card B       44 min",
        "baseline with cuffs: leading-edge cuff",
        "ballast for 02_cuffs to match 01_baseline: none needed",
        "Advice: none",
    ):
        assert words in text
    assert max(map(len, text.split("\n"))) < 160


def test_when_all_is_flown_it_says_so(campaign):
    flown = {(c, p.id): 4 for c in ("baseline", "cuffs") for p in campaign.points}
    flights = [FlightInfo(id=str(n), configuration=c) for n, c in enumerate(("baseline", "cuffs", "baseline"))]

    assert "Next flight: none; every run wanted has been flown" in plan_text(campaign, flown, flights)


def test_too_little_fuel_for_any_run_is_said(sound):
    campaign, _ = parse_text(sound.replace("fuel_l = 70", "fuel_l = 20"))

    text = plan_text(campaign)

    assert "BELOW the reserve" in text
    assert "not enough fuel for one run" in text


def test_a_power_with_a_comma_in_its_name_keeps_its_row(sound):
    campaign, _ = parse_text(sound.replace('power = "2100 rpm"', 'power = "climb, full rich"'))

    assert [label for label, _ in matrix(campaign)[1]] == ["idle, wings level", "climb, full rich, bank 30 right"]

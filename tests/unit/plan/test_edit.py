"""Edits of the file's text: what was asked for changes, and nothing else, comments least of all."""

import difflib

import pytest

from logger_app.errors import CardError
from logger_app.plan.edit import add_row, remove_row, rename, set_value, values_at
from logger_app.plan.parse import parse_text


def changed(before, after):
    """Lines that differ, with their sign."""
    lines = difflib.unified_diff(before.split("\n"), after.split("\n"), lineterm="", n=0)
    return [line for line in lines if line[0] in "+-" and not line.startswith(("+++", "---"))]


def test_a_value_is_replaced_and_its_comment_stays(sound):
    text = sound.replace("floor_ft = 3000", "floor_ft = 3000  # over the lake")

    after = set_value(text, ("team",), "floor_ft", 3500.0)

    assert changed(text, after) == ["-floor_ft = 3000  # over the lake", "+floor_ft = 3500  # over the lake"]


def test_a_key_that_was_not_there_goes_into_its_own_table(sound):
    after = set_value(sound, ("card", "A"), "objective", "Stall speed")

    campaign, faults = parse_text(after)
    assert faults == ()
    assert campaign.cards[0].objective == "Stall speed"
    assert len(changed(sound, after)) == 1


def test_nothing_takes_a_key_away(sound):
    after = set_value(sound, ("card", "A", "point", "A1"), "trim_ias_kt", None)

    assert changed(sound, after) == ["-trim_ias_kt = 70"]


def test_a_value_given_in_another_unit_keeps_it(sound):
    text = sound.replace("trim_ias_kt = 70", "trim_ias_mph = 81")

    after = set_value(text, ("card", "A", "point", "A1"), "trim_ias_kt", 75 * 0.8689762419)

    assert changed(text, after) == ["-trim_ias_mph = 81", "+trim_ias_mph = 75"]
    assert values_at(after, ("card", "A", "point", "A1"))["trim_ias_kt"] == pytest.approx(65.1732, abs=1e-4)


def test_a_list_is_replaced_as_a_whole(sound):
    after = set_value(sound, ("card", "A", "point", "A1"), "altitude_band_ft", [5000, 8000])

    assert parse_text(after)[0].points[0].altitude_low_ft == 5000


def test_a_point_is_added_at_the_end_of_its_card(sound):
    after = add_row(sound, ("card", "A"), "point", {"id": "A3", "flap_deg": 15.0, "bank_deg": None})

    assert [p.id for p in parse_text(after)[0].points] == ["A1", "A2", "A3", "B1"]
    assert changed(sound, after) == ["+[[card.point]]", '+id = "A3"', "+flap_deg = 15", "+"]


def test_a_configuration_with_its_change_is_added_before_what_follows(sound):
    after = add_row(sound, (), "configuration", {"id": "fences", "parent": "cuffs"})
    after = add_row(after, ("configuration", "fences"), "change", {"item": "wing fence"})

    campaign, faults = parse_text(after)
    assert faults == ()
    assert campaign.configuration("fences").changes[0].item == "wing fence"
    assert "\n\n[team]" in after


def test_the_last_row_that_goes_takes_its_heading_along(sound):
    after = remove_row(sound, ("configuration", "cuffs", "change", "leading-edge cuff"))

    assert "configuration.change" not in after
    assert parse_text(after)[1] == ()


def test_a_new_name_is_given_everywhere(sound):
    after = rename(sound, ("configuration", "cuffs"), "droops")
    after = rename(after, ("card", "B"), "Z")

    campaign, faults = parse_text(after)
    assert faults == ()
    assert [f.configuration for f in campaign.flights] == ["baseline", "droops", "baseline"]
    assert campaign.flights[0].cards == ("A", "Z")


@pytest.mark.parametrize("place", [("card", "X"), ("card", "A", "point", "A9"), ("nothing",), ("card",)])
def test_a_place_that_is_not_there_is_refused(sound, place):
    with pytest.raises(CardError) as err:
        set_value(sound, place, "id", "x")

    assert err.value.faults[0].where == ", ".join(place)

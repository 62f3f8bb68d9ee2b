"""What is fitted, what differs between two configurations and what that answers: cases in a table."""

from dataclasses import replace

import pytest
from builders import Make

from logger_app.domain.fitted import difference, fitted_to, history_problems, lineage, side_cautions, side_of
from logger_app.records.plan import AircraftConfig, Change, DeviceRow

ROW = DeviceRow(span_from_pct=40, span_to_pct=70)
LINE = (
    AircraftConfig(id="plain", name="Plain"),
    AircraftConfig(id="strips", name="Strips", parent="plain", changes=(Change(item="stall strip", rows=(ROW,)),)),
    AircraftConfig(id="fences", name="Fences", parent="strips", changes=(Change(item="fence"),)),
    AircraftConfig(
        id="bare", name="Fences alone", parent="fences", changes=(Change(item="no strip", takes_off="stall strip"),)
    ),
)


def campaign(*configurations):
    return replace(Make().campaign(), configurations=configurations or LINE)


def test_what_is_fitted_adds_up_along_the_line_and_is_taken_off():
    assert [fit.change.item for fit in fitted_to(campaign(), "fences")] == ["stall strip", "fence"]
    assert [fit.since for fit in fitted_to(campaign(), "fences")] == ["strips", "fences"]
    assert [fit.change.item for fit in fitted_to(campaign(), "bare")] == ["fence"], "taking off is no fit of its own"
    assert fitted_to(campaign(), "nowhere") == ()
    assert [c.id for c in lineage(campaign(), "bare")] == ["plain", "strips", "fences", "bare"]


@pytest.mark.parametrize(
    "reference, changed, items",
    [
        ("plain", "strips", ("stall strip fitted",)),
        ("strips", "fences", ("fence fitted",)),
        ("plain", "fences", ("stall strip fitted", "fence fitted")),
        ("strips", "plain", ("stall strip removed",)),
        ("plain", "plain", ()),
    ],
)
def test_a_difference_names_each_thing(reference, changed, items):
    found = difference(campaign(), reference, changed)

    assert found.items == items
    assert ("on its own" in found.answers) == (len(items) == 1)
    assert ("cannot be told apart" in found.answers) == (len(items) > 1)


def test_two_changes_at_once_and_a_fit_left_from_before_are_named():
    two = AircraftConfig(id="two", name="", parent="plain", changes=(Change(item="fence"), Change(item="cuff")))

    (sentence,) = history_problems(campaign(LINE[0], two))
    assert sentence.startswith("two:") and "cannot be told apart" in sentence
    assert any("still carries stall strip (since strips)" in one for one in history_problems(campaign(*LINE[:3])))
    assert history_problems(campaign(*LINE[:2])) == ()


def test_a_change_that_was_taken_back_is_named():
    off = AircraftConfig(
        id="off", name="", parent="strips", changes=(Change(item="stall strip", takes_off="stall strip"),)
    )

    problems = history_problems(campaign(*LINE[:2], off))
    assert any("off is fitted as plain was: the change was undone" in one for one in problems)


@pytest.mark.parametrize(
    "sides, expected", [(("left",), "left"), (("left", "right"), "both"), ((), "both"), (("both",), "both")]
)
def test_the_side_that_carries_it(sides, expected):
    rows = tuple(replace(ROW, side=side) for side in sides)
    config = AircraftConfig(id="a", name="", parent="plain", changes=(Change(item="strip", rows=rows),) if rows else ())

    assert side_of(fitted_to(campaign(LINE[0], config), "a")) == expected


def test_a_change_on_one_wing_is_cautioned():
    one = AircraftConfig(
        id="one", name="", parent="plain", changes=(Change(item="strip", rows=(replace(ROW, side="left"),)),)
    )

    (said,) = side_cautions(campaign(LINE[0], one))
    assert "left wing only" in said and "spin recovery" in said
    assert side_cautions(campaign(LINE[0], one), "plain") == ()
    assert side_cautions(campaign()) == ()


def test_a_fence_on_one_wing_over_strips_on_both_is_one_sided_and_cautioned():
    """It was taken for a symmetric fit: no caution in preflight, and no control wing."""
    fence = AircraftConfig(
        id="one", name="", parent="strips", changes=(Change(item="fence", rows=(replace(ROW, side="right"),)),)
    )
    line = campaign(LINE[0], LINE[1], fence)

    assert side_of(fitted_to(line, "one")) == "right"
    assert side_of(fitted_to(line, "strips")) == "both"
    assert "right wing only" in side_cautions(line, "one")[0]

"""The headline: what a reader repeats at the airfield, good and bad at the same size."""

from dataclasses import replace

import pytest
from report_example import made_example

from logger_app.records.results import Overall
from logger_app.report.headline import caveats, headline

PLANNED = {"planned_kt": 2.2, "runs_to_show_1_kt": 40, "flights_to_show_1_kt": 30}


def said(example):
    page = example.page()
    return {(one.about, one.tone): one.text for one in headline(page.pairs[0], page.units)}


def compared(example, **changes):
    """The same campaign with comparisons changed: by point, a dict of fields."""
    comparisons = tuple(replace(c, **changes.get(c.point, {})) for c in example.reduction.comparisons)
    return replace(example, reduction=replace(example.reduction, comparisons=comparisons))


def runs_changed(example, configuration, **fields):
    runs = tuple(replace(r, **fields) if r.configuration == configuration else r for r in example.reduction.runs)
    return replace(example, reduction=replace(example.reduction, runs=runs))


@pytest.fixture(scope="module")
def example():
    return made_example()


def test_what_was_shown_is_said_with_its_points_and_sizes(example):
    lower = {"verdict": "lower", "low_kt": -3.0, "high_kt": -0.4}
    sizes = {"A1": -1.94, "A2": -1.2, "A3": -1.1, "B1": -2.7}
    every = compared(example, **{point: lower | {"difference_kt": kt} for point, kt in sizes.items()})

    assert said(every)["Stall", "better"] == "lower at all 4 points, by 1.1 to 2.7 kt"


def test_a_point_that_got_worse_is_a_statement_of_its_own(example):
    worse = compared(example, B1={"verdict": "higher", "difference_kt": 1.9, "low_kt": 0.8, "high_kt": 3.0})

    assert said(worse)["Stall", "worse"] == "higher at 1 of 4 points (B1), by 1.9 kt"


def test_what_was_not_shown_says_what_it_leaves_and_what_would_settle_it(example):
    field = {
        "verdict": "not shown",
        "difference_kt": 0.1,
        "low_kt": -1.2,
        "high_kt": 1.4,
        **PLANNED,
        "runs_to_show_planned": 8,
    }
    text = said(compared(example, **dict.fromkeys(("A1", "A2", "A3", "B1"), field)))

    assert text["Point by point", "open"] == (
        "not shown for the change at any of 4 points (−1.2 to +1.4 kt is possible); "
        "about 8 runs of each on as many flights would show the planned 2.2 kt"
    )
    assert not any(tone in ("better", "worse") for about, tone in text if about in ("Stall", "Point by point"))


def test_what_differed_between_single_flights_is_not_said_of_the_change(example):
    field = {
        "verdict": "not shown",
        "low_kt": -4.8,
        "high_kt": 1.1,
        "n_flights_reference": 1,
        "n_flights_changed": 1,
        "flights_verdict": "lower",
        "flights_difference_kt": -1.9,
        "flights_low_kt": -3.0,
        "flights_high_kt": -0.7,
        "flights_to_show_planned": 7,
        **PLANNED,
    }
    text = said(compared(example, **dict.fromkeys(("A1", "A2", "A3", "B1"), field)))

    assert text["Between these flights", "as flown"] == "lower at all 4 points, by 1.9 kt"
    assert text["Point by point", "open"].endswith("about 7 flights of each would show the planned 2.2 kt")
    assert not any(tone == "better" for about, tone in text if about == "Stall")


@pytest.mark.parametrize(
    ("fields", "tone", "text"),
    [
        (
            {"verdict": "lower", "difference_kt": -1.9, "low_kt": -3.5, "high_kt": -0.2},
            "better",
            "lower by 1.9 kt (0.2 to 3.5), mean of 4 points",
        ),
        (
            {"verdict": "higher", "difference_kt": 0.9, "low_kt": 0.2, "high_kt": 1.6},
            "worse",
            "higher by 0.9 kt (0.2 to 1.6), mean of 4 points",
        ),
        (
            {
                "verdict": "not shown",
                "difference_kt": 0.1,
                "low_kt": -0.7,
                "high_kt": 0.9,
                "no_worse": True,
                "no_worse_kt": 1.0,
            },
            "open",
            "no difference shown, mean of 4 points: −0.7 to +0.9 kt is possible; not higher by more than 1.0 kt",
        ),
    ],
)
def test_the_answer_of_all_points_together_comes_first(example, fields, tone, text):
    answer = Overall(
        reference="baseline", changed="cuffs", points=("A1", "A2", "A3", "B1"), basis="std", words="", **fields
    )
    page = replace(example, reduction=replace(example.reduction, overall=(answer,))).page()

    first = headline(page.pairs[0], page.units)[0]
    assert (first.about, first.tone, first.text) == ("Stall", tone, text)


@pytest.mark.parametrize(("margin_kt", "tone"), [(2.0, "caution"), (6.5, "same")])
def test_the_warning_is_held_against_the_line(example, margin_kt, tone):
    """At least 5 kt: 14 CFR 23.207(c), amendment 23-62."""
    text = said(runs_changed(example, "cuffs", warning_margin_kt=margin_kt, buffet_margin_kt=None))

    assert f"{margin_kt} kt above the stall" in text["Warning", tone]
    assert ("less than the 5 kt line at all 4 points" in text["Warning", tone]) == (margin_kt < 5)


def test_a_warning_that_nobody_called_is_open_and_not_good(example):
    nothing = dict.fromkeys(("warning_margin_kt", "buffet_margin_kt", "warning_ias_kt", "buffet_ias_kt"))

    assert (
        said(runs_changed(example, "cuffs", **nothing))["Warning", "open"]
        == "none was called before the stall in 12 runs"
    )


def test_a_wing_drop_that_became_likelier_is_bad_news_with_its_chance(example):
    """2 x 2 table 6 of 12 against 0 of 12: two-sided p = 0.0137 by the hypergeometric sum."""
    from math import comb

    level = runs_changed(example, "baseline", wing_drop="none")
    runs = [
        replace(r, wing_drop="left" if k % 2 else "none") if r.configuration == "cuffs" else r
        for k, r in enumerate(level.reduction.runs)
    ]
    text = said(replace(level, reduction=replace(level.reduction, runs=tuple(runs))))
    p = 2 * comb(12, 6) * comb(12, 0) / comb(24, 6)

    assert p < 0.05
    assert text["Wing drop", "worse"] == "more often: in 6 of 12 runs, 0 of 12 before"


def test_an_even_wing_drop_is_neither_good_nor_bad(example):
    assert said(example)["Wing drop", "same"].startswith("no more and no less often")


def test_one_flight_each_is_said_with_the_answer(example):
    page = example.page()

    (line,) = (line for line in caveats(page.pairs[0], page.units) if "One flight each" in line)
    assert "rests on an assumed scatter of flights" in line
    assert not any("One flight" in line for line in caveats(made_example(repeat=2).page().pairs[0], page.units))


def test_it_is_in_the_pilots_unit(example):
    indicator = replace(example.campaign.indicator, unit="mph")
    text = said(replace(example, campaign=replace(example.campaign, indicator=indicator)))

    assert "5.8 mph line" in text["Warning", "caution"]  # 5 kt x 1852 / 1609.344
    assert not any(" kt" in sentence for sentence in text.values())

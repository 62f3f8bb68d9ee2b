"""The line of a design on the screen: the report's words and figures, words typed over, how wide a generation is."""

from dataclasses import replace
from pathlib import Path

import pytest
from builders import Make

from logger_app.domain.station_ratios import StationRatio
from logger_app.plan.parse import parse_text
from logger_app.records.results import Cell, Comparison, Reduction
from logger_app.report.generations import evidence, facts, generations
from logger_app.report.words import Units
from logger_app.ui.presenters import history as p
from logger_app.workflows import planning
from logger_app.workflows.history import History

TEXT = """
[[configuration]]
id = "baseline"
name = "Plain wing"
question = "what does a strip do?"   # ours

[[configuration]]
id = "strip"
name = "Strip, right wing"
parent = "baseline"
note = "glued"

[[configuration.change]]
item = "strip"

[[configuration.change.row]]
side = "right"
span_from_pct = 40
span_to_pct = 70

[[configuration]]
id = "later"
name = "Not flown"
parent = "strip"
"""


@pytest.fixture(scope="module")
def text():
    answers = {"aircraft": "Heron", "empty_weight_kg": "388", "max_weight_kg": "640", "wing_area_m2": "12.4"}
    made = planning.new_text(planning.read_answers(answers))
    first = made.index("[[configuration]]")
    end = made.index("\n[", made.index("\n", first))
    return made[:first] + TEXT + made[end:]


def history(text, stations=(), flown=True):
    campaign, faults = parse_text(text)
    assert not faults, faults
    point = campaign.points[0].id
    cell = Cell(point=point, configuration="strip", event="break", n=4, vs_ias_kt=45.04, buffet_margin_kt=2.0)
    against = Comparison(
        point=point, reference="baseline", changed="strip", n_reference=4, n_changed=4, verdict="lower", words="",
        difference_kt=-1.2, low_kt=-2.0, high_kt=-0.4,
    )  # fmt: skip
    reduction = Reduction(
        campaign="made", runs=(), cells=(cell,) if flown else (), comparisons=(against,) if flown else ()
    )
    return History(
        file=Path("campaign.toml"),
        text=text,
        name="Heron",
        units=Units("kt", "kg", 600.0),
        generations=generations(campaign, reduction, stations),
        evidence=evidence(campaign, stations),
    )


def test_a_generation_shows_what_the_report_shows(text):
    stations = [StationRatio(configuration="strip", wing="left", station="80/20", runs=4, separated=3, first_in=3, alone_in=3, ratio=1.12)]  # fmt: skip
    view = p.view(p.start(history(text, stations)))

    plain, strip, later = view.generations
    assert (strip.title, strip.parent) == ("1. Strip, right wing", "strip, made from baseline")
    assert strip.caption == "New: strip, right wing, 40 to 70 % of semispan."
    assert strip.points[0].lines == (
        ("Stall, indicated [kt]", "45.0", ""),
        ("Runs", "4", ""),
        ("Against baseline [kt]", "lower", "−1.2, −2.0 to −0.4"),
        ("Warning above stall [kt]", "2.0", "buffet"),
    )
    assert strip.glance[0][0] == "Stall against the baseline [kt]"
    assert strip.glance[0][1].endswith(": lower (−1.2, −2.0 to −0.4)") and plain.glance == ()
    assert ("let go", "left wing first at 80 % span, 20 % chord in 3 of 4 runs") in strip.facts
    assert strip.note == "glued" and not any(words == "glued" for _, words in strip.facts), "it stands in its box"
    assert plain.question == "what does a strip do?" and later.empty == "Not flown, or no run counts."
    assert view.key and any("seen separated at 1.1 Vs" in sentence for sentence in view.evidence)


def test_a_campaign_that_was_not_flown_shows_its_drawings(text):
    view = p.view(p.start(history(text, flown=False)))

    assert all(one.drawing.shapes and one.empty and not one.points for one in view.generations)
    assert view.key == ""


def test_words_typed_go_into_the_file_and_keep_its_comments(text):
    state = p.start(history(text))
    state = p.update(state, p.Typed("baseline", "question", "a fence on\nboth wings?"))
    state = p.update(state, p.Typed("strip", "note", ""))

    campaign, faults = parse_text(state.text)
    assert not faults
    assert campaign.configuration("baseline").question == "a fence on both wings?"
    assert campaign.configuration("strip").note == "" and "# ours" in state.text
    view = p.view(state)
    assert view.can_save and view.message == "Changed, not saved."
    assert view.generations[0].question == "a fence on both wings?" and view.generations[1].note == ""
    assert not p.view(p.update(state, p.Saved())).can_save
    assert p.view(p.update(state, p.Saved("disk full"))).can_save


def test_the_same_words_again_change_nothing(text):
    state = p.start(history(text))
    assert p.update(state, p.Typed("strip", "note", "glued")) == state


def test_the_keys_stop_at_both_ends(text):
    state = p.start(history(text))
    assert p.update(state, p.Choose(-1)).chosen == 0
    for _ in range(5):
        state = p.update(state, p.Choose(1))
    assert state.chosen == 2 and [one.chosen for one in p.view(state).generations] == [False, False, True]


def test_work_done_before_a_flight_stays_a_fact(text):
    made = history(text)
    strip = replace(made.generations[1], team_words=("glued", "sanded (f3)"))
    view = p.view(p.start(replace(made, generations=(made.generations[0], strip, made.generations[2]))))

    assert [words for label, words in view.generations[1].facts if label == "the team"] == ["sanded (f3)"]
    assert ("the team", "glued") in facts(strip), "the report shows both"


@pytest.mark.parametrize(
    ("width_px", "count", "across", "wide"),
    [(1280, 5, True, 320.0), (1920, 5, True, 384.0), (1920, 2, True, 540.0), (600, 5, False, 600), (1280, 1, False, 1280)],
)  # fmt: skip
def test_generations_go_to_the_right_where_two_fit_else_down(width_px, count, across, wide):
    assert p.columns(width_px, 15.0, count) == (across, wide)


def test_a_builder_campaign_without_rows_is_drawn_as_a_plain_rectangle():
    made = generations(Make().campaign(), Reduction(campaign="made", runs=(), cells=(), comparisons=()))
    assert all("plain rectangle" in str([getattr(shape, "text", "") for shape in g.drawing.shapes]) for g in made)

"""The preflight pages and what a touch changes at once."""

from dataclasses import replace

import pytest

from logger_app.fly.rehearsal import Answer, Line
from logger_app.records.calls import CallKind
from logger_app.ui.presenters.preflight import Do, Page, PreflightState, briefing_rows, update, view
from logger_app.workflows.preflight import Check

GOOD = Check(name="clock", state="ok", words="noon")
WRONG = Check(name="microphone", state="wrong", words="none", hint="Plug it in.")
CARDS = Check(name="cards", state="wrong", words="2 faults", hint="campaign.toml: ...")
BRIEFING = {"cautions": ["a", "b", "c"], "knock_it_off": ["x"], "floor_ft": 3000.0, "entry_min_ft": None}


def line(say):
    return Line(say=say, kind=CallKind.EVENT, name=say)


def labels(buttons):
    return [button.label for button in buttons]


def test_the_worst_check_is_first_and_its_hint_at_the_foot():
    shown = view(PreflightState(checks=(GOOD, WRONG, CARDS)))

    assert [row.name for row in shown.rows] == ["cards", "microphone", "clock"]
    assert [row.sign for row in shown.rows] == ["stop", "stop", "tick"]
    assert shown.foot == "cards: campaign.toml: ..."


def test_no_flight_without_cards():
    assert not view(PreflightState(checks=(CARDS,))).pages[-1].enabled
    assert view(PreflightState(checks=(Check(name="cards", state="ok", words=""),))).pages[-1].enabled


@pytest.mark.parametrize("page", list(Page))
def test_every_page_is_one_touch_away(page):
    state = update(PreflightState(part=2), Do(page))

    assert (state.page, state.part) == (page, 0)
    assert labels(view(state).pages) == ["CHECKS", "SPEAK", "DISPLAY", "CAUTIONS", "FLY"]


def test_the_briefing_is_read_to_its_end_before_it_can_be_acknowledged():
    state = PreflightState(page=Page.CAUTIONS, briefing=briefing_rows(BRIEFING))
    first = view(state)
    assert labels(first.actions) == ["MORE"]
    second = view(update(state, Do.MORE))

    assert [row.words for row in first.rows + second.rows] == ["recovered above 3000 ft (floor)", "x", "a", "b", "c"]
    assert second.actions[0].do is Do.ACKNOWLEDGE and second.actions[0].enabled


def test_a_team_without_criteria_is_told_so():
    rows = briefing_rows({"cautions": [], "knock_it_off": [], "floor_ft": None, "entry_min_ft": None})

    assert dict(rows)["heights"] == dict(rows)["stop if"] == ("none set in the campaign",)


def test_answers_stand_beside_the_lines():
    answers = (
        Answer(line=line("mark"), right=True, heard="mark"),
        Answer(line=line("break"), right=False, heard="brake"),
        Answer(line=line("hold"), right=False),
    )
    shown = view(PreflightState(page=Page.SPEAK, lines=("mark", "break", "hold", "note"), answers=answers))

    assert [(row.sign, row.words) for row in shown.rows] == [
        ("tick", "heard"),
        ("warn", "heard as brake"),
        ("warn", "missed"),
        ("dot", ""),
    ]
    assert shown.foot == "1 of 3 heard right."


def test_the_display_stays_within_what_one_can_be():
    state = PreflightState()
    for _ in range(30):
        state = update(state, Do.NEARER)
    assert state.display.viewing_mm == 250
    assert update(state, Do.PALETTE).display.palette_name == "night"
    assert update(state, Do.WIDER).display.dpi == 150
    assert update(state, Do.FLY) == state


@pytest.mark.parametrize(
    "change, reason",
    [
        ({"acknowledged": False}, "cautions first"),
        ({"answers": ()}, "no rehearsal"),
        ({"checks": (GOOD, WRONG)}, "microphone wrong"),
        ({"answers": (Answer(line=line("knock_it_off"), right=False),)}, "knock-it-off\nnot heard"),
    ],
)
def test_fly_is_green_only_when_nothing_is_wrong(change, reason):
    cards = Check(name="cards", state="ok", words="")
    heard = Answer(line=line("knock_it_off"), right=True)
    ready = PreflightState(checks=(cards,), acknowledged=True, answers=(heard,))
    assert (view(ready).pages[-1].role, view(ready).pages[-1].label) == ("good", "FLY")
    shown = view(replace(ready, **{**change, "checks": (cards, *change.get("checks", ()))})).pages[-1]

    assert (shown.role, shown.label, shown.enabled) == ("again", f"FLY\n{reason}", True)


def test_the_hand_and_what_a_run_shows_are_chosen():
    state = update(update(PreflightState(), Do.HAND), Do.IN_RUN)

    assert (state.display.hand, state.display.in_run) == ("left", "blank")

"""The plan screen without a window: what is shown, and what touches and typing do."""

from dataclasses import replace

import pytest

from logger_app.plan.parse import parse_text
from logger_app.records.journal import FlightInfo
from logger_app.records.results import StallSpeed
from logger_app.records.runs import StallEvent
from logger_app.ui.presenters.plan import (
    AddCard,
    AddChange,
    AddConfiguration,
    AddDevices,
    AddPoint,
    Remove,
    Saved,
    Select,
    SetValue,
    ShowConfiguration,
    Undo,
    start,
    update,
    view,
)

A1 = ("card", "A", "point", "A1")


def run(number, point, *, counts=True, why=()):
    return StallSpeed(
        run=f"r{number}",
        run_number=number,
        flight="01_baseline",
        configuration="baseline",
        point=point,
        event=StallEvent.PITCH_DOWN,
        method="fit",
        counts=counts,
        why=why,
        vs_ias_kt=47.2,
        entry_rate_kt_per_s=1.1,
    )


@pytest.fixture
def state(sound):
    runs = [
        run(1, "A1"),
        run(2, "A1", counts=False, why=("entry rate 2.1 kt/s",)),
        *(run(n, "A2") for n in range(3, 7)),
    ]
    return start(sound, runs, [FlightInfo(id="01_baseline", configuration="baseline")])


def cells(shown):
    return {cell.title: cell for row in shown.rows for column in row.cells for cell in column}


def test_cells_say_in_words_what_their_colour_says(state):
    shown = cells(view(state))

    assert (shown["A1"].status, shown["A1"].count, shown["A1"].words) == ("part", "1 of 4", "3 left")
    assert (shown["A2"].status, shown["A2"].count, shown["A2"].words) == ("done", "4 of 4", "done")
    assert (shown["B1"].status, shown["B1"].count, shown["B1"].words) == ("none", "0 of 4", "to fly")


def test_another_configuration_has_its_own_counts(state):
    shown = view(update(state, ShowConfiguration("cuffs")))

    assert cells(shown)["A1"].count == "0 of 4"
    assert shown.heading == "Configuration cuffs"
    assert shown.lines == ("baseline > cuffs",)


def test_a_tapped_cell_shows_its_runs_and_why_one_does_not_count(state):
    shown = view(update(state, Select(A1)))

    assert shown.lines == (
        "01_baseline, run 1: 47.2 kt IAS, 1.1 kt/s, counts",
        "01_baseline, run 2: 47.2 kt IAS, 1.1 kt/s, does not count: entry rate 2.1 kt/s",
    )
    assert cells(shown)["A1"].selected


def test_what_holds_from_the_card_stands_behind_an_empty_field(state):
    fields = {f.key: f for f in view(update(state, Select(A1))).fields}

    assert (fields["runs_wanted"].value, fields["runs_wanted"].hint) == ("", "4 on the card")
    assert fields["trim_ias_kt"].value == "70"
    assert fields["altitude_band_ft"].value == "4500 to 7500"


def test_an_edit_is_checked_at_once_and_cannot_be_saved_while_it_is_wrong(state):
    after = update(state, SetValue(A1, "flap_deg", "45"))

    shown = view(after)
    assert shown.checks == (
        ("wrong", "Card A, point A1, flap_deg: 45, but expected 30 at most, the greatest flap_limit of the aircraft."),
    )
    assert not shown.can_save
    assert shown.state_words == "1 to correct before saving."


def test_what_is_no_number_is_named_not_swallowed(state):
    shown = view(update(state, SetValue(A1, "flap_deg", "half")))

    assert shown.checks[0][1].startswith("Card A, point A1, flap_deg: 'half', but expected a number in deg")


def test_a_sound_edit_can_be_saved_and_undone(state):
    after = update(state, SetValue(A1, "runs_wanted", "5"))

    assert view(after).can_save
    assert cells(view(after))["A1"].count == "1 of 5"
    assert update(after, Undo()).text == state.text
    assert not view(update(after, Saved())).can_save
    assert view(update(after, Saved("the disk is full"))).state_words == "the disk is full"


def test_typing_the_same_again_changes_nothing(state):
    assert update(state, SetValue(A1, "trim_ias_kt", "70")) == state
    assert update(state, Undo()) == state


def test_comments_survive_every_edit(state):
    after = state
    for intent in (
        SetValue(A1, "runs_wanted", "5"),
        AddPoint("A"),
        AddCard(),
        AddConfiguration(),
        SetValue(("card", "A"), "title", "Slow"),
    ):
        after = update(after, intent)

    assert after.text.startswith("# A campaign without a fault and without need of advice.\n")
    assert parse_text(after.text)[1] == ()


def test_speeds_are_typed_and_written_in_the_unit_of_the_dial(sound):
    state = start(sound.replace('unit = "kt"', 'unit = "mph"').replace("trim_ias_kt = 70\n", ""))

    after = update(update(state, Select(A1)), SetValue(A1, "trim_ias_kt", "80"))

    assert "trim_ias_mph = 80\n" in after.text
    field = next(f for f in view(after).fields if f.key == "trim_ias_kt")
    assert (field.label, field.value) == ("trim IAS (mph)", "80")


def test_a_list_is_typed_line_by_line(state):
    after = update(state, SetValue(("card", "A"), "limits", "Not below 3000 ft\n\n  Nose below 30 deg "))

    assert after.campaign.cards[0].limits == ("Not below 3000 ft", "Nose below 30 deg")


def test_an_empty_cell_of_the_matrix_takes_a_new_point(state):
    add = next(a for row in view(state).rows for a in row.adds if a)

    after = update(state, add)

    point = after.campaign.cards[1].points[-1]
    assert (point.id, point.flap_deg, point.bank_deg, point.power) == ("B2", 30, 30, "2100 rpm")
    assert after.selected == ("card", "B", "point", "B2")


def test_a_new_configuration_comes_from_the_one_that_is_shown_and_is_shown(state):
    after = update(update(state, ShowConfiguration("cuffs")), AddConfiguration())

    config = after.campaign.configuration(after.configuration)
    assert config.parent == "cuffs"
    assert len(config.changes) == 1
    assert after.faults == ()


def test_a_second_thing_in_a_configuration_gets_the_one_change_rule(state):
    after = update(state, AddChange("cuffs"))

    assert any("differs from baseline in 2 things" in words for kind, words in view(after).checks if kind == "advice")
    gone = update(after, Remove(("configuration", "cuffs", "change", "another thing")))
    assert len(gone.campaign.configuration("cuffs").changes) == 1


def test_a_change_is_renamed_where_it_stands(state):
    at = ("configuration", "cuffs", "change", "leading-edge cuff")

    after = update(state, SetValue(at, "item", "drooped cuff"))

    assert after.campaign.configuration("cuffs").changes[0].item == "drooped cuff"


def test_an_id_that_was_flown_stays_and_another_is_renamed_everywhere(state):
    kept = update(state, SetValue(("configuration", "baseline"), "id", "plain"))
    renamed = update(update(state, ShowConfiguration("cuffs")), SetValue(("configuration", "cuffs"), "id", "droops"))

    assert kept.text == state.text and "it cannot be changed" in kept.message
    assert renamed.configuration == "droops"
    assert renamed.campaign.flight("02_cuffs").configuration == "droops"
    assert renamed.faults == ()


def test_a_parent_that_makes_a_circle_is_said(state):
    after = update(state, SetValue(("configuration", "baseline"), "parent", "cuffs"))

    assert any("a circle" in words for _, words in view(after).checks)


def test_removing_what_is_looked_at_goes_back_up(state):
    after = update(update(state, Select(A1)), Remove(A1))

    assert after.selected == ("card", "A")
    assert [p.id for p in after.campaign.points] == ["A2", "B1"]


def test_the_next_flight_is_proposed(state):
    assert view(state).next_flight.startswith("Next flight: cuffs: A1 x2, A2 x2, B1 x2.")


def test_a_file_that_cannot_be_read_is_shown_as_such():
    shown = view(start("name = \n"))

    assert shown.heading == "This file cannot be read"
    assert shown.checks[0][0] == "wrong"
    assert update(start("name = \n"), AddCard()) == start("name = \n")


def test_a_file_with_faults_opens_so_that_they_can_be_put_right(sound):
    state = start(sound.replace("bank_deg = 30", "bank_deg = 60"))

    after = update(state, SetValue(("card", "B", "point", "B1"), "bank_deg", "30"))

    assert view(state).checks[0][0] == "wrong"
    assert view(after).can_save
    assert replace(after, past=()).text == sound


@pytest.mark.parametrize("preset", ["level", "turning", "accelerated", "speeds"])
def test_a_new_card_follows_a_preset_and_names_its_paragraph(state, preset):
    after = update(state, AddCard(preset))

    card = after.campaign.cards[-1]
    assert after.faults == ()
    assert "14 CFR 23." in card.basis and card.procedure
    assert (card.points[0].bank_deg, card.points[0].rate_high_kt_per_s) == {
        "level": (0, 1.5),
        "turning": (30, 1.5),
        "accelerated": (30, 5),
        "speeds": (0, 1.5),
    }[preset]


def test_chord_positions_station_by_station_are_typed_and_shown_again(state):
    at = ("configuration", "cuffs", "change", "leading-edge cuff")

    after = update(update(state, ShowConfiguration("cuffs")), SetValue(at, "chord_pct", "55: 10, 90: 8.5"))

    assert after.faults == ()
    assert (
        dict(after.campaign.configuration("cuffs").changes[0].details)["chord_pct"]
        == "10 at 55 % span, 8.5 at 90 % span"
    )
    assert next(f for f in view(after).fields if f.key == "chord_pct").value == "55: 10, 90: 8.5"


def last_message(shown):
    return [words for kind, words in shown.checks if kind == "wrong"]


def test_rows_of_devices_are_typed_drawn_and_faults_said_in_words(state):
    state = update(state, ShowConfiguration("cuffs"))
    item = next(f.value for f in view(state).fields if f.key == "item")
    plain = view(state).drawing
    state = update(state, AddDevices("cuffs", item))
    row = ("configuration", "cuffs", "change", item, "row", "1")
    typed = {"side": "left", "span_from_pct": "60", "span_to_pct": "90", "count": "8", "chord_from_pct": "8"}
    for key, value in typed.items():
        state = update(state, SetValue(row, key, value))

    shown = view(state)
    assert not last_message(shown)
    fields = {f.label: f.value for f in shown.fields if f.place == row}
    assert fields["row 1: span from (%)"] == "60" and fields["row 1: count"] == "8"
    strokes = [shape for shape in shown.drawing.shapes if getattr(shape, "role", "") == "s1"]
    assert len(strokes) == 8, "eight devices on the left wing, as new"
    assert len(shown.drawing.shapes) > len(plain.shapes)
    assert "8 pieces, 60 to 90 % of semispan" in shown.drawing.description

    wrong = view(update(state, SetValue(row, "span_to_pct", "50")))
    assert any("an end beyond its start" in words for words in last_message(wrong)) and not wrong.can_save
    assert wrong.drawing is not None, "what was typed is drawn where it would be"

    second = update(state, AddDevices("cuffs", item))
    gone = update(second, Remove((*row[:-1], "2")))
    assert [f.place[-1] for f in view(gone).fields if f.key == "side" and f.place[-2] == "row"] == ["1"]
    assert view(gone).heading == "Configuration cuffs"


def test_only_a_configuration_is_drawn(state):
    assert view(update(state, Select(A1))).drawing is None

"""The line of a design in a real window: a campaign that was not flown, words typed and saved, a station touched."""

from dataclasses import replace

import pytest

from logger_app.domain.station_ratios import StationRatio
from logger_app.plan.parse import parse_text
from logger_app.records.results import Reduction
from logger_app.report.generations import generations
from logger_app.workflows import planning
from logger_app.workflows.history import load_history

pytestmark = pytest.mark.window


@pytest.fixture
def campaign(tmp_path):
    answers = {
        "aircraft": "Heron",
        "changes": "fence on the right wing; strips on both wings",
        "empty_weight_kg": "388",
        "max_weight_kg": "640",
        "wing_area_m2": "12.4",
    }
    planning.write_new(tmp_path, planning.new_text(planning.read_answers(answers)))
    return tmp_path


@pytest.mark.parametrize(("size", "palette"), [((1280, 800), "day"), ((1920, 1200), "night"), ((600, 900), "day")])
def test_the_line_is_shown_typed_into_and_saved(pilot, campaign, shots, size, palette):
    from logger_app.ui.screens.history import DesignHistoryApp
    from logger_app.ui.theme import PALETTES, use_palette

    use_palette(PALETTES[palette])
    finger = pilot(DesignHistoryApp(load_history(campaign)), size)
    finger.frames(4)
    root = finger.root
    assert len(root.columns) == 3
    assert root.ids.line.orientation == ("horizontal" if size[0] > 700 else "vertical")
    assert all(column.width <= root.width for column in root.columns)

    root.on_key(None, 275)
    assert root.columns[1].chosen
    box = root.columns[1].question.ids.box
    box.focus = True
    box.text = "And the left wing?"
    box.focus = False
    finger.frames(2)
    assert not root.ids.save.disabled
    finger.tap(root.ids.save)
    made = parse_text((campaign / "campaign.toml").read_text("utf-8"))[0]
    assert made.configurations[1].question == "And the left wing?"
    assert root.message == "Saved in campaign.toml."
    finger.shot(shots / f"history_{size[0]}_{palette}.png")
    use_palette(PALETTES["day"])


def test_a_file_changed_elsewhere_is_not_overwritten(pilot, campaign):
    from logger_app.ui.presenters.history import Typed
    from logger_app.ui.screens.history import DesignHistoryApp

    finger = pilot(DesignHistoryApp(load_history(campaign)))
    app = finger.app
    app.send(Typed(app.state.history.generations[0].configuration.id, "note", "mine"))
    file = campaign / "campaign.toml"
    file.write_text(file.read_text("utf-8") + "\n# theirs\n", "utf-8")
    app.save()

    assert "another program has changed" in finger.root.message and finger.root.trouble
    assert "mine" not in file.read_text("utf-8")
    assert app.asked_to_close() and not app.asked_to_close()


def test_a_touched_station_says_what_was_seen(pilot, campaign):
    from kivy.tests.common import UnitTestTouch

    from logger_app.ui.screens.history import DesignHistoryApp
    from logger_app.ui.widgets.drawing_view import DrawingView

    history = load_history(campaign)
    made = parse_text(history.text)[0]
    name = made.configurations[0].id
    seen = StationRatio(configuration=name, wing="left", station="50/50", runs=4, separated=3, first_in=1, ratio=1.08, reattached=1)  # fmt: skip
    empty = Reduction(campaign="made", runs=(), cells=(), comparisons=())
    history = replace(history, generations=generations(made, empty, [seen]))
    finger = pilot(DesignHistoryApp(history))
    finger.frames(4)
    picture = next(child for child in finger.root.columns[0].children if isinstance(child, DrawingView))
    marker = next(shape for shape in picture.drawing.shapes if getattr(shape, "description", ""))
    touch = UnitTestTouch(*picture.to_window(*picture._at(marker.x, marker.y)))
    touch.touch_down()
    touch.touch_up()
    finger.frames(2)

    assert finger.root.message == "left wing 50/50: 1.08 Vs, 3 of 4 runs, reattached in 1"

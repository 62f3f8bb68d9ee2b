"""The preflight screen in a real window, page by page, at every size."""

import json

import numpy as np
import pytest

from logger_app.io.resources import data_dir
from logger_app.io.sound import read_sound_file
from logger_app.records.plan import Aircraft, Campaign, Team
from logger_app.ui.presenters.preflight import Do
from logger_app.ui.theme import CAP_RATIO, MIN_ARCMIN, Display, character_mm
from logger_app.workflows import preflight as checks

pytestmark = pytest.mark.window
TABLETS = {(1280, 800): 149.0, (1920, 1200): 224.0, (1024, 600): 170.0, (800, 1280): 149.0}
TOML = """
[campaign]
name = "Test"
language = "en"
[aircraft]
name = "Invented"
empty_weight_kg = 388.0
reference_weight_kg = 600.0
max_weight_kg = 640.0
wing_area_m2 = 12.4
[[configuration]]
id = "baseline"
name = "Plain"
[team]
floor_ft = 3000
entry_min_ft = 5000
knock_it_off = ["anyone says so", "any roll that does not stop at once", "not recovered by the floor"]
cautions = ["Never aft of the tested CG."]
[[card]]
id = "A"
title = "Stalls"
[[card.point]]
id = "A1"
power = "idle"
flap_deg = 0
runs_wanted = 2
"""


class Tape:
    """A microphone with two seconds of noise, or with a recording."""

    name, paced, trouble, pcm = "tape", False, "", None

    def start(self, blocks):
        pcm = self.pcm if self.pcm is not None else np.random.default_rng(3).integers(-4000, 4000, 32_000)
        pcm = pcm.astype(np.int16)
        for k in range(0, len(pcm), 800):
            blocks.put(pcm[k : k + 800])
        blocks.end()

    def stop(self, within_s=None):
        return True


@pytest.fixture(scope="module")
def hearing():
    """The real recogniser, loaded once."""
    return checks.check_hearing(None)


@pytest.fixture
def workflow(tmp_path, monkeypatch, hearing):
    monkeypatch.setattr(checks, "check_hearing", lambda *_: hearing)
    monkeypatch.setenv("KNEECALL_HOME", str(tmp_path / "home"))
    (tmp_path / "camp").mkdir()
    (tmp_path / "camp" / "campaign.toml").write_text(TOML, "utf-8")

    def session(campaign, engine):
        from logger_app.workflows.flight_session import FlightSession, open_flight

        return FlightSession(
            campaign,
            open_flight(campaign, tmp_path / "camp", "f1"),
            microphone=Tape(),
            engine=engine,
            read=engine.reader(),
        )

    def make(display):
        from logger_app.ui.preflight_work import PreflightWorkflow

        return PreflightWorkflow(tmp_path / "camp", display, make_session=session, microphone=Tape, who="Test Pilot")

    return make


@pytest.fixture
def screen(pilot, workflow):
    from logger_app.ui.app import make_preflight_app

    def make(size=(1280, 800), palette="day"):
        made = workflow(Display(dpi=TABLETS[size], viewing_mm=600, palette_name=palette))
        finger = pilot(make_preflight_app(made, made.state.display), size)
        finger.until(lambda: not made.state.busy and len(made.state.checks) >= 8)
        finger.app.look()
        finger.frames(3)
        return finger, made

    return make


@pytest.mark.parametrize("size, palette", [(s, p) for s in TABLETS for p in ("day", "night")])
def test_every_page_at_every_size(screen, shots, size, palette):
    from kivy.uix.label import Label

    finger, _ = screen(size, palette)
    least_mm = character_mm(MIN_ARCMIN, 600)
    for do in (Do.CHECKS, Do.SPEAK, Do.DISPLAY, Do.MORE, Do.CAUTIONS, Do.MORE):
        finger.tap(finger.app.screen.targets[do])
        finger.frames(3)
        page = f"{finger.app.screen.state.page}_{finger.app.screen.state.part}"
        finger.shot(shots / f"preflight_{size[0]}x{size[1]}_{palette}_{page}.png")
        for target in finger.app.screen.targets.values():
            assert min(target.size) / TABLETS[size] * 25.4 >= 20.0, target.key
            assert target.x >= 0 and target.y >= 0 and target.right <= size[0] and target.top <= size[1], target.key
        for label in (w for w in finger.root.walk() if isinstance(w, Label) and w.text):
            assert label.font_size * CAP_RATIO / TABLETS[size] * 25.4 >= least_mm - 1e-6, label.text
            assert label.texture_size[1] <= label.height + 2, (do, label.text, label.texture_size, label.size)


def test_the_checks_are_there_and_the_worst_is_first(screen):
    finger, made = screen()
    names = {check.name for check in made.state.checks}

    assert names == {
        "cards",
        "microphone",
        "hearing",
        "2nd recogniser",
        "disk",
        "battery",
        "clock",
        "flights",
        "briefing",
        "rehearsal",
    }
    rows = finger.app.screen.shown.rows
    states = [row.sign for row in rows]
    assert states == sorted(states, key=["stop", "warn", "dot", "tick"].index)


def test_reading_the_cautions_is_kept(screen, tmp_path):
    finger, made = screen()
    assert not made.state.acknowledged
    finger.tap(finger.app.screen.targets[Do.CAUTIONS])
    finger.frames(2)
    texts = [row.words for row in finger.app.screen.shown.rows]
    assert Do.ACKNOWLEDGE not in finger.app.screen.targets  # not before the last part was on the screen
    while Do.MORE in finger.app.screen.targets:
        finger.tap(finger.app.screen.targets[Do.MORE])
        texts += [row.words for row in finger.app.screen.shown.rows]
    assert (
        "recovered above 3000 ft (floor)" in texts
        and "anyone says so" in texts
        and "Never aft of the tested CG." in texts
    )
    finger.tap(finger.app.screen.targets[Do.ACKNOWLEDGE])

    assert made.state.acknowledged
    assert checks.acknowledged(tmp_path / "camp", made.campaign)["who"] == "Test Pilot"
    changed = Campaign(
        name="x",
        aircraft=Aircraft(name="x", empty_weight_kg=1, reference_weight_kg=1, max_weight_kg=1, wing_area_m2=1),
        team=Team(floor_ft=2000),
    )
    assert checks.acknowledged(tmp_path / "camp", changed) is None


def test_the_rehearsal_is_heard_and_scored(screen):
    finger, made = screen()
    finger.tap(finger.app.screen.targets[Do.SPEAK])
    finger.tap(finger.app.screen.targets[Do.RECORD])
    finger.until(lambda: made.state.answers and not made.state.busy)
    rehearsal = next(check for check in made.state.checks if check.name == "rehearsal")

    assert rehearsal.words == "0 of 18 heard right"  # noise has no calls in it
    assert all(not answer.right for answer in made.state.answers)


def said_in_the_demo(*words):
    """These words as the demo's pilot said them, a breath between."""
    folder = data_dir("demo_sessions") / "sparrow_cuffs"
    told = json.loads((folder / "expected/truth.json").read_text("utf-8"))["flights"][0]["calls"]
    sound = read_sound_file(folder / "inputs/day1_baseline.opus")
    spans = [next((c["start_s"], c["end_s"]) for c in told if c["words"] == one) for one in words]
    return np.concatenate([sound[round(a * 16_000) - 9_600 : round(b * 16_000) + 9_600] for a, b in spans])


@pytest.mark.slow
def test_a_fifty_that_sounds_like_sixty_is_told_and_kept_for_the_flight(screen, shots, tmp_path, monkeypatch):
    tape = Tape()
    tape.pcm = said_in_the_demo(
        "on condition", "fifty five", "scratch that", "sixty", "sixty"
    )  # fifty, sixty were asked
    finger, made = screen()
    monkeypatch.setattr(made, "_microphone", lambda: tape)
    finger.tap(finger.app.screen.targets[Do.SPEAK])
    finger.tap(finger.app.screen.targets[Do.RECORD])
    finger.until(lambda: made.state.answers and not made.state.busy)
    finger.until(lambda: "sounds like" in finger.app.screen.ids.foot.text)
    finger.frames(2)
    finger.shot(shots / "preflight_confusion.png")

    assert made.state.confusions == (
        "Your 'fifty' sounds like 'sixty' here: say 'five zero', or go on: such calls will be flagged.",
    )
    assert checks.kept_confusions(tmp_path / "camp", "") == ((6, 5),)


def test_the_display_is_set_with_a_bank_card_and_kept(screen):
    from logger_app.ui.display_io import load_display

    finger, made = screen()
    finger.tap(finger.app.screen.targets[Do.DISPLAY])
    before = finger.app.screen.ids.card.wide
    assert before == pytest.approx(85.6 / 25.4 * 149)
    for do in (Do.WIDER, Do.WIDER, Do.FARTHER, Do.MORE, Do.PALETTE, Do.HAND, Do.IN_RUN, Do.MORE):
        finger.tap(finger.app.screen.targets[do])

    assert (made.state.display.dpi, made.state.display.viewing_mm) == (151.0, 650.0)
    assert (made.state.display.palette_name, made.state.display.hand, made.state.display.in_run) == (
        "night",
        "left",
        "blank",
    )
    assert finger.app.screen.ids.card.wide > before
    assert load_display() == made.state.display


def test_fly_asks_for_the_briefing_first_then_flies_in_the_same_window(screen, tmp_path):
    from logger_app.ui.screens.fly import FlyScreen

    finger, made = screen()
    finger.tap(finger.app.screen.targets[Do.FLY])
    assert made.state.page == "cautions"
    assert finger.app.session is None
    while Do.MORE in finger.app.screen.targets:
        finger.tap(finger.app.screen.targets[Do.MORE])
    finger.tap(finger.app.screen.targets[Do.ACKNOWLEDGE])
    finger.tap(finger.app.screen.targets[Do.FLY])
    flying = finger.app.root.children[0]
    assert isinstance(flying, FlyScreen)
    finger.until(lambda: finger.app.session.snapshot().ended)
    finger.tap(flying.targets["on_condition"])
    finger.until(lambda: flying.ids.phase.text == "ON\nCONDITION")
    finger.app.bridge.stop()
    finger.app.session.stop(landed=True)

    assert (tmp_path / "camp" / "flights" / "f1" / "flight.sqlite").is_file()


def test_a_flight_that_cannot_begin_is_said_on_the_checks(screen, tmp_path):
    from logger_app.workflows.flight_session import open_flight

    finger, made = screen()
    checks.acknowledge(tmp_path / "camp", made.campaign, "x")
    made.look()
    finger.until(lambda: made.state.acknowledged and not made.state.busy)
    finger.app.look()
    with open_flight(made.campaign, tmp_path / "camp", "f1"):  # another program flies it
        finger.tap(finger.app.screen.targets[Do.FLY])

    assert finger.app.session is None
    assert "another program" in finger.app.screen.shown.foot


@pytest.mark.parametrize("dpi", [149.0, 120.0, 96.0])
def test_in_a_small_window_no_row_reaches_into_its_neighbours(screen, shots, dpi, monkeypatch):
    """At 800x600 "2nd recogniser" wrapped into the rows above and below it."""
    from logger_app.ui.screens.preflight import CheckRow

    monkeypatch.setitem(TABLETS, (800, 600), dpi)
    finger, _ = screen((800, 600))
    finger.shot(shots / f"preflight_800x600_{dpi:g}.png")
    rows = [widget for widget in finger.root.walk() if isinstance(widget, CheckRow)]

    assert any(row.name == "2nd recogniser" for row in rows)
    for row in rows:
        for label in row.children[:2]:
            assert label.texture_size[1] <= row.height + 2, (label.text, label.texture_size, row.size)

"""The app on the ground in a real window: home, a campaign's tiles, forms, files, jobs; the screens inside it and back."""

import shutil

import pytest

from logger_app.ui.presenters.plan import start, view  # noqa: F401 the plan screen's presenter is the one that opens
from logger_app.ui.theme import Display

pytestmark = pytest.mark.window
SIZES = {(1280, 800): 149.0, (1920, 1200): 224.0, (800, 1280): 149.0}


@pytest.fixture
def home(pilot, monkeypatch, tmp_path):
    """The app in a window, with its own user folder."""
    monkeypatch.setenv("KNEECALL_HOME", str(tmp_path / "home"))
    monkeypatch.setenv("HOME", str(tmp_path / "user"))
    (tmp_path / "user").mkdir()
    (tmp_path / "home").mkdir()

    def make(size=(1280, 800), palette="day", campaign=None, opened=None):
        from logger_app.cli import app as door
        from logger_app.ui.display_io import save_display
        from logger_app.ui.main_app import MainApp, Screens

        save_display(Display(dpi=SIZES[size], palette_name=palette))
        app = MainApp(
            Screens(
                plan=door._plan,
                preflight=door._preflight,
                fly=door._fly,
                review=door._review,
                compare=door._compare,
                history=door._history,
            ),
            campaign,
        )
        app.show = lambda path: (opened.append(path) if opened is not None else None) or ""
        return pilot(app, size)

    return make


@pytest.fixture(scope="session")
def flown(tmp_path_factory):
    """A small campaign with one heard flight."""
    import numpy as np

    from logger_app.logstore import codec
    from logger_app.logstore.audio_io import SegmentWriter
    from logger_app.logstore.store import Journal, utc_now
    from logger_app.records.calls import CallKind, HeardCall
    from logger_app.records.journal import FlightInfo
    from logger_app.units import s_to_ns
    from logger_app.workflows import planning

    folder = tmp_path_factory.mktemp("flown") / "heron"
    folder.mkdir()
    answers = {
        "aircraft": "Heron",
        "changes": "leading-edge cuffs",
        "empty_weight_kg": "388",
        "max_weight_kg": "640",
        "wing_area_m2": "12.4",
    }
    planning.write_new(folder, planning.new_text(planning.read_answers(answers)))
    journal = Journal.create(
        folder / "flights" / "day1",
        FlightInfo(id="day1", configuration="baseline", started_utc=utc_now()),
        campaign="Heron",
        app="x",
        engine="x",
        pack="en",
    )
    calls, at_s = [], 20.0
    for name, value in [
        ("on_condition", None),
        *(("ias", float(speed)) for speed in (60, 58, 57, 55, 54, 52, 51, 50)),
        ("break", None),
        ("recovered", None),
    ]:
        calls.append(
            HeardCall(
                id=journal.new_id("call"),
                start_ns=s_to_ns(at_s),
                end_ns=s_to_ns(at_s + 0.6),
                kind=CallKind.AIRSPEED if value else CallKind.EVENT,
                name=name,
                value=value,
                unit="kt" if value else None,
                posterior=0.97,
            )
        )
        at_s += 1.5
    journal.append([codec.call_row(call, utc_now()) for call in calls])
    with SegmentWriter(folder / "flights" / "day1", journal, source="made") as sound:
        sound.write(np.random.default_rng(1).integers(-500, 500, 16_000 * 45).astype(np.int16))
    journal.close()
    return folder


def press(finger, key):
    finger.tap(finger.app.page.tiles[key])
    finger.until(lambda: not finger.app.opening)
    finger.frames(3)


def known(finger):
    finger.until(lambda: finger.app._done.empty() and finger.app.page.shown and len(finger.app.page.shown.tiles) > 8)
    finger.frames(2)


@pytest.mark.parametrize("palette", ["day", "night"])
@pytest.mark.parametrize("size", list(SIZES))
def test_every_page_at_every_size(home, flown, tmp_path, shots, size, palette):
    shutil.copytree(flown, tmp_path / "heron")
    finger = home(size, palette)
    name = f"{size[0]}x{size[1]}_{palette}"

    def shot(page):
        finger.frames(3)
        finger.shot(shots / f"{page}_{name}.png")
        check_reachable(finger, size)

    shot("home_0")
    press(finger, "new")
    box = finger.app.page.fields["empty_weight_kg"].ids.box
    box.focus = True
    box.text = "heavy"
    box.focus = False
    assert finger.app.stack[-1].texts["empty_weight_kg"] == "heavy"
    press(finger, "create")
    shot("new")
    press(finger, "back")
    finger.app.stack[0].enter(tmp_path / "heron")
    known(finger)
    shot("campaign")
    press(finger, "hear")
    finger.app.stack[-1].dropped(tmp_path / "cockpit.wav")
    shot("hear")
    press(finger, "add")
    shot("files")
    press(finger, "back")
    press(finger, "back")
    known(finger)
    press(finger, "reduce")
    press(finger, "go")
    finger.until(lambda: "done" in finger.app.page.tiles, timeout_s=120)
    shot("job")
    assert finger.app.stack[-1].job.state.code == 0, finger.app.stack[-1].job.state.lines
    press(finger, "done")
    known(finger)
    assert finger.app.stack[-1].now.reduced == "current"
    press(finger, "back")
    shot("home_1")


def check_reachable(finger, size):
    """Every tile is in the window, or in the list that scrolls; its targets are 12 mm or more."""
    page = finger.app.page
    for tile in page.tiles.values():
        assert min(tile.size) / SIZES[size] * 25.4 >= 11.9, (tile.key, tile.size)
        if tile.parent is not page.grid:
            assert tile.x >= 0 and tile.right <= size[0] and tile.y >= 0 and tile.top <= size[1], tile.key
        assert tile.right <= size[0], tile.key


@pytest.mark.parametrize("size", list(SIZES))
def test_the_screens_open_in_the_window_and_come_back(home, flown, tmp_path, shots, size):
    shutil.copytree(flown, tmp_path / "heron")
    finger = home(size, "night" if size[0] == 1280 else "day", campaign=tmp_path / "heron")
    known(finger)
    for tile in ("plan", "review", "history", "preflight"):
        press(finger, tile)
        finger.until(lambda: finger.app.hosted is not None)
        finger.frames(15)
        finger.shot(shots / f"hosted_{tile}_{size[0]}x{size[1]}.png")
        finger.app.on_key(None, 276, modifiers=["alt"])
        finger.frames(3)
        assert finger.app.hosted is None
        known(finger)


def test_the_keyboard_alone_reaches_every_tile(home, flown, tmp_path):
    shutil.copytree(flown, tmp_path / "heron")
    finger = home(campaign=tmp_path / "heron")
    known(finger)
    page = finger.app.page
    finger.until(lambda: any(tile.focus for tile in page.tiles.values()))
    seen = set()
    for _ in range(2 * len(page.tiles)):
        here = next(tile for tile in page.tiles.values() if tile.focus)
        seen.add(here.key)
        here.keyboard_on_key_down(None, (9, "tab"), "", [])
        finger.frames(1)

    assert seen == {key for key, tile in page.tiles.items() if tile.ready}


def test_a_dropped_file_is_asked_about(home, flown, tmp_path):
    shutil.copytree(flown, tmp_path / "heron")
    finger = home(campaign=tmp_path / "heron")
    known(finger)
    finger.app.on_drop(None, str(tmp_path / "wing.mp4").encode())
    finger.frames(3)
    assert set(finger.app.page.tiles) == {"back", "hear", "sync"}
    press(finger, "sync")

    assert finger.app.page.shown.lines == ("wing.mp4",)

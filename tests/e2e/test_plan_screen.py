"""The plan screen in a real window: tapped, typed into, saved, looked at."""

import contextlib
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from logger_app.plan.cards_io import read_campaign
from logger_app.records.journal import FlightInfo
from logger_app.records.results import StallSpeed
from logger_app.records.runs import StallEvent

pytestmark = pytest.mark.window
DEMO = Path(__file__).resolve().parents[2] / "demo_sessions" / "sparrow_cuffs" / "inputs" / "campaign.toml"


def run(number, point, counts=True):
    return StallSpeed(
        run=f"r{number}",
        run_number=number,
        flight="day1_baseline",
        configuration="baseline",
        point=point,
        event=StallEvent.PITCH_DOWN,
        method="fit",
        counts=counts,
        why=() if counts else ("entry rate 2.1 kt/s",),
        vs_ias_kt=46.9,
        entry_rate_kt_per_s=1.0,
    )


RUNS = [run(1, "A1"), run(2, "A1", counts=False), run(3, "A1"), run(4, "A1"), run(5, "A2")]


@pytest.fixture
def file(tmp_path):
    return Path(shutil.copy(DEMO, tmp_path / "campaign.toml"))


@pytest.fixture
def plan(pilot, file):
    from logger_app.ui.screens.plan import PlanScreenApp

    return pilot(PlanScreenApp(file, RUNS, [FlightInfo(id="day1_baseline", configuration="baseline")]))


def find(plan, **wanted):
    """The widget on the screen with these values."""
    for widget in plan.root.walk():
        if all(getattr(widget, name, None) == value for name, value in wanted.items()):
            return widget
    raise AssertionError(f"no widget {wanted}")


def words(plan):
    return [widget.text for widget in plan.root.walk() if hasattr(widget, "text")]


def type_into(plan, label, text, *, key=13):
    """Tap a field, type over what is in it, press a key."""
    box = find(plan, label=label).ids.box
    scroll = plan.root.ids.detail.parent
    scroll.scroll_to(box, animate=False)
    plan.frames(3)
    plan.tap(box)
    plan.until(lambda: box.focus)
    box.select_all()
    box.delete_selection()
    for letter in text:
        plan.window.dispatch("on_textinput", letter)
    plan.window.dispatch("on_key_down", key, 40, None, [])
    plan.frames(3)


def test_cells_are_coloured_and_say_the_same_in_words(plan, shots):
    done, part, none = (find(plan, title=title) for title in ("A1", "A2", "A3"))

    assert [(c.count, c.words) for c in (done, part, none)] == [
        ("3 of 3", "done"),
        ("1 of 3", "2 left"),
        ("0 of 3", "to fly"),
    ]
    assert len({tuple(c.back) for c in (done, part, none)}) == 3
    picture = plan.shot(shots / "plan.png")
    from PIL import Image

    pixels = Image.open(picture).convert("RGB")
    x, y = done.to_window(done.x + 12, done.center_y)
    assert pixels.getpixel((int(x), int(plan.window.height - y))) == tuple(round(255 * c) for c in done.back[:3])


def test_a_tap_shows_the_runs_of_a_cell(plan, shots):
    plan.tap(find(plan, title="A1"))

    assert plan.root.ids.heading.text == "A1: idle, flap 0, wings level"
    assert "day1_baseline, run 2: 46.9 kt IAS, 1.0 kt/s, does not count: entry rate 2.1 kt/s" in words(plan)
    plan.shot(shots / "plan_point.png")


def test_typing_is_checked_live_then_saved_with_every_comment(plan, file, shots):
    before = file.read_text("utf-8")
    plan.tap(find(plan, title="A2"))

    type_into(plan, "flap (deg)", "45")
    assert any(w.startswith("WRONG  Card A, point A2, flap_deg: 45, but expected 30 at most") for w in words(plan))
    assert plan.root.ids.save.disabled
    plan.shot(shots / "plan_wrong.png")

    type_into(plan, "flap (deg)", "20")
    type_into(plan, "runs wanted", "4")
    assert not plan.root.ids.save.disabled
    plan.tap(plan.root.ids.save)

    after = file.read_text("utf-8")
    assert plan.root.ids.state_words.text == "Saved."
    assert [line for line in before.split("\n") if line.startswith("#")] == [
        line for line in after.split("\n") if line.startswith("#")
    ]
    point = read_campaign(file).points[1]
    assert (point.flap_deg, point.runs_wanted) == (20, 4)
    assert len(set(before.split("\n")) ^ set(after.split("\n"))) <= 3


def test_a_row_of_devices_is_drawn_as_it_is_typed(plan, file, shots):
    from logger_app.ui.presenters.plan import ShowConfiguration

    plan.app.send(ShowConfiguration("cuffs"))
    plan.frames(3)
    item = read_campaign(file).configuration("cuffs").changes[0].item
    plan.tap(find(plan, text=f"+ row of {item}"[:40]))
    type_into(plan, "row 1: span to (%)", "75")
    type_into(plan, "row 1: count", "6")
    drawn = plan.root.ids.drawing.drawing
    assert sum(getattr(shape, "role", "") == "s1" for shape in drawn.shapes) == 12, "six on each wing"
    plan.shot(shots / "plan_row.png")

    type_into(plan, "row 1: span to (%)", "40")
    assert any("an end beyond its start" in w for w in words(plan))
    assert plan.root.ids.save.disabled


def test_leaving_a_field_keeps_what_was_typed(plan):
    plan.tap(find(plan, title="A2"))
    box = find(plan, label="flap (deg)").ids.box
    plan.tap(box)
    box.text = "10"

    plan.tap(find(plan, label="power").ids.box)
    plan.until(lambda: find(plan, label="power").ids.box.focus)

    assert plan.app.state.campaign.points[1].flap_deg == 10


def test_a_new_configuration_with_two_changes_is_told_the_one_change_rule(plan, file, shots):
    plan.tap(find(plan, text="cuffs (from baseline)"))
    plan.tap(find(plan, text="+ configuration"))
    plan.tap(find(plan, text="+ thing that differs"))

    assert any("differs from cuffs in 2 things" in w for w in words(plan))
    plan.shot(shots / "plan_configuration.png")
    plan.tap(plan.root.ids.save)
    assert [c.id for c in read_campaign(file).configurations] == ["baseline", "cuffs", "change_1"]


def test_undo_goes_back_step_by_step(plan):
    text = plan.app.state.text
    plan.tap(find(plan, text="Card A"))
    plan.tap(find(plan, text="+ point"))
    plan.tap(find(plan, text="Remove point"))

    plan.tap(plan.root.ids.undo)
    plan.tap(plan.root.ids.undo)

    assert plan.app.state.text == text
    assert plan.root.ids.undo.disabled


def test_a_file_that_was_changed_elsewhere_is_not_overwritten(plan, file):
    plan.tap(find(plan, title="A2"))
    type_into(plan, "runs wanted", "5")
    file.write_text(file.read_text("utf-8") + "# another hand\n", "utf-8")

    plan.tap(plan.root.ids.save)

    assert "another program has changed" in plan.root.ids.state_words.text
    assert file.read_text("utf-8").endswith("# another hand\n")


def test_a_full_disk_is_said_and_the_edit_stays(plan, file, monkeypatch):
    plan.tap(find(plan, title="A2"))
    type_into(plan, "runs wanted", "5")

    def refuse(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", refuse)
    plan.tap(plan.root.ids.save)

    assert "No space left on device" in plan.root.ids.state_words.text
    assert plan.app.state.campaign.points[1].runs_wanted == 5
    assert read_campaign(file).points[1].runs_wanted == 3


def test_closing_with_an_edit_that_is_not_saved_needs_a_second_thought(plan):
    assert not plan.window.dispatch("on_request_close")

    plan.tap(find(plan, title="A2"))
    type_into(plan, "runs wanted", "5")
    assert plan.window.dispatch("on_request_close")
    assert "Not saved" in plan.root.ids.state_words.text
    assert not plan.window.dispatch("on_request_close")


@pytest.mark.slow
def test_the_command_opens_a_window_that_takes_a_mouse_and_ends_with_ctrl_c(tmp_path, file, shots):
    """The real program and a real pointer; the other tests touch the app in their own process."""
    env = {**os.environ, "KNEECALL_HOME": str(tmp_path / "home"), "KIVY_HOME": str(tmp_path / "kivy")}
    with a_display(env) as display:
        env["DISPLAY"] = display
        env.pop("SDL_VIDEODRIVER", None)
        program = subprocess.Popen([sys.executable, "-m", "logger_app", "plan", str(file.parent), "--screen"], env=env)
        try:
            window = wait_for(lambda: xdo(env, "search", "--pid", str(program.pid)))
            where = dict(line.split("=") for line in xdo(env, "getwindowgeometry", "--shell", window).split())
            seen = wait_for(lambda: picture(env, where, shots / "plan_process.png", least=30))
            # The heading of the first cell's point comes up where nothing was before.
            xdo(
                env,
                "mousemove",
                str(int(where["X"]) + int(0.22 * int(where["WIDTH"]))),
                str(int(where["Y"]) + 190),
                "click",
                "1",
            )
            wait_for(lambda: picture(env, where, shots / "plan_process.png", other_than=seen))
            program.send_signal(signal.SIGINT)
            assert program.wait(timeout=120) == 130
        finally:
            program.kill()
            program.wait()


def xdo(env, *words):
    return subprocess.run(["xdotool", *words], env=env, capture_output=True, text=True, check=False).stdout.strip()


def wait_for(look, limit_s=60):
    """What `look` finds, once it finds something."""
    end = time.monotonic() + limit_s
    while not (found := look()):
        assert time.monotonic() < end, "nothing came"
        time.sleep(0.2)
    return found


def picture(env, where, path, least=2, other_than=None):
    """The window's place on the display as bytes, if it has some colours in it and differs from another."""
    from PIL import ImageGrab

    x, y, width, height = (int(where[name]) for name in ("X", "Y", "WIDTH", "HEIGHT"))
    image = ImageGrab.grab(bbox=(x, y, x + width, y + height), xdisplay=env["DISPLAY"]).convert("RGB")
    image.save(path)
    seen = image.tobytes()
    return seen if len(image.getcolors(1 << 20) or ()) >= least and seen != other_than else None


@contextlib.contextmanager
def a_display(env):
    """The display there is, or one of our own."""
    if env.get("DISPLAY"):
        yield env["DISPLAY"]
        return
    read, write = os.pipe()
    server = subprocess.Popen(
        ["Xvfb", "-displayfd", str(write), "-screen", "0", "1280x800x24"], pass_fds=[write], stderr=subprocess.DEVNULL
    )
    try:
        os.close(write)
        yield ":" + os.read(read, 16).decode().strip()
    finally:
        os.close(read)
        server.terminate()
        server.wait()

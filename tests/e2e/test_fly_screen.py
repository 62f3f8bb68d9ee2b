"""The flight screen in a real window: sizes on the glass, touches, what is said and shown."""

import pytest

from logger_app.fly.capture.audio_writer import SoundState
from logger_app.fly.cues import Cue, Tone
from logger_app.fly.flight_records import Intent, Phase, Touch
from logger_app.fly.flight_state import advance, begin
from logger_app.records.calls import CallKind, Flag, HeardCall
from logger_app.records.plan import TestPoint
from logger_app.ui.presenters.fly import FlyContext
from logger_app.ui.theme import CAP_RATIO, MIN_ARCMIN, Display, character_mm
from logger_app.units import s_to_ns
from logger_app.workflows.flight_session import Snapshot
from logger_app.workflows.known import Known

pytestmark = pytest.mark.window
POINTS = (
    TestPoint(id="A1", card="A", runs_wanted=3),
    TestPoint(id="A2", card="A", flap_deg=15, runs_wanted=3),
    TestPoint(id="B1", card="B", power="2100 rpm", power_rpm=2100, bank_deg=30, runs_wanted=3),
)
TABLETS = {(1280, 800): 149.0, (1920, 1200): 224.0, (1024, 600): 170.0, (800, 1280): 149.0}
HEIGHTS = FlyContext(floor_ft=5000, entry_min_ft=6000, known=Known(by_point={"A1": ((1.1, 0.9, 0.7),) * 9}))
EVENTS = ("on_condition", "buffet", "break", "recovered")


class Script:
    """A session without threads: events in, snapshots out."""

    def __init__(self):
        self.state = begin(POINTS)
        self.touched, self.cues, self.strip = [], [], []
        self.now_ns, self.n = 0, 0
        self.extra = {}
        self.level_dbfs = -24.0

    def start(self):
        pass

    def touch(self, intent, point=None):
        self.n += 1
        self.touched.append(intent)
        self._take(Touch(id=f"t{self.n}", flight_ns=self.now_ns, intent=intent, point=point))

    def say(self, at_s, what, flags=()):
        self.n += 1
        speed = isinstance(what, (int, float))
        kind = CallKind.AIRSPEED if speed else CallKind.EVENT if what in EVENTS else CallKind.COMMAND
        call = HeardCall(
            id=f"c{self.n}",
            start_ns=s_to_ns(at_s),
            end_ns=s_to_ns(at_s + 0.5),
            kind=kind,
            name="ias" if speed else what,
            value=what if speed else None,
            unit="kt" if speed else None,
            flags=flags,
        )
        self.strip.append(call)
        self.now_ns = call.end_ns
        self._take(call)

    def _take(self, event):
        self.state, outcome = advance(self.state, event)
        self.cues += outcome.cues

    def take_cues(self):
        cues, self.cues = self.cues, []
        return cues

    def snapshot(self):
        sound = SoundState(end_sample=0, level_dbfs=self.level_dbfs, peak=9000, recording=True)
        shown = {"sound": sound} | self.extra
        return Snapshot(
            state=self.state,
            flight="f1",
            flight_ns=self.now_ns,
            strip=tuple(self.strip),
            last_call=self.strip[-1] if self.strip else None,
            microphone="microphone",
            **shown,
        )


def approach(script, start_s=10.0, rate=1.0, until=4):
    """An approach up to the stall (`until` 4), on condition (1), falling (2), buffet (3)."""
    script.say(start_s, "on_condition")
    if until > 1:
        for k in range(9):
            script.say(start_s + 3 + 1.3 * k, round(60 - 1.3 * rate * k), flags=(Flag.UNSURE,) if k == 5 else ())
    if until > 2:
        script.say(start_s + 14.4, "buffet")
    if until > 3:
        script.say(start_s + 16, "break")


@pytest.fixture
def screen(pilot):
    from logger_app.ui.app import make_fly_app

    def make(size=(1280, 800), palette="day", context=HEIGHTS, **display):
        script = Script()
        app = make_fly_app(script, Display(dpi=TABLETS.get(size, 149.0), palette_name=palette, **display), context)
        finger = pilot(app, size)
        return finger, script

    return make


def draw(finger):
    finger.app.bridge.look()
    finger.frames(2)


@pytest.mark.parametrize("palette", ["day", "night"])
@pytest.mark.parametrize("size", list(TABLETS))
def test_the_screen_at_every_size(screen, shots, size, palette):
    finger, script = screen(size, palette)
    name = f"fly_{size[0]}x{size[1]}_{palette}"
    draw(finger)
    finger.shot(shots / f"{name}_1_setup.png")
    script.extra = {"partial": "fifty"}
    approach(script, until=3)
    draw(finger)
    finger.shot(shots / f"{name}_2_approach.png")
    script.extra = {}
    script.say(26, "break")
    script.say(30, "recovered")
    draw(finger)
    finger.shot(shots / f"{name}_3_verdict.png")
    approach(script, start_s=60, rate=2.0)
    script.say(80, "recovered")
    draw(finger)
    finger.shot(shots / f"{name}_4_again.png")
    script.touch(Intent.CARD, "B1")
    script.extra = {"microphone_trouble": "microphone lost"}
    draw(finger)
    finger.shot(shots / f"{name}_5_trouble.png")

    assert finger.window.width, finger.window.height == size


@pytest.mark.parametrize("size", list(TABLETS))
def test_targets_are_twenty_millimetres_and_apart(screen, size):
    finger, _ = screen(size)
    draw(finger)
    dpi = TABLETS[size]
    targets = list(finger.root.targets.values())

    for target in targets:
        assert min(target.size) / dpi * 25.4 >= 20.0, target.key
        assert target.x >= 0 and target.y >= 0 and target.right <= size[0] and target.top <= size[1], target.key
    for k, one in enumerate(targets):
        for other in targets[k + 1 :]:
            apart = max(
                max(one.x, other.x) - min(one.right, other.right), max(one.y, other.y) - min(one.top, other.top)
            )
            assert apart / dpi * 25.4 >= 2.95, (one.key, other.key)


@pytest.mark.parametrize("size", list(TABLETS))
def test_no_print_is_smaller_than_the_least_and_nothing_is_cut(screen, size):
    from kivy.uix.label import Label

    finger, script = screen(size)
    least_mm = character_mm(MIN_ARCMIN, 600)

    def check():
        draw(finger)
        for label in (w for w in finger.root.walk() if isinstance(w, Label) and w.text):
            height_mm = label.font_size * CAP_RATIO / TABLETS[size] * 25.4
            assert height_mm >= least_mm - 1e-6, (label.text, height_mm)
            assert label.texture_size[0] <= label.width + 1 and label.texture_size[1] <= label.height + 1, label.text
        ids = finger.root.ids
        # A bare number must not be the largest thing: it would be read as an airspeed indicator.
        assert ids.phase.font_size >= ids.last_call.font_size
        for k in range(3):
            cap_mm = ids[f"setup_{k}"].font_size * CAP_RATIO / TABLETS[size] * 25.4
            assert cap_mm >= 2 * least_mm - 1e-6

    check()
    approach(script, until=2)
    check()
    script.say(26, "break")
    script.say(29, "recovered")
    check()
    script.touch(Intent.CARD, "B1")
    script.say(33, 104)
    check()


def test_a_whole_run_by_touch(screen):
    finger, script = screen()
    for key in ("on_condition", "stall", "recovered"):
        draw(finger)
        finger.tap(finger.root.targets[key])
    draw(finger)

    assert script.touched == [Intent.ON_CONDITION, Intent.STALL, Intent.RECOVERED]
    assert script.state.phase is Phase.VERDICT


@pytest.mark.parametrize(
    "key, intent", [("stop", Intent.KNOCK_IT_OFF), ("hold", Intent.HOLD), ("note", Intent.NOTE), ("next", Intent.NEXT)]
)
def test_each_touch_asks_for_its_own(screen, key, intent):
    finger, script = screen()
    draw(finger)
    finger.tap(finger.root.targets[key])

    assert script.touched == [intent]


def panel_tap(finger, key):
    draw(finger)
    finger.tap(next(target for target in finger.root.panel.targets if target.key == key))
    draw(finger)


@pytest.mark.parametrize("key, intent", [("mark", Intent.MARK), ("back", Intent.PREVIOUS)])
def test_what_is_seldom_needed_is_behind_more(screen, key, intent):
    finger, script = screen()
    script.touch(Intent.NEXT)
    draw(finger)
    finger.tap(finger.root.targets["more"])
    panel_tap(finger, key)

    assert script.touched[-1] is intent
    assert finger.root.panel is None


def test_scratch_is_dull_while_there_is_nothing_to_scratch(screen):
    finger, script = screen()
    draw(finger)
    finger.tap(finger.root.targets["discard"])
    assert script.touched == []

    approach(script)
    draw(finger)
    finger.tap(finger.root.targets["discard"])
    draw(finger)
    finger.tap(finger.root.targets["discard"])

    assert script.touched == [Intent.DISCARD, Intent.REINSTATE]


def test_ending_the_flight_is_confirmed_and_elsewhere(screen):
    finger, script = screen()
    draw(finger)
    finger.tap(finger.root.targets["more"])
    panel_tap(finger, "end")
    assert script.touched == []
    panel_tap(finger, "land")

    assert script.state.phase is Phase.LANDED
    assert [target.key for target in finger.root.panel.targets] == ["close", "resume"]
    assert finger.app.landed


def test_a_panel_is_gone_when_a_run_begins_and_the_buttons_of_a_run_stay_free(screen):
    finger, script = screen()
    draw(finger)
    finger.tap(finger.root.targets["more"])
    assert finger.root.panel is not None
    for target in finger.root.targets.values():
        assert target.key in ("next", "note", "more") or not finger.root.panel.collide_widget(target)
    script.say(5, "on_condition")
    draw(finger)

    assert finger.root.panel is None


def test_cautions_that_nobody_has_read_are_shown_once_before_the_first_run(screen, shots):
    briefing = (
        ("floor", ("recovered above 5000 ft",)),
        ("stop if", ("ice", "rain")),
        ("caution", ("eyes outside",) * 5),
    )
    finger, script = screen(context=FlyContext(briefing=briefing, acknowledged=False))
    draw(finger)
    finger.shot(shots / "fly_cautions.png")
    assert "FLOOR: recovered above 5000 ft" in finger.root.panel.ids.words.text
    panel_tap(finger, "more_cautions")
    panel_tap(finger, "read")

    assert finger.root.panel is None


def test_in_a_small_window_the_cautions_come_in_more_parts_and_none_is_covered(screen):
    """At 800x600 the heading lay over the heights, and the button over the last knock-it-off criterion."""
    stops = (
        "anyone says so",
        "any roll that aileron and rudder do not stop at once",
        "below the floor",
        "any surprise",
    )
    briefing = (("heights", ("recovered above 3000 ft", "enter above 5000 ft")), ("stop if", stops))
    finger, _ = screen(size=(800, 600), context=FlyContext(briefing=briefing, acknowledged=False))
    seen = []
    for _ in range(6):
        panel = finger.root.panel
        words = panel.ids.words
        seen += words.text.split("\n")
        assert words.texture_size[1] <= words.height + 1
        assert all(target.top <= words.y + 1 for target in panel.targets) and words.top <= panel.ids.heading.y + 1
        if panel.targets[0].key == "read":
            break
        panel_tap(finger, "more_cautions")

    assert seen == [f"HEIGHTS: {text}" for text in briefing[0][1]] + [f"STOP IF: {text}" for text in stops]


def test_nothing_covers_a_run_that_begins_before_the_cautions_are_read(screen):
    finger, script = screen(context=FlyContext(briefing=(("caution", ("eyes outside",)),), acknowledged=False))
    script.say(5, "on_condition")
    draw(finger)

    assert finger.root.panel is None


def test_a_mark_lights_a_small_dim_patch_and_nothing_in_a_run(screen, tmp_path):
    from PIL import Image

    finger, script = screen(palette="night")
    draw(finger)
    script.cues.append(Cue(tone=Tone.MARK, flash="white"))
    finger.app.bridge.look()
    shot = Image.open(finger.shot(tmp_path / "mark.png")).convert("RGB")
    bright = sum(min(pixel) > 80 for pixel in shot.resize((128, 80)).getdata())
    assert finger.root.canvas.after.get_group("patch")
    assert bright < 0.1 * 128 * 80
    finger.until(lambda: not finger.root.canvas.after.get_group("patch"))

    script.say(5, "on_condition")
    draw(finger)
    script.cues.append(Cue(tone=Tone.MARK, flash="white"))
    finger.app.bridge.look()
    assert not finger.root.canvas.after.get_group("patch")


def test_the_left_hand_has_its_buttons_on_the_left(screen, shots):
    finger, script = screen(hand="left")
    approach(script, until=3)
    draw(finger)
    finger.shot(shots / "fly_left.png")

    assert finger.root.targets["next"].x < 100 < 1000 < finger.root.targets["stop"].x


def test_a_run_may_be_blank(screen, shots):
    finger, script = screen(in_run="blank")
    approach(script, until=3)
    draw(finger)
    finger.shot(shots / "fly_blank.png")

    assert finger.root.ids.last_call.text == "" and finger.root.ids.phase.text == "APPROACH"
    assert finger.root.ids.strip.strip.dots == ()


def test_the_help_opens_by_its_key(screen, shots):
    finger, _ = screen()
    draw(finger)
    finger.root.on_key(None, 282)
    draw(finger)
    finger.shot(shots / "fly_help.png")

    assert finger.root.panel.ids.heading.text == "What you can say"

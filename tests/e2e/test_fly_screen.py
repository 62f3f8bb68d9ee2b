"""The flight screen in a real window: sizes on the glass, touches, what is said and shown."""

import pytest

from logger_app.fly.capture.audio_writer import SoundState
from logger_app.fly.cues import Cue, Tone
from logger_app.fly.flight_state import Intent, Phase, Touch, advance, begin
from logger_app.records.calls import CallKind, Flag, HeardCall
from logger_app.records.plan import TestPoint
from logger_app.ui.theme import CAP_RATIO, MIN_ARCMIN, Display, character_mm
from logger_app.units import s_to_ns
from logger_app.workflows.flight_session import Snapshot

pytestmark = pytest.mark.window
POINTS = (
    TestPoint(id="A1", card="A", runs_wanted=3),
    TestPoint(id="A2", card="A", flap_deg=15, runs_wanted=3),
    TestPoint(id="B1", card="B", power="2100 rpm", power_rpm=2100, bank_deg=30, runs_wanted=3),
)
TABLETS = {(1280, 800): 149.0, (1920, 1200): 224.0, (1024, 600): 170.0}
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

    def make(size=(1280, 800), palette="day"):
        script = Script()
        app = make_fly_app(script, Display(dpi=TABLETS[size], viewing_mm=600, palette_name=palette))
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
        biggest = max((w for w in finger.root.walk() if isinstance(w, Label) and w.text), key=lambda w: w.font_size)
        if script.strip and script.strip[-1].kind is CallKind.AIRSPEED:
            assert biggest is ids.last_call.__self__
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
    for expected in ("ON CONDITION", "APPROACH", "STALL", "RECOVERED"):
        draw(finger)
        target = finger.root.targets["main"]
        assert target.text == expected
        finger.tap(target)
    draw(finger)

    assert script.touched == [Intent.ON_CONDITION, Intent.APPROACH, Intent.STALL, Intent.RECOVERED]
    assert script.state.phase is Phase.VERDICT


@pytest.mark.parametrize(
    "key, intent",
    [
        ("stop", Intent.KNOCK_IT_OFF),
        ("hold", Intent.HOLD),
        ("mark", Intent.MARK),
        ("note", Intent.NOTE),
        ("next", Intent.NEXT),
        ("back", Intent.PREVIOUS),
    ],
)
def test_each_touch_asks_for_its_own(screen, key, intent):
    finger, script = screen()
    draw(finger)
    finger.tap(finger.root.targets[key])

    assert script.touched == [intent]


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


def test_ending_the_flight_takes_hold_first_then_closes(screen):
    finger, script = screen()
    draw(finger)
    finger.tap(finger.root.targets["hold"])
    draw(finger)
    assert finger.root.targets["main"].text == "END FLIGHT"
    finger.tap(finger.root.targets["main"])
    draw(finger)

    assert script.state.phase is Phase.LANDED
    assert finger.root.targets["main"].text == "CLOSE"
    assert finger.app.landed


def test_the_mark_flashes_the_whole_screen_white(screen, tmp_path):
    from PIL import Image

    finger, script = screen(palette="night")
    draw(finger)
    script.cues.append(Cue(tone=Tone.MARK, flash="white"))
    finger.app.bridge.look()
    shot = Image.open(finger.shot(tmp_path / "flash.png")).convert("RGB")

    corners = [shot.getpixel(at) for at in ((2, 2), (1277, 2), (2, 797), (1277, 797), (640, 400))]
    assert corners == [(255, 255, 255)] * 5

    finger.until(lambda: not finger.root.canvas.after.get_group("flash"))
    dark = Image.open(finger.shot(tmp_path / "dark.png")).convert("RGB")
    assert dark.getpixel((2, 797)) != (255, 255, 255)

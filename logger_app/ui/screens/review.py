"""The review screen's widgets: draw a `View`, send keys. Decides nothing (see `presenters.review`).

Main names: `ReviewScreen`, `FlightReviewApp`.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from kivy.app import App
from kivy.clock import Clock
from kivy.core.window import Window
from kivy.factory import Factory
from kivy.lang import Builder
from kivy.metrics import dp, mm
from kivy.properties import BooleanProperty, NumericProperty, StringProperty
from kivy.uix.behaviors import ButtonBehavior
from kivy.uix.boxlayout import BoxLayout
from kivy.uix.popup import Popup
from kivy.uix.recycleview import RecycleView
from kivy.uix.recycleview.views import RecycleDataViewBehavior

from logger_app.errors import LoggerError
from logger_app.ui.presenters import review as presenter
from logger_app.ui.presenters.review import AddCall, AddPhrase, Correct, CorrectAll, Play, Redo, Undo
from logger_app.ui.widgets.camera import CameraFrames
from logger_app.ui.widgets.player import Player
from logger_app.ui.widgets.timeline import TimelineView
from logger_app.ui.widgets.waveform import WaveformView
from logger_app.ui.widgets.wrapped_text import KeyButton
from logger_app.workflows.review import ReviewWorkflow

Factory.register("TimelineView", cls=TimelineView)
Factory.register("WaveformView", cls=WaveformView)
# SDL's key codes as Kivy hands them on, the number pad included.
KEY_NAMES = {13: "enter", 271: "enter", 32: "space", 9: "tab", 8: "backspace", 27: "escape", 127: "delete"}
KEY_NAMES |= {282: "f1"}
KEY_NAMES |= {273: "up", 274: "down", 275: "right", 276: "left", 266: ".", 269: "-", 270: "+"}
KEY_NAMES |= {256 + digit: str(digit) for digit in range(10)}
BUTTONS = (
    ("enter", "Correct\nEnter", True),
    ("p", "Proposal\nP", True),
    ("x", "Not a call\nX", False),
    ("u", "Undo\nU", False),
    ("r", "Redo\nR", False),
    ("c", "Confirm run\nC", False),
    ("space", "Play\nSpace", False),
    ("s", "Slower\nS", False),
    ("k", "Other kind\nK", False),
    ("i", "Zoom in\nI", False),
    ("o", "Zoom out\nO", False),
    ("t", "Test point\nT", False),
    ("d", "Discard run\nD", False),
    ("w", "Our words\nW", False),
    ("?", "All keys\nF1", False),
)
# The smallest target for a finger on the ground (see ui/theme.py).
TARGET = "12mm"
PAD = ("1", "2", "3", "4", "5", "6", "7", "8", "9", "0", ".", "backspace", "a", "m")
PAD_WORDS = {"backspace": "DEL", "a": "Add", "m": "Move"}


class ReviewRow(RecycleDataViewBehavior, ButtonBehavior, BoxLayout):
    """A line of a list."""

    id_ = StringProperty("")
    title = StringProperty("")
    detail = StringProperty("")
    here = BooleanProperty(False)
    mark = StringProperty("")
    send = None

    def refresh_view_attrs(self, rv, index, data):
        self.send = rv.send
        return super().refresh_view_attrs(rv, index, data)

    def on_release(self):
        if self.send:
            self.send(self.id_)


class ReviewList(RecycleView):
    """A long list that keeps the chosen line in sight."""

    send = None
    rows: list[dict] | None = None

    def show(self, rows, here: int) -> None:
        """Rows as of the presenter, and which one is chosen."""
        data = [{"id_": r.id, "title": r.title, "detail": r.detail, "here": r.here, "mark": r.mark} for r in rows]
        if data != self.rows:
            self.data = self.rows = data
        height, line = self.height, self.children[0].default_size[1] if self.children else 48
        total = line * len(rows)
        if total <= height or height <= 0:
            self.scroll_y = 1.0
            return
        top = (1 - self.scroll_y) * (total - height)
        wanted = min(max(top, (here + 2) * line - height), max(0, (here - 1) * line))
        self.scroll_y = 1 - min(max(0.0, wanted / (total - height)), 1.0)


class ReviewHelp(Popup):
    """Every key, in letters that can be read."""

    keys = StringProperty("")
    words = StringProperty("")


class ReviewChoices(Popup):
    """Choose one of a list: another kind of call, or a test point."""

    asks = StringProperty("")


# After the classes: rules that name them are applied at once.
Builder.load_file(str(Path(__file__).with_suffix(".kv")))


class ReviewScreen(BoxLayout):
    """One flight under review. `press(key)` is the only way in."""

    title = StringProperty("")
    progress = StringProperty("")
    share = NumericProperty(0)
    listing = StringProperty("queue")
    queue_title = StringProperty("")
    runs_title = StringProperty("")
    run_title = StringProperty("")
    run_verdict = StringProperty("")
    big = StringProperty("")
    heard = StringProperty("")
    why = StringProperty("")
    proposed = StringProperty("")
    others = StringProperty("")
    history = StringProperty("")
    message = StringProperty("")
    trouble = BooleanProperty(False)
    help = StringProperty("")
    has_camera = BooleanProperty(False)
    camera_words = StringProperty("")

    def __init__(self, workflow: ReviewWorkflow, player: Player | None = None, **kw):
        super().__init__(**kw)
        self.workflow = workflow
        self.player = player or Player()
        self.player.prepare()
        self.pressed = 0
        self._wave: tuple | None = None
        self._choices: ReviewChoices | None = None
        self._help: ReviewHelp | None = None
        now = workflow.load()
        names = tuple((str(kind), name) for name, kind in workflow.names().items())
        self.state = presenter.begin(now, workflow.who, workflow.results(now), (("airspeed", "airspeed"), *names))
        self.frames = CameraFrames(workflow.flight_dir, now.media, now.clock_maps)
        self.has_camera = self.frames.linked
        self.help = "F1 or ?: all keys"
        self._add_keys()
        self.ids.list.send = lambda id: self.press(f"go:{id}")
        for axis in (self.ids.timeline, self.ids.waveform):
            axis.on_time = lambda at_s: self.press(f"at:{at_s}")
            axis.on_pick = lambda id: self.press(f"go:{id}")
        self.draw()
        self.ids.waveform.bind(width=lambda *_: self.draw())
        Clock.schedule_interval(self._show_frame, 0.05)

    def press(self, key: str) -> None:
        """A key, or a touch that stands for one."""
        self.pressed += 1
        self.state, effects = presenter.update(self.state, key)
        for effect in effects:
            self._do(effect)
        self.draw()

    def draw(self) -> None:
        """Show the state."""
        view = presenter.view(self.state)
        for name in ("title", "progress", "share", "listing", "run_title", "run_verdict", "big", "heard"):
            setattr(self, name, getattr(view, name))
        self.message, self.trouble = view.message, view.trouble
        now = self.state.workflow
        self.queue_title = f"To look at ({len(now.queue.items)})"
        self.runs_title = f"Runs ({len(now.runs.runs)})"
        self.why = "\n".join(view.why)
        self.proposed = f"proposed: {view.proposed}" if view.proposed else ""
        self.others = f"or: {view.alternatives}" if view.alternatives else ""
        self.history = view.history
        self.ids.list.show(view.rows, view.row_here)
        self.ids.waveform.shape = self._shape(view.start_s, view.end_s)
        self.ids.timeline.view = view
        self.ids.waveform.view = view
        self.frames.want(view.cursor_s)
        self._show_choices(view)
        self._show_help(view)

    def _do(self, effect) -> None:
        """Make it so; what cannot be is said on the screen and nothing is changed."""
        if isinstance(effect, Play):
            self._play(effect)
            return
        try:
            if isinstance(effect, AddPhrase):
                self.workflow.add_phrase(effect.name, effect.phrase)
                self.state = replace(self.state, message=f"{effect.phrase!r} is one of your words for this call now")
                return
            if isinstance(effect, CorrectAll):
                wanted = [(one.action, one.target, "", _payload(one)) for one in effect.corrections]
                done = self.workflow.act_all(wanted)[-1]
            elif isinstance(effect, Undo):
                done = self.workflow.undo()[-1]
            elif isinstance(effect, Redo):
                done = self.workflow.redo()[-1]
            elif isinstance(effect, AddCall):
                done = self.workflow.add(effect.at_s, effect.value, kind=effect.kind, name=effect.name)
            else:
                done = self.workflow.act(effect.action, effect.target, **_payload(effect))
        except LoggerError as err:
            self.state = replace(self.state, message=str(err), trouble=True)
            return
        now = self.workflow.load()
        self.state = presenter.renewed(self.state, now, self.workflow.results(now), done)

    def _play(self, effect: Play) -> None:
        try:
            pcm = self.workflow.sound(effect.start_s, effect.end_s, effect.speed)
            if not len(pcm):
                self.state = replace(self.state, message="No sound was kept of this stretch", trouble=True)
                return
            self.player.play(pcm)
        except LoggerError as err:
            self.state = replace(self.state, message=str(err), trouble=True)

    def _shape(self, start_s: float, end_s: float):
        most = max(100, round(self.ids.waveform.width))
        key = (start_s, end_s, most)
        if self._wave is None or self._wave[0] != key:
            self._wave = (key, self.workflow.shape(start_s, end_s, most))
        return self._wave[1]

    def _show_frame(self, *_) -> None:
        frame = self.frames.take()
        if frame is not None:
            self.ids.camera.texture, self.camera_words = frame

    def _show_choices(self, view) -> None:
        if view.choices and self._choices is None:
            asks = "What was said?" if self.state.choosing == "kind" else "Which test point was flown?"
            self._choices = ReviewChoices(asks=f"{asks}  Up, Down, first letter, Enter; Esc leaves it")
            self._choices.ids.options.send = lambda id: self.press(f"pick:{id}")
            self._choices.height = min(dp(600), dp(100) + mm(12) * len(view.choices))
            self._choices.open()
        elif self._choices and not view.choices:
            self._choices.dismiss()
            self._choices = None
        if self._choices:
            rows = [
                presenter.Row(id=str(k), title=words, detail="", here=k == view.choice, mark="")
                for k, words in enumerate(view.choices)
            ]
            self._choices.ids.options.show(rows, view.choice)

    def _show_help(self, view) -> None:
        if view.help and self._help is None:
            keys, words = ("\n".join(column) for column in zip(*view.help, strict=True))
            self._help = ReviewHelp(keys=keys, words=words)
            self._help.open()
        elif self._help and not view.help:
            self._help.dismiss()
            self._help = None

    def _add_keys(self) -> None:
        for key, words, strong in BUTTONS:
            button = KeyButton(text=words, strong=strong, size_hint_y=None, height=TARGET)
            button.bind(on_release=lambda _, key=key: self.press(key))
            self.ids.buttons.add_widget(button)
        for key in PAD:
            button = KeyButton(text=PAD_WORDS.get(key, key))
            button.bind(on_release=lambda _, key=key: self.press(key))
            self.ids.pad.add_widget(button)

    def on_key(self, window, code, scancode=None, text=None, modifiers=()) -> bool:
        """A key of the keyboard, as Kivy reports it."""
        key = key_name(code, text, modifiers)
        if key is None:
            return False
        self.press(key)
        return True


def key_name(code: int, text: str | None, modifiers=()) -> str | None:
    """The presenter's name of a key, or None for one that means nothing here."""
    if code in KEY_NAMES:
        return KEY_NAMES[code]
    if modifiers and ("ctrl" in modifiers or "meta" in modifiers):
        again = "r" if "shift" in modifiers else "u"
        return {"z": again, "y": "r"}.get(text or "")
    return text.lower() if text and len(text) == 1 and text.isprintable() else None


class FlightReviewApp(App):
    """The window around one `ReviewScreen`. (`ReviewApp` would load `review.kv` a second time.)"""

    def __init__(self, workflow: ReviewWorkflow, player: Player | None = None):
        super().__init__()
        self.workflow, self.player = workflow, player
        self.title = f"Kneecall: review of {workflow.flight_dir.name}"

    def build(self):
        screen = ReviewScreen(self.workflow, self.player)
        Window.bind(on_key_down=screen.on_key)
        return screen

    def on_stop(self):
        if self.root:
            Window.unbind(on_key_down=self.root.on_key)
            self.root.frames.close()
            self.root.player.close()


def _payload(effect: Correct) -> dict:
    return dict(effect.payload)

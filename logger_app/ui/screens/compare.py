"""The compare screen's widgets: draw a `View`, send keys. Decides nothing (see `presenters.compare`).

Main names: `CompareScreen`, `WingCompareApp`.
"""

from __future__ import annotations

import threading
import time
from dataclasses import replace
from pathlib import Path

from kivy.app import App
from kivy.clock import Clock
from kivy.core.window import Window
from kivy.factory import Factory
from kivy.lang import Builder
from kivy.properties import BooleanProperty, StringProperty
from kivy.uix.boxlayout import BoxLayout
from kivy.uix.button import Button
from kivy.uix.label import Label

from logger_app.domain.moments import ias_at
from logger_app.errors import LoggerError, SyncError
from logger_app.ui.presenters import compare as presenter
from logger_app.ui.presenters.compare import Decide, MakeQuick, PlaceGrid, Propose, Save, Step
from logger_app.ui.widgets.compare_axis import CompareAxis
from logger_app.ui.widgets.side_frames import SideFrames
from logger_app.ui.widgets.span_maps import SpanMaps
from logger_app.ui.widgets.wing_picture import WingPicture
from logger_app.workflows.compare import CompareDesk, proposed_marks

Factory.register("WingPicture", cls=WingPicture)
Factory.register("CompareAxis", cls=CompareAxis)
Factory.register("SpanMaps", cls=SpanMaps)
KEY_NAMES = {13: "enter", 271: "enter", 9: "tab", 27: "escape", 273: "up", 274: "down", 275: "right", 276: "left"}
BUTTONS = (
    ("left", "Frame\nback"),
    ("right", "Frame\non"),
    ("a", "Axis\nA"),
    ("h", "Hold\nH"),
    ("f", "Flip\nF"),
    ("tab", "Side\nTab"),
    ("t", "Tufts\nT"),
    ("g", "Place\nG"),
    ("k", "Keep\nK"),
    ("span", "Span\nrows"),
    ("chord", "Chord\nrows"),
    ("p", "Propose\nP"),
    ("enter", "Take\nEnter"),
    ("m", "Map\nM"),
    ("q", "Quick\nQ"),
    ("s", "Save\nS"),
)
# A tapped state becomes a row after this long without another tap [s].
SETTLE_S = 1.5
FOOT = (
    "30/50: 30 % of the span shown, 50 % of the chord. A attached, U unsteady, S separated, R reversed, - not visible; dashed with ? is only "
    "proposed. A record of what cameras saw at speeds that were called; not an instrument."
)
# A true picture that took longer than this is worth a word about small copies [s].
LONG_S = 1.5
# Small pictures take a few milliseconds; the window waits no longer for them than a drawing lasts [s].
QUICK_WAIT_S = 0.015


class CompareText(Label):
    """Text that wraps and is as tall as it must be."""


class CompareKey(Button):
    """A key as a button, for touch."""

    strong = BooleanProperty(False)


class ComparePanel(BoxLayout):
    """One side: title, picture, what it is."""

    title = StringProperty("")
    says = StringProperty("")
    why = StringProperty("")
    carried = StringProperty("")
    spare_line = BooleanProperty(False)  # as tall as a neighbour that has one line more


Builder.load_file(str(Path(__file__).with_suffix(".kv")))


class CompareScreen(BoxLayout):
    """Two to four runs. `press(key)` is the only way in."""

    title = StringProperty("")
    says = StringProperty("")
    message = StringProperty("")
    trouble = BooleanProperty(False)
    mapped = BooleanProperty(False)
    foot = StringProperty(FOOT)

    def __init__(self, desk: CompareDesk, **kw):
        super().__init__(**kw)
        self.desk = desk
        self.state = presenter.begin(
            desk.facts, desk.unit, desk.who, desk.grids(), desk.marks(), desk.carried(), desk.other_marks()
        )
        self.frames = SideFrames(desk.frame, desk.quick)
        self._maker: threading.Thread | None = None
        self._made: list = []  # what the maker says: a share done, or its last words
        self._closing = False
        self.waiting = True
        self._pictures = [None] * len(desk.facts)
        self._small: list = [None] * len(desk.facts)  # on show until the true pictures come
        self._asked: tuple | None = None
        self._asked_at_s, self._hinted = 0.0, False
        self._steps: list = []  # of frames, not yet made; the first is being made
        self._settle = None
        self.title = f"{desk.point}: " + ", ".join(side.configuration for side in desk.facts)
        self.panels = [ComparePanel() for _ in desk.facts]
        for side, panel in enumerate(self.panels):
            panel.ids.picture.on_fraction = lambda x, y, side=side: self._touched(side, x, y)
        axis = self.ids.axis
        axis.unit, axis.names = desk.unit, tuple(side.configuration for side in desk.facts)
        axis.on_value = lambda at: self.press(f"at:{at!r}")
        self.keys = {}
        for key, words in BUTTONS:
            button = self.keys[key] = CompareKey(text=words)
            button.bind(on_release=lambda _, key=key: self.press(key))
            self.ids.buttons.add_widget(button)
        self.draw()
        self._looking = Clock.schedule_interval(self._look, 0)

    def press(self, key: str) -> None:
        """A key, or a touch that stands for one."""
        self.state, effects = presenter.update(self.state, key)
        for effect in effects:
            self._do(effect)
        if self._settle:
            self._settle.cancel()
            self._settle = None
        if self.state.pending:
            self._settle = Clock.schedule_once(lambda _: self.press("settle"), SETTLE_S)
        self.draw()

    def _touched(self, side: int, x: float, y: float) -> None:
        if self._small[side] is None:  # a small picture is not the frame that a mark would name
            self.press(f"tap:{side}:{x:.6f}:{y:.6f}")

    def draw(self) -> None:
        """Show the state."""
        view = presenter.view(self.state)
        self.says, self.message, self.trouble = view.says, view.message, view.trouble
        self.mapped, self.ids.maps.maps = self.state.mapped, view.maps
        self.keys["span"].text = f"Span\n{self.state.span_count} rows"
        self.keys["chord"].text = f"Chord\n{self.state.chord_count} rows"
        shown = [self.panels[panel.side] for panel in view.panels]
        if self.ids.panels.children[::-1] != shown:
            self.ids.panels.clear_widgets()
            for panel in shown:
                self.ids.panels.add_widget(panel)
        for panel in view.panels:
            widget = self.panels[panel.side]
            widget.spare_line = any(other.carried for other in view.panels)
            widget.title, widget.says, widget.why, widget.carried = panel.title, panel.says, panel.why, panel.carried
            small = self._small[panel.side]
            widget.ids.picture.show(self._pictures[panel.side] if small is None else small)
            # The states on the frame before are not those of the picture that is coming.
            widget.ids.picture.view = panel if small is None else replace(panel, stations=())
        self.ids.axis.view = view
        on = {
            "h": self.state.held[self.state.chosen] is not None,
            "f": self.state.over is not None,
            "t": self.state.tufts,
        }
        on |= {"g": self.state.placing is not None, "m": self.state.mapped, "p": self.state.busy}
        for key, strong in on.items():
            self.keys[key].strong = strong
        wishes = presenter.wanted(self.state)
        if wishes != self._asked:
            self._asked, self.waiting, self._asked_at_s = wishes, True, time.monotonic()
            self.frames.want(wishes)
            self._show_quick(QUICK_WAIT_S)

    def close(self) -> None:
        """Write what was tapped and stop the thread."""
        self.press("settle")
        self._looking.cancel()
        self._closing = True
        if self._maker:
            self._maker.join()
        self.frames.close()
        self.desk.close()

    def _look(self, *_) -> None:
        self._show_quick()
        self._hear_maker()
        done, results = self.frames.take()
        for result in results:
            result()
        if done is not None and done[0] != self._asked and any(small is not None for small in self._small):
            done = None  # a small picture of the newer moment is on show already
        if done is not None:
            wishes, done = done
            self._small = [None] * len(self.panels)
            self._pictures = [picture for picture, _ in done]
            # A tap belongs to the frame it was made on, so it is written before the next one comes.
            self.state, effects = presenter.update(self.state, "settle") if self._new(done) else (self.state, ())
            for effect in effects:
                self._do(effect)
            self.state = replace(self.state, shown=tuple(shown for _, shown in done))
            self.waiting = wishes != self._asked
            self._hint()
        if done is not None or results:
            self.draw()

    def _show_quick(self, wait_s: float = 0.0) -> None:
        quick = self.frames.take_quick(self._asked, wait_s)
        if quick is not None and self.waiting:  # else the true pictures are there already
            self._small = quick[1]
            self.draw()

    def _hint(self) -> None:
        """Once: how the slider gets quick, where pictures took long."""
        if (
            not self._hinted
            and not self.waiting
            and time.monotonic() - self._asked_at_s > LONG_S
            and self._maker is None
        ):
            self._hinted = True
            if not self.state.message:
                self.state = replace(
                    self.state,
                    message="These pictures take long to find. Q makes small copies, so that the slider follows at once.",
                )

    def _hear_maker(self) -> None:
        said = None
        while self._made:
            said = self._made.pop(0)
        if isinstance(said, float):
            self.message = f"Making quick copies: {100 * said:.0f} %"
        elif said is not None:
            self._maker = None
            self.state = presenter.told(self.state, *said)
            self.draw()

    def _make_quick(self) -> None:
        """A thread of its own, for it takes minutes; ends by itself or with `close`."""

        def progress(share: float) -> None:
            if self._closing:
                raise SyncError("stopped")
            self._made.append(float(share))

        def work() -> None:
            try:
                count = self.desk.make_quick(progress)
                self._made.append(
                    (f"{count} quick copies made." if count else "The quick copies are there already.", False)
                )
            except (LoggerError, OSError) as err:
                self._made.append((str(err), True))

        if self._maker is None:
            self._maker = threading.Thread(target=work, name="quick-copies", daemon=True)
            self._maker.start()

    def _new(self, done) -> bool:
        return tuple(shown for _, shown in done) != self.state.shown

    def _do(self, effect) -> None:
        """Make it so; what cannot be is said on the screen."""
        try:
            if isinstance(effect, Step):
                self._steps.append(effect)
                if len(self._steps) == 1:
                    self._step()
            elif isinstance(effect, PlaceGrid):
                self.desk.place_grid(effect.side, effect.grid, effect.carried_from)
                self.state = replace(self.state, carried=self.desk.carried())
            elif isinstance(effect, Decide):
                self.desk.write(effect.side, effect.marks)
            elif isinstance(effect, Propose):
                self._propose(effect.side)
            elif isinstance(effect, MakeQuick):
                self._make_quick()
            elif isinstance(effect, Save):
                view = presenter.view(replace(self.state, over=None))
                path = self.desk.save(
                    presenter.wanted(self.state), view.says, [panel.stations for panel in view.panels]
                )
                self.state = presenter.told(self.state, f"Saved: {path.relative_to(self.desk.campaign_dir)}")
        except (LoggerError, OSError) as err:
            # A row that was not written must not look as if it were.
            self.state = presenter.told(
                replace(self.state, marks=self.desk.marks(), grids=self.desk.grids()), str(err), True
            )

    def _step(self) -> None:
        """Make the first step waiting: on the frames' thread, for to step back can take a second."""
        effect = self._steps[0]
        at_s = presenter.wanted(self.state)[effect.side][0]
        if at_s is None:
            self._steps.clear()
            return
        self.waiting = True

        def job():
            try:
                to_s = self.desk.step(effect.side, at_s, effect.by)
            except LoggerError as err:
                words = str(err)
                return lambda: self._stepped(lambda state: presenter.told(state, words, True))
            return lambda: self._stepped(lambda state: presenter.stepped(state, effect.side, to_s))

        self.frames.ask(job)

    def _stepped(self, change) -> None:
        before, self.state = self.state, change(self.state)
        del self._steps[:1]
        if self.state.trouble:
            self._steps.clear()
        if self._steps:
            self._step()
        elif presenter.wanted(before) == presenter.wanted(self.state):
            self.waiting = False

    def _propose(self, side: int) -> None:
        shown, facts = self.state.shown[side], self.state.sides[side]
        grid = self.state.grids[(side, shown.camera)]

        def job():
            try:
                found = self.desk.look(side, shown, grid)
            except LoggerError as err:
                words = str(err)
                return lambda: self._tell(words)
            marks = proposed_marks(found, shown, ias_at(facts.result, shown.flight_s + facts.lag_s))
            return lambda: self._proposed(side, marks)

        self.frames.ask(job)

    def _tell(self, words: str) -> None:
        self.state = presenter.told(self.state, words, True)

    def _proposed(self, side: int, marks) -> None:
        try:
            self.desk.write(side, marks)
        except LoggerError as err:
            self._tell(str(err))
            return
        self.state = presenter.written(
            self.state, side, marks, f"{len(marks)} stations proposed; tap or Enter takes them."
        )

    def on_key(self, window, code, scancode=None, text=None, modifiers=()) -> bool:
        """A key of the keyboard, as Kivy reports it."""
        key = KEY_NAMES.get(code) or (text.lower() if text and len(text) == 1 else None)
        if key is None:
            return False
        self.press(key)
        return True


class WingCompareApp(App):
    """The window around one `CompareScreen`. (`CompareApp` would load `compare.kv` a second time.)"""

    def __init__(self, desk: CompareDesk):
        super().__init__()
        self.desk = desk
        self.title = f"Kneecall: compare {desk.point}"

    def build(self):
        screen = CompareScreen(self.desk)
        Window.bind(on_key_down=screen.on_key)
        return screen

    def on_stop(self):
        if self.root:
            Window.unbind(on_key_down=self.root.on_key)
            self.root.close()

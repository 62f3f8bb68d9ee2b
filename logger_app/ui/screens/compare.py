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
from kivy.metrics import dp
from kivy.properties import BooleanProperty, ObjectProperty, StringProperty
from kivy.uix.boxlayout import BoxLayout
from kivy.uix.popup import Popup

from logger_app.domain.tufts import STATES
from logger_app.domain.wing_words import ASSIST_LIMITS
from logger_app.errors import LoggerError, SyncError
from logger_app.ui.presenters import compare as presenter
from logger_app.ui.presenters import compare_state
from logger_app.ui.presenters.compare_view import view as view_of
from logger_app.ui.widgets.compare_axis import CompareAxis
from logger_app.ui.widgets.drawing_view import DrawingView
from logger_app.ui.widgets.side_frames import SideFrames
from logger_app.ui.widgets.span_maps import SpanMaps
from logger_app.ui.widgets.wing_picture import WingPicture
from logger_app.ui.widgets.wrapped_text import WrappedText
from logger_app.workflows.compare import Looked, WingComparison, proposed_marks

Factory.register("WingPicture", cls=WingPicture)
Factory.register("CompareAxis", cls=CompareAxis)
Factory.register("SpanMaps", cls=SpanMaps)
KEY_NAMES = {
    13: "enter",
    271: "enter",
    9: "tab",
    27: "escape",
    32: "space",
    278: "home",
    273: "up",
    274: "down",
    275: "right",
    276: "left",
}
# Moving and looking, and what leads to tufts; then stations and states.
MOVE_BUTTONS = (
    ("left", "Frame\n<"),
    ("right", "Frame\n>"),
    (",", "Stop\n<"),
    (".", "Stop\n>"),
    ("v", "Run\n< V"),
    ("n", "Run\n> N"),
    ("a", "Axis\nA"),
    ("h", "Hold\nH"),
    ("b", "Freeze\nboth B"),
    ("f", "Flip\nF"),
    ("tab", "Side\nTab"),
    ("x", "Mirror\nX"),
    ("+", "Zoom\n+"),
    ("-", "Zoom\n-"),
    ("home", "All\nHome"),
    ("s", "Save\nS"),
    ("q", "Quick\nQ"),
    ("m", "Map\nM"),
    ("w", "Wing\nW"),
    ("t", "Tufts\nT"),
    ("escape", "Leave\nEsc"),
)
TUFT_BUTTONS = (
    ("g", "Place\nG"),
    ("rows?", "Rows"),
    ("k", "Keep\nK"),
    ("p", "Propose\nP"),
    ("o", "All\nstops O"),
    ("enter", "Take\nEnter"),
    ("e", "As last\nstop E"),
    ("d", "Fill\nopen D"),
    ("j", "Next\nopen J"),
    ("z", "What is\nnext Z"),
    ("l", "Gen.\nbefore L"),
    ("c", "Take it\nover C"),
    ("1", "A\n1"),
    ("2", "U\n2"),
    ("3", "S\n3"),
    ("4", "R\n4"),
    ("5", "-\n5"),
    ("0", "none\n0"),
    ("u", "Undo\nU"),
    ("y", "Redo\nY"),
)
# How it is looked at, whichever the runs.
KEPT = ("axis", "chosen", "over", "tufts", "mapped", "palette", "cursor", "mirrored", "ghosted", "zoom", "rows")
# A tapped state becomes a row after this long without another tap [s].
SETTLE_S = 1.5
CAUTION = "A record of what cameras saw at speeds that were called; not an instrument."
FOOT = (
    "30/50: 30 % of the span shown, 50 % of the chord. 1 A attached, 2 U unsteady, 3 S separated, 4 R reversed, 5 - not visible; dashed "
    f"with ? is only proposed, ! disputed. {ASSIST_LIMITS} {CAUTION}"
)
# A window less high than this keeps the buttons of the tufts, and what they mean, for when tufts are shown [dp].
LOW_DP = 700
# A true picture that took longer than this is worth a word about small copies [s].
LONG_S = 1.5
# Small pictures take a few milliseconds; the window waits no longer for them than a drawing lasts [s].
QUICK_WAIT_S = 0.015


class ComparePanel(BoxLayout):
    """One side: title, picture, what it is."""

    title = StringProperty("")
    description = StringProperty("")
    why = StringProperty("")
    carried = StringProperty("")
    spare_line = BooleanProperty(False)  # as tall as a neighbour that has one line more
    send = ObjectProperty(None)  # asks for another run of this side


class RowsPopup(Popup):
    """Asks for the measured percentages of the rows of tufts."""

    spans = StringProperty("")
    chords = StringProperty("")
    done = ObjectProperty(None)


Builder.load_file(str(Path(__file__).with_suffix(".kv")))


class CompareScreen(BoxLayout):
    """Two to four runs. `press(key)` is the only way in."""

    title = StringProperty("")
    description = StringProperty("")
    message = StringProperty("")
    trouble = BooleanProperty(False)
    mapped = BooleanProperty(False)
    foot = StringProperty(FOOT)

    def __init__(self, comparison: WingComparison, **kw):
        super().__init__(**kw)
        self.comparison = comparison
        self.state = self._begin()
        self.frames = SideFrames(comparison.frame, comparison.quick)
        self._maker: threading.Thread | None = None
        self._made: list = []  # what the maker says: a share done, or its last words
        self._closing = False
        self.waiting = True
        self._pictures: list = [None] * len(comparison.facts)
        self._small: list = [None] * len(comparison.facts)  # on show until the true pictures come
        self._asked: tuple | None = None
        self._asked_at_s, self._hinted = 0.0, False
        self._steps: list = []  # of frames, not yet made; the first is being made
        self._to_look = 0  # sides that the assist has still to answer about
        self._settle = None
        self.title = f"{comparison.point}: " + ", ".join(side.configuration for side in comparison.facts)
        self.panels = [ComparePanel() for _ in comparison.facts]
        for side, panel in enumerate(self.panels):
            panel.ids.picture.send = self._touched
            panel.send = lambda by, side=side: self.press(f"run:{side}:{by}")
        axis = self.ids.axis
        axis.unit, axis.names = comparison.unit, tuple(side.configuration for side in comparison.facts)
        axis.on_value = lambda at: self.press(f"at:{at!r}")
        self.keys = {}
        for key, words in MOVE_BUTTONS + TUFT_BUTTONS:
            button = self.keys[key] = Factory.CompareKey(text=words)
            button.bind(on_release=lambda _, key=key: self.press(key))
        self.bind(height=lambda *_: self._show_keys())
        self.draw()
        self._looking = Clock.schedule_interval(self._look, 0)

    def _begin(self):
        one = self.comparison
        return compare_state.begin(
            one.facts,
            one.unit,
            one.who,
            one.grids(),
            one.marks(),
            one.carried(),
            one.other_marks(),
            one.ghosts(),
            one.fitted(),
            one.alike(),
        )

    def press(self, key: str) -> None:
        """A key, or a touch that stands for one."""
        if key == "rows?":
            self._ask_rows()
            return
        self.state, effects = presenter.update(self.state, key)
        for effect in effects:
            self._do(effect)
        if self._settle:
            self._settle.cancel()
            self._settle = None
        if self.state.pending:
            self._settle = Clock.schedule_once(lambda _: self.press("settle"), SETTLE_S)
        self.draw()

    def _touched(self, key: str) -> None:
        side = int(key.split(":")[1]) if ":" in key else 0
        if self._small[side] is None or not key.startswith(
            ("tap", "drag")
        ):  # a small picture is not the frame that a mark would name
            self.press(key)

    def _ask_rows(self) -> None:
        """Measured percentages of the rows of tufts, by keyboard."""
        grid = self.state.grids.get((self.state.chosen, self.state.shown[self.state.chosen].camera))
        rows = (grid.span_pct, grid.chord_pct) if grid else self.state.rows
        popup = RowsPopup()
        popup.spans, popup.chords = (" ".join(f"{v:g}" for v in row) for row in rows)
        popup.done = lambda spans, chords: self.press(f"rows:{spans};{chords}")
        popup.open()

    def draw(self) -> None:
        """Show the state."""
        view = view_of(self.state)
        self.description, self.message, self.trouble = view.description, view.message, view.trouble
        self.mapped, self.ids.maps.maps = self.state.mapped, view.maps
        self._show_keys()
        self._show_fitted(view.fitted)
        grid = self.state.grids.get((self.state.chosen, self.state.shown[self.state.chosen].camera))
        spans, chords = (grid.span_pct, grid.chord_pct) if grid else self.state.rows
        self.keys["rows?"].text = f"Rows\n{len(spans)} x {len(chords)}"
        shown = [self.panels[panel.side] for panel in view.panels]
        if self.ids.panels.children[::-1] != shown:
            self.ids.panels.clear_widgets()
            for widget in shown:
                self.ids.panels.add_widget(widget)
        for panel in view.panels:
            widget = self.panels[panel.side]
            widget.spare_line = any(other.carried for other in view.panels)
            widget.title, widget.description, widget.why, widget.carried = (
                panel.title,
                panel.description,
                panel.why,
                panel.carried,
            )
            small = self._small[panel.side]
            widget.ids.picture.show(self._pictures[panel.side] if small is None else small)
            # The states on the frame before are not those of the picture that is coming.
            widget.ids.picture.view = panel if small is None else replace(panel, stations=())
        self.ids.axis.view = view
        on = {
            "h": self.state.held[self.state.chosen] is not None,
            "b": all(held is not None for held in self.state.held),
            "f": self.state.over is not None,
            "t": self.state.tufts,
            "g": self.state.placing is not None,
            "m": self.state.mapped,
            "o": self.state.busy,
            "j": self.state.stepping,
            "l": self.state.ghosted and any(self.state.ghosts),
            "x": self.state.mirrored[self.state.chosen],
        }
        for k, state in enumerate(STATES, 1):
            on[str(k)] = self.state.palette is state
        for key, strong in on.items():
            self.keys[key].strong = strong
        wishes = compare_state.wanted(self.state)
        if wishes != self._asked:
            self._asked, self.waiting, self._asked_at_s = wishes, True, time.monotonic()
            self.frames.want(wishes)
            self._show_quick(QUICK_WAIT_S)

    def _show_keys(self) -> None:
        every = self.height >= dp(LOW_DP) or self.state.tufts or self.state.placing is not None
        self.foot = FOOT if every else CAUTION
        shown = [self.keys[key] for key, _ in (MOVE_BUTTONS + TUFT_BUTTONS if every else MOVE_BUTTONS)]
        if self.ids.buttons.children[::-1] != shown:
            self.ids.buttons.clear_widgets()
            for button in shown:
                self.ids.buttons.add_widget(button)

    def _show_fitted(self, drawings) -> None:
        """What is on the wing of each configuration, above the maps."""
        box = self.ids.fitted
        if [child.drawing for child in reversed(box.children) if isinstance(child, DrawingView)] == list(drawings):
            return
        box.clear_widgets()
        for drawing in drawings:
            box.add_widget(WrappedText(text=f"{drawing.title}; {drawing.description}", font_size="13sp"))
            box.add_widget(DrawingView(drawing=drawing))

    def close(self) -> None:
        """Write what was tapped and stop the thread."""
        self.press("settle")
        self._looking.cancel()
        self._closing = True
        if self._maker:
            self._maker.join()
        self.frames.close()
        self.comparison.close()

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
            if not self.waiting:
                self._follow()
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
            self.state = presenter.with_message(self.state, *said)
            self.draw()

    def _make_quick(self) -> None:
        """A thread of its own, for it takes minutes; ends by itself or with `close`."""

        def progress(share: float) -> None:
            if self._closing:
                raise SyncError("stopped")
            self._made.append(float(share))

        def work() -> None:
            try:
                count = self.comparison.make_quick(progress)
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

    def _do(self, effect: compare_state.Effect) -> None:
        """Make it so; what cannot be is said on the screen."""
        one = self.comparison
        try:
            if isinstance(effect, compare_state.Step):
                self._steps.append(effect)
                if len(self._steps) == 1:
                    self._step()
            elif isinstance(effect, compare_state.PlaceGrid):
                one.place_grid(effect.side, effect.grid, effect.carried_from)
                self.state = replace(self.state, carried=one.carried())
            elif isinstance(effect, compare_state.RemoveGrid):
                one.remove_grid(effect.side, effect.camera)
                self.state = replace(self.state, carried=one.carried())
            elif isinstance(effect, compare_state.Decide):
                one.write(effect.side, effect.marks)
            elif isinstance(effect, compare_state.SetWing):
                one.set_wing(effect.side, effect.camera, effect.wing)
            elif isinstance(effect, compare_state.Propose):
                self._propose(effect)
            elif isinstance(effect, compare_state.TurnRun):
                self._turn(effect)
            elif isinstance(effect, compare_state.MakeQuick):
                self._make_quick()
            elif isinstance(effect, compare_state.Save):
                view = view_of(replace(self.state, over=None))
                path = one.save(
                    compare_state.wanted(self.state), view.description, [panel.stations for panel in view.panels]
                )
                self.state = presenter.with_message(self.state, f"Saved: {path.relative_to(one.campaign_dir)}")
        except (LoggerError, OSError) as err:
            # A row that was not written must not look as if it were.
            self.state = presenter.with_message(
                replace(self.state, marks=one.marks(), grids=one.grids(), undo=(), redo=()), str(err), True
            )

    def _turn(self, effect: compare_state.TurnRun) -> None:
        """To other runs: what was chosen and how it is looked at stays."""
        if not self.comparison.turn(effect.by, effect.side):
            self.state = presenter.with_message(
                self.state, "There is no other run of these configurations at this point."
            )
            return
        before = self.state
        at = before.at
        if before.message.endswith("taken."):  # after the last stop of a run comes the first of the next
            at = presenter.first_stop(before)
        self.state = replace(
            self._begin(), at=at, message=before.message, **{name: getattr(before, name) for name in KEPT}
        )
        self.frames.forget()
        self._asked = None

    def _follow(self) -> None:
        """Where the stations are on the frames on show: the camera may have moved since they were placed."""
        for side, shown in enumerate(self.state.shown):
            placed = self.state.grids.get((side, shown.camera))
            carried = self.state.carried.get((side, shown.camera))
            grid, flight = (placed, "") if placed else carried or (None, "")
            known = self.state.followed[side]
            if (
                grid is None
                or shown.why
                or (known and (known.camera, known.flight_s) == (shown.camera, shown.flight_s))
            ):
                continue

            def job(side=side, shown=shown, grid=grid, flight=flight):
                moved = self.comparison.follow(side, shown, grid, flight)
                found = compare_state.Followed(
                    camera=shown.camera, flight_s=shown.flight_s, grid=moved.grid, words=moved.words, large=moved.large
                )
                return lambda: self._followed(side, shown, grid, found)

            self.frames.ask(job)

    def _followed(self, side: int, shown, grid, found: compare_state.Followed) -> None:
        now = self.state
        current = now.grids.get((side, shown.camera)) or now.carried.get((side, shown.camera), (None, ""))[0]
        if now.shown[side] == shown and current == grid:
            self.state = presenter.followed(now, side, found)

    def _step(self) -> None:
        """Make the first step waiting: on the frames' thread, for to step back can take a second."""
        effect = self._steps[0]
        at_s = compare_state.wanted(self.state)[effect.side][0]
        if at_s is None:
            self._steps.clear()
            return
        self.waiting = True

        def job():
            try:
                to_s = self.comparison.step(effect.side, at_s, effect.by)
            except LoggerError as err:
                words = str(err)
                return lambda: self._stepped(lambda state: presenter.with_message(state, words, True))
            return lambda: self._stepped(lambda state: presenter.stepped(state, effect.side, to_s))

        self.frames.ask(job)

    def _stepped(self, change) -> None:
        before, self.state = self.state, change(self.state)
        del self._steps[:1]
        if self.state.trouble:
            self._steps.clear()
        if self._steps:
            self._step()
        elif compare_state.wanted(before) == compare_state.wanted(self.state):
            self.waiting = False

    def _propose(self, effect: compare_state.Propose) -> None:
        """Ask the assist, frame by frame, on the frames' thread; answers are written as they come."""
        side, facts = effect.side, self.state.sides[effect.side]
        self._to_look += len(effect.flight_s)
        for flight_s in effect.flight_s:

            def job(flight_s=flight_s):
                try:
                    rgb, shown = self.comparison.frame(side, flight_s)
                    grid = self.state.grids.get((side, shown.camera))
                    if rgb is None or grid is None:
                        looked = Looked(shown=shown, why=shown.why or "no stations are placed on this camera")
                    else:
                        looked = self.comparison.look(side, flight_s, grid)
                except LoggerError as err:
                    looked = Looked(shown=self.state.shown[side], why=str(err))
                return lambda: self._proposed(side, facts, looked)

            self.frames.ask(job)

    def _proposed(self, side: int, facts, looked: Looked) -> None:
        self._to_look -= 1
        if self.state.sides[side] != facts:
            return  # the runs were changed meanwhile
        marks = proposed_marks(looked, facts)
        try:
            self.comparison.write(side, marks)
        except LoggerError as err:
            self.state = presenter.with_message(self.state, str(err), True)
            return
        words, trouble = _answer_words(facts.name, looked, len(marks))
        self.state = replace(presenter.written(self.state, side, marks, words), trouble=trouble, busy=self._to_look > 0)

    def on_key(self, window, code, scancode=None, text=None, modifiers=()) -> bool:
        """A key of the keyboard, as Kivy reports it."""
        key = KEY_NAMES.get(code) or (text.lower() if text and len(text) == 1 else None)
        if key is None or any(isinstance(child, Popup) for child in window.children):
            return False
        if key in ("left", "right", "up", "down"):
            key = ("shift-" if "shift" in modifiers else "ctrl-" if "ctrl" in modifiers else "") + key
        key = {"=": "+", "<": ",", ">": "."}.get(key, key)
        self.press(key)
        return True


def _answer_words(name: str, looked: Looked, count: int) -> tuple[str, bool]:
    """What the assist did, and whether it is trouble."""
    if looked.why or looked.answer is None:
        return f"{name}: {looked.why}", True
    answer = looked.answer
    if answer.why:
        return f"{name}: no proposal from the assist: {answer.why}.", True
    declined = len(answer.proposals) - count
    words = f"{name}: {count} stations proposed; Enter takes them, a tap changes one."
    if declined:
        words += f" {declined} left to you: the assist is not sure."
    return f"{words} {answer.remark}".strip(), bool(answer.remark)


class WingCompareApp(App):
    """The window around one `CompareScreen`. (`CompareApp` would load `compare.kv` a second time.)"""

    def __init__(self, comparison: WingComparison):
        super().__init__()
        self.comparison = comparison
        self.title = f"Kneecall: compare {comparison.point}"

    def build(self):
        screen = CompareScreen(self.comparison)
        Window.bind(on_key_down=screen.on_key)
        return screen

    def on_stop(self):
        if self.root:
            Window.unbind(on_key_down=self.root.on_key)
            self.root.close()

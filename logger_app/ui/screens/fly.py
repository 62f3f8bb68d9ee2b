"""The flight screen: draws a `FlyView`, turns touches into intents. No decisions here."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

from kivy.clock import Clock
from kivy.graphics import Color, Rectangle
from kivy.lang import Builder
from kivy.properties import BooleanProperty, ColorProperty, NumericProperty, ObjectProperty, StringProperty
from kivy.uix.boxlayout import BoxLayout
from kivy.uix.floatlayout import FloatLayout

from logger_app.ui.presenters.fly import (
    IN_RUN,
    NO_CONTEXT,
    ButtonView,
    FlyContext,
    FlyView,
    Panel,
    PanelView,
    few,
    panel_shown,
    panel_view,
    view,
)
from logger_app.ui.presenters.fly_layout import TARGETS, FlyLayout, Rect, layout, panel_grid
from logger_app.ui.theme import DAY, PALETTES, Display, Palette
from logger_app.ui.widgets import call_strip, level_bar, sign  # noqa: F401 the kv names them
from logger_app.ui.widgets.fit_label import fits, fitting_px
from logger_app.ui.widgets.target import Target
from logger_app.workflows.flight_session import Cue

Builder.load_file(str(Path(__file__).with_suffix(".kv")))
FLASH_S = 0.35
CUE_S = 4.0
PATCH = "patch"
ESCAPE_KEY, HELP_KEY, ENTER_KEYS = 27, 282, (13, 271)
KEYS = {
    "o": "on_condition",
    "s": "stall",
    "r": "recovered",
    "x": "discard",
    "h": "hold",
    "n": "next",
    "t": "note",
    "m": "more",
    "k": "stop",
}
PANEL_KEYS = {"b": "back", "e": "end", "y": "land", "c": "close"}


class RecordingView(BoxLayout):
    """Recording or not, in a shape and in words."""

    words = StringProperty("")
    good = BooleanProperty(True)
    colour = ColorProperty((0, 0, 0, 1))
    text_px = NumericProperty(20)
    least_px = NumericProperty(16)


# Of the smallest type in flight; what is read before the first run only may be so much smaller.
ON_THE_GROUND = 0.8


class BannerView(BoxLayout):
    """The one line that matters now, with its drawn sign."""

    words = StringProperty("")
    sign = StringProperty("dot")
    fill = ColorProperty((1, 1, 1, 1))
    colour = ColorProperty((0, 0, 0, 1))
    text_px = NumericProperty(20)
    least_px = NumericProperty(16)


class PanelBox(FloatLayout):
    """A panel over the reading area: words and buttons. The buttons of a run stay free."""

    palette = ObjectProperty(DAY)
    text_px = NumericProperty(20)
    least_px = NumericProperty(16)

    def __init__(self, screen: FlyScreen, **kwargs):
        self.palette = screen.palette
        super().__init__(size_hint=(None, None), **kwargs)
        self.screen = screen
        self.targets: list[Target] = []

    def on_touch_down(self, touch) -> bool:
        """What lies under a panel is not touched."""
        return super().on_touch_down(touch) or self.collide_point(*touch.pos)

    def draw(self, shown: PanelView, placed: FlyLayout, display: Display) -> None:
        """Words above, buttons below."""
        self.text_px, self.least_px, self.palette = placed.text_px, placed.least_px, display.palette
        for target in self.targets:
            self.remove_widget(target)
        x, y, wide, high = placed.panel
        self.pos, self.size = (x, y), (wide, high)
        (wx, wy, ww, wh), rects, head = _panel_parts(placed, len(shown.buttons), display)
        self.ids.heading.text, self.ids.words.text = shown.heading, "\n".join(shown.lines)
        self.ids.heading.pos, self.ids.heading.size = (wx, wy + wh - head), (ww, head)
        self.ids.words.pos, self.ids.words.size = (wx, wy), (ww, wh - head)
        self.targets = []
        for button, (bx, by, bw, bh) in zip(shown.buttons, rects, strict=True):
            target = Target(key=button.key, size_hint=(None, None), pos=(bx, by), size=(bw, bh))
            target.largest, target.least, target.pad = placed.text_px, placed.least_px, 0.03 * bw
            paint(target, button, self.palette)
            target.bind(on_press=lambda pressed: self.screen.press_panel(pressed.key) if pressed.ready else None)
            self.targets.append(target)
            self.add_widget(target)


def _panel_parts(placed: FlyLayout, buttons: int, display: Display) -> tuple[Rect, tuple[Rect, ...], float]:
    """The rectangle of a panel's heading and words, those of its buttons, and the height of the heading."""
    x, y, wide, high = placed.panel
    inset = 0.6 * placed.text_px
    words, rects = panel_grid((x + inset, y + inset, wide - 2 * inset, high - 2 * inset), buttons, display)
    return words, rects, 1.8 * placed.text_px


def room_for(lines: Sequence[str], placed: FlyLayout, display: Display) -> bool:
    """Whether lines of the briefing fit a panel in type for reading on the ground; in a small window fewer do."""
    (_, _, wide, high), _, head = _panel_parts(placed, 1, display)
    return few(lines) and fits("\n".join(lines), wide, high - head, ON_THE_GROUND * placed.least_px, False)


def paint(target: Target, button: ButtonView, palette: Palette) -> None:
    """A button's words and colours; an outline where it cannot be used now."""
    target.text, target.ready = button.label, button.enabled
    target.fill = getattr(palette, button.role)
    target.color = getattr(palette, f"{button.role}_on") if button.enabled else palette.quiet


class FlyScreen(FloatLayout):
    """The screen. `send(intent)` is called for touches, `close()` for the last one.

    Parameters
    ----------
    display : Display
        Dots per inch, distance of the eye, palette.
    context : FlyContext
        Heights and cautions of the campaign.
    acknowledge : callable
        Called when somebody has read the cautions here.
    """

    palette = ObjectProperty(DAY)
    text_px = NumericProperty(20)
    live_px = NumericProperty(40)
    setup_px = NumericProperty(60)
    least_px = NumericProperty(16)
    last_alpha = NumericProperty(1)

    def __init__(
        self,
        display: Display,
        send: Callable,
        close: Callable,
        context: FlyContext = NO_CONTEXT,
        acknowledge: Callable = lambda: None,
        **kwargs,
    ):
        self.palette = display.palette
        super().__init__(**kwargs)
        self.display, self.send, self.close = display, send, close
        self.context = replace(context, blank_in_run=display.in_run == "blank")
        self.acknowledge, self.acknowledged = acknowledge, context.acknowledged
        self.shown: FlyView | None = None
        self.snapshot = None
        self.wanted, self.part = Panel.NONE, 0
        self.panel: PanelBox | None = None
        self.panel_shown: tuple | None = None
        self._cue_text, self._cue_until = "", 0.0
        self.targets = {key: self._target(key) for key in TARGETS}
        self.bind(size=self._place)
        self._place()

    def _target(self, key: str) -> Target:
        target = Target(key=key, size_hint=(None, None))
        target.bind(on_press=self._pressed)
        self.add_widget(target)
        return target

    def _place(self, *_) -> None:
        self.placed = placed = layout(self.width, self.height, self.display)
        self.text_px, self.live_px, self.least_px = placed.text_px, placed.live_px, placed.least_px
        for key, (x, y, w, h) in placed.rects:
            widget = self.targets.get(key) or self.ids[key]
            widget.pos, widget.size = (x, y), (w, h)
            if key == "strip":
                self.ids.heights.pos, self.ids.heights.size = (x, y), (w, h)
        self.setup_px = max(placed.live_px, 0.75 * placed.rect("setup")[3])
        for part in (self.ids.recording, self.ids.banner):
            part.text_px, part.least_px = placed.text_px, placed.least_px
        self._equal_words()
        if self.panel_shown:
            self.panel_shown = None
            self._show_panel()

    def _equal_words(self) -> None:
        """One type size on all buttons: a larger word would look more important."""
        size = self.placed.text_px * 1.2
        for target in self.targets.values():
            pad = 0.04 * target.width
            wide, high = round(target.width - 2 * pad), round(target.height)
            size = min(size, fitting_px(target.text, wide, high, round(size), self.placed.least_px, True))
        for target in self.targets.values():
            target.pad, target.least, target.largest = 0.04 * target.width, self.placed.least_px, size

    def _pressed(self, target: Target) -> None:
        if self.shown is None or not target.ready:
            return
        self.press(target.key)

    def press(self, key: str) -> None:
        """A button of the cards, touched or by its key."""
        button = self.shown.button(key) if self.shown else None
        if button is None or not button.enabled:
            return
        if button.intent is None:
            self.wanted = Panel.NONE if self.wanted else Panel.MORE
            self._show_panel()
        else:
            self.wanted = Panel.NONE
            self.send(button.intent)

    def press_panel(self, key: str) -> None:
        """A button of the panel."""
        shown = self.panel_shown[0] if self.panel_shown else None
        button = next((b for b in shown.buttons if b.key == key), None) if shown else None
        if button is None or not button.enabled:
            return
        if key == "close":
            self.close()
        elif key == "read":
            self.acknowledged = True
            self.acknowledge()
        elif key == "more_cautions":
            self.part += 1
        elif key == "palette":
            self.set_display(replace(self.display, palette_name=other_palette(self.display.palette_name)))
        else:
            self.wanted = {"end": Panel.END, "help": Panel.HELP}.get(key, Panel.NONE)
        if button.intent is not None:
            self.send(button.intent)
        self._show_panel()

    def set_display(self, display: Display) -> None:
        """Other colours, at once."""
        self.display, self.palette = display, display.palette
        snapshot, self.shown, self.panel_shown = self.snapshot, None, None
        if snapshot is not None:
            self.show(snapshot)

    def on_key(self, window, code, scancode=None, text=None, modifiers=()) -> bool:
        """Keys, for a desk or a knee keyboard."""
        if code == HELP_KEY or text == "?":
            self.wanted = Panel.NONE if self.wanted is Panel.HELP else Panel.HELP
            self._show_panel()
            return True
        if code == ESCAPE_KEY:
            self.wanted = Panel.NONE
            self._show_panel()
            return True
        if self.panel_shown and code in ENTER_KEYS:
            # Enter means the one emphasised button, never an end of the flight.
            main = next((b.key for b in self.panel_shown[0].buttons if b.role == "main"), "shut")
            self.press_panel(main)
            return True
        letter = (text or "").lower()
        if self.panel_shown and letter in PANEL_KEYS:
            self.press_panel(PANEL_KEYS[letter])
            return True
        if letter in KEYS:
            self.press(KEYS[letter])
            return True
        return False

    def show(self, snapshot) -> None:
        """Draw what a snapshot says; what has not changed is not touched."""
        self.snapshot = snapshot
        cue = self._cue_text if Clock.get_time() < self._cue_until else ""
        shown = view(snapshot, cue, self.context)
        self._show_panel()
        if shown == self.shown:
            return
        self.shown = shown
        ids, palette = self.ids, self.palette
        ids.recording.words, ids.recording.good = shown.recording, shown.recording_ok
        ids.recording.colour = palette.text
        ids.bar.level, ids.level_words.text = shown.level, shown.level_words
        ids.place.text = shown.place
        for k, (words, otherwise) in enumerate(shown.setup):
            ids[f"setup_{k}"].text = f"{words} ?" if otherwise else words
        ids.phase.text, ids.heights.text = shown.phase, shown.heights
        ids.last_call.text, self.last_alpha = shown.last, shown.last_alpha
        ids.last_note.text = f"{shown.partial} ..." if shown.partial else shown.last_note
        ids.strip.strip, ids.strip.opacity = shown.strip, shown.trace_alpha
        self._show_banner(shown)
        before = [target.text for target in self.targets.values()]
        for button in shown.buttons:
            paint(self.targets[button.key], button, palette)
        if before != [target.text for target in self.targets.values()]:
            self._equal_words()

    def _show_panel(self) -> None:
        if self.snapshot is None:
            return
        state = self.snapshot.state
        panel = panel_shown(self.wanted, state, self.context, self.acknowledged)
        if panel is Panel.NONE and state.phase in IN_RUN:
            self.wanted = Panel.NONE
        placed, display = self.placed, self.display
        fit = partial(room_for, placed=placed, display=display)
        shown = panel_view(panel, state, self.context, self.part, fit)
        key = (shown, self.display) if shown else None
        if key == self.panel_shown:
            return
        self.panel_shown = key
        if self.panel:
            self.remove_widget(self.panel)
            self.panel = None
        if shown:
            self.panel = PanelBox(self)
            self.panel.draw(shown, self.placed, self.display)
            self.add_widget(self.panel)

    def _show_banner(self, shown: FlyView) -> None:
        banner, palette = self.ids.banner, self.palette
        banner.words, banner.sign = shown.banner, shown.sign
        banner.opacity = 1.0 if shown.banner else 0.0
        plain = shown.banner_role == "text"
        banner.fill = palette.ground if plain else getattr(palette, shown.banner_role)
        banner.colour = palette.text if plain else getattr(palette, f"{shown.banner_role}_on")

    def cue(self, cue: Cue) -> None:
        """Show a cue's words for a while; a mark also as a small, dim patch, and never in a run."""
        in_run = self.snapshot is not None and self.snapshot.state.phase in IN_RUN
        if cue.text:
            self._cue_text, self._cue_until = cue.text, Clock.get_time() + CUE_S
        if cue.flash == "white" and not in_run:
            self._patch()

    def _patch(self) -> None:
        """For a camera that sees the tablet: where the sound level is, in the colour of lines."""
        with self.canvas.after:
            Color(*self.palette.line, group=PATCH)
            x, y, _, high = self.placed.rect("level")
            Rectangle(pos=(x, y), size=(2 * high, high), group=PATCH)
        Clock.schedule_once(lambda _: self.canvas.after.remove_group(PATCH), FLASH_S)


def other_palette(name: str) -> str:
    """The palette that is not this one."""
    names = list(PALETTES)
    return names[(names.index(name) + 1) % len(names)]

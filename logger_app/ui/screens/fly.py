"""The flight screen: draws a `FlyView`, turns touches into intents. No decisions here."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from kivy.clock import Clock
from kivy.graphics import Color, Rectangle
from kivy.lang import Builder
from kivy.properties import BooleanProperty, ColorProperty, NumericProperty, ObjectProperty, StringProperty
from kivy.uix.boxlayout import BoxLayout
from kivy.uix.floatlayout import FloatLayout

from logger_app.fly.cues import Cue
from logger_app.ui.presenters.fly import FlyView, view
from logger_app.ui.presenters.fly_layout import TARGETS, layout
from logger_app.ui.theme import DAY, Display
from logger_app.ui.widgets import call_strip, level_bar, sign  # noqa: F401 the kv names them
from logger_app.ui.widgets.target import Target

Builder.load_file(str(Path(__file__).with_suffix(".kv")))
FLASH_S = 0.35
CUE_S = 4.0


class RecordingView(BoxLayout):
    """Recording or not, in a shape and in words."""

    words = StringProperty("")
    good = BooleanProperty(True)
    colour = ColorProperty((0, 0, 0, 1))
    text_px = NumericProperty(20)
    least_px = NumericProperty(16)


class BannerView(BoxLayout):
    """The one line that matters now, with its drawn sign."""

    words = StringProperty("")
    sign = StringProperty("dot")
    fill = ColorProperty((1, 1, 1, 1))
    colour = ColorProperty((0, 0, 0, 1))
    text_px = NumericProperty(20)
    least_px = NumericProperty(16)


class FlyScreen(FloatLayout):
    """The screen. `send(intent)` is called for touches, `close()` for the last one.

    Parameters
    ----------
    display : Display
        Dots per inch, distance of the eye, palette.
    """

    palette = ObjectProperty(DAY)
    text_px = NumericProperty(20)
    live_px = NumericProperty(40)
    setup_px = NumericProperty(60)
    least_px = NumericProperty(16)

    def __init__(self, display: Display, send: Callable, close: Callable, **kwargs):
        self.palette = display.palette
        super().__init__(**kwargs)
        self.display, self.send, self.close = display, send, close
        self.shown: FlyView | None = None
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
        placed = layout(self.width, self.height, self.display)
        self.text_px, self.live_px, self.least_px = placed.text_px, placed.live_px, placed.least_px
        for key, (x, y, w, h) in placed.rects:
            widget = self.targets.get(key) or self.ids[key]
            widget.pos, widget.size = (x, y), (w, h)
            if key in self.targets:
                widget.largest, widget.least, widget.pad = placed.text_px, placed.least_px, 0.03 * w
        self.targets["main"].largest = 1.6 * placed.text_px
        self.setup_px = max(placed.live_px, 0.75 * placed.rect("setup")[3])
        for part in (self.ids.recording, self.ids.banner):
            part.text_px, part.least_px = placed.text_px, placed.least_px

    def _pressed(self, target: Target) -> None:
        if self.shown is None or not target.ready:
            return
        intent = self.shown.button(target.key).intent
        if intent is None:
            self.close()
        else:
            self.send(intent)

    def show(self, snapshot) -> None:
        """Draw what a snapshot says; what has not changed is not touched."""
        cue = self._cue_text if Clock.get_time() < self._cue_until else ""
        shown = view(snapshot, cue)
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
        ids.last_call.text = shown.last
        ids.partial.text = f"{shown.partial} ..." if shown.partial else shown.last_note
        ids.strip.strip = shown.strip
        self._show_banner(shown)
        for button in (shown.main, *shown.buttons):
            target = self.targets[button.key]
            target.text, target.ready = button.label, button.enabled
            target.fill = getattr(palette, button.role)
            target.color = getattr(palette, f"{button.role}_on") if button.enabled else palette.quiet

    def _show_banner(self, shown: FlyView) -> None:
        banner, palette = self.ids.banner, self.palette
        banner.words, banner.sign = shown.banner, shown.sign
        plain = shown.banner_role == "text"
        banner.fill = palette.ground if plain else getattr(palette, shown.banner_role)
        banner.colour = palette.text if plain else getattr(palette, f"{shown.banner_role}_on")

    def cue(self, cue: Cue) -> None:
        """Show a cue's words for a while; flash the whole screen if it says so."""
        if cue.text:
            self._cue_text, self._cue_until = cue.text, Clock.get_time() + CUE_S
        if cue.flash:
            self._flash((1, 1, 1, 1) if cue.flash == "white" else self.palette.stop)

    def _flash(self, colour) -> None:
        with self.canvas.after:
            group = "flash"
            Color(*colour, group=group)
            Rectangle(pos=self.pos, size=self.size, group=group)
        Clock.schedule_once(lambda _: self.canvas.after.remove_group(group), FLASH_S)

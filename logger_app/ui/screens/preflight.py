"""The preflight screen: draws a `PreflightView`, sends what was touched."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from kivy.graphics import Color, Rectangle
from kivy.lang import Builder
from kivy.properties import ColorProperty, NumericProperty, ObjectProperty, StringProperty
from kivy.uix.boxlayout import BoxLayout
from kivy.uix.floatlayout import FloatLayout
from kivy.uix.widget import Widget

from logger_app.ui.presenters.preflight import Button, Do, PreflightState, PreflightView, view
from logger_app.ui.theme import DAY
from logger_app.ui.widgets import sign  # noqa: F401 the kv names it
from logger_app.ui.widgets.fit_label import width_px
from logger_app.ui.widgets.target import Target

Builder.load_file(str(Path(__file__).with_suffix(".kv")))
# More rows than this stand in two columns.
ONE_COLUMN = 10
# A name that does not fit its share in one line gets more of the row, up to this.
MAX_NAME_SHARE = 0.4


class CheckRow(BoxLayout):
    """Sign, name, words."""

    sign = StringProperty("dot")
    name = StringProperty("")
    words = StringProperty("")
    fill = ColorProperty((1, 1, 1, 1))
    colour = ColorProperty((0, 0, 0, 1))
    text_px = NumericProperty(20)
    least_px = NumericProperty(16)
    name_share = NumericProperty(0.3)


class CardBar(Widget):
    """A bar as wide as a bank card would be; nothing while `wide` is 0."""

    wide = NumericProperty(0)
    colour = ColorProperty((0, 0, 0, 1))

    def __init__(self, **kwargs):
        super().__init__(**kwargs)
        for name in ("wide", "pos", "size", "colour"):
            self.fbind(name, self._draw)

    def _draw(self, *_) -> None:
        self.canvas.clear()
        with self.canvas:
            Color(*self.colour)
            Rectangle(pos=self.pos, size=(self.wide, self.height if self.wide else 0))


class PreflightScreen(FloatLayout):
    """The screen. `send(do)` is called for touches."""

    palette = ObjectProperty(DAY)
    text_px = NumericProperty(20)
    least_px = NumericProperty(16)
    columns = NumericProperty(1)

    def __init__(self, state: PreflightState, send: Callable, **kwargs):
        self.palette = state.display.palette
        super().__init__(**kwargs)
        self.send = send
        self.targets: dict[Do, Target] = {}
        self.shown: PreflightView | None = None
        self.state = state
        self.bind(size=lambda *_: self.show(self.state))
        self.show(state)

    def show(self, state: PreflightState) -> None:
        """Draw a state."""
        display, self.state = state.display, state
        self.palette, self.text_px, self.least_px = display.palette, display.text_px, display.font_px(16.0)
        self.shown = shown = view(state)
        self.ids.title.text, self.ids.foot.text = shown.title, shown.foot
        self._rows(shown)
        self._buttons(shown, display)
        self._place(shown, display)

    def _rows(self, shown: PreflightView) -> None:
        rows, palette = self.ids.rows, self.palette
        rows.clear_widgets()
        self.columns = 2 if len(shown.rows) > ONE_COLUMN else 1
        for row in shown.rows:
            plain = row.role == "text"
            rows.add_widget(
                CheckRow(
                    sign=row.sign,
                    name=row.name,
                    words=row.words,
                    name_share=shown.name_share if self.columns == 1 else max(0.44, shown.name_share),
                    fill=palette.ground if plain else getattr(palette, row.role),
                    colour=palette.text if plain else getattr(palette, f"{row.role}_on"),
                    text_px=self.text_px,
                    least_px=self.least_px,
                )
            )

    def _buttons(self, shown: PreflightView, display) -> None:
        for target in self.targets.values():
            self.remove_widget(target)
        self.targets = {}
        for button in (*shown.actions, *shown.pages):
            self.targets[button.do] = self._target(button, display)

    def _target(self, button: Button, display) -> Target:
        palette = self.palette
        target = Target(
            key=button.do,
            text=button.label,
            size_hint=(None, None),
            ready=button.enabled,
            largest=display.text_px,
            least=display.font_px(16.0),
            pad=4,
            fill=getattr(palette, button.role),
            color=getattr(palette, f"{button.role}_on") if button.enabled else palette.quiet,
        )
        target.bind(on_press=lambda pressed: self.send(Do(pressed.key)) if pressed.ready else None)
        self.add_widget(target)
        return target

    def _place(self, shown: PreflightView, display) -> None:
        side, gap = display.target_px, display.px(3.0)
        edge = max(1.0, min(gap, (self.height - 4 * side - 3 * gap) / 2))
        # FLY is wider: it says why it is not green.
        shares = [1.5 if button.do is Do.FLY else 1.0 for button in shown.pages]
        share = (self.width - 2 * edge - (len(shares) - 1) * gap) / max(1.0, sum(shares))
        x = edge
        for button, wide in zip(shown.pages, shares, strict=True):
            self.targets[button.do].pos = (x, edge)
            self.targets[button.do].size = (wide * share, side)
            x += wide * share + gap
        top, foot_y, right = self.height - edge, edge + side + gap, self.width - edge
        count = len(shown.actions)
        if self.height > self.width:  # rows above the pages
            across = min(3, count)
            one = (self.width - 2 * edge - 2 * gap) / 3
            for k, button in enumerate(shown.actions):
                row, at = divmod(k, max(1, across))
                self.targets[button.do].pos = (edge + at * (one + gap), foot_y + row * (side + gap))
                self.targets[button.do].size = (one, side)
            foot_y += -(-count // 3) * (side + gap)
        elif count:  # columns at the right
            per_column = max(1, min(count, int((top - foot_y + gap) / (side + gap) + 0.01)))
            columns = -(-count // per_column)
            column = (1.3 if columns < 3 else 1.05) * side
            for k, button in enumerate(shown.actions):
                across, down = divmod(k, per_column)
                x = right - (columns - across) * column - (columns - across - 1) * gap
                self.targets[button.do].pos = (x, top - (down + 1) * side - down * gap)
                self.targets[button.do].size = (column, side)
            right -= columns * (column + gap)
        text = display.text_px
        foot_high = 2.0 * text if shown.foot else 0.0
        card_high = 1.2 * text if shown.card_px else 0.0
        self.ids.title.pos, self.ids.title.size = (edge, top - 1.7 * text), (right - edge, 1.7 * text)
        self.ids.card.pos = (edge, top - 1.9 * text - card_high)
        self.ids.card.size = (right - edge, card_high)
        self.ids.card.wide = min(shown.card_px, right - edge)
        self.ids.foot.pos, self.ids.foot.size = (edge, foot_y), (right - edge, foot_high)
        rows_top = top - 1.9 * text - card_high - (0.4 * text if card_high else 0)
        self.ids.rows.pos = (edge, foot_y + foot_high)
        self.ids.rows.size = (right - edge, rows_top - foot_y - foot_high)
        if self.columns == 1:
            self._widen_names(right - edge)

    def _widen_names(self, width: float) -> None:
        """In a small window a row is one line high: a name must not wrap."""
        free = max(1.0, width - 2.3 * self.text_px)  # beside the sign and two gaps
        for_names = [width_px(row.name, self.least_px, bold=True) / free for row in self.ids.rows.children]
        share = max(for_names, default=0.0)
        for row in self.ids.rows.children if share <= MAX_NAME_SHARE else ():
            row.name_share = max(row.name_share, share)

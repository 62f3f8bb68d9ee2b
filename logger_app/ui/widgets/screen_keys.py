"""Keys on the screen for a tablet without a keyboard; they type into the box that has the focus."""

from __future__ import annotations

from collections.abc import Callable

from kivy.uix.behaviors import FocusBehavior
from kivy.uix.gridlayout import GridLayout

from logger_app.ui.theme import Display
from logger_app.ui.widgets.target import Target

ROWS = ("1234567890-.", "qwertyuiop,;", "asdfghjkl:_/", "^zxcvbnm| <>")
WORDS = {"^": "Aa", " ": "space", "<": "DEL", ">": "NEXT", "|": "HIDE"}
KEY_MM = 11.0


class KeyTarget(Target):
    """A key. Touching it leaves the focus where it is."""

    def on_touch_down(self, touch):
        """Act, and do not take the focus from the text box."""
        if self.collide_point(*touch.pos):
            FocusBehavior.ignored_touch.append(touch)
        return super().on_touch_down(touch)


class ScreenKeys(GridLayout):
    """Four rows. `type_in(character)`, `erase()`, `go_on()` and `hide()` are called."""

    def __init__(
        self,
        display: Display,
        type_in: Callable[[str], None],
        erase: Callable[[], None],
        go_on: Callable[[], None],
        hide: Callable[[], None],
    ):
        gap = display.px(1.0)
        height = 4 * display.px(KEY_MM) + 3 * gap
        super().__init__(cols=len(ROWS[0]), spacing=gap, size_hint_y=None, height=height)
        self.type_in, self.erase, self.go_on, self.hide = type_in, erase, go_on, hide
        self.capital = False
        palette = display.palette
        for key in "".join(ROWS):
            target = KeyTarget(key=key, text=WORDS.get(key, key), largest=display.font_px(16.0), least=10)
            target.fill, target.color = palette.button, palette.button_on
            if key == ">":
                target.fill, target.color = palette.main, palette.main_on
            target.bind(on_press=self._pressed)
            self.add_widget(target)

    def _pressed(self, target: Target) -> None:
        if target.key == "^":
            self._set_capital(not self.capital)
        elif target.key == "<":
            self.erase()
        elif target.key == ">":
            self.go_on()
        elif target.key == "|":
            self.hide()
        else:
            self.type_in(target.text if len(target.text) == 1 else " ")
            self._set_capital(False)

    def _set_capital(self, capital: bool) -> None:
        self.capital = capital
        for target in self.children:
            if len(target.text) == 1:
                target.text = target.key.upper() if capital else target.key

"""Text and keys as every screen for the desk has them. Main names: `WrappedText`, `KeyButton`."""

from __future__ import annotations

from kivy.lang import Builder
from kivy.properties import BooleanProperty
from kivy.uix.button import Button
from kivy.uix.label import Label


class WrappedText(Label):
    """Text that wraps and is as tall as it must be; nothing where there is none."""


class KeyButton(Button):
    """A key as a button, for touch; `strong` for what is on, or comes next. Its words shrink before one is cut off."""

    strong = BooleanProperty(False)


Builder.load_string("""
#:import CURRENT logger_app.ui.theme.CURRENT
#:import dp kivy.metrics.dp
#:import fitting_px logger_app.ui.widgets.fit_label.fitting_px
#:import sp kivy.metrics.sp

<WrappedText>:
    color: CURRENT.text
    font_size: sp(15)
    text_size: self.width, None
    size_hint_y: None
    height: self.texture_size[1] + dp(4) if self.text else 0
    halign: "left"
    valign: "top"

<KeyButton>:
    background_normal: ""
    background_down: ""
    background_disabled_normal: ""
    background_color: CURRENT.main if self.strong and not self.disabled else CURRENT.button
    color: CURRENT.main_on if self.strong and not self.disabled else CURRENT.button_on
    disabled_color: CURRENT.quiet
    font_size: fitting_px(self.text, self.width, self.height, sp(15), sp(9), self.bold)
    halign: "center"
    valign: "middle"
    text_size: self.size
""")

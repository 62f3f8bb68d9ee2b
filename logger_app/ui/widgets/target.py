"""A touch target: acts when the finger comes down, because in turbulence it may not come up in place."""

from __future__ import annotations

from kivy.lang import Builder
from kivy.properties import BooleanProperty, ColorProperty, StringProperty
from kivy.uix.behaviors import ButtonBehavior

from logger_app.ui.widgets.fit_label import FitLabel


class Target(ButtonBehavior, FitLabel):
    """A button of the cockpit. `key` names its place; a disabled one is drawn as an outline."""

    key = StringProperty("")
    fill = ColorProperty((0.5, 0.5, 0.5, 1))
    ready = BooleanProperty(True)


Builder.load_string(
    """
<Target>:
    bold: True
    halign: "center"
    valign: "middle"
    canvas.before:
        Color:
            rgba: self.fill if self.ready else (0, 0, 0, 0)
        RoundedRectangle:
            pos: self.pos
            size: self.size
            radius: [0.08 * self.height]
        Color:
            rgba: self.fill
        Line:
            rounded_rectangle: (self.x, self.y, self.width, self.height, 0.08 * self.height)
            width: 1.2
"""
)

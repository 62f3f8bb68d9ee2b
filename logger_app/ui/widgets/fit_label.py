"""A label whose type is as large as its box allows, between two sizes."""

from __future__ import annotations

import math
from functools import lru_cache

from kivy.core.text import Label as CoreLabel
from kivy.properties import NumericProperty
from kivy.uix.label import Label

SHRINK = 0.94
# Words are measured one by one; drawn together they may come out a little wider.
SLACK_PX = 4.0


@lru_cache(maxsize=2000)
def fitting_px(text: str, width: float, height: float, largest: float, least: float, bold: bool) -> float:
    """The largest font size [px] at which the text, wrapped at words, fits a box; never under `least`."""
    size = largest
    while size > least:
        if fits(text, width, height, size, bold):
            return size
        size *= SHRINK
    return least


@lru_cache(maxsize=2000)
def fits(text: str, width: float, height: float, size: float, bold: bool) -> bool:
    """Whether the text, wrapped at words, fits a box at a font size [px]."""
    lines = _wrapped(text, width, size, bold)
    return 1.17 * size * len(lines) <= height and all(wide <= width - SLACK_PX for wide in lines)


def width_px(text: str, size: float, bold: bool = False) -> float:
    """How wide a label must be for the text in one line at a font size [px]."""
    return max(_wrapped(text, math.inf, size, bold)) + SLACK_PX


def _wrapped(text: str, width: float, size: float, bold: bool) -> list[float]:
    """Widths of the lines [px]."""
    measure = CoreLabel(font_size=size, bold=bold).get_extents
    space = measure(" ")[0]
    lines = []
    for paragraph in text.split("\n"):
        wide = 0.0
        for word in paragraph.split(" "):
            w = measure(word)[0]
            if wide and wide + space + w > width:
                lines.append(wide)
                wide = w
            else:
                wide = wide + space + w if wide else w
        lines.append(wide)
    return lines


class FitLabel(Label):
    """Fits itself whenever text or size change."""

    largest = NumericProperty(40)
    least = NumericProperty(12)
    pad = NumericProperty(0)

    def __init__(self, **kwargs):
        super().__init__(**kwargs)
        for name in ("text", "size", "largest", "least", "bold", "pad"):
            self.fbind(name, self._fit)
        self._fit()

    def _fit(self, *_) -> None:
        width, height = max(1.0, self.width - 2 * self.pad), max(1.0, self.height)
        self.font_size = fitting_px(
            self.text, round(width), round(height), round(self.largest), round(self.least), self.bold
        )
        # No height: what does not fit must stick out, where a test sees it, not be cut silently.
        self.text_size = (width, None)

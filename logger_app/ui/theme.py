"""Sizes and colours of the cockpit screens, computed from the real display. Pure; knows no Kivy.

A touch target is a length on the glass and a letter is an angle at the eye; pixels follow from the
display's dots per inch and the distance of the eye, both set in preflight.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import cast

MM_PER_INCH = 25.4
# 20 mm: mounted, arm extended or safety critical, in flight (DASC 2015, doi 10.1109/DASC.2015.7311400).
TARGET_MM = 20.0
# 16 arcmin is the least at the largest viewing distance (NUREG-0700), 20 to 24 preferred (from memory);
# a live value that matters: at least twice that (common practice, no source).
MIN_ARCMIN = 16.0
TEXT_ARCMIN = 20.0
LIVE_ARCMIN = 40.0
# Height of a capital or a digit over the font's size: Roboto, the font that travels with Kivy.
CAP_RATIO = 0.711
# WCAG 2.1, success criterion 1.4.6 (enhanced contrast): 7 to 1.
MIN_CONTRAST = 7.0

Colour = tuple[float, float, float, float]


def rgb(text: str) -> Colour:
    """``#rrggbb`` as four numbers from 0 to 1."""
    red, green, blue = (int(text[k : k + 2], 16) / 255 for k in (1, 3, 5))
    return red, green, blue, 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Palette:
    """Colours by what they are for; `*_on` is the text upon it."""

    name: str
    ground: Colour
    text: Colour
    quiet: Colour  # labels
    line: Colour  # axes and frames, not read
    band: Colour  # the entry-rate band, under text and dots
    button: Colour
    button_on: Colour
    main: Colour  # the one large button
    main_on: Colour
    stop: Colour
    stop_on: Colour
    good: Colour
    good_on: Colour
    again: Colour
    again_on: Colour
    trouble: Colour
    trouble_on: Colour

    def read_pairs(self) -> tuple[tuple[str, str], ...]:
        """(text, ground) of everything that is read in flight."""
        return (
            ("text", "ground"),
            ("quiet", "ground"),
            ("text", "band"),
            ("button_on", "button"),
            ("main_on", "main"),
            ("stop_on", "stop"),
            ("good_on", "good"),
            ("again_on", "again"),
            ("trouble_on", "trouble"),
        )


# By day, by night.
_COLOURS = {
    "ground": ("#fbfaf4", "#000000"),
    "text": ("#000000", "#e8dcc4"),
    "quiet": ("#3b3f45", "#b9ae98"),
    "line": ("#8a8f96", "#5c574c"),
    "band": ("#cfe3d2", "#17301e"),
    "button": ("#d9dce0", "#26231d"),
    "button_on": ("#0b0d10", "#e8dcc4"),
    "main": ("#12355b", "#12304d"),
    "main_on": ("#ffffff", "#f0e6d2"),
    "stop": ("#8c0d12", "#6e0a0e"),
    "stop_on": ("#ffffff", "#fbe9dc"),
    "good": ("#0c4a24", "#0e3b1f"),
    "good_on": ("#ffffff", "#e6f3e2"),
    "again": ("#ffc233", "#4a3400"),
    "again_on": ("#000000", "#ffe3a6"),
    "trouble": ("#ffc233", "#4a3400"),
    "trouble_on": ("#000000", "#ffe3a6"),
}
DAY, NIGHT = (
    Palette(name=name, **{role: rgb(pair[k]) for role, pair in _COLOURS.items()})
    for k, name in enumerate(("day", "night"))
)
HANDS = ("right", "left")
IN_RUN = ("dimmed", "blank")
PALETTES = {palette.name: palette for palette in (DAY, NIGHT)}


class _Chosen:
    """Stands for the palette that was chosen last: a screen that is built now takes its colours from that one."""

    palette = DAY

    def __getattr__(self, name: str) -> Colour:
        return getattr(self.palette, name)


_CHOSEN = _Chosen()
CURRENT: Palette = cast(Palette, _CHOSEN)
"""For the kv files of the screens for the desk: read when a screen is built."""


def use_palette(palette: Palette) -> None:
    """Screens that are built from now on have these colours."""
    _CHOSEN.palette = palette


def contrast(first: Colour, second: Colour) -> float:
    """Contrast ratio of two opaque colours, 1 to 21.

    Notes
    -----
    W3C, WCAG 2.1, "relative luminance" and "contrast ratio".
    """
    light, dark = sorted((_luminance(first), _luminance(second)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def _luminance(colour: Colour) -> float:
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in colour[:3]]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@dataclass(frozen=True, slots=True, kw_only=True)
class Display:
    """A tablet's display as it is mounted and used: dots per inch, distance of the eye, palette, hand, what a run shows.

    The defaults are a 10.1 inch tablet of 1280x800 at arm's length.
    """

    dpi: float = 149.0
    viewing_mm: float = 600.0
    palette_name: str = "day"
    hand: str = "right"  # the side of the screen with the column of buttons
    in_run: str = "dimmed"  # last call and trace from on condition to recovered: dimmed or blank

    def __post_init__(self):
        if not 60 <= self.dpi <= 600:
            raise ValueError(f"dpi {self.dpi:g}; a display has 60 to 600")
        if not 250 <= self.viewing_mm <= 1200:
            raise ValueError(f"viewing distance {self.viewing_mm:g} mm; needs 250 to 1200")
        if self.palette_name not in PALETTES:
            raise ValueError(f"palette {self.palette_name!r}; allowed: {', '.join(PALETTES)}")
        for name, allowed in (("hand", HANDS), ("in_run", IN_RUN)):
            if getattr(self, name) not in allowed:
                raise ValueError(f"{name} {getattr(self, name)!r}; allowed: {', '.join(allowed)}")

    @property
    def palette(self) -> Palette:
        """The colours."""
        return PALETTES[self.palette_name]

    def px(self, mm: float) -> float:
        """A length on the glass in pixels."""
        return mm / MM_PER_INCH * self.dpi

    @property
    def target_px(self) -> float:
        """The side of the smallest touch target [px], rounded up."""
        return float(math.ceil(self.px(TARGET_MM)))

    def font_px(self, arcmin: float) -> float:
        """Font size whose capitals are so many minutes of arc high at the eye [px], rounded up."""
        return float(math.ceil(self.px(character_mm(arcmin, self.viewing_mm)) / CAP_RATIO))

    @property
    def text_px(self) -> float:
        """Font size of everything that is read in flight, at least [px]."""
        return self.font_px(TEXT_ARCMIN)

    @property
    def live_px(self) -> float:
        """Font size of the values that matter, at least [px]."""
        return self.font_px(LIVE_ARCMIN)


def character_mm(arcmin: float, viewing_mm: float) -> float:
    """Height of a character that is so many minutes of arc high at a distance.

    Parameters
    ----------
    arcmin : float
        Angle at the eye [arcmin].
    viewing_mm : float
        Distance of the eye [mm].

    Returns
    -------
    float
        Height [mm].
    """
    return viewing_mm * math.tan(math.radians(arcmin / 60))

"""Where everything on the flight screen is, in pixels from the lower left. Pure.

::

    ┌ recording ─ level ─ place ──────────────┬────────┐
    │ set-up: power, flap, bank               │  next  │
    ├──────────────┬──────────────────────────┤────────│
    │  last call   │  strip of calls          │  note  │
    ├──────────────┴──────────────────────────┤────────│
    │ banner: phase, verdict, trouble         │  mark  │
    ├──────┬────────┬───────────────┬──────┬──┴────────│
    │ stop │scratch │     main      │ back │   hold    │
    └──────┴────────┴───────────────┴──────┴───────────┘

Every target is at least 20 mm both ways whatever the display; type takes what is left.
"""

from __future__ import annotations

from dataclasses import dataclass

from logger_app.ui.theme import Display

Rect = tuple[float, float, float, float]
"""x, y, width, height [px]."""
TARGETS = ("stop", "discard", "main", "back", "hold", "mark", "note", "next")


@dataclass(frozen=True, slots=True, kw_only=True)
class FlyLayout:
    """The rectangles of the screen, and the type sizes [px]."""

    rects: tuple[tuple[str, Rect], ...]
    text_px: float
    live_px: float
    least_px: float

    def rect(self, key: str) -> Rect:
        """The rectangle of one part."""
        return dict(self.rects)[key]


def layout(width: float, height: float, display: Display) -> FlyLayout:
    """Place everything on a landscape display.

    Parameters
    ----------
    width : float
        Of the window [px].
    height : float
        Of the window [px].
    display : Display
        Dots per inch, distance of the eye.

    Returns
    -------
    FlyLayout
        Rectangles that do not overlap and lie in the window, if it is at least 150 mm x 88 mm.
    """
    target, gap = display.target_px, display.px(3.0)
    # A low tablet has room for four targets and the gaps between them, hardly for more.
    edge = max(1.0, min(gap, (height - 4 * target - 3 * gap) / 2))
    side = target * 1.2
    rects: dict[str, Rect] = {}
    _bottom_row(rects, width, target, gap, edge)
    column_x = width - edge - side
    room = height - 2 * edge - target - gap
    tall = min((room - 2 * gap) / 3, 1.5 * target)
    for k, key in enumerate(("mark", "note", "next")):
        rects[key] = (column_x, edge + target + gap + k * (tall + gap), side, tall)
    left, right = edge, column_x - gap
    foot, top = edge + target + gap, height - edge
    _reading_area(rects, left, right, foot, top, display)
    return FlyLayout(
        rects=tuple(rects.items()), text_px=display.text_px, live_px=display.live_px, least_px=display.font_px(16.0)
    )


def _bottom_row(rects, width, target, gap, edge) -> None:
    wide = min(1.6 * target, (width - 2 * edge - 4 * gap - 1.5 * target) / 4)
    main = width - 2 * edge - 4 * gap - 4 * wide
    x = edge
    for key in ("stop", "discard", "main", "back", "hold"):
        w = main if key == "main" else wide
        rects[key] = (x, edge, w, target)
        x += w + gap


def _reading_area(rects, left, right, foot, top, display) -> None:
    wide, high = right - left, top - foot
    status = 1.35 * display.text_px
    setup = max(1.15 * display.live_px, 0.2 * high)
    banner = 2.5 * display.text_px
    rest = high - status - setup - banner
    last = 0.42 * wide
    rects["recording"] = (left, top - status, 0.38 * wide, status)
    rects["level"] = (left + 0.38 * wide, top - status, 0.3 * wide, status)
    rects["place"] = (left + 0.68 * wide, top - status, 0.32 * wide, status)
    rects["setup"] = (left, top - status - setup, wide, setup)
    rects["last"] = (left, foot + banner, last, rest)
    rects["strip"] = (left + last, foot + banner, wide - last, rest)
    rects["banner"] = (left, foot, wide, banner)

"""Where everything on the flight screen is, in pixels from the lower left. Pure.

::

    ┌ recording ─ level ─ place ──────────────┬────────┐      ┌ recording ─ level ────────┐
    │ set-up: power, flap, bank               │  next  │      │ place                     │
    ├──────────────┬──────────────────────────┤────────│      │ set-up                    │
    │  phase       │  strip of calls, or      │  note  │      │ phase                     │
    │  last call   │  floor and entry height  │────────│      │ last call │ strip         │
    ├──────────────┴──────────────────────────┤  more  │      │ banner                    │
    │ banner: verdict, trouble                │        │      │ discard note hold next more
    ├──────┬─────────┬───────┬───────┬────────┼────────┤      ├───────────────────────────┤
    │ stop │ on cond.│ stall │recov'd│scratch │  hold  │      │ stop  on cond. stall recov'd
    └──────┴─────────┴───────┴───────┴────────┴────────┘      └───────────────────────────┘

Every target is at least 20 mm both ways on every display that is 150 mm x 88 mm or larger; type takes what is left.
For the left hand the buttons are mirrored.
"""

from __future__ import annotations

from dataclasses import dataclass

from logger_app.ui.theme import Display

Rect = tuple[float, float, float, float]
"""x, y, width, height [px]."""
RUN_ROW = ("stop", "on_condition", "stall", "recovered")
WIDE_ROW = (*RUN_ROW, "discard", "hold")
COLUMN = ("more", "note", "next")  # from below
LONG = ("on_condition", "recovered")
UPPER_ROW = ("discard", "note", "hold", "next", "more")
TARGETS = tuple(dict.fromkeys((*WIDE_ROW, *COLUMN)))


@dataclass(frozen=True, slots=True, kw_only=True)
class FlyLayout:
    """The rectangles of the screen, and the type sizes [px]. `panel` is where a panel may lie."""

    rects: tuple[tuple[str, Rect], ...]
    panel: Rect
    text_px: float
    live_px: float
    least_px: float

    def rect(self, key: str) -> Rect:
        """The rectangle of one part."""
        return dict(self.rects)[key]


def layout(width: float, height: float, display: Display) -> FlyLayout:
    """Place everything.

    Parameters
    ----------
    width : float
        Of the window [px].
    height : float
        Of the window [px].

    Returns
    -------
    FlyLayout
        Rectangles that do not overlap and lie in the window.
    """
    target, gap = display.target_px, display.px(3.0)
    # A low tablet has room for four targets and the gaps between them, hardly for more.
    edge = max(1.0, min(gap, (height - 4 * target - 3 * gap) / 2))
    rects: dict[str, Rect] = {}
    wide = (width - 2 * edge - (len(WIDE_ROW) - 1) * gap) / len(WIDE_ROW)
    foot = edge + target + gap
    if height > width or wide < target:
        _row(rects, RUN_ROW, edge, width, target, gap, edge)
        _row(rects, UPPER_ROW, edge, width, target, gap, foot)
        foot += target + gap
        panel = (edge, foot, width - 2 * edge, height - edge - foot)
        _reading_area(rects, panel, display, tall=True)
    else:
        _row(rects, WIDE_ROW, edge, width, target, gap, edge)
        side = target * 1.2
        tall = min((height - edge - foot - 2 * gap) / 3, 1.5 * target)
        for k, key in enumerate(COLUMN):
            rects[key] = (width - edge - side, foot + k * (tall + gap), side, tall)
        panel = (edge, foot, width - edge - side - gap - edge, height - edge - foot)
        _reading_area(rects, panel, display, tall=False)
    if display.hand == "left":
        shift = width - panel[0] - panel[2] - panel[0]
        panel = (panel[0] + shift, *panel[1:])
        rects = {
            key: _mirrored(rect, width) if key in TARGETS else (rect[0] + shift, *rect[1:])
            for key, rect in rects.items()
        }
    return FlyLayout(
        rects=tuple(rects.items()),
        panel=panel,
        text_px=display.text_px,
        live_px=display.live_px,
        least_px=display.font_px(16.0),
    )


def panel_grid(panel: Rect, count: int, display: Display) -> tuple[Rect, tuple[Rect, ...]]:
    """The text's rectangle of a panel, and those of its buttons: rows of up to three from below."""
    x, y, wide, high = panel
    target, gap = display.target_px, display.px(3.0)
    columns = min(count, 3)
    one = min(3 * target, (wide - (columns - 1) * gap) / max(1, columns))
    rows = -(-count // 3)
    buttons = tuple(
        (x + (k % 3) * (one + gap), y + (rows - 1 - k // 3) * (target + gap), one, target) for k in range(count)
    )
    foot = rows * (target + gap)
    return (x, y + foot, wide, high - foot), buttons


def _mirrored(rect: Rect, width: float) -> Rect:
    x, y, w, h = rect
    return (width - x - w, y, w, h)


def _row(rects, keys, edge, width, target, gap, y) -> None:
    """Side by side; long words get more of the width, as long as nothing is under 20 mm."""
    room = width - 2 * edge - (len(keys) - 1) * gap
    long = [key for key in keys if key in LONG]
    small = max(target, 0.88 * room / len(keys)) if long else room / len(keys)
    large = (room - (len(keys) - len(long)) * small) / max(1, len(long))
    x = edge
    for key in keys:
        wide = large if key in long else small
        rects[key] = (x, y, wide, target)
        x += wide + gap


def _reading_area(rects, area: Rect, display, tall: bool) -> None:
    """What is read: side by side, or in a `tall` area one below the other."""
    left, foot, wide, high = area
    top = foot + high
    status = 1.35 * display.text_px
    setup = max(1.15 * display.live_px, (0.1 if tall else 0.2) * high)
    banner = 2.5 * display.text_px
    below = top - (2 if tall else 1) * status - setup
    rest, base = below - foot - banner, foot + banner
    rects["setup"] = (left, below, wide, setup)
    rects["banner"] = (left, foot, wide, banner)
    if tall:
        rects["recording"] = (left, top - status, 0.56 * wide, status)
        rects["level"] = (left + 0.56 * wide, top - status, 0.44 * wide, status)
        rects["place"] = (left, top - 2 * status, wide, status)
        rects["phase"] = (left, base + 0.78 * rest, wide, 0.22 * rest)
        rects["last"] = (left, base + 0.6 * rest, wide, 0.18 * rest)
        rects["strip"] = (left, base, wide, 0.6 * rest)
        return
    half = 0.44 * wide
    rects["recording"] = (left, top - status, 0.36 * wide, status)
    rects["level"] = (left + 0.36 * wide, top - status, 0.28 * wide, status)
    rects["place"] = (left + 0.64 * wide, top - status, 0.36 * wide, status)
    rects["phase"] = (left, base + 0.42 * rest, half, 0.58 * rest)
    rects["last"] = (left, base, half, 0.42 * rest)
    rects["strip"] = (left + half, base, wide - half, rest)

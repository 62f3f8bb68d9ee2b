"""The one style of every figure: what a configuration looks like, on screen, in grey and in print.

A configuration is told by marker shape and dash first and by colour second, so that a grey print
and a colour-blind reader lose nothing. Contrast (WCAG 2.2, 1.4.11: 3 to 1 for graphics) and
separation under simulated colour blindness are checked in `tests/published`.
Not for: the page's own look (`templates/page.css`).
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Look:
    """How one configuration is drawn: colours on white and on dark, marker, dash (empty is solid)."""

    light: str
    dark: str
    marker: str
    dash: tuple[float, ...]


SERIES = (
    Look("#123a63", "#9cc7f2", "circle", ()),
    Look("#b8560f", "#f0a35e", "triangle", (6, 3)),
    Look("#4f8a7b", "#4fa58c", "square", (2, 2.5)),
    Look("#7b3f7a", "#d9a2d8", "diamond", (8, 2.5, 2, 2.5)),
    Look("#6b6b2a", "#cfcf7d", "down", (10, 3)),
    Look("#8a2f3f", "#f09aa8", "cross", (3, 3)),
)

# role: (on white, on dark)
ROLES = {
    "ink": ("#1c2126", "#e8e6df"),
    "muted": ("#59616a", "#a9adb0"),
    "grid": ("#dcdad2", "#3a3f45"),
    "axis": ("#8b9096", "#7d8288"),
    "paper": ("#ffffff", "#1b1f23"),
    "band": ("#efece2", "#2a2f35"),
    "warn": ("#8f3d00", "#ffb778"),
    "tone1": ("#e3edf7", "#1f2e3d"),
    "tone2": ("#bdd5ec", "#24415c"),
    "tone3": ("#8fb8de", "#2b567e"),
} | {f"s{k}": (look.light, look.dark) for k, look in enumerate(SERIES)}

FONT_PX = 12.0
SMALL_PX = 11.0


def look_of(series: int) -> Look:
    """The look of the series with this number, from 0; they come round again after the last."""
    return SERIES[series % len(SERIES)]


def role_of(series: int) -> str:
    """The colour role of a series: ``s0``, ``s1`` and so on, keys of `ROLES`."""
    return f"s{series % len(SERIES)}"

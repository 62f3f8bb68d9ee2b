"""What every verb shares: JSON on standard output, words and progress on standard error."""

from __future__ import annotations

import json
import math
import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from logger_app.errors import visible

# What our own lines are made of. Names and notes out of a campaign have no other control characters to say.
OUR_CONTROLS = "\n\t"
# Set by the app for the verbs that it runs: `ui.job`.
PROGRESS_VARIABLE = "KNEECALL_PROGRESS"


def add_cockpit_options(parser, flight: str, no_screen: str, audio: str) -> None:
    """Options that preflight and flight share, each with its own words for three of them."""
    parser.add_argument("campaign", type=Path, help="campaign folder")
    parser.add_argument("--flight", metavar="NAME", help=flight)
    parser.add_argument("--configuration", metavar="ID", help="what is fitted (default: as planned)")
    parser.add_argument("--pilot", default="", metavar="NAME", help="who flies")
    parser.add_argument("--no-screen", action="store_true", help=no_screen)
    parser.add_argument("--audio", type=Path, metavar="FILE", help=audio)
    parser.add_argument("--device", metavar="NAME", help="part of the microphone's name (default: the system's)")
    parser.add_argument("--engine", metavar="NAME", help="recogniser (default: our own)")
    parser.add_argument("--model", type=Path, metavar="FOLDER", help="model of another recogniser")


def print_json(document) -> None:
    """Write one JSON document, and nothing else, on standard output; NaN becomes null."""
    json.dump(_clean(document), sys.stdout, ensure_ascii=False, indent=1)
    sys.stdout.write("\n")


class _Shown:
    """A stream that writes out what a terminal would obey: names and notes come from files of others."""

    def __init__(self, stream):
        self.stream = stream

    def write(self, text: str) -> int:
        self.stream.write(visible(text, OUR_CONTROLS))
        return len(text)

    def obeyed(self, text: str) -> None:
        """Our own control characters, as a progress bar needs them."""
        self.stream.write(text)

    def __getattr__(self, name):
        return getattr(self.stream, name)


@contextmanager
def shown_streams() -> Iterator[None]:
    """While open, standard output and error show control characters instead of passing them on."""
    before = sys.stdout, sys.stderr
    if not isinstance(sys.stdout, _Shown):
        sys.stdout, sys.stderr = _Shown(sys.stdout), _Shown(sys.stderr)
    try:
        yield
    finally:
        sys.stdout, sys.stderr = before


def say(message: str) -> None:
    """A message for a person, on standard error."""
    print(message, file=sys.stderr)


class Progress:
    """A progress bar on a terminal; lines that the app reads where it asks for them; silence elsewhere.

    Use as a context manager; `to(fraction)` moves it. Draws at most ten times a second.
    """

    def __init__(self, label: str):
        self.label = label
        self.lines = bool(os.environ.get(PROGRESS_VARIABLE))
        self.live = self.lines or sys.stderr.isatty()
        self.drawn = 0.0

    def __enter__(self) -> Progress:
        return self

    def to(self, fraction: float) -> None:
        """Move to `fraction`, 0 to 1."""
        now = time.monotonic()
        if not self.live or (now - self.drawn < 0.1 and fraction < 1):
            return
        self.drawn = now
        if self.lines:
            print(f"progress {min(1.0, max(0.0, fraction)):.3f} {self.label}", file=sys.stderr, flush=True)
            return
        done = round(30 * min(1.0, max(0.0, fraction)))
        self._draw(f"\r{visible(self.label)} [{'#' * done}{'.' * (30 - done)}] {100 * fraction:3.0f} %")
        sys.stderr.flush()

    def _draw(self, text: str) -> None:
        getattr(sys.stderr, "obeyed", sys.stderr.write)(text)

    def __exit__(self, *exc) -> None:
        if self.live and self.drawn and not self.lines:
            sys.stderr.write("\n")


def _clean(value):
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {str(k): _clean(v) for k, v in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        return [_clean(v) for v in value]
    if hasattr(value, "item"):  # a numpy scalar
        return _clean(value.item())
    if value is None or isinstance(value, (str, int, bool)):
        return value
    return str(value)

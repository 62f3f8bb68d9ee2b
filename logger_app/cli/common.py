"""What every verb shares: JSON on standard output, words and progress on standard error."""

from __future__ import annotations

import json
import math
import sys
import time


def print_json(document) -> None:
    """Write one JSON document, and nothing else, on standard output; NaN becomes null."""
    json.dump(_clean(document), sys.stdout, ensure_ascii=False, indent=1)
    sys.stdout.write("\n")


def say(message: str) -> None:
    """A message for a person, on standard error."""
    print(message, file=sys.stderr)


class Progress:
    """A progress bar on a terminal, silence elsewhere.

    Use as a context manager; `to(fraction)` moves it. Draws at most ten times a second.
    """

    def __init__(self, label: str):
        self.label = label
        self.live = sys.stderr.isatty()
        self.drawn = 0.0

    def __enter__(self) -> Progress:
        return self

    def to(self, fraction: float) -> None:
        """Move to `fraction`, 0 to 1."""
        now = time.monotonic()
        if not self.live or (now - self.drawn < 0.1 and fraction < 1):
            return
        self.drawn = now
        done = round(30 * min(1.0, max(0.0, fraction)))
        sys.stderr.write(f"\r{self.label} [{'#' * done}{'.' * (30 - done)}] {100 * fraction:3.0f} %")
        sys.stderr.flush()

    def __exit__(self, *exc) -> None:
        if self.live and self.drawn:
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

"""The real app, which also writes down where its words are on the screen: for a pointer that looks for them.

Run as a script with the file to write as its only argument. Nothing of the app is changed or called.
"""

import itertools
import json
import os
import sys
from pathlib import Path


def shown_words(window) -> list[dict]:
    """Everything in the window that has words: the words and the place, from the upper left [px]."""
    found = []
    for root in window.children:
        for widget in root.walk():
            words = getattr(widget, "title", "") or getattr(widget, "text", "")
            focus = bool(getattr(widget, "focus", False))
            if isinstance(words, str) and (words or focus) and widget.width > 1 and widget.height > 1:
                x, y = widget.to_window(*widget.center)
                found.append(
                    {
                        "words": words,
                        "x": x,
                        "y": window.height - y,
                        "w": widget.width,
                        "focus": focus,
                        "kind": type(widget).__name__,
                    }
                )
    return found


def main(out: Path) -> int:
    """Open the app; the file, how often it was written and the words, is written anew thirty times a second."""
    from logger_app.ui import app as ui_app

    splash = ui_app.show_splash

    def splash_and_watch() -> None:
        splash()
        from kivy.clock import Clock
        from kivy.core.window import Window

        times = itertools.count(1)

        def write(*_):
            part = out.with_suffix(".part")
            part.write_text(json.dumps([next(times), shown_words(Window)]), "utf-8")
            os.replace(part, out)

        Clock.schedule_interval(write, 1 / 30)

    ui_app.show_splash = splash_and_watch
    from logger_app.cli.app import run_app

    return run_app()


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))

"""Kivy's environment, set before anything imports Kivy: no arguments of ours eaten, no files but in our folder."""

from __future__ import annotations

import logging
import os

from logger_app.io.resources import user_dir


class _Complaints(logging.Handler):
    """Keeps the latest complaints of the window library."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.lines: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        """Keep one."""
        self.lines = [*self.lines[-4:], record.getMessage().split("\n")[0]]


COMPLAINTS = _Complaints()


def prepare_environment() -> None:
    """Safe to call again; what the user set in the environment holds."""
    os.environ.setdefault("KIVY_NO_ARGS", "1")
    os.environ.setdefault("KIVY_NO_FILELOG", "1")
    os.environ.setdefault("KIVY_NO_CONSOLELOG", "1")
    # Kivy would put itself in place of standard error, and our own sentences would be lost with it.
    os.environ.setdefault("KIVY_LOG_MODE", "PYTHON")
    # Its complaints are of no help to a user (a missing clipboard program, a touch library): kept for the one who asks why.
    logger = logging.getLogger("kivy")
    logger.setLevel(logging.ERROR)
    logger.propagate = False
    if COMPLAINTS not in logger.handlers:
        logger.addHandler(COMPLAINTS)
    home = os.environ.setdefault("KIVY_HOME", str(user_dir() / "kivy"))
    os.makedirs(home, exist_ok=True)  # Kivy makes the last folder of the path only
    # Mesa, which draws on Linux, would keep its compiled shaders in the user's cache (its documentation, "Environment variables").
    os.environ.setdefault("MESA_SHADER_CACHE_DIR", home)

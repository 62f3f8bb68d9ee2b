"""Kivy's environment, set before anything imports Kivy: no arguments of ours eaten, no files but in our folder."""

from __future__ import annotations

import os

from logger_app.resources_io import user_dir


def prepare_environment() -> None:
    """Safe to call again; what the user set in the environment holds."""
    os.environ.setdefault("KIVY_NO_ARGS", "1")
    os.environ.setdefault("KIVY_NO_FILELOG", "1")
    os.environ.setdefault("KIVY_NO_CONSOLELOG", "1")
    home = os.environ.setdefault("KIVY_HOME", str(user_dir() / "kivy"))
    os.makedirs(home, exist_ok=True)  # Kivy makes the last folder of the path only

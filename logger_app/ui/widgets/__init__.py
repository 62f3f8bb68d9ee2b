"""Reusable Kivy widgets."""

from logger_app.ui.kivy_env import prepare_environment

prepare_environment()

"""Kivy screens: draw a view, send an intent."""

from logger_app.ui.kivy_env import prepare_environment

prepare_environment()

"""Kivy screens: draw a view, send an intent."""

"""Reusable Kivy widgets."""

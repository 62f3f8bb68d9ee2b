"""Screens. Only the front door imports this package."""

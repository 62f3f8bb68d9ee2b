"""Kneecall: an in-cockpit voice and tablet test-card logger for stall-speed flight tests.

Read `flow.py` for the journey, then one room. Importing this package imports nothing heavy.
"""

__version__ = "0.1.0"

"""Kneecall: an in-cockpit voice and tablet test-card logger for stall-speed flight tests.

Read `workflows/campaign.py` for the journey, then one room. Importing this package imports nothing heavy.
"""

import os

# Our matrices are small: more threads of linear algebra spin and wait. Measured on two busy cores,
# the recogniser took 0.31 of real time in processor time with them, 0.028 without. Read by numpy
# when it is first imported; what the user has set holds.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

__version__ = "0.2.0"

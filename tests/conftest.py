"""For every test: one thread of linear algebra, as in the program (tests import numpy before it)."""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

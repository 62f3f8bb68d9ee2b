"""The fuzzer is a script beside the package: make it importable, with the calls and readers that it shares with tests."""

import sys
from pathlib import Path

BENCH = str(Path(__file__).parents[1] / "bench")
if BENCH not in sys.path:
    sys.path.insert(0, BENCH)

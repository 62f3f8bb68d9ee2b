"""The training recipe and the bench are scripts beside the package: make them importable."""

import sys
from pathlib import Path

ROOT = Path(__file__).parents[3]
for folder in (ROOT, ROOT / "tests" / "bench"):
    if str(folder) not in sys.path:
        sys.path.insert(0, str(folder))

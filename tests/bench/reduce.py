"""How long the reduction of 1,000 runs takes, without loading; wanted: under 5 s.

    python tests/bench/reduce.py [--runs 1000] [--json]

Ten flights of two configurations. Machines differ: the time is also given as a multiple of a
fixed piece of numpy work timed in the same process. Two passes must give equal results.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import sys
import time
from pathlib import Path

import numpy as np

from logger_app.reduce.as_json import reduction_to_json
from logger_app.reduce.campaign import reduce_campaign

LIMIT_S = 5.0


def coverage_module():
    spec = importlib.util.spec_from_file_location("coverage_bench", Path(__file__).with_name("coverage.py"))
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def yardstick_s() -> float:
    """A hundred inversions of a 100 x 100 matrix."""
    matrix = np.eye(100) + np.random.default_rng(0).normal(0, 0.01, (100, 100))
    began = time.perf_counter()
    for _ in range(100):
        np.linalg.inv(matrix)
    return time.perf_counter() - began


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=1000)
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    made, rng = coverage_module(), np.random.default_rng(1)
    flights = [
        made.flight(rng, f"f{k}", ("base", "mod")[k % 2], 48.0 - k % 2, args.runs // 10, 3.0) for k in range(10)
    ]
    began = time.perf_counter()
    first = reduce_campaign(made.CAMPAIGN, flights)
    taken_s = time.perf_counter() - began
    same = reduction_to_json(first) == reduction_to_json(reduce_campaign(made.CAMPAIGN, flights))
    result = {
        "runs": len(first.runs),
        "counting": sum(run.counts for run in first.runs),
        "seconds": round(taken_s, 3),
        "ms_per_run": round(1000 * taken_s / len(first.runs), 3),
        "yardsticks": round(taken_s / yardstick_s(), 1),
        "same_again": same,
    }
    json.dump(result, sys.stdout, indent=1)
    sys.stdout.write("\n")
    return 0 if taken_s < LIMIT_S and same else 1


if __name__ == "__main__":
    sys.exit(main())

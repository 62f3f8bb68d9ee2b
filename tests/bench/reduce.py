"""What `kneecall reduce` costs: 1,000 runs in under 5 s; long campaigns in proportion and in constant memory.

    python tests/bench/reduce.py                                # 10 flights of 100 runs, against the 5 s
    python tests/bench/reduce.py --flights 200 --runs 100       # 10, 50 and 200 flights, ratios

Made campaigns (`campaigns.py`) lie in a folder; the verb is run in a process of its own, start-up and loading
included. Seconds are of processor time, so that a busy machine does not matter much; the wall is given beside
it, and the peak of resident memory. The reduction alone is timed in this process; two passes must agree. Cost in
proportion means: processor time grows at most a quarter faster than the number of flights. Constant memory
means: at most 60 MB more for twenty times the flights (of each run its speeds and budget are kept).
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from pathlib import Path

from campaigns import SMALL, costs, kept, sizes_to, write_campaign

from logger_app.reduce.as_json import reduction_to_json
from logger_app.reduce.campaign import reduce_campaign
from logger_app.workflows import campaign as flow

LIMIT_S, LIMIT_RUNS = 5.0, 1000


def alone(flights: int, runs: int) -> dict:
    """The reduction by itself, of flights that have been loaded."""
    with tempfile.TemporaryDirectory() as name:
        campaign, data, _ = flow.reduce_all(write_campaign(Path(name) / "campaign", flights, runs))
        began_s = time.process_time()
        first = reduce_campaign(campaign, data)
        taken_s = time.process_time() - began_s
        same = reduction_to_json(first) == reduction_to_json(reduce_campaign(campaign, data))
    return {
        "runs": len(first.runs),
        "counting": sum(run.counts for run in first.runs),
        "seconds": round(taken_s, 3),
        "ms_per_run": round(1000 * taken_s / len(first.runs), 3),
        "same_again": same,
    }


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--flights", type=int, default=SMALL)
    parser.add_argument("--runs", type=int, default=100, help="of each flight")
    args = parser.parse_args()
    sizes = sizes_to(args.flights)
    result = {"alone": alone(sizes[0], args.runs)}
    result |= costs(
        sizes, args.runs, {"reduce": ("reduce", "CAMPAIGN")}, tell=lambda text: print(text, file=sys.stderr)
    )
    print(json.dumps(result, indent=1))
    small = result["sizes"][0]
    quick = small["runs"] > LIMIT_RUNS or small["reduce"]["cpu_s"] < LIMIT_S
    return 0 if quick and result["alone"]["same_again"] and kept(result, "reduce") else 1


if __name__ == "__main__":
    sys.exit(main())

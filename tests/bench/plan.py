"""How long reading a campaign, checking it and redrawing the plan screen's view take.

    python tests/bench/plan.py [--json]

Wanted: a process that imports the reader and reads the demo campaign, under 0.2 s; as a ratio to a
process that does nothing, since the interpreter's own start is in both. Best of ten, in seconds of
processor time, so that a busy machine does not matter.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import time
from pathlib import Path

DEMO = Path(__file__).resolve().parents[2] / "demo_sessions" / "sparrow_cuffs" / "inputs"
LIMIT_S = 0.2
READ = "from pathlib import Path; from logger_app.plan.cards_io import read_campaign; read_campaign(Path({!r}))"


def best_s(work, times: int = 10) -> float:
    """Shortest of some runs [s]."""
    found = []
    for _ in range(times):
        begin = used_s()
        work()
        found.append(used_s() - begin)
    return min(found)


def used_s() -> float:
    """Processor time of this process and of those it ran [s]."""
    times = os.times()
    return time.process_time() + times.children_user + times.children_system


def process(code: str) -> None:
    subprocess.run([sys.executable, "-c", code], check=True)


def view_s() -> tuple[float, float]:
    """An edit with all checks, and the view after it, in this process [s]."""
    from logger_app.ui.presenters import plan

    text = (DEMO / "campaign.toml").read_text("utf-8")
    state = plan.update(plan.start(text), plan.Select(("card", "A", "point", "A1")))
    plan.view(state)  # scipy is loaded once
    number = iter(range(4, 60))
    edit_s = best_s(
        lambda: plan.update(state, plan.SetValue(("card", "A", "point", "A1"), "runs_wanted", str(next(number))))
    )
    return edit_s, best_s(lambda: plan.view(state))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    nothing_s, read_s = best_s(lambda: process("pass")), best_s(lambda: process(READ.format(str(DEMO))))
    edit_s, shown_s = view_s()
    figures = {
        "nothing_s": round(nothing_s, 4),
        "read_s": round(read_s, 4),
        "ratio": round(read_s / nothing_s, 2),
        "limit_s": LIMIT_S,
        "edit_s": round(edit_s, 4),
        "view_s": round(shown_s, 4),
    }
    if args.json:
        print(json.dumps(figures, indent=1))
    else:
        print(
            f"start and read: {read_s:.3f} s ({read_s / nothing_s:.1f} times an empty process); wanted under {LIMIT_S} s"
        )
        print(f"an edit with all checks: {1000 * edit_s:.1f} ms; the view after it: {1000 * shown_s:.1f} ms")
    return 0 if read_s < LIMIT_S else 1


if __name__ == "__main__":
    sys.exit(main())

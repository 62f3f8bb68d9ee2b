"""How often a decade heard wrongly all through a run is found, and how often one is proposed where nothing is wrong.

    python tests/bench/decades.py [--campaigns 12] [--seed 6001] [--share 0.1] [--show 10]

The campaigns, pilots and single errors are those of `gauntlet.py`. In a share of the runs every fifty is heard as sixty
as well (nine of ten words, sure), with at least three such calls; found is a run in which that is proposed, false a
proposal in any other run. The plan's expected speeds are near the truth there: a plan ten knots off is not tried.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import gauntlet

from logger_app.domain.decades import wrong_decades
from logger_app.review.placing import peers_of

HEARD_AS_SIXTY, MIN_CALLS = 0.9, 3


def plant(rng: random.Random, made: gauntlet.MadeFlight, share: float) -> list[gauntlet.TrueRun]:
    """Let the fifties of some runs be heard as sixties."""
    planted = []
    for run in made.runs:
        said = [s for s in made.said if s.kind == "airspeed" and s.real and run.start_s <= s.at_s <= run.event_s + 1]
        able = [s for s in said if s.heard and s.heard_value == s.value and 50 <= s.value < 60]
        wrong = [s for s in able if rng.random() < HEARD_AS_SIXTY]
        if rng.random() >= share or len(wrong) < MIN_CALLS or run.scratched:
            continue
        for one in wrong:
            one.heard_value = one.value + 10
        planted.append(run)
    return planted


def one_campaign(seed: int, share: float) -> tuple[Counter, list[str]]:
    """Make a campaign, spoil it, plant, and count."""
    rng, tally, shown = random.Random(seed), Counter(), []
    campaign = gauntlet.made_campaign(rng, banked=rng.random() < 0.75)
    pilot, points, flights = gauntlet.Pilot.any(rng), list(campaign.points), []
    for planned in campaign.flights:
        here = points if rng.random() < 0.7 else rng.sample(points, len(points))
        half = here[: (len(here) + 1) // 2] if planned.id.endswith("1") else here[len(here) // 2 :]
        made = gauntlet.fly(rng, campaign, pilot, planned, half)
        gauntlet.spoil(rng, made)
        planted = plant(random.Random(seed + 1), made, share)
        flights.append((gauntlet.Flight(campaign, campaign, made, gauntlet.heard_calls(made)[0]), planted))
    for flight, planted in flights:
        peers: dict[str, list[float]] = {}
        for other, _ in flights:
            if other is not flight and other.made.info.configuration == flight.made.info.configuration:
                for point, kt in peers_of(other.runs, other.calls):
                    peers.setdefault(point, []).append(kt)
        proposed = {id: one for one in wrong_decades(flight.runs.runs, campaign.points, peers=peers) for id in one.runs}
        parts = [{r.id for r in flight.runs.runs if r.start_s < t.end_s and r.end_s > t.start_s} for t in planted]
        tally += Counter(
            runs=len(flight.runs.runs), planted=len(planted), found=sum(bool(ids & proposed.keys()) for ids in parts)
        )
        false = [one for id, one in proposed.items() if not any(id in ids for ids in parts)]
        tally["false"] += len(false)
        shown += [f"[{seed}] false: {flight.made.info.id} {one.run} {one.why}" for one in false]
        shown += [
            f"[{seed}] missed: {flight.made.info.id} {true.point} at {true.start_s:.0f} s"
            for true, ids in zip(planted, parts, strict=True)
            if not ids & proposed.keys()
        ]
    return tally, shown


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--campaigns", type=int, default=12)
    parser.add_argument("--seed", type=int, default=6001)
    parser.add_argument("--share", type=float, default=0.1)
    parser.add_argument("--show", type=int, default=0)
    args = parser.parse_args()
    tally, shown = Counter(), []
    for k in range(args.campaigns):
        counted, lines = one_campaign(1000 * args.seed + k, args.share)
        tally += counted
        shown += lines
    print(
        json.dumps(
            {"seed": args.seed, "share": args.share, **{k: tally[k] for k in ("runs", "planted", "found", "false")}}
        )
    )
    print("\n".join(shown[: args.show]))


if __name__ == "__main__":
    main()

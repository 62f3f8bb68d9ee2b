"""Whether the uncertainty stated of a single run is that of its error.

    python tests/bench/single_runs.py [--step 1 2 3 5] [--simulator 1 2] [--flights 60] [--seed 90000]

Flights of five runs, by how far apart airspeeds are called, how fast the speed falls, whether the rate eases to 40 %
over the last 5 kt, and whether the speed is said at the break. Simulator 1 is that of `coverage.py`: a steady
pilot, whose calls and event are equally late on average. Simulator 2 is another: forward in time, an airspeed that
wanders (first-order, 0.3 kt, 1.5 s) and stalls where it first falls to the stall speed, readings whose errors hang
together (0.2 kt), three in ten odd numbers said as even ones, a pilot whose event is later or earlier than his calls by
0.2 s (the usual `reading_lag_u_s`), and a speed at the break read as long before or after it. Both mishear one call in
thirty. Only runs that count are judged. Not for: the suite; a step of one simulator takes half a minute.
"""

from __future__ import annotations

import argparse
import itertools
import math
import sys

import numpy as np
from coverage import WEIGHT_U_KG, Row, call, campaign_of, flight, hash_of, ias_of

from logger_app.records.journal import FlightInfo
from logger_app.records.runs import FlightData, FlightRuns, Run, RunEnd, RunWeight, Settings
from logger_app.reduce.campaign import reduce_campaign
from logger_app.units import s_to_ns

STEPS_KT = {1: (1.0, 1.6), 2: (1.7, 2.3), 3: (2.7, 3.3), 5: (4.5, 5.5)}
RATES = {"0.6-1.4 kt/s": (0.6, 1.4), "1.5-3 kt/s": (1.5, 3.0)}
RUNS = 5
STEP_S = 0.05
WANDER_KT, WANDER_S = 0.3, 1.5
READING_KT, READING_KEPT = 0.2, 0.7  # error of a reading, and how much of it the next one has too
EVEN = 0.3
LAG_U_S = 0.2


def forward(rng: np.random.Generator, stall_kt: float, rate: float, easing: float) -> np.ndarray:
    """Indicated speed every 0.05 s, until it first falls to the stall speed."""
    ramp, wander = stall_kt + rng.uniform(17, 22), rng.normal(0, WANDER_KT)
    speeds, kept = [ramp + wander], math.exp(-STEP_S / WANDER_S)
    while speeds[-1] > stall_kt:
        ramp -= STEP_S * rate * (easing + (1 - easing) * float(np.clip((ramp - stall_kt) / 5.0, 0.0, 1.0)))
        wander = kept * wander + WANDER_KT * math.sqrt(1 - kept**2) * rng.normal()
        speeds.append(ramp + wander)
    return np.array(speeds)


def said_calls(rng: np.random.Generator, row: Row, speeds: np.ndarray, rate: float, begin_s: float, later_s: float):
    """What the pilot of simulator 2 says on the way down, his break and perhaps the speed at it."""
    t = STEP_S * np.arange(len(speeds))
    calls, error, next_kt, spoken_s = [], rng.normal(0, READING_KT), speeds[0] - rng.uniform(0, 1), -9.0
    for now, speed in zip(t, speeds):
        if speed > next_kt or now - spoken_s < 0.8 or now > t[-1] - 0.2:
            continue
        error = READING_KEPT * error + READING_KT * math.sqrt(1 - READING_KEPT**2) * rng.normal()
        reading = round(speed + error)
        if reading % 2 and rng.random() < EVEN:
            reading += int(rng.choice([-1, 1]))
        wrong = float(rng.choice([-10, 10, -5, 7, 20, -30])) if rng.random() < 0.03 else 0.0
        calls.append(call(f"c{len(calls)}", begin_s + now + max(0.1, rng.normal(0.6, 0.12)), reading + wrong))
        spoken_s, next_kt = now, reading - rng.uniform(*row.call_step_kt)
    event_s = begin_s + t[-1] + max(0.1, rng.normal(0.6 + later_s, 0.15))
    calls = [c for c in calls if c.flight_s < event_s - 0.3]
    calls.append(call("e", event_s, None, 0.4, "break"))
    if rng.random() < row.named:
        read_kt = speeds[-1] + rng.normal(0, 0.3) - rate * row.easing * rng.normal(0, LAG_U_S)
        calls.append(call("n", event_s + 0.6, float(round(read_kt))))
    return sorted(calls, key=lambda c: c.flight_ns)


def second_flight(rng: np.random.Generator, row: Row, std_cas_kt: float) -> tuple[FlightData, dict[str, float]]:
    """A flight of simulator 2, and the true indicated stall speed of each run."""
    later_s, at_s, made, truths = rng.normal(0, LAG_U_S), 60.0, [], {}
    for k in range(RUNS):
        rate = rng.uniform(*row.rate) / 0.9
        truths[f"r{k}"] = ias_of(std_cas_kt + rng.normal(0, 1.0))
        speeds = forward(rng, truths[f"r{k}"], rate, row.easing)
        calls = said_calls(rng, row, speeds, rate, at_s, later_s)
        made.append(
            Run(
                id=f"r{k}",
                number=k + 1,
                flight="f0",
                start_ns=calls[0].flight_ns,
                end_ns=calls[-1].end_ns,
                point="A1",
                calls=tuple(calls),
                ended=RunEnd.RECOVERED,
                settings=Settings(power="idle", flap_deg=0.0),
            )
        )
        at_s += s_to_ns(len(speeds) * STEP_S + 60.0) / 1e9
    data = FlightData(
        info=FlightInfo(id="f0", configuration="base", started_utc="2031-05-01T07:00:00Z"),
        runs=FlightRuns(flight="f0", runs=tuple(made)),
        weights=tuple(RunWeight(run=run.id, weight_kg=600.0, weight_u_kg=WEIGHT_U_KG) for run in made),
    )
    return data, truths


def errors_of(row: Row, simulator: int, flights: int, seed: int) -> np.ndarray:
    """Error, stated uncertainty [kt] and whether the stated 95 % bounds hold, of every run that counts."""
    found = []
    for k in range(flights):
        rng = np.random.default_rng(hash_of(row.name, simulator, seed + k))
        std_cas_kt = rng.uniform(44, 54)
        if simulator == 1:
            data, flown = flight(rng, row, "f0", "base", 0, [std_cas_kt], [RUNS])
            truths = {run: ias for run, ias, _ in flown}
        else:
            data, truths = second_flight(rng, row, std_cas_kt)
        found += [
            (r.vs_ias_kt - truths[r.run], r.vs_ias_u_kt, r.vs_ias_low_kt <= truths[r.run] <= r.vs_ias_high_kt)
            for r in reduce_campaign(campaign_of(row), [data]).runs
            if r.counts and r.vs_ias_kt is not None
        ]
    return np.array(found, float).reshape(-1, 3)


def line_of(row: Row, simulator: int, flights: int, seed: int) -> str:
    """One line of the table."""
    found = errors_of(row, simulator, flights, seed)
    if not len(found):
        return f"| {simulator} | {row.name} | none counts | | | | | |"
    error, u, held = found.T
    z = error / u
    return (
        f"| {simulator} | {row.name} | {len(found)} of {flights * RUNS} | {error.mean():+.2f} | "
        f"{math.sqrt((error**2).mean()):.2f} | {np.median(u):.2f} | {100 * np.mean(np.abs(z) <= 2):.1f} | "
        f"{100 * held.mean():.1f} |"
    )


def rows(steps: list[int]):
    """Every way to fly a run."""
    for step, (words, rate), easing, named in itertools.product(steps, RATES.items(), (1.0, 0.4), (0.0, 1.0)):
        name = f"{step} kt, {words}{', easing' if easing < 1 else ''}{', speed said' if named else ''}"
        yield Row(name=name, call_step_kt=STEPS_KT[step], rate=rate, easing=easing, named=named)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "--step", type=int, nargs="+", choices=STEPS_KT, default=list(STEPS_KT), help="calls so many kt apart"
    )
    parser.add_argument("--simulator", type=int, nargs="+", choices=(1, 2), default=[1, 2])
    parser.add_argument("--flights", type=int, default=60, help=f"of {RUNS} runs each")
    parser.add_argument("--seed", type=int, default=0)
    args = parser.parse_args()
    print(
        "| simulator | flown | runs that count | bias kt | rms kt | stated u kt | inside 2u % | inside the 95 % bounds % |"
    )
    print("|---|---|---|---|---|---|---|---|")
    for simulator, row in itertools.product(args.simulator, rows(args.step)):
        print(line_of(row, simulator, args.flights, args.seed), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())

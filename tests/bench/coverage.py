"""How often the interval of a difference covers the truth, and how often nothing is claimed to be something.

    python tests/bench/coverage.py [--row NAME ...] [--campaigns 100] [--jobs 2] [--json]
    python tests/bench/coverage.py --row NAME --truth 0 --campaigns 1500      # one true difference only
    python tests/bench/coverage.py --plan [--campaigns 200] [--jobs 2]

Every row is a campaign as people fly it: which configuration flies on which day, how often the pilot calls, how
steadily the speed falls, what the calibration covers. Campaigns are made for true differences of 0, -1, -2 and
-4 kt. The approach is integrated in time steps from the true speed, weight and airspeed error; readings are
rounded to what the dial allows, said late by a lag of its own each, sometimes misheard. Nothing in here uses a
formula of the reduction. Two truths are kept: the effect of the change, and what differed between the flights
that were flown (the change plus the flights' own offsets). `--plan` sets the power that a plan promises beside
the share of campaigns in which the reduction then claims the change. Not for: the suite; a full table takes minutes.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from logger_app.plan.repeats import power as promised
from logger_app.plan.repeats import total_scatter_kt
from logger_app.records.calls import CallKind, CallStatus, ReviewedCall
from logger_app.records.journal import FlightInfo
from logger_app.records.plan import (
    Aircraft,
    AircraftConfig,
    CalibrationTable,
    Campaign,
    Indicator,
    Planning,
    TestCard,
    TestPoint,
)
from logger_app.records.runs import FlightData, FlightRuns, Run, RunEnd, RunWeight, Settings
from logger_app.reduce.campaign import reduce_campaign
from logger_app.units import s_to_ns

TRUTHS_KT = (0.0, -1.0, -2.0, -4.0)
REFERENCE_KG = 600.0
WEIGHT_U_KG = 3.0
RUN_SD_KT = 1.0  # of the stall itself from run to run, common practice: 0.5 to 1 kt
RATE_EFFECT = -0.8  # kt of stall speed per kt/s of entry rate


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A way to fly a campaign. `flights` holds (configuration, day); speeds in knots, times in seconds."""

    name: str
    flights: tuple[tuple[str, int], ...] = (("base", 0), ("mod", 1))
    runs: tuple[int, int] = (3, 5)  # of a side at a point: fewest, most
    runs_a_flight: int = 0  # where every flight has as many: instead of `runs`
    call_step_kt: tuple[float, float] = (1.0, 1.6)
    rate: tuple[float, float] = (0.6, 1.4)
    easing: float = 1.0  # share of the rate that is left at the stall, over the last 5 kt
    graduation: float = 1.0
    day_kt: float = 0.0  # largest difference that two days make
    flight_sd_kt: float = 0.0
    points: int = 1
    table_from_kt: float = 30.0
    named: float = 0.0  # share of runs whose speed is said at the break


SPARSE = {"call_step_kt": (3.0, 5.0)}
ROWS = (
    Row(name="calls 3-5 kt apart", **SPARSE),
    Row(name="calls 3-5 kt apart, day", day_kt=1.0, **SPARSE),
    Row(name="dense"),
    Row(name="dense, day", day_kt=1.0),
    Row(name="A-B-A, three days", flights=(("base", 0), ("mod", 1), ("base", 2)), day_kt=1.0),
    Row(
        name="AB, BA on two days, flight sd 0.6",
        flights=(("base", 0), ("mod", 0), ("mod", 1), ("base", 1)),
        day_kt=1.0,
        flight_sd_kt=0.6,
    ),
    Row(
        name="A-B-B-A, one day, flight sd 0.6",
        flights=(("base", 0), ("mod", 0), ("mod", 0), ("base", 0)),
        flight_sd_kt=0.6,
    ),
    Row(name="eight points, shared day", day_kt=1.0, points=8, runs=(3, 3)),
    Row(name="calibration ends at 60 kt", table_from_kt=60.0),
    Row(name="1.5-3 kt/s", rate=(1.5, 3.0)),
    Row(name="easing to 40 %", easing=0.4),
    Row(name="easing to 40 %, speed named", easing=0.4, named=1.0),
    Row(name="2 runs a side", runs=(2, 2)),
    Row(name="5-kt calls, graduation 5", call_step_kt=(5.0, 5.0), graduation=5.0),
    Row(name="two flights a side, day", flights=(("base", 0), ("mod", 1), ("mod", 2), ("base", 3)), day_kt=1.0),
    Row(name="three flights a side, day", flights=tuple((("base", "mod")[k % 2], k) for k in range(6)), day_kt=1.0),
)
# What a plan promises with its usual scatters, flown so: the scatters are then true.
PLANNED = tuple(
    Row(name=name, flights=tuple((c, k) for k, c in enumerate(order)), runs=(runs, runs), runs_a_flight=runs, **over)
    for name, order, runs, over in (
        ("A-B, 5 runs a flight", ("base", "mod"), 5, {}),
        ("A-B, 8 runs a flight", ("base", "mod"), 8, {}),
        ("A-B-B-A, 3 runs a flight", ("base", "mod", "mod", "base"), 3, {}),
        ("A-B-B-A, 5 runs a flight", ("base", "mod", "mod", "base"), 5, {}),
        ("A-B-B-A, 4 runs, calls every 2 kt", ("base", "mod", "mod", "base"), 4, {"call_step_kt": (1.7, 2.3)}),
        ("three flights each, 3 runs a flight", ("base", "mod", "mod", "base", "base", "mod"), 3, {}),
        ("A-B-A on three days, 4 runs a flight", ("base", "mod", "base"), 4, {}),
        ("A-B-A-B on four days, 4 runs a flight", ("base", "mod", "base", "mod"), 4, {}),
    )
)


def campaign_of(row: Row) -> Campaign:
    points = tuple(
        TestPoint(
            id=f"A{k + 1}",
            card="A",
            power="idle" if k % 2 == 0 else "2000 rpm",
            flap_deg=0.0,
            rate_low_kt_per_s=0.2,
            rate_high_kt_per_s=4.0,
        )
        for k in range(row.points)
    )
    ias = np.arange(row.table_from_kt, 91.0, 10.0)
    return Campaign(
        name="made",
        aircraft=Aircraft(
            name="made", empty_weight_kg=380.0, reference_weight_kg=REFERENCE_KG, max_weight_kg=650.0, wing_area_m2=12.0
        ),
        indicator=Indicator(graduation=row.graduation),
        calibrations=(CalibrationTable(flap_deg=0, ias_kt=tuple(ias), cas_kt=tuple(map(cas_of, ias)), u_kt=0.8),),
        configurations=(AircraftConfig(id="base", name="base"), AircraftConfig(id="mod", name="mod", parent="base")),
        cards=(TestCard(id="A", title="A", points=points),),
    )


def cas_of(ias_kt: float) -> float:
    """The airspeed system: reads 3.5 kt low at 45 kt, right at 80, straight between."""
    return 80.0 + 0.9 * (float(ias_kt) - 80.0)


def ias_of(cas_kt: float) -> float:
    return 80.0 + (cas_kt - 80.0) / 0.9


def call(id: str, at_s: float, value: float | None, length_s: float = 0.5, name: str = "ias") -> ReviewedCall:
    return ReviewedCall(
        id=id,
        flight_ns=s_to_ns(at_s),
        end_ns=s_to_ns(at_s + length_s),
        kind=CallKind.AIRSPEED if value is not None else CallKind.EVENT,
        name=name,
        value=value,
        unit="kt",
        status=CallStatus.CONFIRMED,
        ias_kt=value,
    )


def speeds_before_the_stall(stall_ias_kt: float, rate: float, easing: float, from_kt: float) -> np.ndarray:
    """Indicated speed every 0.05 s, ending at the stall: integrated backwards from it."""
    speeds = [stall_ias_kt]
    while speeds[-1] < stall_ias_kt + from_kt:
        above = speeds[-1] - stall_ias_kt
        now = rate * (easing + (1 - easing) * min(above / 5.0, 1.0))
        speeds.append(speeds[-1] + 0.05 * now)
    return np.array(speeds[::-1])


def approach(
    rng: np.random.Generator, row: Row, id: str, stall_ias_kt: float, rate: float, begin_s: float, wild: float = 0.03
) -> list[ReviewedCall]:
    """Calls of one approach and its break: the needle is watched, and said when it has moved by a step."""
    speed = speeds_before_the_stall(stall_ias_kt, rate, row.easing, rng.uniform(17, 22))
    t = 0.05 * np.arange(len(speed))
    left = t[-1] - t
    seen = speed + 0.35 * np.sin(2 * np.pi * t / rng.uniform(5, 9) + rng.uniform(0, 2 * np.pi)) * np.minimum(
        1, left / 2
    )
    half = max(1.0, row.graduation / 2) if row.graduation < 5 or row.call_step_kt[0] < 5 else row.graduation
    calls, next_kt, spoken_s = [], seen[0] - rng.uniform(0, 1), -9.0
    for k in range(len(t)):
        if seen[k] > next_kt or t[k] - spoken_s < 0.8 or left[k] < 0.2:
            continue
        said = half * round(seen[k] / half)
        if rng.random() < wild:
            said += float(rng.choice([-10, 10, -5, 7, 20, -30]))
        calls.append(call(f"{id}c{len(calls)}", begin_s + t[k] + max(0.1, rng.normal(0.6, 0.12)), float(said)))
        spoken_s = t[k]
        next_kt = half * round(seen[k] / half) - rng.uniform(*row.call_step_kt) if half < 5 else said - 5.0
    event_s = begin_s + t[-1] + max(0.1, rng.normal(0.6, 0.15))
    calls = [c for c in calls if c.flight_s < event_s - 0.3]
    calls.append(call(f"{id}e", event_s, None, 0.4, "break"))
    if rng.random() < row.named:
        calls.append(call(f"{id}n", event_s + 0.6, float(half * round((stall_ias_kt + rng.normal(0, 0.3)) / half))))
    return sorted(calls, key=lambda c: c.flight_ns)


def flight(rng, row: Row, id: str, configuration: str, day: int, std_cas_kt, runs) -> tuple[FlightData, list]:
    """A flight of `runs` at every point, and (run id, true IAS, true rate) of each."""
    recorded = rng.uniform(560, 620)
    true_kg = recorded + rng.normal(0, WEIGHT_U_KG)
    made, truths, weights, at_s = [], [], [], 60.0
    for point, (std, n) in enumerate(zip(std_cas_kt, runs, strict=True)):
        for _ in range(n):
            k = len(made)
            rate = rng.uniform(*row.rate)
            stall = std + rng.normal(0, RUN_SD_KT) + RATE_EFFECT * (rate - 1)
            ias = ias_of(stall * math.sqrt((true_kg - 1.5 * k) / REFERENCE_KG))
            calls = approach(rng, row, f"{id}r{k}", ias, rate / 0.9, at_s)
            at_s = calls[-1].flight_s + 60.0
            truths.append((f"{id}r{k}", ias, rate))
            weights.append(RunWeight(run=f"{id}r{k}", weight_kg=recorded - 1.5 * k, weight_u_kg=WEIGHT_U_KG))
            made.append(
                Run(
                    id=f"{id}r{k}",
                    number=k + 1,
                    flight=id,
                    start_ns=calls[0].flight_ns,
                    end_ns=calls[-1].end_ns,
                    point=f"A{point + 1}",
                    calls=tuple(calls),
                    ended=RunEnd.RECOVERED,
                    settings=Settings(power="idle", flap_deg=0.0),
                )
            )
    data = FlightData(
        info=FlightInfo(id=id, configuration=configuration, started_utc=f"2031-05-{day + 1:02}T07:00:00Z"),
        runs=FlightRuns(flight=id, runs=tuple(made)),
        weights=tuple(weights),
    )
    return data, truths


def make_campaign(row: Row, truth_kt: float, seed: int) -> tuple[list[FlightData], float, dict]:
    """Flights of a campaign, what differed between them at the points, and the true IAS of every run."""
    rng = np.random.default_rng(abs(hash_of(row.name, truth_kt, seed)))
    base = rng.uniform(44, 54) + rng.uniform(-3, 3, row.points)
    # Uniform with the rms difference of two days that a bias of 0 to `day_kt` has.
    days = {day: rng.uniform(-1, 1) * row.day_kt / math.sqrt(2) for _, day in row.flights}
    offsets = [days[day] + rng.normal(0, row.flight_sd_kt) for _, day in row.flights]
    sides = {c: rng.integers(row.runs[0], row.runs[1] + 1, row.points) for c in ("base", "mod")}
    made, truths, seen = [], {}, {}
    for k, ((configuration, day), offset) in enumerate(zip(row.flights, offsets, strict=True)):
        same = [n for n, (c, _) in enumerate(row.flights) if c == configuration]
        # runs a side are shared over its flights, but a flight has one at least
        share = [max(1, int(n) // len(same) + (same.index(k) < int(n) % len(same))) for n in sides[configuration]]
        if len(same) > 1:
            share = [max(2, n) for n in share]
        if row.runs_a_flight:
            share = [row.runs_a_flight] * row.points
        effect = truth_kt if configuration == "mod" else 0.0
        data, true = flight(rng, row, f"f{k}", configuration, day, base + effect + offset, share)
        made.append(data)
        truths |= {(f"f{k}", run): (ias, rate) for run, ias, rate in true}
        seen.setdefault(configuration, []).append(offset)
    return made, truth_kt + float(np.mean(seen["mod"]) - np.mean(seen["base"])), truths


def hash_of(*parts) -> int:
    """The same number on every machine."""
    import zlib

    return zlib.crc32(repr(parts).encode())


def one(task: tuple[Row, float, int]) -> dict:
    row, truth, seed = task
    flights, flown, truths = make_campaign(row, truth, seed)
    return judged(row, truth, flown, truths, reduce_campaign(campaign_of(row), flights))


def judged(row: Row, truth: float, flown: float, truths: dict, reduction) -> dict:
    """What one campaign's reduction says, against the truth."""
    runs = [r for r in reduction.runs if r.counts and r.vs_ias_kt is not None]
    errors = [(r.vs_ias_kt - truths[r.flight, r.run][0], r.vs_ias_u_kt) for r in runs]
    points, claims, between = [], [], []
    for c in reduction.comparisons:
        claims.append(c.verdict in ("lower", "higher"))
        if c.low_kt is not None:
            points.append(
                (c.low_kt <= truth <= c.high_kt, c.difference_kt - truth, c.high_kt - c.low_kt, claims[-1], c.basis)
            )
        low = getattr(c, "flights_low_kt", None)
        if low is not None:
            high = c.flights_high_kt
            between.append((low <= flown <= high, not low <= 0 <= high))
    overall = [
        (o.low_kt <= truth <= o.high_kt, o.verdict in ("lower", "higher"))
        for o in getattr(reduction, "overall", ())
        if o.low_kt is not None
    ]
    return {
        "truth": truth,
        "points": points,
        "claimed": any(claims) or any(c for _, c in overall),
        "between": between,
        "overall": overall,
        "errors": errors,
    }


def table_of(row: Row, made: list[dict]) -> dict:
    """One line of the table."""
    points = [p for m in made for p in m["points"]]
    between = [b for m in made for b in m["between"]]
    overall = [o for m in made for o in m["overall"]]
    errors = np.array([e for m in made for e in m["errors"]])
    pct = lambda values: round(100 * float(np.mean(values)), 1) if len(values) else None
    at = lambda truth: [m for m in made if m["truth"] == truth]
    power = lambda kind: [
        pct([any(p[k] for p in m[kind]) if kind != "points" else m["claimed"] for m in at(t)])
        for t in TRUTHS_KT[1:]
        for k in (-1,)
    ]
    return {
        "row": row.name,
        "campaigns": len(made),
        "change_covered_pct": pct([p[0] for p in points]),
        "change_false_claims_pct": pct([m["claimed"] for m in at(0.0)]),
        "change_power_pct": power("points"),
        "between_covered_pct": pct([b[0] for b in between]),
        "between_false_pct": pct([b[1] for m in at(0.0) for b in m["between"]]),
        "between_power_pct": power("between"),
        "overall_covered_pct": pct([o[0] for o in overall]),
        "overall_power_pct": power("overall"),
        "bias_kt": round(float(np.mean([p[1] for p in points])), 2) if points else None,
        "half_width_kt": round(float(np.median([p[2] for p in points])) / 2, 2) if points else None,
        "no_interval": sum(not m["points"] for m in made),
        "bases": sorted({p[4] for p in points}),
        "run_bias_kt": round(float(errors[:, 0].mean()), 2),
        "run_rms_kt": round(float(np.sqrt((errors[:, 0] ** 2).mean())), 2),
        "run_u_kt": round(float(np.median(errors[:, 1])), 2),
        "run_inside_2u_pct": pct(np.abs(errors[:, 0]) <= 2 * errors[:, 1]),
    }


def plan_against_flown(row: Row, made: list[dict], truth_kt: float) -> dict:
    """The power that the plan promises for the runs that count, and what the reduction of the flights made has."""
    sides = Counter(configuration for configuration, _ in row.flights)
    counted = float(np.mean([len(m["errors"]) for m in made])) / len(row.flights)
    plan = Planning(smallest_difference_kt=abs(truth_kt), call_step_kt=float(np.mean(row.call_step_kt)))
    claimed = [m["claimed"] for m in made]
    return {
        "design": row.name,
        "difference_kt": truth_kt,
        "campaigns": len(made),
        "promised_pct": round(100 * promised(plan, (sides["base"], sides["mod"]), round(counted, 1)), 1),
        "flown_pct": round(100 * float(np.mean(claimed)), 1),
        "flown_se_pct": round(100 * float(np.std(claimed)) / math.sqrt(len(claimed)), 1),
        "runs_a_flight_that_count": round(counted, 1),
        "total_scatter_kt": round(total_scatter_kt(plan), 2),
        "reading_error_kt": round(float(np.sqrt(np.mean([e[0] ** 2 for m in made for e in m["errors"]]))), 2),
    }


def _wanted(row: Row, args: argparse.Namespace) -> bool:
    return not args.row or any(part in row.name for part in args.row)


def compare_plans(args: argparse.Namespace, pool: ProcessPoolExecutor) -> int:
    """Print promised and flown power of `PLANNED`; 1 if they differ by more than 5 points and twice the chance of the sample."""
    lines, bad = [], 0
    for row in [replace(row, flight_sd_kt=Planning().flight_scatter_kt) for row in PLANNED if _wanted(row, args)]:
        for truth in args.truth or TRUTHS_KT[1:3]:
            tasks = [(row, truth, args.seed + k) for k in range(args.campaigns)]
            line = plan_against_flown(row, list(pool.map(one, tasks, chunksize=10)), truth)
            lines.append(line)
            bad += abs(line["promised_pct"] - line["flown_pct"]) > 5 + 2 * line["flown_se_pct"]
            print(
                f"{line['design']:36} {truth:+g} kt: promised {line['promised_pct']} % for "
                f"{line['runs_a_flight_that_count']} runs a flight that count, total scatter {line['total_scatter_kt']} kt; "
                f"flown {line['flown_pct']} +- {line['flown_se_pct']} % of {line['campaigns']} "
                f"(reading error {line['reading_error_kt']} kt)",
                file=sys.stderr,
                flush=True,
            )
    if args.json:
        json.dump(lines, sys.stdout, indent=1)
        sys.stdout.write("\n")
    return 1 if bad else 0


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--row", action="append", help="part of a row's name; more than once for more rows")
    parser.add_argument("--campaigns", type=int, default=100, help="of each true difference")
    parser.add_argument("--truth", type=float, action="append", choices=TRUTHS_KT, help="only this true difference")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--run-sd-kt", type=float, default=None, help="run-to-run scatter of the stall itself")
    parser.add_argument("--plan", action="store_true", help="power promised by the plan against power flown")
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    if args.plan and args.run_sd_kt is None:
        args.run_sd_kt = Planning().scatter_kt
    if args.run_sd_kt is not None:
        globals()["RUN_SD_KT"] = args.run_sd_kt
    if args.plan:
        with ProcessPoolExecutor(args.jobs) as pool:
            return compare_plans(args, pool)
    rows = [row for row in ROWS if _wanted(row, args)]
    lines, bad = [], 0
    with ProcessPoolExecutor(args.jobs) as pool:
        for row in rows:
            tasks = [(row, t, args.seed + k) for t in args.truth or TRUTHS_KT for k in range(args.campaigns)]
            made = list(pool.map(one, tasks, chunksize=20)) if args.jobs > 1 else list(map(one, tasks))
            line = table_of(row, made)
            lines.append(line)
            bad += not (line["change_covered_pct"] >= 93 and (line["change_false_claims_pct"] or 0) <= 5)
            print(in_words(line), file=sys.stderr, flush=True)
    if args.json:
        json.dump(lines, sys.stdout, indent=1)
        sys.stdout.write("\n")
    return 1 if bad else 0


def in_words(line: dict) -> str:
    change, between = line["change_power_pct"], line["between_power_pct"]
    return (
        f"{line['row']:36} change {line['change_covered_pct']:5} false {line['change_false_claims_pct']:4} "
        f"power {'/'.join(map(str, change))} ±{line['half_width_kt']} bias {line['bias_kt']:+} | between "
        f"{line['between_covered_pct']} false {line['between_false_pct']} power {'/'.join(map(str, between))} | overall "
        f"{line['overall_covered_pct']} {'/'.join(map(str, line['overall_power_pct']))} | run bias "
        f"{line['run_bias_kt']:+} rms {line['run_rms_kt']} u {line['run_u_kt']} in 2u {line['run_inside_2u_pct']} "
        f"none {line['no_interval']} {'+'.join(line['bases'])}"
    )


if __name__ == "__main__":
    sys.exit(main())

"""How often the 95 % interval of a difference covers the truth, on made campaigns.

    python tests/bench/coverage.py [--campaigns 500] [--json]

Each campaign: two configurations, one flight each, one test point, 3 to 6 runs a side. Made from
what real calls suffer: whole-knot rounding, reading lag with jitter, wander that fades towards
the event, 5 % wild calls, run-to-run scatter of the stall itself, an effect of entry rate on it,
and a weight that is not what the record says (by the uncertainty that the record states). The
truth is the difference at equal entry rate and weight, in CAS. Not for: the suite; it takes a minute.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import defaultdict

import numpy as np

from logger_app.records.calls import CallKind, CallStatus, ReviewedCall
from logger_app.records.journal import FlightInfo
from logger_app.records.plan import Aircraft, AircraftConfig, CalibrationTable, Campaign, TestCard, TestPoint
from logger_app.records.runs import FlightData, FlightRuns, Run, RunEnd, RunWeight, Settings
from logger_app.reduce.campaign import reduce_campaign
from logger_app.units import s_to_ns

REFERENCE_KG = 600.0
CAMPAIGN = Campaign(
    name="made",
    aircraft=Aircraft(
        name="made", empty_weight_kg=380.0, reference_weight_kg=REFERENCE_KG, max_weight_kg=650.0, wing_area_m2=12.0
    ),
    calibrations=(CalibrationTable(flap_deg=0, ias_kt=(30, 80), cas_kt=(35, 80), u_kt=0.8),),
    configurations=(AircraftConfig(id="base", name="base"), AircraftConfig(id="mod", name="mod", parent="base")),
    cards=(
        TestCard(
            id="A", title="A", points=(TestPoint(id="A1", card="A", rate_low_kt_per_s=0.3, rate_high_kt_per_s=2.0),)
        ),
    ),
)
CAS_PER_IAS = 45 / 50


def ias_of(cas_kt: float) -> float:
    return 30 + (cas_kt - 35) / CAS_PER_IAS


def call(id: str, at_s: float, value: float | None, name: str = "ias") -> ReviewedCall:
    return ReviewedCall(
        id=id,
        flight_ns=s_to_ns(at_s),
        end_ns=s_to_ns(at_s + 0.5),
        kind=CallKind.AIRSPEED if value is not None else CallKind.EVENT,
        name=name,
        value=value,
        unit="kt",
        status=CallStatus.CONFIRMED,
        ias_kt=value,
    )


def approach(
    rng: np.random.Generator, id: str, stall_ias_kt: float, rate: float, wild: float = 0.05
) -> list[ReviewedCall]:
    """Calls of one approach and its break."""
    event_s = 18.0 / rate + 5
    lag, wander, phase, period = 0.6, 0.35, rng.uniform(0, 2 * np.pi), rng.uniform(5, 9)
    calls, at = [], rng.uniform(0, 1.5)
    while at < event_s - 0.4:
        left = event_s - at
        speed = (
            stall_ias_kt
            + rate * min(left, 18.0 / rate)
            + wander * np.sin(2 * np.pi * at / period + phase) * min(1, left / 2)
        )
        said = float(round(speed))
        if rng.random() < wild:
            said += float(rng.choice([-10, 10, -5, 7, 20, -30]))
        calls.append(call(f"{id}c{len(calls)}", at + lag + rng.normal(0, 0.12), said))
        at += rng.uniform(0.8, 1.5)
    calls.append(call(f"{id}e", event_s + lag + rng.normal(0, 0.12), None, "break"))
    return sorted(calls, key=lambda c: c.flight_ns)


def flight(
    rng: np.random.Generator, id: str, configuration: str, std_cas_kt: float, runs: int, u_kg: float, wild: float = 0.05
) -> FlightData:
    recorded = rng.uniform(560, 620)
    true_kg = recorded + rng.normal(0, u_kg)
    made = []
    for k in range(runs):
        rate_cas = rng.uniform(0.6, 1.4)
        stall = std_cas_kt + rng.normal(0, 0.5) - 0.8 * (rate_cas - 1)
        ias = ias_of(stall * np.sqrt((true_kg - 1.5 * k) / REFERENCE_KG))
        calls = approach(rng, f"{id}r{k}", ias, rate_cas / CAS_PER_IAS, wild)
        made.append(
            Run(
                id=f"{id}r{k}",
                number=k + 1,
                flight=id,
                start_ns=calls[0].flight_ns,
                end_ns=calls[-1].end_ns,
                point="A1",
                calls=tuple(calls),
                ended=RunEnd.RECOVERED,
                settings=Settings(power="idle", flap_deg=0.0),
            )
        )
    return FlightData(
        info=FlightInfo(id=id, configuration=configuration),
        runs=FlightRuns(flight=id, runs=tuple(made)),
        weights=tuple(RunWeight(run=r.id, weight_kg=recorded - 1.5 * k, weight_u_kg=u_kg) for k, r in enumerate(made)),
    )


def one_campaign(seed: int) -> dict:
    rng = np.random.default_rng(seed)
    truth = rng.uniform(-3, 1)
    base = rng.uniform(44, 54)
    sides = [
        flight(rng, f, c, base + d, int(rng.integers(3, 7)), 3.0)
        for f, c, d in (("f1", "base", 0), ("f2", "mod", truth))
    ]
    (comparison,) = reduce_campaign(CAMPAIGN, sides).comparisons
    return {
        "truth": truth,
        "method": comparison.method,
        "n": min(comparison.n_reference, comparison.n_changed),
        "difference": comparison.difference_kt,
        "covered": comparison.low_kt is not None and comparison.low_kt <= truth <= comparison.high_kt,
        "half_kt": (comparison.high_kt - comparison.low_kt) / 2 if comparison.low_kt is not None else None,
    }


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--campaigns", type=int, default=500)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    rows = [one_campaign(args.seed + k) for k in range(args.campaigns)]
    usable = [r for r in rows if r["half_kt"] is not None]
    by_method = defaultdict(list)
    for row in usable:
        by_method[row["method"]].append(row["covered"])
    result = {
        "campaigns": len(rows),
        "with_interval": len(usable),
        "coverage_pct": 100 * float(np.mean([r["covered"] for r in usable])),
        "by_method_pct": {m: [len(v), 100 * float(np.mean(v))] for m, v in sorted(by_method.items())},
        "by_runs_pct": {
            str(n): 100 * float(np.mean([r["covered"] for r in usable if r["n"] == n]))
            for n in sorted({r["n"] for r in usable})
        },
        "bias_kt": float(np.mean([r["difference"] - r["truth"] for r in usable])),
        "rms_error_kt": float(np.sqrt(np.mean([(r["difference"] - r["truth"]) ** 2 for r in usable]))),
        "median_half_width_kt": float(np.median([r["half_kt"] for r in usable])),
    }
    json.dump(result, sys.stdout, indent=1)
    sys.stdout.write("\n")
    return 0 if 93 <= result["coverage_pct"] <= 97 else 1


if __name__ == "__main__":
    sys.exit(main())

"""Comparisons: at each test point, changed minus reference, with what may be concluded.

Speeds of one kind of stall on one basis are compared (`differences` says by which method), the
uncertainty that does not cancel is added, all comparisons are adjusted for their number, and the
caveats are collected. Not for: means (see `cells`) or sentences (see `words`).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from logger_app.errors import BadQuantity
from logger_app.records.plan import Campaign, TestPoint
from logger_app.records.results import BudgetTerm, Comparison, StallSpeed
from logger_app.reduce.cells import common_basis, family, on_basis_kt
from logger_app.reduce.differences import Side, difference_of
from logger_app.reduce.statistics import (
    combine_uncertainties,
    estimate,
    holm,
    runs_needed,
    sides_differ_p,
    smallest_difference_kt,
    welch,
)
from logger_app.reduce.uncertainty import STATIC_PORT_CAVEAT
from logger_app.reduce.words import sentence

SIGNIFICANT_P = 0.05
# A judged uncertainty, itself good to some 40 %: 1/2 (du/u)^-2 degrees of freedom. GUM G.4.2, from
# memory [TN1297].
JUDGED_DF = 3.0
# 7 % of the CG travel: certification flight-test tolerance [CFR23.21], read in a fragment only.
CG_TRAVEL_SHARE = 0.07
CG_SHIFT_MM = 10.0
RATE_DIFFERENCE_KT_PER_S = 0.2
MAX_LISTED = 12


def compare_all(
    campaign: Campaign, runs: Sequence[StallSpeed], days: Mapping[str, str] | None = None
) -> tuple[Comparison, ...]:
    """Every pair of configurations at every point that either has flown.

    Parameters
    ----------
    campaign : Campaign
        Says which pairs, and names the points.
    runs : sequence of StallSpeed
        All runs; those that do not count are passed over.
    days : mapping of str to str, optional
        Calendar day of each flight, a label for blocks.

    Returns
    -------
    tuple of Comparison
        Adjusted together for their number by Holm's method.

    References
    ----------
    [HOLM1979]; [WELCH1947].
    """
    flown: dict[tuple[str | None, str | None], list[StallSpeed]] = {}
    for run in runs:
        if run.counts:
            flown.setdefault((run.point, run.configuration), []).append(run)
    made = []
    for reference, changed in campaign.pairs():
        for point in campaign.points:
            sides = [flown.get((point.id, configuration), []) for configuration in (reference, changed)]
            if sides[0] or sides[1]:
                made.append(_compare(campaign, point, (reference, changed), sides, days or {}))
    return _adjusted(campaign, made)


def _compare(campaign: Campaign, point: TestPoint, pair, sides, days) -> Comparison:
    common = {"point": point.id, "reference": pair[0], "changed": pair[1]}
    if not sides[0] or not sides[1]:
        missing = pair[0] if not sides[0] else pair[1]
        return _not_comparable(common, sides, f"no run of {missing} counts here")
    kind = _common_family(sides)
    if kind is None:
        words = [_kinds_in_words(side) for side in sides]
        return _not_comparable(common, sides, f"the stall changed kind: {words[0]} against {words[1]}")
    kept = [[run for run in side if family(run.event) == kind] for side in sides]
    basis, load_basis, reference, changed, notes = _as_numbers(kept)
    common |= {
        "n_reference": len(kept[0]),
        "n_changed": len(kept[1]),
        "basis": basis,
        "load_factor_basis": load_basis,
        "event": kind,
        "reviewed": all(run.reviewed for side in kept for run in side),
    }
    notes += _caveats(campaign, reference, changed, sides, kept)
    common |= _warning_and_drop(kept)
    if min(len(reference.runs), len(changed.runs)) < 2:
        return _without_interval(common, reference, changed, notes)
    return _with_interval(common, reference, changed, notes, days)


def _with_interval(common, reference: Side, changed: Side, notes, days) -> Comparison:
    methods = difference_of(reference, changed, days)
    chosen = methods[0]
    weight = 0.0 if common["basis"] != "std" or chosen.holds_flight_spread else _weight_u(reference, changed)
    floor = _reading_floor(reference, changed)
    se = max(chosen.found.se, floor)
    if se > chosen.found.se:
        notes.append("the runs agree better than the dial can be read: the graduation sets the uncertainty")
    u, df = combine_uncertainties([(se**2, chosen.found.df), (weight**2, JUDGED_DF)])
    found = estimate(chosen.found.value, u, df)
    sd = max(chosen.sd_kt, floor / math.sqrt(1 / len(reference.runs) + 1 / len(changed.runs)))
    if chosen.method == "welch":
        notes += _rate_note(reference, changed)
    n = (len(reference.runs), len(changed.runs))
    return Comparison(
        **common,
        verdict="",
        words="",
        difference_kt=found.value,
        u_kt=found.se,
        low_kt=found.low,
        high_kt=found.high,
        df=found.df,
        p=found.p,
        smallest_kt=smallest_difference_kt(sd, *n),
        runs_to_show_1_kt=_runs_to_show(1.0, sd),
        method=chosen.method,
        alternatives=tuple((m.method, m.found.value, m.found.low, m.found.high) for m in methods[1:]),
        notes=tuple(notes),
        budget=_budget(common["basis"], reference, changed, se, weight),
    )


def _without_interval(common, reference: Side, changed: Side, notes) -> Comparison:
    notes.append("fewer than two runs on a side: no interval, nothing can be shown")
    return Comparison(
        **common,
        verdict="",
        words="",
        difference_kt=float(np.mean(changed.speeds) - np.mean(reference.speeds)),
        method="none",
        notes=tuple(notes),
    )


def _not_comparable(common, sides, why: str) -> Comparison:
    speeds = [_mean_known(side) for side in sides]
    return Comparison(
        **common,
        n_reference=len(sides[0]),
        n_changed=len(sides[1]),
        verdict="not comparable",
        words="",
        method="none",
        difference_kt=speeds[1] - speeds[0] if None not in speeds and "changed kind" in why else None,
        notes=(why,),
        **_warning_and_drop(sides),
    )


def _mean_known(side) -> float | None:
    speeds = [run.vs_std_kt if run.vs_std_kt is not None else run.vs_cas_kt for run in side]
    return float(np.mean(speeds)) if speeds and None not in speeds else None


def _common_family(sides) -> str | None:
    """The kind of stall on both sides that leaves most runs to compare."""
    counts = [Counter(family(run.event) for run in side) for side in sides]
    shared = [kind for kind in counts[0] if kind in counts[1]]
    return max(shared, key=lambda kind: min(count[kind] for count in counts), default=None)


def _kinds_in_words(side) -> str:
    kinds = " and ".join(dict.fromkeys(str(run.event).replace("_", " ") for run in side))
    speed = _mean_known(side)
    return f"{kinds} at {speed:.1f} kt" if speed is not None else kinds


def _as_numbers(kept) -> tuple[str, str, Side, Side, list[str]]:
    """Speeds of one kind on both sides: standardised, else CAS, else IAS, and a note if not the first."""
    everything = [run for side in kept for run in side]
    basis = common_basis(everything)
    if basis:
        return "std", basis, *(_side(side, lambda r: on_basis_kt(r, basis)) for side in kept), []
    if all(run.vs_cas_kt is not None for run in everything):
        note = "weight not known for every run: CAS compared at the weights flown"
        return "cas", "raw", *(_side(side, lambda r: r.vs_cas_kt) for side in kept), [note]
    note = "no calibration for every run: indicated speeds compared at the weights flown; knots of IAS are not knots of CAS"
    return "ias", "raw", *(_side(side, lambda r: r.vs_ias_kt) for side in kept), [note]


def _side(runs, speed) -> Side:
    return Side(runs=tuple(runs), speeds=tuple(speed(run) for run in runs))


def _weight_u(reference: Side, changed: Side) -> float:
    """Weight error of the difference: common to the runs of a flight, independent between flights."""
    total = 0.0
    for side in (reference, changed):
        terms = [t.u_kt for run in side.runs for t in run.budget if t.name == "weight"]
        if terms:
            total += float(np.mean(terms)) ** 2 / len(side.flights)
    return math.sqrt(total)


def _reading_floor(reference: Side, changed: Side) -> float:
    """Least standard error that the dial's graduation allows for the difference."""
    total = 0.0
    for side in (reference, changed):
        terms = [t.u_kt**2 for run in side.runs for t in run.budget if t.name == "reading"]
        if terms:
            total += float(np.mean(terms)) / len(side.runs) / 4  # readings of a run largely average out
    return math.sqrt(total)


def _runs_to_show(difference_kt: float, sd_kt: float) -> int | None:
    try:
        return runs_needed(difference_kt, sd_kt)
    except BadQuantity:
        return None


def _budget(basis: str, reference: Side, changed: Side, se: float, weight: float) -> tuple[BudgetTerm, ...]:
    terms = [BudgetTerm(name="repeatability", u_kt=se, note="shrinks with the number of runs")]
    if weight:
        terms.append(BudgetTerm(name="weight", u_kt=weight, kind="systematic", note="of the flights compared"))
    budgets = [t for run in (*reference.runs, *changed.runs) for t in run.budget if t.cancels]
    for name in dict.fromkeys(t.name for t in budgets):
        mean = float(np.mean([t.u_kt for t in budgets if t.name == name]))
        note = STATIC_PORT_CAVEAT if name == "calibration" else "same pilot and instrument: left out of the interval"
        if name != "calibration" or basis != "ias":
            terms.append(BudgetTerm(name=name, u_kt=mean, kind="systematic", cancels=True, note=note))
    return tuple(terms)


def _warning_and_drop(kept) -> dict:
    margins = [[r.warning_margin_kt for r in side if r.warning_margin_kt is not None] for side in kept]
    change = change_u = None
    if margins[0] and margins[1]:
        change = float(np.mean(margins[1]) - np.mean(margins[0]))
        change_u = welch(*margins).se if min(map(len, margins)) > 1 else None
    drops = [tuple(sum(r.wing_drop == side for r in runs) for side in ("left", "right")) for runs in kept]
    return {
        "warning_margin_change_kt": change,
        "warning_margin_change_u_kt": change_u,
        "wing_drop_p": sides_differ_p(*drops) if sum(drops[0]) and sum(drops[1]) else None,
    }


def _caveats(campaign: Campaign, reference: Side, changed: Side, sides, kept) -> list[str]:
    notes = []
    left = sum(map(len, sides)) - sum(map(len, kept))
    if left:
        notes.append(f"{left} run(s) ended in another kind of stall and are not in this difference")
    if len(reference.flights) == 1 and len(changed.flights) == 1:
        notes.append("one flight each: whatever else differed between the two flights is in this difference too")
    for side in (reference, changed):
        if len(side.flights) > 1:
            notes.append(f"{side.runs[0].configuration}: flight means {_listed(side.flight_means())} kt")
    notes += _cg_note(campaign, reference, changed)
    ends = [max((run.extrapolated_kt or 0.0 for run in side.runs), default=0.0) for side in (reference, changed)]
    if max(ends) > 0:
        notes.append(f"calibration extrapolated by up to {max(ends):.1f} kt; {STATIC_PORT_CAVEAT}")
    config = campaign.configuration(changed.runs[0].configuration)
    if config and len(config.changes) > 1:
        notes.append(
            f"{len(config.changes)} things were changed at once: the difference belongs to all of them together"
        )
    return notes


def _listed(means: Sequence[float]) -> str:
    """Every flight's mean while a reader can take them in, else how far they reach."""
    if len(means) <= MAX_LISTED:
        return ", ".join(f"{mean:.1f}" for mean in means)
    return f"{min(means):.1f} to {max(means):.1f} over {len(means)} flights, standard deviation {float(np.std(means, ddof=1)):.2f}"


def _cg_note(campaign: Campaign, reference: Side, changed: Side) -> list[str]:
    cgs = [[run.cg_mm for run in side.runs if run.cg_mm is not None] for side in (reference, changed)]
    if not (cgs[0] and cgs[1]):
        return []
    shift = float(np.mean(cgs[1]) - np.mean(cgs[0]))
    low, high = campaign.aircraft.cg_min_mm, campaign.aircraft.cg_max_mm
    limit = CG_TRAVEL_SHARE * (high - low) if low is not None and high is not None else CG_SHIFT_MM
    return [f"CG differs by {shift:+.0f} mm; not corrected, fly both at the same CG"] if abs(shift) > limit else []


def _rate_note(reference: Side, changed: Side) -> list[str]:
    rates = [[r for r in side.rates if r is not None] for side in (reference, changed)]
    if not (rates[0] and rates[1]):
        return []
    shift = float(np.mean(rates[1]) - np.mean(rates[0]))
    if abs(shift) < RATE_DIFFERENCE_KT_PER_S:
        return []
    return [
        f"mean entry rates differ by {shift:+.2f} kt/s and are not adjusted for (about 1 kt of stall speed per kt/s)"
    ]


def _adjusted(campaign: Campaign, made: list[Comparison]) -> tuple[Comparison, ...]:
    tested = [k for k, c in enumerate(made) if c.p is not None]
    for k, p in zip(tested, holm([made[k].p for k in tested])):
        made[k] = replace(made[k], p_adjusted=p)
    return tuple(_concluded(campaign, c, len(tested)) for c in made)


def _concluded(campaign: Campaign, comparison: Comparison, tested: int) -> Comparison:
    verdict = comparison.verdict
    if not verdict:
        shown = comparison.p_adjusted is not None and comparison.p_adjusted < SIGNIFICANT_P
        verdict = ("lower" if comparison.difference_kt < 0 else "higher") if shown else "not shown"
    label = next((p.label for p in campaign.points if p.id == comparison.point), comparison.point)
    done = replace(comparison, verdict=verdict)
    return replace(done, words=sentence(done, label, tested))

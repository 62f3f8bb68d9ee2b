"""Cells: the runs of one test point in one configuration, averaged when they are the same kind of stall.

Natural stalls (pitch-down, roll-off) mark the same thing, the wing letting go, and may share a
mean, which then says so. A minimum steady speed (aft stop), a device and a deterrent buffet are
other quantities: each has a cell of its own. Not for: differences (see `compare`).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace

from logger_app.domain.warning import WARNING_MARGIN_KT
from logger_app.errors import OutsideValidity, TooFewCalls
from logger_app.records.results import Cell, StallSpeed
from logger_app.records.runs import StallEvent
from logger_app.reduce.statistics import Estimate, estimate, line_at, mean_interval, weighted_mean
from logger_app.reduce.uncertainty import mean_budget, total_u_kt
from logger_app.units import from_kt, speed_text

NATURAL = (StallEvent.PITCH_DOWN, StallEvent.ROLL_OFF)
BASES = ("measured_nz", "sqrt_cos", "raw")
STANDARD_RATE_KT_PER_S = 1.0
MIN_FOR_LINE = 4
# A warning is heard between two readings: a knot of full width each for warning and stall, and the fit. Ours.
READING_U_KT = 0.5
# Repeats within about 1,000 ft of each other (common practice, no source).
ALTITUDE_SPREAD_FT = 1000.0


def family(event: StallEvent) -> str:
    """The kinds of stall that may share a mean.

    References
    ----------
    [CFR23.201] (b).
    """
    return "natural" if event in NATURAL else str(event)


def common_basis(runs: Sequence[StallSpeed]) -> str | None:
    """The best load-factor basis that every run has; bases are never mixed in a mean.

    Returns
    -------
    str or None
        ``measured_nz``, ``sqrt_cos`` or ``raw``; None when a run has no standardised speed.

    References
    ----------
    [CFR25.103] (a) on nzw; [DERIVED] on bank: n has fallen below 1/cos when the path curves down.
    """
    for basis in BASES:
        if runs and all(any(name == basis for name, _, _ in run.bases) for run in runs):
            return basis
    return None


def on_basis_kt(run: StallSpeed, basis: str) -> float:
    """A run's standardised speed on one load-factor basis.

    Returns
    -------
    float
        Speed at the reference weight [kt].

    Raises
    ------
    KeyError
        The run does not have this basis.
    """
    return {name: speed for name, speed, _ in run.bases}[basis]


def with_surplus_noted(cells: Sequence[Cell], wanted: Mapping[str, int]) -> tuple[Cell, ...]:
    """Cells with a note where more runs count than were wanted: a setting may not have been heard."""
    return tuple(
        replace(
            cell,
            notes=(
                *cell.notes,
                f"{cell.n} runs count, {wanted[cell.point]} were wanted: was a setting said and not heard?",
            ),
        )
        if cell.n > wanted.get(cell.point, cell.n)
        else cell
        for cell in cells
    )


def make_cells(runs: Sequence[StallSpeed], unit: str = "kt") -> tuple[Cell, ...]:
    """All cells of a campaign, in order of point, configuration and kind of stall.

    Parameters
    ----------
    runs : sequence of StallSpeed
        All runs; those that do not count are passed over.
    unit : str
        What the notes give speeds in.

    Returns
    -------
    tuple of Cell
        One a point, configuration and family of stall.

    References
    ----------
    [TN1297] sec. 3.
    """
    groups: dict[tuple[str, str, str], list[StallSpeed]] = {}
    for run in runs:
        if run.counts and run.point is not None and run.configuration is not None:
            groups.setdefault((run.point, run.configuration, family(run.event)), []).append(run)
    kinds = Counter((point, configuration) for point, configuration, _ in groups)
    return tuple(_cell(key[0], key[1], group, kinds[key[:2]] > 1, unit) for key, group in groups.items())


def _cell(point: str, configuration: str, runs: list[StallSpeed], other_kinds: bool, unit: str) -> Cell:
    able = [run for run in runs if run.bases]
    basis = common_basis(able)
    std = [on_basis_kt(run, basis) for run in able] if basis else []
    ias = [run.vs_ias_kt for run in runs]
    cas = [run.vs_cas_kt for run in runs]
    spread = mean_interval(std) if len(std) > 1 else None
    of = able or runs
    budget = mean_budget([run.budget for run in of], [run.flight for run in of], spread.se if spread else None)
    u = total_u_kt(budget)
    total = _with_systematic(spread, u) if spread else None
    rates = [run.entry_rate_kt_per_s for run in runs]
    at_1, slope, rate_note = _at_standard_rate([run.entry_rate_kt_per_s for run in able], std, unit)
    margin = _margin(runs, [run.warning_margin_kt for run in runs])
    buffet = _margin(runs, [run.buffet_margin_kt for run in runs])
    ias_sd = _sd(ias)
    return Cell(
        point=point,
        configuration=configuration,
        event="+".join(dict.fromkeys(str(run.event) for run in runs)),
        n=len(runs),
        vs_ias_kt=_mean(ias),
        vs_ias_sd_kt=ias_sd,
        vs_ias_u_kt=ias_sd / math.sqrt(len(ias)) if ias_sd is not None else runs[0].vs_ias_u_kt,
        vs_cas_kt=_mean(cas) if None not in cas else None,
        vs_std_kt=_mean(std) if std else None,
        vs_std_sd_kt=_sd(std),
        vs_std_u_kt=u if std else None,
        low_kt=spread.low if spread else None,
        high_kt=spread.high if spread else None,
        total_low_kt=total.low if total else None,
        total_high_kt=total.high if total else None,
        at_1_kt_per_s_kt=at_1.value if at_1 else None,
        at_1_kt_per_s_u_kt=at_1.se if at_1 else None,
        rate_slope=slope,
        entry_rate_kt_per_s=_mean([r for r in rates if r is not None]),
        runs=tuple(f"{run.flight}/{run.run}" for run in runs),  # run ids are unique in a flight only
        reviewed=all(run.reviewed for run in runs),
        notes=(*_notes(runs, basis, other_kinds, margin, unit), *rate_note),
        budget=budget if std else (),
        basis=basis or "raw",
        warning_margin_kt=margin.value if margin else None,
        warning_margin_low_kt=margin.low if margin else None,
        warning_margin_high_kt=margin.high if margin else None,
        speed_basis="std" if std else "cas" if None not in cas else "ias",
        **_weighted_cl_max(runs),
        buffet_margin_kt=buffet.value if buffet else None,
        buffet_margin_low_kt=buffet.low if buffet else None,
        buffet_margin_high_kt=buffet.high if buffet else None,
        wing_drops=tuple(sorted(Counter(r.wing_drop for r in runs if r.wing_drop).items())),
    )


def _with_systematic(spread, u: float):
    """95 % bounds with the systematic terms, whose degrees of freedom count as infinite."""
    share = (spread.se / u) ** 2 if u else 1.0
    return estimate(spread.value, u, spread.df / share**2 if share else math.inf)


def _at_standard_rate(rates, std, unit: str):
    """Regression to 1 kt/s where the flown rates span it, else why not."""
    if len(std) < MIN_FOR_LINE or None in rates:
        return None, None, ()
    try:
        found, slope = line_at(rates, std, STANDARD_RATE_KT_PER_S)
    except OutsideValidity:
        span = f"{from_kt(min(rates), unit):.2f} to {speed_text(max(rates), unit, '.2f')}/s"
        return (
            None,
            None,
            (
                f"not read at {speed_text(STANDARD_RATE_KT_PER_S, unit, '.3g')}/s: the flown rates ({span}) do not span it",
            ),
        )
    except TooFewCalls:
        return None, None, ()
    return found, slope, ()


def _margin(runs: list[StallSpeed], of: Sequence[float | None]) -> Estimate | None:
    """Mean margin with its 95 % interval; of a single run, that of its speed and of one reading."""
    margins = [margin for margin in of if margin is not None]
    if len(margins) > 1:
        found = mean_interval(margins)
        floor = READING_U_KT / math.sqrt(len(margins))  # margins that agree are not known better than the dial is read
        return found if found.se >= floor else estimate(found.value, floor, found.df)
    if not margins:
        return None
    u = math.hypot(max(run.vs_ias_u_kt or READING_U_KT for run in runs), READING_U_KT)
    return estimate(margins[0], u, math.inf)


def _warning_note(margin: Estimate, unit: str) -> list[str]:
    """The margin beside the 5 kt line: below it, above it, or not settled."""
    said = f"warning {speed_text(margin.value, unit)} above the stall ({from_kt(margin.low, unit):.1f} to {from_kt(margin.high, unit):.1f}, 95 %)"
    least = speed_text(WARNING_MARGIN_KT, unit, ".2g")
    rule = f"14 CFR 23.207(c) asks for {WARNING_MARGIN_KT:g} kt"
    if margin.high < WARNING_MARGIN_KT:
        return [f"{said}: less than {least}; {rule}"]
    if margin.low < WARNING_MARGIN_KT:
        return [f"{said}: not settled whether it is {least}; {rule}"]
    return []


def _weighted_cl_max(runs: list[StallSpeed]) -> dict:
    """CLmax of the runs that have one, weighted by what is known of each, with 95 % bounds."""
    known = [(r.cl_max, (r.cl_max_high - r.cl_max) / 1.96) for r in runs if r.cl_max is not None and r.cl_max_high]
    if not known:
        return {}
    value, u = weighted_mean([v for v, _ in known], [u for _, u in known])
    u = max(u, 0.7 * min(u for _, u in known))  # calibration and weight are common to the runs and do not average out
    return {"cl_max": value, "cl_max_low": value - 1.96 * u, "cl_max_high": value + 1.96 * u}


def _notes(
    runs: list[StallSpeed], basis: str | None, other_kinds: bool, margin: Estimate | None, unit: str
) -> tuple[str, ...]:
    notes = []
    kinds = Counter(str(run.event) for run in runs)
    if len(kinds) > 1:
        mix = ", ".join(f"{n} {kind.replace('_', ' ')}" for kind, n in kinds.items())
        notes.append(f"averaged together: {mix}")
    if other_kinds:
        notes.append("other runs at this point ended in another kind of stall and are averaged apart")
    lacking = sum(not run.bases for run in runs)
    if basis is None:
        notes.append("not standardised: no run has a calibration and a weight; see their notes")
    elif lacking:
        notes.append(f"{lacking} run(s) without calibration or weight are not in the standardised mean")
    if basis == "sqrt_cos":
        notes.append("load factor from bank, 1/cos: fair only against stalls flown at the same bank")
    if len(runs) == 1:
        notes.append("one run: no interval")
    if StallEvent.AFT_STOP in {run.event for run in runs}:
        notes.append("control on the aft stop: a minimum steady speed, not a stall at greatest lift")
    beyond = [run.extrapolated_kt for run in runs if run.extrapolated_kt]
    if beyond:
        notes.append(f"calibration extrapolated by up to {speed_text(max(beyond), unit)}")
    if margin is not None:
        notes += _warning_note(margin, unit)
    altitudes = [run.altitude_ft for run in runs if run.altitude_ft is not None]
    if altitudes and max(altitudes) - min(altitudes) > ALTITUDE_SPREAD_FT:
        notes.append(f"altitudes {min(altitudes):.0f} to {max(altitudes):.0f} ft; repeats are best within 1000 ft")
    return tuple(notes)


def _mean(values) -> float | None:
    values = list(values)
    return math.fsum(values) / len(values) if values else None


def _sd(values) -> float | None:
    values = list(values)
    if len(values) < 2:
        return None
    mean = _mean(values)
    return math.sqrt(math.fsum((v - mean) ** 2 for v in values) / (len(values) - 1))

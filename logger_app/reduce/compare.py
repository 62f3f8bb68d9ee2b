"""Comparisons: at each test point, changed minus reference, with what may be concluded.

Speeds of one kind of stall on one basis are given to the one model of the campaign (`model`); from it come the
difference of the change, what differed between the flights, the campaign's overall answer, and what one more run
or flight would buy. Intervals and claims are adjusted alike. Not for: means (see `cells`), sentences (see `words`).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from logger_app.domain.binomial import counts_differ_p
from logger_app.domain.comparison_model import (
    CONFIDENCE,
    POWER,
    RATE_SLOPE,
    RATE_SLOPES,
    Family,
    Mixture,
    Posterior,
    Prior,
    RunData,
    normal_quantile,
)
from logger_app.domain.design import Design, design_of, enough_in_words
from logger_app.errors import BadQuantity
from logger_app.records.plan import Campaign, TestPoint
from logger_app.records.results import BudgetTerm, Comparison, ModelSummary, Overall, StallSpeed
from logger_app.reduce.cells import common_basis, family, on_basis_kt
from logger_app.reduce.standardise import cas_at_cg_kt, cas_at_weight_kt
from logger_app.reduce.statistics import welch
from logger_app.reduce.uncertainty import STATIC_PORT_CAVEAT
from logger_app.reduce.words import overall_sentence, sentence
from logger_app.units import from_kt, speed_text

# 7 % of the CG travel: certification flight-test tolerance [CFR23.21], read in a fragment only.
CG_TRAVEL_SHARE = 0.07
CG_SHIFT_MM = 10.0
# From the CG to the tail, in mean chords: light aircraft have 2.5 to 3.5 (common practice, no source).
TAIL_ARM_CHORDS = 3.0
MAX_LISTED = 12
# A single run on a side has an interval when the scatter is known from elsewhere with so many degrees of freedom.
MIN_FREEDOM_FOR_ONE_RUN = 4
# A cell scatters otherwise than the rest when chance does that once in so many cells (two-sided).
SCATTER_DIFFERS_P = 0.002
MIN_FREEDOM_TO_DIFFER = 3
# Last calls of a point that never lie nearer to each other than this are marks of the dial, the same in every run. Ours.
COARSE_STEP_KT = 3.5
# A scatter of flights this sure to be above what the plan says is told. Ours.
FLIGHTS_DIFFER_P = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """Everything said about differences: by point, overall, and the model behind both."""

    comparisons: tuple[Comparison, ...] = ()
    overall: tuple[Overall, ...] = ()
    model: ModelSummary | None = None


def compare_all(campaign: Campaign, runs: Sequence[StallSpeed], days: Mapping[str, str] | None = None) -> Compared:
    """Every pair of configurations at every point that either has flown.

    Parameters
    ----------
    campaign : Campaign
        Says which pairs, names the points and the one comparison asked about, and holds the priors.
    runs : sequence of StallSpeed
        All runs; those that do not count are passed over.
    days : mapping of str to str, optional
        Calendar day of each flight, for what the notes say.

    Notes
    -----
    The intervals of several comparisons hold all at once with 95 %, and a claim is made where one leaves out 0; the
    comparison named beforehand in the plan has 95 % of its own, as have the overall answers.

    References
    ----------
    [BOXTIAO1973] simultaneous intervals from a posterior.
    """
    flown, sides = _pairs_flown(campaign, runs)
    study = _Study(campaign, flown, sides, _left_out_by_reading(runs))
    made = [_compare(campaign, study, pair, days or {}) for pair in sides]
    family = _family_of(study, made)
    return Compared(
        comparisons=tuple(_concluded(campaign, study, c, family) for c in made),
        overall=_overall(campaign, study, made),
        model=study.summary(),
    )


def _left_out_by_reading(runs: Iterable[StallSpeed]) -> Mapping[tuple[str | None, str | None], list[StallSpeed]]:
    """Runs that do not count only because the stall was read too far below the last call, by point and configuration."""
    left_out: dict[tuple[str | None, str | None], list[StallSpeed]] = {}
    for run in runs:
        if run.too_far_only:
            left_out.setdefault((run.point, run.configuration), []).append(run)
    return left_out


def _pairs_flown(campaign: Campaign, runs: Iterable[StallSpeed]) -> tuple[Mapping, list[_Pair]]:
    """Runs that count by (point, configuration), and the comparisons of which a side was flown."""
    flown: dict[tuple[str | None, str | None], list[StallSpeed]] = {}
    for run in runs:
        if run.counts:
            flown.setdefault((run.point, run.configuration), []).append(run)
    sides = [
        _Pair(point=point, reference=reference, changed=changed, sides=(base, other))
        for reference, changed in campaign.pairs()
        for point in campaign.points
        if (base := flown.get((point.id, reference), [])) or (flown.get((point.id, changed)))
        for other in [flown.get((point.id, changed), [])]
    ]
    return flown, sides


def flown_before(
    campaign: Campaign, runs: Sequence[StallSpeed], configuration: str
) -> Mapping[str, tuple[Posterior, Design]]:
    """What earlier flights leave for a flight of a configuration to add to: by point, scatters and runs a flight.

    The design's `changed` side is the configuration about to fly, the other the one that it is compared with: of
    several, the first that has flown the point. Points that no other configuration has flown are left out.
    """
    flown, pairs = _pairs_flown(campaign, runs)
    study = _Study(campaign, flown, pairs)
    found: dict[str, tuple[Posterior, Design]] = {}
    for pair in sorted(pairs, key=lambda one: (one.reference, one.changed, one.point.id) != campaign.named):
        if configuration not in (pair.reference, pair.changed) or pair.point.id in found or study.posterior is None:
            continue
        other = pair.changed if configuration == pair.reference else pair.reference
        both = all(pair.sides)
        kinds = Counter(family(run.event) for side in pair.sides for run in side)
        kind = _common_family(pair.sides) if both else kinds.most_common(1)[0][0]
        theirs, own = (study.side(pair.point.id, one, kind or "") for one in (other, configuration))
        if kind and theirs:
            found[pair.point.id] = study.posterior, _design(theirs, own)
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pair:
    point: TestPoint
    reference: str
    changed: str
    sides: tuple[list[StallSpeed], list[StallSpeed]]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    """What the model says of one comparison: cells and flights (changed, reference and reference, changed)."""

    cells: tuple[int, int]
    change: Mixture
    flown: Mixture
    flights: tuple[list[int], list[int]]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Basis:
    """Which speed of a run is compared at a point: ``std``, ``cas`` or ``ias``, and at which weight."""

    kind: str
    load_factor: str = "raw"
    at_reference_weight: bool = True
    note: str = ""

    def speed_kt(self, run: StallSpeed, reference_kg: float) -> float | None:
        """The speed of a run on this basis; None where the run does not have it."""
        if self.kind == "std":
            return on_basis_kt(run, self.load_factor) if run.bases else None
        speed = run.vs_cas_kt if self.kind == "cas" else run.vs_ias_kt
        if speed is None or not self.at_reference_weight:
            return speed
        return cas_at_weight_kt(speed, run.weight_kg, reference_kg) if run.weight_kg else None


class _Study:
    """The runs of a campaign given to the model once: one cell a point, configuration and kind of stall."""

    def __init__(
        self,
        campaign: Campaign,
        flown: Mapping,
        pairs: Sequence[_Pair],
        left_out: Mapping[tuple[str | None, str | None], Sequence[StallSpeed]] | None = None,
    ):
        self.campaign = campaign
        self._left_out = left_out or {}
        plan = campaign.planning
        self.bases: dict[str, _Basis] = {}
        for point in {pair.point.id: None for pair in pairs}:
            self.bases[point] = _basis_of([pair.sides for pair in pairs if pair.point.id == point])
        self.cells: dict[tuple, int] = {}
        self.flights: dict[str, int] = {}
        self.runs: list[tuple[StallSpeed, float]] = []
        self._cell: list[int] = []
        for (point, configuration), runs in flown.items():
            if point not in self.bases:
                continue
            for run in runs:
                speed = self.bases[point].speed_kt(run, campaign.aircraft.reference_weight_kg)
                if speed is not None:
                    key = (point, configuration, family(run.event))
                    self._cell.append(self.cells.setdefault(key, len(self.cells)))
                    self.flights.setdefault(run.flight, len(self.flights))
                    self.runs.append((run, speed))
        raw = {basis.load_factor for basis in self.bases.values()} != {"measured_nz"}
        self.prior = Prior(
            run_sd_kt=plan.scatter_kt,
            flight_sd_kt=plan.flight_scatter_kt,
            slope=RATE_SLOPE if raw else RATE_SLOPES["measured_nz"],
        )
        self.notes: tuple[str, ...] = ()
        self.found: dict[tuple[str, str, str], _Found] = {}
        self.posterior = self._fitted() if self.runs else None
        self.freedom = 0
        if self.posterior is not None:
            pairs_flown = len({(run.flight, cell) for (run, _), cell in zip(self.runs, self._cell)})
            self.freedom = len(self.runs) - pairs_flown

    def _fitted(self) -> Posterior:
        weight_u: dict[str, list[float]] = {}
        for run, _ in self.runs:
            weight_u.setdefault(run.flight, []).append(_term(run, "weight"))
        data = RunData(
            cell=np.array(self._cell),
            flight=np.array([self.flights[run.flight] for run, _ in self.runs]),
            speed_kt=np.array([speed for _, speed in self.runs]),
            u_kt=np.array([_random_u_kt(run) for run, _ in self.runs]),
            rate_kt_per_s=np.array(
                [math.nan if run.entry_rate_kt_per_s is None else run.entry_rate_kt_per_s for run, _ in self.runs]
            ),
            flight_u_kt=np.array([float(np.mean(terms)) for terms in weight_u.values()]),
            cell_u_kt=np.array([self.selected_u_kt(*cell) for cell in self.cells]),
        )
        posterior = Posterior(data, self.prior)
        ratio, freedom = posterior.scatter_of_cells()
        differs = [
            k for k in range(len(ratio)) if freedom[k] >= MIN_FREEDOM_TO_DIFFER and _chance(ratio[k], int(freedom[k]))
        ]
        if not differs or len(self.cells) < 2:
            return posterior
        own = np.ones(len(ratio))
        rest = [k for k in range(len(ratio)) if k not in differs and freedom[k] > 0]
        usual = float(ratio[rest] @ freedom[rest]) / float(freedom[rest].sum()) if rest else 1.0
        own[differs] = np.clip(np.sqrt(ratio[differs] / usual), 0.02, 8.0)
        names = {k: key for key, k in self.cells.items()}
        self.notes = tuple(
            f"{names[k][1]} at {_label(self.campaign, names[k][0])} scatters {own[k]:.1f} times as much as the rest: "
            "it has a scatter of its own"
            for k in differs
        )
        return Posterior(data, self.prior, own)

    def side(self, point: str, configuration: str, kind: str) -> list[tuple[StallSpeed, float]]:
        """The runs of a cell with their speeds."""
        cell = self.cells.get((point, configuration, kind))
        return [pair for pair, k in zip(self.runs, self._cell) if k == cell] if cell is not None else []

    def selected_u_kt(self, point: str, configuration: str, kind: str) -> float:
        """How far the mean of the runs that count may lie from that of all runs flown, by which were left out [kt].

        Where calls stand on the same coarse marks in every run, a run counts if its stall lies within 2 kt below a
        mark: what counts is chosen by the stall speed itself. Of a normal scatter cut off so that a share p remains,
        the mean has moved by sd * density(quantile(p)) / p. Calls at ever other speeds choose at random.
        """
        counted = [run for run, _ in self.side(point, configuration, kind)]
        left_out = self._left_out.get((point, configuration), ())
        last = sorted({r.last_call_ias_kt for r in (*counted, *left_out) if r.last_call_ias_kt is not None})
        if not left_out or any(b - a < COARSE_STEP_KT for a, b in zip(last, last[1:])):
            return 0.0
        share = len(counted) / (len(counted) + len(left_out))
        own = float(np.median([_random_u_kt(run) for run in counted]))
        z = normal_quantile(share)
        return math.hypot(self.prior.run_sd_kt, own) * math.exp(-z * z / 2) / math.sqrt(2 * math.pi) / share

    def selection_notes(self, *sides: Sequence[tuple[StallSpeed, float]]) -> list[str]:
        """Where coarse marks chose the runs: how many are missing, and what it costs."""
        notes, unit = [], self.campaign.indicator.unit
        for run, _ in (side[0] for side in sides):
            key = (run.point or "", run.configuration or "", family(run.event))
            u = self.selected_u_kt(*key)
            if u:
                notes.append(
                    f"{run.configuration}: {len(self._left_out[key[:2]])} run(s) left out for their last call, and calls "
                    f"stand on marks far apart: those that count may not be typical, by about {speed_text(u, unit)} (in the "
                    "interval); say the speed at the break"
                )
        return notes

    def flights_differ_note(self) -> tuple[str, ...]:
        """A warning where flights of one configuration differ by clearly more than the plan says."""
        found, said = self.posterior, self.prior.flight_sd_kt
        if found is None or float(found.weight @ (found.flight_sd > said)) < FLIGHTS_DIFFER_P:
            return ()
        middle, unit = found.flight_sd_kt()[0], self.campaign.indicator.unit
        return (
            f"flights of one configuration differ by about {speed_text(middle, unit)} (standard deviation), more than the "
            f"{speed_text(said, unit, '.2g')} of [plan] flight_scatter_kt: find out what changed between them, or set it higher",
        )

    def summary(self) -> ModelSummary | None:
        """The scatters that the campaign shares."""
        if self.posterior is None:
            return None
        slope = self.posterior.slope()
        of = Counter(configuration for configuration, _ in {(r.configuration, r.flight) for r, _ in self.runs})
        return ModelSummary(
            runs=len(self.runs),
            flights=len(self.flights),
            run_sd_kt=self.posterior.run_sd_kt(),
            flight_sd_kt=self.posterior.flight_sd_kt(),
            rate_slope=(slope.value, *slope.interval()),
            run_sd_prior_kt=self.prior.run_sd_kt,
            flight_sd_prior_kt=self.prior.flight_sd_kt,
            flights_learned=max(of.values()) > 1,
            notes=(*self.notes, *self.flights_differ_note()),
        )


def _basis_of(pairs: Sequence[tuple[list[StallSpeed], list[StallSpeed]]]) -> _Basis:
    """The first basis that leaves something to compare on both sides of every pair flown at a point.

    A run that lacks the basis is left out by itself. Weights count on every basis where both sides have them.
    """
    sides = [side for pair in pairs if pair[0] and pair[1] for side in pair]
    sides = sides or [side for pair in pairs for side in pair if side]

    def enough(has) -> bool:
        return all(sum(map(has, side)) >= min(2, len(side)) for side in sides)

    weighed = enough(lambda run: run.weight_kg is not None)
    if enough(lambda run: bool(run.bases)):
        return _Basis(kind="std", load_factor=common_basis([r for side in sides for r in side if r.bases]) or "raw")
    if enough(lambda run: run.vs_cas_kt is not None):
        return _Basis(
            kind="cas",
            at_reference_weight=False,
            note="weight not known for every run: CAS compared at the weights flown",
        )
    at = "at the reference weight" if weighed else "at the weights flown"
    note = f"no calibration here: indicated speeds compared {at}; IAS is not CAS"
    return _Basis(kind="ias", at_reference_weight=weighed, note=note)


def _random_u_kt(run: StallSpeed) -> float:
    return math.sqrt(sum(term.u_kt**2 for term in run.budget if term.kind == "random"))


def _term(run: StallSpeed, name: str) -> float:
    return next((term.u_kt for term in run.budget if term.name == name), 0.0)


def _chance(ratio: float, freedom: int) -> bool:
    """Whether a mean square this far from what is expected would come by chance hardly ever."""
    from scipy import special

    below = float(special.chdtr(freedom, ratio * freedom))
    return min(below, 1 - below) < SCATTER_DIFFERS_P / 2


def _compare(campaign: Campaign, study: _Study, pair: _Pair, days: Mapping[str, str]) -> Comparison:
    common: dict = {"point": pair.point.id, "reference": pair.reference, "changed": pair.changed}
    common["named"] = campaign.named == (pair.reference, pair.changed, pair.point.id)
    sides = pair.sides
    if not sides[0] or not sides[1]:
        missing = pair.reference if not sides[0] else pair.changed
        return _not_comparable(common, sides, f"no run of {missing} counts here")
    kind = _common_family(sides)
    if kind is None:
        words = [_kinds_in_words(side, campaign.indicator.unit) for side in sides]
        return _not_comparable(common, sides, f"the stall changed kind: {words[0]} against {words[1]}")
    basis = study.bases[pair.point.id]
    reference, changed = (study.side(pair.point.id, c, kind) for c in (pair.reference, pair.changed))
    kept = [[run for run in side if family(run.event) == kind] for side in sides]
    if not reference or not changed:
        missing = pair.reference if not reference else pair.changed
        return _not_comparable(common, kept, f"no run of {missing} has a speed on the basis compared here")
    flights = [list(dict.fromkeys(run.flight for run, _ in side)) for side in (reference, changed)]
    common |= {
        "n_reference": len(reference),
        "n_changed": len(changed),
        "n_flights_reference": len(flights[0]),
        "n_flights_changed": len(flights[1]),
        "basis": basis.kind,
        "load_factor_basis": basis.load_factor,
        "at_reference_weight": basis.at_reference_weight,
        "event": kind,
        "reviewed": all(run.reviewed for side in (reference, changed) for run, _ in side),
        "budget": _budget(basis.kind, reference, changed),
        **_warning_and_drop(kept),
    }
    notes = [basis.note] if basis.note else []
    notes += _caveats(campaign, study, reference, changed, sides, kept, days)
    posterior = study.posterior
    if posterior is None or min(len(reference), len(changed)) < 2 and study.freedom < MIN_FREEDOM_FOR_ONE_RUN:
        notes.append("fewer than two runs on a side: no interval, nothing can be shown")
        difference = float(np.mean([v for _, v in changed]) - np.mean([v for _, v in reference]))
        return Comparison(**common, verdict="", words="", difference_kt=difference, method="none", notes=tuple(notes))
    cells = [[study.cells[pair.point.id, c, kind]] for c in (pair.changed, pair.reference)]
    numbers = [[study.flights[f] for f in side] for side in flights]
    study.found[pair.reference, pair.changed, pair.point.id] = _Found(
        cells=(cells[0][0], cells[1][0]),
        change=posterior.change(cells[0], cells[1]),
        flown=posterior.flown(cells[0], cells[1], numbers[1], numbers[0]),
        flights=(numbers[0], numbers[1]),
    )
    return Comparison(
        **common, **_what_next(posterior, reference, changed, campaign), verdict="", words="", notes=tuple(notes)
    )


def _both_statements(found: _Found, margin_kt: float, family: _FamilyFactors | None = None) -> dict:
    """Of the change and between the flights flown: 95 % by themselves, or together with the rest of a family."""
    if family is None:
        (low, high), (flown_low, flown_high) = found.change.interval(), found.flown.interval()
        p = found.change.p_against_zero()
    else:
        (low, high), (flown_low, flown_high) = (
            (one.value - c * one.u, one.value + c * one.u)
            for one, c in ((found.change, family.change), (found.flown, family.flown))
        )
        p = 1 - family.family.covered(abs(found.change.value) / found.change.u)
    above = 1 - found.change.below(margin_kt)
    return {
        "difference_kt": found.change.value,
        "u_kt": found.change.u,
        "low_kt": low,
        "high_kt": high,
        "verdict": _verdict(low, high),
        "p": found.change.p_against_zero(),
        "smallest_kt": (high - low) / 2 + normal_quantile(POWER) * found.change.u,
        "flights_difference_kt": found.flown.value,
        "flights_low_kt": flown_low,
        "flights_high_kt": flown_high,
        "flights_verdict": _verdict(flown_low, flown_high),
        "no_worse_kt": margin_kt,
        "no_worse_p": above,
        "no_worse": above < 1 - CONFIDENCE and (family is None or high < margin_kt),
    } | ({} if family is None else {"p_adjusted": p})


def _verdict(low: float, high: float) -> str:
    return "lower" if high < 0 else "higher" if low > 0 else "not shown"


def _what_next(posterior: Posterior, reference, changed, campaign: Campaign) -> dict:
    wanted_kt, unit = campaign.planning.smallest_difference_kt, campaign.indicator.unit
    found = design_of(posterior, _design(reference, changed))
    return {
        "next_words": enough_in_words(found.half_kt, found.with_run_kt, found.with_flight_kt, wanted_kt, unit),
        "next_run_kt": found.with_run_kt,
        "next_flight_kt": found.with_flight_kt,
        "runs_to_show_1_kt": found.runs_to_show(1.0),
        "flights_to_show_1_kt": found.flights_to_show(1.0),
        "planned_kt": wanted_kt,
        "runs_to_show_planned": found.runs_to_show(wanted_kt),
        "flights_to_show_planned": found.flights_to_show(wanted_kt),
    }


def _design(reference, changed) -> Design:
    return Design(
        reference=_runs_a_flight(reference),
        changed=_runs_a_flight(changed),
        u_kt=math.sqrt(float(np.mean([_random_u_kt(run) ** 2 for run, _ in (*reference, *changed)]))),
        flight_u_kt=float(np.mean([_term(run, "weight") for run, _ in (*reference, *changed)])),
    )


def _runs_a_flight(side: Iterable[tuple[StallSpeed, float]]) -> tuple[int, ...]:
    return tuple(Counter(run.flight for run, _ in side).values())


def _not_comparable(common, sides, why: str) -> Comparison:
    before, after = (_mean_known(side) for side in sides)
    both = before is not None and after is not None and "changed kind" in why
    return Comparison(
        **common,
        n_reference=len(sides[0]),
        n_changed=len(sides[1]),
        verdict="not comparable",
        words="",
        method="none",
        difference_kt=(after or 0.0) - (before or 0.0) if both else None,
        notes=(why,),
        **_warning_and_drop(sides),
    )


def _mean_known(side: Sequence[StallSpeed]) -> float | None:
    speeds = [run.vs_std_kt if run.vs_std_kt is not None else run.vs_cas_kt for run in side]
    known = [speed for speed in speeds if speed is not None]
    return float(np.mean(known)) if known and len(known) == len(speeds) else None


def _common_family(sides) -> str | None:
    """The kind of stall on both sides that leaves most runs to compare."""
    counts = [Counter(family(run.event) for run in side) for side in sides]
    shared = [kind for kind in counts[0] if kind in counts[1]]
    return max(shared, key=lambda kind: min(count[kind] for count in counts), default=None)


def _kinds_in_words(side, unit: str) -> str:
    kinds = " and ".join(dict.fromkeys(str(run.event).replace("_", " ") for run in side))
    speed = _mean_known(side)
    return f"{kinds} at {speed_text(speed, unit)}" if speed is not None else kinds


def _budget(basis: str, reference, changed) -> tuple[BudgetTerm, ...]:
    runs = [run for run, _ in (*reference, *changed)]
    terms = []
    weight = [_term(run, "weight") for run in runs]
    if any(weight):
        flights = [len({run.flight for run, _ in side}) for side in (reference, changed)]
        u = float(np.mean(weight)) * math.sqrt(1 / flights[0] + 1 / flights[1])
        terms.append(
            BudgetTerm(name="weight", u_kt=u, kind="systematic", note="of the flights compared; in the interval")
        )
    budgets = [t for run in runs for t in run.budget if t.cancels]
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
    drops = [(sum(r.wing_drop == "left" for r in runs), sum(r.wing_drop == "right" for r in runs)) for runs in kept]
    return {
        "warning_margin_change_kt": change,
        "warning_margin_change_u_kt": change_u,
        "wing_drop_p": counts_differ_p(*drops) if sum(drops[0]) and sum(drops[1]) else None,
    }


def _caveats(campaign: Campaign, study: _Study, reference, changed, sides, kept, days: Mapping[str, str]) -> list[str]:
    notes = []
    other = sum(map(len, sides)) - sum(map(len, kept))
    if other:
        notes.append(f"{other} run(s) ended in another kind of stall and are not in this difference")
    lacking = sum(map(len, kept)) - len(reference) - len(changed)
    if lacking:
        basis = study.bases[reference[0][0].point].kind
        what = "calibration or weight" if basis == "std" else "a speed on this basis"
        notes.append(f"{lacking} run(s) without {what} are not in this difference")
    notes += study.selection_notes(reference, changed)
    notes += _flight_notes(campaign, reference, changed, days)
    notes += _cg_note(campaign, reference, changed)
    ends = [max((run.extrapolated_kt or 0.0 for run, _ in side), default=0.0) for side in (reference, changed)]
    if max(ends) > 0:
        notes.append(
            f"calibration extrapolated by up to {speed_text(max(ends), campaign.indicator.unit)}; {STATIC_PORT_CAVEAT}"
        )
    config = campaign.configuration(changed[0][0].configuration)
    if config and len(config.changes) > 1:
        notes.append(
            f"{len(config.changes)} things were changed at once: the difference belongs to all of them together"
        )
    return notes


def _flight_notes(campaign: Campaign, reference, changed, days: Mapping[str, str]) -> list[str]:
    means: list[dict[str, list[float]]] = [{}, {}]
    unit = campaign.indicator.unit
    for of_flight, side in zip(means, (reference, changed)):
        for run, speed in side:
            of_flight.setdefault(run.flight, []).append(speed)
    notes = []
    if len(means[0]) == 1 and len(means[1]) == 1:
        prior = campaign.planning.flight_scatter_kt
        notes.append(
            "one flight each: how far flights differ by themselves was not measured here; the interval of the change rests "
            f"on an assumed {speed_text(prior, unit, '.2g')} (standard deviation, [plan] flight_scatter_kt; common practice, "
            "no source)"
        )
    elif 1 in (len(means[0]), len(means[1])):
        notes.append("one configuration flew once only: its own flight's peculiarity is known from the other's flights")
    for of_flight, side in zip(means, (reference, changed)):
        if len(of_flight) > 1:
            flat = [float(np.mean(speeds)) for speeds in of_flight.values()]
            notes.append(
                f"{side[0][0].configuration}: flight means {_listed([from_kt(v, unit) for v in flat])} {unit} as compared"
            )
    known = [{days.get(flight, "") for flight in of_flight} for of_flight in means]
    if len(known[0] | known[1]) == 1 and "" not in known[0]:
        notes.append("all flown on one day: another day may differ by more than these flights do")
    return notes


def _listed(means: Sequence[float]) -> str:
    """Every flight's mean while a reader can take them in, else how far they reach."""
    if len(means) <= MAX_LISTED:
        return ", ".join(f"{mean:.1f}" for mean in means)
    spread = float(np.std(means, ddof=1))
    return f"{min(means):.1f} to {max(means):.1f} over {len(means)} flights, standard deviation {spread:.2f}"


def _cg_note(campaign: Campaign, reference, changed) -> list[str]:
    cgs = [[run.cg_mm for run, _ in side if run.cg_mm is not None] for side in (reference, changed)]
    if not (cgs[0] and cgs[1]):
        return []
    shift = float(np.mean(cgs[1]) - np.mean(cgs[0]))
    low, high = campaign.aircraft.cg_min_mm, campaign.aircraft.cg_max_mm
    limit = CG_TRAVEL_SHARE * (high - low) if low is not None and high is not None else CG_SHIFT_MM
    if abs(shift) <= limit:
        return []
    worth = _cg_worth(campaign, shift, [run for side in (reference, changed) for run, _ in side])
    return [f"CG differs by {shift:+.0f} mm{worth}; not corrected, fly both at the same CG"]


def _cg_worth(campaign: Campaign, shift_mm: float, runs: Sequence[StallSpeed]) -> str:
    """What a shift of the CG is worth in stall speed, to first order; nothing is said where the span is not known."""
    wing, speeds = campaign.aircraft.planform, [run.vs_ias_kt for run in runs if run.vs_ias_kt is not None]
    if wing is None or not speeds:
        return ""
    mean_chord_mm = campaign.aircraft.wing_area_m2 * 1e6 / (2 * wing.semispan_mm)
    speed_kt = float(np.mean(speeds))
    try:
        moved_kt = cas_at_cg_kt(speed_kt, 0.0, shift_mm, TAIL_ARM_CHORDS * mean_chord_mm) - speed_kt
    except BadQuantity:
        return ""
    unit = campaign.indicator.unit
    return f" (by itself about {from_kt(moved_kt, unit):+.1f} {unit}, with the tail {TAIL_ARM_CHORDS:g} mean chords behind)"


@dataclass(frozen=True, slots=True, kw_only=True)
class _FamilyFactors:
    """How far intervals reach that are to hold all at once, in standard deviations."""

    size: int
    family: Family
    change: float
    flown: float


def _family_of(study: _Study, made: Sequence[Comparison]) -> _FamilyFactors | None:
    """All comparisons but the one named beforehand; None for a single one."""
    members = [study.found[c.reference, c.changed, c.point] for c in made if c.method == "model" and not c.named]
    if len(members) < 2 or study.posterior is None:
        return None
    family = study.posterior.family([([f.cells[0]], [f.cells[1]]) for f in members])
    flown = Family(members=tuple(f.flown for f in members), common=np.zeros(len(family.common)))
    return _FamilyFactors(size=len(members), family=family, change=family.factor(), flown=flown.factor())


def _concluded(campaign: Campaign, study: _Study, comparison: Comparison, family: _FamilyFactors | None) -> Comparison:
    """Interval and verdict for the number of comparisons made, and the sentence."""
    label = _label(campaign, comparison.point)
    found = study.found.get((comparison.reference, comparison.changed, comparison.point))
    if found is None:
        done = replace(comparison, verdict=comparison.verdict or "not shown")
        return replace(done, words=sentence(done, label, campaign.indicator.unit))
    own = None if comparison.named else family
    done = replace(
        comparison,
        **{"p_adjusted": found.change.p_against_zero()} | _both_statements(found, campaign.planning.no_worse_kt, own),
        flights_u_kt=found.flown.u,
        at_most_kt=found.change.quantile(CONFIDENCE),
        adjusted_for=own.size if own else 1,
    )
    return replace(done, words=sentence(done, label, campaign.indicator.unit))


def _label(campaign: Campaign, point: str) -> str:
    return next((p.label for p in campaign.points if p.id == point), point)


def _overall(campaign: Campaign, study: _Study, made: Sequence[Comparison]) -> tuple[Overall, ...]:
    """The mean difference over the points of a pair, where there are two or more."""
    answers = []
    for pair in campaign.pairs():
        of_pair = [c for c in made if (c.reference, c.changed) == pair and c.method == "model"]
        found = [study.found[c.reference, c.changed, c.point] for c in of_pair]
        if len(found) < 2 or study.posterior is None:
            continue
        cells = [f.cells[0] for f in found], [f.cells[1] for f in found]
        flights = [sorted({number for f in found for number in f.flights[side]}) for side in (0, 1)]
        joint = _Found(
            cells=(0, 0),
            change=study.posterior.change(*cells),
            flown=study.posterior.flown(*cells, flights[1], flights[0]),
            flights=(flights[0], flights[1]),
        )
        answer = Overall(
            reference=pair[0],
            changed=pair[1],
            points=tuple(c.point for c in of_pair),
            basis=next((b for b in ("ias", "cas", "std") if b in {c.basis for c in of_pair})),
            words="",
            n_flights_reference=len(flights[0]),
            n_flights_changed=len(flights[1]),
            **_both_statements(joint, campaign.planning.no_worse_kt),
        )
        answers.append(replace(answer, words=overall_sentence(answer, campaign.indicator.unit)))
    return tuple(answers)

"""The whole reduction of a campaign: runs to stall speeds, cells, comparisons, and a summary.

`Reducer` takes flights one after another and keeps of each run what the averages need;
`reduce_campaign` gives it all of a campaign that is at hand. Same input, same output to the last
digit. Not for: reading or writing anything (see `results_io` and `flow`).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from logger_app import __version__
from logger_app.domain.approach import learned_drift_ratio
from logger_app.domain.comparison_model import normal_quantile
from logger_app.domain.fitted import lineage
from logger_app.domain.metar import altimeter_setting_hpa
from logger_app.domain.times import flight_time
from logger_app.errors import BadQuantity, Fault, OutsideValidity, ReduceError
from logger_app.records.plan import Campaign, Indicator, TestPoint
from logger_app.records.results import (
    BudgetTerm,
    Comparison,
    Excluded,
    Provenance,
    Reduction,
    StallSpeed,
    without_details,
)
from logger_app.records.runs import FlightData, FlightReview, Run, RunWeight, StallEvent
from logger_app.reduce.airspeed import eas_kt, tas_kt
from logger_app.reduce.atmosphere import density_altitude_ft, pressure_altitude_ft
from logger_app.reduce.calibration import Calibrated, calibrate_ias, instrument_corrected_kt
from logger_app.reduce.cells import make_cells, with_surplus_noted
from logger_app.reduce.compare import compare_all
from logger_app.reduce.one_side import one_sided
from logger_app.reduce.quality import judge, rules
from logger_app.reduce.stall_speed import RunStall, stalls_of_runs
from logger_app.reduce.standardise import (
    cas_at_1_g_kt,
    cas_at_cg_kt,
    cas_at_weight_kt,
    max_lift_coefficient,
    turn_load_factor,
)
from logger_app.reduce.trace import TraceAtEvent
from logger_app.reduce.uncertainty import easing_u_kt, run_budget, total_u_kt, weight_u_kt
from logger_app.reduce.words import summary
from logger_app.units import EasKt, IasKt, s_to_ns, speed_text

# Bank that counts as wings level, and how well a bank is held (5 deg in turns: entry tolerance,
# common practice, no source).
LEVEL_WITHIN_DEG = 5.0
BANK_U_DEG = 3.0
MAX_ROLL_DEG = 15.0
# Standard uncertainties from the middle to either bound of 95 %.
REACH_95 = normal_quantile(0.975)
# Source of a table that `calibrate` made, with the aircraft's own indicator in it.
MADE_HERE = "GPS legs"
# How much less than 1/cos of the bank the load factor may be at the stall: 6 % on an independent flight model at 30 deg.
PATH_U = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """What may be asked of a reduction beyond the rules.

    `basis` fixes the load-factor basis (``raw``, ``sqrt_cos``, ``measured_nz``) instead of the
    best that all runs compared have. With `to_cg_mm` and `tail_arm_mm` speeds are corrected to
    that CG to first order; without them CG is recorded and flagged only.
    """

    basis: str | None = None
    to_cg_mm: float | None = None
    tail_arm_mm: float | None = None
    at_event: Mapping[tuple[str, str], TraceAtEvent] = field(default_factory=dict)  # by flight and run
    steps: tuple[str, ...] = ()  # what was done before: traces joined


class Reducer:
    """Reduces the flights of a campaign one after another.

    Of a flight it keeps its id and hash, of a run what averages and comparisons need: under 2 kB
    a run, with what runs have in common held once. What `add` returns has everything, and is the
    caller's to write down.

    Parameters
    ----------
    campaign : Campaign
        Aircraft, indicator, calibrations, points, pairs to compare.
    keep : callable
        What is kept of a reduced run.

    Raises
    ------
    ReduceError
        The options contradict each other.
    """

    def __init__(
        self,
        campaign: Campaign,
        options: Options = Options(),
        keep: Callable[[StallSpeed], StallSpeed] = without_details,
    ):
        if (options.to_cg_mm is None) != (options.tail_arm_mm is None):
            raise ReduceError(
                faults=(Fault(where="CG correction", got="one of CG and tail arm", expected="both or neither"),)
            )
        self.campaign, self.options, self._keep = campaign, options, keep
        self._points = {point.id: point for point in campaign.points}
        self._runs: list[StallSpeed] = []
        self._loose: list[Excluded] = []
        self._reviews: list[FlightReview] = []
        self._days: dict[str, str] = {}
        self._flown: list[tuple[str, str | None]] = []
        self._packs: set[str] = set()
        self._hashes: list[tuple[str, str]] = []
        self._common: dict = {}  # what many runs have in common, held once

    def add(self, flight: FlightData, at_event: Mapping[str, TraceAtEvent] | None = None) -> tuple[StallSpeed, ...]:
        """Reduce the next flight.

        Parameters
        ----------
        at_event : mapping of str to TraceAtEvent, optional
            What a trace says, by run; those in the options hold beside it.
        """
        info = flight.info
        self._flown.append((info.id, info.configuration))
        self._days[info.id] = info.started_utc[:10]
        self._packs.update(flight.packs)
        if flight.journal_sha256:
            self._hashes.append((info.id, flight.journal_sha256))
        self._loose += _loose(flight)
        self._reviews += [flight.review] if flight.review else []
        done = self.reduce(flight, at_event)
        self._runs += [self._shared(self._keep(run)) for run in done]
        return done

    def reduce(
        self, flight: FlightData, at_event: Mapping[str, TraceAtEvent] | None = None, only: set[str] | None = None
    ) -> tuple[StallSpeed, ...]:
        """As `add`, keeping nothing: for a second look at a flight.

        Parameters
        ----------
        only : set of str, optional
            Ids of the runs wanted; all if not given.
        """
        traces = {run: there for (id, run), there in self.options.at_event.items() if id == flight.info.id} | dict(
            at_event or {}
        )
        stalls = _stalls(flight, self.campaign.indicator)
        return tuple(
            _reduce_run(
                self.campaign,
                flight,
                run,
                stall,
                self._points.get(run.point or ""),
                self.options,
                traces.get(run.id, TraceAtEvent()),
            )
            for run, stall in zip(flight.runs.runs, stalls)
            if only is None or run.id in only
        )

    def finish(self, steps: tuple[str, ...] = ()) -> Reduction:
        """The results of all flights that were added.

        Parameters
        ----------
        steps : tuple of str
            What was done before, beside what the options say: traces joined.

        Returns
        -------
        Reduction
            Every run is in `runs`; those that do not count are in `excluded` with all reasons.

        Raises
        ------
        ReduceError
            Two flights have the same id, or a flight names a configuration that the campaign does
            not have: all of it at once.
        """
        _check(self.campaign, self._flown)
        runs, campaign = tuple(self._runs), self.campaign
        compared = compare_all(campaign, runs, self._days)
        left_out = [Excluded(what=run.run, why="; ".join(run.why), flight=run.flight) for run in runs if not run.counts]
        return Reduction(
            campaign=campaign.name,
            runs=runs,
            cells=with_surplus_noted(
                make_cells(runs, campaign.indicator.unit), {point.id: point.runs_wanted for point in campaign.points}
            ),
            comparisons=compared.comparisons,
            overall=compared.overall,
            model=compared.model,
            excluded=(*left_out, *self._loose),
            reviewed_share=sum(run.reviewed for run in runs) / len(runs) if runs else 0.0,
            reviews=tuple(self._reviews),
            provenance=Provenance(
                app=__version__,
                steps=(*self.options.steps, *steps),
                packs=tuple(sorted(self._packs)),
                hashes=tuple(self._hashes),
            ),
            summary=summary(campaign, compared.comparisons, compared.overall),
            rules=rules(campaign.indicator.unit),
            one_sided=one_sided(campaign, runs),
            history=_with_baseline(campaign, runs, self._days),
        )

    def _shared(self, run: StallSpeed) -> StallSpeed:
        """The same run; what others have too is the same object."""
        one = self._common.setdefault
        budget = tuple(one(term, term) if term.kind == "systematic" else term for term in run.budget)
        return replace(
            run,
            budget=budget,
            notes=one(run.notes, run.notes),
            caveats=one(run.caveats, run.caveats),
            why=one(run.why, run.why),
        )


def _with_baseline(campaign: Campaign, runs: Sequence[StallSpeed], days: Mapping[str, str]) -> tuple[Comparison, ...]:
    """Each generation against its baseline where the comparisons asked for have none; adjusted among themselves only."""
    asked = set(campaign.pairs())
    lines = [(lineage(campaign, config.id)[0].id, config.id) for config in campaign.configurations if config.parent]
    more = tuple(pair for pair in lines if pair not in asked and pair[0] != pair[1])
    return compare_all(replace(campaign, comparisons=more), runs, days).comparisons if more else ()


def reduce_campaign(campaign: Campaign, flights: Iterable[FlightData], options: Options = Options()) -> Reduction:
    """Reduce all flights of a campaign.

    Parameters
    ----------
    campaign : Campaign
        Aircraft, indicator, calibrations, points, pairs to compare.
    flights : iterable of FlightData
        Flights with their runs and weights, in order.

    Returns
    -------
    Reduction
        Every run is in `runs`, with everything; those that do not count are in `excluded` with all reasons.

    Raises
    ------
    ReduceError
        Two flights have the same id, a flight names a configuration that the campaign does not
        have, or the options contradict each other: all of it at once.

    References
    ----------
    Each step names its own.
    """
    reducer = Reducer(campaign, options, keep=lambda run: run)
    for flight in flights:
        reducer.add(flight)
    return reducer.finish()


def _check(campaign: Campaign, flown: list[tuple[str, str | None]]) -> None:
    known = {c.id for c in campaign.configurations}
    faults = [
        Fault(where=f"flight {id}", got="two flights with this id", expected="one folder a flight")
        for id, times in Counter(id for id, _ in flown).items()
        if times > 1
    ]
    faults += [
        Fault(
            where=f"flight {id}, configuration",
            got=repr(configuration),
            expected=", ".join(sorted(known)) or "a [[configuration]] in campaign.toml",
        )
        for id, configuration in flown
        if configuration is not None and configuration not in known
    ]
    if faults:
        raise ReduceError(faults=tuple(faults))


def _stalls(flight: FlightData, indicator: Indicator) -> list[RunStall]:
    """What the calls of every run say, with the unsteadiness of the rate learned from all of them."""
    found = stalls_of_runs(flight.runs.runs, indicator)
    ratio = learned_drift_ratio(stall.approach for stall in found if stall.approach and not stall.speed_named)
    if ratio == 1.0:
        return found
    redo = {k for k, stall in enumerate(found) if stall.approach and not stall.speed_named}
    again = iter(stalls_of_runs([flight.runs.runs[k] for k in sorted(redo)], indicator, drift_ratio=ratio))
    return [next(again) if k in redo else stall for k, stall in enumerate(found)]


def _reduce_run(
    campaign: Campaign,
    flight: FlightData,
    run: Run,
    stall: RunStall,
    point: TestPoint | None,
    options: Options,
    trace: TraceAtEvent,
) -> StallSpeed:
    notes = list(stall.notes)
    flap_deg = _first(run.settings.flap_deg, point.flap_deg if point else None)
    bank_deg = _first(run.settings.bank_deg, point.bank_deg if point else None)
    calibrated = _calibrated(campaign, flap_deg, stall, notes)
    weight = _weight(campaign, flight.weight(run.id), notes)
    in_cas = _rate_in_cas(stall, calibrated)
    expected_kt = _expected_kt(campaign, point)
    verdict = judge(run, in_cas, point, flight.info.configuration, trace.ias_kt, campaign.indicator.unit, expected_kt)
    speeds = _standardised(campaign, calibrated, weight, bank_deg, trace, options, notes)
    budget = _budget(campaign, stall, calibrated, weight, speeds)
    record = flight.weight(run.id)
    return StallSpeed(
        run=run.id,
        run_number=run.number,
        flight=run.flight,
        configuration=flight.info.configuration,
        point=point.id if point else None,
        counts=verdict.counts,
        why=(*verdict.why, *_stall_proposed(stall, trace, verdict.counts, campaign.indicator.unit)),
        caveats=verdict.caveats,
        too_far_only=verdict.too_far_only,
        reviewed=run.reviewed or (flight.review is not None and flight.review.complete),
        **_as_called(stall),
        **_corrected(calibrated, speeds, budget),
        **_margins(campaign, flap_deg, stall, calibrated),
        **_conditions(stall, trace, calibrated, _altimeter_hpa(campaign, flight)),
        entry_rate_kt_per_s=in_cas.rate_kt_per_s,
        entry_rate_u_kt_per_s=in_cas.rate_u_kt_per_s,
        weight_kg=weight[0] if weight else None,
        weight_u_kg=weight[1] if weight else None,
        cg_mm=record.cg_mm if record else None,
        bank_deg=bank_deg,
        **_cl_max(campaign, calibrated, weight, bank_deg, trace, budget),
        wing_drop_roll_deg=trace.wing_drop_roll_deg,
        notes=tuple(dict.fromkeys([*notes, *_roll_note(trace)])),
        budget=budget,
        provenance=_run_provenance(flight, run, stall, speeds.steps, bool(calibrated)),
    )


def _stall_proposed(stall: RunStall, trace: TraceAtEvent, counts: bool, unit: str) -> list[str]:
    """Where the stall may have been in a run without a called event; a person decides, in the review."""
    if counts or stall.event is not StallEvent.NOT_REACHED or trace.lowest_ias_kt is None or trace.lowest_s is None:
        return []
    at = flight_time(trace.lowest_s)
    return [
        f"proposed: a trace is lowest at {at}, {speed_text(trace.lowest_ias_kt, unit)}; add the event there if it was the stall"
    ]


def _as_called(stall: RunStall) -> dict:
    """What the calls alone say: indicated speed, kind, fit."""
    fit = stall.approach
    return {
        "event": stall.event,
        "method": stall.method,
        "vs_ias_kt": stall.ias_kt,
        "vs_ias_u_kt": None if stall.ias_u_kt is None else math.hypot(stall.ias_u_kt, easing_u_kt(stall)),
        **_bounds(stall),
        "entry_rate_ias_kt_per_s": stall.rate_kt_per_s,
        "event_flight_s": stall.event_s,
        "buffet_ias_kt": stall.buffet_ias_kt,
        "warning_ias_kt": stall.warning_ias_kt,
        "wing_drop": stall.wing_drop,
        "last_call_ias_kt": stall.last_call_ias_kt,
        "calls_used": stall.used,
        "calls_excluded": stall.excluded,
        # The mean line from 1.1 Vs to the event: what a figure draws beside the curve.
        "fit": (s_to_ns(fit.event_s), fit.ias_kt, -fit.entry_rate_kt_per_s) if fit else None,
        "curve": fit.curve if fit else (),
        "readings": stall.readings,
        "reading_lag_removed": stall.reading_lag_removed,
    }


def _bounds(stall: RunStall) -> dict:
    """95 % bounds of the indicated stall speed: wider upwards by what the rate may have eased after the last call."""
    if stall.ias_kt is None or stall.ias_u_kt is None:
        return {}
    reach = REACH_95
    up = math.hypot(stall.ias_u_kt, stall.unseen_kt)
    return {"vs_ias_low_kt": stall.ias_kt - reach * stall.ias_u_kt, "vs_ias_high_kt": stall.ias_kt + reach * up}


def _corrected(calibrated: Calibrated | None, speeds: _Speeds, budget) -> dict:
    """CAS, and the speed at the reference weight on its load-factor basis."""
    if calibrated is None:
        return {}
    u_kt = total_u_kt(budget)
    raw_u_kt = total_u_kt(term for term in budget if term.name != "load factor")
    figures = {
        "vs_cas_kt": calibrated.cas_kt,
        "vs_cas_u_kt": total_u_kt(term for term in budget if term.name not in ("weight", "load factor")),
        "extrapolated_kt": calibrated.beyond_kt,
        "bases": tuple((name, kt, raw_u_kt if name == "raw" else u_kt) for name, kt in speeds.bases),
    }
    if speeds.chosen:
        figures |= {"basis": speeds.chosen[0], "vs_std_kt": speeds.chosen[1], "vs_std_u_kt": u_kt}
    return figures


def _budget(campaign: Campaign, stall: RunStall, calibrated, weight, speeds: _Speeds) -> tuple[BudgetTerm, ...]:
    if stall.ias_kt is None:
        return ()
    weight_term = None
    if speeds.raw_kt is not None and weight is not None and weight[1] is not None:
        weight_term = weight_u_kt(speeds.raw_kt, weight[0], weight[1])
    found = run_budget(stall, campaign.indicator, calibrated, weight_term, speeds.load_factor_u_kt)
    if any(table.source.startswith(MADE_HERE) for table in campaign.calibrations):
        return tuple(term for term in found if term.name != "instrument")  # it is in the table already
    return found


def _margins(campaign: Campaign, flap_deg: float | None, stall: RunStall, calibrated: Calibrated | None) -> dict:
    return {
        f"{name}_margin_kt": _margin(campaign, flap_deg, warned_kt, stall.ias_kt, calibrated)
        for name, warned_kt in (("warning", stall.warning_ias_kt), ("buffet", stall.buffet_ias_kt))
    }


def _altimeter_hpa(campaign: Campaign, flight: FlightData) -> float | None:
    planned = next((planned for planned in campaign.flights if planned.id == flight.info.id), None)
    return altimeter_setting_hpa(planned) if planned else None


def _conditions(
    stall: RunStall, trace: TraceAtEvent, calibrated: Calibrated | None, altimeter_hpa: float | None
) -> dict:
    """Where it was flown: called, else from a joined trace. An altitude that was called is what the altimeter read."""
    pressure_ft = _first(trace.altitude_ft, stall.altitude_ft)
    if trace.altitude_ft is None and pressure_ft is not None and altimeter_hpa is not None:
        pressure_ft += pressure_altitude_ft(altimeter_hpa)
    return {
        "altitude_ft": _first(stall.altitude_ft, trace.altitude_ft),
        "altitude_lost_ft": _first(stall.altitude_lost_ft, trace.altitude_lost_ft),
        "ground_speed_kt": trace.ground_speed_kt,
        "load_factor": trace.load_factor,
        **_air_data(calibrated, pressure_ft, trace.oat_degc),
    }


def _air_data(calibrated: Calibrated | None, altitude_ft: float | None, oat_degc: float | None) -> dict:
    """EAS and TAS where a pressure altitude is known (a standard day where no temperature is); density altitude."""
    if altitude_ft is None:
        return {}
    found = {}
    try:
        if oat_degc is not None:
            found["density_altitude_ft"] = density_altitude_ft(altitude_ft, oat_degc)
        if calibrated is not None:
            found["vs_eas_kt"] = eas_kt(calibrated.cas_kt, altitude_ft)
            found["vs_tas_kt"] = tas_kt(calibrated.cas_kt, altitude_ft, oat_degc)
    except (OutsideValidity, BadQuantity):
        return {}
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class _Speeds:
    """Speeds at the reference weight by load-factor basis, and how they were made."""

    bases: tuple[tuple[str, float], ...] = ()
    chosen: tuple[str, float] | None = None
    raw_kt: float | None = None
    load_factor_u_kt: float = 0.0
    steps: tuple[str, ...] = ()


def _standardised(campaign, calibrated, weight, bank_deg, trace, options, notes) -> _Speeds:
    if calibrated is None or weight is None:
        return _Speeds()
    reference = campaign.aircraft.reference_weight_kg
    raw = cas_at_weight_kt(calibrated.cas_kt, weight[0], reference)
    steps = [f"weight {weight[0]:.1f} to {reference:g} kg"]
    if options.to_cg_mm is not None and options.tail_arm_mm is not None:
        if weight[2] is None:
            notes.append("CG not known: not corrected for CG")
        else:
            raw = cas_at_cg_kt(raw, weight[2], options.to_cg_mm, options.tail_arm_mm)
            steps.append(f"CG {weight[2]:.0f} to {options.to_cg_mm:g} mm, tail arm {options.tail_arm_mm:g} mm")
    bases, u = [("raw", raw)], 0.0
    nz = trace.load_factor
    banked = bank_deg is not None and LEVEL_WITHIN_DEG < abs(bank_deg) < 80
    if banked:
        bases.insert(0, ("sqrt_cos", cas_at_1_g_kt(raw, turn_load_factor(bank_deg))))
        u = 0.5 * raw * math.tan(math.radians(abs(bank_deg))) * math.radians(BANK_U_DEG)
    if nz is not None and 0.3 < nz < 4.0:
        bases.insert(0, ("measured_nz", cas_at_1_g_kt(raw, nz)))
        u = 0.5 * raw / math.sqrt(nz) * trace.load_factor_u / nz
        if trace.load_factor_note:
            notes.append(trace.load_factor_note)
    wanted = options.basis or bases[0][0]
    bases = [b for b in bases if options.basis in (None, b[0])]
    chosen = next((b for b in bases if b[0] == wanted), None)
    if chosen is None:
        notes.append(f"no speed on the basis {wanted!r} for this run")
    return _Speeds(
        bases=tuple(bases), chosen=chosen, raw_kt=raw, load_factor_u_kt=u, steps=(*steps, f"load factor basis {wanted}")
    )


def _calibrated(campaign: Campaign, flap_deg: float | None, stall: RunStall, notes: list[str]) -> Calibrated | None:
    if stall.ias_kt is None or stall.ias_kt <= 0:
        return None
    found = _cas(campaign, flap_deg, stall.ias_kt)
    if isinstance(found, str):
        notes.append(f"no CAS: {found}")
        return None
    notes.extend(found.notes)
    return found


def _cas(campaign: Campaign, flap_deg: float | None, ias_kt: float) -> Calibrated | str:
    indicator = campaign.indicator
    return calibrate_ias(
        campaign.calibrations, flap_deg, instrument_corrected_kt(indicator, IasKt(ias_kt)), indicator.unit
    )


def _weight(
    campaign: Campaign, record: RunWeight | None, notes: list[str]
) -> tuple[float, float | None, float | None] | None:
    """(weight, its uncertainty, CG), or None with the reason in `notes`."""
    aircraft = campaign.aircraft
    if record is None or record.weight_kg is None or not math.isfinite(record.weight_kg):
        notes.append("weight not known: give loading and fuel; not corrected for weight")
        return None
    if record.weight_kg < aircraft.empty_weight_kg:
        notes.append(
            f"weight {record.weight_kg:.0f} kg is below the empty weight of {aircraft.empty_weight_kg:g} kg: "
            "not corrected for weight; check loading and fuel calls"
        )
        return None
    if record.weight_kg > aircraft.max_weight_kg:
        notes.append(f"weight {record.weight_kg:.0f} kg is above the maximum of {aircraft.max_weight_kg:g} kg")
    return record.weight_kg, record.weight_u_kg, record.cg_mm


def _expected_kt(campaign: Campaign, point: TestPoint | None) -> float | None:
    """The stall speed that the plan expects at a point; where it is silent there, its lowest anywhere [kt]."""
    if point is not None and point.expected_stall_ias_kt is not None:
        return point.expected_stall_ias_kt
    return min((p.expected_stall_ias_kt for p in campaign.points if p.expected_stall_ias_kt), default=None)


def _rate_in_cas(stall: RunStall, calibrated: Calibrated | None) -> RunStall:
    if calibrated is None or stall.rate_kt_per_s is None:
        return stall
    u = stall.rate_u_kt_per_s
    return replace(
        stall,
        rate_kt_per_s=stall.rate_kt_per_s * calibrated.slope,
        rate_u_kt_per_s=u * calibrated.slope if u is not None else None,
    )


def _margin(campaign, flap_deg, warning_ias_kt, stall_ias_kt, calibrated) -> float | None:
    """Warning or buffet above the stall, in CAS when both are calibrated."""
    if warning_ias_kt is None or stall_ias_kt is None:
        return None
    if calibrated:
        warned = _cas(campaign, flap_deg, warning_ias_kt)
        if isinstance(warned, Calibrated):
            return warned.cas_kt - calibrated.cas_kt
    return warning_ias_kt - stall_ias_kt


def _roll_note(trace: TraceAtEvent) -> list[str]:
    """The roll after the event beside the 15 deg of 14 CFR 23.201(d) [CFR23.201]."""
    rolled = trace.wing_drop_roll_deg
    if rolled is None or rolled <= MAX_ROLL_DEG:
        return []
    return [
        f"rolled {rolled:.0f} deg after the event, as recorded; 14 CFR 23.201(d) asks for {MAX_ROLL_DEG:g} deg at most"
    ]


def _cl_max(campaign, calibrated, weight, bank_deg, trace, budget) -> dict:
    """CLmax with 95 % bounds, where the load factor is recorded or follows from a bank held in a turn."""
    if calibrated is None or weight is None or calibrated.cas_kt <= 0:
        return {}
    if trace.load_factor is not None:
        n, n_u, source = trace.load_factor, trace.load_factor_u, "recorder"
    elif bank_deg is not None and LEVEL_WITHIN_DEG < abs(bank_deg) < 80:
        # 1/cos holds in a level turn; at the stall the path curves down and n is some per cent less.
        n = turn_load_factor(bank_deg)
        n_u = n * math.hypot(math.tan(math.radians(abs(bank_deg))) * math.radians(BANK_U_DEG), PATH_U)
        source = "bank"
    else:
        return {}
    eas = EasKt(calibrated.cas_kt)  # CAS is 0.07 kt more at 80 kt and 10,000 ft, less below
    value = max_lift_coefficient(eas, weight[0], campaign.aircraft.wing_area_m2, n)
    speed_u = total_u_kt(term for term in budget if term.name not in ("weight", "load factor")) / calibrated.cas_kt
    share = math.sqrt((n_u / n) ** 2 + (2 * speed_u) ** 2 + ((weight[1] or 0.0) / weight[0]) ** 2)
    reach = REACH_95 * share
    low, high = value * (1 - reach), value * (1 + reach)
    return {"cl_max": value, "cl_max_low": low, "cl_max_high": high, "load_factor_from": source}


def _first(*values: float | None) -> float | None:
    return next((value for value in values if value is not None), None)


def _loose(flight: FlightData) -> list[Excluded]:
    """Calls of an approach that were in no run."""
    loose = [call for call in flight.runs.unassigned if call.ias_kt is not None and call.counts]
    if not loose:
        return []
    first, last = loose[0].flight_s, loose[-1].flight_s
    why = f"{len(loose)} airspeed call(s) in no run, from {first:.0f} to {last:.0f} s"
    return [Excluded(what="calls", why=why, flight=flight.info.id)]


def _run_provenance(flight: FlightData, run: Run, stall: RunStall, steps, calibrated: bool) -> Provenance:
    calls = {call.id: call for call in run.calls}
    used = [id for id in (*stall.used, *stall.event_calls) if id in calls]
    rows = tuple(dict.fromkeys(row for id in used for row in (id, *calls[id].history)))
    done = [f"stall speed by {stall.method}", *(["calibration"] if calibrated else []), *steps]
    return Provenance(flight=flight.info.id, rows=rows, steps=tuple(done), app=__version__, packs=flight.packs)

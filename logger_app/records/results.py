"""What the reduction says: per run, per test point and configuration, and between configurations."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from logger_app.records.runs import FlightReview, StallEvent


@dataclass(frozen=True, slots=True, kw_only=True)
class Provenance:
    """Where a figure came from: journal rows used, steps taken, versions."""

    flight: str = ""
    rows: tuple[str, ...] = ()
    steps: tuple[str, ...] = ()
    app: str = ""
    packs: tuple[str, ...] = ()
    hashes: tuple[tuple[str, str], ...] = ()


_NO_PROVENANCE = Provenance()


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetTerm:
    """One line of an uncertainty budget. `kind` is ``random`` (shrinks with n) or ``systematic``."""

    name: str
    u_kt: float
    kind: str = "random"
    cancels: bool = False  # in a comparison of same instrument, same flap
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class StallSpeed:
    """One run reduced. Speeds in knots; `u` is a standard uncertainty (k = 1).

    `method` is ``fit`` (the approach fitted, evaluated at the event) or ``lowest`` (the lowest
    steady call, the fall-back). `fit` holds (t0_ns, intercept_kt, slope_kt_per_s) of the fitted
    line when there is one. `counts` says whether the run enters the averages; `why` says why not.
    """

    run: str
    run_number: int
    flight: str
    configuration: str | None
    point: str | None
    event: StallEvent
    method: str
    counts: bool
    why: tuple[str, ...] = ()
    vs_ias_kt: float | None = None
    vs_ias_u_kt: float | None = None
    vs_cas_kt: float | None = None
    vs_cas_u_kt: float | None = None
    vs_std_kt: float | None = None  # CAS at the reference weight; the basis is in `basis`
    vs_std_u_kt: float | None = None
    basis: str = "raw"  # raw | sqrt_cos | measured_nz
    entry_rate_kt_per_s: float | None = None
    entry_rate_u_kt_per_s: float | None = None
    event_flight_s: float | None = None
    buffet_ias_kt: float | None = None
    warning_ias_kt: float | None = None
    wing_drop: str | None = None  # left | right | none
    altitude_lost_ft: float | None = None
    altitude_ft: float | None = None
    weight_kg: float | None = None
    weight_u_kg: float | None = None
    cg_mm: float | None = None
    bank_deg: float | None = None
    calls_used: tuple[str, ...] = ()
    calls_excluded: tuple[tuple[str, str], ...] = ()  # (call id, why)
    fit: tuple[int, float, float] | None = None
    notes: tuple[str, ...] = ()
    reviewed: bool = False
    budget: tuple[BudgetTerm, ...] = ()
    provenance: Provenance = field(default_factory=Provenance)
    # Further figures; speeds by load-factor basis, all at the reference weight: (basis, kt, u_kt).
    bases: tuple[tuple[str, float, float], ...] = ()
    entry_rate_ias_kt_per_s: float | None = None
    extrapolated_kt: float | None = None  # how far outside the calibration table, in IAS
    load_factor: float | None = None  # measured, normal to the flight path, at the event
    cl_max: float | None = None
    density_altitude_ft: float | None = None
    vs_eas_kt: float | None = None  # at the event, where an altitude is known
    vs_tas_kt: float | None = None  # standard temperature unless a trace gives one
    ground_speed_kt: float | None = None  # from a joined trace
    warning_margin_kt: float | None = None  # above the stall; CAS when calibrated, else IAS
    buffet_margin_kt: float | None = None
    curve: tuple[tuple[float, float], ...] = ()  # (flight_s, ias_kt) along the fitted approach
    caveats: tuple[str, ...] = ()
    # 95 % bounds. Where the calls cannot tell how the rate eased towards the stall the truth lies higher rather than
    # lower: they are not the same distance away on both sides.
    vs_ias_low_kt: float | None = None
    vs_ias_high_kt: float | None = None
    cl_max_low: float | None = None  # 95 %; with `cl_max` only where a load factor is known
    cl_max_high: float | None = None
    load_factor_from: str = ""  # recorder | bank
    wing_drop_roll_deg: float | None = None  # largest bank away from the one held, from a recorder
    readings: tuple[tuple[float, float], ...] = ()  # (flight_s, ias_kt) of the calls of the approach that count
    reading_lag_removed: bool = False  # the event is not a spoken word: calls were moved earlier by the reading lag
    last_call_ias_kt: float | None = None  # of those used
    too_far_only: bool = False  # left out for one reason alone: read too far below the last call


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One test point in one configuration: the mean of the runs that count.

    `low_kt` and `high_kt` bound the 95 % interval of the mean of `vs_std_kt`; the IAS figures
    are raw, as the pilot knows them. `at_1_kt_per_s` is the regression to 1 kt/s when the flown
    rates span it.
    """

    point: str
    configuration: str
    event: str
    n: int
    vs_ias_kt: float | None = None
    vs_ias_sd_kt: float | None = None
    vs_ias_u_kt: float | None = None
    vs_std_kt: float | None = None
    vs_std_sd_kt: float | None = None
    vs_std_u_kt: float | None = None
    low_kt: float | None = None
    high_kt: float | None = None
    at_1_kt_per_s_kt: float | None = None
    entry_rate_kt_per_s: float | None = None
    runs: tuple[str, ...] = ()
    reviewed: bool = False
    notes: tuple[str, ...] = ()
    budget: tuple[BudgetTerm, ...] = ()
    basis: str = "raw"  # load-factor basis of `vs_std_kt`
    at_1_kt_per_s_u_kt: float | None = None
    rate_slope: float | None = None  # kt of stall speed per kt/s of entry rate, when regressed
    total_low_kt: float | None = None  # 95 % bounds with the systematic terms as well
    total_high_kt: float | None = None
    vs_cas_kt: float | None = None
    warning_margin_kt: float | None = None
    buffet_margin_kt: float | None = None
    wing_drops: tuple[tuple[str, int], ...] = ()  # (side, how often)
    warning_margin_low_kt: float | None = None  # 95 % bounds of the mean margin, beside the 5 kt of the rule
    warning_margin_high_kt: float | None = None
    speed_basis: str = "std"  # what the columns of this cell hold: std, else cas, else ias only
    cl_max: float | None = None
    cl_max_low: float | None = None
    cl_max_high: float | None = None
    buffet_margin_low_kt: float | None = None  # 95 % bounds of the mean margin
    buffet_margin_high_kt: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """The difference at one point, changed minus reference: negative is a lower stall.

    Two statements. Of the *change* (`difference_kt`, `low_kt`, `high_kt`, `verdict`): what another pair of flights
    would differ by. *Between the flights flown* (`flights_...`): what did differ, whatever it came from. Where
    several are made (`adjusted_for`) their intervals hold all at once with `level`; the named comparison's holds by
    itself. An interval leaves out 0 exactly when the verdict is ``lower`` or ``higher``. `basis` is the speed compared:
    ``std`` (CAS at the reference weight), ``cas`` or ``ias``; the last two at the reference weight as well where
    `at_reference_weight`. `smallest_kt` would have been shown four times out of five; `verdict` is ``lower``,
    ``higher``, ``not shown`` or ``not comparable``; `words` is the sentence.
    """

    point: str
    reference: str
    changed: str
    n_reference: int
    n_changed: int
    verdict: str
    words: str
    basis: str = "std"
    difference_kt: float | None = None
    u_kt: float | None = None
    low_kt: float | None = None
    high_kt: float | None = None
    p: float | None = None
    p_adjusted: float | None = None
    smallest_kt: float | None = None
    method: str = "model"
    wing_drop_p: float | None = None
    warning_margin_change_kt: float | None = None
    reviewed: bool = False
    notes: tuple[str, ...] = ()
    budget: tuple[BudgetTerm, ...] = ()
    event: str = ""
    df: float | None = None  # of earlier releases; None since the model integrates over the scatter
    load_factor_basis: str = "raw"
    alternatives: tuple[tuple[str, float, float, float], ...] = ()  # (method, difference, low, high)
    runs_to_show_1_kt: int | None = None  # of each configuration, on as many flights; None: flights are needed
    warning_margin_change_u_kt: float | None = None
    at_reference_weight: bool = True
    named: bool = False  # the comparison that the plan named beforehand: not diluted by the others
    level: float = 0.95
    adjusted_for: int = 1
    n_flights_reference: int = 0
    n_flights_changed: int = 0
    flights_difference_kt: float | None = None  # between the flights that were flown
    flights_u_kt: float | None = None
    flights_low_kt: float | None = None
    flights_high_kt: float | None = None
    flights_verdict: str = ""  # lower | higher | not shown
    flights_to_show_1_kt: int | None = None  # of each configuration, with as many runs a flight
    no_worse_kt: float | None = None  # the margin asked about: higher by less than this
    no_worse_p: float | None = None  # probability that it is higher by more than the margin
    no_worse: bool = False
    at_most_kt: float | None = None  # one-sided bound: higher by no more than this (95 %)
    next_run_kt: float | None = None  # half-width now is (high - low) / 2; with one more run of each
    next_flight_kt: float | None = None  # with one more flight of each
    planned_kt: float | None = None  # the smallest difference worth knowing, of the plan
    runs_to_show_planned: int | None = None  # as runs_to_show_1_kt, for that difference
    flights_to_show_planned: int | None = None
    next_words: str = ""  # enough, or one more run, or one more flight


@dataclass(frozen=True, slots=True, kw_only=True)
class Overall:
    """The answer of all points together for one pair of configurations: the mean difference.

    Fields as in `Comparison`; `points` are those compared. Its interval is a plain 95 % one.
    """

    reference: str
    changed: str
    points: tuple[str, ...]
    basis: str
    verdict: str
    words: str
    difference_kt: float | None = None
    u_kt: float | None = None
    low_kt: float | None = None
    high_kt: float | None = None
    p: float | None = None
    level: float = 0.95
    smallest_kt: float | None = None
    n_flights_reference: int = 0
    n_flights_changed: int = 0
    flights_difference_kt: float | None = None
    flights_low_kt: float | None = None
    flights_high_kt: float | None = None
    flights_verdict: str = ""
    no_worse_kt: float | None = None
    no_worse_p: float | None = None
    no_worse: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelSummary:
    """The scatters and the slope that the whole campaign shares, each as (middle, low, high), 95 %.

    `flights_learned` says whether some configuration flew more than one flight; if not, the flights' scatter is
    the prior of the plan (`flight_sd_prior_kt`).
    """

    runs: int
    flights: int
    run_sd_kt: tuple[float, float, float]
    flight_sd_kt: tuple[float, float, float]
    rate_slope: tuple[float, float, float]  # kt of stall speed per kt/s of entry rate
    run_sd_prior_kt: float
    flight_sd_prior_kt: float
    flights_learned: bool
    notes: tuple[str, ...] = ()


def without_details(result: StallSpeed) -> StallSpeed:
    """The same run without what only its own page shows: curve, fit, ids of calls, provenance.

    What averages and comparisons need stays. A tenth of the memory: long campaigns keep runs so.
    """
    return replace(result, curve=(), readings=(), fit=None, calls_used=(), calls_excluded=(), provenance=_NO_PROVENANCE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Excluded:
    """A run or call left out, and why."""

    what: str
    why: str
    flight: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class OneSided:
    """A change on one wing only: how often the unmodified wing (`control_side`) dropped first, with its exact interval.

    `reference_left` and `reference_right` count the drops of the nearest earlier configuration that is alike on both
    wings; `could_also` names what else favours a side.
    """

    configuration: str
    fitted_side: str
    control_side: str
    n_runs: int
    control_first: int
    fitted_first: int
    neither: int
    low_ratio: float
    high_ratio: float
    reference_left: int = 0
    reference_right: int = 0
    p_differs_from_reference: float | None = None
    could_also: tuple[str, ...] = ()
    words: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class StationPair:
    """One station of both wings in the same runs: control minus fitted, positive when the change held on longer."""

    station: str
    n: int
    not_paired: int = 0
    difference_ias_kt: float | None = None
    low_kt: float | None = None
    high_kt: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Reduction:
    """All results of a campaign."""

    campaign: str
    runs: tuple[StallSpeed, ...]
    cells: tuple[Cell, ...]
    comparisons: tuple[Comparison, ...]
    excluded: tuple[Excluded, ...] = ()
    reviewed_share: float = 0.0
    reviews: tuple[FlightReview, ...] = ()
    provenance: Provenance = field(default_factory=Provenance)
    summary: tuple[str, ...] = ()
    rules: tuple[tuple[str, str, str], ...] = ()  # "a run counts if": (name, effect, rule)
    one_sided: tuple[OneSided, ...] = ()
    history: tuple[Comparison, ...] = ()  # with the baseline, beside the comparisons asked for; not adjusted with them
    overall: tuple[Overall, ...] = ()
    model: ModelSummary | None = None

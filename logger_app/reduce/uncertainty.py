"""The uncertainty budget of a run, a cell and a comparison: which terms there are, which shrink.

Terms are standard uncertainties in knots of stall speed. ``random`` ones shrink with the number
of runs; ``systematic`` ones do not; those with `cancels` drop out of a comparison flown with the
same instrument at the same flap setting. Not for: the statistics of repeats (see `statistics`).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from logger_app.records.plan import Indicator
from logger_app.records.results import BudgetTerm
from logger_app.reduce.calibration import Calibrated
from logger_app.reduce.stall_speed import RunStall
from logger_app.units import speed_text

STATIC_PORT_CAVEAT = (
    "calibration error cancels only if the change leaves the flow at the static port and the stall "
    "attitude alone; a change that raises the stall angle may not"
)


def weight_u_kt(speed_kt: float, weight_kg: float, weight_u_kg: float) -> float:
    """Uncertainty of a stall speed that comes from the weight.

    Parameters
    ----------
    speed_kt : float
        Stall speed [kt].
    weight_kg : float
        Weight [kg].
    weight_u_kg : float
        Its standard uncertainty [kg].

    Returns
    -------
    float
        Standard uncertainty [kt].

    Notes
    -----
    dV / V = 0.5 dW / W.

    References
    ----------
    [DERIVED] from V ~ sqrt(W).

    Examples
    --------
    >>> round(weight_u_kt(48, 1500, 10), 2)
    0.16
    """
    return 0.5 * speed_kt * weight_u_kg / weight_kg


def easing_u_kt(stall: RunStall) -> float:
    """Uncertainty of an indicated stall speed from what the rate did after the last call.

    Returns
    -------
    float
        Standard uncertainty [kt]; nothing where a speed was said with the event.

    Notes
    -----
    The rate may have eased to anything between 40 and 100 % of what it was: 0.6 of the one-sided share.

    References
    ----------
    [CP] a share set on made approaches that ease to 100, 80, 60 and 40 % over the last 5 kt.
    """
    return 0.6 * stall.unseen_kt


def run_budget(
    stall: RunStall,
    indicator: Indicator,
    calibrated: Calibrated | None,
    weight_term_kt: float | None,
    load_factor_term_kt: float = 0.0,
) -> tuple[BudgetTerm, ...]:
    """The budget of one run's standardised speed.

    Parameters
    ----------
    calibrated : Calibrated or None
        Gives the calibration; None when the speed stays indicated.
    weight_term_kt : float or None
        See `weight_u_kt`; None when the weight is not known [kt].
    load_factor_term_kt : float
        Uncertainty of the speed from the load factor or bank [kt].

    Returns
    -------
    tuple of BudgetTerm
        One a source, in knots of CAS (of IAS without calibration).

    References
    ----------
    [TN1297] sec. 5, combination in quadrature.
    """
    slope = calibrated.slope if calibrated else 1.0
    terms = [
        BudgetTerm(name="reading", u_kt=slope * stall.reading_u_kt, note="graduation of the dial, through the fit"),
        BudgetTerm(name="fit", u_kt=slope * stall.scatter_u_kt, note="scatter of the calls and drift of the rate"),
        BudgetTerm(
            name="lag",
            u_kt=slope * stall.lag_u_kt,
            kind="systematic",
            cancels=True,
            note="difference between the lag of readings and of the event call, times the rate; the pilot's habit",
        ),
        BudgetTerm(
            name="easing",
            u_kt=slope * easing_u_kt(stall),
            kind="systematic",
            cancels=True,
            note="how the rate eased after the last call; a speed said at the break removes it",
        ),
        BudgetTerm(name="instrument", u_kt=slope * indicator.instrument_u_kt, kind="systematic", cancels=True),
    ]
    terms = [term for term in terms if term.name != "easing" or term.u_kt]
    if calibrated:
        note = f"{speed_text(calibrated.beyond_kt, indicator.unit)} outside the table" if calibrated.beyond_kt else ""
        terms.append(BudgetTerm(name="calibration", u_kt=calibrated.u_kt, kind="systematic", cancels=True, note=note))
    if weight_term_kt is not None:
        note = "loading and fuel; common to the runs of a flight, not to the flights compared"
        terms.append(BudgetTerm(name="weight", u_kt=weight_term_kt, kind="systematic", note=note))
    if load_factor_term_kt:
        terms.append(BudgetTerm(name="load factor", u_kt=load_factor_term_kt, note="bank held or nz measured"))
    return tuple(terms)


def total_u_kt(terms: Iterable[BudgetTerm]) -> float:
    """All terms in quadrature.

    Returns
    -------
    float
        Combined standard uncertainty [kt].

    References
    ----------
    [TN1297] sec. 5.
    """
    return math.sqrt(sum(term.u_kt**2 for term in terms))


def mean_budget(
    budgets: Sequence[tuple[BudgetTerm, ...]], flights: Sequence[str], repeatability_u_kt: float | None
) -> tuple[BudgetTerm, ...]:
    """The budget of a mean of runs.

    Parameters
    ----------
    flights : sequence of str
        Flight of each run: a weight error is common to a flight.
    repeatability_u_kt : float or None
        s / sqrt(n) of the runs; None for a single run [kt].

    Returns
    -------
    tuple of BudgetTerm
        Repeatability stands for the random terms, which it contains; with one run the run's own
        random terms are kept instead.

    References
    ----------
    [TN1297] sec. 5: systematic terms do not shrink with n.
    """
    terms: list[BudgetTerm] = []
    if repeatability_u_kt is not None:
        note = "s / sqrt(n); contains reading and fit; shrinks with n"
        terms.append(BudgetTerm(name="repeatability", u_kt=repeatability_u_kt, note=note))
    else:
        terms += [term for term in budgets[0] if term.kind == "random"]
    names = dict.fromkeys(term.name for budget in budgets for term in budget if term.kind == "systematic")
    for name in names:
        found = [(flight, t) for budget, flight in zip(budgets, flights) for t in budget if t.name == name]
        mean = sum(t.u_kt for _, t in found) / len(found)
        if name == "weight":
            mean /= math.sqrt(len({flight for flight, _ in found}))
        sample = found[0][1]
        notes = "; ".join(dict.fromkeys(t.note for _, t in found if t.note))
        terms.append(BudgetTerm(name=name, u_kt=mean, kind="systematic", cancels=sample.cancels, note=notes))
    return tuple(terms)

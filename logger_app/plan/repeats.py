"""How many runs and flights a question needs, and what a budget of flights or hours can answer.

All of it is the comparison's own model (`domain.design`) with the scatters of `[plan]` and the fit's uncertainty for
the steps in which speeds are to be called. Main names: `power`, `runs_a_flight`, `shown_kt`, `within_budget`.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from logger_app.domain.approach import planned_u_kt
from logger_app.domain.design import POWER, Prior, power_of, runs_needed, smallest_difference_kt
from logger_app.domain.fitted import lineage
from logger_app.errors import CardError, Fault
from logger_app.plan.flights import Budget, ProposedFlight, budget, capacity, fuel_to_count_with_l
from logger_app.plan.order import build_up
from logger_app.records.plan import Campaign, Planning
from logger_app.units import speed_text

MAX_FLIGHTS = 40


def total_scatter_kt(plan: Planning) -> float:
    """Scatter of repeated runs as the reduction will see them: of the stalls, and of reading them in the steps planned."""
    return math.hypot(plan.scatter_kt, planned_u_kt(plan.call_step_kt))


def _scatters(plan: Planning) -> tuple[float, float, Prior]:
    """Scatter of runs and of flights that will be flown, and what the comparison believes of them."""
    total = total_scatter_kt(plan)
    return total, plan.flight_scatter_kt, Prior(run_sd_kt=total, flight_sd_kt=plan.flight_scatter_kt)


def runs_a_flight(plan: Planning, flights: int) -> int | None:
    """Runs of a point on each of so many flights of each configuration, to see the smallest difference worth knowing.

    None when no number of runs shows it: flights are needed. Four times out of five, 5 % two-sided.
    """
    return runs_needed(plan.smallest_difference_kt, flights, *_scatters(plan))


def shown_kt(plan: Planning, flights: tuple[int, int], runs: float) -> float:
    """Smallest difference that so many runs on each of so many flights show four times out of five [kt]."""
    return smallest_difference_kt(flights, runs, *_scatters(plan))


def power(plan: Planning, flights: tuple[int, int], runs: float) -> float:
    """Chance to show the smallest difference worth knowing, with so many runs on each flight that count."""
    return power_of(plan.smallest_difference_kt, flights, runs, *_scatters(plan))


def runs_of_each(plan: Planning) -> int:
    """Runs of a point in each configuration, flown as A-B-B-A: twice those of a flight."""
    needed = runs_a_flight(plan, 2)
    return 2 * needed if needed else 2 * plan.most_runs_per_flight


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetPlan:
    """What a budget buys: flights in order with their runs, and how well the question is answered.

    `power` is the chance to show `difference_kt` at the question's point; `shows_kt` what is shown four times out of
    five; `left_out` says what the budget does not reach.
    """

    flights: tuple[ProposedFlight, ...]
    question: tuple[str, str, str]
    runs_a_flight: int
    difference_kt: float
    power: float
    shows_kt: float
    left_out: tuple[str, ...] = ()

    @property
    def minutes(self) -> float:
        """Time from start-up to shut-down of all flights."""
        return sum(flight.budget.minutes for flight in self.flights)

    @property
    def fuel_l(self) -> float | None:
        """Fuel of all flights; None where the burn is not known."""
        return total_fuel_l([flight.budget for flight in self.flights])


def total_fuel_l(budgets: Sequence[Budget]) -> float | None:
    """Fuel used on several flights; None where it is not known of one."""
    used = [b.fuel_used_l for b in budgets if b.fuel_used_l is not None]
    return sum(used) if len(used) == len(budgets) else None


def read_budget(text: str) -> tuple[int | None, float | None]:
    """Flights, or hours, from ``3 flights`` or ``4 hours``.

    Raises
    ------
    CardError
        It is neither.
    """
    found = re.fullmatch(r"\s*(\d+(?:[.,]\d+)?)\s*(flights?|h|hours?)\s*", text.lower())
    number = float(found[1].replace(",", ".")) if found else 0.0
    if found and found[2].startswith("f") and number == int(number) and 1 <= number <= MAX_FLIGHTS:
        return int(number), None
    if found and found[2].startswith("h") and 0 < number <= 500:
        return None, number
    raise CardError(
        faults=(Fault(where="--budget", got=repr(text), expected=f'"3 flights" (1 to {MAX_FLIGHTS}) or "4 hours"'),)
    )


def within_budget(campaign: Campaign, flights: int | None = None, hours: float | None = None) -> BudgetPlan:
    """The flights that answer the campaign's question best within so many flights or hours.

    Parameters
    ----------
    flights : int, optional
        Flights there are.
    hours : float, optional
        Hours from start-up to shut-down, all flights together; used when no number of flights is given.

    Raises
    ------
    CardError
        There is nothing to compare, or the budget does not hold a flight of each configuration.
    """
    reference, changed, point = _question(campaign)
    plan = campaign.planning
    room = min(capacity(campaign, c) for c in (reference, changed))
    overhead = plan.minutes_to_area + plan.minutes_back
    choices = []
    for n in [flights] if flights else range(2, MAX_FLIGHTS + 1):
        runs = room if hours is None else min(room, math.floor((hours * 60 / n - overhead) / plan.minutes_per_run))
        if n >= 2 and runs >= 1:
            share = (n + 1) // 2, n // 2
            choices.append((power(plan, share, _useful(plan, share, runs)), -n, runs))
    if not choices:
        offered = f"{flights} flight{'s' if flights != 1 else ''}" if flights else f"{hours:g} hours"
        raise CardError(
            faults=(
                Fault(
                    where="--budget",
                    got=offered,
                    expected=f"a flight of {reference} and one of {changed} with a run each: "
                    f"{2 * (overhead + plan.minutes_per_run) / 60:.1f} hours at least",
                ),
            )
        )
    _, negative, runs = max(choices)
    order = _order(reference, changed, -negative)
    share = order.count(reference), order.count(changed)
    useful = _useful(plan, share, runs)
    made = _flights(campaign, order, point, useful, runs)
    return BudgetPlan(
        flights=made,
        question=(reference, changed, point),
        runs_a_flight=useful,
        difference_kt=plan.smallest_difference_kt,
        power=power(plan, share, useful),
        shows_kt=shown_kt(plan, share, useful),
        left_out=_left_out(campaign, made, (reference, changed)),
    )


def _question(campaign: Campaign) -> tuple[str, str, str]:
    """The comparison named in the plan; else the first pair at the first point in build-up order."""
    if campaign.named:
        return campaign.named
    pairs, order = campaign.pairs(), build_up(campaign)
    if not pairs or not order:
        raise CardError(
            faults=(Fault(where="plan", got="nothing to compare", expected="two configurations and a test point"),)
        )
    return (*pairs[0], order[0].point.id)


def _useful(plan: Planning, share: tuple[int, int], room: int) -> int:
    """Runs of the question's point on a flight: as many as fit, but none that hardly adds to the answer."""
    most = min(room, 12)
    full = power(plan, share, most)
    if full < POWER:
        return most
    return next(runs for runs in range(1, most + 1) if power(plan, share, runs) >= min(full, 0.9) - 0.005)


def _order(reference: str, changed: str, flights: int) -> list[str]:
    """A-B-B-A and on, beginning and ending with the reference where the number allows."""
    block = [reference, changed, changed, reference]
    order = [block[k % 4] for k in range(flights)]
    if flights % 4 == 3:
        order[-1] = reference  # A-B-A rather than A-B-B: what drifts is seen
    return order


def _flights(campaign: Campaign, order: Sequence[str], point: str, runs: int, room: int) -> tuple[ProposedFlight, ...]:
    """Each flight: the question's point first in number, then what else fits, in build-up order."""
    places = [step.point for step in build_up(campaign)]
    made = []
    for number, configuration in enumerate(order, 1):
        wanted = {point: runs}
        left = room - runs
        turns = order.count(configuration)
        for other in places:
            if other.id != point and left > 0:
                wanted[other.id] = min(left, max(1, math.ceil(other.runs_wanted / turns)))
                left -= wanted[other.id]
        flown = tuple((p.id, wanted[p.id]) for p in places if wanted.get(p.id))
        made.append(
            ProposedFlight(
                number=number,
                configuration=configuration,
                runs=flown,
                budget=budget(campaign, sum(n for _, n in flown), fuel_to_count_with_l(campaign, configuration)),
                reason="the question's point on every flight; others as far as the flight holds them",
            )
        )
    return tuple(made)


def _left_out(campaign: Campaign, made: Sequence[ProposedFlight], pair: tuple[str, str]) -> tuple[str, ...]:
    flown = {point for flight in made for point, _ in flight.runs}
    points = [p.id for p in campaign.points if p.id not in flown]
    others = [c.id for c in campaign.configurations if c.id not in pair and c.id not in lineage(campaign, pair[1])]
    left = [f"points {', '.join(points)}"] if points else []
    return (*left, *([f"configurations {', '.join(others)}"] if others else []))


def budget_text(campaign: Campaign, found: BudgetPlan) -> str:
    """The plan for a person: total time and fuel first."""
    reference, changed, point = found.question
    unit = campaign.indicator.unit
    label = next(p.label for p in campaign.points if p.id == point)
    lines = [
        total_in_words([flight.budget for flight in found.flights]),
        f"Question: {changed} against {reference} at {point} ({label})",
        f"  {found.runs_a_flight} runs of it a flight show {speed_text(found.shows_kt, unit)} four times out of "
        f"five; {speed_text(found.difference_kt, unit, '.3g')} is shown with a chance of {100 * found.power:.0f} %",
        "Flights, in this order",
    ]
    for flight in found.flights:
        points = ", ".join(f"{p} x{n}" for p, n in flight.runs)
        fits = "" if flight.budget.fits else "; BELOW the reserve"
        lines.append(f"  {flight.number}. {flight.configuration}: {points} ({flight.budget.minutes:.0f} min{fits})")
    lines += [f"Not reached within this budget: {left}" for left in found.left_out]
    return "\n".join(lines)


def budget_document(found: BudgetPlan) -> dict:
    """The plan for machines."""
    return {
        "minutes": round(found.minutes, 1),
        "fuel_l": None if found.fuel_l is None else round(found.fuel_l, 1),
        "runs": sum(flight.budget.runs for flight in found.flights),
        "question": dict(zip(("reference", "changed", "point"), found.question)),
        "runs_a_flight": found.runs_a_flight,
        "difference_kt": found.difference_kt,
        "power": round(found.power, 3),
        "shows_kt": round(found.shows_kt, 2),
        "flights": [
            {
                "number": flight.number,
                "configuration": flight.configuration,
                "points": [{"point": p, "runs": n} for p, n in flight.runs],
                "minutes": round(flight.budget.minutes, 1),
                "fuel_used_l": flight.budget.fuel_used_l,
                "fits": flight.budget.fits,
            }
            for flight in found.flights
        ],
        "left_out": list(found.left_out),
    }


def total_in_words(budgets: Sequence[Budget]) -> str:
    """Runs, flights, hours and fuel of a plan in one line."""
    minutes, fuel = sum(b.minutes for b in budgets), total_fuel_l(budgets)
    used = "fuel not known" if fuel is None else f"{fuel:.0f} l of fuel"
    runs = sum(b.runs for b in budgets)
    return f"In all: {runs} runs on {len(budgets)} flights, {minutes / 60:.1f} hours, {used}"

"""Time, fuel and loading of a flight; the runs that are left; which flight comes next, and why.

Pure. What has been flown comes in as numbers: runs that count by (configuration, point), and the
configurations of the flights in the order they were flown. Main names: `budget`, `loads`,
`count_flown`, `runs_left`,
`propose_flights`, `next_flight`.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from logger_app.domain.fitted import lineage
from logger_app.errors import Fault
from logger_app.plan.loading import aircraft_as_fitted, loading_limits, weight_and_cg
from logger_app.plan.order import build_up
from logger_app.records.plan import Campaign, PlannedFlight
from logger_app.records.results import StallSpeed

Flown = Mapping[tuple[str, str], int]
"""Runs that count, by (configuration id, point id)."""
_MAX_FLIGHTS = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """Time and fuel of a flight; None where the burn or the fuel is not known.

    `runs_that_fit` is how many runs the fuel above the reserve allows.
    """

    runs: int
    minutes: float
    fuel_l: float | None = None
    fuel_used_l: float | None = None
    fuel_left_l: float | None = None
    reserve_l: float = 0.0
    runs_that_fit: int | None = None

    @property
    def fits(self) -> bool:
        """Whether the reserve is still aboard at the end (or nothing is known of the fuel)."""
        return self.fuel_left_l is None or self.fuel_left_l >= self.reserve_l - 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class CardLoad:
    """Weight and CG when a card begins, and the limits that are broken then."""

    card: str
    minutes: float
    fuel_left_l: float
    weight_kg: float
    cg_mm: float | None
    faults: tuple[Fault, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ProposedFlight:
    """A flight to fly: the configuration, (point id, runs) in build-up order, its budget and why."""

    number: int
    configuration: str
    runs: tuple[tuple[str, int], ...]
    budget: Budget
    reason: str

    def cards(self, campaign: Campaign) -> tuple[str, ...]:
        """Ids of the cards that hold its points, in the order they are first needed."""
        of = {point.id: point.card for point in campaign.points}
        return tuple(dict.fromkeys(of[point] for point, _ in self.runs if point in of))


def budget(campaign: Campaign, runs: int, fuel_l: float | None) -> Budget:
    """Time and fuel of a flight.

    Parameters
    ----------
    campaign : Campaign
        For the burn, the reserve and the minutes of `planning`.
    fuel_l : float or None
        Fuel at start-up [l].

    Returns
    -------
    Budget
        Minutes from start-up to shut-down, fuel used and left, runs that fit.
    """
    plan, aircraft = campaign.planning, campaign.aircraft
    overhead_min = plan.minutes_to_area + plan.minutes_back
    minutes = overhead_min + runs * plan.minutes_per_run
    burn = aircraft.fuel_burn_l_per_h
    if not burn or fuel_l is None:
        return Budget(runs=runs, minutes=minutes, fuel_l=fuel_l, reserve_l=aircraft.fuel_reserve_l)
    used_l = burn * minutes / 60.0
    spare_min = (fuel_l - aircraft.fuel_reserve_l) / burn * 60.0 - overhead_min
    return Budget(
        runs=runs,
        minutes=minutes,
        fuel_l=fuel_l,
        fuel_used_l=used_l,
        fuel_left_l=fuel_l - used_l,
        reserve_l=aircraft.fuel_reserve_l,
        runs_that_fit=max(0, math.floor(spare_min / plan.minutes_per_run + 1e-9)),
    )


def shared_runs(campaign: Campaign, flight: PlannedFlight) -> dict[str, int]:
    """Runs of each point, by its id, in a planned flight: what is wanted, shared over the flights that fly the same.

    The earlier flights take what does not divide.
    """
    runs = {}
    for point in campaign.points:
        if point.card in flight.cards:
            same = [f.id for f in campaign.flights if f.configuration == flight.configuration and point.card in f.cards]
            place = same.index(flight.id) if flight.id in same else 0
            each, over = divmod(point.runs_wanted, max(1, len(same)))
            runs[point.id] = each + (place < over)
    return runs


def planned_runs(campaign: Campaign, flight: PlannedFlight) -> int:
    """Runs of a planned flight, its share of all points.

    Parameters
    ----------
    campaign : Campaign
        For the cards and the other flights.
    """
    return sum(shared_runs(campaign, flight).values())


def _card_runs(campaign: Campaign, flight: PlannedFlight, card_id: str) -> int:
    runs = shared_runs(campaign, flight)
    return sum(runs.get(p.id, 0) for p in campaign.points if p.card == card_id)


def loads(campaign: Campaign, flight: PlannedFlight) -> tuple[CardLoad, ...]:
    """Weight and CG at start-up, at each card and at shut-down of a planned flight.

    Parameters
    ----------
    campaign : Campaign
        For the aircraft, the change of weight of the configuration, and the minutes.

    Returns
    -------
    tuple of CardLoad
        Empty if the fuel at start-up is not given.
    """
    fuel_l = flight.loading.fuel_l
    if fuel_l is None:
        return ()
    plan = campaign.planning
    aircraft = aircraft_as_fitted(campaign, flight.configuration)
    moments, minutes = [("start-up", 0.0)], plan.minutes_to_area
    for card in flight.cards:
        moments.append((card, minutes))
        minutes += _card_runs(campaign, flight, card) * plan.minutes_per_run
    moments.append(("shut-down", minutes + plan.minutes_back))
    rows = []
    for name, at_min in moments:
        used_l = min(fuel_l, aircraft.fuel_burn_l_per_h * at_min / 60.0)
        weight_kg, cg_mm = weight_and_cg(aircraft, flight.loading, used_l)
        label = f"card {name}" if name in flight.cards else name
        faults = loading_limits(aircraft, flight.loading, used_l, f"flight {flight.id}, {label}")
        rows.append(
            CardLoad(
                card=name, minutes=at_min, fuel_left_l=fuel_l - used_l, weight_kg=weight_kg, cg_mm=cg_mm, faults=faults
            )
        )
    return tuple(rows)


def count_flown(runs: Sequence[StallSpeed]) -> dict[tuple[str, str], int]:
    """How many reduced runs count, by (configuration, point); those without either are left out."""
    return dict(Counter((r.configuration, r.point) for r in runs if r.counts and r.configuration and r.point))


def runs_left(campaign: Campaign, flown: Flown | None = None) -> dict[tuple[str, str], int]:
    """Runs still wanted, by configuration and point.

    Returns
    -------
    dict of (str, str) to int
        Every configuration with every point; 0 where enough has been flown.
    """
    flown = flown or {}
    return {
        (config.id, point.id): max(0, point.runs_wanted - flown.get((config.id, point.id), 0))
        for config in campaign.configurations
        for point in campaign.points
    }


def there_and_back(campaign: Campaign) -> tuple[str, ...]:
    """Configurations in the order A-B-B-A: out along the tree, and back the same way.

    Returns
    -------
    tuple of str
        Ids. What drifts steadily (weather, pilot, engine) cancels between any two of them.
    """
    out = [c.id for c in sorted(campaign.configurations, key=lambda c: len(lineage(campaign, c.id)))]
    return tuple(out + out[::-1]) if len(out) > 1 else tuple(out)


def propose_flights(
    campaign: Campaign, flown: Flown | None = None, history: Sequence[str] = ()
) -> tuple[ProposedFlight, ...]:
    """The flights that are left, in A-B-B-A blocks, each in build-up order and within the fuel.

    Parameters
    ----------
    history : sequence of str
        Configurations of the flights so far, in order.

    Returns
    -------
    tuple of ProposedFlight
        Empty when nothing is left, or when not one run fits into the fuel.
    """
    left = runs_left(campaign, flown)
    order = [step.point.id for step in build_up(campaign)]
    sequence = there_and_back(campaign)
    if not sequence or not order or any(capacity(campaign, c) == 0 for c in sequence):
        return ()
    # Each configuration has two turns in a block; more when the fuel does not hold half of its runs.
    place = _place_after(sequence, history)
    before = history[-1] if history else None
    flights: list[ProposedFlight] = []
    while any(left.values()) and len(flights) < _MAX_FLIGHTS:
        config = sequence[place % len(sequence)]
        turns = _turns_left(campaign, left, config, sequence, place)
        runs = _share(left, config, order, turns, capacity(campaign, config))
        if runs:
            for point, count in runs:
                left[config, point] -= count
            total = sum(count for _, count in runs)
            flights.append(
                ProposedFlight(
                    number=len(history) + len(flights) + 1,
                    configuration=config,
                    runs=runs,
                    budget=budget(campaign, total, fuel_to_count_with_l(campaign, config)),
                    reason=_why(campaign, before, config, tuple(history) + tuple(f.configuration for f in flights)),
                )
            )
            before = config
        place += 1
    return tuple(flights + _return(campaign, history, flights, order))


def next_flight(campaign: Campaign, flown: Flown | None = None, history: Sequence[str] = ()) -> ProposedFlight | None:
    """The flight to fly next; None when all is flown.

    Parameters
    ----------
    history : sequence of str
        Configurations of the flights so far, in order.
    """
    proposed = propose_flights(campaign, flown, history)
    return proposed[0] if proposed else None


def _return(campaign: Campaign, history: Sequence[str], flights: list, order: list[str]) -> list[ProposedFlight]:
    """One more flight of the baseline when all is flown and nobody went back to it."""
    flown = [*history, *(f.configuration for f in flights)]
    if not flown or returns_to_baseline(campaign, flown):
        return []
    root = next((c.id for c in campaign.configurations if c.parent is None), None)
    if root is None:
        return []
    runs = _share({(root, p): 1 for p in order}, root, order, 1, capacity(campaign, root))
    return [
        ProposedFlight(
            number=len(flown) + 1,
            configuration=root,
            runs=runs,
            budget=budget(campaign, len(runs), fuel_to_count_with_l(campaign, root)),
            reason="back to the baseline, one run a point: enough is flown, but nothing yet shows drift",
        )
    ]


def returns_to_baseline(campaign: Campaign, flown: Sequence[str]) -> bool:
    """Whether the baseline is flown again after a change, or there was none.

    Returns
    -------
    bool
        False when a changed configuration is flown and no baseline after it.
    """
    roots = {c.id for c in campaign.configurations if c.parent is None}
    changed = [n for n, config in enumerate(flown) if config not in roots]
    return not changed or any(config in roots for config in flown[changed[0] :])


def fuel_to_count_with_l(campaign: Campaign, config: str) -> float | None:
    """Fuel to count with: as planned for this configuration, else for any, else full tanks."""
    planned = [f for f in campaign.flights if f.loading.fuel_l is not None]
    for flight in sorted(planned, key=lambda f: f.configuration != config):
        return flight.loading.fuel_l
    return campaign.aircraft.fuel_capacity_l


def capacity(campaign: Campaign, config: str) -> int:
    by_fuel = budget(campaign, 0, fuel_to_count_with_l(campaign, config)).runs_that_fit
    most = campaign.planning.most_runs_per_flight
    return most if by_fuel is None else min(most, by_fuel)


def _place_after(sequence: tuple[str, ...], history: Sequence[str]) -> int:
    """Where in the repeated sequence the next flight stands, after the flights so far."""
    place = 0
    for config in history:
        ahead = [n for n in range(len(sequence)) if sequence[(place + n) % len(sequence)] == config]
        if ahead:
            place += ahead[0] + 1
    return place


def _turns_left(campaign: Campaign, left: dict, config: str, sequence: tuple[str, ...], place: int) -> int:
    rest = sum(count for (c, _), count in left.items() if c == config)
    in_block = sequence[place % len(sequence) :].count(config)
    most = capacity(campaign, config)
    needed = math.ceil(rest / most)
    per_block = sequence.count(config)
    blocks = math.ceil(max(0, needed - in_block) / per_block)
    return max(1, in_block + blocks * per_block)


def _share(left: dict, config: str, order: list[str], turns: int, most: int | None) -> tuple[tuple[str, int], ...]:
    """Runs of one flight: of each point its share for this turn, in order, until the fuel is used."""
    room = most
    runs = []
    for point in order:
        count = min(math.ceil(left[config, point] / turns), room)
        if count:
            runs.append((point, count))
            room -= count
    return tuple(runs)


def _why(campaign: Campaign, before: str | None, config: str, history: tuple[str, ...]) -> str:
    chain = lineage(campaign, config)
    if before is None:
        return "first flight" if len(chain) > 1 else "the baseline first: all else is compared with it"
    if before == config:
        return "the same again, so that the block is A-B-B-A and what drifts cancels"
    if len(chain) <= 1:
        return "back to the baseline: shows whether anything else has drifted"
    if config in history:
        return f"back to {config}, the way out in reverse"
    return f"the next change, after {before}"

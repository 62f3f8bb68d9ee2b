"""Contradictions between the records of a campaign: what makes it unusable until it is put right.

Pure. What is merely unwise (two changes at once, no return to the baseline, too few runs) is
`plan.advice`. Main name: `check_campaign`.
"""

from __future__ import annotations

import difflib
import math
import re
from collections import Counter
from collections.abc import Iterable, Iterator

from logger_app.domain.fitted import fitted_to
from logger_app.domain.planform import row_problems
from logger_app.errors import Fault
from logger_app.plan.loading import aircraft_as_fitted, loading_limits
from logger_app.records.plan import Aircraft, AircraftConfig, Campaign, PlannedFlight, TestCard, TestPoint
from logger_app.units import G0_MPS2, KG_PER_LB, KT_PER_MPS, to_kt

RHO0_KG_PER_M3 = 1.225  # ISO 2533 standard atmosphere, sea level
# A wing that stalls outside these is none (common practice, no source): a weight, an area or a
# speed is in the wrong unit. Wide, because indicated speeds err by much at the stall.
CLMAX_LOW, CLMAX_HIGH = 0.5, 6.0
WING_LOADING_HIGH_KG_PER_M2 = 250.0
EMPTY_SHARE_LOW = 0.25
POSITION_ERROR_HIGH_KT = 20.0
# Only where a card says at which speed the approach starts; other speeds in a text may be anything.
_SPEED = re.compile(
    r"\b(?:trim(?:med)?|on condition|start(?:ing)?|slow(?:ing)? from|entry)(?:\s+(?:at|to|for|from))?\s+"
    r"(\d+(?:\.\d+)?)\s*(kt|kts|knots|mph|km/h|kmh)\b",
    re.IGNORECASE,
)
# Above ground is not comparable with the team's floor.
_FLOOR = re.compile(
    r"(?:not|never|nothing)\s+below\s+(\d[\d,. ]*)\s*(ft|feet|m)\b(?!\s*(?:agl|aal|above ground))", re.IGNORECASE
)


def check_campaign(campaign: Campaign) -> tuple[Fault, ...]:
    """Everything in a campaign that contradicts something else in it.

    Parameters
    ----------
    campaign : Campaign
        As read; every record is valid on its own.

    Returns
    -------
    tuple of Fault
        In the order of the file; empty if the campaign can be used.
    """
    checks = (_aircraft, _units, _calibrations, _configurations, _cards, _points, _flights, _comparisons, _team)
    return tuple(fault for check in checks for fault in check(campaign))


def _aircraft(campaign: Campaign) -> Iterator[Fault]:
    aircraft = campaign.aircraft
    yield from _twice("aircraft, station", (s.name for s in aircraft.stations), "name")
    yield from _twice("aircraft, flap_limit", (f"{f.flap_deg:g}" for f in aircraft.flap_limits), "flap_deg")
    low, high = aircraft.empty_weight_kg, aircraft.max_weight_kg
    if not low <= aircraft.reference_weight_kg <= high:
        got = aircraft.reference_weight_kg
        yield _fault(
            "aircraft, reference_weight_kg",
            f"{got:g} kg",
            f"{low:g} to {high:g} kg, empty to maximum",
            _pounds(got, low, high),
        )
    if low < EMPTY_SHARE_LOW * high < float("inf"):
        yield _fault(
            "aircraft, empty_weight_kg",
            f"{low:g} kg, {100 * low / high:.0f} % of max_weight_kg",
            f"at least {100 * EMPTY_SHARE_LOW:.0f} % of it",
            "Was one of the two typed in the other's unit (kg, lb)?",
        )
    forward_mm, aft_mm = aircraft.cg_min_mm, aircraft.cg_max_mm
    if forward_mm is not None and aft_mm is not None and forward_mm >= aft_mm:
        yield _fault("aircraft, cg_max_mm", f"{aft_mm:g} mm", f"aft of cg_min_mm, {forward_mm:g} mm")
    if aircraft.fuel_capacity_l is not None and aircraft.fuel_reserve_l >= aircraft.fuel_capacity_l > 0:
        yield _fault(
            "aircraft, fuel_reserve_l",
            f"{aircraft.fuel_reserve_l:g} l",
            f"less than fuel_capacity_l, {aircraft.fuel_capacity_l:g} l",
        )
    for limit in aircraft.flap_limits:
        if aircraft.never_exceed_ias_kt is not None and limit.max_ias_kt > aircraft.never_exceed_ias_kt:
            yield _fault(
                f"aircraft, flap_limit flap {limit.flap_deg:g}, max_ias_kt",
                f"{limit.max_ias_kt:g} kt",
                f"never_exceed_ias_kt {aircraft.never_exceed_ias_kt:g} at most",
            )


def _units(campaign: Campaign) -> Iterator[Fault]:
    """Weight, area and stall speed must agree: the lift coefficient they imply is a wing's."""
    aircraft = campaign.aircraft
    if not aircraft.empty_weight_kg <= aircraft.reference_weight_kg <= aircraft.max_weight_kg:
        return  # named already; what follows from it would only confuse
    loading = aircraft.reference_weight_kg / aircraft.wing_area_m2
    if loading > WING_LOADING_HIGH_KG_PER_M2:
        yield _fault(
            "aircraft, wing_area_m2",
            f"{aircraft.wing_area_m2:g} m2 for {aircraft.reference_weight_kg:g} kg, {loading:.0f} kg/m2",
            f"{WING_LOADING_HIGH_KG_PER_M2:g} kg/m2 at most",
            f"Is the weight in pounds? {aircraft.reference_weight_kg:g} lb is {aircraft.reference_weight_kg * KG_PER_LB:.0f} kg.",
        )
        return
    for point in campaign.points:
        if point.expected_stall_ias_kt is None or not aircraft.name:
            continue
        clmax = implied_clmax(aircraft, point.expected_stall_ias_kt)
        if not CLMAX_LOW <= clmax <= CLMAX_HIGH:
            yield _fault(
                f"{_at(point)}, expected_stall_ias_kt",
                f"{point.expected_stall_ias_kt:g} kt with {aircraft.reference_weight_kg:g} kg on "
                f"{aircraft.wing_area_m2:g} m2, a lift coefficient of {clmax:.2f}",
                f"{CLMAX_LOW:g} to {CLMAX_HIGH:g}",
                unit_hint(aircraft, clmax),
            )


def implied_clmax(aircraft: Aircraft, stall_ias_kt: float) -> float:
    """Lift coefficient that a stall speed implies, indicated taken for equivalent: a check of units, no result.

    Parameters
    ----------
    aircraft : Aircraft
        For the reference weight and the wing area.
    stall_ias_kt : float
        Expected stall [kt].

    Returns
    -------
    float
        Lift coefficient, 2 W / (rho0 S V^2).
    """
    speed_mps = stall_ias_kt / KT_PER_MPS
    weight_n = aircraft.reference_weight_kg * G0_MPS2
    return 2 * weight_n / (RHO0_KG_PER_M3 * aircraft.wing_area_m2 * speed_mps**2)


def unit_hint(aircraft: Aircraft, clmax: float) -> str:
    """Which unit may have been mixed up, given a lift coefficient that is too high or too low."""
    weight = aircraft.reference_weight_kg
    if clmax > 1.5:
        return f"Is the weight in pounds ({weight:g} lb is {weight * KG_PER_LB:.0f} kg), or the speed wrong?"
    return f"Is the weight really {weight:.0f} kg, and the speed in kt, not in mph or km/h?"


def _calibrations(campaign: Campaign) -> Iterator[Fault]:
    yield from _twice("calibration", (f"{c.flap_deg:g}" for c in campaign.calibrations), "flap_deg")
    for table in campaign.calibrations:
        for ias_kt, cas_kt in zip(table.ias_kt, table.cas_kt):
            if abs(cas_kt - ias_kt) > max(POSITION_ERROR_HIGH_KT, 0.35 * ias_kt):
                yield _fault(
                    f"calibration flap {table.flap_deg:g}, cas_kt",
                    f"{cas_kt:g} kt at {ias_kt:g} kt IAS",
                    f"within {max(POSITION_ERROR_HIGH_KT, 0.35 * ias_kt):.0f} kt of it",
                    "Are the two lists in the same unit, and in the same order?",
                )
                break


def _configurations(campaign: Campaign) -> Iterator[Fault]:
    ids = [c.id for c in campaign.configurations]
    if not ids:
        yield _fault("configuration", "none", "at least a baseline under [[configuration]]")
    yield from _twice("configuration", ids, "id")
    for config in campaign.configurations:
        if config.parent is not None and config.parent not in ids:
            yield _unknown(f"configuration {config.id}, parent", config.parent, ids, "configuration")
        for change in config.changes:
            yield from _span(f"configuration {config.id}, change {change.item}", dict(change.details))
        yield from _rows_and_removals(campaign, config)
    for loop in _cycles({c.id: c.parent for c in campaign.configurations}):
        path = " from ".join([*loop, loop[0]])
        yield _fault(f"configuration {loop[0]}, parent", f"a circle: {path}", "a chain that ends at the baseline")


def _rows_and_removals(campaign: Campaign, config: AircraftConfig) -> Iterator[Fault]:
    before = fitted_to(campaign, config.parent) if config.parent else ()
    there = [one.change.item for one in before]
    for change in config.changes:
        if change.takes_off and change.takes_off not in there:
            listed = ", ".join(there) or "nothing is fitted before"
            where = f"configuration {config.id}, change {change.item}, takes_off"
            yield _fault(where, change.takes_off, f"an item of an earlier configuration: {listed}")
    if config.parent is not None:
        for fit, _, got, expected in row_problems(campaign.aircraft, fitted_to(campaign, config.id)):
            yield _fault(f"configuration {config.id}, change {fit.change.item}, row", got, expected)


def _span(where: str, details: dict[str, str]) -> Iterator[Fault]:
    for unit in ("pct", "mm"):
        low, high = details.get(f"span_from_{unit}"), details.get(f"span_to_{unit}")
        if low is not None and high is not None and float(low) >= float(high):
            yield _fault(f"{where}, span_to_{unit}", high, f"more than span_from_{unit}, {low}")


def _cycles(parents: dict[str, str | None]) -> Iterator[list[str]]:
    done: set[str] = set()
    for start in parents:
        path: list[str] = []
        at: str | None = start
        while at in parents and at not in path and at not in done:
            path.append(at)
            at = parents[at]
        if at in path:
            yield path[path.index(at) :]
        done.update(path)


def _cards(campaign: Campaign) -> Iterator[Fault]:
    yield from _twice("card", (c.id for c in campaign.cards), "id")
    yield from _twice("point", (p.id for p in campaign.points), "id")
    for card in campaign.cards:
        if not card.points:
            yield _fault(f"card {card.id}", "no points", "at least one under [[card.point]]")
        yield from _card_words(campaign, card)


def _card_words(campaign: Campaign, card: TestCard) -> Iterator[Fault]:
    """What a card says in words must not contradict the aircraft's or the team's numbers."""
    for name, text in (("setup", card.setup), ("entry", card.entry)):
        for number, unit in _SPEED.findall(text):
            speed_kt = to_kt(float(number), {"kts": "kt", "knots": "kt", "kmh": "km/h"}.get(unit.lower(), unit.lower()))
            yield from _too_fast(
                campaign.aircraft, card.points, speed_kt, f"card {card.id}, {name}", f"{number} {unit}"
            )
    floor_ft = campaign.team.floor_ft
    for number, unit in (hit for text in card.limits for hit in _FLOOR.findall(text)):
        digits = re.sub(r"[^\d]", "", number)
        said_ft = float(digits) / (0.3048 if unit.lower() == "m" else 1.0)
        if floor_ft is not None and said_ft < floor_ft - 1:
            yield _fault(
                f"card {card.id}, limits", f"not below {digits} {unit}", f"the team's floor_ft, {floor_ft:g}, or higher"
            )


def _too_fast(
    aircraft: Aircraft, points: Iterable[TestPoint], speed_kt: float, where: str, said: str
) -> Iterator[Fault]:
    if aircraft.never_exceed_ias_kt is not None and speed_kt > aircraft.never_exceed_ias_kt:
        yield _fault(where, said, f"never_exceed_ias_kt {aircraft.never_exceed_ias_kt:g} at most")
        return
    for flap_deg in sorted({p.flap_deg for p in points}):
        limit = flap_limit_kt(aircraft, flap_deg)
        if limit is not None and speed_kt > limit:
            ids = ", ".join(p.id for p in points if p.flap_deg == flap_deg)
            yield _fault(
                where,
                said,
                f"{limit:g} kt at most with flap {flap_deg:g} (point {ids})",
                "Start slower, or with less flap.",
            )


def flap_limit_kt(aircraft: Aircraft, flap_deg: float) -> float | None:
    """Fastest indicated airspeed with a flap setting.

    Parameters
    ----------
    flap_deg : float
        Flap [deg].

    Returns
    -------
    float or None
        The limit of this setting or of the next greater one [kt]; None with flaps up or where
        none is listed.
    """
    if flap_deg <= 0:
        return None
    above = [f for f in aircraft.flap_limits if f.flap_deg >= flap_deg]
    return min(above, key=lambda f: f.flap_deg).max_ias_kt if above else None


def _points(campaign: Campaign) -> Iterator[Fault]:
    aircraft, team = campaign.aircraft, campaign.team
    greatest = max((f.flap_deg for f in aircraft.flap_limits), default=None)
    for point in campaign.points:
        at = _at(point)
        if greatest is not None and point.flap_deg > greatest:
            yield _fault(
                f"{at}, flap_deg",
                f"{point.flap_deg:g}",
                f"{greatest:g} at most, the greatest flap_limit of the aircraft",
            )
        if abs(point.bank_deg) > aircraft.max_bank_deg:
            yield _fault(
                f"{at}, bank_deg", f"{point.bank_deg:g}", f"max_bank_deg {aircraft.max_bank_deg:g} at most, either side"
            )
        if point.trim_ias_kt is not None:
            yield from _too_fast(
                aircraft, [point], point.trim_ias_kt, f"{at}, trim_ias_kt", f"{point.trim_ias_kt:g} kt"
            )
        yield from _stall_speed(point, aircraft, at)
        for name, lowest_ft in (("floor_ft", team.floor_ft), ("entry_min_ft", team.entry_min_ft)):
            # The band holds the whole run: it must start above the entry height and end above the floor.
            lowest = point.altitude_high_ft if name == "entry_min_ft" else point.altitude_low_ft
            if lowest is not None and lowest_ft is not None and lowest <= lowest_ft:
                end = "high" if name == "entry_min_ft" else "low"
                yield _fault(
                    f"{at}, altitude_band_ft",
                    f"{lowest:g} ft at the {end} end",
                    f"more than the team's {name}, {lowest_ft:g}",
                )


def _stall_speed(point: TestPoint, aircraft: Aircraft, at: str) -> Iterator[Fault]:
    stall = point.expected_stall_ias_kt
    if stall is None:
        return
    if point.trim_ias_kt is not None and point.trim_ias_kt <= stall:
        yield _fault(
            f"{at}, trim_ias_kt",
            f"{point.trim_ias_kt:g} kt with the stall at {stall:g} kt",
            "more than the stall speed",
        )
    limit = flap_limit_kt(aircraft, point.flap_deg)
    if limit is not None and stall >= limit:
        yield _fault(
            f"{at}, expected_stall_ias_kt",
            f"{stall:g} kt",
            f"less than the flap limit, {limit:g} kt",
            "Is one of the two in another unit?",
        )


def _flights(campaign: Campaign) -> Iterator[Fault]:
    yield from _twice("flight", (f.id for f in campaign.flights), "id")
    configs = [c.id for c in campaign.configurations]
    cards = [c.id for c in campaign.cards]
    stations = {s.name: s for s in reversed(campaign.aircraft.stations)}
    capacity_l = campaign.aircraft.fuel_capacity_l
    for flight in campaign.flights:
        at = f"flight {flight.id}"
        if flight.configuration not in configs:
            yield _unknown(f"{at}, configuration", flight.configuration, configs, "configuration")
        for card in flight.cards:
            if card not in cards:
                yield _unknown(f"{at}, cards", card, cards, "card")
        for name, kg in flight.loading.items:
            if name not in stations:
                yield _unknown(f"{at}, load_kg", name, list(stations), "station")
            elif (most := stations[name].max_kg) is not None and kg > most:
                yield _fault(f"{at}, load_kg, {name}", f"{kg:g} kg", f"{most:g} kg at most", _pounds(kg, 0, most))
        fuel_l = flight.loading.fuel_l
        if fuel_l is None:
            continue
        if capacity_l is not None and fuel_l > capacity_l:
            yield _fault(f"{at}, fuel_l", f"{fuel_l:g} l", f"fuel_capacity_l {capacity_l:g} at most")
        if fuel_l <= campaign.aircraft.fuel_reserve_l < (capacity_l or math.inf):
            yield _fault(
                f"{at}, fuel_l", f"{fuel_l:g} l", f"more than fuel_reserve_l, {campaign.aircraft.fuel_reserve_l:g}"
            )
        elif campaign.aircraft.name:
            yield from _load_limits(campaign, flight, fuel_l)


def _load_limits(campaign: Campaign, flight: PlannedFlight, fuel_l: float) -> Iterator[Fault]:
    """Limits at start-up, and with the fuel down to the reserve: the CG moves between the two."""
    aircraft = aircraft_as_fitted(campaign, flight.configuration)
    used_l = fuel_l - aircraft.fuel_reserve_l
    start = loading_limits(aircraft, flight.loading, 0.0, f"flight {flight.id}, at start-up")
    yield from start
    said = {fault.where.rsplit(",", 1)[1] for fault in start}
    for fault in loading_limits(aircraft, flight.loading, used_l, f"flight {flight.id}, with fuel down to the reserve"):
        if fault.where.rsplit(",", 1)[1] not in said:
            yield fault


def _comparisons(campaign: Campaign) -> Iterator[Fault]:
    ids = [c.id for c in campaign.configurations]
    for number, (reference, changed) in enumerate(campaign.comparisons, 1):
        for name, value in (("reference", reference), ("changed", changed)):
            if value not in ids:
                yield _unknown(f"comparison number {number}, {name}", value, ids, "configuration")
        if reference == changed:
            yield _fault(f"comparison number {number}", f"{reference} with itself", "two configurations")
    points = [point.id for point in campaign.points]
    if campaign.named and campaign.named[2] not in points:
        yield _unknown("comparison, point", campaign.named[2], points, "test point")


def _team(campaign: Campaign) -> Iterator[Fault]:
    team = campaign.team
    floor_ft, entry_ft = team.floor_ft, team.entry_min_ft
    if floor_ft is not None and entry_ft is not None and entry_ft <= floor_ft:
        yield _fault("team, entry_min_ft", f"{entry_ft:g} ft", f"more than floor_ft, {floor_ft:g} ft")
    owners: dict[str, str] = {}
    for call, phrases in team.words:
        for phrase in phrases:
            if owners.setdefault(phrase, call) != call:
                yield _fault(
                    f"team, words, {call}",
                    f'"{phrase}", which also stands for {owners[phrase]}',
                    "one meaning a phrase",
                )


def _fault(where: str, got: str, expected: str, hint: str = "") -> Fault:
    return Fault(where=where, got=got, expected=expected, hint=hint)


def _unknown(where: str, name: str, known: list[str], kind: str) -> Fault:
    near = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
    listed = ", ".join(known) if known else f"a {kind} that is listed; there is none"
    return _fault(
        where,
        f'"{name}", a {kind} that is not there',
        f"one of {listed}" if known else listed,
        f"Did you mean {near[0]}?" if near else "",
    )


def _twice(where: str, names: Iterable[str], key: str) -> Iterator[Fault]:
    for name, count in Counter(names).items():
        if count > 1:
            yield _fault(f"{where} {name}, {key}", f"{name} {count} times", f"each {key} once", "Rename or remove one.")


def _pounds(value: float, low: float, high: float) -> str:
    as_kg = value * KG_PER_LB
    return f"{value:g} lb is {as_kg:.0f} kg: was it typed in pounds?" if low <= as_kg <= high else ""


def _at(point: TestPoint) -> str:
    return f"card {point.card}, point {point.id}"

"""What is unwise in a campaign, as plain sentences: nothing here stops it from being read or flown.

Pure. The rules are those of test design: one change at a time, back to the baseline, enough runs,
build-up, the same weight and CG on both sides of a comparison (handbooks of flight test agree on
them; common practice, no source). Main names: `advise`, `Advice`.
"""

from __future__ import annotations

import difflib
import itertools
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from logger_app.domain.fitted import lineage
from logger_app.plan.cards import implied_clmax, unit_hint
from logger_app.plan.flights import budget, loads, planned_runs, returns_to_baseline
from logger_app.plan.loading import aircraft_as_fitted, ballast_to_match, weight_and_cg
from logger_app.plan.order import build_up
from logger_app.plan.repeats import runs_a_flight, runs_of_each, shown_kt, total_scatter_kt
from logger_app.records.journal import FlightInfo
from logger_app.records.plan import AircraftConfig, Campaign, PlannedFlight, TestPoint
from logger_app.units import speed_text

# 23.21(b) lets weight differ by +5/-1 % where it is critical and CG by 7 % of the travel (fragments
# read in CS 23.21); a comparison of a few tenths of a knot is given less: 1 % is 0.25 kt at 50 kt.
WEIGHT_SHARE = 0.01
CG_MM = 10.0
BREAKOUT_BANK_DEG = 60.0
WING_LOADING_UNUSUAL_KG_PER_M2 = 110.0
# Usual maximum lift coefficients of light aeroplanes, indicated speeds taken as they are
# (common practice, no source).
CLMAX_MIN_USUAL, CLMAX_USUAL, CLMAX_FLAPS_USUAL = 0.8, 2.4, 3.3
AEROBATIC_FLOOR_FT = 1500.0  # 14 CFR 91.303(e), read
WORDS = re.compile(r"[^\W_]+")
WORDS_OF_PLACE = frozenset(
    ("at", "on", "off", "in", "from", "to", "of", "removed", "fitted", "left", "right", "inboard", "outboard")
)
START_ABOVE_STALL_KT = 10.0  # 14 CFR 23.201(b), before Amdt 23-64


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """One thing to think about: `topic` groups it, `words` is the whole sentence."""

    topic: str
    words: str


def advise(campaign: Campaign, flights: Sequence[FlightInfo] = ()) -> tuple[Advice, ...]:
    """Everything that is unwise in a campaign, grouped by topic."""
    found: list[Advice] = []
    for topic, check in (
        ("one change", lambda c: (*_changes(c), *_at_once(c, flights))),
        ("comparison", _comparisons),
        ("baseline", lambda c: _baseline(c, [f.configuration for f in flights if f.configuration])),
        ("unrecorded change", lambda c: (*_work(c), *_flown(c, flights))),
        ("runs", _runs),
        ("order", _order),
        ("fuel", _fuel),
        ("loading", _loading),
        ("calibration", _calibration),
        ("points", _points),
        ("start speed", _start),
        ("units", _units),
        ("safety", _safety),
    ):
        found += [Advice(topic=topic, words=words) for words in check(campaign)]
    return tuple(found)


def differences(campaign: Campaign, reference: str, changed: str) -> tuple[str, ...]:
    """Everything that differs between two configurations, through the tree.

    Returns
    -------
    tuple of str
        Items; one that only the reference has is marked ``without``.
    """
    one, other = lineage(campaign, reference), lineage(campaign, changed)
    gone = [f"without {change.item}" for c in one if c not in other for change in c.changes]
    come = [change.item for c in other if c not in one for change in c.changes]
    return tuple(gone + come)


def _changes(campaign: Campaign) -> Iterator[str]:
    for config in campaign.configurations:
        if config.parent is None:
            if config.changes:
                yield (
                    f"Configuration {config.id} lists changes ({_items(config)}) but has no parent: "
                    f"name what it was made from, or move the list to its note."
                )
            continue
        if not config.changes:
            yield (
                f"Configuration {config.id} does not say what differs from {config.parent}: "
                f"add a [[configuration.change]] with an item."
            )
        if len(config.changes) > 1:
            yield (
                f"Configuration {config.id} differs from {config.parent} in {len(config.changes)} things "
                f"({_items(config)}): what each of them did cannot be told apart. Make a configuration for each."
            )
        for change in config.changes:
            numbers = [name for name, _ in change.details if name.rsplit("_", 1)[-1] in ("mm", "pct", "deg")]
            if numbers and change.state == "nominal" and "measured" not in dict(change.details):
                yield (
                    f"Configuration {config.id}, {change.item}: {', '.join(numbers)} are nominal. "
                    f'Measure them as fitted and write state = "measured".'
                )


def _items(config: AircraftConfig) -> str:
    return "; ".join(change.item for change in config.changes)


def _comparisons(campaign: Campaign) -> Iterator[str]:
    if len(campaign.configurations) == 1:
        yield f"There is only one configuration, {campaign.configurations[0].id}: there is nothing to compare it with."
    roots = [c.id for c in campaign.configurations if c.parent is None]
    if len(roots) > 1:
        yield f"Configurations {', '.join(roots)} have no parent: only one can be the baseline. Give the others a parent."
    for reference, changed in campaign.comparisons:
        one, other = campaign.configuration(reference), campaign.configuration(changed)
        if one is None or other is None or other.parent == reference or one.parent == changed:
            continue
        things = "; ".join(differences(campaign, reference, changed)) or "nothing that is recorded"
        yield (
            f"Comparison of {reference} with {changed}: they are not parent and child, and differ in: {things}. "
            f"The difference belongs to all of it together."
        )


def _baseline(campaign: Campaign, history: Sequence[str]) -> Iterator[str]:
    if len(campaign.configurations) < 2:
        return
    # A campaign that lists no flights yet leaves the order to the program, which goes back.
    sequence = list(history) + [f.configuration for f in campaign.flights[len(history) :]]
    if not sequence:
        return
    roots = [c.id for c in campaign.configurations if c.parent is None]
    if not set(sequence) & set(roots):
        yield f"No flight has the baseline ({', '.join(roots)}): there is nothing to compare with."
    elif not returns_to_baseline(campaign, sequence):
        yield (
            f"The baseline ({', '.join(roots)}) is never flown again after the change: weather, pilot and engine drift, "
            f"and that looks like the change. Fly A-B-B-A, or at least A-B-A."
        )
    for config in campaign.configurations:
        if config.id not in sequence:
            yield f"No flight has configuration {config.id}."


def _work(campaign: Campaign) -> Iterator[str]:
    before: PlannedFlight | None = None
    for flight in campaign.flights:
        recorded = [change.item for c in lineage(campaign, flight.configuration) for change in c.changes]
        recorded += (
            [change.item for c in lineage(campaign, before.configuration) for change in c.changes] if before else []
        )
        new = differences(campaign, before.configuration, flight.configuration) if before else recorded
        devices = {_device(item) for item in new} - {""}
        for work in (part.strip() for text in flight.work_done for part in text.split(";")):
            if work and not _named(work, recorded) and devices.isdisjoint(map(_singular, WORDS.findall(work.lower()))):
                yield (
                    f'Before flight {flight.id} "{work}" was done, and configuration {flight.configuration} does not '
                    f"record it: make a configuration for it, or say in its note why it cannot matter."
                )
        before = flight


def _at_once(campaign: Campaign, flown: Sequence[FlightInfo]) -> Iterator[str]:
    """Where more than one thing changes from one flight to the next, as planned or as flown."""
    planned = [(f.id, f.configuration) for f in campaign.flights]
    done = [(f.id, f.configuration) for f in flown]
    ids = [c.id for c in campaign.configurations]
    for flights, verb in ((planned, "change"), (done, "changed")):
        for (before, was), (after, now) in itertools.pairwise(flights):
            things = differences(campaign, was, now) if was in ids and now in ids else ()
            if len(things) > 1:
                yield f"Between flights {before} and {after} {len(things)} things {verb} at once: {'; '.join(things)}."


def _flown(campaign: Campaign, flights: Sequence[FlightInfo]) -> Iterator[str]:
    """Where the flights themselves say something else than the plan does."""
    ids = [c.id for c in campaign.configurations]
    for flight in flights:
        planned = campaign.flight(flight.id)
        if flight.configuration is None:
            yield f"Flight {flight.id} was flown and does not say in which configuration: its runs compare with nothing."
        elif flight.configuration not in ids:
            yield f"Flight {flight.id} was flown in {flight.configuration}, which is not among the configurations."
        elif planned is not None and planned.configuration != flight.configuration:
            yield (
                f"Flight {flight.id} was planned in {planned.configuration} and flown in {flight.configuration}: "
                f"correct whichever is wrong."
            )


def _device(item: str) -> str:
    """The device that a change is about: ``fence`` of ``without fences at rib 6, left``; empty where none is named.

    The last word before a comma, a number or a word of place.
    """
    words = []
    for word in WORDS.findall(item.lower().split(",")[0].removeprefix("without ")):
        if word in WORDS_OF_PLACE or word.isdigit():
            break
        words.append(word)
    return _singular(words[-1]) if words else ""


def _singular(word: str) -> str:
    return word.removesuffix("s")


def _named(work: str, recorded: list[str]) -> bool:
    text = work.lower()
    near = difflib.get_close_matches(text, [r.lower() for r in recorded], n=1, cutoff=0.75)
    return bool(near) or any(r.lower() in text or text in r.lower() for r in recorded)


def _runs(campaign: Campaign) -> Iterator[str]:
    plan, unit = campaign.planning, campaign.indicator.unit
    if len(campaign.configurations) < 2:
        return
    flown = Counter(flight.configuration for flight in campaign.flights)
    if len(flown) > 1 and max(flown.values()) == 1 and runs_a_flight(plan, 1) is None:
        yield (
            f"one flight of each configuration cannot show {speed_text(plan.smallest_difference_kt, unit, '.3g')}, however "
            f"many runs: flights differ by about {speed_text(plan.flight_scatter_kt, unit, '.2g')} by themselves; fly each "
            "twice (A-B-B-A)."
        )
    need = runs_of_each(plan)
    few: dict[int, list[str]] = {}
    for point in campaign.points:
        if point.runs_wanted < need:
            few.setdefault(point.runs_wanted, []).append(point.id)
    for runs, ids in sorted(few.items()):
        shows = shown_kt(plan, (2, 2), runs / 2) if runs > 1 else 100.0
        can = f"can show {speed_text(shows, unit)} at best" if shows < 100 else "can show no difference at all"
        yield (
            f"{_plural(runs, 'run')} at {', '.join(ids)} {can}; for {speed_text(plan.smallest_difference_kt, unit, '.3g')} "
            f"with a scatter of {speed_text(total_scatter_kt(plan), unit)} each configuration needs {need}, flown as A-B-B-A (80 % power, 5 % two-sided)."
        )


def _plural(count: int, noun: str) -> str:
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def _order(campaign: Campaign) -> Iterator[str]:
    place = {step.point.id: step for step in build_up(campaign)}
    first: dict[str, int] = {}
    for point in campaign.points:
        first[point.card] = min(first.get(point.card, 10**6), place[point.id].number)
    for flight in campaign.flights:
        known = [card for card in flight.cards if card in first]
        for earlier, later in itertools.pairwise(known):
            if first[later] < first[earlier]:
                yield (
                    f"Flight {flight.id} flies card {earlier} before card {later}; build-up puts {later} first "
                    f"(less demanding)."
                )
    for card in campaign.cards:
        for before, after in itertools.pairwise(card.points):
            if place[after.id].number < place[before.id].number:
                yield f"Card {card.id} has point {before.id} before {after.id}; build-up puts {after.id} first."


def _fuel(campaign: Campaign) -> Iterator[str]:
    if not campaign.aircraft.fuel_burn_l_per_h:
        yield "The fuel burn is not given: time in the air cannot be turned into fuel and weight."
        return
    if not campaign.aircraft.fuel_reserve_l:
        yield "No fuel reserve is given: set fuel_reserve_l, at least what the rules that apply to you ask for."
    silent = [flight.id for flight in campaign.flights if flight.loading.fuel_l is None]
    if silent:
        yield (
            f"{_some('Flight', silent)} without fuel_l, the fuel at start-up: weight and CG cannot be worked out for it."
        )
    for flight in campaign.flights:
        needs = budget(campaign, planned_runs(campaign, flight), flight.loading.fuel_l)
        if not needs.fits:
            yield (
                f"Flight {flight.id}: {_plural(needs.runs, 'run')} take {needs.minutes:.0f} min and {needs.fuel_used_l:.0f} l, "
                f"which leaves {needs.fuel_left_l:.0f} l of {needs.fuel_l:g} l; the reserve is {needs.reserve_l:g} l. "
                f"{_plural(needs.runs_that_fit or 0, 'run')} would fit."
            )


def _some(noun: str, ids: list[str]) -> str:
    return f"{noun} {ids[0]} is" if len(ids) == 1 else f"{noun}s {', '.join(ids)} are"


def _loading(campaign: Campaign) -> Iterator[str]:
    known = [f for f in campaign.flights if f.loading.fuel_l is not None]
    if known and all(row.cg_mm is None for row in loads(campaign, known[0])):
        yield "The CG cannot be worked out: give empty_arm_mm, fuel_arm_mm and the stations of the aircraft."
    if nobody := [f.id for f in known if not any(load_kg for _, load_kg in f.loading.items)]:
        yield (
            f"{_some('Flight', nobody)} without load_kg: the weight is that of the aircraft and its fuel, with nobody aboard. "
            "Give the aircraft its stations and each flight what they carry: stall speeds at the reference weight rest on it."
        )
    for reference, changed in campaign.pairs():
        one = next((f for f in known if f.configuration == reference), None)
        other = next((f for f in known if f.configuration == changed), None)
        if one is None or other is None:
            continue
        to_kg, to_mm = weight_and_cg(aircraft_as_fitted(campaign, reference), one.loading, 0.0)
        fitted = aircraft_as_fitted(campaign, changed)
        kg, mm = weight_and_cg(fitted, other.loading, 0.0)
        apart_mm = abs(mm - to_mm) if mm is not None and to_mm is not None else 0.0
        if abs(kg - to_kg) > WEIGHT_SHARE * to_kg or apart_mm > CG_MM:
            cgs = f" and CG {mm:.0f} against {to_mm:.0f} mm" if mm is not None and to_mm is not None else ""
            yield (
                f"Flight {other.id} starts at {kg:.0f} kg{cgs}, {one.id} at {to_kg:.0f} kg. To match: "
                f"{ballast_to_match(fitted, other.loading, to_kg, to_mm).words}."
            )


def _calibration(campaign: Campaign) -> Iterator[str]:
    have = {table.flap_deg for table in campaign.calibrations}
    missing = sorted({p.flap_deg for p in campaign.points} - have)
    if missing:
        flaps = ", ".join(f"{flap:g}" for flap in missing)
        yield (
            f"There is no airspeed calibration for flap {flaps}: stall speeds stay indicated there, and flap settings "
            f"cannot be compared with each other."
        )
    for table in campaign.calibrations:
        expected = [p.expected_stall_ias_kt for p in campaign.points if p.flap_deg == table.flap_deg]
        lowest = min((e for e in expected if e is not None), default=None)
        if lowest is not None and lowest < table.ias_kt[0]:
            yield (
                f"The calibration for flap {table.flap_deg:g} ends at {table.ias_kt[0]:g} kt and the stall is expected at "
                f"{lowest:g} kt: what lies below is extrapolated."
            )


def _points(campaign: Campaign) -> Iterator[str]:
    if not campaign.cards:
        yield "There are no cards yet: add one with its points."
    points = campaign.points
    for n, one in enumerate(points):
        for other in points[n + 1 :]:
            if _alike(one, other):
                yield (
                    f"Points {one.id} and {other.id} are both {one.label}: from what is said in flight, a run cannot be "
                    f"given to one of them. Fly them from their cards, or give them entry-rate bands that do not overlap."
                )
    known = [p for p in points if p.expected_stall_ias_kt]
    alike = itertools.groupby(sorted(known, key=_by_flap), key=lambda p: (p.power, p.bank_deg))
    for less, more in (pair for _, group in alike for pair in itertools.pairwise(group)):
        if less.flap_deg < more.flap_deg and (less.expected_stall_ias_kt or 0.0) < (more.expected_stall_ias_kt or 0.0):
            yield (
                f"Point {more.id} is expected to stall at {more.expected_stall_ias_kt:g} kt with flap {more.flap_deg:g}, "
                f"faster than {less.id} with flap {less.flap_deg:g} ({less.expected_stall_ias_kt:g} kt): check both numbers."
            )


def _by_flap(point: TestPoint) -> tuple:
    return point.power, point.bank_deg, point.flap_deg


def _alike(one: TestPoint, other: TestPoint) -> bool:
    return (
        (one.power, one.flap_deg, one.bank_deg) == (other.power, other.flap_deg, other.bank_deg)
        and one.rate_low_kt_per_s < other.rate_high_kt_per_s
        and other.rate_low_kt_per_s < one.rate_high_kt_per_s
    )


def _units(campaign: Campaign) -> Iterator[str]:
    aircraft = campaign.aircraft
    odd = {}
    for point in campaign.points:
        if point.expected_stall_ias_kt is not None:
            clmax = implied_clmax(aircraft, point.expected_stall_ias_kt)
            high = CLMAX_FLAPS_USUAL if point.flap_deg > 0 else CLMAX_USUAL
            if not CLMAX_MIN_USUAL <= clmax <= high:
                odd[point.id] = clmax
    if odd:
        first, clmax = next(iter(odd.items()))
        yield (
            f"The stall speeds expected at {', '.join(odd)} and the reference weight imply an unusual lift coefficient "
            f"({clmax:.2f} at {first}). {unit_hint(aircraft, clmax)}"
        )
    loading = aircraft.reference_weight_kg / aircraft.wing_area_m2
    if loading > WING_LOADING_UNUSUAL_KG_PER_M2:
        yield (
            f"The wing loading comes to {loading:.0f} kg/m2, high for a light aeroplane: are weights in kg and the area in m2?"
        )


def _start(campaign: Campaign) -> Iterator[str]:
    near = [
        p.id
        for p in campaign.points
        if p.trim_ias_kt is not None
        and p.expected_stall_ias_kt is not None
        and p.trim_ias_kt < p.expected_stall_ias_kt + START_ABOVE_STALL_KT
    ]
    if near:
        yield (
            f"The start at {', '.join(near)} is less than {speed_text(START_ABOVE_STALL_KT, campaign.indicator.unit, '.2g')} above the expected stall: too little "
            f"for a steady approach (14 CFR 23.201(b), before Amdt 23-64, asks for 10 kt)."
        )


def _safety(campaign: Campaign) -> Iterator[str]:
    team, aircraft, unit = campaign.team, campaign.aircraft, campaign.indicator.unit
    if team.floor_ft is None:
        yield "The team has set no floor (floor_ft): below it everybody stops, so it must be on every card."
    elif team.floor_ft < AEROBATIC_FLOOR_FT:
        yield (
            f"The floor is {team.floor_ft:g} ft. 14 CFR 91.303 allows no aerobatic flight below {AEROBATIC_FLOOR_FT:g} ft "
            f"above the surface, and a spin takes more: was it typed in metres? Then name it floor_m."
        )
    if team.entry_min_ft is None:
        yield "The team has set no lowest height to begin an approach at (entry_min_ft)."
    if not team.knock_it_off:
        yield "The team has set no knock-it-off criteria: agree on them before the first flight and write them down."
    if not team.cautions:
        yield "The team has written no cautions of its own, such as how spin recovery was briefed."
    if any(abs(p.bank_deg) >= BREAKOUT_BANK_DEG for p in campaign.points):
        yield (
            "A point has 60 deg of bank or more: rules on parachutes and airspace may apply (in the US 14 CFR 91.307, "
            "from memory). Defer to the rules that apply to you."
        )
    slow = sorted(aircraft.flap_limits, key=lambda f: f.flap_deg)
    for less, more in itertools.pairwise(slow):
        if more.max_ias_kt > less.max_ias_kt:
            yield (
                f"Flap {more.flap_deg:g} is allowed up to {speed_text(more.max_ias_kt, unit, '.3g')}, faster than flap "
                f"{less.flap_deg:g} ({speed_text(less.max_ias_kt, unit, '.3g')}): check both numbers."
            )

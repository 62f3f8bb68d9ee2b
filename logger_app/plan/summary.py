"""A plan in figures and in words: matrix, order, flights, loading, what is left, advice. Pure.

Main names: `plan_document` (for `--json`), `plan_text` (for a person).
"""

from __future__ import annotations

from collections.abc import Sequence

from logger_app.domain.fitted import lineage
from logger_app.plan.advice import advise, differences
from logger_app.plan.flights import (
    Budget,
    Flown,
    ProposedFlight,
    budget,
    loads,
    planned_runs,
    propose_flights,
    runs_left,
)
from logger_app.plan.loading import aircraft_as_fitted, ballast_to_match, weight_and_cg
from logger_app.plan.order import build_up, rank
from logger_app.plan.repeats import (
    power,
    runs_a_flight,
    runs_of_each,
    shown_kt,
    total_fuel_l,
    total_in_words,
    total_scatter_kt,
)
from logger_app.records.journal import FlightInfo
from logger_app.records.plan import Campaign, PlannedFlight, TestPoint
from logger_app.units import from_kt, speed_text

# Flights of each configuration for which the runs are listed.
SHOWN_FLIGHTS = (1, 2, 3)


def matrix(campaign: Campaign) -> tuple[tuple[str, ...], tuple[tuple[str, tuple[tuple[TestPoint, ...], ...]], ...]]:
    """Points as a table: a row for each power and bank, a column for each flap.

    Returns
    -------
    columns : tuple of str
        ``flap 0`` and so on.
    rows : tuple of (str, cells)
        Label, and for each column the points that fall there.
    """
    flaps = sorted({p.flap_deg for p in campaign.points})
    order = sorted(
        campaign.points, key=lambda p: (rank("bank", p), p.bank_deg < 0, rank("power", p), p.rate_high_kt_per_s)
    )
    unit = campaign.indicator.unit
    labels = list(dict.fromkeys(row_label(p, unit) for p in order))
    rows = tuple(
        (label, tuple(tuple(p for p in order if row_label(p, unit) == label and p.flap_deg == flap) for flap in flaps))
        for label in labels
    )
    return tuple(f"flap {flap:g}" for flap in flaps), rows


def row_label(point: TestPoint, unit: str = "kt") -> str:
    """The matrix row of a point: power and bank, and the entry rate where it is a fast one."""
    bank = point.label.rsplit(", ", 1)[1]
    low, high = from_kt(point.rate_low_kt_per_s, unit), speed_text(point.rate_high_kt_per_s, unit, ".3g")
    fast = f", {low:.3g} to {high}/s" if point.rate_high_kt_per_s > 2 else ""
    return f"{point.power}, {bank}{fast}"


def plan_document(campaign: Campaign, flown: Flown | None = None, flights: Sequence[FlightInfo] = ()) -> dict:
    """The plan for machines: plain values, None for what is not known."""
    flown = flown or {}
    history = [f.configuration for f in flights if f.configuration]
    proposed = propose_flights(campaign, flown, history)
    plan = campaign.planning
    left = runs_left(campaign, flown)
    return {
        "campaign": campaign.name,
        "aircraft": campaign.aircraft.name,
        "faults": [],
        "advice": [{"topic": a.topic, "words": a.words} for a in advise(campaign, flights)],
        "configurations": [
            {
                "id": c.id,
                "name": c.name,
                "parent": c.parent,
                "depth": len(lineage(campaign, c.id)) - 1,
                "changes": [change.item for change in c.changes],
            }
            for c in campaign.configurations
        ],
        "matrix": [
            {
                "configuration": config.id,
                "point": point.id,
                "card": point.card,
                "power": point.power,
                "flap_deg": point.flap_deg,
                "bank_deg": point.bank_deg,
                "flown": flown.get((config.id, point.id), 0),
                "wanted": point.runs_wanted,
                "left": left[config.id, point.id],
            }
            for config in campaign.configurations
            for point in campaign.points
        ],
        "order": [{"number": s.number, "point": s.point.id, "reason": s.reason} for s in build_up(campaign)],
        "repeats": {
            "smallest_difference_kt": plan.smallest_difference_kt,
            "scatter_kt": plan.scatter_kt,
            "call_step_kt": plan.call_step_kt,
            "total_scatter_kt": round(total_scatter_kt(plan), 2),
            "flight_scatter_kt": plan.flight_scatter_kt,
            "runs_needed": runs_of_each(plan),
            "by_flights": [{"flights_of_each": n, "runs_a_flight": runs_a_flight(plan, n)} for n in SHOWN_FLIGHTS],
            "power": _powers(campaign),
        },
        "total": _total([f.budget for f in proposed]),
        "flights": [_planned(campaign, f, [i.id for i in flights]) for f in campaign.flights],
        "comparisons": [_comparison(campaign, *pair) for pair in campaign.pairs()],
        "proposed": [_proposed(campaign, f) for f in proposed],
        "next_flight": _proposed(campaign, proposed[0]) if proposed else None,
    }


def _total(budgets: Sequence[Budget]) -> dict:
    fuel = total_fuel_l(budgets)
    return {
        "runs": sum(b.runs for b in budgets),
        "flights": len(budgets),
        "minutes": round(sum(b.minutes for b in budgets), 1),
        "fuel_l": None if fuel is None else round(fuel, 1),
    }


def _powers(campaign: Campaign) -> list[dict]:
    """For the numbers of runs that points ask for, flown as A-B-B-A: the chance to show the smallest difference."""
    plan = campaign.planning
    return [
        {"runs": runs, "flights_of_each": 2, "power": round(power(plan, (2, 2), max(1.0, runs / 2)), 3)}
        for runs in sorted({p.runs_wanted for p in campaign.points})
        if runs > 1
    ]


def plan_text(campaign: Campaign, flown: Flown | None = None, flights: Sequence[FlightInfo] = ()) -> str:
    """The plan for a person, in lines of at most about 110 characters."""
    document = plan_document(campaign, flown, flights)
    parts = [
        _head_lines(campaign, flown or {}, flights),
        _tree_lines(campaign),
        _matrix_lines(campaign, flown or {}),
        _order_lines(campaign),
        _repeat_lines(campaign),
        _flight_lines(document),
        _comparison_lines(document),
        _proposal_lines(campaign, document, flights),
        _advice_lines(document),
    ]
    return "\n\n".join("\n".join(lines) for lines in parts if lines)


def _planned(campaign: Campaign, flight: PlannedFlight, flown: list[str]) -> dict:
    needs = budget(campaign, planned_runs(campaign, flight), flight.loading.fuel_l)
    return {
        "id": flight.id,
        "configuration": flight.configuration,
        "cards": list(flight.cards),
        "flown": flight.id in flown,
        **_budget(needs),
        "loading": [
            {
                "at": row.card,
                "minutes": round(row.minutes, 1),
                "fuel_left_l": round(row.fuel_left_l, 1),
                "weight_kg": round(row.weight_kg, 1),
                "cg_mm": None if row.cg_mm is None else round(row.cg_mm, 1),
                "faults": [str(fault) for fault in row.faults],
            }
            for row in loads(campaign, flight)
        ],
    }


def _budget(needs: Budget) -> dict:
    return {
        "runs": needs.runs,
        "minutes": round(needs.minutes, 1),
        "fuel_l": needs.fuel_l,
        "fuel_used_l": None if needs.fuel_used_l is None else round(needs.fuel_used_l, 1),
        "fuel_left_l": None if needs.fuel_left_l is None else round(needs.fuel_left_l, 1),
        "reserve_l": needs.reserve_l,
        "runs_that_fit": needs.runs_that_fit,
        "fits": needs.fits,
    }


def _proposed(campaign: Campaign, flight: ProposedFlight) -> dict:
    return {
        "number": flight.number,
        "configuration": flight.configuration,
        "reason": flight.reason,
        "cards": list(flight.cards(campaign)),
        "points": [{"point": point, "runs": runs} for point, runs in flight.runs],
        **_budget(flight.budget),
    }


def _comparison(campaign: Campaign, reference: str, changed: str) -> dict:
    """What a comparison rests on, and the ballast that would match the two loadings."""
    known = [f for f in campaign.flights if f.loading.fuel_l is not None]
    one = next((f for f in known if f.configuration == reference), None)
    other = next((f for f in known if f.configuration == changed), None)
    ballast = None
    if one and other:
        to_kg, to_mm = weight_and_cg(aircraft_as_fitted(campaign, reference), one.loading, 0.0)
        match = ballast_to_match(aircraft_as_fitted(campaign, changed), other.loading, to_kg, to_mm)
        ballast = {
            "flight": other.id,
            "to_match": one.id,
            "weight_kg": match.weight_kg,
            "arm_mm": match.arm_mm,
            "words": match.words,
        }
    things = list(differences(campaign, reference, changed))
    return {"reference": reference, "changed": changed, "differences": things, "ballast": ballast}


def _tree_lines(campaign: Campaign) -> list[str]:
    lines = ["Configurations"]
    for config in campaign.configurations:
        depth = len(lineage(campaign, config.id)) - 1
        things = "; ".join(change.item for change in config.changes)
        tail = f"   [{things}]" if things else ""
        lines.append(f"  {'   ' * depth}{config.id}: {config.name}{tail}")
    return lines


def _matrix_lines(campaign: Campaign, flown: Flown) -> list[str]:
    columns, rows = matrix(campaign)
    if not rows:
        return []
    width = max(len(text) for text in [*(label for label, _ in rows), *(c.id for c in campaign.configurations)]) + 6
    lines = ["Points: runs that count / wanted"]
    for config in campaign.configurations:
        lines.append(f"  {config.id}".ljust(width) + "".join(column.ljust(18) for column in columns))
        for label, cells in rows:
            shown = [", ".join(_cell(config.id, p, flown) for p in cell).ljust(18) for cell in cells]
            lines.append(f"    {label}".ljust(width) + "".join(shown).rstrip())
    return lines


def _cell(config: str, point: TestPoint, flown: Flown) -> str:
    return f"{point.id} {flown.get((config, point.id), 0)}/{point.runs_wanted}"


def _order_lines(campaign: Campaign) -> list[str]:
    unit = campaign.indicator.unit
    lines = [f"Order (build-up: {', '.join(campaign.planning.build_up)})"]
    for step in build_up(campaign):
        point = step.point
        speeds = []
        if point.trim_ias_kt is not None:
            speeds.append(f"from {from_kt(point.trim_ias_kt, unit):.0f}")
        if point.expected_stall_ias_kt is not None:
            speeds.append(f"stall about {from_kt(point.expected_stall_ias_kt, unit):.0f} {unit}")
        lines.append(f"  {step.number:2}  {point.id:5} {point.label:38} {', '.join(speeds):28} {step.reason}".rstrip())
    return lines if len(lines) > 1 else []


def _head_lines(campaign: Campaign, flown: Flown, flights: Sequence[FlightInfo]) -> list[str]:
    proposed = propose_flights(campaign, flown, [f.configuration for f in flights if f.configuration])
    lines = [f"{campaign.name}   ({campaign.aircraft.name})"]
    if proposed:
        left = " still to fly" if flights else ""
        lines.append(f"{total_in_words([f.budget for f in proposed])}{left}")
    return lines


def _repeat_lines(campaign: Campaign) -> list[str]:
    plan, unit = campaign.planning, campaign.indicator.unit

    def text(speed_kt: float, form: str = ".2g") -> str:
        return speed_text(speed_kt, unit, form)

    lines = [
        f"Runs: to see {text(plan.smallest_difference_kt, '.3g')} with a scatter of {text(total_scatter_kt(plan), '.1f')} "
        f"between runs ({text(plan.scatter_kt)} of the stalls, the rest from calls every {text(plan.call_step_kt)}) and "
        f"{text(plan.flight_scatter_kt)} between flights",
        "  (four times out of five, 5 % two-sided; the same model as the comparison)",
    ]
    for flights in SHOWN_FLIGHTS:
        needed = runs_a_flight(plan, flights)
        many = f"{needed} run{'s' if needed != 1 else ''} a point on each" if needed else "no number of runs shows it"
        lines.append(f"  {flights} flight{'s' if flights > 1 else ''} of each configuration: {many}")
    for runs in sorted({p.runs_wanted for p in campaign.points}):
        if runs > 1:
            shows = shown_kt(plan, (2, 2), max(1.0, runs / 2))
            lines.append(f"  {runs} runs of each as A-B-B-A show {text(shows, '.1f')}")
    return lines


def _flight_lines(document: dict) -> list[str]:
    lines = ["Flights as planned"] if document["flights"] else []
    seen: dict[str, str] = {}
    for flight in document["flights"]:
        state = "flown" if flight["flown"] else "to fly"
        lines.append(
            f"  {flight['id']}   {flight['configuration']}   cards {', '.join(flight['cards']) or '-'}   {state}"
        )
        lines.append(f"    {_budget_words(flight)}")
        rows = [f"    {line}" for line in map(_load_line, flight["loading"])]
        same = seen.setdefault("\n".join(rows), flight["id"])
        lines += rows if same == flight["id"] else [f"    weight and CG as in {same}"] if rows else []
    return lines


def _load_line(row: dict) -> str:
    cg = "CG not known" if row["cg_mm"] is None else f"CG {row['cg_mm']:.0f} mm"
    at = row["at"] if row["at"] in ("start-up", "shut-down") else f"card {row['at']}"
    faults = "".join(f"   {fault}" for fault in row["faults"])
    return (
        f"{at:10} {row['minutes']:4.0f} min   {row['fuel_left_l']:5.1f} l   {row['weight_kg']:6.1f} kg   {cg}{faults}"
    )


def _budget_words(flight: dict) -> str:
    words = f"{flight['runs']} run{'s' if flight['runs'] != 1 else ''}, {flight['minutes']:.0f} min"
    if flight["fuel_used_l"] is None:
        return words + ", fuel not known"
    verdict = "above" if flight["fits"] else "BELOW"
    return (
        f"{words}, {flight['fuel_used_l']:.0f} l of {flight['fuel_l']:g} l; {flight['fuel_left_l']:.0f} l left, "
        f"{verdict} the reserve of {flight['reserve_l']:g} l"
    )


def _comparison_lines(document: dict) -> list[str]:
    lines = ["Comparisons"] if document["comparisons"] else []
    for pair in document["comparisons"]:
        things = "; ".join(pair["differences"]) or "nothing recorded"
        lines.append(f"  {pair['reference']} with {pair['changed']}: {things}")
        if pair["ballast"]:
            ballast = pair["ballast"]
            lines.append(f"    ballast for {ballast['flight']} to match {ballast['to_match']}: {ballast['words']}")
    return lines


def _proposal_lines(campaign: Campaign, document: dict, flights: Sequence[FlightInfo]) -> list[str]:
    if not document["proposed"]:
        if not campaign.points or not campaign.configurations:
            return []
        left = sum(cell["left"] for cell in document["matrix"])
        if left:
            return ["Next flight: not enough fuel for one run above the reserve; check [plan] and fuel_*"]
        return ["Next flight: none; every run wanted has been flown"]
    planned = [f["configuration"] for f in document["flights"]]
    if not flights and planned == [f["configuration"] for f in document["proposed"]]:
        first = document["next_flight"]
        points = ", ".join(f"{p['point']} x{p['runs']}" for p in first["points"])
        return [f"The planned flights are A-B-B-A blocks. Next: {first['configuration']}: {points}"]
    title = "What is left, in A-B-B-A blocks" if flights else "Proposed, in A-B-B-A blocks"
    lines = [f"{title} (the first is the next flight)"]
    for flight in document["proposed"]:
        points = ", ".join(f"{p['point']} x{p['runs']}" for p in flight["points"])
        lines.append(f"  {flight['number']}. {flight['configuration']}: {points}")
        lines.append(f"     {_budget_words(flight)}; {flight['reason']}")
    return lines


def _advice_lines(document: dict) -> list[str]:
    if not document["advice"]:
        return ["Advice: none"]
    return ["Advice"] + [f"  - {item['topic']}: {item['words']}" for item in document["advice"]]

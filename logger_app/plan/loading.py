"""Weight and centre of gravity of the loaded aircraft, at the start and as fuel is used.

Pure. Weights in kilograms, arms and CG in millimetres aft of the datum. Main names:
`weight_and_cg`, `aircraft_as_fitted`, `loading_limits`, `ballast_to_match`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from logger_app.domain.fitted import fitted_to
from logger_app.errors import CardError, Fault
from logger_app.records.plan import Aircraft, Campaign, Loading


@dataclass(frozen=True, slots=True, kw_only=True)
class Ballast:
    """What to put where, to fly at another loading's weight and CG.

    `weight_kg` is to be added (taken out if negative) at `arm_mm`; the arm is None when the
    weights are equal but the CGs are not, or when an arm is not known. `station` is the nearest
    station, with the CG that results from using it instead.
    """

    weight_kg: float
    arm_mm: float | None
    station: str | None
    words: str


def weight_and_cg(aircraft: Aircraft, loading: Loading, fuel_used_l: float) -> tuple[float, float | None]:
    """Weight and CG after some fuel has been used.

    Parameters
    ----------
    aircraft : Aircraft
        Empty weight and arm, stations, fuel arm and density.
    fuel_used_l : float
        Used since the start [l]. More than was aboard counts as all of it.

    Returns
    -------
    weight_kg : float
        Weight [kg].
    cg_mm : float or None
        CG aft of datum [mm]; None when an arm that matters is not known.

    Raises
    ------
    CardError
        The fuel at the start is not given, so the weight is not known.

    Notes
    -----
    CG = sum(W x) / sum(W) over the list of loads.

    Examples
    --------
    >>> a = Aircraft(name="a", empty_weight_kg=400, reference_weight_kg=600, max_weight_kg=600,
    ...              wing_area_m2=12, empty_arm_mm=2000, fuel_arm_mm=2200, fuel_density_kg_per_l=0.75)
    >>> weight_and_cg(a, Loading(fuel_l=80), 26.666666666666668)
    (440.0, 2018.1818181818182)
    """
    if loading.fuel_l is None:
        fault = Fault(where="loading, fuel_l", got="nothing", expected="the fuel at start-up, in l")
        raise CardError(faults=(fault,))
    fuel_kg = max(0.0, loading.fuel_l - fuel_used_l) * aircraft.fuel_density_kg_per_l
    arms = {station.name: station.arm_mm for station in aircraft.stations}
    loads = [(aircraft.empty_weight_kg, aircraft.empty_arm_mm), (fuel_kg, aircraft.fuel_arm_mm)]
    loads += [(kg, arms.get(name)) for name, kg in loading.items]
    weight_kg = sum(kg for kg, _ in loads)
    if any(arm is None for kg, arm in loads if kg):
        return weight_kg, None
    return weight_kg, sum(kg * (arm or 0.0) for kg, arm in loads) / weight_kg


def aircraft_as_fitted(campaign: Campaign, configuration: str | None) -> Aircraft:
    """The aircraft with the weight of what a configuration adds to it.

    Parameters
    ----------
    configuration : str or None
        Id; None or unknown gives the aircraft as weighed.

    Returns
    -------
    Aircraft
        Empty weight and arm include every `weight_kg` of the changes up to the baseline. Where
        such a change gives no `arm_mm`, the empty arm becomes None: the CG is not known.
    """
    aircraft = campaign.aircraft
    weight_kg, arm_mm = aircraft.empty_weight_kg, aircraft.empty_arm_mm
    for fit in fitted_to(campaign, configuration or ""):
        details = dict(fit.change.details)
        added_kg = float(details.get("weight_kg", 0.0)) or sum(row.mass_kg or 0.0 for row in fit.change.rows)
        if not added_kg:
            continue
        if arm_mm is None or "arm_mm" not in details:
            arm_mm = None
        else:
            arm_mm = (weight_kg * arm_mm + added_kg * float(details["arm_mm"])) / (weight_kg + added_kg)
        weight_kg += added_kg
    if weight_kg == aircraft.empty_weight_kg or weight_kg > aircraft.max_weight_kg:
        return aircraft
    return replace(aircraft, empty_weight_kg=weight_kg, empty_arm_mm=arm_mm)


def loading_limits(aircraft: Aircraft, loading: Loading, fuel_used_l: float, where: str) -> tuple[Fault, ...]:
    """Weight and CG limits that a loading breaks after some fuel has been used.

    Parameters
    ----------
    fuel_used_l : float
        Used since the start [l].
    where : str
        Names the flight and the moment in the faults.

    Returns
    -------
    tuple of Fault
        Empty when all limits that are known hold.
    """
    weight_kg, cg_mm = weight_and_cg(aircraft, loading, fuel_used_l)
    faults = []
    if weight_kg > aircraft.max_weight_kg:
        over_kg = weight_kg - aircraft.max_weight_kg
        faults.append(
            Fault(
                where=f"{where}, weight",
                got=f"{weight_kg:.1f} kg",
                expected=f"max_weight_kg {aircraft.max_weight_kg:g} at most",
                hint=f"Take off {over_kg:.1f} kg.",
            )
        )
    low, high = aircraft.cg_min_mm, aircraft.cg_max_mm
    if low is not None and high is not None and low >= high:
        return tuple(faults)  # limits that contradict each other say nothing of a loading
    if cg_mm is not None and ((low is not None and cg_mm < low) or (high is not None and cg_mm > high)):
        side = "forward of cg_min_mm" if low is not None and cg_mm < low else "aft of cg_max_mm"
        faults.append(
            Fault(
                where=f"{where}, CG",
                got=f"{cg_mm:.0f} mm, {side}",
                expected=f"{_end(low)} to {_end(high)} mm",
                hint=_inch_hint(cg_mm, low, high) or "Move or change the load; never fly outside the tested CG.",
            )
        )
    return tuple(faults)


def ballast_to_match(aircraft: Aircraft, loading: Loading, to_weight_kg: float, to_cg_mm: float | None) -> Ballast:
    """Ballast that brings a loading to another one's weight and CG, both at the start.

    Parameters
    ----------
    aircraft : Aircraft
        As fitted for the flight that gets the ballast.
    to_weight_kg : float
        Weight to be matched [kg].
    to_cg_mm : float or None
        CG to be matched, aft of datum [mm].

    Notes
    -----
    The added weight w at arm x must satisfy W + w = W' and W c + w x = W' c'.
    """
    weight_kg, cg_mm = weight_and_cg(aircraft, loading, 0.0)
    add_kg = to_weight_kg - weight_kg
    if abs(add_kg) < 0.5:
        if cg_mm is not None and to_cg_mm is not None and abs(cg_mm - to_cg_mm) > 5.0:
            move = f"the weights match; shift the load: the CG is {cg_mm:.0f} mm and should be {to_cg_mm:.0f} mm"
            return Ballast(weight_kg=0.0, arm_mm=None, station=None, words=move)
        return Ballast(weight_kg=0.0, arm_mm=None, station=None, words="none needed")
    verb = "add" if add_kg > 0 else "take out"
    if cg_mm is None or to_cg_mm is None:
        words = f"{verb} {abs(add_kg):.1f} kg; where, cannot be said: an arm or a CG is not known"
        return Ballast(weight_kg=add_kg, arm_mm=None, station=None, words=words)
    arm_mm = (to_weight_kg * to_cg_mm - weight_kg * cg_mm) / add_kg
    nearest = min(aircraft.stations, key=lambda s: abs(s.arm_mm - arm_mm), default=None)
    words = f"{verb} {abs(add_kg):.1f} kg at {arm_mm:.0f} mm"
    if nearest is None:
        return Ballast(weight_kg=add_kg, arm_mm=arm_mm, station=None, words=words)
    with_station_mm = (weight_kg * cg_mm + add_kg * nearest.arm_mm) / to_weight_kg
    words += (
        f"; at the nearest station, {nearest.name} ({nearest.arm_mm:.0f} mm), "
        f"the CG would be {with_station_mm:.0f} mm against {to_cg_mm:.0f} mm"
    )
    return Ballast(weight_kg=add_kg, arm_mm=arm_mm, station=nearest.name, words=words)


def _end(limit_mm: float | None) -> str:
    return "no limit" if limit_mm is None else f"{limit_mm:g}"


def _inch_hint(cg_mm: float, low: float | None, high: float | None) -> str:
    if low is not None and high is not None and low * 25.4 <= cg_mm <= high * 25.4:
        return f"Are the limits in inches? Then name them cg_min_in = {low:g} and cg_max_in = {high:g}."
    return ""

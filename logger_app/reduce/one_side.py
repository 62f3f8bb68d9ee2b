"""Changes fitted to one wing only: the other wing, unmodified, is the control in the very same second.

Pure. Which side dropped first, as an exact binomial; what each side's stations did, as differences paired in the run, so
that airspeed error cancels. Nothing here says what a full fit would do to the stall speed.
Main names: `one_sided`, `paired_stations`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

from logger_app.domain.binomial import clopper_pearson, counts_differ_p
from logger_app.domain.fitted import fitted_to, side_of
from logger_app.records.plan import Campaign, TestPoint
from logger_app.records.results import OneSided, StallSpeed, StationPair
from logger_app.reduce.statistics import mean_interval

Span = tuple[float, float]  # slow and fast bound [kt]
OTHER = {"left": "right", "right": "left"}
CAUTION = (
    "A change on one wing can make the stall asymmetric: outboard devices first, altitude, spin recovery briefed "
    "(common practice, no source). No stall speed of a full fit follows from it."
)


def one_sided(campaign: Campaign, runs: Iterable[StallSpeed]) -> tuple[OneSided, ...]:
    """Every configuration whose fit is on one wing, and which wing dropped first in its runs.

    Parameters
    ----------
    runs : iterable of StallSpeed
        All runs of the campaign; those that do not count are left out, except that a run that does not count for its
        speed alone still shows a side.
    """
    runs = [run for run in runs if run.event_flight_s is not None]
    found = []
    for config in campaign.configurations:
        side = side_of(fitted_to(campaign, config.id)) if config.parent is not None else "both"
        if side in OTHER:
            mine = [run for run in runs if run.configuration == config.id]
            if mine:
                alike = _fitted_alike(campaign, _symmetric(campaign, config.id))
                reference = [run for run in runs if run.configuration in alike]
                found.append(_of(campaign, config.id, side, mine, reference))
    return tuple(found)


def _symmetric(campaign: Campaign, configuration: str) -> str | None:
    """The nearest earlier configuration that is alike on both wings."""
    at = campaign.configuration(configuration)
    while at is not None and at.parent is not None:
        if side_of(fitted_to(campaign, at.parent)) == "both":
            return at.parent
        at = campaign.configuration(at.parent)
    return None


def _fitted_alike(campaign: Campaign, configuration: str | None) -> set[str]:
    """All configurations with the same fitted as one: a change that was taken back makes the earlier one again."""
    if configuration is None:
        return set()

    def fits(id: str) -> set[tuple[str, str]]:
        return {(one.change.item, one.since) for one in fitted_to(campaign, id)}

    wanted = fits(configuration)
    return {config.id for config in campaign.configurations if fits(config.id) == wanted}


def _drops(runs: Sequence[StallSpeed]) -> tuple[int, int, int]:
    """How often the left wing, the right wing and neither dropped."""
    left = sum(run.wing_drop == "left" for run in runs)
    right = sum(run.wing_drop == "right" for run in runs)
    return left, right, len(runs) - left - right


def _of(campaign: Campaign, configuration: str, side: str, runs, reference) -> OneSided:
    control = OTHER[side]
    left, right, neither = _drops(runs)
    first = right if control == "right" else left
    low, high = clopper_pearson(first, left + right)
    was_left, was_right, _ = _drops(reference)
    p = counts_differ_p((was_left, was_right), (left, right)) if was_left + was_right and left + right else None
    confounders = _could_favour_a_side({p.id: p for p in campaign.points}, runs)
    return OneSided(
        configuration=configuration,
        fitted_side=side,
        control_side=control,
        n_runs=len(runs),
        control_first=first,
        fitted_first=left + right - first,
        neither=neither,
        low_ratio=low,
        high_ratio=high,
        reference_left=was_left,
        reference_right=was_right,
        p_differs_from_reference=p,
        could_also=confounders,
        words=_words(side, control, first, left + right, low, high, len(runs), was_left, was_right, p, confounders),
    )


def _words(side, control, first, dropped, low, high, n, was_left, was_right, p, confounders) -> str:
    if not dropped:
        return f"fitted on the {side} wing only: no wing drop was called in {n} run{'s' if n != 1 else ''}"
    text = (
        f"the {control} wing, without the change, dropped first in {first} of {dropped}, "
        f"{100 * low:.0f} to {100 * high:.0f} % (95 %, exact)"
    )
    if was_left + was_right:
        before = was_right if control == "right" else was_left
        text += f"; without it on either wing it was {before} of {was_left + was_right}"
        text += " (the side changed)" if p is not None and p < 0.05 else " (no change of side is shown)"
    else:
        text += "; which wing drops first without it has not been flown"
    if confounders:
        text += f". What else favours a side: {', '.join(confounders)}"
    return text


def _could_favour_a_side(points: Mapping[str, TestPoint], runs: Sequence[StallSpeed]) -> tuple[str, ...]:
    """Power, bank and flap of the runs that would favour a side by themselves; ball and rudder, which nobody recorded."""
    flown = [points[run.point] for run in runs if run.point is not None and run.point in points]
    found = []
    if powered := sorted({point.power for point in flown if point.power != "idle"}):
        found.append(f"power ({', '.join(powered)})")
    if banked := sorted(
        {f"{abs(p.bank_deg):g} deg {'right' if p.bank_deg > 0 else 'left'}" for p in flown if p.bank_deg}
    ):
        found.append(f"bank ({', '.join(banked)})")
    if any(point.flap_deg for point in flown):
        found.append("flaps that do not go down alike")
    return (*found, "ball and rudder (not recorded)")


def paired_stations(
    runs: Iterable[Mapping[str, tuple[Span | None, Span | None]]], fitted_side: str
) -> tuple[StationPair, ...]:
    """Difference between the wings at each station that both showed in the same run: control minus fitted.

    Positive: the control let go at a higher speed, so the change held the flow longer. Both speeds are of one run and one
    needle, so that the error of the airspeed cancels. What the looks leave open does not: the least and the greatest
    difference that they allow are averaged apart, and the interval goes from the lower limit of the one to the upper
    limit of the other.

    Parameters
    ----------
    runs : iterable of mapping
        Of each run, by station: between which indicated airspeeds the left and the right wing first separated [kt], None
        where a side never did or was not seen; a fast bound may be infinite.
    fitted_side : str
        ``left`` or ``right``.

    References
    ----------
    [STUDENT1908] paired differences.
    """
    by_station: dict[str, list[Span]] = {}
    unseen: dict[str, int] = {}
    for run in runs:
        for station, (left, right) in run.items():
            if left is None or right is None:
                unseen[station] = unseen.get(station, 0) + 1
                continue
            control, fitted = (left, right) if fitted_side == "right" else (right, left)
            by_station.setdefault(station, []).append((control[0] - fitted[1], control[1] - fitted[0]))
    return tuple(
        _pair(station, by_station.get(station, []), unseen.get(station, 0))
        for station in sorted({*by_station, *unseen})
    )


def _pair(station: str, differences: Sequence[Span], not_paired: int) -> StationPair:
    least, most = ([one[k] for one in differences if math.isfinite(one[k])] for k in (0, 1))
    n = len(differences)
    bounded = n > 0 and len(least) == len(most) == n
    low = mean_interval(least) if n >= 2 and len(least) == n else None
    high = mean_interval(most) if n >= 2 and len(most) == n else None
    return StationPair(
        station=station,
        n=n,
        not_paired=not_paired,
        difference_ias_kt=(math.fsum(least) + math.fsum(most)) / (2 * n) if bounded else None,
        low_kt=low.low if low else None,
        high_kt=high.high if high else None,
    )

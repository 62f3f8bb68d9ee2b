"""What is fitted to the aircraft: the line of configurations, what differs between two of them, and what that can answer.

Pure. One change at a time is the rule of the trade (common practice, no source): where two configurations differ in
more than one thing, what each of them did cannot be told apart.
Main names: `lineage`, `fitted_to`, `difference`, `Difference`, `side_of`, `side_cautions`,
`history_problems`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from logger_app.records.plan import SIDES, AircraftConfig, Campaign, Change, DeviceRow


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """One item on the aircraft, and the configuration that fitted it."""

    change: Change
    since: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """What `changed` has that `reference` has not, and the other way round."""

    reference: str
    changed: str
    added: tuple[Fit, ...] = ()
    removed: tuple[Fit, ...] = ()

    @property
    def items(self) -> tuple[str, ...]:
        """Each difference in words."""
        return tuple(
            [f"{one.change.item} fitted" for one in self.added] + [f"{one.change.item} removed" for one in self.removed]
        )

    @property
    def answers(self) -> str:
        """Which question a comparison of the two answers, as a sentence."""
        if not self.items:
            return f"{self.changed} and {self.reference} do not differ in anything that the campaign names."
        if len(self.items) == 1:
            (one,) = (*self.added, *self.removed)
            what = f"what {one.change.item} did" if self.added else f"what removing {one.change.item} did"
            return f"{self.changed} against {self.reference} shows {what} on its own."
        listed = ", ".join(self.items)
        return (
            f"{self.changed} against {self.reference} shows what {len(self.items)} changes did together ({listed}); "
            f"what each of them did cannot be told apart."
        )


def lineage(campaign: Campaign, configuration: str) -> tuple[AircraftConfig, ...]:
    """A configuration and what it was made from, the baseline first; empty if it is not known."""
    chain: list[AircraftConfig] = []
    at = campaign.configuration(configuration)
    while at is not None and at not in chain:
        chain.insert(0, at)
        at = campaign.configuration(at.parent) if at.parent else None
    return tuple(chain)


def fitted_to(campaign: Campaign, configuration: str) -> tuple[Fit, ...]:
    """Everything on the aircraft in a configuration: fitted along its line and not taken off again."""
    found: list[Fit] = []
    for config in lineage(campaign, configuration):
        for change in config.changes:
            found = [one for one in found if one.change.item not in (change.takes_off, change.item)]
            if not change.takes_off or change.rows or change.details:
                found.append(Fit(change=change, since=config.id))
    return tuple(found)


def difference(campaign: Campaign, reference: str, changed: str) -> Difference:
    """What differs between two configurations, by item."""
    before, after = fitted_to(campaign, reference), fitted_to(campaign, changed)
    same = {(one.change.item, one.since) for one in before} & {(one.change.item, one.since) for one in after}
    return Difference(
        reference=reference,
        changed=changed,
        added=tuple(one for one in after if (one.change.item, one.since) not in same),
        removed=tuple(
            one
            for one in before
            if (one.change.item, one.since) not in same and one.change.item not in {b.change.item for b in after}
        ),
    )


def side_of(fits: Sequence[Fit]) -> str:
    """The side that carries what the other does not: ``left``, ``right``, or ``both`` when the wings are alike.

    What is on both wings makes no side; so a fence on the right of a wing with strips on both is a right one.
    """
    sides = {one.change.side for one in fits} - {"both"}
    return sides.pop() if len(sides) == 1 else "both"


def side_cautions(campaign: Campaign, configuration: str | None = None) -> tuple[str, ...]:
    """What to brief before a configuration with a change on one wing only flies; of one, or of all of the campaign."""
    found = []
    for config in campaign.configurations:
        side = side_of(fitted_to(campaign, config.id))
        if side != "both" and configuration in (None, config.id):
            found.append(
                f"{config.id} has a change on the {side} wing only: the stall can be asymmetric. Outboard devices first, "
                "more altitude, spin recovery briefed (common practice, no source)."
            )
    return tuple(found)


def device_rows(fits: Sequence[Fit], *, implied: bool = True) -> tuple[tuple[Fit, DeviceRow], ...]:
    """Every row of devices among what is fitted.

    Parameters
    ----------
    implied : bool
        With those that a change without rows implies by its own span and chord.
    """
    return tuple((one, row) for one in fits for row in one.change.rows or (_implied(one.change) if implied else ()))


def _implied(change: Change) -> tuple[DeviceRow, ...]:
    details = dict(change.details)
    try:
        low, high = float(details["span_from_pct"]), float(details["span_to_pct"])
        chord = float(details["chord_pct"]) if "chord_pct" in details else None
        count = int(details["count_per_side"]) if "count_per_side" in details else None
    except (KeyError, ValueError):  # no span, or a chord that changes along it: nothing to draw by
        return ()
    side = details.get("side", "both")
    return (
        DeviceRow(
            span_from_pct=low,
            span_to_pct=high,
            side=side if side in SIDES else "both",
            count=count,
            chord_from_pct=chord,
            chord_to_pct=chord,
            state=change.state,
        ),
    )


def history_problems(campaign: Campaign) -> tuple[str, ...]:
    """What makes the line of configurations hard to conclude from, as sentences.

    Two changes at once; a change that was taken back (the configuration is again what an earlier one was); a fit left
    from an older generation that a comparison with the baseline includes.
    """
    found = []
    earlier: dict[tuple[tuple[str, str], ...], str] = {}
    for config in campaign.configurations:
        now = fitted_to(campaign, config.id)
        if config.parent is not None:
            step = difference(campaign, config.parent, config.id)
            if len(step.items) > 1:
                found.append(f"{config.id}: {step.answers}")
            older = [one for one in now if one.since != config.id]
            baseline = lineage(campaign, config.id)[:1]
            if older and baseline:
                left = ", ".join(f"{one.change.item} (since {one.since})" for one in older)
                found.append(
                    f"{config.id} still carries {left}: against {baseline[0].id} it shows all of it together; "
                    f"what {config.id} itself did shows against {config.parent}."
                )
        key = tuple(sorted((one.change.item, one.since) for one in now))
        if key in earlier:
            found.append(f"{config.id} is fitted as {earlier[key]} was: the change was undone.")
        else:
            earlier[key] = config.id
    return tuple(found)

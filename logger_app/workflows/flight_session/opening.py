"""Which flight is flown, and how its journal is begun or taken up again."""

from __future__ import annotations

import warnings
from collections import deque
from collections.abc import Callable
from dataclasses import replace
from itertools import count
from pathlib import Path

from logger_app.domain.folder_names import name_faults
from logger_app.errors import CardError, Fault, LogError, Notice
from logger_app.fly.flight_records import Intent
from logger_app.logstore import codec
from logger_app.logstore.store import FLIGHTS_DIR, Journal, list_flights, utc_now
from logger_app.records.journal import FlightInfo, RowKind
from logger_app.records.plan import Campaign, Loading

LANDED = str(Intent.LAND)


def open_flight(
    campaign: Campaign,
    campaign_dir: Path,
    name: str | None = None,
    configuration: str | None = None,
    *,
    who: str = "",
    ready: Callable[[FlightInfo, bool], object] = lambda info, resumed: None,
    confusions: tuple[tuple[int, int], ...] = (),
    **extra: object,
) -> Journal:
    """The journal of the flight to fly: the one named, the unfinished one, or the next one planned.

    Parameters
    ----------
    ready : callable
        Called with the flight and whether it goes on when all else is right, before a new flight is begun; what it
        raises leaves nothing behind.
    confusions : tuple of (int, int)
        Decades, heard and meant, that the rehearsal showed the pilot's voice to confuse.
    **extra
        More keys of the first row: app, pack, engine.

    Raises
    ------
    CardError
        The configuration is not known, not given, or not the one that the flight was begun with.
    LogError
        The folder cannot be written.
    """
    name = name or unfinished_flight(campaign_dir) or _next_planned(campaign, campaign_dir)
    _check_name(name)
    folder = Path(campaign_dir) / FLIGHTS_DIR / name
    if folder in list_flights(campaign_dir):
        journal = Journal.open(folder)
        try:
            _check_flown(folder, journal.info.configuration, configuration)
            ready(journal.info, True)
        except BaseException:
            journal.close()
            raise
        return journal
    planned = campaign.flight(name)
    fitted = _configuration(campaign, name, configuration or (planned.configuration if planned else None))
    loading = planned.loading if planned else Loading()
    info = FlightInfo(
        id=name,
        configuration=fitted,
        loading_items=loading.items,
        fuel_l=loading.fuel_l,
        who=who,
        confusions=confusions,
    )
    ready(info, False)
    info = replace(info, started_utc=utc_now())  # now: the microphone may have taken its time
    points = codec.points_to_body(campaign.points)
    return Journal.create(folder, info, campaign=campaign.name, points=points, **extra)


def unfinished_flight(campaign_dir: Path) -> str | None:
    """The latest flight that was begun in the air and not landed, or None; what cannot be read is passed over."""
    for folder in reversed(list_flights(campaign_dir)):
        try:
            with Journal.open(folder, read_only=True) as journal:
                steps = [row.body.get("step") for row in journal.rows(RowKind.STEP)]
                if steps and steps[-1] != LANDED:
                    deque(journal.rows(), maxlen=0)  # damage to any row is found now, not in the air
        except LogError as err:  # an old flight that is damaged does not keep the next one on the ground
            warnings.warn(f"left out: {err}", Notice, stacklevel=2)
            continue
        if steps and steps[-1] != LANDED:
            return folder.name
    return None


def _next_planned(campaign: Campaign, campaign_dir: Path) -> str:
    flown = {folder.name for folder in list_flights(campaign_dir)}
    planned = next((flight.id for flight in campaign.flights if flight.id not in flown), None)
    if planned:
        return planned
    day = utc_now()[:10]
    names = (f"{day}_{chr(ord('a') + k) if k < 26 else k + 1}" for k in count())
    return next(name for name in names if name not in flown)


def _configuration(campaign: Campaign, flight: str, wanted: str | None) -> str | None:
    known = [configuration.id for configuration in campaign.configurations]
    if wanted in known:
        return wanted
    if wanted is None and len(known) <= 1:
        return known[0] if known else None
    raise CardError(
        faults=(
            Fault(
                where=f"flight {flight}, --configuration",
                got=wanted or "none",
                expected=f"what is fitted, one of: {', '.join(known)}" if known else "a campaign with configurations",
                hint="Give --configuration ID, or plan the flight in campaign.toml.",
            ),
        )
    )


def _check_flown(folder: Path, flown: str | None, wanted: str | None) -> None:
    if wanted and flown != wanted:
        raise CardError(
            faults=(
                Fault(
                    where=f"{folder}, --configuration",
                    got=wanted,
                    expected=f"{flown}, with which this flight was begun",
                    hint="One flight has one configuration: give another --flight.",
                ),
            )
        )


def _check_name(name: str) -> None:
    if faults := name_faults(name, "--flight"):
        raise CardError(faults=faults)

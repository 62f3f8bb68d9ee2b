"""Where a campaign stands: what was planned, flown, reviewed, synced and reduced, and what comes next.

The home of the app shows it. Also the campaigns opened last, kept in the user's folder. Main names: `overview`, `recent`, `remember`.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from logger_app.errors import LoggerError
from logger_app.io.files import make_folder, read_text, write_text
from logger_app.io.resources import user_dir

RECENT_FILE = "recent.json"
MAX_RECENT = 12
MAX_REDUCTION_BYTES = 500_000_000  # a campaign of 20,000 runs has less than half of it
RESULTS = Path("results")
REDUCTION = RESULTS / "reduction.json"
REPORT_DIR = RESULTS / "report"
REPORT = REPORT_DIR / "index.html"


@dataclass(frozen=True, slots=True, kw_only=True)
class FlightOverview:
    """A flight: its calls, those that still need an eye, its cameras on the flight clock; or why it cannot be read."""

    id: str
    folder: Path
    configuration: str = ""
    calls: int = 0
    to_check: int = 0
    cameras: int = 0
    points: tuple[str, ...] = ()
    changed_utc: str = ""  # of the last row
    journal_sha256: str = ""
    trouble: str = ""

    @property
    def reviewed(self) -> bool:
        """Whether nothing in it waits for an eye."""
        return not self.trouble and not self.to_check


@dataclass(frozen=True, slots=True, kw_only=True)
class Overview:
    """A campaign folder. `faults` are those of campaign.toml; with them nothing else is known."""

    folder: Path
    name: str
    points: int = 0
    planned: tuple[tuple[str, str], ...] = ()  # (flight, configuration)
    configurations: tuple[str, ...] = ()
    flights: tuple[FlightOverview, ...] = ()
    faults: tuple[str, ...] = ()
    reduced: str = ""  # "", "old" or "current"
    reported: str = ""

    @property
    def compared(self) -> tuple[tuple[str, tuple[str, ...]], ...]:
        """Test points that two or more configurations with a synced camera have flown: (point, configurations)."""
        flown: dict[str, list[str]] = {}
        for flight in self.flights:
            for point in flight.points if flight.cameras else ():
                if flight.configuration and flight.configuration not in flown.setdefault(point, []):
                    flown[point].append(flight.configuration)
        return tuple((point, tuple(names)) for point, names in sorted(flown.items()) if len(names) > 1)


def overview(folder: Path) -> Overview:
    """Look at a campaign folder; each journal is read once.

    Raises
    ------
    CardError
        There is no campaign file.
    """
    from logger_app.errors import CardError
    from logger_app.logstore.store import list_flights
    from logger_app.plan.cards_io import campaign_file, read_campaign

    folder = Path(folder)
    try:
        campaign = read_campaign(folder)
    except CardError as err:
        if not campaign_file(folder).is_file():
            raise
        faults = tuple(str(fault) for fault in err.faults) or (str(err),)
        return Overview(folder=folder, name=folder.name, faults=faults)
    flights = tuple(_flight(path) for path in list_flights(folder))
    return Overview(
        folder=folder,
        name=campaign.name,
        points=len(campaign.points),
        planned=tuple((flight.id, flight.configuration) for flight in campaign.flights),
        configurations=tuple(configuration.id for configuration in campaign.configurations),
        flights=flights,
        reduced=_reduced(folder, flights),
        reported=_reported(folder, flights),
    )


def _flight(path: Path) -> FlightOverview:
    from logger_app.workflows.review import ReviewWorkflow

    try:
        workflow = ReviewWorkflow(path, "")
        now = workflow.load()
        return FlightOverview(
            id=path.name,
            folder=path,
            configuration=now.info.configuration or "",
            calls=now.progress.calls,
            to_check=now.progress.to_look_at,
            cameras=len({clock.source for clock in now.clock_maps}),
            points=tuple(sorted({run.point for run in now.runs.runs if run.point})),
            changed_utc=max(
                [now.info.heard_utc or now.info.started_utc, *(correction.utc for correction in now.corrections)]
            ),
            journal_sha256=now.data.journal_sha256,
        )
    except (LoggerError, OSError) as err:
        return FlightOverview(id=path.name, folder=path, trouble=str(err))


def _reduced(folder: Path, flights: tuple[FlightOverview, ...]) -> str:
    """Whether the results are of the journals as they are now: by their hashes, which the results carry."""
    try:
        written = json.loads(read_text(folder / REDUCTION, MAX_REDUCTION_BYTES))
        hashes = dict(written["provenance"]["hashes"])
    except (OSError, ValueError, KeyError, TypeError):
        return ""
    now = {flight.id: flight.journal_sha256 for flight in flights if not flight.trouble}
    return "current" if set(now.values()) == set(hashes.values()) else "old"


def _reported(folder: Path, flights: tuple[FlightOverview, ...]) -> str:
    """Whether the report is younger than every flight's journal."""
    try:
        made_s = (folder / REPORT).stat().st_mtime
    except OSError:
        return ""
    changed = [flight.changed_utc for flight in flights if flight.changed_utc]
    newest_s = max((datetime.fromisoformat(utc).timestamp() for utc in changed), default=0.0)
    # The journal's time has whole seconds.
    return "current" if made_s + 1.0 >= newest_s else "old"


def recent(folder: Path | None = None) -> tuple[Path, ...]:
    """Campaigns opened last that are still there, newest first."""
    try:
        listed = json.loads(read_text((folder or user_dir()) / RECENT_FILE))
        paths = [Path(text) for text in listed if isinstance(text, str)]
    except (OSError, ValueError, TypeError):
        return ()
    return tuple(path for path in paths if (path / "campaign.toml").is_file())[:MAX_RECENT]


def remember(campaign: Path, folder: Path | None = None) -> None:
    """Put a campaign first among the recent ones."""
    folder = folder or user_dir()
    make_folder(folder)
    campaign = Path(campaign).resolve()
    others = [path for path in recent(folder) if path != campaign]
    write_text(folder / RECENT_FILE, json.dumps([str(path) for path in (campaign, *others)][:MAX_RECENT], indent=1))

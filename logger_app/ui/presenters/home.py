"""What the app shows on the ground: recent campaigns, the path of one campaign as tiles, forms, files, jobs. Pure.

Each function takes what is known and gives a `PageView`; a tile's `key` says what it asks for. The flight screen has its own presenter.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from logger_app.workflows.overview import FlightOverview, Overview

SOUND = (".wav", ".flac", ".mp3", ".m4a", ".ogg", ".opus", ".aac")
VIDEO = (".mp4", ".mov", ".mkv", ".avi", ".mts", ".m4v", ".webm")
TRANSCRIPT = (".csv", ".vtt", ".srt")
TRACE = (".csv", ".gpx", ".nmea", ".txt")
RECORDINGS = SOUND + VIDEO + TRANSCRIPT
# Lines of a job's messages that are shown; all are in the terminal.
MAX_LINES = 14


@dataclass(frozen=True, slots=True, kw_only=True)
class TileView:
    """Something to choose: a title, how it is, a drawn sign (tick, warn, stop, dot or none)."""

    key: str
    title: str
    state: str = ""
    sign: str = ""
    role: str = "button"  # button | main | stop
    enabled: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldView:
    """A line to fill in, with what is wrong beside it."""

    name: str
    label: str
    text: str = ""
    hint: str = ""
    fault: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PageView:
    """A page: words above, tiles or fields or lines in the middle, actions below. `fraction` is a bar from 0 to 1."""

    title: str
    words: str = ""
    trouble: bool = False
    tiles: tuple[TileView, ...] = ()
    fields: tuple[FieldView, ...] = ()
    lines: tuple[str, ...] = ()
    fraction: float | None = None
    actions: tuple[TileView, ...] = ()
    back: str = "Back"
    listed: bool = False  # tiles as a list, one a row


# ---- home ----------------------------------------------------------------------------------------------


def home_view(recent: Sequence[Path], message: str = "", in_menu: bool = True) -> PageView:
    """The first page: campaigns opened last, a new one, a folder."""
    tiles = [
        TileView(key=f"campaign:{path}", title=path.name, state=str(path.parent), role="main" if k == 0 else "button")
        for k, path in enumerate(recent)
    ]
    actions = (
        TileView(key="new", title="New campaign", role="button" if recent else "main"),
        TileView(key="open", title="Open folder"),
        TileView(key="demo", title="Try the demo"),
        *(() if in_menu else (TileView(key="entry", title="Add to the menu"),)),
    )
    words = message or (
        "Campaigns opened last" if recent else "Stall tests: plan, fly, hear, review, compare. Begin here:"
    )
    return PageView(title="Kneecall", words=words, tiles=tuple(tiles), actions=actions, back="Quit")


# ---- a campaign ------------------------------------------------------------------------------------------


def next_step(now: Overview) -> str:
    """The tile that comes next; empty when everything is done."""
    if now.faults:
        return "plan"
    if not now.flights:
        return "preflight"
    if not all(flight.reviewed for flight in now.flights):
        return "review"
    if "current" not in (now.reported,) or now.reduced == "old":
        return "report"
    return "open_report"


def campaign_view(now: Overview | None, title: str, message: str = "") -> PageView:
    """The path of a campaign as tiles, each with its state."""
    if now is None:
        return PageView(title=title, words=message or "Reading the flights ...", trouble=bool(message))
    step = next_step(now)

    def tile(key: str, name: str, state: str, sign: str = "dot", enabled: bool = True) -> TileView:
        return TileView(
            key=key, title=name, state=state, sign=sign, enabled=enabled, role="main" if key == step else "button"
        )

    can = not now.faults
    flown = bool(now.flights)
    tiles = (
        tile("plan", "Plan", _plan_state(now), "tick" if can else "stop"),
        tile("preflight", "Preflight", "microphone, hearing, cautions", enabled=can),
        tile("fly", "Fly", f"{_count(len(now.flights), 'flight')} so far", enabled=can),
        tile("hear", "Hear a recording", _heard_state(now), "tick" if flown else "dot", enabled=can),
        tile("review", "Review", _review_state(now), _review_sign(now), enabled=can and flown),
        tile("sync", "Sync a camera", _camera_state(now), _camera_sign(now), enabled=can and flown),
        tile("compare", "Compare the wing", _compare_state(now), enabled=can and bool(now.compared)),
        tile("history", "Line of the design", _line_state(now), enabled=can),
        tile("reduce", "Reduce", _result_state(now.reduced), _result_sign(now.reduced), enabled=can and flown),
        tile(
            "report", "Write the report", _result_state(now.reported), _result_sign(now.reported), enabled=can and flown
        ),
        tile(
            "open_report",
            "Read the report",
            "in the browser" if now.reported else "not written yet",
            enabled=bool(now.reported),
        ),
        tile("cards", "Cards on paper", "a PDF to print", enabled=can),
        tile("folder", "Results folder", "in the file manager"),
    )
    words = message or next_words(step, now)
    return PageView(title=now.name, words=words, tiles=tiles, trouble=bool(now.faults))


def next_words(step: str, now: Overview) -> str:
    """What to do next, in a sentence."""
    if now.faults:
        return f"campaign.toml has {_count(len(now.faults), 'fault')}: {now.faults[0]}"
    return {
        "preflight": "Next: preflight and fly, or hear a recording.",
        "review": "Next: review the calls that need an eye.",
        "report": "Next: write the report.",
        "open_report": "Everything is up to date.",
    }[step]


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


def _plan_state(now: Overview) -> str:
    if now.faults:
        return f"{_count(len(now.faults), 'fault')} in campaign.toml"
    return f"{_count(now.points, 'test point')}, {_count(len(now.planned), 'flight')} planned"


def _heard_state(now: Overview) -> str:
    if not now.flights:
        return "no flight yet"
    return f"{_count(sum(flight.calls for flight in now.flights), 'call')} in {_count(len(now.flights), 'flight')}"


def _review_state(now: Overview) -> str:
    if not now.flights:
        return "no flight yet"
    damaged = [flight.id for flight in now.flights if flight.trouble]
    if damaged:
        return f"{', '.join(damaged)} cannot be read"
    done = sum(flight.reviewed for flight in now.flights)
    left = sum(flight.to_check for flight in now.flights)
    words = f"{done} of {_count(len(now.flights), 'flight')} reviewed"
    return f"{words}, {_count(left, 'call')} to check" if left else words


def _review_sign(now: Overview) -> str:
    if any(flight.trouble for flight in now.flights):
        return "stop"
    return "warn" if any(flight.to_check for flight in now.flights) else "tick" if now.flights else "dot"


def _camera_state(now: Overview) -> str:
    without = [flight.id for flight in now.flights if not flight.cameras]
    if not now.flights:
        return "no flight yet"
    if not without:
        return "every flight has a camera"
    return f"none for {', '.join(without)}" if len(without) < 3 else f"{len(without)} flights have none"


def _camera_sign(now: Overview) -> str:
    return "tick" if now.flights and all(flight.cameras for flight in now.flights) else "dot"


def _compare_state(now: Overview) -> str:
    if now.compared:
        return f"{_count(len(now.compared), 'test point')} with pictures"
    return "needs cameras on two configurations"


def _line_state(now: Overview) -> str:
    return f"{_count(len(now.configurations), 'configuration')}, what each did"


def _result_state(state: str) -> str:
    return {"": "not done yet", "old": "older than the last change", "current": "up to date"}[state]


def _result_sign(state: str) -> str:
    return {"": "dot", "old": "warn", "current": "tick"}[state]


# ---- choices ---------------------------------------------------------------------------------------------


def flights_view(title: str, flights: Sequence[FlightOverview]) -> PageView:
    """Which flight?"""
    tiles = tuple(
        TileView(
            key=f"flight:{flight.id}",
            title=flight.id,
            state=flight.trouble
            or f"{flight.configuration}: {_count(flight.calls, 'call')}, {flight.to_check} to check",
            sign="stop" if flight.trouble else "warn" if flight.to_check else "tick",
            enabled=not flight.trouble,
        )
        for flight in flights
    )
    return PageView(title=title, words="Which flight?", tiles=tiles)


def points_view(compared: Sequence[tuple[str, Sequence[str]]]) -> PageView:
    """Which test point, in which configurations?"""
    tiles = tuple(TileView(key=f"point:{point}", title=point, state=" / ".join(names)) for point, names in compared)
    return PageView(title="Compare the wing", words="Which test point?", tiles=tiles)


# ---- forms -----------------------------------------------------------------------------------------------


def new_view(fields: Sequence[FieldView], message: str = "") -> PageView:
    """The questions of a new campaign, with the faults beside the fields."""
    wrong = sum(bool(field.fault) for field in fields)
    words = message or (f"{_count(wrong, 'answer')} to correct" if wrong else "Empty fields are left out.")
    actions = (TileView(key="create", title="Create the campaign", role="main"),)
    return PageView(
        title="New campaign", words=words, trouble=bool(wrong or message), fields=tuple(fields), actions=actions
    )


def hear_view(
    name: str,
    files: Sequence[Path],
    configurations: Sequence[str],
    chosen: str,
    planned: Mapping[str, str],
    fault: str = "",
) -> PageView:
    """A recording into a flight: which files, which flight, what was fitted."""
    fields = (FieldView(name="flight", label="Name of the flight", text=name, hint="day1_baseline", fault=fault),)
    by_plan = planned.get(name)
    fitted = tuple(
        TileView(
            key=f"fitted:{id}",
            title=id,
            state="as planned" if id == by_plan else "what was fitted",
            role="main" if id == (by_plan or chosen) else "button",
            enabled=not by_plan or id == by_plan,
        )
        for id in configurations
    )
    ready = bool(files and name and not fault and (by_plan or chosen or not configurations))
    return PageView(
        title="Hear a recording",
        words="Sound, video or a transcript; several files are one recording, in this order.",
        fields=fields,
        tiles=fitted,
        lines=tuple(f"{k}. {path.name}" for k, path in enumerate(files, 1)),
        actions=_file_actions(files, "Hear it", ready),
    )


def sync_view(flight: str, files: Sequence[Path]) -> PageView:
    """Camera files onto a flight's clock."""
    return PageView(
        title=f"Cameras of {flight}",
        words="The camera files of this flight; they are never altered.",
        lines=tuple(path.name for path in files),
        actions=_file_actions(files, "Sync", bool(files)),
    )


def reduce_view(flights: Sequence[str], chosen: str, files: Sequence[Path]) -> PageView:
    """Reduce, with a trace joined to a flight if there is one."""
    tiles = tuple(
        TileView(
            key=f"flight:{id}", title=id, state="the trace is of this flight", role="main" if id == chosen else "button"
        )
        for id in (flights if files else ())
    )
    ready = not files or bool(chosen)
    return PageView(
        title="Reduce",
        words="Stall speeds and comparisons. A trace (CSV, GPX, NMEA) may be joined to a flight.",
        tiles=tiles,
        lines=tuple(path.name for path in files),
        actions=_file_actions(files, "Reduce", ready, add="Add a trace"),
    )


def _file_actions(files: Sequence[Path], go: str, ready: bool, add: str = "Add files") -> tuple[TileView, ...]:
    return (
        TileView(key="add", title=add, role="button" if ready else "main"),
        TileView(key="clear", title="Remove files", enabled=bool(files)),
        TileView(key="go", title=go, role="main" if ready else "button", enabled=ready),
    )


def dropped_view(path: Path) -> PageView:
    """A file was dropped onto a campaign: what is it?"""
    suffix = path.suffix.lower()
    tiles = []
    if suffix in RECORDINGS:
        tiles.append(TileView(key="hear", title="Cockpit recording", state="hear its calls"))
    if suffix in VIDEO:
        tiles.append(TileView(key="sync", title="Camera on the wing", state="put it on the flight clock"))
    if suffix in TRACE:
        tiles.append(TileView(key="reduce", title="Trace", state="join it to a flight"))
    words = path.name if tiles else f"{path.name}: not a recording, a camera file, a transcript or a trace."
    return PageView(title="What is this file?", words=words, tiles=tuple(tiles), trouble=not tiles)


# ---- files -----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Listing:
    """A folder as the file dialog shows it. `places` are folders to jump to."""

    folder: Path
    folders: tuple[Path, ...] = ()
    files: tuple[Path, ...] = ()
    places: tuple[tuple[str, Path], ...] = ()
    trouble: str = ""


def files_view(now: Listing, chosen: Sequence[Path], want_folder: bool, title: str) -> PageView:
    """The file dialog: places and the folder above, folders, then files; chosen ones are marked."""
    up = (TileView(key=f"go:{now.folder.parent}", title="..", state="the folder above"),)
    places = tuple(TileView(key=f"go:{path}", title=name, state=str(path)) for name, path in now.places)
    folders = tuple(TileView(key=f"go:{path}", title=f"{path.name}/") for path in now.folders)
    files = tuple(
        TileView(
            key=f"pick:{path}",
            title=path.name,
            state="chosen" if path in chosen else "",
            sign="tick" if path in chosen else "",
            role="main" if path in chosen else "button",
        )
        for path in now.files
    )
    field = FieldView(name="folder", label="Folder", text=str(now.folder), fault=now.trouble)
    take = TileView(
        key="take",
        title="Open this folder" if want_folder else f"Use {_count(len(chosen), 'file')}",
        role="main",
        enabled=bool(chosen) or want_folder,
    )
    return PageView(
        title=title,
        words="" if now.folders or now.files else "Nothing to choose in this folder.",
        fields=(field,),
        tiles=(*up, *places, *folders, *files),
        actions=(take,),
        listed=True,
        back="Cancel",
    )


# ---- jobs ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class JobState:
    """A verb at work: its messages, how far it is, and its exit code when it has ended."""

    title: str
    lines: tuple[str, ...] = ()
    stage: str = ""
    fraction: float | None = None
    code: int | None = None
    cancelled: bool = False


def job_view(job: JobState, after: Sequence[TileView] = ()) -> PageView:
    """A job's page: bar and messages, then what can be done with the result."""
    if job.code is None:
        words = "Stopping ..." if job.cancelled else (job.stage or "Working") + " ..."
        actions: tuple[TileView, ...] = (
            TileView(key="cancel", title="Cancel", role="stop", enabled=not job.cancelled),
        )
    elif job.cancelled:
        words, actions = "Cancelled.", (TileView(key="done", title="Close", role="main"),)
    elif job.code:
        words, actions = "Failed. See the messages below.", (TileView(key="done", title="Close", role="main"),)
    else:
        words, actions = "Done.", (*after, TileView(key="done", title="Close", role="button" if after else "main"))
    return PageView(
        title=job.title,
        words=words,
        trouble=bool(job.code) and not job.cancelled,
        lines=job.lines[-MAX_LINES:],
        fraction=1.0 if job.code == 0 else job.fraction if job.code is None else None,
        actions=actions,
        back="",
    )

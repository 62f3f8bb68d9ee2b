"""Which runs a comparison shows, and the sheet, clip and subtitles made of them. For the verb `compare`.

Main names: `open_comparison`, `Comparison`, `write_comparison`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from logger_app.domain.cameras import WINGS, picture_lag_s
from logger_app.domain.moments import moments
from logger_app.errors import SyncError
from logger_app.io.stills import STILLS_DIR
from logger_app.logstore.store import utc_now
from logger_app.records.calls import CallKind
from logger_app.records.plan import Campaign
from logger_app.records.results import StallSpeed
from logger_app.records.runs import FlightData, FlightRuns
from logger_app.sync.cameras_io import FlightCameras
from logger_app.sync.choose import choose_runs
from logger_app.sync.clip_io import Heading, write_clip, write_subtitles
from logger_app.sync.sheet_io import Side, Still, stills, write_sheet
from logger_app.workflows import campaign as flow
from logger_app.workflows.cameras import open_cameras
from logger_app.workflows.tufts import maps_of_point, wing_summary

MAX_SIDES = 4
MAX_NAMED = 12  # flights in a message


@dataclass(frozen=True, slots=True)
class Part:
    """One side as asked for: a configuration and, where named, one of its cameras or wings."""

    configuration: str
    camera: str | None = None

    @property
    def label(self) -> str:
        """As written: ``cuffs`` or ``cuffs:left``."""
        return f"{self.configuration}:{self.camera}" if self.camera else self.configuration


@dataclass(kw_only=True)
class Comparison:
    """Chosen runs with their cameras, and the other runs to go to. `why` says why these were chosen."""

    campaign_dir: Path
    campaign: Campaign
    point: str
    parts: tuple[Part, ...]
    sides: tuple[Side, ...]
    flights: tuple[FlightData, ...]
    why: str
    reader: flow.FlightByFlight
    candidates: Mapping[str, Sequence[StallSpeed]]
    cameras: Mapping[str, FlightCameras]
    stall_ias_kt: Mapping[tuple[str, str], float | None]  # of every run at the point, by flight and run

    def turn(self, sides: Sequence[Side], by: int, which: int | None) -> tuple[Sequence[Side], Sequence[FlightData]]:
        """The sides with the next runs of their configurations; after the last comes the first. See `workflows.compare.Runs`."""
        wanted = {}
        for k, side in enumerate(sides):
            runs = self.candidates[side.configuration]
            step = by if which in (None, k) else 0
            wanted[k] = runs[(self._index(side) + step) % len(runs)]
        results, self.flights = in_full(self.reader, list(wanted.values()), self.flights)
        made = [
            make_side(
                self.campaign, part.configuration, part.camera, results[wanted[k].flight, wanted[k].run], self.cameras
            )
            for k, part in enumerate(self.parts)
        ]
        return made, self.flights

    def position(self, side: Side) -> tuple[int, int]:
        """Which of how many runs a side shows."""
        return self._index(side) + 1, len(self.candidates[side.configuration])

    def _index(self, side: Side) -> int:
        runs = self.candidates[side.configuration]
        ids = [(run.flight, run.run) for run in runs]
        key = (side.result.flight, side.result.run)
        return ids.index(key) if key in ids else 0


def parts_of(campaign: Campaign, point: str, text: str | None, camera: str | None = None) -> tuple[Part, ...]:
    """The sides that a user asks for: ``baseline,cuffs`` or ``cuffs:left,cuffs:right``.

    Parameters
    ----------
    camera : str, optional
        Camera, or wing, for sides that name none.

    Raises
    ------
    SyncError
        An unknown point or configuration, the same side twice, or fewer than two or more than four sides.
    """
    if not any(one.id == point for one in campaign.points):
        raise SyncError(f"--point: got {point!r}; expected one of {', '.join(one.id for one in campaign.points)}")
    names = [part.strip() for part in text.split(",")] if text else list(next(iter(campaign.pairs()), ()))
    made = []
    for name in names:
        configuration, _, own = name.partition(":")
        made.append(Part(configuration.strip(), own.strip() or camera or None))
    known = ", ".join(c.id for c in campaign.configurations)
    unknown = [part for part in made if campaign.configuration(part.configuration) is None]
    if unknown or not 2 <= len(made) <= MAX_SIDES or len(set(made)) < len(made):
        raise SyncError(
            f"--configs: got {', '.join(names) or 'none'}; expected two to four different sides: configurations of {known}, "
            "each with :left, :right or :CAMERA where wings of one are compared"
        )
    return tuple(made)


@contextmanager
def open_comparison(
    campaign_dir: Path,
    point: str,
    configs: str | None,
    camera: str | None = None,
    chosen: Sequence[str] = (),
    progress: Callable[[float], None] = lambda share: None,
) -> Iterator[Comparison]:
    """Read the flights, choose a run of each configuration, and open the cameras.

    Parameters
    ----------
    chosen : sequence of str
        ``CONFIG=RUN`` as the user wants it: a run's id, or ``FLIGHT:NUMBER``.
    progress : callable
        Called with the share of flights read, 0 to 1.

    Raises
    ------
    SyncError
        A configuration without a run at the point, a run that is not there, or no camera at all.
    """
    reader = flow.FlightByFlight(campaign_dir)
    parts = parts_of(reader.campaign, point, configs, camera)
    names = list(dict.fromkeys(part.configuration for part in parts))
    wanted = _wanted(chosen, names)
    flights = []
    for data, _ in reader:
        flights.append(_without_calls(data, point))
        progress(len(flights) / len(reader))
    reduction = reader.reduction()
    with ExitStack() as open_files:
        cameras: dict[str, FlightCameras] = {}
        candidates = {}
        for name in names:
            runs = [r for r in reduction.runs if (r.point, r.configuration) == (point, name)]
            if not runs:
                raise SyncError(
                    f"configuration {name} has no run at point {point}; expected at least one reduced run (see `kneecall reduce`)"
                )
            for flight in {r.flight for r in runs} - set(cameras):
                cameras[flight] = open_files.enter_context(open_cameras(campaign_dir, flight, reader.folder_of(flight)))
            asked = [part.camera for part in parts if part.configuration == name]
            seen = [r for r in runs if any(_seen(r, cameras[r.flight], one) for one in asked)]
            # Without a picture a run still has its place beside the others'.
            candidates[name] = seen or [r for r in runs if r.event_flight_s is not None] or runs
        _need_a_camera(names, candidates, cameras, [part.camera for part in parts])
        picked, why = choose_runs(candidates, wanted, reader.campaign.indicator.unit)
        results, full = in_full(reader, list(picked.values()), flights)
        sides = tuple(
            make_side(
                reader.campaign,
                part.configuration,
                part.camera,
                results[picked[part.configuration].flight, picked[part.configuration].run],
                cameras,
            )
            for part in parts
        )
        yield Comparison(
            campaign_dir=Path(campaign_dir),
            campaign=reader.campaign,
            point=point,
            parts=parts,
            sides=sides,
            flights=full,
            why=why,
            reader=reader,
            candidates={
                name: sorted(runs, key=lambda r: (r.flight, r.run_number)) for name, runs in candidates.items()
            },
            cameras=cameras,
            stall_ias_kt={(r.flight, r.run): r.vs_ias_kt for r in reduction.runs if r.point == point},
        )


def files_of(
    campaign_dir: Path, output: Path | None, point: str, parts: Sequence[Part], force: bool
) -> dict[str, Path]:
    """Where sheet, clip and subtitles go.

    Raises
    ------
    SyncError
        One is there already, and `force` is not given.
    """
    folder = output or Path(campaign_dir) / STILLS_DIR
    stem = f"{point}_{'_'.join(part.label.replace(':', '-') for part in parts)}"
    files = {key: folder / f"{stem}{end}" for key, end in (("sheet", ".png"), ("clip", ".mp4"), ("subtitles", ".vtt"))}
    there = [str(path) for path in files.values() if path.exists()]
    if there and not force:
        raise SyncError(f"{', '.join(there)}: is there already; give another folder with -o, or --force to replace")
    return files


def write_comparison(
    one: Comparison,
    files: Mapping[str, Path],
    at: str,
    clip: bool,
    progress: Callable[[float], None],
    scale: int = 1,
    mirror: bool = False,
) -> dict:
    """Write the sheet and, if wanted, clip and subtitles; what they show, as `compare --json` has it.

    Parameters
    ----------
    at : str
        Columns of the sheet, as ``1.2,1.1,stall``.
    scale : int
        2 writes the sheet at twice the size.
    mirror : bool
        Turn the left wing's pictures about, so that both wings lie alike.
    """
    sides = tuple(replace(side, mirrored=True) for side in one.sides) if mirror else one.sides
    unit = one.campaign.indicator.unit
    label = next(point.label for point in one.campaign.points if point.id == one.point)
    title = f"{one.point} · {label} · " + " / ".join(side.title for side in sides)
    rows = stills(sides, moments(at, unit), unit)
    write_sheet(files["sheet"], title, sides, rows, unit, one.point, one.why, utc_now(), scale)
    written = ["sheet"]
    # A side without a picture keeps its place beside the others; one without a stall has none to be aligned on.
    aligned = [replace(s, events=_events(s, one.flights)) for s in sides if s.result.event_flight_s is not None]
    if clip and any(_seen(side.result, side.cameras, side.camera) for side in aligned):
        heading = Heading(one.campaign.name, f"{one.point} · {label}")
        write_clip(files["clip"], heading, aligned, unit, progress)
        write_subtitles(files["subtitles"], aligned, unit)
        written += ["clip", "subtitles"]
    configurations = list(dict.fromkeys(part.configuration for part in one.parts))
    maps = maps_of_point(one.campaign_dir, one.flights, one.point, configurations)
    return {
        "point": one.point,
        "configurations": [part.label for part in one.parts],
        "runs": {
            part.label: {"run": side.result.run, "flight": side.result.flight, "number": side.result.run_number}
            for part, side in zip(one.parts, one.sides)
        },
        "why": one.why,
        "stills": [_still(part, still) for part, row in zip(one.parts, rows) for still in row],
        "files": {key: str(files[key]) for key in written},
        "tufts": wing_summary(maps, unit),
    }


def _still(part: Part, still: Still) -> dict:
    return {
        "configuration": part.label,
        "at": still.moment,
        "flight_s": still.flight_s,
        "ias_kt": still.ias_kt,
        "file": still.file or None,
        "video_s": still.video_s,
        "why": still.why,
    }


def _events(side: Side, flights: Sequence[FlightData]) -> tuple[tuple[float, str], ...]:
    """What was called in a side's run besides airspeeds, each with the time when it was to be seen."""
    runs = next((data.runs.runs for data in flights if data.info.id == side.result.flight), ())
    run = next((run for run in runs if run.id == side.result.run), None)
    return tuple(
        (
            call.flight_s - side.lag_s,
            call.name.replace("_", " ")
            + (f" {call.value}" if call.value is not None else "")
            + ("" if call.reviewed else " (not reviewed)"),
        )
        for call in (run.calls if run else ())
        if call.counts and call.kind is CallKind.EVENT
    )


def _without_calls(data: FlightData, point: str) -> FlightData:
    """What is needed of every flight: when its runs were, and the calls of none."""
    runs = tuple(replace(run, calls=()) for run in data.runs.runs)
    return replace(data, runs=FlightRuns(flight=data.info.id, runs=runs), weights=(), corrections=())


def in_full(
    reader: flow.FlightByFlight, chosen: Sequence[StallSpeed], flights: Sequence[FlightData] | None = None
) -> tuple[dict[tuple[str, str], StallSpeed], tuple[FlightData, ...]]:
    """The chosen runs with their fitted approach by flight and run, and `flights`, theirs with their calls; without, theirs only."""
    full = {
        flight: reader.again(flight, {r.run for r in chosen if r.flight == flight})
        for flight in dict.fromkeys(r.flight for r in chosen)
    }
    results = {(run.flight, run.run): run for _, found in full.values() for run in found}
    if flights is None:
        return results, tuple(data for data, _ in full.values())
    return results, tuple(full[data.info.id][0] if data.info.id in full else data for data in flights)


def make_side(
    campaign: Campaign, id: str, camera: str | None, result: StallSpeed, cameras: Mapping[str, FlightCameras]
) -> Side:
    """One side of a comparison: a configuration's run as one camera, or the camera of one wing, saw it."""
    configuration = campaign.configuration(id)
    view = f"{camera} wing" if camera in WINGS else camera or ""
    return Side(
        configuration=id,
        name=configuration.name if configuration else id,
        result=result,
        cameras=cameras[result.flight],
        camera=camera,
        lag_s=picture_lag_s(result, campaign.indicator.reading_lag_s),
        view=view,
    )


def _seen(result: StallSpeed, cameras: FlightCameras, camera: str | None) -> bool:
    return result.event_flight_s is not None and cameras.showing(result.event_flight_s, camera) is not None


def _need_a_camera(
    names: Sequence[str],
    candidates: Mapping[str, Sequence[StallSpeed]],
    cameras: Mapping[str, FlightCameras],
    asked: Sequence[str | None],
) -> None:
    """Refuse only what would show nothing at all: a side without a camera says so in its place."""
    runs = [run for name in names for run in candidates[name]]
    if any(_seen(run, cameras[run.flight], one) for run in runs for one in asked):
        return
    there = sorted({name for run in runs for name in cameras[run.flight].names()})
    if there and any(asked):
        wanted = ", ".join(sorted({one for one in asked if one}))
        raise SyncError(
            f"camera {wanted}: shows the stall of no run at this point; expected one of those with pictures: {', '.join(there)}"
        )
    if there:
        return
    missing = [str(camera.path) for run in runs for camera in cameras[run.flight].missing]
    flights = sorted({run.flight for run in runs})
    few = ", ".join(flights[:MAX_NAMED]) + (f" and {len(flights) - MAX_NAMED} more" if len(flights) > MAX_NAMED else "")
    lost = f"the camera file {missing[0]} is not there any more" if missing else f"no camera is on the clock of {few}"
    raise SyncError(f"configurations {', '.join(names)}: {lost}; expected a camera linked with `kneecall sync`")


def _wanted(chosen: Sequence[str], names: Sequence[str]) -> dict[str, str]:
    wanted = {name: run for name, _, run in (part.partition("=") for part in chosen)}
    if unknown := set(wanted) - set(names):
        raise SyncError(
            f"--run: got {', '.join(sorted(unknown))}; expected CONFIG=RUN with CONFIG one of {', '.join(names)}"
        )
    return wanted

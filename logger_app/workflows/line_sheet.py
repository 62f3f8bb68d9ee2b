"""The contact sheet of the line of generations: one row each, with what was fitted and the wing at the same ratios to the stall.

A generation that was not flown at the point, or that no camera showed, keeps its row and says so. For the verb `compare --line`
and the report. Main names: `LineRow`, `open_line`, `best_point`, `compare_line`, `strip`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np

from logger_app.domain.cameras import WINGS, CameraFile, covering
from logger_app.domain.fitted import device_rows, difference, fitted_to, lineage
from logger_app.domain.moments import USUAL, Moment, moments, spoken_speed
from logger_app.domain.planform import Drawing, Role, drawing_of, row_words
from logger_app.domain.tuft_grid import Grid, places
from logger_app.domain.tufts import SAME_LOOK_NS, TuftMark, in_force
from logger_app.errors import SyncError
from logger_app.io.files import complete_file, make_folder
from logger_app.io.stills import small_jpeg
from logger_app.records.compare import Shown as OnShow
from logger_app.records.plan import AircraftConfig, Campaign
from logger_app.records.results import Reduction, StallSpeed
from logger_app.report.extras import LinePicture
from logger_app.sync.cameras_io import FlightCameras
from logger_app.sync.choose import choose_runs
from logger_app.sync.sheet_io import CAUTION, EMPTY, INK, PAPER, QUIET, Still, fitted, font, stills
from logger_app.workflows import campaign as flow
from logger_app.workflows.cameras import open_cameras
from logger_app.workflows.compare import LETTERS_SAY, WingComparison, with_stations
from logger_app.workflows.compare_runs import in_full, make_side

CELL, HEAD, GAP, LINE = 300, 330, 10, 24  # px
FITTED_LINES = 4
MAX_STRIP_PX, STRIP_QUALITY = 1240, 74


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """A picture with its marks drawn, or why there is none; `marked` are the stations drawn, with their states."""

    still: Still
    rgb: np.ndarray | None
    marked: tuple[tuple[str, str], ...] = ()
    why: str = ""
    mirrored: bool = False
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LineRow:
    """One generation: its drawing, the run that stands for it, and of each view (a wing, or a camera) its pictures."""

    number: int
    configuration: AircraftConfig
    drawing: Drawing
    fitted: str
    result: StallSpeed | None
    views: tuple[tuple[str, tuple[Shown, ...]], ...]
    why: str = ""

    @property
    def run_words(self) -> str:
        """Which run is shown, or why none is."""
        if self.result is None:
            return self.why
        counts = "" if self.result.counts else ", does not count"
        return f"{self.result.flight}, run {self.result.run_number}{counts}"


@contextmanager
def open_line(
    reader: flow.FlightByFlight,
    reduction: Reduction,
    point: str,
    columns: Sequence[Moment],
    mirror: bool = False,
    scale: int = 1,
) -> Iterator[tuple[LineRow, ...]]:
    """The rows of a point's sheet, baselines first.

    Parameters
    ----------
    reader : FlightByFlight
        That has gone through all flights.
    columns : sequence of Moment
        Fast to slow.
    mirror : bool
        Turn the left wing's pictures about, so that both wings lie alike.
    scale : int
        2 gives pictures twice as wide.

    Raises
    ------
    SyncError
        An unknown point.
    """
    campaign = reader.campaign
    if all(one.id != point for one in campaign.points):
        raise SyncError(f"--point: got {point!r}; expected one of {', '.join(one.id for one in campaign.points)}")
    with ExitStack() as open_files:
        cameras: dict[str, FlightCameras] = {}
        candidates: dict[str, list[StallSpeed]] = {}
        for config in campaign.configurations:
            runs = [r for r in reduction.runs if (r.point, r.configuration) == (point, config.id)]
            runs = [r for r in runs if r.event_flight_s is not None]
            for flight in {r.flight for r in runs} - set(cameras):
                folder = reader.folder_of(flight)
                cameras[flight] = open_files.enter_context(open_cameras(reader.campaign_dir, flight, folder))
            seen = [r for r in runs if r.event_flight_s and cameras[r.flight].showing(r.event_flight_s)]
            if runs:
                candidates[config.id] = seen or runs
        picked = choose_runs(candidates)[0] if candidates else {}
        results, flights = in_full(reader, list(picked.values()))
        ordered = sorted(campaign.configurations, key=lambda c: len(lineage(campaign, c.id)))
        yield tuple(
            _row(
                reader,
                k,
                config,
                results[picked[config.id].flight, picked[config.id].run],
                cameras,
                flights,
                columns,
                mirror,
                scale,
            )
            if config.id in picked
            else _empty(campaign, k, config, point)
            for k, config in enumerate(ordered)
        )


def best_point(campaign: Campaign, runs: Iterable[StallSpeed], cameras: Sequence[CameraFile]) -> str | None:
    """The point at which cameras showed the most generations; None where they showed none."""
    pictured: dict[str, set[str]] = {}
    by_flight: dict[str, list[CameraFile]] = {}
    for camera in cameras:
        by_flight.setdefault(camera.flight, []).append(camera)
    for run in runs:
        seen = run.event_flight_s is not None and covering(by_flight.get(run.flight, ()), run.event_flight_s)
        if run.point and run.configuration and seen:
            pictured.setdefault(run.point, set()).add(run.configuration)
    known = [point.id for point in campaign.points if point.id in pictured]
    return max(known, key=lambda name: len(pictured[name]), default=None)


def _empty(campaign: Campaign, number: int, config: AircraftConfig, point: str) -> LineRow:
    return LineRow(
        number=number,
        configuration=config,
        drawing=_drawing(campaign, config),
        fitted=_fitted_words(campaign, config),
        result=None,
        views=(),
        why=f"no run with a stall at point {point}",
    )


def _drawing(campaign: Campaign, config: AircraftConfig) -> Drawing:
    return drawing_of(campaign.aircraft, fitted_to(campaign, config.id), config.id)


def _fitted_words(campaign: Campaign, config: AircraftConfig) -> str:
    """What this generation added and took off, in one line."""
    own = [fit for fit in fitted_to(campaign, config.id) if fit.since == config.id]
    new = [row_words(fit, row) for fit, row in device_rows(own)] or [fit.change.item for fit in own]
    removed = difference(campaign, config.parent, config.id).removed if config.parent else ()
    parts = [f"new: {'; '.join(new)}"] if new else []
    parts += [f"removed: {', '.join(fit.change.item for fit in removed)}"] if removed else []
    return "; ".join(parts) or ("nothing new" if config.parent else "the baseline")


def _row(reader, number, config, result, cameras, flights, columns, mirror, scale) -> LineRow:
    mine: FlightCameras = cameras[result.flight]
    at_s = result.event_flight_s
    # Where one wing has a camera and the other has none, the other's place says so.
    named = any(at_s is not None and mine.showing(at_s, wing) for wing in WINGS)
    asked: list[str | None] = [*WINGS] if named else [None]
    sides = [make_side(reader.campaign, config.id, camera, result, cameras) for camera in asked]
    comparison = WingComparison(reader.campaign_dir, reader.campaign, flights, result.point, sides, "")
    grids, marks = comparison.grids(), comparison.marks()
    views = []
    for k, (side, row) in enumerate(zip(sides, stills(sides, columns, reader.campaign.indicator.unit))):
        shown = []
        for still in row:
            grid, note = _followed(comparison, k, still, grids.get((k, still.camera)))
            one = _shown(still, marks[k], grid, mirror and side.camera == "left", scale)
            shown.append(replace(one, note=note) if one.rgb is not None else one)
        views.append((side.view, tuple(shown)))
    comparison.close()
    return LineRow(
        number=number,
        configuration=config,
        drawing=_drawing(reader.campaign, config),
        fitted=_fitted_words(reader.campaign, config),
        result=result,
        views=tuple(views) if any(one.rgb is not None for _, shots in views for one in shots) else (),
        why=f"no camera was running in {result.flight}, run {result.run_number}"
        if mine.cameras
        else f"no camera of {result.flight} is on its clock; link one with `kneecall sync`",
    )


def _followed(comparison: WingComparison, k: int, still: Still, grid: Grid | None) -> tuple[Grid | None, str]:
    """The grid as it lies on this picture; none, and a word, where the camera has moved and it cannot be known."""
    if grid is None or still.rgb is None or still.flight_s is None:
        return None, ""
    moved = comparison.follow(k, OnShow(camera=still.camera, flight_s=still.flight_s), grid)
    return (None, "marks not drawn: the camera moved") if moved.large or moved.grid is None else (moved.grid, "")


def _shown(still: Still, marks: Sequence[TuftMark], grid: Grid | None, mirrored: bool, scale: int) -> Shown:
    """A picture with the marks of its moment; letters are drawn after it is turned about, so that they can be read."""
    if still.rgb is None or still.flight_s is None:
        return Shown(still=still, rgb=None, why=still.why or "no picture")
    # Letters are drawn at the size of the cell, or they could not be read.
    wide = CELL * scale
    small = fitted(still.rgb, wide, max(1, round(still.rgb.shape[0] * wide / still.rgb.shape[1])))
    rgb = np.asarray(small)[:, :: -1 if mirrored else 1]
    near = [
        mark
        for mark in in_force(marks)
        if mark.camera == still.camera and abs(mark.flight_ns - still.flight_s * 1e9) <= SAME_LOOK_NS
    ]
    if grid is None or not near:
        return Shown(still=still, rgb=rgb, mirrored=mirrored)
    states = {
        mark.station: mark for mark in sorted(near, key=lambda m: -abs(m.flight_ns - (still.flight_s or 0) * 1e9))
    }
    at = [
        SimpleNamespace(
            x=1 - place.x if mirrored else place.x,
            y=place.y,
            state=states[place.station.id].state,
            proposed=states[place.station.id].proposed,
        )
        for place in places(grid, 1, 1)
        if place.station.id in states
    ]
    marked = tuple(
        (name, f"{mark.state}{' (only proposed)' if mark.proposed else ''}") for name, mark in states.items()
    )
    return Shown(still=still, rgb=with_stations(np.ascontiguousarray(rgb), at), marked=marked, mirrored=mirrored)


def _cell_height(rows: Sequence[LineRow]) -> int:
    heights = [
        round(one.rgb.shape[0] * CELL / one.rgb.shape[1])
        for row in rows
        for _, shots in row.views
        for one in shots
        if one.rgb is not None
    ]
    return max(heights, default=170)


def strip(row: LineRow, unit: str, scale: int = 1):
    """One generation's pictures: a line a view, a column a moment, each with its caption."""
    from PIL import Image, ImageDraw

    height = _cell_height([row]) * scale
    cell, gap, line = CELL * scale, GAP * scale, LINE * scale
    columns = max((len(shots) for _, shots in row.views), default=1)
    size = (columns * (cell + gap), max(1, len(row.views)) * (height + line + gap))
    picture = Image.new("RGB", size, PAPER)
    draw = ImageDraw.Draw(picture)
    if not row.views:
        draw.rectangle((0, 0, size[0] - gap, height), EMPTY)
        _wrapped(draw, (12 * scale, 12 * scale), f"No pictures: {row.why}", size[0] - gap - 24 * scale, scale)
    for v, (view, shots) in enumerate(row.views):
        top = v * (height + line + gap)
        for c, one in enumerate(shots):
            left = c * (cell + gap)
            if one.rgb is None:
                draw.rectangle((left, top, left + cell, top + height), EMPTY)
                _wrapped(
                    draw, (left + 10 * scale, top + 10 * scale), f"No picture: {one.why}", cell - 20 * scale, scale
                )
            else:
                picture.paste(fitted(one.rgb, cell, height), (left, top))
            words = f"{view + ', ' if view else ''}{one.still.moment}, {spoken_speed(one.still.ias_kt, unit)}"
            words += "".join(f", {more}" for more in ["mirrored"] * one.mirrored + [one.note] if more)
            draw.text((left, top + height + 3 * scale), words, QUIET, font(14 * scale))
    return picture


def sheet(title: str, rows: Sequence[LineRow], unit: str, scale: int = 1):
    """The whole sheet as a picture: at the left what was fitted and the run, then its strip."""
    from PIL import Image, ImageDraw

    strips = [strip(row, unit, scale) for row in rows]
    head, gap = HEAD * scale, GAP * scale
    heads = [_head(row, head, scale) for row in rows]
    tall = [max(a.height, b.height) + gap for a, b in zip(heads, strips)]
    size = (head + 2 * gap + max((one.width for one in strips), default=CELL), 54 * scale + sum(tall) + 48 * scale)
    picture = Image.new("RGB", size, PAPER)
    draw = ImageDraw.Draw(picture)
    draw.text((gap, 12 * scale), title, INK, font(24 * scale))
    top = 54 * scale
    for one, shots, height in zip(heads, strips, tall):
        picture.paste(one, (gap, top))
        picture.paste(shots, (head + 2 * gap, top))
        top += height
    lettered = any(shot.marked for row in rows for _, shots in row.views for shot in shots)
    for k, words in enumerate([LETTERS_SAY] * lettered + [CAUTION]):
        draw.text((gap, top + k * 20 * scale), words, QUIET, font(13 * scale))
    return picture


def _head(row: LineRow, width: int, scale: int):
    """Number and name, the planform with what is fitted, what is new, and the run."""
    from PIL import Image, ImageDraw

    drawing = row.drawing
    by = (width - 10 * scale) / drawing.width_mm
    picture = Image.new(
        "RGB", (width, round(drawing.height_mm * by) + 30 * scale + (FITTED_LINES + 1) * 19 * scale), PAPER
    )
    draw = ImageDraw.Draw(picture)
    draw.text((0, 0), f"{row.number}. {row.configuration.name}", INK, font(17 * scale))
    for line in drawing.lines:
        points = [(x * by, 28 * scale + y * by) for x, y in (*line.points, *line.points[:1] * line.closed)]
        heavy = {Role.STRIP: 3, Role.DEVICE: 2}.get(line.role, 1) + line.new
        draw.line(points, INK if line.new or line.role is Role.OUTLINE else QUIET, heavy * scale)
    foot = round(drawing.height_mm * by) + 30 * scale
    foot = _wrapped(draw, (0, foot), row.fitted, width - 8 * scale, scale, FITTED_LINES)
    draw.text((0, foot), row.run_words, QUIET, font(14 * scale))
    return picture


def _wrapped(draw, at: tuple[int, int], text: str, width: int, scale: int, lines: int = 6) -> int:
    """Text in lines that fit; where the next line would be."""
    letters, line, y, left = font(14 * scale), "", at[1], lines
    for word in [*text.split(), ""]:
        if word and draw.textlength(f"{line} {word}", letters) < width:
            line = f"{line} {word}".strip()
            continue
        if left == 1 and word:
            line = f"{line} ..."
        draw.text((at[0], y), line, QUIET, letters)
        line, y, left = word, y + 19 * scale, left - 1
        if not left:
            break
    return y


def line_words(row: LineRow) -> str:
    """What a strip shows, for who cannot see it."""
    parts = []
    for view, shots in row.views:
        for one in shots:
            states = ", ".join(f"{name} {state}" for name, state in one.marked)
            said = f"no picture ({one.why})" if one.rgb is None else states or one.note or "not marked"
            parts.append(f"{view + ', ' if view else ''}{one.still.moment}: {said}")
    return "; ".join(parts) or f"no pictures: {row.why}"


def line_pictures(
    reader: flow.FlightByFlight, reduction: Reduction, cameras: Sequence[CameraFile]
) -> tuple[LinePicture, ...]:
    """Each generation's strip for the report, at the point that shows the most of them; none where there are no pictures."""
    point = best_point(reader.campaign, reduction.runs, cameras)
    if point is None:
        return ()
    unit = reader.campaign.indicator.unit
    with open_line(reader, reduction, point, moments(USUAL, unit)) as rows:
        return tuple(
            LinePicture(
                configuration=row.configuration.id,
                caption=f"{point}: {row.run_words}. {LETTERS_SAY}"
                if any(shot.marked for _, shots in row.views for shot in shots)
                else f"{point}: {row.run_words}.",
                description=line_words(row),
                jpeg=small_jpeg(strip(row, unit), MAX_STRIP_PX, STRIP_QUALITY) if row.views else b"",
            )
            for row in rows
        )


def compare_line(
    campaign_dir: Path,
    output: Path | None,
    point: str,
    at: str,
    mirror: bool = False,
    force: bool = False,
    scale: int = 1,
    progress: Callable[[float], None] = lambda share: None,
) -> dict:
    """Write the sheet of a point as PNG and PDF; what it shows, as `compare --line --json` has it.

    Parameters
    ----------
    output : Path, optional
        Folder; ``results/line`` of the campaign without it.
    at : str
        Columns, as ``1.2,1.1,stall``.
    progress : callable
        Called with the share of flights read, 0 to 1.

    Raises
    ------
    SyncError
        An unknown point, a speed that is none, or a file that is there already.
    """
    reader = flow.FlightByFlight(campaign_dir)
    unit = reader.campaign.indicator.unit
    columns = moments(at, unit)
    folder = output or Path(campaign_dir) / "results" / "line"
    files = {kind: folder / f"{point}_line.{kind}" for kind in ("png", "pdf")}
    there = [str(path) for path in files.values() if path.exists()]
    if there and not force:
        raise SyncError(f"{', '.join(there)}: is there already; give another folder with -o, or --force to replace")
    for k, _ in enumerate(reader, 1):
        progress(k / len(reader))
    with open_line(reader, reader.reduction(), point, columns, mirror, scale) as rows:
        label = next(one.label for one in reader.campaign.points if one.id == point)
        picture = sheet(f"{reader.campaign.name} · {point}, {label}", rows, unit, scale)
        for kind, path in files.items():
            make_folder(path.parent)
            with complete_file(path) as part:
                picture.save(part, kind.upper(), **({"resolution": 150.0 * scale} if kind == "pdf" else {}))
        return {
            "point": point,
            "generations": [_told(row) for row in rows],
            "files": {kind: str(path) for kind, path in files.items()},
        }


def _told(row: LineRow) -> dict:
    return {
        "number": row.number,
        "configuration": row.configuration.id,
        "run": row.run_words if row.result else None,
        "why": row.why,
        "pictures": [
            {
                "view": view,
                "at": one.still.moment,
                "flight_s": one.still.flight_s,
                "ias_kt": one.still.ias_kt,
                "stations": dict(one.marked),
                "why": one.why,
            }
            for view, shots in row.views
            for one in shots
        ],
    }

"""Two configurations side by side: a contact sheet of stills. The clip of them is in `clip_io`.

Main names: `Side`, `stills`, `write_sheet`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np

from logger_app.domain.moments import Moment, spoken_speed, when
from logger_app.errors import SyncError
from logger_app.io.fonts import font_folder
from logger_app.io.stills import save_picture
from logger_app.records.results import StallSpeed
from logger_app.records.stills import SavedPicture, SavedShot, SavedSide
from logger_app.sync.cameras_io import Camera, FlightCameras
from logger_app.sync.video_io import Frame

CELL_WIDTH = 640
MARGIN, TITLE, CAPTION = 12, 58, 44
PAPER, INK, QUIET, EMPTY = (250, 249, 245), (24, 28, 32), (96, 100, 104), (222, 220, 214)
CAUTION = "A record of what cameras saw at speeds that were called; not an instrument. Nothing here replaces the approved limits."


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """One configuration: its run, and the cameras of its flight."""

    configuration: str
    name: str
    result: StallSpeed
    cameras: FlightCameras
    camera: str | None = None
    lag_s: float = 0.0  # words come this long after what they tell of
    view: str = ""  # which wing or camera was asked for, in words
    events: tuple[tuple[float, str], ...] = ()  # (flight time when it was to be seen [s], words) of each called event
    mirrored: bool = False  # turn pictures of the left wing about, so that both wings lie alike

    @property
    def title(self) -> str:
        """The configuration, and its wing or camera where one was asked for."""
        return f"{self.name}, {self.view}" if self.view else self.name

    @property
    def event_s(self) -> float:
        """When the stall was, before it was called, on the flight clock [s].

        Raises
        ------
        SyncError
            The run has no stall event.
        """
        if self.result.event_flight_s is None:
            raise SyncError(f"{self.result.flight} run {self.result.run_number}: no stall event to align on")
        return self.result.event_flight_s - self.lag_s

    def picture_at(self, flight_s: float) -> tuple[Frame, Camera, bool]:
        """The picture at a flight time, its camera, and whether it was turned about.

        Raises
        ------
        SyncError
            No camera was running then.
        """
        frame, camera = self.cameras.frame_at(flight_s, self.camera)
        turned = self.mirrored and camera.file.wing == "left"
        return (replace(frame, rgb=np.ascontiguousarray(frame.rgb[:, ::-1])) if turned else frame), camera, turned


@dataclass(frozen=True, slots=True, kw_only=True)
class Still:
    """One picture of the sheet, or why it is not there."""

    configuration: str
    moment: str
    flight_s: float | None
    ias_kt: float | None
    why: str = ""
    file: str = ""
    camera: str = ""
    video_s: float | None = None
    rgb: np.ndarray | None = None
    mirrored: bool = False


def saved_side(side: Side, shots: Sequence[SavedShot]) -> SavedSide:
    """What a saved picture says of a side: its run as it is reduced now, and the frames of it."""
    result = side.result
    return SavedSide(
        configuration=side.configuration,
        name=side.name,
        flight=result.flight,
        run=result.run,
        run_number=result.run_number,
        event_flight_s=result.event_flight_s,
        vs_ias_kt=result.vs_ias_kt,
        shots=tuple(shots),
    )


def stills(sides: Sequence[Side], columns: Sequence[Moment], unit: str = "kt") -> list[list[Still]]:
    """Pictures by configuration and moment; what cannot be shown says why."""
    return [[_still(side, moment, unit) for moment in columns] for side in sides]


def _still(side: Side, moment: Moment, unit: str) -> Still:
    flight_s, ias_kt, why = when(side.result, moment, side.lag_s, unit)
    if flight_s is None:
        return Still(configuration=side.configuration, moment=moment.label, flight_s=None, ias_kt=ias_kt, why=why)
    try:
        frame, camera, turned = side.picture_at(flight_s)
    except SyncError as err:
        return Still(
            configuration=side.configuration, moment=moment.label, flight_s=flight_s, ias_kt=ias_kt, why=str(err)
        )
    return Still(
        configuration=side.configuration,
        moment=moment.label,
        flight_s=flight_s,
        ias_kt=ias_kt,
        file=str(camera.path),
        camera=camera.name,
        video_s=frame.video_s,
        rgb=frame.rgb,
        mirrored=turned,
    )


def write_sheet(
    out: Path,
    title: str,
    sides: Sequence[Side],
    rows: Sequence[Sequence[Still]],
    unit: str,
    point: str = "",
    why: str = "",
    made_utc: str = "",
    scale: int = 1,
) -> Path:
    """The contact sheet as a PNG: rows configurations, columns speeds; it carries what it shows.

    Parameters
    ----------
    out : Path
        File to write, whole or not at all.
    scale : int
        2 makes it twice as wide and high, for print and large screens.
    """
    from PIL import Image, ImageDraw

    margin, titled, caption, wide = (scale * px for px in (MARGIN, TITLE, CAPTION, CELL_WIDTH))
    height = max(
        (round(s.rgb.shape[0] * wide / s.rgb.shape[1]) for row in rows for s in row if s.rgb is not None),
        default=360 * scale,
    )
    columns = max(len(row) for row in rows)
    size = (margin + columns * (wide + margin), titled + len(rows) * (height + 2 * caption) + 30 * scale)
    sheet = Image.new("RGB", size, PAPER)
    draw = ImageDraw.Draw(sheet)
    draw.text((margin, 12 * scale), title, INK, font(26 * scale))
    for r, (side, row) in enumerate(zip(sides, rows)):
        top = titled + r * (height + 2 * caption)
        draw.text(
            (margin, top + 8 * scale),
            f"{side.title}: {side.result.flight}, run {side.result.run_number}",
            INK,
            font(20 * scale),
        )
        for c, still in enumerate(row):
            left = margin + c * (wide + margin)
            cell = (left, top + caption, left + wide, top + caption + height)
            if still.rgb is None:
                draw.rectangle(cell, EMPTY)
                _wrapped(
                    draw,
                    (left + 20 * scale, top + caption + 20 * scale),
                    f"No picture: {still.why}",
                    wide - 40 * scale,
                    scale,
                )
            else:
                sheet.paste(fitted(still.rgb, wide, height), cell[:2])
            speed = spoken_speed(still.ias_kt, unit)
            at = "" if still.flight_s is None else f" · flight time {still.flight_s:.2f} s"
            draw.text(
                (left, top + caption + height + 8 * scale),
                f"{still.moment} · {speed} indicated{at}{' · mirrored' if still.mirrored else ''}",
                QUIET,
                font(17 * scale),
            )
    draw.text((margin, size[1] - 26 * scale), CAUTION, QUIET, font(14 * scale))
    about = SavedPicture(
        kind="sheet", point=point, words=title, sides=tuple(map(_told, sides, rows)), why=why, made_utc=made_utc
    )
    return save_picture(out, sheet, about)


def _told(side: Side, row: Sequence[Still]) -> SavedSide:
    return saved_side(
        side, [SavedShot(at=s.moment, flight_s=s.flight_s, ias_kt=s.ias_kt, camera=s.camera, why=s.why) for s in row]
    )


def fitted(rgb: np.ndarray, width: int, height: int):
    """A picture made to fit into so many pixels, its shape kept, on a dark ground."""
    from PIL import Image

    scale = min(width / rgb.shape[1], height / rgb.shape[0])
    small = Image.fromarray(rgb).resize(
        (max(1, round(rgb.shape[1] * scale)), max(1, round(rgb.shape[0] * scale))), Image.Resampling.LANCZOS
    )
    cell = Image.new("RGB", (width, height), INK)
    cell.paste(small, ((width - small.width) // 2, (height - small.height) // 2))
    return cell


@cache
def font(size: int):
    """The one font of sheets and clips; without Kivy's, Pillow's own, which lacks letters such as a large umlaut."""
    from PIL import ImageFont

    folder = font_folder()
    file = folder / "Roboto-Regular.ttf" if folder else None
    return ImageFont.truetype(str(file), size) if file and file.is_file() else ImageFont.load_default(size)


def _wrapped(draw, at: tuple[int, int], text: str, width: int, scale: int) -> None:
    letters, line, y = font(18 * scale), "", at[1]
    for word in [*text.split(), ""]:
        if word and draw.textlength(f"{line} {word}", letters) < width:
            line = f"{line} {word}".strip()
            continue
        draw.text((at[0], y), line, QUIET, letters)
        line, y = word, y + 26 * scale

"""Two configurations side by side: a contact sheet of stills, a clip aligned on the stall, subtitles.

Main names: `Side`, `write_sheet`, `write_clip`, `write_subtitles`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np

from logger_app.domain.moments import Moment, ias_at, spoken_speed, when
from logger_app.domain.times import cue_time
from logger_app.errors import SyncError
from logger_app.io.files import make_folder, whole_file, write_text
from logger_app.io.stills import save_picture
from logger_app.records.results import StallSpeed
from logger_app.records.stills import SavedPicture, SavedShot, SavedSide
from logger_app.sync.cameras_io import FlightCameras

CELL_WIDTH = 640
MARGIN, TITLE, CAPTION = 12, 58, 44
PAPER, INK, QUIET, EMPTY = (250, 249, 245), (24, 28, 32), (96, 100, 104), (222, 220, 214)
CLIP_FPS = 30
LEAD_S, TAIL_S = 12.0, 4.0
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


def stills(sides: Sequence[Side], columns: Sequence[Moment]) -> list[list[Still]]:
    """Pictures by configuration and moment; what cannot be shown says why."""
    return [[_still(side, moment) for moment in columns] for side in sides]


def _still(side: Side, moment: Moment) -> Still:
    flight_s, ias_kt, why = when(side.result, moment, side.lag_s)
    if flight_s is None:
        return Still(configuration=side.configuration, moment=moment.label, flight_s=None, ias_kt=ias_kt, why=why)
    try:
        frame, camera = side.cameras.frame_at(flight_s, side.camera)
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
) -> Path:
    """The contact sheet as a PNG: rows configurations, columns speeds; it carries what it shows.

    Parameters
    ----------
    out : Path
        File to write, whole or not at all.
    """
    from PIL import Image, ImageDraw

    height = max(
        (round(s.rgb.shape[0] * CELL_WIDTH / s.rgb.shape[1]) for row in rows for s in row if s.rgb is not None),
        default=360,
    )
    columns = max(len(row) for row in rows)
    size = (MARGIN + columns * (CELL_WIDTH + MARGIN), TITLE + len(rows) * (height + 2 * CAPTION) + 30)
    sheet = Image.new("RGB", size, PAPER)
    draw = ImageDraw.Draw(sheet)
    draw.text((MARGIN, 12), title, INK, _font(26))
    for r, (side, row) in enumerate(zip(sides, rows)):
        top = TITLE + r * (height + 2 * CAPTION)
        draw.text((MARGIN, top + 8), f"{side.name}: {side.result.flight}, run {side.result.run_number}", INK, _font(20))
        for c, still in enumerate(row):
            left = MARGIN + c * (CELL_WIDTH + MARGIN)
            cell = (left, top + CAPTION, left + CELL_WIDTH, top + CAPTION + height)
            if still.rgb is None:
                draw.rectangle(cell, EMPTY)
                _wrapped(draw, (left + 20, top + CAPTION + 20), f"No picture: {still.why}", CELL_WIDTH - 40)
            else:
                sheet.paste(_fitted(still.rgb, CELL_WIDTH, height), cell[:2])
            speed = spoken_speed(still.ias_kt, unit)
            at = "" if still.flight_s is None else f" · flight time {still.flight_s:.2f} s"
            draw.text((left, top + CAPTION + height + 8), f"{still.moment} · {speed} indicated{at}", QUIET, _font(17))
    draw.text((MARGIN, size[1] - 26), CAUTION, QUIET, _font(14))
    about = SavedPicture(
        kind="sheet", point=point, words=title, sides=tuple(map(_told, sides, rows)), why=why, made_utc=made_utc
    )
    return save_picture(out, sheet, about)


def _told(side: Side, row: Sequence[Still]) -> SavedSide:
    return saved_side(
        side, [SavedShot(at=s.moment, flight_s=s.flight_s, ias_kt=s.ias_kt, camera=s.camera, why=s.why) for s in row]
    )


def clip_span(sides: Sequence[Side]) -> tuple[float, float]:
    """From when to when the clip goes, about the stall event [s]: at most 12 before to 4 after."""
    start = -LEAD_S
    for side in sides:
        if side.result.curve:
            start = max(start, min(t for t, _ in side.result.curve) - side.event_s - side.lag_s)
    return min(start, -2.0), TAIL_S


def write_clip(
    out: Path, sides: Sequence[Side], unit: str, progress: Callable[[float], None] = lambda share: None
) -> Path:
    """The side-by-side clip, aligned on the stall event, with speed and time to the stall written in.

    Parameters
    ----------
    out : Path
        MP4 file to write, whole or not at all.
    sides : sequence of Side
        Left to right; each run has a stall event.
    progress : callable
        Called with the share done, 0 to 1.

    Raises
    ------
    SyncError
        No camera was running at any moment of one side.
    """
    import av

    start_s, end_s = clip_span(sides)
    total = round((end_s - start_s) * CLIP_FPS)
    height = _clip_height(sides)

    def write(part: Path) -> None:
        with av.open(f"file:{part}", "w", format="mp4") as box:
            stream = box.add_stream("libx264", rate=CLIP_FPS, options={"preset": "veryfast", "crf": "21"})
            stream.width, stream.height, stream.pix_fmt = CELL_WIDTH * len(sides), height + 2 * CAPTION, "yuv420p"
            for k in range(total):
                picture = _clip_picture(sides, start_s + k / CLIP_FPS, height, unit)
                frame = av.VideoFrame.from_ndarray(np.asarray(picture), format="rgb24")
                frame.pts, frame.time_base = k, Fraction(1, CLIP_FPS)
                box.mux(stream.encode(frame))
                progress((k + 1) / total)
            box.mux(stream.encode(None))

    make_folder(out.parent)
    with whole_file(out) as part:
        write(part)
    return out


def _clip_height(sides: Sequence[Side]) -> int:
    heights = []
    for side in sides:
        frame, _ = side.cameras.frame_at(side.event_s, side.camera)
        heights.append(frame.rgb.shape[0] * CELL_WIDTH / frame.rgb.shape[1])
    return round(max(heights) / 2) * 2


def _clip_picture(sides: Sequence[Side], to_stall_s: float, height: int, unit: str):
    from PIL import Image, ImageDraw

    picture = Image.new("RGB", (CELL_WIDTH * len(sides), height + 2 * CAPTION), INK)
    draw = ImageDraw.Draw(picture)
    for c, side in enumerate(sides):
        at_s = side.event_s + to_stall_s
        left = c * CELL_WIDTH
        draw.text((left + 12, 10), f"{side.name} · run {side.result.run_number}", PAPER, _font(20))
        try:
            frame, _ = side.cameras.frame_at(at_s, side.camera)
            picture.paste(_fitted(frame.rgb, CELL_WIDTH, height), (left, CAPTION))
        except SyncError:
            draw.text((left + 20, CAPTION + 20), "no camera was running", QUIET, _font(18))
        draw.text((left + 12, CAPTION + height + 9), clip_words(side.result, to_stall_s, unit), PAPER, _font(20))
    return picture


def clip_words(result: StallSpeed, to_stall_s: float, unit: str) -> str:
    """What stands under one side: speed by the fitted approach, and time to or after the stall.

    Parameters
    ----------
    to_stall_s : float
        Time from the stall event, negative before [s].

    Returns
    -------
    str
        For example ``52.3 kt · 4.2 s to the stall``.
    """
    event_s = result.event_flight_s
    speed = ias_at(result, event_s + to_stall_s) if to_stall_s <= 0 and event_s is not None else None
    said = f"{spoken_speed(speed, unit)} · " if speed is not None else ""
    if abs(to_stall_s) < 0.05:
        return f"{said}stall"
    return f"{said}{abs(to_stall_s):.1f} s {'to' if to_stall_s < 0 else 'after'} the stall"


def write_subtitles(out: Path, sides: Sequence[Side], unit: str) -> Path:
    """WebVTT of the clip: the words under the pictures, twice a second.

    Parameters
    ----------
    out : Path
        File to write, whole or not at all.
    """
    start_s, end_s = clip_span(sides)
    blocks = ["WEBVTT\n"]
    for k in range(round((end_s - start_s) * 2)):
        words = [f"{side.name}: {clip_words(side.result, start_s + k / 2, unit)}" for side in sides]
        text = "\n".join(w.replace("&", "&amp;").replace("<", "&lt;") for w in words)
        blocks.append(f"{cue_time(k / 2)} --> {cue_time((k + 1) / 2)}\n{text}\n")
    make_folder(out.parent)
    return write_text(out, "\n".join(blocks))


def _fitted(rgb: np.ndarray, width: int, height: int):
    from PIL import Image

    scale = min(width / rgb.shape[1], height / rgb.shape[0])
    small = Image.fromarray(rgb).resize(
        (max(1, round(rgb.shape[1] * scale)), max(1, round(rgb.shape[0] * scale))), Image.Resampling.LANCZOS
    )
    cell = Image.new("RGB", (width, height), INK)
    cell.paste(small, ((width - small.width) // 2, (height - small.height) // 2))
    return cell


def _font(size: int):
    from PIL import ImageFont

    return ImageFont.load_default(size)


def _wrapped(draw, at: tuple[int, int], text: str, width: int) -> None:
    font, line, y = _font(18), "", at[1]
    for word in [*text.split(), ""]:
        if word and draw.textlength(f"{line} {word}", font) < width:
            line = f"{line} {word}".strip()
            continue
        draw.text((at[0], y), line, QUIET, font)
        line, y = word, y + 26

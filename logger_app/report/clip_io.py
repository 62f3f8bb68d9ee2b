"""A copy of a camera's video of one run with speed, time and events written in; the original is only read.

Frames keep their own presentation times, so a variable frame rate stays what it was.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from fractions import Fraction
from functools import cache
from pathlib import Path

import av
import numpy as np
from PIL import Image, ImageDraw, ImageFont

from logger_app.errors import ReportError
from logger_app.io.containers import open_container
from logger_app.io.files import complete_file, make_folder
from logger_app.io.fonts import font_folder
from logger_app.records.clocks import ClockMap
from logger_app.report.clip import Caption, caption, run_span
from logger_app.report.view import RunView

CLOCK_HZ = 90_000
DARK, LIGHT, QUIET, AMBER = ((16, 20, 24, 190), (245, 244, 238, 255), (190, 194, 198, 255), (255, 199, 110, 255))


def write_clip(
    out: Path,
    video: Path,
    clock_map: ClockMap,
    run: RunView,
    unit: str,
    progress: Callable[[float], None] | None = None,
) -> Path:
    """Write the clip of a run.

    Parameters
    ----------
    out : Path
        MP4 file to write; put in place completely or not at all.
    clock_map : ClockMap
        From the camera's clock to the flight clock.
    progress : callable, optional
        Called with the share done, 0 to 1.

    Raises
    ------
    ReportError
        The video is missing or unreadable, does not show the run, or the clip cannot be written.
    """
    if not video.is_file():
        raise ReportError(f"{video}: no such file; the clip needs the camera's file. Put it back, or sync it again.")
    span = _video_span(clock_map, run, video)
    make_folder(out.parent)
    try:
        with complete_file(out) as part:
            shown = _transcode(video, part, clock_map, run, unit, span, progress or (lambda share: None))
            if not shown:
                raise ReportError(
                    f"{video}: has no picture between {span[0]:.1f} and {span[1]:.1f} s; {run.name} is not on it."
                )
    except (av.FFmpegError, OSError) as err:
        if isinstance(err, ReportError):
            raise
        raise ReportError(f"{video}: the clip was not made, {err.strerror or err}. The original is untouched.") from err
    return out


def _video_span(clock_map: ClockMap, run: RunView, video: Path) -> tuple[float, float]:
    """The run on the camera's clock, cut to what the camera recorded [s]."""
    drift = 1 + clock_map.drift_ppm * 1e-6
    start_s, end_s = ((at_s - clock_map.offset_s) / drift for at_s in run_span(run))
    start_s, end_s = max(start_s, clock_map.valid_from_s, 0.0), min(end_s, clock_map.valid_to_s)
    if end_s - start_s < 0.5:
        raise ReportError(
            f"{video}: was not running during {run.name} ({run.run.start_s:.1f} to {run.run.end_s:.1f} s of the flight)."
        )
    return start_s, end_s


def _transcode(video, out, clock_map, run, unit, span, progress) -> int:
    shown = 0
    with (
        open_container(video) as source,
        av.open(f"file:{out}", "w", format="mp4", options={"movflags": "+faststart"}) as target,
    ):
        if not source.streams.video:
            raise ReportError(f"{video}: has no picture in it; expected a camera's video.")
        picture = sound = None
        if source.streams.audio:
            sound = target.add_stream("aac", rate=source.streams.audio[0].rate or 48_000)
        film = source.streams.video[0]
        film.thread_type = "AUTO"
        for frame in _frames(source, film, span, 0.05):
            image = _upright(frame)
            if picture is None:
                picture = _picture_stream(target, film, image)
            words = caption(run, clock_map.offset_s + frame.time * (1 + clock_map.drift_ppm * 1e-6), unit)
            made = av.VideoFrame.from_ndarray(_written(image, words), format="rgb24").reformat(format="yuv420p")
            made.pts, made.time_base = round((frame.time - span[0]) * CLOCK_HZ), Fraction(1, CLOCK_HZ)
            target.mux(picture.encode(made))
            shown += 1
            progress(min((frame.time - span[0]) / (span[1] - span[0]), 1.0) * 0.95)
        if picture is None:
            return 0
        target.mux(picture.encode(None))
        if sound is not None:
            _copy_sound(video, target, sound, span)
        progress(1.0)
    return shown


def _frames(source, stream, span, before_s: float) -> Iterator:
    """Pictures or sound of a span, looked for from a little before it [s]."""
    source.seek(max(round((span[0] - before_s) / stream.time_base), 0), stream=stream)
    for frame in source.decode(stream):
        if frame.time is None or frame.time < span[0]:
            continue
        if frame.time > span[1]:
            return
        yield frame


def _picture_stream(target, like, image: np.ndarray):
    stream = target.add_stream("libx264", rate=like.average_rate or 30, options={"crf": "21", "preset": "veryfast"})
    stream.height, stream.width = image.shape[:2]
    stream.pix_fmt = "yuv420p"
    stream.codec_context.time_base = stream.time_base = Fraction(1, CLOCK_HZ)
    return stream


def _copy_sound(video: Path, target, sound, span) -> None:
    """The camera's own sound of the same stretch; a second pass, for sound and picture lie apart in the file."""
    with open_container(video) as source:
        stream = source.streams.audio[0]
        resampler = av.AudioResampler(format="fltp", layout="stereo", rate=sound.rate)
        for frame in _frames(source, stream, span, 0.5):
            at_s = frame.time - span[0]
            for part in resampler.resample(frame):
                part.pts, part.time_base = round(at_s * sound.rate), Fraction(1, sound.rate)
                at_s += part.samples / sound.rate
                target.mux(sound.encode(part))
    target.mux(sound.encode(None))


def _upright(frame) -> np.ndarray:
    """The frame as it is meant to be seen, with even sides (the codec needs them)."""
    image = frame.to_ndarray(format="rgb24")
    turns = round(getattr(frame, "rotation", 0) / 90) % 4
    image = np.rot90(image, turns) if turns else image
    return np.ascontiguousarray(image[: image.shape[0] // 2 * 2, : image.shape[1] // 2 * 2])


def _written(image: np.ndarray, words: Caption) -> np.ndarray:
    height, width = image.shape[:2]
    strip = np.asarray(_strip(width, height, words)).astype(np.uint16)
    top = height - strip.shape[0]
    ground, alpha = image[top:].astype(np.uint16), strip[..., 3:]
    image[top:] = ((ground * (255 - alpha) + strip[..., :3] * alpha) // 255).astype(np.uint8)
    return image


@cache
def _font(size: int, bold: bool):
    folder = font_folder()
    file = folder / f"Roboto-{'Bold' if bold else 'Regular'}.ttf" if folder else None
    return ImageFont.truetype(str(file), size) if file and file.is_file() else ImageFont.load_default(size)


def _strip(width: int, height: int, words: Caption) -> Image.Image:
    """The band at the foot of the picture."""
    unit = max(min(height / 27, width / 30), 8.0)
    tall = round(3.6 * unit)
    strip = Image.new("RGBA", (width, tall), DARK)
    pen = ImageDraw.Draw(strip)
    left, middle, right = round(0.8 * unit), round(width * 0.40), width - round(0.8 * unit)
    pen.text((left, 0.2 * unit), words.speed, font=_font(round(1.9 * unit), True), fill=LIGHT)
    pen.text((left, 2.45 * unit), words.kind, font=_font(round(0.8 * unit), False), fill=QUIET)
    pen.text((middle, 0.45 * unit), words.called, font=_font(round(1.0 * unit), False), fill=LIGHT)
    pen.text((right, 0.3 * unit), words.event, font=_font(round(1.4 * unit), True), fill=AMBER, anchor="ra")
    pen.text((right, 2.35 * unit), words.time, font=_font(round(0.9 * unit), False), fill=QUIET, anchor="ra")
    return strip

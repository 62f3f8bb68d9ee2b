"""The clip of a comparison: runs side by side, aligned on the stall, with titles, airspeeds and event marks; its subtitles.

H.264 in its simplest profile, 4:2:0, even sizes, index in front: what phones, browsers and mail programs all play.
Main names: `Heading`, `write_clip`, `write_subtitles`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np

from logger_app.domain.moments import ias_at, spoken_speed
from logger_app.domain.times import cue_time
from logger_app.errors import SyncError
from logger_app.io.files import complete_file, make_folder, write_text
from logger_app.records.results import StallSpeed
from logger_app.sync.sheet_io import CAPTION, CAUTION, CELL_WIDTH, INK, PAPER, Side, fitted, font

CLIP_FPS = 30
LEAD_S, TAIL_S = 12.0, 4.0
TITLE_S = 2.0  # the title card before the first picture
EVENT_STAYS_S = 2.5
# Heights of the title line, of the airspeed's line and of the track of events [px]; even, as the codec needs them.
TITLE_LINE, COUNTER, TRACK = 40, 56, 24
DIM, AMBER = (176, 180, 184), (255, 199, 110)
CODEC = {"preset": "veryfast", "crf": "21", "profile": "baseline"}


@dataclass(frozen=True, slots=True)
class Heading:
    """What the title says: the campaign's name, and the test point's."""

    campaign: str
    point: str


def clip_span(sides: Sequence[Side]) -> tuple[float, float]:
    """From when to when the clip goes, about the stall event [s]: at most 12 before to 4 after."""
    start = -LEAD_S
    for side in sides:
        if side.result.curve:
            start = max(start, min(t for t, _ in side.result.curve) - side.event_s - side.lag_s)
    return min(start, -2.0), TAIL_S


def write_clip(
    out: Path,
    heading: Heading,
    sides: Sequence[Side],
    unit: str,
    progress: Callable[[float], None] = lambda share: None,
) -> Path:
    """A title card, then the runs side by side, aligned on the stall event.

    Parameters
    ----------
    out : Path
        MP4 file to write, completely or not at all.
    sides : sequence of Side
        Left to right; each run has a stall event.
    progress : callable
        Called with the share done, 0 to 1.

    Raises
    ------
    SyncError
        No camera was running at the stall of any side.
    """
    import av

    start_s, end_s = clip_span(sides)
    card, total = round(TITLE_S * CLIP_FPS), round((end_s - start_s) * CLIP_FPS)
    height = _picture_height(sides)
    size = (CELL_WIDTH * len(sides), TITLE_LINE + CAPTION + height + COUNTER + TRACK)

    def write(part: Path) -> None:
        with av.open(f"file:{part}", "w", format="mp4", options={"movflags": "+faststart"}) as box:
            stream = box.add_stream("libx264", rate=CLIP_FPS, options=CODEC)
            stream.width, stream.height, stream.pix_fmt = *size, "yuv420p"
            title = np.asarray(_card(size, heading, sides, unit))
            for k in range(card + total):
                at_s = start_s + (k - card) / CLIP_FPS
                rgb = title if k < card else np.asarray(_picture(size, heading, sides, at_s, (start_s, end_s), unit))
                frame = av.VideoFrame.from_ndarray(rgb, format="rgb24")
                frame.pts, frame.time_base = k, Fraction(1, CLIP_FPS)
                box.mux(stream.encode(frame))
                progress((k + 1) / (card + total))
            box.mux(stream.encode(None))

    make_folder(out.parent)
    with complete_file(out) as part:
        write(part)
    return out


def _picture_height(sides: Sequence[Side]) -> int:
    heights, why = [], ""
    for side in sides:
        try:
            frame, _ = side.cameras.frame_at(side.event_s, side.camera)
        except SyncError as err:  # its place says so
            why = str(err)
            continue
        heights.append(frame.rgb.shape[0] * CELL_WIDTH / frame.rgb.shape[1])
    if not heights:
        raise SyncError(why)
    return round(max(heights) / 2) * 2


def _card(size: tuple[int, int], heading: Heading, sides: Sequence[Side], unit: str):
    """What is compared, before it is shown: campaign, point, and each run with its stall speed."""
    from PIL import Image, ImageDraw

    card = Image.new("RGB", size, INK)
    draw = ImageDraw.Draw(card)
    lines = [(heading.campaign, 36, PAPER), (heading.point, 28, AMBER)]
    for side in sides:
        stall = side.result.vs_ias_kt
        speed = "" if stall is None else f", stall at {spoken_speed(stall, unit)} indicated"
        lines.append((f"{side.title}: {side.result.flight}, run {side.result.run_number}{speed}", 22, PAPER))
    lines.append(("Aligned on the called stall. Speeds: fit of the called airspeeds.", 18, DIM))
    lines += [(f"{sentence.rstrip('.')}.", 16, DIM) for sentence in CAUTION.split(". ")]
    # A low wide picture leaves little height: all sizes shrink together.
    shrink = min(1.0, (size[1] - 16) / sum(1.5 * px for _, px, _ in lines))
    top = (size[1] - shrink * sum(1.5 * px for _, px, _ in lines)) / 2
    for text, px, ink in lines:
        letters = font(max(8, int(px * shrink)))
        draw.text((24, top), _cut(draw, text, size[0] - 48, letters), ink, letters)
        top += 1.5 * px * shrink
    return card


def _picture(
    size: tuple[int, int],
    heading: Heading,
    sides: Sequence[Side],
    to_stall_s: float,
    span: tuple[float, float],
    unit: str,
):
    from PIL import Image, ImageDraw

    picture = Image.new("RGB", size, INK)
    draw = ImageDraw.Draw(picture)
    title = _cut(draw, f"{heading.campaign} · {heading.point}", size[0] - 24, font(22))
    draw.text((12, 9), title, AMBER, font(22))
    top, foot = TITLE_LINE + CAPTION, size[1] - COUNTER - TRACK
    for c, side in enumerate(sides):
        left = c * CELL_WIDTH
        name = f"{side.title} · run {side.result.run_number}"
        try:
            frame, _, turned = side.picture_at(side.event_s + to_stall_s)
            name = f"{name} · mirrored" if turned else name
            picture.paste(fitted(frame.rgb, CELL_WIDTH, foot - top), (left, top))
        except SyncError:
            why = "no camera was running" if side.cameras.cameras else "no camera of this flight is on its clock"
            draw.text((left + 20, top + 20), why, DIM, font(18))
        draw.text((left + 12, TITLE_LINE + 10), _cut(draw, name, CELL_WIDTH - 24, font(20)), PAPER, font(20))
        if word := _event_now(side, to_stall_s):
            _banner(draw, (left, foot), word)
        _counter(draw, (left, foot), side.result, to_stall_s, unit)
        _track(draw, (left + 12, foot + COUNTER), side, to_stall_s, span)
    return picture


def _event_now(side: Side, to_stall_s: float) -> str:
    """What was called within the last moments."""
    at_s = side.event_s + to_stall_s + 0.5 / CLIP_FPS
    recent = [word for event_s, word in side.events if event_s <= at_s <= event_s + EVENT_STAYS_S]
    return " · ".join(recent)


def _banner(draw, at: tuple[int, int], word: str) -> None:
    """A word on an amber ground at the foot of the picture."""
    left, foot = at
    word = _cut(draw, word, CELL_WIDTH - 44, font(24))
    draw.rectangle((left + 8, foot - 42, left + 28 + draw.textlength(word, font(24)), foot - 8), AMBER)
    draw.text((left + 18, foot - 39), word, INK, font(24))


def _counter(draw, at: tuple[int, int], result: StallSpeed, to_stall_s: float, unit: str) -> None:
    """The airspeed in large figures, and the time to the stall."""
    left, top = at
    speed = _speed_kt(result, to_stall_s)
    words = spoken_speed(speed, unit)
    draw.text((left + 12, top + 6), words, PAPER if speed is not None else DIM, font(38))
    if speed is not None:
        draw.text((left + 22 + draw.textlength(words, font(38)), top + 17), "indicated", DIM, font(20))
    draw.text((left + CELL_WIDTH - 12, top + 17), _time_words(to_stall_s), DIM, font(20), anchor="ra")


def _track(draw, at: tuple[int, int], side: Side, to_stall_s: float, span: tuple[float, float]) -> None:
    """A line of the whole clip: a mark for each call of an event, a hand for now."""
    left, top = at
    wide, middle = CELL_WIDTH - 24, top + TRACK // 2

    def x(to_s: float) -> float:
        return left + wide * (to_s - span[0]) / (span[1] - span[0])

    draw.line((left, middle, left + wide, middle), DIM, 2)
    for event_s, _ in side.events:
        if span[0] <= event_s - side.event_s <= span[1]:
            at_x = x(event_s - side.event_s)
            draw.polygon([(at_x - 6, top + 2), (at_x + 6, top + 2), (at_x, middle)], AMBER)
    now = x(min(max(to_stall_s, span[0]), span[1]))
    draw.rectangle((now - 2, middle - 7, now + 2, middle + 7), PAPER)


def _cut(draw, text: str, width: float, letters) -> str:
    """A line that fits, its end left out if need be."""
    if draw.textlength(text, letters) <= width:
        return text
    while text and draw.textlength(f"{text}...", letters) > width:
        text = text[:-1]
    return f"{text.rstrip()}..."


def _speed_kt(result: StallSpeed, to_stall_s: float) -> float | None:
    """By the fitted approach, up to the stall; None where it says nothing."""
    event_s = result.event_flight_s
    return ias_at(result, event_s + to_stall_s) if to_stall_s <= 0 and event_s is not None else None


def _time_words(to_stall_s: float) -> str:
    if abs(to_stall_s) < 0.05:
        return "stall"
    return f"{abs(to_stall_s):.1f} s {'to' if to_stall_s < 0 else 'after'} the stall"


def clip_words(result: StallSpeed, to_stall_s: float, unit: str) -> str:
    """What the subtitles say of one side: speed by the fitted approach, and time to or after the stall.

    Parameters
    ----------
    to_stall_s : float
        Time from the stall event, negative before [s].
    """
    speed = _speed_kt(result, to_stall_s)
    return f"{spoken_speed(speed, unit)} · {_time_words(to_stall_s)}" if speed is not None else _time_words(to_stall_s)


def write_subtitles(out: Path, sides: Sequence[Side], unit: str) -> Path:
    """WebVTT of the clip: speed, time and called events of each side, twice a second.

    Parameters
    ----------
    out : Path
        File to write, completely or not at all.
    """
    start_s, end_s = clip_span(sides)
    blocks = ["WEBVTT\n"]
    for k in range(round((end_s - start_s) * 2)):
        at_s = start_s + k / 2
        words = []
        for side in sides:
            event = _event_now(side, at_s)
            words.append(f"{side.name}: {clip_words(side.result, at_s, unit)}{f' · {event}' if event else ''}")
        text = "\n".join(w.replace("&", "&amp;").replace("<", "&lt;").replace("-->", "") for w in words)
        blocks.append(f"{cue_time(TITLE_S + k / 2)} --> {cue_time(TITLE_S + (k + 1) / 2)}\n{text}\n")
    make_folder(out.parent)
    return write_text(out, "\n".join(blocks))

"""Sound and pictures for the page, within its size: sound first, then the pictures that say most. Pure.

`sound_of` and `frame_of` are given by the caller; what they do not have is left out and counted.
"""

from __future__ import annotations

import base64
from collections.abc import Callable
from dataclasses import dataclass, field

from logger_app.report.figures import time_at_ias_s, zero_of
from logger_app.report.view import CallView, Page, PointView, RunView, Side

SoundOf = Callable[[str, float, float], bytes | None]
FrameOf = Callable[[str, float], bytes | None]

CLIP_S = 2.0
# The page may weigh 15 MB; text and figures of 40 runs take about 1.5.
MEDIA_BUDGET = 12_500_000
SHEET_RATIOS = (1.2, 1.1, 1.05, 1.0)


@dataclass(slots=True)
class Shot:
    """One picture of the contact sheet."""

    caption: str
    uri: str
    run: RunView | None
    flight_s: float | None
    ias_kt: float | None = None


@dataclass(slots=True)
class SheetRow:
    """The pictures of one configuration, fast to slow."""

    side: Side
    shots: list[Shot]


@dataclass(slots=True)
class Media:
    """What was put on the page, and what was not."""

    spent: int = 0
    sounds: int = 0
    frames: int = 0
    no_sound: int = 0
    no_frame: int = 0
    over_budget: int = 0
    budget: int = MEDIA_BUDGET
    frames_wanted: bool = field(default=False)

    def take(self, data: bytes | None, kind: str) -> str:
        """A data URI, or empty when there is nothing or no room."""
        if not data:
            return ""
        size = (len(data) + 2) // 3 * 4
        if self.spent + size > self.budget:
            self.over_budget += 1
            return ""
        self.spent += size
        return f"data:{kind};base64,{base64.b64encode(data).decode('ascii')}"


def clip_span(call: CallView) -> tuple[float, float]:
    """The two seconds around a call, on the flight clock.

    Parameters
    ----------
    call : CallView
        A call [-].

    Returns
    -------
    tuple of float
        Start and end [s]; longer than two seconds when the words are.
    """
    start_s, end_s = call.call.flight_s, call.call.end_ns / 1e9
    spare = max(CLIP_S - (end_s - start_s), 0.3)
    begin = max(0.0, start_s - 0.4 * spare)
    return begin, max(end_s + 0.3, begin + CLIP_S)


def add_media(
    page: Page,
    sound_of: SoundOf | None,
    frame_of: FrameOf | None,
    budget: int = MEDIA_BUDGET,
    progress: Callable[[float], None] | None = None,
) -> Media:
    """Fill in the sounds and pictures of a page.

    Parameters
    ----------
    page : Page
        Changed in place: `sound` and `frame` of its calls, `sheet` of its points [-].
    sound_of : callable or None
        Flight, start [s], end [s] to a small Ogg file [-].
    frame_of : callable or None
        Flight, flight time [s] to a JPEG [-].
    budget : int
        Most bytes of base64 to put on the page [-].
    progress : callable, optional
        Called with the share done, 0 to 1 [-].

    Returns
    -------
    Media
        How much was put in and what was left out [-].
    """
    media = Media(budget=budget, frames_wanted=frame_of is not None)
    spoken = [call for run in page.runs for call in run.calls]
    step = _steps(len(spoken) * ((sound_of is not None) + (frame_of is not None)), progress)
    if sound_of:
        for call in spoken:
            call.sound = media.take(sound_of(call.flight, *clip_span(call)), "audio/ogg")
            media.sounds += bool(call.sound)
            media.no_sound += not call.sound
            step()
    if frame_of:
        for view in page.points:
            view.sheet = _sheet(view, frame_of, media)
        shown = [call for call in spoken if call.call.counts]
        # Fetched in order of time, for a decoder reads on; given room in order of worth.
        found = {}
        for call in sorted(shown, key=lambda c: (c.flight, c.call.flight_ns)):
            found[call.anchor] = frame_of(call.flight, call.call.flight_s)
            step()
        for call in sorted(shown, key=_worth):
            call.frame = media.take(found[call.anchor], "image/jpeg")
            media.frames += bool(call.frame)
            media.no_frame += not call.frame
    return media


def _steps(total: int, progress: Callable[[float], None] | None) -> Callable[[], None]:
    done = 0

    def step() -> None:
        nonlocal done
        done += 1
        if progress:
            progress(done / max(total, 1))

    return step


def _worth(call: CallView) -> tuple:
    """Events first, then readings that a fit used, then the rest."""
    return (call.call.kind != "event", not call.used, call.flight, call.call.flight_ns)


def _sheet(view: PointView, frame_of: FrameOf, media: Media) -> list[SheetRow]:
    rows = []
    for side in view.sides:
        run = sheet_run(side)
        if run is None:
            continue
        shots = [_shot(run, ratio, frame_of, media) for ratio in SHEET_RATIOS]
        if any(shot.uri for shot in shots):
            rows.append(SheetRow(side, shots))
    return rows


def sheet_run(side: Side) -> RunView | None:
    """The run whose pictures stand for a configuration: reviewed first, then nearest to 1 kt/s."""
    runs = [run for run in side.counting if zero_of(run) is not None]
    return min(
        runs,
        key=lambda r: (not r.result.reviewed, abs((r.result.entry_rate_kt_per_s or 9.0) - 1.0)),
        default=None,
    )


def _shot(run: RunView, ratio: float, frame_of: FrameOf, media: Media) -> Shot:
    caption = "at the stall" if ratio == 1.0 else f"{ratio:g} Vs"
    stall_kt = run.result.vs_ias_kt
    at_kt = ratio * stall_kt if stall_kt is not None else None
    at_s = zero_of(run) if ratio == 1.0 else time_at_ias_s(run, at_kt) if at_kt is not None else None
    if at_s is None:
        return Shot(caption, "", run, None)
    return Shot(caption, media.take(frame_of(run.flight, at_s), "image/jpeg"), run, at_s, at_kt)

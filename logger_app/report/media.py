"""Which sounds and pictures the page wants, and where they go within its size. Pure.

Sound first, then the pictures that say most; what was not to be had is left out and counted.
Fetching them is `media_io`.
"""

from __future__ import annotations

import base64
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from logger_app.domain.cameras import picture_lag_s
from logger_app.domain.moments import Moment, when
from logger_app.report.details import typicality
from logger_app.report.extras import Extras, SavedStill
from logger_app.report.figures import zero_of
from logger_app.report.saved import add_saved
from logger_app.report.view import CallView, Page, PointView, RunView, Side

SoundOf = Callable[[str, float, float], bytes | None]
FrameOf = Callable[[str, float], bytes | None]

CLIP_S = 2.0
# The page may weigh 15 MB; text and figures of 40 runs take about 1.5.
MEDIA_BUDGET = 12_500_000
# Of a long campaign's page: text and figures of 120 runs and many points take up to 4.
LONG_MEDIA_BUDGET = 11_000_000


@dataclass(slots=True)
class Shot:
    """One picture of the contact sheet; `at_kt` is the speed of the approach then."""

    caption: str
    run: RunView
    flight_s: float | None
    ias_kt: float | None
    uri: str = ""


@dataclass(slots=True)
class SheetRow:
    """The pictures of one configuration, fast to slow."""

    side: Side
    shots: list[Shot]


@dataclass(slots=True)
class Media:
    """What was put on the page, and what was not."""

    budget: int = MEDIA_BUDGET
    spent: int = 0
    sounds: int = 0
    frames: int = 0
    no_sound: int = 0
    no_frame: int = 0
    over_budget: int = 0
    frames_wanted: bool = False
    sparing: bool = False

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

    Returns
    -------
    tuple of float
        Start and end; longer than two seconds when the words are [s].
    """
    start_s, end_s = call.call.flight_s, call.call.end_ns / 1e9
    spare = max(CLIP_S - (end_s - start_s), 0.3)
    begin = max(0.0, start_s - 0.4 * spare)
    return begin, max(end_s + 0.3, begin + CLIP_S)


def wanted_sounds(page: Page) -> list[tuple[str, float, float]]:
    """(flight, start [s], end [s]) of every call in a run, in order of time."""
    return [(call.flight, *clip_span(call)) for call in _spoken(page)]


def add_sheets(page: Page, columns: Sequence[Moment] = Extras().columns) -> None:
    """Lay out the contact sheet of every test point, without its pictures yet.

    Parameters
    ----------
    page : Page
        Changed in place: `sheet` of its points.
    """
    lag_s = page.campaign.indicator.reading_lag_s
    for view in page.points:
        rows = [(side, sheet_run(side)) for side in view.sides]
        view.sheet = [SheetRow(side, [_shot(run, lag_s, one) for one in columns]) for side, run in rows if run]


def wanted_frames(page: Page, sparing: bool = False) -> list[tuple[str, float]]:
    """(flight, flight time [s]) of every picture wanted, in order of time, for a decoder reads on.

    `sparing` wants those of the events and the contact sheets only.
    """
    shown = [call for call in _spoken(page) if call.call.counts and not (sparing and call.call.kind != "event")]
    calls = {(call.flight, call.call.flight_s) for call in shown}
    shots = {(shot.run.flight, shot.flight_s) for shot in _shots(page.points) if shot.flight_s is not None}
    return sorted(calls | shots)


def place_media(
    page: Page,
    sounds: Mapping[tuple[str, float, float], bytes | None] | None,
    frames: Mapping[tuple[str, float], bytes | None] | None,
    budget: int | None = None,
    sparing: bool = False,
    stills: Sequence[SavedStill] = (),
) -> Media:
    """Put sounds and pictures on a page, the most telling first.

    Parameters
    ----------
    page : Page
        With its sheets; `sound` and `frame` of its calls and the sheets' pictures are filled in.
    sounds : mapping or None
        Ogg by (flight, start, end); None when there was nothing to ask.
    frames : mapping or None
        JPEG by (flight, time); None when there was nothing to ask.
    budget : int, optional
        Most bytes of base64 to put on the page; what such a page has room for if not given.
    sparing : bool
        Pictures were asked for at events and for the sheets only.
    stills : sequence of SavedStill
        Pictures that a person saved: they come before those that nobody chose.

    Returns
    -------
    Media
        How much was put in and what was left out.
    """
    if budget is None:
        budget = LONG_MEDIA_BUDGET if page.chosen else MEDIA_BUDGET
    media = Media(budget=budget, frames_wanted=frames is not None)
    spoken = _spoken(page)
    if sounds is not None:
        for call in spoken:
            call.sound = media.take(sounds.get((call.flight, *clip_span(call))), "audio/ogg")
            media.sounds += bool(call.sound)
            media.no_sound += not call.sound
    for saved, jpeg in add_saved(page, stills):
        saved.uri = media.take(jpeg, "image/jpeg")
    frames = frames or {}
    for shot in _shots(page.points):
        if shot.flight_s is not None:
            shot.uri = media.take(frames.get((shot.run.flight, shot.flight_s)), "image/jpeg")
    for view in page.points:
        view.sheet = [row for row in view.sheet if any(shot.uri for shot in row.shots)]
    for call in sorted(spoken, key=_worth):
        key = (call.flight, call.call.flight_s)
        if call.call.counts and key in frames:
            call.frame = media.take(frames[key], "image/jpeg")
            media.frames += bool(call.frame)
            media.no_frame += not call.frame
    media.sparing = sparing
    return media


def sheet_run(side: Side) -> RunView | None:
    """The run whose pictures stand for a configuration: reviewed first, then nearest to 1 kt/s."""
    runs = [run for run in side.counting if run.anchor and zero_of(run) is not None]
    return min(runs, key=typicality, default=None)


def _spoken(page: Page) -> list[CallView]:
    return [call for run in page.runs for call in run.calls]


def _shots(points: Sequence[PointView]) -> list[Shot]:
    return [shot for view in points for row in view.sheet for shot in row.shots]


def _worth(call: CallView) -> tuple:
    """Events first, then readings that a fit used, then the rest."""
    return (call.call.kind != "event", not call.used, call.flight, call.call.flight_ns)


def _shot(run: RunView, lag_s: float, moment: Moment) -> Shot:
    """Words come a reading lag after what they tell of: the picture is taken that much earlier."""
    at_s, ias_kt, _ = when(run.reduced, moment, picture_lag_s(run.reduced, lag_s))
    caption = "at the stall" if moment.label == "stall" else moment.label
    return Shot(caption, run, None if at_s is None else max(at_s, 0.0), ias_kt)

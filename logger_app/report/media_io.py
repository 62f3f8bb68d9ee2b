"""Fetching the sounds and pictures of a page: the two at once, for each leaves a core idle."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor

from logger_app.report.extras import Extras
from logger_app.report.media import FrameOf, Media, SoundOf, add_sheets, place_media, wanted_frames, wanted_sounds
from logger_app.report.view import Page


def add_media(
    page: Page,
    sound_of: SoundOf | None,
    frame_of: FrameOf | None,
    progress: Callable[[float], None] | None = None,
    extras: Extras | None = None,
) -> Media:
    """Fill in the sounds and pictures of a page.

    One thread fetches sound, one pictures; each calls only its own function, and both end before
    this returns, at once when either fails or the user interrupts.

    Parameters
    ----------
    sound_of : callable or None
        Flight, start [s], end [s] to a small Ogg file, or None.
    frame_of : callable or None
        Flight, flight time [s] to a JPEG, or None.
    progress : callable, optional
        Called with the share done, 0 to 1.
    extras : Extras, optional
        Columns of the contact sheets, and whether pictures are to be few.

    Returns
    -------
    Media
        How much was put in and what was left out.
    """
    extras = extras or Extras()
    add_sheets(page, extras.columns)
    sounds = wanted_sounds(page) if sound_of else []
    frames = wanted_frames(page, extras.few_pictures) if frame_of else []
    step = _steps(len(sounds) + len(frames), progress)
    stop = threading.Event()
    with ThreadPoolExecutor(2, thread_name_prefix="report-media") as pool:
        try:
            heard = pool.submit(_fetch, sound_of, sounds, step, stop)
            seen = pool.submit(_fetch, frame_of, frames, step, stop)
            found = heard.result(), seen.result()
        finally:
            stop.set()
    return place_media(
        page,
        found[0] if sound_of else None,
        found[1] if frame_of else None,
        sparing=extras.few_pictures,
        stills=extras.stills,
    )


def _fetch(get: Callable | None, wanted: Sequence[tuple], step: Callable[[], None], stop: threading.Event) -> dict:
    found: dict = {}
    if get is None:
        return found
    for key in wanted:
        if stop.is_set():
            break
        found[key] = get(*key)
        step()
    return found


def _steps(total: int, progress: Callable[[float], None] | None) -> Callable[[], None]:
    lock, done = threading.Lock(), 0

    def step() -> None:
        nonlocal done
        with lock:
            done += 1
            if progress:
                progress(done / max(total, 1))

    return step

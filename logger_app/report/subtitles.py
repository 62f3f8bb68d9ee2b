"""The calls of a flight as WebVTT, on the clock of a camera file or of the cockpit sound. Pure.

W3C WebVTT: The Web Video Text Tracks Format. A cue stands from the first word to the next call,
for at most three seconds.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from pathlib import PurePath

from logger_app.domain.cameras import CameraFile
from logger_app.domain.times import cue_time
from logger_app.report.view import CallView, FlightView

LONGEST_CUE_S = 3.0
SHORTEST_CUE_S = 0.3


def flight_subtitles(flight: FlightView, cameras: Sequence[CameraFile], taken: Collection[str] = ()) -> dict[str, str]:
    """Every subtitle file of a flight: one for its cockpit sound, one a synced camera file.

    Parameters
    ----------
    cameras : sequence of CameraFile
        Those of other flights, and those without a clock map, are passed over.
    """
    files: dict[str, str] = {}
    id, calls = flight.flight, flight.calls
    name = f"{file_name(id)}_cockpit_sound.vtt"
    files[_free(name, {*taken})] = subtitles(calls, lambda at_s: at_s, f"{id}, cockpit sound")
    for camera in cameras:
        if camera.flight == id and camera.clock_map is not None:
            name = f"{file_name(id)}_{file_name(camera.camera)}_{file_name(PurePath(camera.file).stem)}.vtt"
            title = f"{id}, camera {camera.camera}, {PurePath(camera.file).name}"
            files[_free(name, {*taken, *files})] = subtitles(calls, camera.video_s, title)
    return files


def subtitles(calls: Sequence[CallView], to_other_s: Callable[[float], float | None], title: str) -> str:
    """One WebVTT file.

    Parameters
    ----------
    to_other_s : callable
        Flight time to the time on the file's clock; None where it was not running [s].
    """
    parts = ["WEBVTT", "", f"NOTE\n{_note(title)}\nTimes are those of the file. Not reviewed: (?)", ""]
    calls = [view for view in calls if view.call.counts]
    for view, after in zip(calls, [*calls[1:], None], strict=True):
        call = view.call
        until_s = min(call.flight_s + LONGEST_CUE_S, after.call.flight_s if after else float("inf"))
        start_s, end_s = to_other_s(call.flight_s), to_other_s(max(until_s, call.flight_s + SHORTEST_CUE_S))
        if start_s is None or start_s < 0:
            continue
        end_s = end_s if end_s is not None else start_s + SHORTEST_CUE_S
        parts += [view.anchor, f"{cue_time(start_s)} --> {cue_time(end_s)}", _text(view), ""]
    return "\n".join(parts)


def file_name(text: str) -> str:
    """A name that every file system takes: letters and digits stay, all else becomes an underscore.

    Returns
    -------
    str
        At most 60 letters.
    """
    kept = "".join(ch if ch.isalnum() or ch in "-." else "_" for ch in text).strip("._")
    return kept[:60] or "unnamed"


def _free(name: str, taken: Collection[str]) -> str:
    stem, k, free = name.removesuffix(".vtt"), 2, name
    while free in taken:
        free, k = f"{stem}_{k}.vtt", k + 1
    return free


def _text(view: CallView) -> str:
    words = " ".join(view.description.split()).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    return words if view.call.reviewed else f"{words} (?)"


def _note(text: str) -> str:
    return " ".join(text.replace("-->", "\N{RIGHTWARDS ARROW}").split())

"""Calls as subtitles, WebVTT or SRT, on the flight's clock or on a camera's. Pure.

References: W3C, "WebVTT: The Web Video Text Tracks Format" (candidate recommendation, 2019),
sections 4.1 to 4.4; SRT has no standard, the form here is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from logger_app.domain.times import cue_time
from logger_app.records.calls import CallKind, ReviewedCall
from logger_app.records.clocks import ClockMap

# A word stays readable for about a second, unless the next call comes first.
SHOWN_S = 1.5
SHORTEST_S = 0.2


@dataclass(frozen=True, slots=True)
class Cue:
    """One line of text from `start_s` to `end_s` on the clock that was asked for."""

    start_s: float
    end_s: float
    text: str


def cues(
    calls: Iterable[ReviewedCall], run_of: Mapping[str, tuple[str, str]], clock: ClockMap | None = None
) -> list[Cue]:
    """A cue for every call that counts.

    Parameters
    ----------
    run_of : mapping of str to (str, str)
        Run number and test point by call id.
    clock : ClockMap, optional
        A camera's; the flight's own if not given. Calls while it did not run are left out.
    """
    timed = []
    for call in calls:
        if not call.counts:
            continue
        try:
            at_s = clock.from_flight_s(call.flight_s) if clock else call.flight_s
        except ValueError:
            continue
        if at_s >= 0:
            timed.append((at_s, _caption(call, *run_of.get(call.id, ("", "")))))
    timed.sort(key=lambda pair: pair[0])
    made = []
    for k, (at_s, text) in enumerate(timed):
        next_s = timed[k + 1][0] if k + 1 < len(timed) else at_s + SHOWN_S
        made.append(Cue(at_s, max(at_s + SHORTEST_S, min(at_s + SHOWN_S, next_s)), text))
    return made


def to_webvtt(made: Iterable[Cue]) -> str:
    """Cues as WebVTT."""
    blocks = [f"{cue_time(c.start_s)} --> {cue_time(c.end_s)}\n{_escaped(c.text)}\n" for c in made]
    return "\n".join(["WEBVTT\n", *blocks])


def to_srt(made: Iterable[Cue]) -> str:
    """Cues as SRT."""
    blocks = [
        f"{n}\n{cue_time(c.start_s, ',')} --> {cue_time(c.end_s, ',')}\n{_one_line(c.text)}\n"
        for n, c in enumerate(made, 1)
    ]
    return "\n".join(blocks)


def _caption(call: ReviewedCall, run: str, point: str) -> str:
    if call.kind is CallKind.AIRSPEED:
        text = f"{call.value:g} {call.unit or ''}".strip() if isinstance(call.value, (int, float)) else "airspeed ?"
    else:
        text = call.name.replace("_", " ")
        if call.value is not None:
            value = f"{call.value:g}" if isinstance(call.value, (int, float)) else str(call.value)
            text = f"{text} {value} {call.unit or ''}".strip()
    place = " ".join(part for part in (f"run {run}" if run else "", point) if part)
    mark = "" if call.reviewed else " (not reviewed)"
    return f"{text}{mark}" + (f" · {place}" if place else "")


def _one_line(text: str) -> str:
    return " ".join(text.split()).replace("-->", "->")


def _escaped(text: str) -> str:
    return _one_line(text).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")

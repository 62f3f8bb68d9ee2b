"""Pictures saved from comparing: what stands under them, and whether it still holds. Pure.

The caption says what was shown when the picture was saved. Where the runs have been reduced to another
speed or event since, that is said beside it: the picture cannot follow.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from logger_app.records.stills import SavedPicture, SavedShot, SavedSide
from logger_app.report import words
from logger_app.report.extras import SavedStill
from logger_app.report.view import Page, RunView

# Speeds and times that differ by more have changed; less is rounding.
SAME_KT, SAME_S = 0.05, 0.01


@dataclass(slots=True)
class SavedLine:
    """One configuration under a picture: its run, and when and how fast it was shown."""

    name: str
    run: RunView | None
    run_name: str
    description: str
    stations: str
    changed: str


@dataclass(slots=True)
class Saved:
    """A picture on the page; `uri` is empty where there was no room for it."""

    about: SavedPicture
    lines: tuple[SavedLine, ...]
    uri: str = ""

    @property
    def alt(self) -> str:
        """For who cannot see it."""
        return f"{self.about.words}: " + "; ".join(f"{line.name}, {line.description}" for line in self.lines)

    @property
    def caption(self) -> str:
        """All that stands under it, as one text."""
        parts = [f"{self.about.words}."]
        for line in self.lines:
            stations = f"; stations in span/chord percent: {line.stations}" if line.stations else ""
            changed = f" As it was when saved; {line.changed}." if line.changed else ""
            parts.append(f"{line.name} ({line.run_name}): {line.description}{stations}.{changed}")
        if self.about.why:
            parts.append(f"Runs: {self.about.why}.")
        who = f" by {self.about.who}" if self.about.who else ""
        return " ".join([*parts, f"Saved{who} {self.about.made_utc}, {self.about.file}."])


def add_saved(page: Page, stills: Sequence[SavedStill]) -> list[tuple[Saved, bytes]]:
    """Put saved pictures to their test points, without the pictures themselves yet.

    Parameters
    ----------
    page : Page
        Changed in place: `stills` of its points.

    Returns
    -------
    list[tuple[Saved, bytes]]
        What was placed, with its JPEG; pictures of a point that is not in the campaign are not.
    """
    runs = {(run.flight, run.run.id): run for run in page.runs}
    points = {view.point.id: view for view in page.points}
    placed = []
    for still in stills:
        if view := points.get(still.about.point):
            saved = Saved(still.about, tuple(_line(side, runs, page.units) for side in still.about.sides))
            view.stills.append(saved)
            placed.append((saved, still.jpeg))
    return placed


def _line(side: SavedSide, runs: Mapping, units: words.Units) -> SavedLine:
    run = runs.get((side.flight, side.run))
    return SavedLine(
        name=side.name,
        run=run,
        run_name=f"{side.flight}, run {side.run_number}",
        description="; ".join(_shot_words(shot, units) for shot in side.shots),
        stations="; ".join(text for shot in side.shots if (text := _station_words(shot))),
        changed=_changed(side, run, units),
    )


def _shot_words(shot: SavedShot, units: words.Units) -> str:
    if shot.flight_s is None:
        return f"{shot.at}: no picture ({shot.why})" if shot.at else f"no picture ({shot.why})"
    speed = "" if shot.ias_kt is None else f" {units.text(shot.ias_kt)} {units.speed_unit} indicated,"
    camera = f", camera {shot.camera}" if shot.camera else ""
    return f"{shot.at},{speed} at {words.clock(shot.flight_s)}{camera}"


def _station_words(shot: SavedShot) -> str:
    """``separated 10/20, 30/20; only proposed: attached 50/20``."""
    parts = []
    for proposed in (False, True):
        by_state: dict[str, list[str]] = {}
        for station, state, is_proposed in shot.stations:
            if is_proposed is proposed:
                by_state.setdefault(state, []).append(station)
        if by_state:
            said = "; ".join(f"{state} {', '.join(names)}" for state, names in by_state.items())
            parts.append(f"only proposed: {said}" if proposed else said)
    return "; ".join(parts)


def _changed(side: SavedSide, run: RunView | None, units: words.Units) -> str:
    """What no longer holds of a side, or nothing."""
    if run is None or run.result is None:
        return "this run is no longer in the campaign"
    found = []
    was, now = side.vs_ias_kt, run.result.vs_ias_kt
    if _differ(was, now, SAME_KT):
        found.append(f"stall speed then {units.text(was)}, now {units.text(now)} {units.speed_unit}")
    was, now = side.event_flight_s, run.result.event_flight_s
    if _differ(was, now, SAME_S):
        found.append("the time of the stall has changed")
    if not run.counts:
        found.append("left out of the averages")
    return "; ".join(found)


def _differ(was: float | None, now: float | None, by: float) -> bool:
    if was is None or now is None:
        return was is not now
    return abs(was - now) > by

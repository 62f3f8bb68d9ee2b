"""Films of the demo that has none: drawn from its truth, put on the flight clock by hand, and marked as one who sees well would.

Of each filmed run one film a wing, from a little above 1.2 times the stall speed to just after the stall. A mark is the state
that the film was drawn with at that picture: what a person would see who errs in nothing. The hand that syncs errs by less than
a picture. Main names: `Film`, `film_campaign`, `mark_films`.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

from logger_app.domain.cameras import WINGS, picture_lag_s
from logger_app.domain.fitted import device_rows, fitted_to
from logger_app.domain.moments import moments, when
from logger_app.domain.tuft_grid import grid_to_body, mark_to_body
from logger_app.domain.tufts import TuftMark, TuftState
from logger_app.logstore.store import Journal
from logger_app.records.journal import JournalRow, RowKind
from logger_app.records.plan import Campaign
from logger_app.records.results import StallSpeed
from logger_app.records.runs import FlightData
from logger_app.units import s_to_ns
from logger_app.workflows.campaign import load_campaign
from logger_app.workflows.drawn_wing import CODEC_BASE, FPS, DrawnWing, write_film
from logger_app.workflows.report import Stage
from logger_app.workflows.sync import link

MARKED_UTC = "2031-09-04T18:00:00Z"
STOPS = "1.2,1.1,1.05,stall"
# A film begins so far above the first stop, and ends so long after the stall.
FIRST_RATIO, BEFORE_S, AFTER_S = 1.21, 0.8, 0.8
# Below this much above its first separation a tuft is unsteady.
UNSTEADY_RATIO = 0.04
THREADS = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Film:
    """One film of one wing in one run, and the truth it is drawn from.

    `begin_s` and `end_s` are flight times, `offset_s` where a hand has put its beginning; `stall_s` is when the stall was,
    `first_ratio` at which ratio to the stall speed each station separates.
    """

    flight: str
    run: int
    wing: DrawnWing
    path: Path
    begin_s: float
    end_s: float
    stall_s: float
    stall_ias_kt: float
    entry_rate_kt_per_s: float
    first_ratio: dict[str, float]
    offset_s: float = 0.0

    @property
    def pictures(self) -> int:
        """How many there are."""
        return int((self.end_s - self.begin_s) * FPS)

    def states_at(self, flight_s: float) -> list[TuftState]:
        """What each station does at a flight time, in the order of the grid."""
        ratio = 1 + self.entry_rate_kt_per_s * (self.stall_s - flight_s) / self.stall_ias_kt
        return [_state(ratio, self.first_ratio[station]) for station in self.wing.stations]


def _state(ratio: float, first: float) -> TuftState:
    if ratio <= first:
        return TuftState.SEPARATED
    return TuftState.UNSTEADY if ratio <= first + UNSTEADY_RATIO else TuftState.ATTACHED


def film_campaign(truth: dict, campaign_dir: Path, stage: Stage) -> list[Film]:
    """Draw the films of all flights that carried cameras, and put them on the flight clock."""
    campaign = load_campaign(campaign_dir)
    films = [
        film
        for number, flight in enumerate(truth["flights"])
        if flight["filmed"]
        for film in _films(campaign, flight, campaign_dir / "flights" / flight["flight"], truth["seed"] + 100 * number)
    ]
    with stage("Drawing the wing") as bar, ThreadPoolExecutor(THREADS, thread_name_prefix="film") as pool:
        for done, _ in enumerate(pool.map(_draw, films), 1):
            bar.to(done / len(films))
    films = [replace(film, offset_s=_sync(film, campaign_dir / "flights" / film.flight)) for film in films]
    for flight in dict.fromkeys(film.flight for film in films):
        mine = {film.wing.grid.camera: film.wing.grid for film in films if film.flight == flight}
        _append(
            campaign_dir / "flights" / flight, RowKind.TUFT_GRID, [(0, grid_to_body(g, "demo")) for g in mine.values()]
        )
    return films


def _films(campaign: Campaign, flight: dict, flight_dir: Path, seed: int) -> list[Film]:
    fits = device_rows(fitted_to(campaign, flight["configuration"]))
    stations = list(flight["runs"][0]["first_ratio"]["left"])
    spans, chords = (sorted({float(name.split("/")[k]) for name in stations}) for k in (0, 1))
    found = []
    for k, side in enumerate(WINGS):
        rows = [row for _, row in fits if row.side in (side, "both")]
        wing = DrawnWing(seed + k, side, spans, chords, rows)
        for run in flight["runs"]:
            speed, rate = run["stall_ias_kt"], run["entry_rate_kt_per_s"]
            found.append(
                Film(
                    flight=flight["flight"],
                    run=run["number"],
                    wing=wing,
                    path=flight_dir / "media" / f"{side}_run{run['number']}.mp4",
                    begin_s=run["stall_s"] - (FIRST_RATIO - 1) * speed / rate - BEFORE_S,
                    end_s=run["stall_s"] + AFTER_S,
                    stall_s=run["stall_s"],
                    stall_ias_kt=speed,
                    entry_rate_kt_per_s=rate,
                    first_ratio=run["first_ratio"][side],
                )
            )
    return found


def _sync(film: Film, flight_dir: Path) -> float:
    """Put a film on the flight clock by hand: the picture that shows when the wing drops is the moment of the stall."""
    stall_video_s = int((film.stall_s - film.begin_s) * FPS) / FPS
    (linked,) = link(flight_dir, [film.path], [(stall_video_s, film.stall_s)], film.wing.grid.camera, film.wing.side)
    return linked.clock_map.offset_s if linked.clock_map else film.begin_s


def _draw(film: Film) -> None:
    write_film(film.path, film.wing, film.begin_s, film.end_s, film.states_at)


def mark_films(
    films: Sequence[Film], flight_dir: Path, data: FlightData, reduced: Sequence[StallSpeed], lag_s: float
) -> None:
    """Mark every station of a flight's films at the stops of the comparing screen.

    Parameters
    ----------
    lag_s : float
        From reading the needle to the word, as the campaign says [s].
    """
    results = {run.run: run for run in reduced}
    runs = {run.number: run for run in data.runs.runs}
    marks = []
    for film in films:
        result = results.get(runs[film.run].id) if film.run in runs else None
        if result is None or result.vs_ias_kt is None:
            continue
        for stop in moments(STOPS, "kt"):
            at_s, ias_kt, _ = when(result, stop, lag := picture_lag_s(result, lag_s))
            number = -1 if at_s is None else int((at_s - film.offset_s) * FPS + 1e-6)
            if at_s is None or not 0 <= number < film.pictures:
                continue
            shown_s = film.begin_s + number / FPS
            for station, state in zip(film.wing.stations, film.states_at(shown_s)):
                marks.append(
                    TuftMark(
                        flight_ns=s_to_ns(at_s),
                        camera=film.wing.grid.camera,
                        frame_pts=number * CODEC_BASE // FPS,
                        station=station,
                        state=state,
                        ias_kt=ias_kt,
                        to_stall_s=min(at_s + lag - (result.event_flight_s or at_s), 0.0),
                        who="demo",
                        run=result.run,
                        wing=film.wing.side,
                    )
                )
    _append(flight_dir, RowKind.TUFT, [(mark.flight_ns, mark_to_body(mark)) for mark in marks])


def _append(flight_dir: Path, kind: RowKind, bodies: Sequence[tuple[int, dict]]) -> None:
    with Journal.open(flight_dir) as journal:
        journal.append(
            [
                JournalRow(id=journal.new_id("tuft"), flight_ns=at, utc=MARKED_UTC, kind=kind, body=body)
                for at, body in bodies
            ]
        )

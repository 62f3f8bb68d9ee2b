"""The journey on one page: load -> review -> (sync) -> reduce -> report.

Each step takes what the one before gave. The rooms do not know each other; this module does.
Heavy imports are inside the functions, so that a verb pays only for what it uses.
"""

from __future__ import annotations

import hashlib
import json
import warnings
from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import takewhile
from pathlib import Path
from typing import TYPE_CHECKING

from logger_app.domain.flight_time import Overlap, overlaps
from logger_app.errors import CardError, Fault, Notice
from logger_app.records.calls import Correction, ReviewedCall
from logger_app.records.journal import FlightInfo, JournalRow, RowKind
from logger_app.records.plan import Campaign, Loading
from logger_app.records.results import Reduction, StallSpeed
from logger_app.records.runs import FlightData, FlightReview, FlightRuns, Run, RunWeight
from logger_app.units import s_to_ns

if TYPE_CHECKING:
    from logger_app.logstore.audio_io import Segment
    from logger_app.reduce.campaign import Options

CAMPAIGN_FILE = "campaign.toml"
FLIGHTS_DIR = "flights"
# Standard uncertainties of what is on board, common practice, no source: a person and a bag
# weighed on a bathroom scale, a gauge read on the ground, an hourly burn taken from the handbook.
PAYLOAD_U_KG = 3.0
FUEL_U_L = 2.0
BURN_U_SHARE = 0.15
# Journal rows kept for a second look at their flights; a short campaign's are all of them (about 1 kB each).
MAX_KEPT_ROWS = 5_000
_SORTED = json.JSONEncoder(sort_keys=True)


def load_campaign(folder: Path) -> Campaign:
    """The campaign of a folder (or of its `campaign.toml`), checked.

    Raises
    ------
    CardError
        It is not there, or something in it is wrong: every fault at once.
    """
    from logger_app.plan.cards_io import read_campaign

    return read_campaign(Path(folder))


def campaign_of(flight_dir: Path) -> Path:
    """The campaign folder that a flight folder lies in.

    Raises
    ------
    CardError
        No `campaign.toml` two levels up.
    """
    flight_dir = Path(flight_dir).resolve()
    for folder in flight_dir.parents:
        if (folder / CAMPAIGN_FILE).is_file():
            return folder
    raise CardError(
        faults=(
            Fault(
                where=str(flight_dir),
                got=f"a flight with no {CAMPAIGN_FILE} in the folders above it",
                expected=f"CAMPAIGN/{FLIGHTS_DIR}/{flight_dir.name}",
                hint="Move the flight folder into its campaign, or give --campaign.",
            ),
        )
    )


def load_flight(campaign: Campaign, flight_dir: Path) -> FlightData:
    """One flight as it stands after review: calls folded, runs found, weights worked out.

    Raises
    ------
    LogError
        The folder is not a flight, is damaged or too new.
    """
    return _load(campaign, flight_dir)[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seen:
    """A flight as it was found: its last row, and what else may change while it is being flown."""

    folder: Path
    info: FlightInfo
    last_seq: int
    duration_ns: int
    segments: tuple[Segment, ...]


def _load(
    campaign: Campaign, flight_dir: Path, seen: _Seen | None = None
) -> tuple[FlightData, _Seen, list[JournalRow]]:
    """A flight as it is now, or as it was when it was seen; and the rows of its journal."""
    from logger_app.logstore import codec
    from logger_app.logstore.audio_io import end_s, segments_of
    from logger_app.logstore.store import Journal

    folder = Path(flight_dir)
    with Journal.open(folder, read_only=True) as journal:
        rows = list(takewhile(lambda row: seen is None or (row.seq or 0) <= seen.last_seq, journal.rows()))
    if seen is None:
        info, segments = codec.flight_info(rows, folder), segments_of(folder, rows)
        seen = _Seen(
            folder=folder,
            info=info,
            last_seq=rows[-1].seq or 0,
            duration_ns=s_to_ns(end_s(segments)),
            segments=tuple(replace(segment, checks=()) for segment in segments),
        )
        if info.id != folder.resolve().name:
            words = f"{folder}: holds the flight {info.id!r}; the folder was renamed or copied."
            warnings.warn(words, Notice, stacklevel=2)
    return _data(campaign, seen, rows), seen, rows


def _data(campaign: Campaign, seen: _Seen, rows: list[JournalRow]) -> FlightData:
    return replace(flight_from_rows(campaign, seen.info, rows, seen.duration_ns), folder=seen.folder)


def keep_columns(campaign_dir: Path, text: str) -> Path:
    """Keep in the campaign which columns its recorder has (``time=Lcl Time,ias=IAS (mph)``)."""
    from logger_app.reduce.columns_io import parse_columns, remember

    return remember(Path(campaign_dir), parse_columns(text))


def guessed_columns(campaign_dir: Path, traces: Sequence[str] = ()) -> str:
    """A guess at a recorder's columns as ``--columns`` takes it; empty where nothing is to be asked."""
    from logger_app.reduce.columns_io import guess_for

    root = Path(campaign_dir)
    files = [Path(text.partition("=")[2]) for text in traces] + sorted(root.glob(f"{FLIGHTS_DIR}/*/traces/*.csv"))
    guess = guess_for(root, [path for path in files if path.suffix.lower() == ".csv"])
    return ",".join(f"{ours}={theirs}" for ours, theirs in guess.items())


def folder_of(campaign_dir: Path, data: FlightData) -> Path:
    """Where a flight lies: the folder it was read from; named by its id where it was not read from a disk."""
    return data.folder or Path(campaign_dir) / FLIGHTS_DIR / data.info.id


@dataclass(frozen=True, slots=True, kw_only=True)
class FoldedFlight:
    """The rows of a flight folded: what was heard, the calls that hold now, the runs in them.

    `runs_with` gives the runs as they would be with one more correction, `doubts_as_heard` which settings were not
    applied before any.
    """

    data: FlightData
    calls: tuple[ReviewedCall, ...]
    runs_with: Callable[[Correction], FlightRuns]
    doubts_as_heard: Callable[[], Mapping[str, str]]


def flight_from_rows(campaign: Campaign, info: FlightInfo, rows: Iterable[JournalRow], duration_ns: int) -> FlightData:
    """As `load_flight`, from rows that have been read already (see `fold_rows`)."""
    return fold_rows(campaign, info, rows, duration_ns).data


def fold_rows(campaign: Campaign, info: FlightInfo, rows: Iterable[JournalRow], duration_ns: int) -> FoldedFlight:
    """Everything that a flight's journal says, after every correction in it.

    Parameters
    ----------
    duration_ns : int
        Length of the recording [ns].

    Raises
    ------
    LogDamaged
        A row's body cannot be read.
    """
    from logger_app.domain.editions import doubts_as_flown, runs_as_flown
    from logger_app.logstore import codec
    from logger_app.review.apply import apply_corrections, in_force, settled_items

    rows = list(rows)
    by_kind: dict[RowKind, list[JournalRow]] = defaultdict(list)
    digest = hashlib.sha256()
    for row in rows:
        by_kind[row.kind].append(row)
        digest.update(f"{row.seq} {row.id} {row.flight_ns} {row.kind} {_SORTED.encode(row.body)}\n".encode())
    heard = [codec.body_to_call(row.body) for row in by_kind[RowKind.CALL]]
    heard = with_proposals(heard, [row.body for row in by_kind[RowKind.PROPOSAL]])
    corrections = [codec.body_to_correction(row.body) for row in by_kind[RowKind.CORRECTION]]
    gaps = [codec.body_to_gap(row.body) for row in by_kind[RowKind.GAP]]
    edition = next((row.body["points"] for row in by_kind[RowKind.FLIGHT] if row.body.get("points")), None)
    flown, unit = codec.body_to_points(edition), campaign.indicator.unit

    def runs_of(calls: Sequence[ReviewedCall], made: Sequence[Correction]) -> FlightRuns:
        steps = by_kind[RowKind.STEP]
        return runs_as_flown(campaign, flown, info.id, calls, steps, in_force(made), gaps, duration_ns)

    def runs_with(more: Correction) -> FlightRuns:
        made = [*corrections, more]
        return runs_of(apply_corrections(heard, made, unit), made)

    calls = apply_corrections(heard, corrections, unit)
    runs = with_clock_faults(runs_of(calls, corrections), overlaps(rows))
    runs = with_decade_doubts(runs, campaign, settled_items(corrections, calls), info.confusions)

    def doubts_as_heard() -> Mapping[str, str]:
        if not corrections:
            return dict(runs.doubts)
        untouched, steps = apply_corrections(heard, (), unit), by_kind[RowKind.STEP]
        return doubts_as_flown(campaign, flown, info.id, untouched, steps, gaps, duration_ns)

    second = [row.body for row in by_kind[RowKind.SECOND]]
    data = FlightData(
        info=info,
        review=_review(campaign, info, runs, doubts_as_heard, calls, corrections, second),
        runs=runs,
        weights=weights_of(campaign, info, runs),
        corrections=tuple(corrections),
        packs=tuple(sorted({call.pack for call in heard if call.pack})),
        journal_sha256=digest.hexdigest(),
    )
    return FoldedFlight(data=data, calls=calls, runs_with=runs_with, doubts_as_heard=doubts_as_heard)


def _review(
    campaign: Campaign,
    info: FlightInfo,
    runs: FlightRuns,
    doubts_as_heard: Callable[[], Mapping[str, str]],
    calls: Sequence[ReviewedCall],
    corrections: Sequence,
    second: list,
) -> FlightReview:
    """How far a flight is reviewed; what is still to be checked is worked out once somebody has begun."""
    from logger_app.domain.reviewed import review_of
    from logger_app.review.apply import settled_items
    from logger_app.review.queue import build_queue, last_listening

    if not corrections:
        return review_of(info.id, calls, flagged=0, sampled=0, to_check=None)
    indicator = campaign.indicator
    queue = build_queue(
        runs,
        calls,
        unit=indicator.unit,
        graduation=indicator.graduation,
        second=last_listening(second),
        settled=settled_items(corrections, calls),
        doubts_as_heard=doubts_as_heard,
        points=campaign.points,
        own=info.confusions,
    )
    counts = {"flagged": len(queue.flagged), "sampled": len(queue.sampled), "to_check": len(queue.items)}
    return review_of(info.id, calls, **counts)


def with_clock_faults(runs: FlightRuns, shared: Sequence[Overlap]) -> FlightRuns:
    """The same runs; one that lies in a stretch of time which two parts of the flight share says so."""

    def fault(run: Run) -> str:
        return next((str(o) for o in shared if run.start_ns < o.end_ns and run.end_ns > o.start_ns), "")

    return replace(runs, runs=tuple(replace(run, clock_fault=fault(run)) for run in runs.runs)) if shared else runs


def with_decade_doubts(
    runs: FlightRuns, campaign: Campaign, kept: Collection[str], own: Collection[tuple[int, int]]
) -> FlightRuns:
    """The same runs; one in which a decade may have been heard wrongly all through says so, until that is settled."""
    from logger_app.domain.decades import wrong_decades

    found = wrong_decades(runs.runs, campaign.points, unit=campaign.indicator.unit, kept=kept, own=own)
    why = {id: one.why for one in found for id in one.runs}
    return replace(runs, runs=tuple(replace(r, decade_doubt=why.get(r.id, "")) for r in runs.runs)) if why else runs


def with_proposals(heard: Iterable, proposals: Iterable[dict]) -> list:
    """Heard calls with the latest proposal of the reader of sequences to each."""
    from logger_app.logstore.codec import body_to_proposal

    latest = dict(map(body_to_proposal, proposals))
    return [replace(call, proposed=latest[call.id]) if call.id in latest else call for call in heard]


def weights_of(campaign: Campaign, info: FlightInfo, runs: FlightRuns) -> tuple[RunWeight, ...]:
    """Weight and CG at each run, from the loading at the start and the fuel called or burnt.

    Parameters
    ----------
    campaign : Campaign
        For the aircraft and, where the flight says nothing, the planned loading.
    info : FlightInfo
        What the flight's journal says of its loading.
    runs : FlightRuns
        Runs with times on the flight clock and fuel calls in their settings.

    Returns
    -------
    tuple of RunWeight
        One a run; None where there is no loading.
    """
    from logger_app.plan.loading import aircraft_as_fitted, weight_and_cg

    planned = campaign.flight(info.id)
    loading = Loading(items=info.loading_items, fuel_l=info.fuel_l)
    if not loading.items and loading.fuel_l is None and planned:
        loading = planned.loading
    if loading.fuel_l is None:
        return tuple(RunWeight(run=run.id, weight_kg=None) for run in runs.runs)
    aircraft = aircraft_as_fitted(campaign, info.configuration)
    weights = []
    last_call: tuple[float, float] | None = None  # (flight_s, litres) of the last fuel call
    for run in runs.runs:
        if run.settings.fuel_l is not None and (last_call is None or run.settings.fuel_l != last_call[1]):
            last_call = (run.start_s, run.settings.fuel_l)
        since_s, fuel_l = last_call or (0.0, loading.fuel_l)
        burnt_l = aircraft.fuel_burn_l_per_h * (run.end_s - since_s) / 3600.0
        used_l = loading.fuel_l - (fuel_l - burnt_l)
        weight_kg, cg_mm = weight_and_cg(aircraft, loading, used_l)
        fuel_u_kg = aircraft.fuel_density_kg_per_l * (FUEL_U_L**2 + (BURN_U_SHARE * burnt_l) ** 2) ** 0.5
        u_kg = (PAYLOAD_U_KG**2 + fuel_u_kg**2) ** 0.5
        weights.append(RunWeight(run=run.id, weight_kg=weight_kg, weight_u_kg=u_kg, cg_mm=cg_mm))
    return tuple(weights)


class FlightByFlight:
    """The flights of a campaign, read and reduced one after another; none is kept.

    ::

        reader = FlightByFlight(folder)
        for flight, runs in reader:         # each with everything; the next one takes its place
            ...
        reduction = reader.reduction()      # runs in it without their details
        flight, runs = reader.again("day1")     # a second look, at what was seen the first time

    Iterate once; traces that lie in flights' `traces` folders are joined. `rows` are those of the journal of the
    flight that was given last, for what else is in them.

    Parameters
    ----------
    options : Options, optional
        What is asked of the reduction beyond the rules.
    in_full : bool
        Keep every run with its details: for short campaigns that are looked at from all sides.

    Raises
    ------
    LoggerError
        As `load_campaign`; the options contradict each other; a trace is asked for of no flight.
        While iterating, as `load_flight`; a trace asked for cannot be read or aligned.
    """

    def __init__(
        self, campaign_dir: Path, traces: Sequence[str] = (), options: Options | None = None, in_full: bool = False
    ):
        from logger_app.logstore.store import list_flights
        from logger_app.reduce.campaign import Options, Reducer
        from logger_app.reduce.join_io import asked_traces

        campaign_dir = Path(campaign_dir)
        self.campaign = load_campaign(campaign_dir)
        self.campaign_dir = campaign_dir if campaign_dir.is_dir() else campaign_dir.parent
        self.folders = list_flights(self.campaign_dir)
        keep = {"keep": lambda run: run} if in_full else {}
        self._reducer = Reducer(self.campaign, options or Options(), **keep)
        self._asked = asked_traces(traces, [_flight_id(folder) for folder in self.folders]) if traces else {}
        self._seen: dict[str, _Seen] = {}
        self._kept: dict[str, list[JournalRow]] = {}
        self.rows: Sequence[JournalRow] = ()
        self._steps: tuple[list[str], list[str]] = ([], [])

    def __len__(self) -> int:
        return len(self.folders)

    def __iter__(self) -> Iterator[tuple[FlightData, tuple[StallSpeed, ...]]]:
        return self.of(self.folders)

    def of(self, folders: Iterable[Path]) -> Iterator[tuple[FlightData, tuple[StallSpeed, ...]]]:
        """As iterating, for some of `folders` only."""
        from logger_app.domain.editions import elsewhere_in_words

        for folder in folders:
            flight, seen, rows = _load(self.campaign, folder)
            self.rows, self._seen[flight.info.id] = rows, seen
            if len(rows) + sum(map(len, self._kept.values())) <= MAX_KEPT_ROWS:
                self._kept[flight.info.id] = rows
            self._steps[0].extend(elsewhere_in_words(flight.runs))
            at_event, *steps = self._traces(folder, flight)
            for kept, more in zip(self._steps, steps, strict=True):
                kept.extend(more)
            yield flight, self._reducer.add(flight, at_event)

    def folder_of(self, flight_id: str) -> Path:
        """The folder that a flight was read from; named by its id where it was not read."""
        seen = self._seen.get(flight_id)
        return seen.folder if seen else self.campaign_dir / FLIGHTS_DIR / flight_id

    def segments_of(self, flight_id: str) -> tuple[Segment, ...]:
        """The sound of a flight that was gone through, as it was then; for reading it, without its checksums."""
        return self._seen[flight_id].segments

    def reduction(self) -> Reduction:
        """The results of all flights, once they have been gone through.

        Raises
        ------
        ReduceError
            Two flights with one id, or a configuration that the campaign does not have.
        """
        return self._reducer.finish((*self._steps[0], *self._steps[1]))

    def again(self, flight_id: str, only: set[str] | None = None) -> tuple[FlightData, tuple[StallSpeed, ...]]:
        """A flight that was gone through, as it was then: rows added since are passed over.

        Parameters
        ----------
        only : set of str, optional
            Ids of the runs to reduce; all if not given.
        """
        seen, kept = self._seen[flight_id], self._kept.get(flight_id)
        flight = _data(self.campaign, seen, kept) if kept else _load(self.campaign, seen.folder, seen)[0]
        return flight, self._reducer.reduce(flight, self._traces(seen.folder, flight)[0], only)

    def _traces(self, folder: Path, flight: FlightData):
        from logger_app.reduce.join_io import join_traces

        return join_traces(folder, flight, self.campaign.indicator, self._asked.get(flight.info.id, ()))


def _flight_id(flight_dir: Path) -> str:
    from logger_app.logstore.store import Journal

    with Journal.open(flight_dir, read_only=True) as journal:
        return journal.info.id


def reduce_all(campaign_dir: Path) -> tuple[Campaign, list[FlightData], Reduction]:
    """Load a campaign and reduce it, everything kept: for a few flights that are to be looked at from all sides.

    Returns
    -------
    tuple of (Campaign, list of FlightData, Reduction)
        Flights in order of their folder names; may be none.

    Raises
    ------
    LoggerError
        As `FlightByFlight`.
    """
    reader = FlightByFlight(campaign_dir, in_full=True)
    flights = [flight for flight, _ in reader]
    return reader.campaign, flights, reader.reduction()


def all_calls(data: FlightData) -> list[ReviewedCall]:
    """Every call of a flight, in runs or not, in order of time."""
    calls = [call for run in data.runs.runs for call in run.calls] + list(data.runs.unassigned)
    return sorted(calls, key=lambda call: (call.flight_ns, call.id))

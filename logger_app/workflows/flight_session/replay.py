"""Where a flight stood when the program stopped: its journal's rows, folded as in flight."""

from __future__ import annotations

from collections.abc import Sequence

from logger_app.domain.flight_time import latest_ns, row_end_ns
from logger_app.domain.points import points_for
from logger_app.domain.settings import Possible
from logger_app.fly.flight_records import FlightState, Intent, Touch
from logger_app.fly.flight_state import advance, begin
from logger_app.logstore import codec
from logger_app.records.calls import CaptureGap, HeardCall
from logger_app.records.journal import JournalRow, RowKind
from logger_app.records.plan import Campaign
from logger_app.units import s_to_ns

# A run cannot be joined across a time when the program was not running, and how long that was no
# clock of ours can say; the flight clock moves on by more than the silence that ends a run.
AWAY_NS = s_to_ns(15.0)
AWAY = "the program was not running; for how long is not known"
NO_SOUND_KEPT = "no sound of this was kept"
# Sound that is shorter than the last touch or call by less is no loss worth a row.
NAMED_NS = s_to_ns(1.0)
_INTENTS = frozenset(Intent)


def replay(
    rows: Sequence[JournalRow], campaign: Campaign, flight: str, own: tuple[tuple[int, int], ...] = ()
) -> tuple[FlightState, list[HeardCall]]:
    """The state that the rows lead to, and the calls in them: the same fold as in flight; `own` are the pilot's confusions."""
    state = begin(points_for(campaign, flight), campaign.indicator.unit, Possible.of(campaign), own)
    calls: list[HeardCall] = []
    for row in rows:
        event = _event_of(row)
        if event is None:
            continue
        if isinstance(event, HeardCall):
            calls.append(event)
        state, _ = advance(state, event)
    return state, calls


def _event_of(row: JournalRow) -> HeardCall | Touch | None:
    if row.kind is RowKind.CALL:
        return codec.body_to_call(row.body)
    if row.kind is not RowKind.STEP:
        return None
    step, by = row.body.get("step"), row.body.get("by")
    if by == "voice" or step not in _INTENTS:
        return None  # a call's own step is made again by the call
    return Touch(id=row.id, flight_ns=row.flight_ns, intent=Intent(step), point=row.body.get("point"), by=by or "touch")


def gaps_before_resuming(rows: Sequence[JournalRow], sound_end_ns: int) -> tuple[CaptureGap, ...]:
    """What is missing before a flight can go on: sound that was not kept, and the time when nothing ran.

    The last gap ends where the flight goes on: after the latest time that any row knows, however early the
    sound broke off.

    Parameters
    ----------
    sound_end_ns : int
        End of the sound on the disk [ns].
    """
    known_ns = max((row_end_ns(row) for row in rows if row.kind is RowKind.GAP), default=0)
    covered_ns, end_ns = max(sound_end_ns, known_ns), max(sound_end_ns, latest_ns(rows))
    away = CaptureGap(start_ns=end_ns, end_ns=end_ns + AWAY_NS, why=AWAY)
    if end_ns - covered_ns <= NAMED_NS:
        return (away,)
    # It was heard, so that it breaks no approach; there is only nothing to listen to.
    return CaptureGap(start_ns=covered_ns, end_ns=end_ns, why=NO_SOUND_KEPT, breaks=False), away

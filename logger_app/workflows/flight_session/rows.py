"""What happened in flight as journal rows."""

from __future__ import annotations

from logger_app.fly.flight_records import Outcome
from logger_app.logstore import codec
from logger_app.logstore.store import Journal, utc_now
from logger_app.records.calls import Action, Correction, HeardCall
from logger_app.records.journal import JournalRow, RowKind
from logger_app.units import NS_PER_S, RATE_HZ, s_to_ns
from logger_app.workflows.flight_session.messages import MarkPlayed


def of_call(call: HeardCall, journal: Journal) -> list[JournalRow]:
    """A call as it was heard, and beside it what the reader of sequences thinks likelier."""
    rows = [codec.call_row(call, utc_now())]
    if call.proposed is not None:
        body = {
            "call": call.id,
            "value": call.proposed,
            "posterior": call.posterior,
            "why": [str(flag) for flag in call.flags],
        }
        rows.append(_row(journal, RowKind.PROPOSAL, call.start_ns, body))
    return rows


def of_outcome(outcome: Outcome, journal: Journal, who: str, now_ns: int) -> list[JournalRow]:
    """Steps, verdicts, notes and discards taken back, in this order."""
    rows = [_row(journal, RowKind.STEP, step.flight_ns, step.as_body(), step.id) for step in outcome.steps]
    for run in outcome.closed:
        rows.append(_row(journal, RowKind.VERDICT, run.end_ns, run.verdict.as_body() | {"ended": str(run.ended)}))
    for start_ns, end_ns in outcome.notes:
        rows.append(_row(journal, RowKind.NOTE, start_ns, {"start_ns": start_ns, "end_ns": end_ns, "text": ""}))
    for run_id in outcome.reinstated:
        correction = Correction(
            id=journal.new_id("correction"),
            utc=utc_now(),
            who=who,
            action=Action.REINSTATE,
            target=run_id,
            why="taken back in flight",
        )
        rows.append(codec.correction_row(correction, now_ns))
    return rows


def of_mark(played: MarkPlayed, journal: Journal) -> JournalRow:
    """A sync mark: at which sample it was heard, or that it was not played."""
    at_ns = played.at_ns + s_to_ns(played.delay_s or 0.0)
    body = {"sample": at_ns * RATE_HZ // NS_PER_S, "delay_s": played.delay_s, "played": played.delay_s is not None}
    return _row(journal, RowKind.MARK, at_ns, body)


def _row(journal: Journal, kind: RowKind, flight_ns: int, body: dict, id: str | None = None) -> JournalRow:
    return JournalRow(id=id or journal.new_id(str(kind)), flight_ns=flight_ns, utc=utc_now(), kind=kind, body=body)

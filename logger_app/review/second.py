"""Two listenings of the same sound: where they differ. Pure. Nothing is decided here."""

from __future__ import annotations

from collections.abc import Sequence

from logger_app.records.calls import HeardCall

# Two listenings place the same words within a few hundred milliseconds of each other.
SAME_MOMENT_NS = 700_000_000


def compare_listenings(first: Sequence[HeardCall], second: Sequence[HeardCall], engine: str) -> list[dict]:
    """Differences, as bodies of `SECOND` rows.

    Parameters
    ----------
    second : sequence of HeardCall
        The slower listening, on the same clock.

    Returns
    -------
    list of dict
        call (id, or None where only the second heard something), start_ns, heard, engine; in
        order of time. Calls that both heard alike give none.
    """
    pairs = _paired(first, second)
    taken = {id(b) for _, b in pairs if b is not None}
    bodies = [
        {"call": a.id, "start_ns": a.start_ns, "heard": [_brief(b)] if b else [], "engine": engine}
        for a, b in pairs
        if b is None or _content(a) != _content(b)
    ]
    bodies += [
        {"call": None, "start_ns": b.start_ns, "heard": [_brief(b)], "engine": engine}
        for b in second
        if id(b) not in taken
    ]
    return sorted(bodies, key=lambda body: body["start_ns"])


def _paired(first, second) -> list[tuple[HeardCall, HeardCall | None]]:
    """Nearest in time first; each of the second is used once."""
    near = sorted(
        (abs(a.start_ns - b.start_ns), _content(a) != _content(b), i, k)
        for i, a in enumerate(first)
        for k, b in _around(a, second)
    )
    partner: dict[int, int] = {}
    used: set[int] = set()
    for _, _, i, k in near:
        if i not in partner and k not in used:
            partner[i] = k
            used.add(k)
    return [(a, second[partner[i]] if i in partner else None) for i, a in enumerate(first)]


def _around(a: HeardCall, second: Sequence[HeardCall]):
    return ((k, b) for k, b in enumerate(second) if abs(a.start_ns - b.start_ns) <= SAME_MOMENT_NS)


def _content(call: HeardCall) -> tuple:
    return call.kind, call.name, call.value, call.unit


def _brief(call: HeardCall) -> dict:
    names = ("id", "start_ns", "end_ns", "kind", "name", "value", "unit", "words", "posterior")
    return {name: getattr(call, name) for name in names} | {"kind": str(call.kind)}

"""Two listenings of the same sound: how the second goes about it, and where they differ. Pure.

The first listening hears as the sound comes. The second takes whole stretches, cut where nobody
speaks, each brought to one loudness. Nothing is decided here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from logger_app.records.calls import HeardCall

# Long enough to hold an approach, short enough that a change of power between two does not matter.
STRETCH_S = 60.0
RATE_HZ = 16_000
# Speech is the loudest twentieth of a stretch; it is brought to a tenth of full scale (-20 dB).
SPEECH_SHARE = 95
SPEECH_LEVEL = 3277.0
MOST_GAIN = 30.0
# Two listenings place the same words within a few hundred milliseconds of each other.
SAME_MOMENT_NS = 700_000_000


def stretches_of(calls: Sequence[HeardCall], duration_s: float) -> list[tuple[float, float]]:
    """Stretches of about a minute that together are the whole sound, cut in the longest silences.

    Parameters
    ----------
    calls : sequence of HeardCall
        The first listening [-].
    duration_s : float
        Length of the sound [s].

    Returns
    -------
    list of (float, float)
        Start and end on the flight clock [s].
    """
    ordered = sorted(calls, key=lambda call: call.start_ns)
    silences = [
        (b.start_ns - a.end_ns, (a.end_ns + b.start_ns) / 2e9)
        for a, b in zip(ordered, ordered[1:], strict=False)
    ]
    cuts, last_s = [0.0], 0.0
    while duration_s - last_s > 1.5 * STRETCH_S:
        near = [pair for pair in silences if last_s + 0.5 * STRETCH_S <= pair[1] <= last_s + 1.5 * STRETCH_S]
        last_s = max(near)[1] if near else last_s + STRETCH_S
        cuts.append(last_s)
    return list(zip(cuts, [*cuts[1:], duration_s], strict=True))


def levelled(pcm: np.ndarray) -> np.ndarray:
    """Sound with its speech brought to one loudness as a whole.

    Parameters
    ----------
    pcm : ndarray of int16, shape (n,)
        16 kHz mono [-].

    Returns
    -------
    ndarray of int16, shape (n,)
        Louder or softer, never clipped more than it was by more than a thousandth of its samples [-].
    """
    frames = pcm[: len(pcm) - len(pcm) % (RATE_HZ // 20)].reshape(-1, RATE_HZ // 20).astype(np.float64)
    if not len(frames):
        return pcm
    loud = float(np.percentile(np.sqrt(np.mean(frames**2, axis=1)), SPEECH_SHARE))
    peak = float(np.percentile(np.abs(pcm.astype(np.float64)), 99.9))
    if loud < 1 or peak < 1:
        return pcm
    gain = min(SPEECH_LEVEL / loud, 32767.0 / peak, MOST_GAIN)
    return np.clip(np.round(pcm * gain), -32768, 32767).astype(np.int16)


def moved(call: HeardCall, by_ns: int, id: str) -> HeardCall:
    """A call heard in a stretch, on the flight clock and under its own id.

    Parameters
    ----------
    call : HeardCall
        On the stretch's clock [-].
    by_ns : int
        Where the stretch begins [ns].
    id : str
        New id [-].

    Returns
    -------
    HeardCall
        The same, moved [-].
    """
    words = tuple((word, start + by_ns, end + by_ns) for word, start, end in call.word_times)
    return replace(call, id=id, start_ns=call.start_ns + by_ns, end_ns=call.end_ns + by_ns, word_times=words)


def compare_listenings(first: Sequence[HeardCall], second: Sequence[HeardCall], engine: str) -> list[dict]:
    """Differences, as bodies of `SECOND` rows.

    Parameters
    ----------
    first : sequence of HeardCall
        As journalled [-].
    second : sequence of HeardCall
        The slower listening, on the same clock [-].
    engine : str
        What listened the second time [-].

    Returns
    -------
    list of dict
        call (id, or None where only the second heard something), start_ns, heard, engine; in
        order of time. Calls that both heard alike give none [-].
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
    return {
        "id": call.id,
        "start_ns": call.start_ns,
        "end_ns": call.end_ns,
        "kind": str(call.kind),
        "name": call.name,
        "value": call.value,
        "unit": call.unit,
        "words": call.words,
        "posterior": call.posterior,
    }

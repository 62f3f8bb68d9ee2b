"""The spoken rehearsal before a flight: what was to be said, against what was heard. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from logger_app.records.calls import CallKind, HeardCall


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One thing to say."""

    say: str
    kind: CallKind
    name: str
    value: float | None = None

    def heard_as(self, call: HeardCall) -> bool:
        """Whether a call is this one."""
        return (self.kind, self.name) == (call.kind, call.name) and (self.value is None or self.value == call.value)


# Speeds of a light aircraft's approach, one of them a lone tens word, 5 and 9 in both places.
SPEEDS = (55.0, 61.0, 40.0, 59.0, 47.0)
NAMES = (
    (CallKind.EVENT, "on_condition"),
    (CallKind.EVENT, "buffet"),
    (CallKind.EVENT, "break"),
    (CallKind.EVENT, "recovered"),
    (CallKind.COMMAND, "scratch_that"),
    (CallKind.COMMAND, "knock_it_off"),
    (CallKind.COMMAND, "mark"),
)
# Fewer right than this is worth talking about before take-off (common practice, no source).
ENOUGH_RIGHT = 0.9


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What became of a line: heard right, heard as something else, or missed."""

    line: Line
    right: bool
    heard: str = ""
    posterior: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """The rehearsal's result. `extra` are calls heard that were not asked for."""

    answers: tuple[Answer, ...]
    extra: tuple[str, ...] = ()

    @property
    def right(self) -> int:
        """How many lines were heard right."""
        return sum(answer.right for answer in self.answers)

    @property
    def good(self) -> bool:
        """Whether it is good enough to fly with."""
        return bool(self.answers) and self.right >= ENOUGH_RIGHT * len(self.answers)


def script(phrase_for) -> tuple[Line, ...]:
    """What to say, in the team's own words.

    Parameters
    ----------
    phrase_for : callable
        From (kind, name, value) of the pack to the phrase that this team says, or None.

    Returns
    -------
    tuple of Line
        Speeds and names in turn, as in flight.
    """
    wanted = [(CallKind.AIRSPEED, "ias", value) for value in SPEEDS], [(kind, name, None) for kind, name in NAMES]
    speeds, names = (
        [
            Line(say=phrase, kind=kind, name=name, value=value)
            for kind, name, value in part
            if (phrase := phrase_for(kind, name, value)) is not None
        ]
        for part in wanted
    )
    lines = []
    while speeds or names:
        lines += [part.pop(0) for part in (names, speeds) if part]
    return tuple(lines)


def score(lines: Sequence[Line], calls: Sequence[HeardCall]) -> Score:
    """Hold what was heard against the script, in order, skipping as little as possible.

    Parameters
    ----------
    calls : sequence of HeardCall
        What was heard, in order of time.
    """
    pairs = _longest_match(lines, calls)
    matched = dict(pairs)
    taken = set(matched.values())
    answers = []
    for k, line in enumerate(lines):
        if k in matched:
            call = calls[matched[k]]
            answers.append(Answer(line=line, right=True, heard=_words(call), posterior=call.posterior))
            continue
        # A call between the neighbours' calls that answers to nothing else is what this was taken for.
        low = max((j for i, j in pairs if i < k), default=-1)
        high = min((j for i, j in pairs if i > k), default=len(calls))
        wrong = next((j for j in range(low + 1, high) if j not in taken), None)
        if wrong is not None:
            taken.add(wrong)
        answers.append(Answer(line=line, right=False, heard=_words(calls[wrong]) if wrong is not None else ""))
    extra = tuple(_words(call) for j, call in enumerate(calls) if j not in taken)
    return Score(answers=tuple(answers), extra=extra)


def _longest_match(lines, calls) -> list[tuple[int, int]]:
    """Longest common subsequence as (line, call) pairs."""
    best = [[0] * (len(calls) + 1) for _ in range(len(lines) + 1)]
    for i in range(len(lines) - 1, -1, -1):
        for j in range(len(calls) - 1, -1, -1):
            here = 1 + best[i + 1][j + 1] if lines[i].heard_as(calls[j]) else 0
            best[i][j] = max(here, best[i + 1][j], best[i][j + 1])
    pairs, i, j = [], 0, 0
    while i < len(lines) and j < len(calls):
        if lines[i].heard_as(calls[j]) and best[i][j] == 1 + best[i + 1][j + 1]:
            pairs.append((i, j))
            i, j = i + 1, j + 1
        elif best[i + 1][j] >= best[i][j + 1]:
            i += 1
        else:
            j += 1
    return pairs


def _words(call: HeardCall) -> str:
    if call.kind is CallKind.AIRSPEED:
        return f"{call.value:g}" if isinstance(call.value, (int, float)) else "?"
    return call.name.replace("_", " ") + (f" {call.value}" if call.value is not None else "")

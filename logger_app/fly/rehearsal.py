"""The spoken rehearsal before a flight: what was to be said, against what was heard. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from logger_app.domain.decades import confused
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


# Speeds of a light aircraft's approach, 5 and 9 in both places; then each tens word alone, and pairs that sound alike, as
# far as this aircraft shows such speeds.
SPEEDS = (55.0, 61.0, 59.0, 47.0)
TENS = (50.0, 60.0, 40.0, 70.0, 30.0, 80.0, 90.0)
PAIRS = (115.0, 150.0, 116.0, 160.0)
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
    heard_value: float | None = None


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

    @property
    def confusions(self) -> tuple[tuple[Answer, tuple[int, int]], ...]:
        """Speeds that were heard in another decade, each with the decades heard and meant; one answer for each pair."""
        found: dict[tuple[int, int], Answer] = {}
        for answer in self.answers:
            if not answer.right and answer.line.value is not None and answer.heard_value is not None:
                pair = confused(answer.line.value, answer.heard_value)
                if pair is not None:
                    found.setdefault(pair, answer)
        return tuple((answer, pair) for pair, answer in found.items())


def script(phrase_for, low: float = 30.0, high: float = 99.0) -> tuple[Line, ...]:
    """What to say, in the team's own words.

    Parameters
    ----------
    low, high : float
        Lowest and highest airspeed that is called in an approach, in the indicator's unit.
    phrase_for : callable
        From (kind, name, value) of the pack to the phrase that this team says, or None.

    Returns
    -------
    tuple of Line
        Speeds and names in turn, as in flight.
    """
    said = [value for value in (*TENS, *PAIRS) if low <= value <= high]
    wanted = (
        [(CallKind.AIRSPEED, "ias", value) for value in (*SPEEDS, *said)],
        [(kind, name, None) for kind, name in NAMES],
    )
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
    instead = _heard_instead(lines, calls, pairs)
    taken = {*matched.values(), *instead.values()}
    answers = []
    for k, line in enumerate(lines):
        if k in matched:
            call = calls[matched[k]]
            answers.append(Answer(line=line, right=True, heard=_words(call), posterior=call.posterior))
            continue
        wrong = calls[instead[k]] if k in instead else None
        value = wrong.value if wrong is not None and isinstance(wrong.value, (int, float)) else None
        heard = _words(wrong) if wrong is not None else ""
        answers.append(Answer(line=line, right=False, heard=heard, heard_value=value))
    extra = tuple(_words(call) for j, call in enumerate(calls) if j not in taken)
    return Score(answers=tuple(answers), extra=extra)


def _heard_instead(lines, calls, pairs) -> dict[int, int]:
    """What each line that was not heard was taken for: a call between its neighbours' that answers to nothing else,
    first one in another decade, then one of its kind, then any."""
    taken, found = {j for _, j in pairs}, dict[int, int]()
    matched = {i for i, _ in pairs}
    for fits in (_other_decade, lambda line, call: line.kind is call.kind, lambda line, call: True):
        for k, line in enumerate(lines):
            low = max((j for i, j in [*pairs, *found.items()] if i < k), default=-1)
            high = min((j for i, j in [*pairs, *found.items()] if i > k), default=len(calls))
            free = (j for j in range(low + 1, high) if j not in taken and fits(line, calls[j]))
            if k not in matched and k not in found and (wrong := next(free, None)) is not None:
                found[k] = wrong
                taken.add(wrong)
    return found


def _other_decade(line: Line, call: HeardCall) -> bool:
    said, heard = line.value, call.value
    return said is not None and isinstance(heard, (int, float)) and confused(said, heard) is not None


def _longest_match(lines, calls) -> list[tuple[int, int]]:
    """Longest common subsequence as (line, call) pairs."""
    best = [[0] * (len(calls) + 1) for _ in range(len(lines) + 1)]
    for i in range(len(lines) - 1, -1, -1):
        for j in range(len(calls) - 1, -1, -1):
            here = 1 + best[i + 1][j + 1] if lines[i].heard_as(calls[j]) else 0
            best[i][j] = max(here, best[i + 1][j], best[i][j + 1])
    pairs, i, j = [], 0, 0
    while i < len(lines) and j < len(calls):
        if best[i][j] == best[i][j + 1]:
            j += 1  # the latest that fits: what was said wrongly came before it
        elif lines[i].heard_as(calls[j]) and best[i][j] == 1 + best[i + 1][j + 1]:
            pairs.append((i, j))
            i, j = i + 1, j + 1
        else:
            i += 1
    return pairs


def _words(call: HeardCall) -> str:
    if call.kind is CallKind.AIRSPEED:
        return f"{call.value:g}" if isinstance(call.value, (int, float)) else "?"
    return call.name.replace("_", " ") + (f" {call.value}" if call.value is not None else "")

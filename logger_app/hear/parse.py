"""Words to calls: which of the words are a call, and what it says.

The longest legal call wins; fillers are stepped over; numbers that are no calls (runways,
frequencies, times) are swallowed; the rest is talk. Not for: sound (`decoder`), or what a stall
approach makes likely (`sequence`).

Main names: `parse_words`, `Parsed`, `tokens_of`, `complete_shorthand`.
"""

from __future__ import annotations

import itertools
import re
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

from logger_app.hear.packs import IAS, LegalCall, Pack, Value, legal_calls
from logger_app.hear.phrases import Slot
from logger_app.records.calls import CallKind

_TOKEN = re.compile(r"\d{1,3}(?:,\d{3})+(?!\d)|\d+(?:[.]\d+)?|%|[^\W\d_]+(?:['’][^\W\d_]+)*")
# A last digit alone is mostly said while the speed falls: 1.5 is the middle of what a call falls by
# (common practice, no source). It decides between 52 and 62 after 58.
FALL_PER_CALL = 1.5
# Two single digits in a row are one airspeed within so much of the one before, else two last digits [kt; ours].
FAR_KT = 8.0
# So many digits in one breath are a code, a frequency or a telephone number where as airspeeds they would jump.
CODE_DIGITS = 4
# In one breath last digits fall by no more than this from one to the next, and whole numbers rise by no more [indicator's unit; ours].
FALL_IN_ONE_BREATH, RISE_IN_ONE_BREATH = 2.0, 2.0
# Numbers that a transcriber writes for tens ("fifteen" for fifty); no airspeed is that low.
TEENS = (10.0, 20.0)
# In a text, a word or two beside a call need not make a sentence of it ("nose dropped nicely").
FEW_WORDS = 2
_TOLD = frozenset((CallKind.EVENT, CallKind.COMMAND))
# Where a clause of a text ends; in how many places at most one is tried as it sounds, and how many words beside each may be
# known together with it only ("it's" in "it's braking").
_CLAUSE_ENDS = tuple(".,;:!?…")
MAX_ALIKE, MAX_OTHERS = 6, 2


@dataclass(frozen=True, slots=True)
class Parsed:
    """A call found in words. ``[start, end)`` counts the words given.

    A `shorthand` is completed when an airspeed came before it; else its `value` is the digit.
    `doubtful` marks an airspeed with talk on one side, and in a text an event or command: it may be part of a sentence.
    `in_talk` marks such a setting.
    `alike`: other words were written, which sound like it.
    """

    kind: CallKind
    name: str
    value: Value
    unit: str | None
    words: tuple[str, ...]
    start: int
    end: int
    shorthand: bool = False
    doubtful: bool = False
    in_talk: bool = False
    alike: bool = False


def parse_words(
    words: Sequence[str],
    pack: Pack,
    previous_airspeed: float | None = None,
    *,
    unit: str = "kt",
    as_written: bool = False,
) -> list[Parsed]:
    """The calls in a row of words.

    Parameters
    ----------
    words : sequence of str
        As spoken or written; case, punctuation and hyphens do not matter, numerals count as words.
    previous_airspeed : float, optional
        The airspeed called before, in `unit`; completes a last digit said alone.
    as_written : bool
        The words are somebody's text: a teen is an airspeed although none is that low, to be looked at ("15" for fifty),
        words may be written that only sound like a call ("braking"), where with them nothing but calls is in a clause, and an
        event or command within a sentence is none ("tell me when the horn goes") or doubtful ("last time the left wing went down").

    Returns
    -------
    list of Parsed
        In order; words that belong to no call are in none. Single digits in a row may each be a last digit ("58, 7, 6, 5");
        four and more that go on from nothing are no calls ("four two one seven").

    Examples
    --------
    >>> from logger_app.hear.packs_io import load_pack
    >>> said = "that's fifty eight and seven buffet".split()
    >>> [(call.name, call.value) for call in parse_words(said, load_pack("en"))]
    [('ias', 58.0), ('ias', 57.0), ('buffet', None)]
    """
    tokens, origin = tokens_of(words)
    pieces = _pieces(tokens, pack, as_written)
    found = []
    changed: set[int] = set()
    if as_written:
        tokens, origin, pieces, changed = _as_it_sounds(words, tokens, origin, pieces, pack)
    pieces = _without_codes(_digits_apart(pieces, tokens, pack, previous_airspeed), tokens, pack, previous_airspeed)
    for k, (what, start, end, call) in enumerate(pieces):
        if what != "call" or call is None:
            continue
        talk = _talk_beside(pieces, k)
        if call.kind is CallKind.AIRSPEED and (talk == 2 or (talk and call.shorthand)):
            continue
        doubtful = bool(talk) and call.kind is CallKind.AIRSPEED
        if as_written:
            clause = _clause(pieces, k, words, origin)
            if _is_talk(call, end - start, clause, k, pieces):
                continue
            spoken = sum(pieces[j][2] - pieces[j][1] for j in clause if pieces[j][0] == "talk")
            doubtful |= spoken > 0 if call.shorthand or call.kind in _TOLD else spoken >= FEW_WORDS
            doubtful |= k > 0 and _is_teen(pieces[k - 1][3])  # "twelve thirty", "nineteen eighty"
            doubtful &= call.kind is not CallKind.SETTING
        value = call.value
        if call.kind is CallKind.AIRSPEED:
            said = float(call.value) if isinstance(call.value, (int, float)) else 0.0
            value = complete_shorthand(said, previous_airspeed) if call.shorthand and previous_airspeed else said
            if not call.shorthand or previous_airspeed is not None:
                previous_airspeed = value
        alike = not changed.isdisjoint(range(start, end))
        written = tokens_of(words[origin[start] : origin[end - 1] + 1])[0] if alike else tokens[start:end]
        found.append(
            Parsed(
                call.kind,
                call.name,
                value,
                unit if call.kind is CallKind.AIRSPEED else call.unit,
                tuple(written),
                origin[start],
                origin[end - 1] + 1,
                call.shorthand,
                doubtful,
                setting_in_talk(call, tokens[start:end], talk, pack),
                alike,
            )
        )
    return found


def _ends_clause(pieces, k: int, words, origin: list[int]) -> bool:
    """Whether a mark parts a piece from the next one."""
    last = origin[pieces[k][2] - 1]
    return k + 1 == len(pieces) or (str(words[last])[-1:] in _CLAUSE_ENDS and origin[pieces[k + 1][1]] != last)


def _clause(pieces, k: int, words, origin: list[int]) -> range:
    """Indices of the pieces between the marks around piece `k`."""
    first = k
    while first and not _ends_clause(pieces, first - 1, words, origin):
        first -= 1
    last = k
    while not _ends_clause(pieces, last, words, origin):
        last += 1
    return range(first, last + 1)


def _is_teen(call: LegalCall | None) -> bool:
    return call is not None and call.kind is CallKind.AIRSPEED and not call.shorthand and call.number < TEENS[1]


def _is_talk(call: LegalCall, length: int, clause: range, k: int, pieces) -> bool:
    """Whether an event or command of a text is only a word of a sentence: talk on both sides, or more than a word or two beside one word."""
    if call.kind not in _TOLD:
        return False
    beside = []
    for step in (-1, 1):
        j = k + step
        while j in clause and pieces[j][0] == "filler":
            j += step
        count = 0
        while j in clause and pieces[j][0] == "talk":
            count, j = count + pieces[j][2] - pieces[j][1], j + step
        beside.append(count)
    few = 0 if call.kind is CallKind.COMMAND else FEW_WORDS
    return min(beside) > 0 or (length == 1 and sum(beside) > few)


def _as_it_sounds(words, tokens: list[str], origin: list[int], pieces, pack: Pack):
    """Clauses that hold nothing but calls once words are taken for what they sound like; the others as they are.

    Returns tokens, origin and pieces anew, and the indices of the tokens that were put in place of others.
    """
    clauses: list[list] = [[]]
    for k, piece in enumerate(pieces):
        clauses[-1].append(piece)
        if _ends_clause(pieces, k, words, origin):
            clauses.append([])
    made: tuple[list[str], list[int], list, set[int]] = ([], [], [], set())
    for clause in clauses:
        if not clause:
            continue
        a, b = clause[0][1], clause[-1][2]
        said, source, parts, put = tokens[a:b], origin[a:b], clause, frozenset[int]()
        if any(what == "talk" for what, *_ in clause) and (
            other := _sounding(said, source, [k - a for what, k, *_ in clause if what == "talk"], pack)
        ):
            said, source, parts, put = other
            a = 0
        shift = len(made[0]) - a
        made[3].update(len(made[0]) + k for k in put)
        made[0].extend(said)
        made[1].extend(source)
        made[2].extend((what, start + shift, end + shift, call) for what, start, end, call in parts)
    return made


def _sounding(tokens: list[str], origin: list[int], talk: list[int], pack: Pack):
    """A clause without talk, with as few words as possible taken for others; None where there is none."""
    matcher = _matcher(pack, True)
    places = [(at, written, meant) for at in range(len(tokens)) for written, meant in matcher.sounds_at(tokens, at)]
    covered = {at + k for at, written, _ in places for k in range(len(written))}
    if len(places) > MAX_ALIKE or len(set(talk) - covered) > MAX_OTHERS * len(places):
        return None
    for count in range(1, len(places) + 1):
        for chosen in itertools.combinations(places, count):
            if any(at + len(written) > then for (at, written, _), (then, _, _) in itertools.pairwise(chosen)):
                continue
            said, source, at = list[str](), list[int](), 0
            put = set[int]()
            for place, written, meant in chosen:
                said += tokens[at:place]
                source += origin[at:place]
                put.update(range(len(said), len(said) + len(meant)))
                said += meant
                at = place + len(written)
                source += [origin[place]] + [origin[at - 1]] * (len(meant) - 1)
            said += tokens[at:]
            source += origin[at:]
            pieces = _pieces(said, pack, True)
            if all(what != "talk" for what, *_ in pieces):
                return said, source, pieces, frozenset(put)
    return None


def _digits_apart(pieces, tokens: list[str], pack: Pack, previous: float | None) -> list:
    """The pieces, airspeeds made of single digits cut into last digits where only these go on from the airspeed before.

    "Fifty three two one zero" is 53, 52, 51, 50, and "fifty two one zero" no 210 after 50.
    """
    made: list = []
    for piece in pieces:
        what, start, end, call = piece
        digits = _digits_of(piece, tokens, pack)
        if len(digits) > 1 and not call.shorthand:
            before = _speed_before(made, previous)
            last = made[-1] if made and made[-1][2] == start and _is_tens(made[-1], tokens, pack) else None
            if before is not None and abs(call.value - before) > FAR_KT:
                if _only_fall(before, digits):
                    made += [_last_digit(call, tokens, start + k, digit) for k, digit in enumerate(digits)]
                    continue
                if last and digits[0] and _only_fall(before + digits[0], digits[1:]):
                    tens = replace(last[3], words=tuple(tokens[last[1] : start + 1]), value=before + digits[0])
                    made[-1] = ("call", last[1], start + 1, tens)
                    made += [_last_digit(call, tokens, start + k, digit) for k, digit in enumerate(digits) if k]
                    continue
        made.append(piece)
    return made


def _without_codes(pieces, tokens: list[str], pack: Pack, previous: float | None) -> list:
    """The pieces, with digits read out that are no airspeeds as talk: a squawk, a frequency, a telephone number."""
    made: list = []
    k = 0
    while k < len(pieces):
        row, at = [], k
        while at < len(pieces) and _digits_of(pieces[at], tokens, pack):
            row.append(pieces[at])
            at += 1
        before = _speed_before(made, previous)
        speeds = [(call.value, call.shorthand) for _, _, _, call in row]
        if row and is_code(sum(end - start for _, start, end, _ in row), speeds, before):
            made.append(("talk", row[0][1], row[-1][2], None))
        else:
            at = max(at, k + 1)
            made += pieces[k:at]
        k = at
    return made


def is_code(count: int, speeds: Sequence[tuple[float, bool]], before: float | None, least: int = CODE_DIGITS) -> bool:
    """Whether digits in one breath are no airspeeds: there are many, and as airspeeds they would jump.

    Parameters
    ----------
    count : int
        How many digits.
    speeds : sequence of (float, bool)
        What they were taken for: value, and whether it is a last digit alone.
    before : float, optional
        The airspeed before them.
    least : int
        How many digits are many.

    Examples
    --------
    >>> is_code(4, [(42.0, False), (17.0, False)], None), is_code(4, [(58.0, False), (57.0, False)], None)
    (True, False)
    >>> is_code(5, [(53.0, False), (2.0, True), (1.0, True), (0.0, True)], None), is_code(4, [(299.0, False), (2.0, True)], 53.0)
    (False, True)
    """
    if count < least:
        return False
    for k, (said, shorthand) in enumerate(speeds):
        if shorthand and (before is None or (k and speeds[0][0] >= 100)):  # "one one eight six five": a frequency
            return True
        value = complete_shorthand(said, before) if shorthand and before is not None else said
        if k or shorthand:  # the first number may begin an approach
            fall = (before or 0.0) - value
            if not (0 <= fall <= FALL_IN_ONE_BREATH if shorthand else -RISE_IN_ONE_BREATH <= fall <= FAR_KT):
                return True
        before = value
    return False


def _digits_of(piece, tokens: list[str], pack: Pack) -> list[float]:
    """The digits of an airspeed that is made of nothing else; none of any other piece."""
    what, start, end, call = piece
    if what != "call" or call.kind is not CallKind.AIRSPEED:
        return []
    digits = [digit for token in tokens[start:end] if (digit := _one_digit(token, pack)) is not None]
    return digits if len(digits) == end - start else []


def _speed_before(pieces, previous: float | None) -> float | None:
    """The airspeed that was called last, last digits completed."""
    for what, _, _, call in pieces:
        if what == "call" and call.kind is CallKind.AIRSPEED:
            if call.shorthand:
                previous = None if previous is None else complete_shorthand(call.value, previous)
            else:
                previous = call.value
    return previous


def _is_tens(piece, tokens: list[str], pack: Pack) -> bool:
    """Whether a piece is a tens word alone, to which a digit may belong."""
    what, start, end, call = piece
    speed = what == "call" and call.kind is CallKind.AIRSPEED and not call.shorthand
    return speed and end - start == 1 and call.value < 100 and call.value % 10 == 0 and tokens[start].isalpha()


def _only_fall(before: float, digits: Sequence[float]) -> bool:
    read = [before]
    for digit in digits:
        read.append(complete_shorthand(digit, read[-1]))
    return all(later <= earlier for earlier, later in itertools.pairwise(read))


def _last_digit(call: LegalCall, tokens: list[str], at: int, digit: float) -> tuple:
    return ("call", at, at + 1, replace(call, words=(tokens[at],), value=digit, shorthand=True))


def setting_in_talk(call: LegalCall, words: Sequence[str], sides: int, pack: Pack) -> bool:
    """Whether a setting is part of a sentence: talk on both sides, or on one side of a number that is not named.

    Of "sixty five percent humidity" or "he has forty five litres" nobody knows whose number it is; "power sixty five
    percent as briefed" names it. A height is no setting of a test point.

    Parameters
    ----------
    sides : int
        On how many sides there is talk: 0, 1 or 2.
    """
    if call.kind is not CallKind.SETTING or call.name == "altitude":
        return False
    return sides == 2 or (sides == 1 and _begins_with_number(words[0], pack))


def _begins_with_number(word: str, pack: Pack) -> bool:
    return word[0].isdecimal() or any(one.words[:1] == (word,) for table in pack.numbers.values() for one in table)


def _one_digit(token: str, pack: Pack) -> float | None:
    if len(token) == 1 and token.isdecimal():
        return float(token)
    return next((float(reading.value) for reading in pack.shorthands if reading.words == (token,)), None)


def complete_shorthand(digit: float, previous: float) -> float:
    """The airspeed that a last digit alone stands for, with nothing known but the call before.

    Parameters
    ----------
    digit : float
        The digit, 0 to 9.
    previous : float
        The airspeed called before, in the indicator's unit.

    Returns
    -------
    float
        Same decade, or the one under or over it where that is nearer to a falling speed.

    Examples
    --------
    >>> complete_shorthand(7, 58), complete_shorthand(9, 60)
    (57.0, 59.0)
    """
    decade = previous // 10 * 10
    near = (decade + digit + shift for shift in (0.0, -10.0, 10.0) if decade + digit + shift > 9)
    return float(min(near, key=lambda value: abs(previous - FALL_PER_CALL - value)))


def tokens_of(words: Sequence[str]) -> tuple[list[str], list[int]]:
    """Words as the pack knows them, and for each which of `words` it came from.

    Returns
    -------
    tuple of (list of str, list of int)
        Tokens in lower case, and indices into `words`, both of shape (n_tokens,).

    Examples
    --------
    >>> tokens_of(["Fifty-eight,", "2,100rpm"])
    (['fifty', 'eight', '2100', 'rpm'], [0, 0, 1, 1])
    """
    tokens, origin = [], []
    for k, word in enumerate(words):
        for token in _TOKEN.findall(unicodedata.normalize("NFC", str(word)).lower()):
            tokens.append("percent" if token == "%" else token.replace("’", "'").replace(",", ""))
            origin.append(k)
    return tokens, origin


# ---- matching ---------------------------------------------------------------------------------------


def _pieces(tokens: list[str], pack: Pack, as_written: bool = False) -> list[tuple[str, int, int, LegalCall | None]]:
    """The tokens cut up into ``call``, ``ignore``, ``filler`` and ``talk``.

    Of all ways, the one with the least talk, then the fewest calls, then the fewest pieces; of
    equals the one whose first piece is longest.
    """
    matcher = _matcher(pack, as_written)
    best: list[tuple] = [(0, 0, 0, None)] * (len(tokens) + 1)
    for at in range(len(tokens) - 1, -1, -1):
        options: list[tuple[int, int, tuple[str, int, int, LegalCall | None]]] = [(1, 0, ("talk", at, at + 1, None))]
        options += [(0, 1, ("call", at, end, call)) for end, call in matcher.calls_at(tokens, at)]
        options += [(0, 1, ("ignore", at, end, None)) for end in matcher.ignored_at(tokens, at)]
        options += [(0, 0, ("filler", at, end, None)) for end in matcher.fillers_at(tokens, at)]
        best[at] = min(
            ((best[p[2]][0] + talk, best[p[2]][1] + calls, best[p[2]][2] + 1, p) for talk, calls, p in options),
            key=lambda way: (*way[:3], -way[3][2]),
        )
    pieces, at = [], 0
    while at < len(tokens):
        pieces.append(best[at][3])
        at = pieces[-1][2]
    return pieces


def _talk_beside(pieces, k: int) -> int:
    """On how many sides, past fillers, a piece has talk or a number that is no call: 0, 1 or 2."""
    sides = 0
    for step in (-1, 1):
        j = k + step
        while 0 <= j < len(pieces) and pieces[j][0] == "filler":
            j += step
        sides += 0 <= j < len(pieces) and pieces[j][0] in ("talk", "ignore")
    return sides


class _Node(dict):
    """A branch of a word tree; `call` is what ends here."""

    __slots__ = ("call",)

    def __init__(self):
        super().__init__()
        self.call = None

    def put(self, words: Sequence[str], call) -> None:
        node = self
        for word in words:
            node = node.setdefault(word, _Node())
        if node.call is None:
            node.call = call


class _Matcher:
    """Word trees of one pack."""

    def __init__(self, pack: Pack, as_written: bool):
        self.pack = pack
        self.calls, self.fillers = _Node(), _Node()
        for call in legal_calls(pack, all_values=True):
            self.calls.put(call.words, call)
        if as_written:
            for reading in (one for table in pack.numbers.values() for one in table if len(one.words) == 1):
                if not isinstance(reading.value, str) and TEENS[0] <= reading.value < min(TEENS[1], pack.airspeed_low):
                    self.calls.put(reading.words, LegalCall(reading.words, CallKind.AIRSPEED, IAS, reading.value, None))
        for words in pack.fillers:
            self.fillers.put(words, True)
        self.numbers: dict[str, _Node] = {}
        self.written: dict[float, set[tuple[str, ...]]] = {}
        self.led_to: dict[tuple[int, float], list[_Node]] = {}
        for readings in pack.numbers.values():
            for reading in readings:
                if not isinstance(reading.value, str):
                    self.written.setdefault(reading.value, set()).add(reading.words)
        self.sounds: dict[str, list[tuple[tuple[str, ...], tuple[str, ...]]]] = {}
        for written, meant in pack.homophones:
            self.sounds.setdefault(written[0], []).append((written, meant))
        self.phrases: dict[str | None, list[tuple]] = {}
        for phrase in pack.ignored:
            first = phrase[0]
            self.phrases.setdefault(None if isinstance(first, Slot) else first, []).append(phrase)

    def calls_at(self, tokens: list[str], at: int) -> list[tuple[int, LegalCall]]:
        """Ends and meanings of the calls that start here."""
        return [(end, call) for end, call in self._walk(self.calls, tokens, at) if isinstance(call, LegalCall)]

    def sounds_at(self, tokens: list[str], at: int) -> list[tuple[tuple[str, ...], tuple[str, ...]]]:
        """What is written here and sounds like other words: (written, meant)."""
        return [one for one in self.sounds.get(tokens[at], ()) if tuple(tokens[at : at + len(one[0])]) == one[0]]

    def fillers_at(self, tokens: list[str], at: int) -> list[int]:
        """Ends of the fillers that start here."""
        return [end for end, _ in self._walk(self.fillers, tokens, at)]

    def ignored_at(self, tokens: list[str], at: int) -> list[int]:
        """Ends of the numbers that are no calls and start here."""
        phrases = [*self.phrases.get(tokens[at], ()), *self.phrases.get(None, ())]
        numbers: dict[tuple[str, int], list[int]] = {}
        return sorted({end for phrase in phrases for end in self._phrase(phrase, tokens, at, numbers)})

    def _phrase(self, phrase: tuple, tokens: list[str], at: int, numbers: dict) -> set[int]:
        """Where a phrase from here can end; `numbers` keeps the ends of each slot's numbers from each place."""
        ends = {at}
        for part in phrase:
            if isinstance(part, Slot):
                for place in ends - {place for name, place in numbers if name == part.name}:
                    numbers[part.name, place] = [end for end, _ in self._walk(self._number(part.name), tokens, place)]
                ends = {end for place in ends for end in numbers[part.name, place]}
            else:
                ends = {place + 1 for place in ends if place < len(tokens) and tokens[place] == part}
        return ends

    def _number(self, name: str) -> _Node:
        if name not in self.numbers:
            self.numbers[name] = _Node()
            for reading in self.pack.numbers[name]:
                self.numbers[name].put(reading.words, True)
        return self.numbers[name]

    def _walk(self, node: _Node, tokens: list[str], at: int, figures: int = 0) -> Iterator[tuple[int, object]]:
        if node.call is not None:
            yield at, node.call
        if at == len(tokens):
            return
        token = tokens[at]
        if token in node:
            yield from self._walk(node[token], tokens, at + 1)
        elif token[0].isdecimal() and (not figures or (figures == len(token) == 1)):
            # "58 57" is two numbers, "5 8" one that was written digit by digit
            for after in self._written(node, float(token)):
                yield from self._walk(after, tokens, at + 1, len(token))

    def _written(self, node: _Node, value: float) -> list[_Node]:
        """Where a number leads to that is written in figures; kept, for some can be said in hundreds of ways."""
        key = (id(node), value)
        if value in self.written and key not in self.led_to:
            self.led_to[key] = found = []
            for words in self.written[value]:
                after: _Node | None = node
                for word in words:
                    after = after.get(word) if after is not None else None
                if after is not None:
                    found.append(after)
        return self.led_to.get(key, [])


@lru_cache(maxsize=4)
def _matcher(pack: Pack, as_written: bool) -> _Matcher:
    return _Matcher(pack, as_written)

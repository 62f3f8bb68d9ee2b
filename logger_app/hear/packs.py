"""Spoken-language packs: what a pilot may say, and whether a pack is sound.

A pack is data (``grammar/<language>/callouts.toml``): number words and rules, airspeeds, events,
settings, commands, fillers, pronunciations. Here it is compiled into frozen records and checked.
Not for: files (`packs_io`), reading words (`parse`), sound (`decoder`).

Main names: `build_pack`, `Pack`, `LegalCall`, `legal_calls`.
"""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from typing import Any

from logger_app.errors import Fault, PackError
from logger_app.hear.phones import PHONES
from logger_app.hear.phrases import PhraseError, Slot, expand
from logger_app.hear.spelling import guess_phones
from logger_app.records.calls import CallKind

Words = tuple[str, ...]
Value = float | str | None

# The language whose spelling `hear.spelling` knows.
GUESSED_LANGUAGE = "en"
# Commands whose common words stay commands beside a team's own.
ADDED_TO = frozenset(("knock_it_off",))
IAS = "ias"
# A table that says more than this was not meant: a rule repeats itself or multiplies out of hand.
MAX_READINGS = 200_000
# No airspeed, altitude, heading or speed of an engine is beyond.
LARGEST = 1e6
FASTEST = 999


@dataclass(frozen=True, slots=True)
class Reading:
    """One way to say a number (or the text of a card's name)."""

    words: Words
    value: float | str


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """Phrases with one meaning. `value` holds for all of them unless a slot gives it.

    Values from a slot lie in ``low .. high`` on multiples of `step`; of these the sound decoder
    listens only for those up to `hear_high` that are multiples of `hear_step`, and for those in `also`, which this
    campaign plans; or for the values in `only` alone, if there are any: the settings that this aircraft has, the cards
    that this campaign has.
    """

    kind: CallKind
    name: str
    phrases: tuple[tuple[str | Slot, ...], ...]
    unit: str | None = None
    value: Value = None
    times: tuple[float, ...] = (1.0,)
    low: float = float("-inf")
    high: float = float("inf")
    step: float | None = None
    hear_high: float = float("inf")
    hear_step: float | None = None
    only: tuple[float | str, ...] = ()
    also: tuple[float, ...] = ()

    @property
    def has_slot(self) -> bool:
        """Whether its value is spoken."""
        return any(isinstance(part, Slot) for phrase in self.phrases for part in phrase)


@dataclass(frozen=True, slots=True)
class LegalCall:
    """One thing that may be said. `shorthand` marks a last digit alone: its `value` is the digit."""

    words: Words
    kind: CallKind
    name: str
    value: Value
    unit: str | None
    shorthand: bool = False

    @property
    def number(self) -> float:
        """The value of a call that is a number."""
        if not isinstance(self.value, int | float):
            raise TypeError(f"{self.name} {self.value!r} is not a number")
        return float(self.value)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pack:
    """A compiled, checked pack. Two packs are equal only if they are the same object.

    `fillers` are word tuples that may stand around a call; `ignored` are phrases with numbers that
    are no calls. `sounds` maps each word that a call or filler uses to its pronunciations; `guessed`
    are words of the team that are in no dictionary, with the sound that was guessed for them. `homophones`: what a
    transcriber writes, and the pack's words that sound so; for texts only.
    """

    name: str
    language: str
    version: str
    title: str = ""
    airspeed_low: float = 20.0
    airspeed_high: float = 299.0
    airspeeds: tuple[Reading, ...] = ()
    shorthands: tuple[Reading, ...] = ()
    items: tuple[Item, ...] = ()
    numbers: Mapping[str, tuple[Reading, ...]] = field(default_factory=dict)
    fillers: tuple[Words, ...] = ()
    ignored: tuple[tuple[str | Slot, ...], ...] = ()
    sounds: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    guessed: tuple[tuple[str, str], ...] = ()
    homophones: tuple[tuple[Words, Words], ...] = ()

    @property
    def id(self) -> str:
        """Name and version, as kept with every call."""
        return f"{self.name}/{self.version}"

    def pronunciations(self, word: str) -> tuple[str, ...]:
        """How a word sounds.

        Parameters
        ----------
        word : str
            A word of the pack, in lower case.

        Returns
        -------
        tuple of str
            ARPAbet phones without stress, separated by spaces, likeliest first.

        Raises
        ------
        PackError
            The pack does not have the word.
        """
        try:
            return self.sounds[word]
        except KeyError:
            raise PackError(f"pack {self.name}: {word!r} is not among its words", word=word) from None

    def names(self, kind: CallKind) -> tuple[str, ...]:
        """Names of all items of a kind, each once, in the pack's order."""
        return tuple(dict.fromkeys(item.name for item in self.items if item.kind is kind))


def legal_calls(
    pack: Pack, low: float | None = None, high: float | None = None, unit: str = "kt", *, all_values: bool = False
) -> Iterator[LegalCall]:
    """Everything that may be said.

    Parameters
    ----------
    low, high : float, optional
        Lowest and highest airspeed that can occur, in `unit`; the pack's own without them.
    all_values : bool
        Every value that a setting may have, not only those the sound decoder listens for.

    Yields
    ------
    LegalCall
        Each wording once. Airspeeds in every style, single last digits, events, settings, commands.
    """
    low = pack.airspeed_low if low is None else low
    high = pack.airspeed_high if high is None else high
    seen: set[Words] = set()
    for call in itertools.chain(_airspeed_calls(pack, low, high, unit), _item_calls(pack, all_values)):
        if call.words not in seen:
            seen.add(call.words)
            yield call


def _airspeed_calls(pack: Pack, low: float, high: float, unit: str) -> Iterator[LegalCall]:
    for reading in pack.airspeeds:
        if not isinstance(reading.value, str) and low <= reading.value <= high:
            yield LegalCall(reading.words, CallKind.AIRSPEED, IAS, reading.value, unit)
    for reading in pack.shorthands:
        yield LegalCall(reading.words, CallKind.AIRSPEED, IAS, reading.value, unit, shorthand=True)


def _item_calls(pack: Pack, all_values: bool) -> Iterator[LegalCall]:
    for item in pack.items:
        has_slot = item.has_slot
        for reading in _readings(item.phrases, item.times, pack.numbers, 0.0):
            if not has_slot:
                yield LegalCall(reading.words, item.kind, item.name, item.value, item.unit)
            elif _allowed(item, reading.value, all_values):
                yield LegalCall(reading.words, item.kind, item.name, reading.value, item.unit)


def _allowed(item: Item, value: float | str, all_values: bool) -> bool:
    if isinstance(value, str):
        return all_values or not item.only or value in item.only
    if not item.low <= value <= item.high or not _on_step(value, item.step):
        return False
    if all_values:
        return True
    if item.only:
        return value in item.only
    return value in item.also or (value <= item.hear_high and _on_step(value, item.hear_step))


def _on_step(value: float, step: float | None) -> bool:
    return step is None or abs(value / step - round(value / step)) < 1e-6


# ---- compiling ------------------------------------------------------------------------------------


def build_pack(
    document: Mapping,
    lookup: Callable[[str], tuple[str, ...]],
    *,
    where: str,
    team: Iterable[tuple[str, Iterable[str]]] = (),
    team_where: str = "campaign, team.words",
) -> Pack:
    """Compile and check a pack.

    Parameters
    ----------
    lookup : callable
        A word to its pronunciations, from the pack's dictionary; empty when it has none.
    team : iterable of (str, iterable of str)
        A team's own words: name of an event, setting or command, and its phrases. They replace the
        pack's phrases for that name, but are added to those of `ADDED_TO`. A word may carry its sound: ``kia/K IY AH/``.
    team_where : str
        Where the team's words are, for messages.

    Raises
    ------
    PackError
        With every fault found.
    """
    builder = _Builder(where)
    pack = builder.build(document)
    items, team_sounds = builder.with_team(pack.items, team, team_where)
    pack = replace(pack, items=items)
    builder.check_meanings(pack, team_where)
    sounds = builder.sounds(pack, document, lookup, team_sounds)
    if builder.faults:
        raise PackError(faults=tuple(builder.faults))
    return replace(pack, sounds=sounds, guessed=tuple(builder.guessed))


class _Builder:
    """Collects every fault instead of stopping at the first."""

    def __init__(self, where: str):
        self.where = where
        self.faults: list[Fault] = []
        self.joined: dict[str, tuple[Words, ...]] = {}
        self.team_words: set[str] = set()
        self.guessed: list[tuple[str, str]] = []
        self.read = 0  # readings by rules so far
        self.parts: dict[str, str] = {}

    def fault(self, place: str, got: object, expected: str, hint: str = "") -> None:
        self.faults.append(Fault(where=f"{self.where}, {place}", got=str(got), expected=expected, hint=hint))

    def build(self, document: Mapping) -> Pack:
        self._unknown_keys(
            "file", document, "pack number parts airspeed event setting command fillers ignore pronounce homophones"
        )
        head = self._table(document, "pack")
        self._unknown_keys("pack", head, "name language title version author dictionary note")
        for key in ("name", "language", "version"):
            if not isinstance(head.get(key), str) or not head.get(key):
                self.fault(f"pack.{key}", repr(head.get(key)), "a text that is not empty")
        self.parts = {str(name): str(part) for name, part in self._table(document, "parts").items()}
        numbers = self.numbers = self._numbers(self._table(document, "number"))
        speeds = self._table(document, "airspeed")
        self._unknown_keys("airspeed", speeds, "low high say shorthand")
        low, high = (
            self._number("airspeed.low", speeds.get("low", 20)),
            self._number("airspeed.high", speeds.get("high", 299)),
        )
        if not 0 <= low < high <= FASTEST:
            self.fault("airspeed", f"low {low:g}, high {high:g}", f"low below high, from 0 to {FASTEST}")
            low, high = 0.0, 0.0
        return Pack(
            name=str(head.get("name", "?")),
            language=str(head.get("language", "?")),
            version=str(head.get("version", "?")),
            title=str(head.get("title", "")),
            airspeed_low=low,
            airspeed_high=high,
            airspeeds=self._airspeeds(speeds, numbers, low, high),
            shorthands=self._shorthands(speeds, numbers),
            items=tuple(self._items(document, numbers)),
            numbers=numbers,
            fillers=self._plain(document, "fillers", {}),
            ignored=self._plain(document, "ignore", numbers),
            homophones=tuple(self._homophones(self._table(document, "homophones"), numbers)),
        )

    # numbers

    def _numbers(self, tables: Mapping) -> dict[str, tuple[Reading, ...]]:
        made: dict[str, tuple[Reading, ...]] = {}
        for name in tables:
            self._number_table(name, tables, made, ())
        return made

    def _number_table(self, name: str, tables: Mapping, made: dict, inside: tuple[str, ...]) -> tuple[Reading, ...]:
        if name in made:
            return made[name]
        place = f"number.{name}"
        if name in inside:
            self.fault(place, " -> ".join((*inside, name)), "rules that do not refer to themselves")
            return ()
        if name not in tables or not isinstance(tables[name], Mapping):
            near = get_close_matches(name, tables, 1)
            hint = f"Did you mean <{near[0]}>?" if near else ""
            self.fault(f"number.{inside[-1]}" if inside else place, f"<{name}>", "a number table of this pack", hint)
            return ()
        table = tables[name]
        self._unknown_keys(place, table, "words rules")
        readings = [*self._atoms(place, self._table(table, "words", place))]
        for k, rule in enumerate(self._list(f"{place}, rules", table.get("rules", [])), 1):
            if self.read > MAX_READINGS:
                self.fault(
                    place, f"rules that come to {self.read} readings so far", f"at most {MAX_READINGS} in a pack"
                )
                break
            found = self._rule(f"{place}, rule {k}", rule, tables, made, (*inside, name))
            self.read += len(found)
            readings += found
        if not readings:
            self.fault(place, "nothing", "`words` or `rules`")
        unique = tuple({reading.words: reading for reading in reversed(readings)}.values())[::-1]
        if len(unique) > MAX_READINGS:
            self.fault(place, f"{len(unique)} readings", f"at most {MAX_READINGS}")
            unique = unique[:1]
        made[name] = unique
        return unique

    def _atoms(self, place: str, words: Mapping) -> Iterator[Reading]:
        for word, value in words.items():
            if not isinstance(value, str) and not _is_number(value):
                self.fault(f"{place}, {word}", repr(value), "a number, or a text for a card's letter")
                continue
            yield Reading(tuple(str(word).lower().split()), value if isinstance(value, str) else float(value))

    def _rule(self, place: str, rule, tables: Mapping, made: dict, inside: tuple[str, ...]) -> list[Reading]:
        if not isinstance(rule, Mapping) or "say" not in rule:
            self.fault(place, repr(rule), '{ say = "..." }')
            return []
        self._unknown_keys(place, rule, "say times add join")
        phrases = self._phrases(place, [rule["say"]])
        for slot in {part.name for phrase in phrases for part in phrase if isinstance(part, Slot)}:
            self._number_table(slot, tables, made, inside)
        times = self._times(place, rule.get("times", ()))
        add = self._number(f"{place}, add", rule.get("add", 0))
        found = list(itertools.islice(_readings(phrases, times, made, add), MAX_READINGS + 1))
        return [self._join(reading) for reading in found] if rule.get("join") else found

    def _join(self, reading: Reading) -> Reading:
        word = "".join(reading.words)
        parts = tuple(part for piece in reading.words for part in self.joined.get(piece, ((piece,),))[0])
        self.joined[word] = (parts,)
        return Reading((word,), reading.value)

    # airspeeds and items

    def _airspeeds(self, speeds: Mapping, numbers: Mapping, low: float, high: float) -> tuple[Reading, ...]:
        phrases = self._few("airspeed.say", self._phrases("airspeed.say", speeds.get("say", ()), numbers), numbers)
        readings = [
            r
            for r in _readings(phrases, (1.0,), numbers, 0.0)
            if not isinstance(r.value, str) and low <= r.value <= high
        ]
        missing = sorted(set(range(round(low), round(high) + 1)) - {r.value for r in readings})
        if missing:
            shown = ", ".join(map(str, missing[:5])) + (" ..." if len(missing) > 5 else "")
            self.fault("airspeed", f"no way to say {shown}", "every whole number from low to high")
        return tuple({reading.words: reading for reading in reversed(readings)}.values())[::-1]

    def _shorthands(self, speeds: Mapping, numbers: Mapping) -> tuple[Reading, ...]:
        name = speeds.get("shorthand")
        if not name:
            return ()
        if not isinstance(name, str) or name not in numbers:
            self.fault("airspeed.shorthand", repr(name), "a number table of this pack")
            return ()
        return tuple(r for r in numbers[name] if not isinstance(r.value, str) and 0 <= r.value <= 9)

    def _items(self, document: Mapping, numbers: Mapping) -> Iterator[Item]:
        for kind in (CallKind.EVENT, CallKind.SETTING, CallKind.COMMAND):
            rows = document.get(str(kind), [])
            if not isinstance(rows, list):
                self.fault(str(kind), type(rows).__name__, f"a list of tables, [[{kind}]]")
                continue
            for k, row in enumerate(rows, 1):
                if item := self._item(kind, k, row, numbers):
                    yield item

    def _item(self, kind: CallKind, k: int, row: Mapping, numbers: Mapping) -> Item | None:
        if not isinstance(row, Mapping):
            self.fault(f"{kind} {k}", repr(row), f"a table, [[{kind}]]")
            return None
        name = row.get("name")
        place = f"{kind} {k} ({name})"
        self._unknown_keys(place, row, "name unit value times say low high step hear_high hear_step")
        if not isinstance(name, str) or not re.fullmatch(r"[a-z][a-z0-9_]*", name):
            self.fault(place, repr(name), "a name in lower case, words joined by _")
            return None
        value = row.get("value")
        if not isinstance(value, (str, type(None))) and not _is_number(value):
            self.fault(f"{place}, value", repr(value), "a number or a text")
            return None
        if not isinstance(row.get("unit"), (str, type(None))):
            self.fault(f"{place}, unit", repr(row["unit"]), "a text")
            return None
        bounds: dict[str, Any] = {
            key: self._number(f"{place}, {key}", row[key])
            for key in ("low", "high", "step", "hear_high", "hear_step")
            if key in row
        }
        for key in ("step", "hear_step"):
            if bounds.get(key, 1.0) <= 0:
                self.fault(f"{place}, {key}", f"{bounds[key]:g}", "more than 0")
                bounds[key] = 1.0
        phrases = self._phrases(f"{place}, say", row.get("say", ()), numbers)
        item = Item(
            kind=kind,
            name=name,
            unit=row.get("unit"),
            value=float(value) if isinstance(value, int) else value,
            times=self._times(place, row.get("times", ())),
            phrases=self._few(f"{place}, say", phrases, numbers),
            **bounds,
        )
        if not item.phrases:
            self.fault(f"{place}, say", "nothing", "at least one phrase")
        if item.has_slot and value is not None:
            self.fault(place, f"value {value!r} and a <slot>", "one or the other")
        return item

    def _plain(self, document: Mapping, key: str, numbers: Mapping) -> tuple:
        table = self._table(document, key)
        self._unknown_keys(key, table, "say")
        return self._phrases(f"{key}.say", table.get("say", ()), numbers)

    def _homophones(self, table: Mapping, numbers: Mapping) -> Iterator[tuple[Words, Words]]:
        """What is written and what is meant; a slot stands for the same number on both sides, in words or figures."""
        for written, meant in table.items():
            if not isinstance(meant, str):
                self.fault(f"homophones, {written}", repr(meant), "what was said, as a text")
                continue
            sides = self._phrases(f"homophones, {written}", [written, meant], numbers)
            slots = [[part for part in side if isinstance(part, Slot)] for side in sides]
            if len(sides) != 2 or slots[0] != slots[1] or len(slots[0]) > 1:
                self.fault(f"homophones, {written}", repr(meant), "one wording each, with the same <slot> or none")
                continue
            if not slots[0]:
                yield tuple(map(str, sides[0])), tuple(map(str, sides[1]))
            for reading in numbers.get(slots[0][0].name, ()) if slots[0] else ():
                for number in (reading.words, (f"{reading.value:g}",)):
                    yield _filled(sides[0], number), _filled(sides[1], reading.words)

    def with_team(self, items, team, where: str) -> tuple[tuple[Item, ...], dict[str, tuple[str, ...]]]:
        """Items with a team's phrases in place of the pack's, and the sounds given with them.

        What stops everything is added to: in a fright people say what everybody says.
        """
        sounds: dict[str, list[str]] = {}
        theirs: dict[str, tuple] = {}
        for name, phrases in team:
            mine = [item for item in items if item.name == name]
            if not mine:
                near = get_close_matches(name, sorted({item.name for item in items}), 1)
                hint = (
                    f"Did you mean {near[0]}?"
                    if near
                    else "Names are in the pack: " + ", ".join(sorted({i.name for i in items}))
                )
                self.faults.append(
                    Fault(where=f"{where}, {name}", got=repr(name), expected=f"a call of pack {self.where}", hint=hint)
                )
                continue
            clean = []
            for phrase in phrases:
                # Phones are written in capitals; a campaign's phrases arrive in small letters.
                for word, phones in re.findall(r"(?<![^\s()\[\]|/])([^\s()\[\]|/]+)/([^/]*)/", phrase):
                    sounds.setdefault(word.lower(), []).append(phones.strip().upper())
                clean.append(re.sub(r"/[^/]*/", "", phrase).replace("’", "'"))
            made = self._few(name, self._phrases(name, clean, where=where), self.numbers)
            slotted = any(isinstance(part, Slot) for phrase in made for part in phrase)
            target = next((item for item in mine if item.has_slot == slotted), None)
            if target is None or not made:
                self.faults.append(
                    Fault(
                        where=f"{where}, {name}",
                        got=repr(list(phrases)),
                        expected="phrases with the same <slots> as the pack's",
                    )
                )
                continue
            self.team_words |= {part for phrase in made for part in phrase if not isinstance(part, Slot)}
            keep = [i for i in items if i.name != name or (len(mine) > 1 and i is not target)]
            theirs[name] = made
            if name in ADDED_TO:
                made = (*made, *(phrase for phrase in target.phrases if phrase not in made))
            items = (replace(target, phrases=made), *keep)
        taken = {phrase: name for name, made in theirs.items() for phrase in made}
        items = tuple(
            replace(i, phrases=tuple(p for p in i.phrases if taken.get(p, i.name) == i.name))
            if i.name in ADDED_TO and i.name in theirs
            else i
            for i in items
        )
        return items, {word: tuple(dict.fromkeys(given)) for word, given in sounds.items()}

    # checks

    def check_meanings(self, pack: Pack, team_where: str) -> None:
        """The same words must not mean two things."""
        meaning: dict[Words, LegalCall] = {}
        speeds = _airspeed_calls(pack, pack.airspeed_low, pack.airspeed_high, "kt")
        named = set()
        for call in itertools.chain(speeds, _item_calls(pack, True)):
            other = meaning.setdefault(call.words, call)
            pair = (other.kind, other.name, call.kind, call.name)
            if (other.name, other.value) != (call.name, call.value) and pair not in named:
                named.add(pair)
                self.fault(
                    f"{call.kind} {call.name}",
                    f"{' '.join(call.words)!r}, which also means {other.kind} {other.name}",
                    "words with one meaning",
                    f"Change it here or in {team_where}.",
                )

    def sounds(self, pack: Pack, document: Mapping, lookup, team: Mapping) -> dict[str, tuple[str, ...]]:
        """Pronunciations of every word that can be heard; a fault for each that has none."""
        own = {}
        for word, given in self._table(document, "pronounce").items():
            ways = [given] if isinstance(given, str) else given
            if not isinstance(ways, list) or not all(isinstance(phones, str) for phones in ways):
                self.fault(f"pronounce, {word}", repr(given), "phones as a text, or a list of such")
                continue
            own[str(word).lower()] = tuple(ways)
        own |= {word.replace("’", "'"): given for word, given in team.items()}
        for word, given in own.items():
            for phones in given:
                wrong = sorted(set(phones.split()).difference(PHONES))
                if wrong or not phones.split():
                    self.fault(
                        f"pronounce, {word}", ", ".join(wrong) or "nothing", f"phones out of {' '.join(sorted(PHONES))}"
                    )
        needed = {word for call in legal_calls(pack) for word in call.words}
        needed |= {word for words in pack.fillers for word in words}
        for phrase in pack.ignored:
            if not any(isinstance(part, Slot) for part in phrase):
                needed |= {str(word) for word in phrase}
        for written, meant in () if self.team_words else pack.homophones:  # a team's words may leave some without use
            if strange := sorted(set(meant) - needed):
                self.fault(f"homophones, {' '.join(written)}", ", ".join(strange), "words that the pack's phrases use")
        found: dict[str, tuple[str, ...]] = {}
        silent = []
        for word in sorted(needed):
            said = own.get(word) or lookup(word) or self._joined_sounds(word, own, lookup)
            if not said and word in self.team_words and pack.language == GUESSED_LANGUAGE:
                said = guess_phones(word, lambda part: own.get(part) or lookup(part))
                self.guessed += [(word, said[0])] if said else []
            if said:
                found[word] = tuple(dict.fromkeys(said))
            else:
                silent.append(word)
        if silent:
            self.fault(
                "words",
                f"no pronunciation for {', '.join(silent[:12])}{' ...' if len(silent) > 12 else ''}",
                "each word in the dictionary or given",
                'Add it under [pronounce] in the pack (kia = "K IY AH"), or in the campaign within its phrase ("kia/K IY AH/").',
            )
        return found

    def _joined_sounds(self, word: str, own: Mapping, lookup) -> tuple[str, ...]:
        if word not in self.joined:
            return ()
        parts = [own.get(part) or lookup(part) for part in self.joined[word][0]]
        return tuple(" ".join(one) for one in itertools.islice(itertools.product(*parts), 8)) if all(parts) else ()

    # small readers

    def _phrases(self, place: str, say, numbers: Mapping | None = None, *, where: str = "") -> tuple:
        if not isinstance(say, (list, tuple)):
            self.fault(place, repr(say), "a list of phrases")
            return ()
        made = []
        for phrase in say:
            try:
                made += expand(phrase, self.parts)
            except PhraseError as err:
                self.faults.append(Fault(where=f"{where or self.where}, {place}", got=repr(phrase), expected=str(err)))
        known = numbers or {}
        for slot in {part.name for phrase in made for part in phrase if isinstance(part, Slot)} if known else ():
            if slot not in known:
                near = get_close_matches(slot, known, 1)
                self.fault(
                    place, f"<{slot}>", "a number table of this pack", f"Did you mean <{near[0]}>?" if near else ""
                )
        return tuple(dict.fromkeys(made))

    def _few(self, place: str, phrases: tuple, numbers: Mapping) -> tuple:
        """The phrases, unless with what their slots can be there are too many to look at each."""
        total = sum(
            math.prod(len(numbers.get(p.name, ())) for p in phrase if isinstance(p, Slot)) for phrase in phrases
        )
        if total > MAX_READINGS:
            self.fault(place, f"phrases that come to {total:.3g} readings", f"at most {MAX_READINGS}")
            return ()
        return phrases

    def _list(self, place: str, value) -> list | tuple:
        if isinstance(value, (list, tuple)):
            return value
        self.fault(place, repr(value), "a list")
        return ()

    def _times(self, place: str, times) -> tuple[float, ...]:
        return tuple(self._number(f"{place}, times", one) for one in self._list(f"{place}, times", times)) or (1.0,)

    def _number(self, place: str, value) -> float:
        if not _is_number(value):
            self.fault(place, repr(value), f"a number, at most {LARGEST:g}")
            return 0.0
        return float(value)

    def _table(self, document: Mapping, key: str, place: str = "") -> Mapping:
        table = document.get(key, {})
        if isinstance(table, Mapping):
            return table
        self.fault(f"{place}, {key}" if place else key, type(table).__name__, f"a table, [{key}]")
        return {}

    def _unknown_keys(self, place: str, table: Mapping, known: str) -> None:
        if not isinstance(table, Mapping):
            self.fault(place, type(table).__name__, "a table")
            return
        for key in table:
            if key not in known.split():
                near = get_close_matches(str(key), known.split(), 1)
                self.fault(place, f"key {key!r}", f"one of {known}", f"Did you mean {near[0]}?" if near else "")


def _filled(phrase: tuple[str | Slot, ...], number: Words) -> Words:
    return tuple(word for part in phrase for word in (number if isinstance(part, Slot) else (part,)))


def _is_number(value) -> bool:
    """A number that something in a cockpit can have; not NaN, not a truth value."""
    return isinstance(value, (int, float)) and not isinstance(value, bool) and -LARGEST <= value <= LARGEST


def _readings(phrases, times: tuple[float, ...], numbers: Mapping, add: float) -> Iterator[Reading]:
    """Every wording of the phrases with its value: the sum of slots times factors, or texts joined."""
    for phrase in phrases:
        slots = [part for part in phrase if isinstance(part, Slot)]
        factors = times if len(times) >= len(slots) else times + (1.0,) * (len(slots) - len(times))
        for filled in itertools.product(*(numbers.get(slot.name, ()) for slot in slots)):
            rest = iter(filled)
            words = tuple(w for part in phrase for w in (next(rest).words if isinstance(part, Slot) else (part,)))
            if any(isinstance(one.value, str) for one in filled):
                text = "".join(one.value if isinstance(one.value, str) else f"{one.value:g}" for one in filled)
                yield Reading(words, text)
            else:
                value = add + sum(one.value * factor for one, factor in zip(filled, factors))
                yield Reading(words, round(value, 6))

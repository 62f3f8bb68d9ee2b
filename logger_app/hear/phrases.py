"""The notation of phrases in a pack: ``<name>`` a slot, ``(a|b)`` a choice, ``[x]`` may be left out, ``{name}`` a part.

Main name: `expand`.
"""

from __future__ import annotations

import itertools
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

# A phrase with more wordings than this was not meant.
MAX_WORDINGS = 2_000
LONGEST_PHRASE, DEEPEST = 400, 12
_TOKEN = re.compile(r"\s*([()\[\]|]|<[a-z0-9_]+>|[^\s()\[\]|<>]+)")


@dataclass(frozen=True, slots=True)
class Slot:
    """A place in a phrase for a number."""

    name: str


class PhraseError(ValueError):
    """Says what would be right."""


def expand(phrase: str, parts: Mapping[str, str] = MappingProxyType({})) -> list[tuple[str | Slot, ...]]:
    """Every wording of a phrase, the fullest first.

    Parameters
    ----------
    phrase : str
        In the notation above; case does not matter.
    parts : mapping
        What ``{name}`` stands for: itself in the notation, without further parts.

    Raises
    ------
    PhraseError
        Brackets that do not match, or nothing in it.

    Examples
    --------
    >>> expand("(flap|flaps) <degrees> [degrees]")[1]
    ('flap', Slot(name='degrees'))
    """
    if not isinstance(phrase, str):
        raise PhraseError("a phrase in quotes")
    for name in re.findall(r"\{(\w+)\}", phrase):
        if name not in parts:
            raise PhraseError(f"a part from [parts]: {name!r} is not there")
        phrase = phrase.replace("{" + name + "}", parts[name])
    if len(phrase) > LONGEST_PHRASE:
        raise PhraseError(f"at most {LONGEST_PHRASE} characters")
    tokens = _tokens(unicodedata.normalize("NFC", phrase).lower())
    depths = itertools.accumulate((token in "([") - (token in ")]") for token in tokens)
    if max(depths, default=0) > DEEPEST:
        raise PhraseError(f"brackets at most {DEEPEST} deep")
    wordings, rest = _choice(tokens)
    if rest:
        raise PhraseError(f"brackets that match: {rest[0]!r} closes nothing")
    if not any(wordings):
        raise PhraseError("a phrase with at least one word")
    return [wording for wording in dict.fromkeys(wordings) if wording]


def _tokens(phrase: str) -> list[str]:
    tokens, at = [], 0
    phrase = phrase.rstrip()
    while at < len(phrase):
        match = _TOKEN.match(phrase, at)
        if not match:
            raise PhraseError(f"words, <name>, (a|b), [x]; not {phrase[at:].strip()[:12]!r}")
        tokens.append(match.group(1))
        at = match.end()
    return tokens


def _choice(tokens: list[str]) -> tuple[list[tuple], list[str]]:
    wordings, tokens = _sequence(tokens)
    while tokens and tokens[0] == "|":
        more, tokens = _sequence(tokens[1:])
        wordings = wordings + more
    return wordings, tokens


def _sequence(tokens: list[str]) -> tuple[list[tuple], list[str]]:
    made: list[tuple] = [()]
    while tokens and tokens[0] not in "|)]":
        head, tokens = tokens[0], tokens[1:]
        if head in "([":
            inner, tokens = _choice(tokens)
            closing = ")" if head == "(" else "]"
            if not tokens or tokens[0] != closing:
                raise PhraseError(f"brackets that match: {closing!r} is missing")
            tokens = tokens[1:]
            parts = inner if head == "(" else [*inner, ()]
        else:
            parts = [(Slot(head[1:-1]),)] if head.startswith("<") else [(head,)]
        made = [left + right for left in made for right in parts]
        if len(made) > MAX_WORDINGS:
            raise PhraseError(f"at most {MAX_WORDINGS} wordings of one phrase")
    return made, tokens

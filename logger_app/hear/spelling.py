"""How an English word probably sounds that no dictionary has: from its parts, else from its letters. Pure.

For a team's own words, so that one that is in no dictionary is heard and not refused. A guess: who gives the sound in
the campaign (``kia/K IY AH/``) is believed first. Main name: `guess_phones`.
"""

from __future__ import annotations

from collections.abc import Callable

# Endings and what they add, after a voiceless sound, after a hissing one, after any other.
_ENDINGS = {"'s": ("S", "IH Z", "Z"), "s": ("S", "IH Z", "Z"), "'d": ("T", "D", "D"), "'ll": ("AH L",) * 3}
_ENDINGS |= {"'re": ("ER",) * 3, "'ve": ("V",) * 3, "ing": ("IH NG",) * 3, "er": ("ER",) * 3, "ed": ("T", "D", "D")}
_VOICELESS = frozenset({"P", "T", "K", "F", "TH"})
_HISSING = frozenset({"S", "Z", "SH", "ZH", "CH", "JH"})
# Groups of letters first, then letters; enough to be near, not to be right.
_LETTERS = {
    "tion": "SH AH N",
    "igh": "AY",
    "sch": "SH",
    "ch": "CH",
    "sh": "SH",
    "th": "TH",
    "ph": "F",
    "ck": "K",
    "qu": "K W",
    "ng": "NG",
    "wh": "W",
    "ee": "IY",
    "ea": "IY",
    "oo": "UW",
    "ou": "AW",
    "ow": "OW",
    "ai": "EY",
    "ay": "EY",
    "oy": "OY",
    "oi": "OY",
    "au": "AO",
    "ar": "AA R",
    "er": "ER",
    "ir": "ER",
    "or": "AO R",
    "ur": "ER",
    "a": "AE",
    "b": "B",
    "c": "K",
    "d": "D",
    "e": "EH",
    "f": "F",
    "g": "G",
    "h": "HH",
    "i": "IH",
    "j": "JH",
    "k": "K",
    "l": "L",
    "m": "M",
    "n": "N",
    "o": "AA",
    "p": "P",
    "q": "K",
    "r": "R",
    "s": "S",
    "t": "T",
    "u": "AH",
    "v": "V",
    "w": "W",
    "x": "K S",
    "y": "IY",
    "z": "Z",
}
LONGEST_GROUP = 4


def guess_phones(word: str, lookup: Callable[[str], tuple[str, ...]]) -> tuple[str, ...]:
    """The likely pronunciations of a word.

    Parameters
    ----------
    lookup : callable
        A word to its pronunciations in a dictionary; empty when it has none.

    Returns
    -------
    tuple of str
        Phones separated by spaces; empty for what has no letters of the English alphabet.

    Examples
    --------
    >>> guess_phones("stick's", {"stick": ("S T IH K",)}.get)
    ('S T IH K S',)
    >>> guess_phones("tailbone", lambda part: {"tail": ("T EY L",), "bone": ("B OW N",)}.get(part, ()))
    ('T EY L B OW N',)
    >>> guess_phones("zog", lambda part: ())
    ('Z AA G',)
    """
    for ending, ways in _ENDINGS.items():
        stem = word[: -len(ending)]
        known = lookup(stem) if word.endswith(ending) and len(stem) > 1 else ()
        if known:
            return tuple(f"{phones} {_ending(phones, ways)}" for phones in known)
    for k in range(3, len(word) - 2):
        left, right = lookup(word[:k]), lookup(word[k:])
        if left and right:
            return (f"{left[0]} {right[0]}",)
    return _by_letters(word)


def _ending(phones: str, ways: tuple[str, ...]) -> str:
    last = phones.split()[-1]
    return ways[0 if last in _VOICELESS else 1 if last in _HISSING else 2]


def _by_letters(word: str) -> tuple[str, ...]:
    found, at, letters = [], 0, word.replace("'", "")
    while at < len(letters):
        if at and letters[at] == letters[at - 1]:  # a letter doubled sounds once
            at += 1
            continue
        group = next(
            (letters[at : at + n] for n in range(LONGEST_GROUP, 0, -1) if letters[at : at + n] in _LETTERS), ""
        )
        if not group:
            return ()
        found.append(_LETTERS[group])
        at += len(group)
    if len(found) > 2 and letters.endswith("e") and not letters.endswith("ee"):
        found.pop()  # the e at the end is silent
    return (" ".join(found),)

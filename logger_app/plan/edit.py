"""Changes to the text of a campaign file that keep its comments, order and units.

Pure: text in, text out, through tomlkit. A place is a path of names and ids, such as
``("card", "A", "point", "A2")``. Main names: `set_value`, `values_at`, `add_row`, `remove_row`, `rename`.
"""

from __future__ import annotations

import itertools
import re
import tomllib
from collections.abc import Sequence
from functools import cache, lru_cache

import tomlkit
from tomlkit.items import Table

from logger_app.errors import CardError, Fault
from logger_app.plan.keys import CHANGE, CHANGE_FIELDS, DEVICE_ROW, FLAP_LIMIT, POINT, ROWS, STATION, TABLES, twins

Place = tuple[str, ...]
_HEADING = re.compile(r"\[\[?[\w.\"-]+\]\]?\s*(#.*)?$")
# How rows are told apart, where it is not by `id`.
_NAMED_BY = {"change": "item", "station": "name", "flap_limit": "flap_deg", "calibration": "flap_deg"}
# Rows that have no name: told apart by their number, from 1.
_NUMBERED = frozenset({"row"})
# (table, key) that hold ids of (what), for renaming.
_REFERENCES = {
    "configuration": (
        ("configuration", "parent"),
        ("flight", "configuration"),
        ("comparison", "reference"),
        ("comparison", "changed"),
    ),
    "card": (("flight", "cards"),),
}


def set_value(text: str, place: Place, key: str, value, spelt: str = "") -> str:
    """Set one key, or take it away.

    Parameters
    ----------
    place : tuple of str
        Table and ids, as ``("team",)`` or ``("card", "A", "point", "A2")``.
    value : text, number, bool, list or None
        In the key's own unit; None removes the key. If the file gives it in another unit, it is
        written in that one.
    spelt : str
        How to spell the key, and with it the unit, where the file has none yet.

    Raises
    ------
    CardError
        There is no such place.

    Examples
    --------
    >>> set_value("[team]  # briefed\\nfloor_ft = 3000 # hard\\n", ("team",), "floor_ft", 3500)
    '[team]  # briefed\\nfloor_ft = 3500 # hard\\n'
    """
    document = tomlkit.parse(text)
    table = _find(document, place)
    every = {key: 1.0, **twins(key)}
    spelt = next((name for name in every if name in table), spelt or key)
    factor = every[spelt]
    if value is None:
        table.pop(spelt, None)
    else:
        if spelt != key and isinstance(value, (int, float)):
            value = float(f"{value / factor:.6g}")
        _put(table, spelt, _plain(value))
    return tomlkit.dumps(document)


def set_words(text: str, name: str, phrases: Sequence[str]) -> str:
    """Set what the team says for a call, in ``[team.words]``.

    Examples
    --------
    >>> print(set_words("[team]\\nfloor_ft = 3000\\n", "break", ["break", "there she goes"]))
    [team]
    floor_ft = 3000
    <BLANKLINE>
    [team.words]
    break = ["break", "there she goes"]
    <BLANKLINE>
    """
    document = tomlkit.parse(text)
    team = document.setdefault("team", tomlkit.table())
    if "words" not in team:
        team.add("words", tomlkit.table())
    team["words"][name] = list(phrases)
    return tomlkit.dumps(document)


def values_at(text: str, place: Place) -> dict:
    """The values of one place as the file gives them.

    Returns
    -------
    dict
        Values by the keys' own names, in their own units; rows inside the place are left out.

    Raises
    ------
    CardError
        There is no such place.
    """
    values = {}
    for name, given in _find(_document(text), place).items():
        own, factor = _own_name(name)
        converted = isinstance(given, (int, float)) and not isinstance(given, bool) and factor != 1.0
        if not isinstance(given, dict):
            values[own] = float(f"{given * factor:.6g}") if converted else given
    return values


def count_rows(text: str, place: Place) -> int:
    """How many rows there are under the last name of a place; 0 where there are none."""
    rows = _find(_document(text), place[:-1]).get(place[-1], [])
    return len(rows) if isinstance(rows, list) else 0


@lru_cache(maxsize=4)
def _document(text: str) -> dict:
    return tomllib.loads(text)


@cache
def _own_name(name: str) -> tuple[str, float]:
    """A key's own name and the factor to its unit, from any spelling of it."""
    every = (*TABLES.values(), *ROWS.values(), STATION, FLAP_LIMIT, POINT, CHANGE, DEVICE_ROW, CHANGE_FIELDS)
    for key in (key for table in every for key in table):
        if name == key.name:
            return name, 1.0
        if name in twins(key.name):
            return key.name, twins(key.name)[name]
    return name, 1.0


def add_row(text: str, place: Place, name: str, values: dict) -> str:
    """Add a row under ``[[name]]`` of a place.

    Raises
    ------
    CardError
        There is no such place.
    """
    document = tomlkit.parse(text)
    table = _find(document, place) if place else document
    row = tomlkit.table()
    for key, value in values.items():
        if value is not None:
            row.add(key, _plain(value))
    if name not in table:
        table.add(name, tomlkit.aot())
    rows = table[name]
    rows.append(row)
    return _spaced(tomlkit.dumps(document), text)


def remove_row(text: str, place: Place) -> str:
    """Take a row away.

    Parameters
    ----------
    place : tuple of str
        The row, as ``("card", "A", "point", "A2")``.

    Raises
    ------
    CardError
        There is no such place.
    """
    document = tomlkit.parse(text)
    parent = _find(document, place[:-2]) if place[:-2] else document
    row = _find(document, place)
    rows = parent[place[-2]]
    for number, one in enumerate(rows):
        if one is row:
            del rows[number]
            break
    if not len(rows):
        del parent[place[-2]]
    return tomlkit.dumps(document)


def rename(text: str, place: Place, new: str) -> str:
    """Give a row another id, everywhere it is named.

    Raises
    ------
    CardError
        There is no such place.
    """
    old, kind = place[-1], place[-2]
    document = tomlkit.parse(text)
    _put(_find(document, place), _NAMED_BY.get(kind, "id"), new)
    for table, key in _REFERENCES.get(kind, ()):
        for row in document.get(table, []):
            if row.get(key) == old:
                _put(row, key, new)
            elif isinstance(row.get(key), list):
                for number, item in enumerate(row[key]):
                    if item == old:
                        row[key][number] = new
    return tomlkit.dumps(document)


def _find(document, place: Place) -> Table:
    at, rest = document, list(place)
    while rest:
        name = rest.pop(0)
        at = at.get(name)
        if isinstance(at, list) and rest:
            wanted = rest.pop(0)
            by = _NAMED_BY.get(name, "id")
            if name in _NUMBERED:
                at = next((row for number, row in enumerate(at, 1) if str(number) == wanted), None)
            else:
                at = next((row for row in at if _same(row.get(by), wanted)), None)
        if not isinstance(at, dict):
            fault = Fault(where=", ".join(place), got="no such place", expected="one that is in the file")
            raise CardError(faults=(fault,))
    return at


def _same(value, wanted: str) -> bool:
    if isinstance(value, (int, float)):
        return f"{value:g}" == wanted
    return value == wanted


def _put(table: Table, key: str, value) -> None:
    """Replace a value and keep the comment behind it."""
    if key in table:
        old = table[key]
        item = tomlkit.item(value)
        if hasattr(old, "trivia"):
            item.trivia.comment_ws, item.trivia.comment = old.trivia.comment_ws, old.trivia.comment
        table[key] = item
        return
    table.add(key, value)


def _plain(value):
    if isinstance(value, tuple):
        return [_plain(v) for v in value]
    if isinstance(value, float) and value == int(value) and abs(value) < 1e15:
        return int(value)
    return value


def _spaced(text: str, before: str) -> str:
    """A blank line before each heading that had none, as a person would leave one."""
    old = set(itertools.pairwise(before.split("\n")))
    lines = text.split("\n")
    out = lines[:1]
    for above, line in itertools.pairwise(lines):
        if _HEADING.match(line) and above.strip() and not above.startswith(("#", "[")) and (above, line) not in old:
            out.append("")
        out.append(line)
    return "\n".join(out)

"""A call as people say it: ``stick on the stop``, ``bank 30 left``, ``57 kt``. Pure. Main name: `call_words`."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from logger_app.domain.settings import ITEMS, setting_words
from logger_app.records.calls import CallKind, HeardCall, ReviewedCall


def call_words(
    call: HeardCall | ReviewedCall, unit: str = "kt", spoken: Mapping[str, str] = MappingProxyType({})
) -> str:
    """A call in words.

    Parameters
    ----------
    unit : str
        Of an airspeed that brings none of its own.
    spoken : mapping of str to str
        What the team says for each name of the language pack.

    Examples
    --------
    >>> call = HeardCall(id="c", start_ns=0, end_ns=1, kind=CallKind.SETTING, name="bank", value=-30.0)
    >>> call_words(call)
    'bank 30 left'
    """
    value = call.value
    if call.kind is CallKind.AIRSPEED:
        return "airspeed ?" if value is None else f"{shown(value)} {call.unit or unit}"
    if call.kind is CallKind.SETTING and call.name in ITEMS and value is not None:
        return setting_words(call.name, value, call.unit)
    words = spoken.get(call.name, call.name.replace("_", " "))
    if value is None:
        return words
    own = call.name.replace("_", " ") if call.kind is CallKind.SETTING else words
    return f"{own} {shown(value)}" + (f" {call.unit}" if call.unit else "")


def shown(value: float | str | None) -> str:
    """A value without a tail of zeros; a name without underscores."""
    if value is None:
        return "?"
    return f"{value:g}" if isinstance(value, (int, float)) else str(value).replace("_", " ")

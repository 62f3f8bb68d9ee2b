"""A reduction as one JSON document: the contract of `reduce --json`. Names carry their units."""

from __future__ import annotations

import json
import math
from dataclasses import fields, is_dataclass
from enum import Enum
from functools import cache
from json.encoder import encode_basestring

from logger_app.records.results import Reduction, StallSpeed

DECIMALS = 4
# Up to here a float tells its four decimals apart, and is written without an exponent.
MAX_IN_LINE = 1e11
_CONSTANTS = {None: "null", True: "true", False: "false"}


def reduction_to_json(reduction: Reduction) -> dict:
    """The document: ``runs``, ``cells``, ``comparisons``, ``excluded``, ``provenance``, ``summary``.

    Returns
    -------
    dict
        Plain values only; floats to four decimals, None where there is no figure.
    """
    document = _plain(reduction)
    document["reviews"] = [review.as_json() for review in reduction.reviews]
    document["excluded"] = [{"run": e.what, "why": e.why, "flight": e.flight} for e in reduction.excluded]
    return document


def run_to_json(run: StallSpeed) -> dict:
    """One entry of the document's ``runs``."""
    return _plain(run)


def run_text(run: StallSpeed, margin: str = "") -> str:
    """The entry as text: what ``json.dumps(..., ensure_ascii=False, indent=1)`` makes of it, several times as quickly.

    Parameters
    ----------
    margin : str
        What each line but the first begins with.
    """
    return _text(run, "\n" + margin)


def _text(value, line: str) -> str:
    kind: type = type(value)
    if kind is float:
        if not -MAX_IN_LINE < value < MAX_IN_LINE:
            return repr(round(value, DECIMALS)) if math.isfinite(value) else "null"
        digits = f"{value:.{DECIMALS}f}".rstrip("0")  # rounded as `round` does it, in half the time
        return digits + "0" if digits[-1] == "." else digits
    if kind is str:
        return encode_basestring(value)
    if value is None or kind is bool:
        return _CONSTANTS[value]
    if kind is int:
        return repr(value)
    if (kind is tuple or kind is list) and value:
        inner = line + " "
        return f"[{inner}{f',{inner}'.join([_text(one, inner) for one in value])}{line}]"
    if is_dataclass(value):
        inner = line + " "
        pairs = [f'"{name}": {_text(getattr(value, name), inner)}' for name in _names(kind)]
        return f"{{{inner}{f',{inner}'.join(pairs)}{line}}}"
    return json.dumps(_plain(value), ensure_ascii=False, indent=1, allow_nan=False).replace("\n", line)


def _plain(value):
    if is_dataclass(value):
        return {name: _plain(getattr(value, name)) for name in _names(type(value))}
    if isinstance(value, Enum):
        return str(value.value)
    if isinstance(value, (tuple, list)):
        return [_plain(v) for v in value]
    if isinstance(value, float):
        return round(value, DECIMALS) if math.isfinite(value) else None
    return value


@cache
def _names(kind: type) -> tuple[str, ...]:
    return tuple(f.name for f in fields(kind))

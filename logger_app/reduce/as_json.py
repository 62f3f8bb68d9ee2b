"""A reduction as one JSON document: the contract of `reduce --json`. Names carry their units."""

from __future__ import annotations

import math
from dataclasses import fields, is_dataclass
from enum import Enum

from logger_app.records.results import Reduction, StallSpeed

DECIMALS = 4


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


def _plain(value):
    if is_dataclass(value):
        return {f.name: _plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, Enum):
        return str(value.value)
    if isinstance(value, (tuple, list)):
        return [_plain(v) for v in value]
    if isinstance(value, float):
        return round(value, DECIMALS) if math.isfinite(value) else None
    return value

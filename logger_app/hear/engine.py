"""What a recogniser is, and which there are. Main names: `Engine`, `make_engine`, `ENGINES`."""

from __future__ import annotations

from pathlib import Path
from typing import Protocol, runtime_checkable

import numpy as np

from logger_app.errors import EngineError
from logger_app.hear.packs import Pack
from logger_app.records.calls import HeardCall
from logger_app.records.plan import Campaign
from logger_app.units import from_kt

DEFAULT_ENGINE = "callout"
ENGINES = ("callout", "vosk")
# Without a campaign: what a light aircraft's indicator can show, in its own unit.
LOW, HIGH = 20.0, 199.0
# Of the lowest stall expected or calibrated speed, and of the never-exceed speed: nothing is said beyond these.
_UNDER_STALL, _OVER_LIMIT = 0.65, 1.05
# An approach begins at the planned trim speed, or where none is given at so much of the stall; nobody is much faster.
_TRIM, _OVER_TRIM = 1.6, 1.15


@runtime_checkable
class Engine(Protocol):
    """A recogniser: sound in, calls out. Times count from 0 at the first sample fed."""

    name: str

    def feed(self, pcm: np.ndarray) -> list[HeardCall]:
        """The next sound.

        Parameters
        ----------
        pcm : ndarray of int16, shape (n,)
            16 kHz mono, any length.

        Returns
        -------
        list of HeardCall
            Calls that became certain, in order of time.
        """

    def finish(self) -> list[HeardCall]:
        """No more sound follows; gives the calls that are left."""

    def partial(self) -> str:
        """The words being spoken, as far as they are understood; empty in silence."""


def make_engine(name: str | None, pack: Pack, campaign: Campaign | None = None, model: Path | None = None) -> Engine:
    """A recogniser by name.

    Parameters
    ----------
    name : str, optional
        ``callout`` (our own, the default) or ``vosk``.
    campaign : Campaign, optional
        Its indicator's unit and the airspeeds its aircraft can show.
    model : Path, optional
        Folder of a Vosk model, or of other weights for our own engine.

    Returns
    -------
    Engine
        Ready for a new stream of sound.

    Raises
    ------
    EngineError
        No such engine, or its model is missing or unusable.
    """
    name = name or DEFAULT_ENGINE
    low, high, unit = airspeed_range(campaign)
    if name == "callout":
        from logger_app.hear.engine_callout import CalloutEngine

        return CalloutEngine(pack, low=low, high=high, unit=unit, model=model)
    if name == "vosk":
        from logger_app.hear.engine_vosk import VoskEngine

        return VoskEngine(pack, low=low, high=high, unit=unit, model=model)
    raise EngineError(f"engine {name!r}: not known; expected one of {', '.join(ENGINES)}.")


def airspeed_range(campaign: Campaign | None) -> tuple[float, float, str]:
    """Lowest and highest airspeed that can be called, and their unit."""
    if campaign is None:
        return LOW, HIGH, "kt"
    unit = campaign.indicator.unit
    low, high = LOW, from_kt(HIGH, unit)
    expected = [p.expected_stall_ias_kt for p in campaign.points if p.expected_stall_ias_kt]
    slowest = expected + [min(table.ias_kt) for table in campaign.calibrations]
    if slowest:
        low = max(low, np.floor(from_kt(_UNDER_STALL * min(slowest), unit)))
    if campaign.aircraft.never_exceed_ias_kt:
        high = min(high, np.ceil(from_kt(_OVER_LIMIT * campaign.aircraft.never_exceed_ias_kt, unit)))
    return float(low), float(max(high, low + 20)), unit


def usual_high(campaign: Campaign | None) -> float | None:
    """Highest airspeed that the planned approaches pass through, in the indicator's unit; None where no plan says it."""
    if campaign is None:
        return None
    trims = [point.trim_ias_kt for point in campaign.points if point.trim_ias_kt]
    stalls = [_TRIM * point.expected_stall_ias_kt for point in campaign.points if point.expected_stall_ias_kt]
    starts = trims + stalls
    return float(np.ceil(from_kt(_OVER_TRIM * max(starts), campaign.indicator.unit))) if starts else None

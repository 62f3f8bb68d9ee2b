"""Recognisers for a flight: made on the ground, so that what is wrong with them is known there."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from pathlib import Path

from logger_app.fly.capture.listener import Recogniser
from logger_app.records.calls import HeardCall
from logger_app.records.plan import Campaign


class EngineMaker:
    """Makes recognisers for a campaign; the first one at once.

    Raises
    ------
    PackError, EngineError
        The pack or the recogniser cannot be used.
    """

    def __init__(self, campaign: Campaign | None, name: str | None = None, model: Path | None = None):
        from logger_app.hear.engine import make_engine
        from logger_app.hear.packs_io import load_pack

        self.campaign, self.name, self.model = campaign, name, model
        self.pack = load_pack(campaign.language if campaign else "en", campaign)
        engine = make_engine(name, self.pack, campaign, model)
        self.engine_name = engine.name
        self._ready: list[Recogniser] = [engine]

    def __call__(self) -> Recogniser:
        """A fresh recogniser, its clock at 0."""
        from logger_app.hear.engine import make_engine

        return self._ready.pop() if self._ready else make_engine(self.name, self.pack, self.campaign, self.model)

    def reader(self, confusions: Collection[tuple[int, int]] = ()) -> Callable[[Iterable[HeardCall]], list[HeardCall]]:
        """A reader of sequences for calls as they come (see `Listener`); `confusions` are the pilot's own."""
        from logger_app.hear.engine import airspeed_range, usual_high
        from logger_app.hear.own_voice import soften
        from logger_app.hear.sequence import SequenceReader

        low, high, unit = airspeed_range(self.campaign)
        reader = SequenceReader(unit=unit, low=low, high=high, usual_high=usual_high(self.campaign))
        return lambda calls: soften(map(reader.read, calls), confusions)

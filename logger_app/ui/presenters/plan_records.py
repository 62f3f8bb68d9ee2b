"""What the plan screen's presenter takes (intents) and gives (views), and the state between them.

Frozen records, no behaviour. Main names: `PlanState`, `PlanView`, the intents.
"""

from __future__ import annotations

from dataclasses import dataclass

from logger_app.errors import Fault
from logger_app.records.journal import FlightInfo
from logger_app.records.plan import Campaign
from logger_app.records.results import StallSpeed
from logger_app.workflows.history import Drawing

Place = tuple[str, ...]
"""Names and ids that lead to a row, as ``("card", "A", "point", "A2")``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanState:
    """The file as edited (`text`) and as on disk (`saved`), what it says, and what is looked at.

    `campaign` is the last one that could be read; `past` holds texts for undo.
    """

    text: str
    saved: str
    campaign: Campaign | None
    faults: tuple[Fault, ...] = ()
    configuration: str = ""
    selected: Place = ()
    runs: tuple[StallSpeed, ...] = ()
    flights: tuple[FlightInfo, ...] = ()
    past: tuple[str, ...] = ()
    message: str = ""


# Intents: what a touch or a key asks for.


@dataclass(frozen=True, slots=True)
class ShowConfiguration:
    """Show the matrix of a configuration, and the configuration itself."""

    id: str


@dataclass(frozen=True, slots=True)
class Select:
    """Look at a point, a card or a configuration."""

    place: Place


@dataclass(frozen=True, slots=True)
class SetValue:
    """A typed value; empty text takes the key away."""

    place: Place
    key: str
    typed: str


@dataclass(frozen=True, slots=True)
class AddPoint:
    """A new point on a card, in an empty cell of the matrix if flap and the row's first point are given."""

    card: str
    flap_deg: float | None = None
    like: str | None = None


@dataclass(frozen=True, slots=True)
class AddCard:
    """A new card with one point, after a preset (`plan.presets`)."""

    preset: str = "level"


@dataclass(frozen=True, slots=True)
class AddConfiguration:
    """A new configuration, made from the one that is shown."""


@dataclass(frozen=True, slots=True)
class AddChange:
    """One more thing that differs in a configuration."""

    configuration: str


@dataclass(frozen=True, slots=True)
class AddDevices:
    """One more row of devices of something that differs."""

    configuration: str
    item: str


@dataclass(frozen=True, slots=True)
class Remove:
    """Take a point, a card, a change or a configuration out."""

    place: Place


@dataclass(frozen=True, slots=True)
class Undo:
    """Back to the text before the last edit."""


@dataclass(frozen=True, slots=True)
class Saved:
    """The text was written, or was not: `trouble` says why."""

    trouble: str = ""


# What the screen draws.


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One point in the matrix. `status` (none, part, done) chooses the colour; `words` says it too."""

    place: Place
    title: str
    count: str
    words: str
    status: str
    share: float
    selected: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A row of the matrix: a label and a cell list for each column; an empty one can be added to."""

    label: str
    cells: tuple[tuple[Cell, ...], ...]
    adds: tuple[AddPoint | None, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """A value that can be edited."""

    place: Place
    key: str
    label: str
    value: str
    lines: bool = False
    hint: str = ""  # what holds while it is empty


@dataclass(frozen=True, slots=True, kw_only=True)
class Action:
    """A button and what it asks for."""

    label: str
    intent: object
    active: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanView:
    """Everything on the screen."""

    title: str
    tabs: tuple[Action, ...]
    columns: tuple[str, ...]
    rows: tuple[Row, ...]
    cards: tuple[Action, ...]
    heading: str
    lines: tuple[str, ...]
    fields: tuple[Field, ...]
    actions: tuple[Action, ...]
    checks: tuple[tuple[str, str], ...]  # ("wrong" | "advice" | "fine", sentence)
    next_flight: str
    state_words: str
    can_save: bool
    can_undo: bool
    drawing: Drawing | None = None  # the wing with what the configuration fits, while one is looked at

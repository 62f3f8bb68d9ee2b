"""The line of a design on a screen: generations side by side, what the data show at the foot; the team's words can be typed.

Pure. The state holds the text of campaign.toml, so that an edit keeps its comments and order; figures and words are the
report's own. Main names: `HistoryState`, `start`, `update`, `view`, `columns`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from logger_app.ui.presenters.plan_records import Saved
from logger_app.workflows.history import (
    MAP_WORDS,
    VERDICT_SIGNS,
    Drawing,
    Generation,
    History,
    ShownTable,
    caption,
    facts,
    line_table,
)
from logger_app.workflows.history import generation_table as table_of
from logger_app.workflows.planning import edit, parse_text

# A column is legible from so many heights of its text on; narrower windows show the line downwards [text heights].
MIN_COLUMN = 21.0
MAX_COLUMN = 36.0


@dataclass(frozen=True, slots=True)
class Choose:
    """Another generation, so many on or back."""

    by: int


@dataclass(frozen=True, slots=True)
class Typed:
    """The team's words of a configuration: ``note`` or ``question``."""

    configuration: str
    key: str
    words: str


@dataclass(frozen=True, slots=True)
class Touched:
    """A station of a drawing was touched; its words."""

    words: str


Intent = Choose | Typed | Touched | Saved


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryState:
    """What was read, the campaign file as it is typed, and which generation the keys are at."""

    history: History
    text: str
    saved: str
    chosen: int = 0
    message: str = ""
    trouble: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class PointView:
    """A test point: its label, then (what, how much, quieter words), from the report's table."""

    head: str
    lines: tuple[tuple[str, str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class GenerationView:
    """One column. `note` and `question` can be typed over."""

    id: str
    title: str
    parent: str
    drawing: Drawing
    caption: str
    glance: tuple[tuple[str, str], ...]
    points: tuple[PointView, ...]
    empty: str
    facts: tuple[tuple[str, str], ...]
    note: str
    question: str
    chosen: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryView:
    """All there is to draw. `key` says what tones and patterns mean; empty where no tuft was marked."""

    title: str
    generations: tuple[GenerationView, ...]
    key: str
    evidence: tuple[str, ...]
    message: str
    trouble: bool
    can_save: bool


def start(history: History) -> HistoryState:
    """At the first generation."""
    return HistoryState(history=history, text=history.text, saved=history.text)


def update(state: HistoryState, intent: Intent) -> HistoryState:
    """The state after a touch, a key or words typed."""
    if isinstance(intent, Choose):
        last = max(0, len(state.history.generations) - 1)
        return replace(state, chosen=min(max(state.chosen + intent.by, 0), last), message="", trouble=False)
    if isinstance(intent, Touched):
        return replace(state, message=intent.words, trouble=False)
    if isinstance(intent, Saved):
        if intent.trouble:
            return replace(state, message=intent.trouble, trouble=True)
        return replace(state, saved=state.text, message="Saved in campaign.toml.", trouble=False)
    words = " ".join(intent.words.split())
    text = edit.set_value(state.text, ("configuration", intent.configuration), intent.key, words or None)
    if text == state.text:
        return state
    _, faults = parse_text(text)
    if faults:
        return replace(state, message=f"Not taken: {faults[0]}", trouble=True)
    generations = tuple(
        _with_words(one, intent.key, words) if one.configuration.id == intent.configuration else one
        for one in state.history.generations
    )
    return replace(state, text=text, history=replace(state.history, generations=generations), message="", trouble=False)


def _with_words(one: Generation, key: str, words: str) -> Generation:
    if key == "question":
        configuration = replace(one.configuration, question=words)
        return replace(one, configuration=configuration, question=words)
    return replace(one, configuration=replace(one.configuration, note=words))


def view(state: HistoryState) -> HistoryView:
    """What to draw."""
    history = state.history
    marked = any(one.stations for one in history.generations)
    changed = state.text != state.saved
    return HistoryView(
        title=f"{history.name}: the line of the design",
        generations=tuple(_generation(state, k) for k in range(len(history.generations))),
        key=MAP_WORDS if marked else "",
        evidence=history.evidence or ("Nothing can be said yet of what the data show.",),
        message=state.message or ("Changed, not saved." if changed else ""),
        trouble=state.trouble,
        can_save=changed,
    )


def _generation(state: HistoryState, k: int) -> GenerationView:
    one = state.history.generations[k]
    # What the configuration itself says is typed below; what was done before its flights is not.
    known = tuple((label, words) for label, words in facts(replace(one, question="", team_words=_work(state, one))))
    return GenerationView(
        id=one.configuration.id,
        title=f"{one.number}. {one.configuration.name}",
        parent=f"{one.configuration.id}, made from {one.parent}" if one.parent else one.configuration.id,
        drawing=one.drawing,
        caption=caption(one),
        glance=_glance(one, state.history.units) if one.flown else (),
        points=_points(table_of(one, state.history.units)) if one.flown else (),
        empty="" if one.flown else "Not flown, or no run counts.",
        facts=known,
        note=one.configuration.note,
        question=one.configuration.question,
        chosen=k == state.chosen,
    )


def _work(state: HistoryState, one: Generation) -> tuple[str, ...]:
    """The team's words without the configuration's own note, which stands first where there was one."""
    before = parse_text(state.history.text)[0]
    config = before.configuration(one.configuration.id) if before else None
    return one.team_words[1:] if config is not None and config.note else one.team_words


def _glance(one: Generation, units) -> tuple[tuple[str, str], ...]:
    """Its row of the line at a glance: (label, words)."""
    table = line_table((one,), units)
    return tuple(
        (column.label, _letters("; ".join((*((cell.text,) if cell.text else ()), *cell.small))))
        for column, cell in zip(table.columns[1:], table.rows[0][1:])
    )


def _letters(text: str) -> str:
    """Without the signs before a verdict, which the letters of the screen lack; its word says the same."""
    for sign in VERDICT_SIGNS.values():
        text = text.replace(sign, "")
    return text


def _points(table: ShownTable) -> tuple[PointView, ...]:
    """A table as blocks: a row's first cell heads it, each other cell is a line."""
    return tuple(
        PointView(
            head=" ".join((head.text, *head.small)),
            lines=tuple(
                (column.label, _letters(cell.text), ", ".join(cell.small))
                for column, cell in zip(table.columns[1:], cells)
            ),
        )
        for head, *cells in table.rows
    )


def columns(width_px: float, text_px: float, count: int) -> tuple[bool, float]:
    """Whether the line goes to the right rather than down, and how wide a generation is.

    Parameters
    ----------
    width_px : float
        Of the window [px].
    text_px : float
        Height of its text [px].
    count : int
        Generations.

    Returns
    -------
    tuple of (bool, float)
        The second in [px].
    """
    fit = int(width_px // (MIN_COLUMN * text_px))
    if fit < 2 or count < 2:
        return False, width_px
    return True, min(width_px / min(fit, count), MAX_COLUMN * text_px)

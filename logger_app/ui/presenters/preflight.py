"""What the preflight screen shows, page by page, and what its buttons do. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum

from logger_app.ui.theme import HANDS, IN_RUN, PALETTES, Display

SIGNS = {"ok": "tick", "warn": "warn", "wrong": "stop", "unknown": "dot"}
STATE_WORDS = {"ok": "OK", "warn": "CHECK:", "wrong": "WRONG:", "unknown": "-"}
WORST_FIRST = ("wrong", "warn", "unknown", "ok")
# Without these there is no flight at all.
FIRST = ("flight", "cards")
# ID-1, the size of a bank card: 85.60 mm wide (ISO/IEC 7810).
CARD_MM = 85.6
KNOCK_IT_OFF = "knock_it_off"
# So few lines a part that each can be read on the smallest tablet.
CAUTIONS_A_PART = 4
DPI_STEP = 1.0
VIEWING_STEP_MM = 50.0


class Page(StrEnum):
    """The pages."""

    CHECKS = "checks"
    SPEAK = "speak"
    DISPLAY = "display"
    CAUTIONS = "cautions"


class Do(StrEnum):
    """What a touch asks for."""

    CHECKS = "checks"
    SPEAK = "speak"
    DISPLAY = "display"
    CAUTIONS = "cautions"
    AGAIN = "again"  # look at everything again
    RECORD = "record"  # begin or end the rehearsal
    WIDER = "wider"
    NARROWER = "narrower"
    NEARER = "nearer"
    FARTHER = "farther"
    PALETTE = "palette"
    HAND = "hand"
    IN_RUN = "in_run"
    MORE = "more"  # the next part of the cautions
    ACKNOWLEDGE = "acknowledge"
    FLY = "fly"


@dataclass(frozen=True, slots=True, kw_only=True)
class PreflightState:
    """All that the screen knows. `checks` are `preflight_desk.Check`, `lines` the rehearsal's words."""

    checks: tuple = ()
    page: Page = Page.CHECKS
    lines: tuple[str, ...] = ()
    answers: tuple = ()
    confusions: tuple[str, ...] = ()  # what this voice confuses
    recording: bool = False
    busy: str = ""
    level_words: str = ""
    display: Display = field(default_factory=Display)
    briefing: tuple[tuple[str, tuple[str, ...]], ...] = ()
    part: int = 0  # of the cautions or the display
    acknowledged: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A line of a page: sign, what, how it is."""

    sign: str
    name: str
    words: str
    role: str = "text"


@dataclass(frozen=True, slots=True, kw_only=True)
class Button:
    """A touch target of the preflight screen."""

    label: str
    do: Do
    role: str = "button"
    enabled: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class PreflightView:
    """What is drawn. `card_px` is the width of the bar that is held against a bank card, 0 for none."""

    title: str
    rows: tuple[Row, ...]
    foot: str
    actions: tuple[Button, ...]
    pages: tuple[Button, ...]
    card_px: float = 0.0
    name_share: float = 0.26


def update(state: PreflightState, do: Do) -> PreflightState:
    """What a touch changes at once; devices and files are the desk's."""
    if do in frozenset(Page):
        return replace(state, page=Page(do), part=0)
    if do is Do.MORE:
        return replace(state, part=state.part + 1)
    display = state.display
    changes: dict[Do, dict[str, float | str]] = {
        Do.WIDER: {"dpi": display.dpi + DPI_STEP},
        Do.NARROWER: {"dpi": display.dpi - DPI_STEP},
        Do.NEARER: {"viewing_mm": display.viewing_mm - VIEWING_STEP_MM},
        Do.FARTHER: {"viewing_mm": display.viewing_mm + VIEWING_STEP_MM},
        Do.PALETTE: {"palette_name": _after(tuple(PALETTES), display.palette_name)},
        Do.HAND: {"hand": _after(HANDS, display.hand)},
        Do.IN_RUN: {"in_run": _after(IN_RUN, display.in_run)},
    }
    if do not in changes:
        return state
    try:
        return replace(state, display=replace(display, **changes[do]))  # type: ignore[arg-type]
    except ValueError:  # at the end of what a display can be
        return state


def view(state: PreflightState) -> PreflightView:
    """The page to draw."""
    page = {Page.CHECKS: _checks, Page.SPEAK: _speak, Page.DISPLAY: _display, Page.CAUTIONS: _cautions}[state.page](
        state
    )
    return replace(page, pages=_pages(state))


def _checks(state: PreflightState) -> PreflightView:
    ranked = sorted(state.checks, key=lambda check: (WORST_FIRST.index(check.state), check.name not in FIRST))
    rows = tuple(
        Row(
            sign=SIGNS[check.state],
            name=check.name,
            words=f"{STATE_WORDS[check.state]}  {check.words}",
            role={"wrong": "stop", "warn": "again"}.get(check.state, "text"),
        )
        for check in ranked
    )
    worst = next((check for check in ranked if check.hint and check.state in ("wrong", "warn")), None)
    foot = state.busy or (f"{worst.name}: {worst.hint}" if worst else "No fault found in the recorder.")
    return PreflightView(
        title="Before the flight",
        rows=rows,
        foot=foot,
        pages=(),
        actions=(Button(label="CHECK\nAGAIN", do=Do.AGAIN, enabled=not state.busy),),
    )


def _speak(state: PreflightState) -> PreflightView:
    answers = {answer.line.say: answer for answer in state.answers}

    def row(say: str) -> Row:
        answer = answers.get(say)
        if answer is None:
            return Row(sign="dot", name=say, words="")
        words = "heard" if answer.right else f"heard as {answer.heard}" if answer.heard else "missed"
        return Row(
            sign="tick" if answer.right else "warn", name=say, words=words, role="text" if answer.right else "again"
        )

    right = sum(answer.right for answer in state.answers)
    foot = "Headset on: say the lines, a breath between them."
    if state.recording:
        foot = f"Listening. {state.level_words}"
    elif state.busy:
        foot = state.busy
    elif state.answers:
        foot = " ".join(state.confusions) or f"{right} of {len(state.answers)} heard right."
    label = "DONE" if state.recording else "SPEAK"
    return PreflightView(
        title="Say these",
        name_share=0.64,
        rows=tuple(row(say) for say in state.lines),
        foot=foot,
        pages=(),
        actions=(Button(label=label, do=Do.RECORD, role="main", enabled=bool(state.lines) and not state.busy),),
    )


def _display(state: PreflightState) -> PreflightView:
    """First the size, with a bar to hold a card against, then colours, hand and what a run shows."""
    display = state.display
    more = Button(label="MORE", do=Do.MORE)
    if state.part % 2:
        palette, hand, in_run = (
            _after(names, name)
            for names, name in (
                (tuple(PALETTES), display.palette_name),
                (HANDS, display.hand),
                (IN_RUN, display.in_run),
            )
        )
        return PreflightView(
            title="Colours, buttons, runs",
            rows=(
                Row(sign="dot", name="colours", words=display.palette_name),
                Row(sign="dot", name="buttons for", words=f"the {display.hand} hand"),
                Row(sign="dot", name="in a run", words=f"last call and trace {display.in_run}"),
            ),
            foot="",
            pages=(),
            actions=(
                Button(label=palette.upper(), do=Do.PALETTE),
                Button(label=f"{hand.upper()}\nHAND", do=Do.HAND),
                Button(label=f"IN A RUN\n{in_run.upper()}", do=Do.IN_RUN),
                more,
            ),
        )
    return PreflightView(
        title="Bar as wide as a bank card?",
        rows=(
            Row(sign="dot", name="dots per inch", words=f"{display.dpi:g}"),
            Row(sign="dot", name="eye to screen", words=f"{display.viewing_mm / 10:g} cm"),
        ),
        foot="",
        pages=(),
        card_px=display.px(CARD_MM),
        actions=(
            Button(label="BAR\nWIDER", do=Do.WIDER),
            Button(label="BAR\nNARROWER", do=Do.NARROWER),
            Button(label="EYE\nNEARER", do=Do.NEARER),
            Button(label="EYE\nFARTHER", do=Do.FARTHER),
            more,
        ),
    )


def _cautions(state: PreflightState) -> PreflightView:
    rows = tuple(
        Row(
            sign="warn" if heading == "caution" else "stop" if heading == "stop if" else "dot", name=heading, words=text
        )
        for heading, texts in state.briefing
        for text in texts
    )
    parts = max(1, -(-len(rows) // CAUTIONS_A_PART))
    part = min(state.part, parts - 1)
    title = f"Heights, criteria, cautions: {part + 1} of {parts}"
    if part + 1 < parts:
        action = Button(label="MORE", do=Do.MORE, role="main")
    else:
        label = "READ" if state.acknowledged else "I HAVE\nREAD IT"
        action = Button(label=label, do=Do.ACKNOWLEDGE, role="main", enabled=not state.acknowledged)
    return PreflightView(
        title=title,
        rows=rows[part * CAUTIONS_A_PART : (part + 1) * CAUTIONS_A_PART],
        name_share=0.22,
        pages=(),
        foot="Read." if state.acknowledged else "Read these before the flight; asked again when they change.",
        actions=(action,),
    )


def _pages(state: PreflightState) -> tuple[Button, ...]:
    tabs = tuple(
        Button(label=page.upper(), do=Do(page), role="main" if page is state.page else "button") for page in Page
    )
    cards = any(check.name == "cards" and check.state != "wrong" for check in state.checks)
    can = cards and not state.busy and not state.recording
    reason = not_ready(state)
    label = f"FLY\n{reason}" if reason and can else "FLY"
    return (*tabs, Button(label=label, do=Do.FLY, role="again" if reason else "good", enabled=can))


def not_ready(state: PreflightState) -> str:
    """Why FLY is not green, in a few words; empty when it is."""
    wrong = next((check.name for check in state.checks if check.state == "wrong"), "")
    if wrong:
        return f"{wrong} wrong"
    if any(answer.line.name == KNOCK_IT_OFF and not answer.right for answer in state.answers):
        return "knock-it-off\nnot heard"
    if not state.acknowledged:
        return "cautions first"
    return "" if state.answers else "no rehearsal"


def briefing_rows(briefing: dict) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """The briefing as headed lines."""
    heights = []
    if briefing["floor_ft"] is not None:
        heights.append(f"recovered above {briefing['floor_ft']:g} ft (floor)")
    if briefing["entry_min_ft"] is not None:
        heights.append(f"enter above {briefing['entry_min_ft']:g} ft (minimum entry)")
    return (
        ("heights", tuple(heights) or ("none set in the campaign",)),
        ("stop if", tuple(briefing["knock_it_off"]) or ("none set in the campaign",)),
        ("caution", tuple(briefing["cautions"])),
    )


def _after(names: Sequence[str], name: str) -> str:
    return names[(names.index(name) + 1) % len(names)]

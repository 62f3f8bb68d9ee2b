"""The review screen without a screen: what is selected, what a key does, what to draw. Pure.

`update(state, key)` gives the new state and, where something must happen outside (a correction,
sound), an effect. `view(state)` says what to draw. Never imports Kivy. One key settles one item:

`KEYS_HELP` lists the keys.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from statistics import median
from typing import TYPE_CHECKING

from logger_app.domain.call_words import call_words, shown
from logger_app.domain.times import flight_time
from logger_app.records.calls import Action, CallKind, Correction, ReviewedCall
from logger_app.workflows.review import Item, QueueItem

if TYPE_CHECKING:
    from logger_app.records.results import StallSpeed
    from logger_app.records.runs import Run
    from logger_app.workflows.review import ReviewData

PLAY_S = 1.0  # to each side of a call
SPEEDS = (1.0, 0.75, 0.5)
CURSOR_STEP_S = 0.1
# A call that is in no run is shown with this much around it.
AROUND_S = 8.0
MARGIN_S = 2.0
SHOWN_EACH_WAY = 20.0
DIGITS = "0123456789."
MAX_PHRASE = 60
# How much of the flight is shown: times the usual span.
ZOOMS = (0.25, 0.5, 1.0, 2.0, 4.0)
KEYS_HELP = (
    ("Enter", "correct, or take what was typed"),
    ("P", "take the proposal"),
    ("0 to 9", "type a value"),
    ("X", "not a call"),
    ("C", "confirm every call of the run"),
    ("Space, S", "play 2 s, slower"),
    ("U, R", "undo, redo"),
    ("Up, Down", "next to look at"),
    ("Left, Right", "next call in time"),
    ("-, +", "move the cursor"),
    ("I, O", "zoom in, zoom out"),
    ("A, M", "add a call, move it, at the cursor"),
    ("K", "another kind of call"),
    ("W", "these are our words for this call"),
    ("D", "discard or reinstate the run"),
    ("T", "test point of the run"),
    ("[, J", "split the run, join it with the next"),
    ("Tab", "list: to look at, or runs"),
    ("F1, ?", "this help"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Correct:
    """Take a correction; then the desk is loaded anew."""

    action: Action
    target: str
    payload: tuple[tuple[str, object], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class AddCall:
    """Add a call at a time on the flight clock."""

    at_s: float
    value: float | None
    kind: str | None = None
    name: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CorrectAll:
    """Take several corrections at once."""

    corrections: tuple[Correct, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AddPhrase:
    """Add what the team says for a call to the campaign."""

    name: str
    phrase: str


@dataclass(frozen=True, slots=True)
class Undo:
    """Undo this person's last correction."""


@dataclass(frozen=True, slots=True)
class Redo:
    """Take the last undo back."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Play:
    """Play sound; `speed` 1 is as recorded."""

    start_s: float
    end_s: float
    speed: float = 1.0


Effect = Correct | CorrectAll | AddCall | AddPhrase | Undo | Redo | Play


@dataclass(frozen=True, slots=True, kw_only=True)
class ReviewState:
    """Where a person is in a flight. `here` is a queue item's, call's or run's id."""

    workflow: ReviewData
    results: Mapping[str, StallSpeed] = field(default_factory=dict)
    names: tuple[tuple[str, str], ...] = ()  # (kind, name) that a call can be made
    who: str = ""
    listing: str = "queue"  # or "runs"
    here: str | None = None
    cursor_s: float = 0.0
    typed: str = ""
    speed: float = 1.0
    choosing: str = ""  # "kind", "point" or nothing
    choice: int = 0
    zoom: int = ZOOMS.index(1.0)
    writing: bool = False  # a phrase is being typed
    help: bool = False
    message: str = ""
    trouble: bool = False  # whether the message says that something could not be done


def begin(
    workflow: ReviewData, who: str, results: Mapping[str, StallSpeed], names: Sequence[tuple[str, str]] = ()
) -> ReviewState:
    """The first state: at the first thing to look at, else at the first run.

    Parameters
    ----------
    names : sequence of (str, str)
        Kinds and names that a call can be changed to.
    """
    state = ReviewState(workflow=workflow, results=results, names=tuple(names), who=who)
    if workflow.queue.items:
        return _at(state, workflow.queue.items[0].id)
    state = replace(state, listing="runs")
    return _at(state, workflow.runs.runs[0].id) if workflow.runs.runs else state


def renewed(
    state: ReviewState, workflow: ReviewData, results: Mapping[str, StallSpeed], done: Correction
) -> ReviewState:
    """After a correction: the flight anew, at the next thing to look at.

    Returns
    -------
    ReviewState
        With `here` on something that is still there.
    """
    before = _position(state)
    was = {item.id for item in state.workflow.queue.items}
    message = _done_words(done, state.workflow, workflow)
    after = replace(state, workflow=workflow, results=results, typed="", choosing="", message=message, trouble=False)
    if done.action is Action.UNDO and (
        undone := next((c for c in state.workflow.corrections if c.id == done.target), None)
    ):
        place = next((item.id for item in workflow.queue.items if item.target == undone.target), undone.target)
        back = replace(after, here=place)
        return replace(_at(after, place), message=message) if _here_is_there(back) else after
    keys = _keys(after)
    if not keys:
        return after if _here_is_there(after) else replace(after, here=None)
    # Only what was in the queue leads on to the next; who went elsewhere by hand stays there.
    if state.listing == "queue" and state.here in was and state.here not in keys:
        return replace(_at(after, keys[min(before, len(keys) - 1)]), message=message)
    return after if _here_is_there(after) else replace(_at(after, keys[0]), message=message)


def update(state: ReviewState, key: str) -> tuple[ReviewState, tuple[Effect, ...]]:
    """What a key does.

    Parameters
    ----------
    key : str
        ``enter``, ``space``, ``up``, ``left``, ``tab``, ``escape``, ``backspace``, a letter, a
        digit, or ``go:ID`` for a touch on an item, ``at:SECONDS`` for a touch on the trace.

    Returns
    -------
    tuple of (ReviewState, tuple of Effect)
        The new state, and what must happen outside.
    """
    state = replace(state, message="", trouble=False)
    if state.help or key in ("f1", "?"):
        return replace(state, help=not state.help), ()
    if state.writing:
        return _write(state, key)
    if state.choosing:
        return _choose(state, key)
    if key.startswith("go:"):
        return _at(state, key[3:]), ()
    if key.startswith("at:"):
        return replace(state, cursor_s=float(key[3:])), ()
    if key in DIGITS and len(key) == 1:
        return replace(state, typed=(state.typed + key)[:6]), ()
    do = _KEYS.get(key)
    return do(state) if do else (state, ())


def _sorry(state: ReviewState, words: str) -> ReviewState:
    return replace(state, message=words, trouble=True, typed="")


DONE = {
    Action.CONFIRM: "confirmed",
    Action.SET: "set to",
    Action.REJECT: "rejected",
    Action.ADD: "added",
    Action.MOVE: "moved",
    Action.SPLIT: "split",
    Action.JOIN: "joined with the next",
    Action.DISCARD: "discarded",
    Action.REINSTATE: "reinstated",
    Action.ASSIGN: "flown at",
    Action.REREAD: "calls corrected together",
    Action.OVERRULE: "counts with its fitted stall speed",
}


def _done_words(done: Correction, before: ReviewData, now: ReviewData) -> str:
    """What was done, in words: ``57 kt: set to 58 kt``."""
    if done.action is Action.UNDO:
        undone = next((c for c in before.corrections if c.id == done.target), None)
        others = sum(c.together == done.together for c in now.corrections) - 1 if done.together else 0
        more = f", and {others} more" if others else ""
        return f"undone: {_done_words(undone, now, before)}{more}" if undone else "undone"
    was, call = before.call(done.target), now.call(done.target)
    run = before.run(done.target) or now.run(done.target)
    what = _words(was, before) if was else f"run {run.number}" if run else ""
    new = _words(call, now) if call and done.action in (Action.SET, Action.ADD) else str(done.get("point", ""))
    said = f"{DONE[done.action]} {new}".strip()
    return f"{what}: {said}" if what else said if call else "checked, left unchanged"


# Keys ----------------------------------------------------------------------------------------


def _enter(state):
    call, item = _call(state), _item(state)
    if state.typed:
        value = _typed(state)
        if value is None:
            return _sorry(state, f"{state.typed} is not a number"), ()
        if call is None or (item and item.item in (Item.DUE, Item.EXTRA)):
            return replace(state, typed=""), (AddCall(at_s=state.cursor_s, value=value),)
        payload = _number(call, value)
        return replace(state, typed=""), (Correct(action=Action.SET, target=call.id, payload=payload),)
    if item and item.target is None:
        return state, (Correct(action=Action.CONFIRM, target=item.id),)
    if item and item.item in (Item.RUN, Item.POINT, Item.DECADE):
        return state, (Correct(action=Action.CONFIRM, target=item.id),)
    if call:
        return state, (Correct(action=Action.CONFIRM, target=call.id),)
    return _sorry(state, "nothing is selected"), ()


def _number(call: ReviewedCall, value: float) -> tuple[tuple[str, object], ...]:
    """A number belongs to an airspeed or a setting; typed at anything else it was an airspeed after all."""
    if call.kind is CallKind.AIRSPEED:
        return (("value", value),)
    if call.kind is CallKind.SETTING:
        return (("value", value), ("name", call.name))
    return (("kind", str(CallKind.AIRSPEED)), ("value", value))


def _propose(state):
    call, item = _call(state), _item(state)
    value = item.proposed if item else call.heard.proposed if call and call.heard else None
    run = run_here(state)
    result = state.results.get(run.id) if run and not item and not call else None
    if result and result.too_far_only:
        return state, (_counted([result.run]),)
    if value is None:
        return _sorry(state, "nothing is proposed here"), ()
    if item and item.item is Item.STALL:
        return state, (_counted(item.runs),)
    if item and item.item is Item.RUN:
        return state, (AddCall(at_s=item.flight_ns / 1e9, value=None, kind="event", name=value),)
    if item and item.item is Item.POINT:
        return state, (_assigned(item.runs, value),)
    if item and item.item is Item.DECADE and item.target:
        return state, (Correct(action=Action.REREAD, target=item.target, payload=item.calls),)
    number = isinstance(value, (int, float))
    if item and item.item in (Item.DUE, Item.EXTRA):
        named = None if number else (dict((n, k) for k, n in state.names).get(value, "event"), value)
        kind, name = named or (None, None)
        return state, (AddCall(at_s=state.cursor_s, value=value if number else None, kind=kind, name=name),)
    if value == "nothing":
        return state, (Correct(action=Action.REJECT, target=call.id),)
    if number:
        payload = _number(call, value)
        return state, (Correct(action=Action.SET, target=call.id, payload=payload),)
    kind = dict((n, k) for k, n in state.names).get(value, "event")
    return state, (Correct(action=Action.SET, target=call.id, payload=(("kind", kind), ("name", value))),)


def _counted(runs: Sequence[str]) -> CorrectAll:
    """A person accepts the fitted stall speed of runs in which no speed was said at the break."""
    return CorrectAll(
        corrections=tuple(Correct(action=Action.OVERRULE, target=id, payload=(("counts", True),)) for id in runs)
    )


def _assigned(runs: Sequence[str], point) -> CorrectAll:
    """Runs that belong to another point, all at once."""
    return CorrectAll(
        corrections=tuple(Correct(action=Action.ASSIGN, target=id, payload=(("point", point),)) for id in runs)
    )


def _confirm_run(state):
    """Every call of the run that nobody has looked at is right."""
    run = run_here(state)
    if run is None:
        return _sorry(state, "no run is selected"), ()
    open_calls = [c for c in run.calls if not c.reviewed and not (c.kind is CallKind.AIRSPEED and c.value is None)]
    if not open_calls:
        return _sorry(state, "every call of this run has been looked at"), ()
    return state, (CorrectAll(corrections=tuple(Correct(action=Action.CONFIRM, target=c.id) for c in open_calls)),)


def _zoom(by: int):
    def zoom(state):
        return replace(state, zoom=min(max(0, state.zoom + by), len(ZOOMS) - 1)), ()

    return zoom


def _words_for(state):
    call = _call(state)
    if call is None or call.kind is CallKind.AIRSPEED:
        return _sorry(state, "select an event, setting or command first; K makes a call another kind"), ()
    name = state.workflow.spoken.get(call.name, call.name.replace("_", " "))
    message = f"type what you say for {name!r}, then Enter; Esc leaves it"
    return replace(state, writing=True, typed="", message=message), ()


def _write(state, key):
    """A phrase as it is typed."""
    call = _call(state)
    if key == "escape" or call is None:
        return replace(state, writing=False, typed=""), ()
    if key == "enter":
        phrase = " ".join(state.typed.split())
        done = replace(state, writing=False, typed="")
        return done, (AddPhrase(name=call.name, phrase=phrase),) if phrase else ()
    if key == "backspace":
        return replace(state, typed=state.typed[:-1]), ()
    letter = " " if key == "space" else key if len(key) == 1 else ""
    return replace(state, typed=(state.typed + letter)[:MAX_PHRASE]), ()


def _reject(state):
    call, item = _call(state), _item(state)
    if item and item.target is None:
        return state, (Correct(action=Action.CONFIRM, target=item.id),)
    if not call:
        return _sorry(state, "no call is selected"), ()
    return state, (Correct(action=Action.REJECT, target=call.id),)


def _play(state, speed=None):
    return state, (
        Play(start_s=max(0.0, state.cursor_s - PLAY_S), end_s=state.cursor_s + PLAY_S, speed=speed or state.speed),
    )


def _slower(state):
    speed = SPEEDS[(SPEEDS.index(state.speed) + 1) % len(SPEEDS)]
    state = replace(state, speed=speed, message=f"sound at {100 * speed:.0f} % of its speed")
    return _play(state)


def _step_list(by):
    def move(state):
        keys = _keys(state)
        if not keys:
            return _sorry(state, "nothing is left to look at" if state.listing == "queue" else "no runs"), ()
        k = _position(state)
        if state.here in keys:
            k = min(max(k + by, 0), len(keys) - 1)
        return _at(state, keys[min(k, len(keys) - 1)]), ()

    return move


def _step_call(by):
    def move(state):
        calls = state.workflow.calls
        if not calls:
            return state, ()
        call = _call(state)
        if call:
            k = calls.index(call) + by
        else:
            k = bisect_left([c.flight_s for c in calls], state.cursor_s) - (by < 0)
        return _at(state, calls[min(max(k, 0), len(calls) - 1)].id), ()

    return move


def _step_cursor(by):
    def move(state):
        return replace(state, cursor_s=min(max(0.0, state.cursor_s + by), state.workflow.end_s)), ()

    return move


def _add(state):
    value = _typed(state)
    if value is None:
        return _sorry(state, "type the airspeed first, then A; K after it makes it another call"), ()
    return replace(state, typed=""), (AddCall(at_s=state.cursor_s, value=value),)


def _move(state):
    return _at_cursor(state, Action.MOVE, _call(state), "call")


def _split(state):
    return _at_cursor(state, Action.SPLIT, run_here(state), "run")


def _at_cursor(state, action: Action, chosen, what: str):
    if not chosen:
        return _sorry(state, f"no {what} is selected"), ()
    at_ns = round(state.cursor_s * 1e9)
    return state, (Correct(action=action, target=chosen.id, payload=(("flight_ns", at_ns),)),)


def _discard(state):
    run = run_here(state)
    if not run:
        return _sorry(state, "no run is selected"), ()
    action = Action.REINSTATE if run.discarded else Action.DISCARD
    return state, (Correct(action=action, target=run.id),)


def _join(state):
    runs = state.workflow.runs.runs
    run = run_here(state)
    if not run or run.number >= len(runs):
        return _sorry(state, "there is no next run to join"), ()
    return state, (Correct(action=Action.JOIN, target=run.id, payload=(("other", runs[run.number].id),)),)


def _tab(state):
    other = replace(state, listing="runs" if state.listing == "queue" else "queue")
    keys = _keys(other)
    if other.listing == "queue" and keys and other.here not in keys:
        return _at(other, keys[0]), ()
    return other, ()


def _ask(what):
    def ask(state):
        if what == "kind" and not _call(state):
            return _sorry(state, "no call is selected"), ()
        if what == "point" and not run_here(state):
            return _sorry(state, "no run is selected"), ()
        return replace(state, choosing=what, choice=0), ()

    return ask


def _choose(state, key):
    options = choices(state)
    if key in ("escape", "backspace") or not options:
        return replace(state, choosing=""), ()
    if key in ("up", "down"):
        return replace(state, choice=(state.choice + (1 if key == "down" else -1)) % len(options)), ()
    if key.startswith("pick:"):
        state, key = replace(state, choice=int(key[5:])), "enter"
    if key != "enter":
        # A letter goes to the next option that begins with it.
        later = [(k - state.choice - 1) % len(options) for k, o in enumerate(options) if o.lower().startswith(key)]
        return replace(state, choice=(state.choice + 1 + min(later)) % len(options)) if later else state, ()
    done = replace(state, choosing="")
    if state.choosing == "point":
        point, item = state.workflow.points[state.choice], _item(state)
        if item and item.item is Item.POINT:
            return done, (_assigned(item.runs, point),)
        return done, (Correct(action=Action.ASSIGN, target=run_here(state).id, payload=(("point", point),)),)
    kind, name = state.names[state.choice]
    return done, (Correct(action=Action.SET, target=_call(state).id, payload=(("kind", kind), ("name", name))),)


def choices(state: ReviewState) -> tuple[str, ...]:
    """What can be chosen now, in words; empty when nothing is being chosen."""
    if state.choosing == "point":
        return state.workflow.points
    if state.choosing == "kind":
        return tuple(name.replace("_", " ") for _, name in state.names)
    return ()


_KEYS = {
    "enter": _enter,
    "p": _propose,
    "x": _reject,
    "delete": _reject,
    "space": _play,
    "s": _slower,
    "u": lambda state: (replace(state, typed=""), (Undo(),)),
    "r": lambda state: (replace(state, typed=""), (Redo(),)),
    "c": _confirm_run,
    "i": _zoom(-1),
    "o": _zoom(1),
    "w": _words_for,
    "up": _step_list(-1),
    "down": _step_list(1),
    "left": _step_call(-1),
    "right": _step_call(1),
    "-": _step_cursor(-CURSOR_STEP_S),
    "+": _step_cursor(CURSOR_STEP_S),
    "=": _step_cursor(CURSOR_STEP_S),
    "a": _add,
    "m": _move,
    "k": _ask("kind"),
    "d": _discard,
    "t": _ask("point"),
    "[": _split,
    "j": _join,
    "tab": _tab,
    "backspace": lambda state: (replace(state, typed=state.typed[:-1]), ()),
    "escape": lambda state: (replace(state, typed=""), ()),
}


# Where we are --------------------------------------------------------------------------------


def _keys(state: ReviewState) -> list[str]:
    if state.listing == "runs":
        return [run.id for run in state.workflow.runs.runs]
    return [item.id for item in state.workflow.queue.items]


def _position(state: ReviewState) -> int:
    keys = _keys(state)
    if state.here in keys:
        return keys.index(state.here)
    if state.listing == "runs" and (run := run_here(state)):
        return keys.index(run.id)
    return 0


def _here_is_there(state: ReviewState) -> bool:
    return bool(_call(state) or _item(state) or any(run.id == state.here for run in state.workflow.runs.runs))


def _item(state: ReviewState) -> QueueItem | None:
    return next((item for item in state.workflow.queue.items if item.id == state.here), None)


def _call(state: ReviewState) -> ReviewedCall | None:
    return state.workflow.call(state.here) if state.here else None


def run_here(state: ReviewState) -> Run | None:
    """The run that the selection lies in, or None."""
    runs = state.workflow.runs.runs
    item, call = _item(state), _call(state)
    wanted = item.run if item else state.here
    for run in runs:
        if run.id == wanted or (call and any(c.id == call.id for c in run.calls)):
            return run
    at_ns = round(state.cursor_s * 1e9)
    return next((run for run in runs if run.start_ns <= at_ns <= run.end_ns), None)


def _at(state: ReviewState, id: str) -> ReviewState:
    state = replace(state, here=id, typed="", choosing="")
    item, call = _item(state), _call(state)
    if call:  # the middle of the words, not their first sound
        return replace(state, cursor_s=(call.flight_ns + call.end_ns) / 2e9)
    if item:
        return replace(state, cursor_s=item.flight_ns / 1e9)
    run = next((run for run in state.workflow.runs.runs if run.id == id), None)
    return replace(state, cursor_s=run.start_s) if run else state


def _typed(state: ReviewState) -> float | None:
    try:
        return float(state.typed)
    except ValueError:
        return None


# What to draw --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A line of the list on the left."""

    id: str
    title: str
    detail: str
    here: bool
    mark: str  # "look", "sample", "good", "bad", "open"


@dataclass(frozen=True, slots=True, kw_only=True)
class Dot:
    """A call on the trace. `y` is in the pilot's unit, None for what is no airspeed."""

    id: str
    at_s: float
    y: float | None
    text: str
    state: str  # heard, confirmed, corrected, added, rejected
    flagged: bool
    here: bool
    heard_y: float | None = None
    proposed_y: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """Everything on the screen. Times are on the flight clock [s], speeds in the pilot's unit."""

    title: str
    progress: str
    share: float
    message: str
    trouble: bool
    listing: str
    rows: tuple[Row, ...]
    row_here: int
    start_s: float
    end_s: float
    cursor_s: float
    low: float
    high: float
    unit: str
    dots: tuple[Dot, ...]
    line: tuple[tuple[float, float], ...]
    band: tuple[tuple[float, float, float], ...]  # (s, low, high)
    run_title: str
    run_verdict: str
    big: str
    heard: str
    why: tuple[str, ...]
    proposed: str
    typed: str
    alternatives: str
    history: str
    choices: tuple[str, ...]
    choice: int
    speed: float
    help: tuple[tuple[str, str], ...] = ()


def view(state: ReviewState) -> View:
    """What to draw."""
    workflow = state.workflow
    run = run_here(state)
    start_s, end_s = _span(state, run)
    flagged = {item.target: item for item in workflow.queue.items if item.target and item.item is not Item.SAMPLE}
    flagged |= {id: replace(i, proposed=value) for i in workflow.queue.items for id, value in i.calls}
    dots = tuple(
        _dot(call, state, flagged.get(call.id), workflow.unit)
        for call in workflow.calls
        if start_s <= call.flight_s <= end_s
    )
    line, band = _line(state, run), _band(state, run)
    rows = _rows(state)
    item, call = _item(state), _call(state)
    again = [value for _, value in item.calls] if item else []
    low, high = _heights(
        [d.y for d in dots if d.y is not None and d.state != "rejected"] + [y for _, y in line] + again
    )
    return View(
        title=f"{workflow.info.id}  ·  {workflow.info.configuration or 'configuration not given'}  ·  {state.who}",
        progress=workflow.review.in_words() if workflow.review.complete else workflow.progress.in_words(),
        share=workflow.progress.share,
        message=state.message,
        trouble=state.trouble,
        listing=state.listing,
        rows=rows,
        row_here=next((k for k, row in enumerate(rows) if row.here), 0),
        start_s=start_s,
        end_s=end_s,
        cursor_s=state.cursor_s,
        low=low,
        high=high,
        unit=workflow.unit,
        dots=dots,
        line=line,
        band=band,
        run_title=_run_title(run),
        run_verdict=_run_verdict(state, run),
        big=_big(state, item, call),
        heard=_heard(call, workflow.unit),
        why=_why(item),
        proposed=shown(item.proposed) if item and item.proposed is not None else "",
        typed=state.typed,
        alternatives=_alternatives(call),
        history=_history(state, call),
        choices=choices(state),
        choice=state.choice,
        speed=state.speed,
        help=KEYS_HELP if state.help else (),
    )


def _heights(speeds: list[float]) -> tuple[float, float]:
    """Bottom and top of the trace: one wild reading is drawn at the edge, it does not flatten the rest."""
    if not speeds:
        return 30.0, 70.0
    middle = median(speeds)
    return max(min(speeds), middle - SHOWN_EACH_WAY) - 3, min(max(speeds), middle + SHOWN_EACH_WAY) + 3


def _span(state: ReviewState, run: Run | None) -> tuple[float, float]:
    if run and run.start_s - MARGIN_S <= state.cursor_s <= run.end_s + MARGIN_S:
        more_s = max(MARGIN_S, (2 * AROUND_S - (run.end_s - run.start_s)) / 2)
        start_s, end_s = run.start_s - more_s, run.end_s + more_s
    else:
        start_s, end_s = state.cursor_s - AROUND_S, state.cursor_s + AROUND_S
    zoom = ZOOMS[state.zoom]
    if zoom < 1:  # about the cursor
        half_s = zoom * (end_s - start_s) / 2
        start_s, end_s = state.cursor_s - half_s, state.cursor_s + half_s
    elif zoom > 1:
        more_s = (zoom - 1) * (end_s - start_s) / 2
        start_s, end_s = start_s - more_s, end_s + more_s
    return max(0.0, start_s), end_s


def _dot(call: ReviewedCall, state: ReviewState, item: QueueItem | None, unit: str) -> Dot:
    speed = call.kind is CallKind.AIRSPEED and isinstance(call.value, (int, float))
    heard = call.heard_value if speed and isinstance(call.heard_value, (int, float)) else None
    proposed = item.proposed if item and speed and isinstance(item.proposed, (int, float)) else None
    return Dot(
        id=call.id,
        at_s=call.flight_s,
        y=float(call.value) if speed and isinstance(call.value, (int, float)) else None,
        text=_words(call, state.workflow, short=True),
        state=str(call.status),
        flagged=item is not None,
        here=call.id == state.here,
        heard_y=float(heard) if heard is not None and heard != call.value else None,
        proposed_y=float(proposed) if proposed is not None else None,
    )


def _line(state: ReviewState, run: Run | None) -> tuple[tuple[float, float], ...]:
    from logger_app.units import from_kt

    result = state.results.get(run.id) if run else None
    if not result or not result.fit:
        return ()
    t0_ns, at_t0_kt, slope = result.fit
    t0_s = t0_ns / 1e9
    used = [state.workflow.call(id) for id in result.calls_used]
    first_s = min((call.flight_s for call in used if call), default=t0_s - 8)
    unit = state.workflow.unit
    return tuple((s, from_kt(at_t0_kt + slope * (s - t0_s), unit)) for s in (first_s, t0_s))


def _band(state: ReviewState, run: Run | None) -> tuple[tuple[float, float, float], ...]:
    """Where the approach would lie at the slowest and fastest entry rate that was asked for."""
    from logger_app.units import from_kt

    line = _line(state, run)
    rates = state.workflow.rates.get(run.point) if run and run.point else None
    if not line or not rates:
        return ()
    (first_s, _), (end_s, end_y) = line
    unit = state.workflow.unit
    slow, fast = (from_kt(rate, unit) * (end_s - first_s) for rate in rates)
    return ((first_s, end_y + slow, end_y + fast), (end_s, end_y, end_y))


def _rows(state: ReviewState) -> tuple[Row, ...]:
    if state.listing == "runs":
        here = run_here(state)
        return tuple(_run_row(run, state, bool(here and run.id == here.id)) for run in state.workflow.runs.runs)
    return tuple(_queue_row(item, state) for item in state.workflow.queue.items)


def _queue_row(item: QueueItem, state: ReviewState) -> Row:
    call = state.workflow.call(item.target) if item.target else None
    what = {
        Item.DUE: "silence",
        Item.EXTRA: f"{shown(item.proposed)}?" if item.proposed is not None else "?",
        Item.RUN: "run",
        Item.TIMES: f"times in {len(item.runs)} run{'s' if len(item.runs) > 1 else ''}",
        Item.DECADE: f"{shown(item.proposed)}?",
        Item.STALL: f"{len(item.runs)} runs" if len(item.runs) > 1 else "stall speed",
        Item.POINT: f"{len(item.runs)} runs" if len(item.runs) > 1 else "test point",
    }.get(item.item, _words(call, state.workflow) if call else "?")
    run = next((r.number for r in state.workflow.runs.runs if r.id == item.run), None)
    place = f"run {run}" if run else "no run"
    return Row(
        id=item.id,
        title=f"{what}   {place}, {flight_time(item.flight_ns / 1e9)}",
        detail=item.why[0],
        here=item.id == state.here,
        mark="sample" if item.item is Item.SAMPLE else "look",
    )


def _run_row(run: Run, state: ReviewState, here: bool) -> Row:
    result = state.results.get(run.id)
    done = sum(call.reviewed for call in run.calls)
    mark = "open" if result is None else "good" if result.counts else "bad"
    verdict = "discarded" if run.discarded else _verdict_words(result, state.workflow.unit)
    return Row(
        id=run.id,
        title=f"{run.number}   {run.point or 'no point'}   {verdict}",
        detail=f"{flight_time(run.start_s)}, {done} of {len(run.calls)} calls reviewed",
        here=here,
        mark="bad" if run.discarded else mark,
    )


def _verdict_words(result, unit: str) -> str:
    from logger_app.units import from_kt

    if result is None:
        return ""
    if result.vs_ias_kt is None:
        return "no stall speed"
    return f"{from_kt(result.vs_ias_kt, unit):.1f} {unit}{'' if result.counts else ', does not count'}"


def _run_title(run: Run | None) -> str:
    if run is None:
        return "in no run"
    return f"run {run.number}  ·  {run.point or 'no test point'}  ·  {flight_time(run.start_s)} to {flight_time(run.end_s)}"


def _run_verdict(state: ReviewState, run: Run | None) -> str:
    if run is None:
        return ""
    if run.discarded:
        return f"discarded: {run.why_discarded}"
    result = state.results.get(run.id)
    if result is None:
        return run.why_no_point
    from logger_app.units import speed_text

    unit, rate_kt_per_s = state.workflow.unit, result.entry_rate_kt_per_s
    rate = f", {speed_text(rate_kt_per_s, unit)}/s" if rate_kt_per_s is not None else ""
    why = f": {'; '.join(result.why)}" if result.why else ""
    return f"{_verdict_words(result, unit)}{rate}{why}"


def _big(state: ReviewState, item: QueueItem | None, call: ReviewedCall | None) -> str:
    if state.typed:
        return f"{state.typed}_"
    if item and item.target is None:
        return "?"
    if call:
        return _words(call, state.workflow)
    if item and item.item is Item.DECADE:
        return f"{shown(item.proposed)}?"
    return "run" if item else ""


def _why(item: QueueItem | None) -> tuple[str, ...]:
    if item is None:
        return ()
    keys = ("P corrects all of them, Enter keeps what was heard, Space plays the first",)
    return item.why + (keys if item.item is Item.DECADE else ())


def _heard(call: ReviewedCall | None, unit: str) -> str:
    if call is None:
        return ""
    if call.heard is None:
        return "added by a person"
    was = "" if call.heard_value == call.value else f"heard {shown(call.heard_value)}, "
    words = f"“{call.heard.words}”, " if call.heard.words else ""
    return f"{was}{words}{100 * call.posterior:.0f} % sure, {call.status}"


def _alternatives(call: ReviewedCall | None) -> str:
    if not call or not call.heard:
        return ""
    likely = [a for a in call.heard.alternatives if a.posterior >= 0.01][:3]
    return ", ".join(f"{shown(a.name if a.value is None else a.value)} ({100 * a.posterior:.0f} %)" for a in likely)


def _history(state: ReviewState, call: ReviewedCall | None) -> str:
    if not call or not call.history:
        return ""
    by_id = {c.id: c for c in state.workflow.corrections}
    last = by_id.get(call.history[-1])
    return f"{last.action} by {last.who}, {last.utc[:16].replace('T', ' ')}" if last else ""


def _words(call: ReviewedCall, workflow: ReviewData, short: bool = False) -> str:
    if short and call.kind is CallKind.AIRSPEED:
        return "?" if call.value is None else shown(call.value)
    return call_words(call, workflow.unit, workflow.spoken)

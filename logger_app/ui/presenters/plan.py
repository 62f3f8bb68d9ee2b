"""The plan screen without its widgets: what to show, and what a touch or a typed value does. Pure.

The state holds the text of the campaign file itself, so that every edit keeps comments, order and
units, and what is shown is what would be read. Main names: `PlanState`, `start`, `update`, `view`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from logger_app.domain.fitted import lineage
from logger_app.errors import Fault
from logger_app.records.journal import FlightInfo
from logger_app.records.plan import AircraftConfig, Campaign, TestPoint
from logger_app.records.results import StallSpeed
from logger_app.ui.presenters.plan_records import (
    Action,
    AddCard,
    AddChange,
    AddConfiguration,
    AddDevices,
    AddPoint,
    Cell,
    Field,
    Place,
    PlanState,
    PlanView,
    Remove,
    Row,
    Saved,
    Select,
    SetValue,
    ShowConfiguration,
    Undo,
)
from logger_app.units import from_kt, speed_text, to_kt
from logger_app.workflows.history import wing_of_configuration
from logger_app.workflows.planning import (
    PRESETS,
    Key,
    advise,
    also_in,
    count_flown,
    edit,
    keys,
    matrix,
    next_flight,
    parse_text,
)

_POINT_KEYS = (
    "id",
    "power",
    "flap_deg",
    "bank_deg",
    "runs_wanted",
    "trim_ias_kt",
    "expected_stall_ias_kt",
    "altitude_band_ft",
    "entry_rate_band_kt_per_s",
)
_CARD_KEYS = (
    "id",
    "title",
    "objective",
    "setup",
    "entry",
    "procedure",
    "recovery",
    "limits",
    "hazard",
    "runs_wanted",
    "trim_ias_kt",
)
_CONFIG_KEYS = ("id", "name", "parent", "note", "question")
_ROW_KEYS = tuple(key.name for key in keys.DEVICE_ROW)
_CHANGE_KEYS = ("item", "what", "state", "takes_off")
_DETAIL_KEYS = tuple(key.name for key in keys.CHANGE_FIELDS if key.kind != "texts")


def start(
    text: str, runs: Sequence[StallSpeed] = (), flights: Sequence[FlightInfo] = (), message: str = ""
) -> PlanState:
    """The first state."""
    campaign, faults = parse_text(text)
    first = campaign.configurations[0].id if campaign and campaign.configurations else ""
    return PlanState(
        text=text,
        saved=text,
        campaign=campaign,
        faults=faults,
        configuration=first,
        runs=tuple(runs),
        flights=tuple(flights),
        message=message,
    )


def update(state: PlanState, intent) -> PlanState:
    """The state after a touch or a typed value, equal to the old one if nothing changes."""
    if isinstance(intent, ShowConfiguration):
        return replace(state, configuration=intent.id, selected=("configuration", intent.id), message="")
    if isinstance(intent, Select):
        return replace(state, selected=intent.place, message="")
    if isinstance(intent, Undo):
        return _undone(state)
    if isinstance(intent, Saved):
        if intent.trouble:
            return replace(state, message=intent.trouble)
        return replace(state, saved=state.text, message="Saved.")
    if state.campaign is None:
        return state
    return _EDITS[type(intent)](state, intent)


def _campaign(state: PlanState) -> Campaign:
    """The campaign, where there is one: an edit is only taken then."""
    assert state.campaign is not None, "correct the file's errors before editing points"
    return state.campaign


def _configuration(state: PlanState, id: str) -> AircraftConfig:
    config = _campaign(state).configuration(id)
    assert config is not None, id
    return config


def _undone(state: PlanState) -> PlanState:
    if not state.past:
        return state
    back = _with_text(state, state.past[-1])
    return replace(back, past=state.past[:-1], message="Taken back.")


def _with_text(state: PlanState, text: str, **more) -> PlanState:
    """The state with another text, read and checked anew."""
    if text == state.text:
        return replace(state, **more)
    campaign, faults = parse_text(text)
    campaign = campaign or state.campaign
    shown = more.pop("configuration", state.configuration)
    if campaign and campaign.configurations and campaign.configuration(shown) is None:
        shown = campaign.configurations[0].id
    selected = more.pop("selected", state.selected)
    selected = selected if _exists(campaign, selected) else ()
    past = (*state.past, state.text)[-100:]
    return replace(
        state,
        text=text,
        campaign=campaign,
        faults=faults,
        configuration=shown,
        selected=selected,
        past=past,
        message="",
        **more,
    )


def _exists(campaign: Campaign | None, place: Place) -> bool:
    if campaign is None or len(place) < 2:
        return False
    if place[0] == "configuration":
        return campaign.configuration(place[1]) is not None
    card = next((c for c in campaign.cards if c.id == place[1]), None)
    return card is not None and (len(place) < 4 or any(p.id == place[3] for p in card.points))


def _set_value(state: PlanState, intent: SetValue) -> PlanState:
    key = _key(intent.place, intent.key)
    unit = _campaign(state).indicator.unit
    value = _read(key, intent.typed)
    spelt = ""
    if intent.key.endswith("_ias_kt") and isinstance(value, (int, float)):
        value, spelt = to_kt(value, unit), intent.key.removesuffix("kt") + unit.replace("/", "")
    if value == edit.values_at(state.text, intent.place).get(intent.key):
        return state
    if intent.key == "id":
        return _renamed(state, intent.place, intent.typed.strip())
    if intent.key == "item" and intent.place[-2] == "change" and isinstance(value, str):
        return _with_text(state, edit.rename(state.text, intent.place, value))
    if key.required and value is None:
        return replace(state, message=f"{_label(key, unit)} cannot be empty.")
    return _with_text(state, edit.set_value(state.text, intent.place, intent.key, value, spelt))


def _renamed(state: PlanState, place: Place, new: str) -> PlanState:
    """A new id, unless a flight already knows the old one."""
    flown = {run.configuration for run in state.runs} | {f.configuration for f in state.flights}
    flown |= {run.point for run in state.runs}
    if place[-1] in flown:
        return replace(state, message=f"{place[-1]} has been flown under this id; it cannot be changed.")
    if not new:
        return replace(state, message="The id cannot be empty.")
    shown = new if state.configuration == place[-1] and place[0] == "configuration" else state.configuration
    text = edit.rename(state.text, place, new)
    return _with_text(state, text, selected=(*place[:-1], new), configuration=shown)


def _add_point(state: PlanState, intent: AddPoint) -> PlanState:
    card = next(c for c in _campaign(state).cards if c.id == intent.card)
    taken = {p.id for p in _campaign(state).points}
    id_ = _free(intent.card, taken)
    like = next((p for p in _campaign(state).points if p.id == intent.like), card.points[-1] if card.points else None)
    values = {
        "id": id_,
        "power": like.power if like else "idle",
        "flap_deg": intent.flap_deg if intent.flap_deg is not None else (like.flap_deg if like else 0),
        "bank_deg": like.bank_deg if like and like.bank_deg else None,
        "runs_wanted": like.runs_wanted if like else 3,
    }
    text = edit.add_row(state.text, ("card", intent.card), "point", values)
    return _with_text(state, text, selected=("card", intent.card, "point", id_))


def _add_card(state: PlanState, intent: AddCard) -> PlanState:
    taken = {c.id for c in _campaign(state).cards}
    id_ = next((letter for letter in "ABCDEFGHIJKLMNOPQRSTUVWXYZ" if letter not in taken), None) or _free("Z", taken)
    preset, unit = PRESETS[intent.preset], _campaign(state).indicator.unit
    card = {
        "id": id_,
        "title": f"Idle {preset.title}",
        "objective": preset.objective,
        "basis": preset.basis,
        "entry": also_in(unit, preset.entry),
        "procedure": list(preset.procedure),
        "recovery": preset.recovery,
        "limits": [also_in(unit, limit) for limit in preset.limits],
        "hazard": preset.hazard,
        "entry_rate_band_kt_per_s": [preset.rate_low_kt_per_s, preset.rate_high_kt_per_s],
    }
    text = edit.add_row(state.text, (), "card", card)
    point = {
        "id": _free(id_, {p.id for p in _campaign(state).points}),
        "power": "idle",
        "flap_deg": 0,
        "runs_wanted": 3,
    }
    point["bank_deg"] = preset.bank_deg or None
    text = edit.add_row(text, ("card", id_), "point", point)
    return _with_text(state, text, selected=("card", id_))


def _add_configuration(state: PlanState, intent: AddConfiguration) -> PlanState:
    id_ = _free("change_", {c.id for c in _campaign(state).configurations})
    values = {"id": id_, "name": "New configuration", "parent": state.configuration or None}
    text = edit.add_row(state.text, (), "configuration", values)
    text = edit.add_row(text, ("configuration", id_), "change", {"item": "what is changed", "state": "nominal"})
    return _with_text(state, text, selected=("configuration", id_), configuration=id_)


def _add_change(state: PlanState, intent: AddChange) -> PlanState:
    taken = {change.item for change in _configuration(state, intent.configuration).changes}
    item = "another thing" if "another thing" not in taken else _free("another thing ", taken)
    text = edit.add_row(
        state.text, ("configuration", intent.configuration), "change", {"item": item, "state": "nominal"}
    )
    return _with_text(state, text)


def _add_devices(state: PlanState, intent: AddDevices) -> PlanState:
    """On the outer half of both wings, until it is said where."""
    place = ("configuration", intent.configuration, "change", intent.item)
    return _with_text(state, edit.add_row(state.text, place, "row", {"span_from_pct": 50, "span_to_pct": 90}))


def _remove(state: PlanState, intent: Remove) -> PlanState:
    up = intent.place[:2] if intent.place[-2] == "row" else intent.place[:-2]
    return _with_text(state, edit.remove_row(state.text, intent.place), selected=up)


_EDITS: dict[type, Callable] = {
    SetValue: _set_value,
    AddPoint: _add_point,
    AddCard: _add_card,
    AddConfiguration: _add_configuration,
    AddChange: _add_change,
    AddDevices: _add_devices,
    Remove: _remove,
}


def _free(stem: str, taken: set[str]) -> str:
    number = 1
    while f"{stem}{number}" in taken:
        number += 1
    return f"{stem}{number}"


def view(state: PlanState) -> PlanView:
    """What to draw: texts, colours by name, and what each touch asks for."""
    campaign = state.campaign
    if campaign is None:
        return _unreadable(state)
    columns, rows = matrix(campaign)
    heading, lines, fields, actions = _detail(state)
    changed = state.text != state.saved
    words = state.message or ("Changed, not saved." if changed else "Saved")
    if changed and state.faults:
        words = f"{len(state.faults)} to correct before saving."
    return PlanView(
        title=campaign.name or "Campaign",
        tabs=tuple(_tab(state, config.id) for config in campaign.configurations),
        columns=columns,
        rows=tuple(_row(state, label, cells, columns) for label, cells in rows),
        cards=tuple(
            Action(label=f"Card {c.id}", intent=Select(("card", c.id)), active=state.selected[:2] == ("card", c.id))
            for c in campaign.cards
        ),
        heading=heading,
        lines=lines,
        fields=fields,
        actions=actions,
        checks=_checks(state),
        next_flight=_next_words(state),
        state_words=words,
        can_save=changed and not state.faults,
        can_undo=bool(state.past),
        drawing=wing_of_configuration(campaign, state.selected[1])
        if state.selected[:1] == ("configuration",)
        else None,
    )


def _unreadable(state: PlanState) -> PlanView:
    return PlanView(
        title="Campaign",
        tabs=(),
        columns=(),
        rows=(),
        cards=(),
        heading="This file cannot be read",
        lines=("Correct it in a text editor, then open this screen again.",),
        fields=(),
        actions=(),
        checks=_checks(state),
        next_flight="",
        state_words=state.message,
        can_save=False,
        can_undo=bool(state.past),
    )


def _tab(state: PlanState, id_: str) -> Action:
    parent = _configuration(state, id_).parent
    label = f"{id_} (from {parent})" if parent else id_
    return Action(label=label, intent=ShowConfiguration(id_), active=id_ == state.configuration)


def _row(state: PlanState, label: str, cells, columns: tuple[str, ...]) -> Row:
    first = next(point for cell in cells for point in cell)
    adds = tuple(
        None if cell else AddPoint(first.card, float(column.split()[1]), first.id)
        for column, cell in zip(columns, cells, strict=True)
    )
    return Row(label=label, cells=tuple(tuple(_cell(state, p) for p in cell) for cell in cells), adds=adds)


def _cell(state: PlanState, point: TestPoint) -> Cell:
    count = count_flown(state.runs).get((state.configuration, point.id), 0)
    left = max(0, point.runs_wanted - count)
    status = "done" if not left else "part" if count else "none"
    words = {"done": "done", "part": f"{left} left", "none": "to fly"}[status]
    place = ("card", point.card, "point", point.id)
    return Cell(
        place=place,
        title=point.id,
        count=f"{count} of {point.runs_wanted}",
        words=words,
        status=status,
        share=min(1.0, count / point.runs_wanted),
        selected=state.selected == place,
    )


def _detail(state: PlanState) -> tuple[str, tuple[str, ...], tuple[Field, ...], tuple[Action, ...]]:
    place = state.selected
    if not _exists(state.campaign, place):
        return "Tap a point, a card or a configuration", (), (), (*_ADD_CARDS, _ADD_CONFIGURATION)
    if place[0] == "configuration":
        return _configuration_detail(state, place)
    if len(place) == 4:
        return _point_detail(state, place)
    return _card_detail(state, place)


_ADD_CARDS = tuple(
    Action(label=f"+ card: {preset.title.removeprefix('stalls, ')}", intent=AddCard(preset.id))
    for preset in PRESETS.values()
)
_ADD_CONFIGURATION = Action(label="+ configuration", intent=AddConfiguration())


def _point_detail(state: PlanState, place: Place):
    point = next(p for p in _campaign(state).points if p.id == place[3] and p.card == place[1])
    lines = [
        _run_line(state, run)
        for run in state.runs
        if run.point == point.id and run.configuration == state.configuration
    ]
    if not lines:
        lines = [f"No run in {state.configuration} yet."]
    actions = (
        Action(label=f"Card {point.card}", intent=Select(place[:2])),
        Action(label="Remove point", intent=Remove(place)),
    )
    return f"{point.id}: {point.label}", tuple(lines), _fields(state, place, _POINT_KEYS), actions


def _run_line(state: PlanState, run: StallSpeed) -> str:
    unit = _campaign(state).indicator.unit
    speed = "no speed" if run.vs_ias_kt is None else f"{from_kt(run.vs_ias_kt, unit):.1f} {unit} IAS"
    rate = "" if run.entry_rate_kt_per_s is None else f", {speed_text(run.entry_rate_kt_per_s, unit)}/s"
    verdict = "counts" if run.counts else f"does not count: {'; '.join(run.why) or 'no reason given'}"
    return f"{run.flight}, run {run.run_number}: {speed}{rate}, {verdict}"


def _card_detail(state: PlanState, place: Place):
    card = next(c for c in _campaign(state).cards if c.id == place[1])
    lines = (f"Points: {', '.join(p.id for p in card.points) or 'none'}",) + (
        (f"After {card.basis}",) if card.basis else ()
    )
    actions = (
        Action(label="+ point", intent=AddPoint(card.id)),
        *_ADD_CARDS,
        Action(label="Remove card", intent=Remove(place)),
    )
    return f"Card {card.id}", lines, _fields(state, place, _CARD_KEYS), actions


def _configuration_detail(state: PlanState, place: Place):
    config = _configuration(state, place[1])
    chain = " > ".join(c.id for c in lineage(_campaign(state), config.id))
    fields = list(_fields(state, place, _CONFIG_KEYS))
    actions = [Action(label="+ thing that differs", intent=AddChange(config.id)), _ADD_CONFIGURATION]
    for change in config.changes:
        at = (*place, "change", change.item)
        fields += _fields(state, at, _CHANGE_KEYS)
        for number in range(1, edit.count_rows(state.text, (*at, "row")) + 1):
            row = (*at, "row", str(number))
            fields += [replace(f, label=f"row {number}: {f.label}") for f in _fields(state, row, _ROW_KEYS)]
            actions.append(Action(label=f"Remove row {number} of {change.item}"[:40], intent=Remove(row)))
        fields += _fields(state, at, _DETAIL_KEYS)
        actions.append(Action(label=f"+ row of {change.item}"[:40], intent=AddDevices(config.id, change.item)))
        actions.append(Action(label=f"Remove {change.item}"[:40], intent=Remove(at)))
    actions.append(Action(label="Remove configuration", intent=Remove(place)))
    return f"Configuration {config.id}", (chain,), tuple(fields), tuple(actions)


def _fields(state: PlanState, place: Place, names: Sequence[str]) -> tuple[Field, ...]:
    values = edit.values_at(state.text, place)
    shared = edit.values_at(state.text, place[:2]) if len(place) == 4 and place[2] == "point" else {}
    unit = _campaign(state).indicator.unit
    return tuple(_field(place, _key(place, name), values.get(name), shared.get(name), unit) for name in names)


def _field(place: Place, key: Key, value, shared, unit: str) -> Field:
    hint = f"{_shown(key, _as_read(key, shared, unit))} on the card" if shared is not None and key.name != "id" else ""
    return Field(
        place=place,
        key=key.name,
        label=_label(key, unit),
        value=_shown(key, _as_read(key, value, unit)),
        lines=key.kind == "texts",
        hint=hint,
    )


def _as_read(key: Key, value, unit: str):
    """An indicated airspeed as the pilot reads it."""
    if key.name.endswith("_ias_kt") and isinstance(value, (int, float)):
        return float(f"{from_kt(value, unit):.5g}")
    return value


def _label(key: Key, unit: str) -> str:
    own = keys.suffix(key.name)
    words = key.name.removesuffix("_" + own.replace("/", "_per_").replace("%", "pct")) if own else key.name
    shown = unit if key.name.endswith("_ias_kt") else own
    return words.replace("_", " ").replace(" ias", " IAS") + (f" ({shown})" if shown else "")


def _key(place: Place, name: str) -> Key:
    table = {
        "point": keys.POINT,
        "card": keys.CARD,
        "configuration": keys.CONFIGURATION,
        "change": (*keys.CHANGE, *keys.CHANGE_FIELDS),
        "row": keys.DEVICE_ROW,
    }[place[-2]]
    return next(key for key in table if key.name == name)


def _shown(key: Key, value) -> str:
    if value is None:
        return ""
    if key.kind == "texts" and isinstance(value, list):
        return "\n".join(map(str, value))
    if key.kind == "stations" and isinstance(value, list):
        return ", ".join(f"{span:g}: {chord:g}" for span, chord in value)
    if isinstance(value, list):
        return " to ".join(_shown(key, item) for item in value)
    return f"{value:g}" if isinstance(value, float) else str(value)


def _read(key: Key, typed: str):
    """A typed text as a value of the key's kind; what cannot be read stays text, for the check to name."""
    typed = typed.strip()
    if not typed:
        return None
    if key.kind == "texts":
        return [line.strip() for line in typed.split("\n") if line.strip()]
    if key.kind == "band":
        parts = typed.replace(" to ", " ").replace(",", " ").split()
        return [_number(part) for part in parts]
    if key.kind == "stations" and ":" in typed:
        return [[_number(part.strip()) for part in pair.split(":")] for pair in typed.split(",")]
    if key.kind in ("number", "whole", "stations"):
        return _number(typed)
    return typed


def _number(typed: str):
    try:
        value = float(typed.replace(",", "."))
    except ValueError:
        return typed
    return int(value) if value == int(value) and abs(value) < 1e15 else value


def _checks(state: PlanState) -> tuple[tuple[str, str], ...]:
    if state.faults:
        return tuple(("wrong", _sentence(fault)) for fault in state.faults)
    advice = advise(_campaign(state), state.flights)
    if not advice:
        return (("fine", "No problems found in this plan."),)
    return tuple(("advice", item.words) for item in advice)


def _sentence(fault: Fault) -> str:
    where = fault.where[:1].upper() + fault.where[1:] if fault.where else "The file"
    hint = f" {fault.hint}" if fault.hint else ""
    return f"{where}: {fault.got}, but expected {fault.expected}.{hint}"


def _next_words(state: PlanState) -> str:
    if state.faults:
        return ""
    history = [f.configuration for f in state.flights if f.configuration]
    proposed = next_flight(_campaign(state), count_flown(state.runs), history)
    if proposed is None:
        return "Next flight: none; every run wanted has been flown."
    points = ", ".join(f"{point} x{runs}" for point, runs in proposed.runs)
    return f"Next flight: {proposed.configuration}: {points}. {proposed.reason[:1].upper()}{proposed.reason[1:]}."

"""What `plan new` asks, and how an answer in words becomes a value. Pure; the asking is the command line's.

Main names: `QUESTIONS`, `read_answer`, `answers_from`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from logger_app.errors import CardError, Fault
from logger_app.plan import keys
from logger_app.plan.template import Answers, slug
from logger_app.records.plan import POWER_IDLE
from logger_app.units import AIRSPEED_UNITS

_AMOUNT = re.compile(r"^\s*(-?\d+(?:[.,]\d+)?)\s*([^\d\s].*)?$")
_BANK = re.compile(r"^([+-]?\d+(?:\.\d+)?)\s*(l|left|r|right)?$", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """One question: `name` is a field of `Answers` or a key of the aircraft."""

    name: str
    ask: str
    read: Callable[[str], object]
    usual: str = ""  # what Enter stands for; empty means that it may be left out
    required: bool = False


def read_answer(question: Question, text: str):
    """An answer in words as a value.

    Parameters
    ----------
    text : str
        The answer; nothing stands for the usual one, a dash for none at all.

    Returns
    -------
    object
        As the question's reader makes it; None if it was left out.

    Raises
    ------
    CardError
        It cannot be read; says what was got and what is expected.
    """
    text = text.strip() or question.usual
    if not text or text == "-":
        if question.required:
            raise _wrong(question.name, "nothing", question.ask)
        return None
    try:
        return question.read(text)
    except ValueError as err:
        raise _wrong(question.name, repr(text), str(err)) from err


def answers_from(values: Mapping[str, object]) -> Answers:
    """Answers for the template, from values by question.

    Parameters
    ----------
    values : mapping of str to object
        By the questions' names; None and absent are left out.

    Raises
    ------
    CardError
        Required answers are missing, or lists do not fit each other; all at once.
    """
    given: dict[str, Any] = {name: value for name, value in values.items() if value is not None}
    faults = [
        Fault(where=f"plan new, {q.name}", got="nothing", expected=q.ask, hint=f"Give {flag(q.name)}.")
        for q in QUESTIONS
        if q.required and q.name not in given
    ]
    flaps = given.get("flaps", (0.0,))
    moving = [flap for flap in flaps if flap > 0]
    limits = given.get("flap_limits", ())
    stalls = given.get("stalls", ())
    for name, row, many, what in (
        ("flap_limits", limits, len(moving), "flap setting above 0"),
        ("stalls", stalls, len(flaps), "flap setting"),
    ):
        if row and len(row) != many:
            faults.append(
                Fault(where=f"plan new, {name}", got=f"{len(row)} speeds", expected=f"{many}, one for each {what}")
            )
    if faults:
        raise CardError(faults=tuple(faults))
    fastest = dict(zip(moving, limits, strict=False))
    expected = dict(zip(flaps, stalls, strict=False))
    changes = tuple((slug(item), item) for item in given.get("changes", ()))
    if len({id_ for id_, _ in changes}) < len(changes):
        changes = tuple((f"{id_}_{n}", item) for n, (id_, item) in enumerate(changes, 1))
    aircraft = given["aircraft"]
    fields: tuple[str, ...] = (
        "unit",
        "powers",
        "banks",
        "accelerated",
        "speeds",
        "stations",
        "load_kg",
        "fuel_l",
        "floor_ft",
        "entry_min_ft",
    )
    fields += ("smallest_difference_kt", "scatter_kt", "runs")
    known = {key.name for key in keys.AIRCRAFT if key.kind == "number"}
    return Answers(
        name=given.get("name") or (f"{aircraft}: {changes[0][1]}" if changes else str(aircraft)),
        aircraft=str(aircraft),
        amounts=tuple(value for name, value in given.items() if name in known),
        flaps=tuple((flap, fastest.get(flap), expected.get(flap)) for flap in flaps),
        changes=changes,
        **{name: given[name] for name in fields if name in given},
    )


def flag(name: str) -> str:
    """The command line's option for a question."""
    return f"--{ {'changes': 'change', 'smallest_difference_kt': 'difference-kt'}.get(name, name).replace('_', '-') }"


def _wrong(name: str, got: str, expected: str) -> CardError:
    return CardError(faults=(Fault(where=f"plan new, {name}", got=got, expected=expected),))


def _amount(name: str) -> Callable[[str], tuple[str, float]]:
    """A reader of a number with a unit behind it, or none for the key's own."""
    spelt = {_unit_word(other): other for other in (name, *keys.twins(name))}

    def read(text: str) -> tuple[str, float]:
        match = _AMOUNT.match(text)
        unit = (match[2] or _unit_word(name)).lower().replace(" ", "") if match else ""
        unit = {
            "lbs": "lb",
            "kgs": "kg",
            "litres": "l",
            "inches": "in",
            '"': "in",
            "sqft": "ft2",
            "gal": "usgal",
            "gal/h": "usgal/h",
            "gph": "usgal/h",
            "kmh": "km/h",
        }.get(unit, unit)
        if not match or unit not in spelt:
            raise ValueError(f"a number in {_unit_word(name)}, or with its unit: {', '.join(spelt)}")
        return spelt[unit], float(match[1].replace(",", "."))

    return read


def _unit_word(name: str) -> str:
    return keys.suffix(name).replace("kmh", "km/h")


def _plain(name: str) -> Callable[[str], float]:
    """As `_amount`, but the value itself in the key's own unit."""
    factors = {name: 1.0, **keys.twins(name)}

    def read(text: str) -> float:
        spelt, value = _amount(name)(text)
        return value * factors[spelt]

    return read


def _numbers(what: str) -> Callable[[str], tuple[float, ...]]:
    def read(text: str) -> tuple[float, ...]:
        try:
            return tuple(float(part) for part in text.replace(";", ",").split(",") if part.strip())
        except ValueError:
            raise ValueError(f"{what}, separated by commas") from None

    return read


def _flaps(text: str) -> tuple[float, ...]:
    flaps = _numbers("flap settings in degrees, as 0, 15, 30")(text)
    return tuple(sorted(set(flaps)))


def _banks(text: str) -> tuple[float, ...]:
    banks = []
    for part in text.split(","):
        match = _BANK.match(part.strip())
        if not match:
            raise ValueError("bank angles in degrees, as 0, 30, 30L")
        banks.append(float(match[1]) * (-1 if (match[2] or "r").lower().startswith("l") else 1))
    return tuple(banks)


def _texts(separator: str) -> Callable[[str], tuple[str, ...]]:
    return lambda text: tuple(part.strip() for part in text.split(separator) if part.strip())


def _unit(text: str) -> str:
    if text not in AIRSPEED_UNITS:
        raise ValueError(f"one of {', '.join(AIRSPEED_UNITS)}")
    return text


def _stations(text: str) -> tuple[tuple[str, float, float | None], ...]:
    rows = []
    for part in _texts(";")(text):
        words = [word.strip() for word in part.split(":")]
        try:
            name, arm, *most = words
            rows.append((name, float(arm), float(most[0]) if most else None))
        except (ValueError, IndexError):
            raise ValueError("stations as NAME:ARM_MM:MAX_KG, separated by ;") from None
    return tuple(rows)


def _load(text: str) -> tuple[tuple[str, float], ...]:
    try:
        rows = [part.split(":") for part in _texts(";")(text)]
        return tuple((name.strip(), float(kg)) for name, kg in rows)
    except ValueError:
        raise ValueError("loads as NAME:KG, separated by ;") from None


def _count(text: str) -> int:
    if not text.isdigit() or not int(text):
        raise ValueError("a whole number, 1 or more")
    return int(text)


def _q(name: str, ask: str, read: Callable | None = None, usual: str = "", required: bool = False) -> Question:
    return Question(name=name, ask=ask, read=read or _amount(name), usual=usual, required=required)


QUESTIONS = (
    _q("aircraft", "the aircraft, as you call it", str, required=True),
    _q("changes", "what will be changed on it, one thing (several: separate with ;)", _texts(";")),
    _q("name", "name of the campaign", str),
    _q("unit", "what the airspeed indicator shows: kt, mph or km/h", _unit, "kt"),
    _q("empty_weight_kg", "empty weight in kg (or as 850 lb)", required=True),
    _q("max_weight_kg", "maximum weight in kg", required=True),
    _q("wing_area_m2", "wing area in m2 (or as 133 ft2)", required=True),
    _q("never_exceed_ias_kt", "never-exceed speed in kt (or as 150 mph)"),
    _q("fuel_burn_l_per_h", "fuel burn in l/h (or as 5 usgal/h)"),
    _q("fuel_capacity_l", "fuel capacity in l"),
    _q("fuel_reserve_l", "fuel reserve to land with, in l"),
    _q("fuel_l", "fuel at start-up of a test flight, in l", _plain("fuel_l")),
    _q("flaps", "flap settings in degrees", _flaps, "0"),
    _q("flap_limits", "fastest with each flap setting above 0, as read", _numbers("speeds")),
    _q("stalls", "stall speed that you expect with each flap setting, as read", _numbers("speeds")),
    _q("powers", f"power settings, as {POWER_IDLE}, 2100 rpm", _texts(","), POWER_IDLE),
    _q("banks", "bank angles, as 0, 30 (right), 30L (left)", _banks, "0"),
    _q("stations", "stations that carry weight, as seats:2150:200; baggage:2600:25", _stations),
    _q("load_kg", "what they carry, as seats:160; baggage:5", _load),
    _q("empty_arm_mm", "arm of the empty CG in mm (or as 80 in)"),
    _q("fuel_arm_mm", "arm of the fuel in mm"),
    _q("cg_min_mm", "forward CG limit in mm"),
    _q("cg_max_mm", "aft CG limit in mm"),
    _q("floor_ft", "floor: recovered by this height, in ft", _plain("floor_ft"), "3000"),
    _q("entry_min_ft", "no approach starts below, in ft", _plain("entry_min_ft"), "5000"),
    _q("smallest_difference_kt", "smallest difference worth knowing, in kt", _plain("smallest_difference_kt"), "2"),
    _q("scatter_kt", "scatter of repeated runs (standard deviation), in kt", _plain("scatter_kt"), "0.7"),
    _q("runs", "runs a point (empty: worked out from the two before)", _count),
)
_CG = ("empty_arm_mm", "fuel_arm_mm", "cg_min_mm", "cg_max_mm", "load_kg")


def worth_asking(question: Question, values: Mapping[str, object]) -> bool:
    """Whether a question makes sense after the answers so far.

    Returns
    -------
    bool
        False for the CG without stations, flap limits without flaps.
    """
    if question.name in _CG:
        return bool(values.get("stations"))
    if question.name == "flap_limits":
        flaps: Any = values.get("flaps") or ()
        return any(flap > 0 for flap in flaps)
    return True

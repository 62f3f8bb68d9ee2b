"""Single values out of TOML tables, checked against their keys; every fault is collected, none raised.

Pure. A method `_<kind>` of `Reader` reads each kind of value; what comes of the values is
`plan.parse`'s affair. Main name: `Reader`.
"""

from __future__ import annotations

import difflib
import math
import re
from datetime import date

from logger_app.domain.folder_names import is_folder_name
from logger_app.errors import Fault
from logger_app.plan import keys
from logger_app.plan.keys import Key
from logger_app.records.plan import POWER_IDLE

_POWER = re.compile(r"^(\d+(?:\.\d+)?)\s*(rpm|%|percent|per cent)$", re.IGNORECASE)
_RPM = (300, 10000)
_ID = re.compile(r"\w(?:[\w .+-]{0,58}[\w+-])?")

_ROWS_OF_THE_AIRCRAFT = ("flap_limit", "station", "control_surface", "wing_station")


class Reader:
    """Takes values out of tables against their keys and collects what is wrong with them."""

    def __init__(self):
        self.faults: list[Fault] = []

    def fault(self, where: str, got, expected: str, hint: str = "") -> None:
        self.faults.append(Fault(where=where, got=str(got), expected=expected, hint=hint))

    def complete(self, values: dict, table: tuple[Key, ...]) -> bool:
        return all(key.name in values for key in table if key.required)

    def unknown(self, table: dict, where: str, known: tuple[str, ...], advice: str = "") -> None:
        for name in table:
            if name not in known:
                near = difflib.get_close_matches(name, known, n=1, cutoff=0.6) or [k for k in known if name == _stem(k)]
                hint = f"Did you mean {near[0]}?" if near else advice
                expected = "a known key" if near else _some(known)
                self.fault(f"{where}, {name}", "a key that is not known", expected, hint)

    def table(self, document: dict, name: str, required: bool = False) -> dict:
        """Values of ``[name]``; empty if it is not there."""
        found = document.get(name)
        if found is None:
            if required:
                self.fault(name, "nothing", f"a table [{name}]")
            return {}
        if not isinstance(found, dict):
            self.fault(name, _shown(found), f"a table [{name}]", "Write it in single square brackets, once.")
            return {}
        values = self.values(found, name, keys.TABLES[name])
        return {k: v for k, v in values.items() if k not in _ROWS_OF_THE_AIRCRAFT}

    def rows(self, document: dict, name: str, table: tuple[Key, ...], *, within: str = "", label: str = ""):
        """(where, values) of every ``[[name]]`` row."""
        found = document.get(name, [])
        full = f"{within}.{name}" if within == "aircraft" else name
        if not isinstance(found, list) or not all(isinstance(row, dict) for row in found):
            self.fault(
                _at(within, name), _shown(found), f"rows under [[{full}]]", "Write it in double square brackets."
            )
            return []
        result = []
        for number, row in enumerate(found, 1):
            mark = row.get(label)
            mark = f"{mark}" if isinstance(mark, (str, int, float)) and str(mark).strip() else f"number {number}"
            where = _at(within, f"{name} {mark}" if label != "flap_deg" else f"{name} flap {mark}")
            result.append((where, self.values(row, where, table)))
        return result

    def values(self, source: dict, where: str, table: tuple[Key, ...]) -> dict:
        """Checked values by the keys' own names; what is absent or bad is left out."""
        spellings = {key.name: (key, 1.0, key.name) for key in table}
        for key in table:
            spellings |= {other: (key, factor, other) for other, factor in keys.twins(key.name).items()}
        own = tuple(key.name for key in table)
        advice = "Put it under other = { ... }." if "other" in own else ""
        self.unknown({k: v for k, v in source.items() if k not in spellings}, where, own, advice)
        values = {}
        for name, raw in source.items():
            if name not in spellings:
                continue
            key, factor, _ = spellings[name]
            if key.name in values or (name != key.name and key.name in source):
                self.fault(f"{where}, {name}", "the same thing twice, in two units", f"only one of {key.name}, {name}")
                continue
            value = self.value(key, raw, factor, f"{where}, {name}", name)
            if value is not None:
                values[key.name] = value
        for key in table:
            if (
                key.required
                and key.name not in values
                and not any(s in source for s in (key.name, *keys.twins(key.name)))
            ):
                also = "".join(f" (or {other})" for other in list(keys.twins(key.name))[:1])
                self.fault(f"{where}, {key.name}", "nothing", f"{_kind_words(key)}{also}", _about(key))
        return values

    def value(self, key: Key, raw, factor: float, where: str, name: str):
        """One value in the key's own unit, or None with the fault noted."""
        return getattr(self, f"_{key.kind}")(key, raw, factor, where, name)

    def _number(self, key, raw, factor, where, name):
        if not _is_number(raw):
            self.fault(where, _shown(raw), _kind_words(key, name), _quote_hint(raw))
            return None
        value = float(raw) * factor
        if key.low <= value <= key.high:
            return value
        unit = keys.suffix(name)
        low, high = key.low / factor, key.high / factor
        hint = ""
        for other, other_factor in {key.name: 1.0, **keys.twins(key.name)}.items():
            if other != name and key.low <= raw * other_factor <= key.high:
                hint = f"If {raw:g} is in {keys.suffix(other)}, write {other} = {raw:g}."
                break
        self.fault(where, f"{raw:g} {unit}".strip(), f"{low:g} to {high:g} {unit}".strip(), hint)
        return None

    def _whole(self, key, raw, factor, where, name):
        if not _is_number(raw) or raw != int(raw):
            self.fault(where, _shown(raw), "a whole number", _quote_hint(raw))
            return None
        return None if self._number(key, raw, 1.0, where, name) is None else int(raw)

    def _text(self, key, raw, factor, where, name):
        if not isinstance(raw, str) or not raw.strip():
            self.fault(where, _shown(raw), "some text in quotes", _about(key))
            return None
        raw = raw.strip()
        if key.choices and raw not in key.choices:
            near = difflib.get_close_matches(raw.lower(), key.choices, n=1)
            hint = f"Did you mean {near[0]}?" if near else ""
            self.fault(where, _shown(raw), f"one of {', '.join(key.choices)}", hint)
            return None
        return raw

    def _id(self, key, raw, factor, where, name):
        if isinstance(raw, str) and _ID.fullmatch(raw) and is_folder_name(raw):
            return raw
        self.fault(
            where,
            _shown(raw),
            "a short name of letters, digits, spaces and . _ + -",
            "It also names a folder, so it is not that of a device either (con, nul, com1).",
        )
        return None

    def _texts(self, key, raw, factor, where, name):
        if isinstance(raw, str):
            self.fault(where, _shown(raw), "a list of texts", f"Write {name} = [{raw!r}].")
            return None
        if not isinstance(raw, list):
            self.fault(where, _shown(raw), "a list of texts")
            return None
        good = [self._text(key, item, factor, where, name) for item in raw]
        return None if None in good else tuple(good)

    def _numbers(self, key, raw, factor, where, name):
        if not isinstance(raw, list) or not raw:
            self.fault(where, _shown(raw), "a list of numbers, as [40, 50, 60]")
            return None
        good = [self._number(key, item, factor, where, name) for item in raw]
        return None if None in good else tuple(good)

    def _band(self, key, raw, factor, where, name):
        if not isinstance(raw, list) or len(raw) != 2:
            self.fault(where, _shown(raw), "two numbers, [low, high]")
            return None
        band = self._numbers(key, raw, factor, where, name)
        if band is not None and band[0] >= band[1]:
            self.fault(where, f"{raw[0]:g} to {raw[1]:g}", "the low end first, the high end second")
            return None
        return band

    def _stations(self, key, raw, factor, where, name):
        if _is_number(raw):
            return self._number(key, raw, factor, where, name)
        pairs = isinstance(raw, list) and all(isinstance(p, list) and len(p) == 2 for p in raw)
        if not pairs or not all(_is_number(n) for p in raw for n in p):
            self.fault(where, _shown(raw), "one number, or pairs [[span %, chord %], ...]")
            return None
        good = [self._number(key, chord, factor, where, name) for _, chord in raw]
        return None if None in good else tuple((float(s), float(c)) for s, c in raw)

    def _power(self, key, raw, factor, where, name):
        expected = '"idle", "2100 rpm", "60 %" or a name in words'
        if not isinstance(raw, str) or not raw.strip():
            self.fault(where, _shown(raw), expected, "Say what the number is." if _is_number(raw) else "")
            return None
        label = " ".join(raw.split())
        if label.lower() in ("idle", "power off", "closed", "throttle closed"):
            return POWER_IDLE, None, None
        if label.replace(".", "").isdigit():
            self.fault(where, _shown(raw), expected, f'Did you mean "{label} rpm" or "{label} %"?')
            return None
        match = _POWER.match(label)
        if not match:
            return label, None, None
        number = float(match[1])
        if match[2].lower() == "rpm":
            if not _RPM[0] <= number <= _RPM[1]:
                self.fault(where, _shown(raw), f"{_RPM[0]} to {_RPM[1]} rpm")
                return None
            return f"{number:g} rpm", number, None
        if not 0 < number <= 100:
            self.fault(where, _shown(raw), "more than 0, up to 100 %")
            return None
        return f"{number:g} %", None, number

    def _amounts(self, key, raw, factor, where, name):
        if not isinstance(raw, dict):
            self.fault(where, _shown(raw), "amounts by station, as { seats = 160 }")
            return None
        good = {k: self._number(key, v, factor, f"{where}, {k}", name) for k, v in raw.items()}
        return {k: v for k, v in good.items() if v is not None}

    def _words(self, key, raw, factor, where, name):
        if not isinstance(raw, dict):
            self.fault(where, _shown(raw), 'phrases by call, as knock_it_off = ["knock it off"]')
            return None
        good = {}
        for call, phrases in raw.items():
            read = self._texts(key, phrases, factor, f"{where}, {call}", call)
            if read == ():
                self.fault(
                    f"{where}, {call}", "an empty list", "at least one phrase", "Leave the key out for the usual ones."
                )
            elif read:
                good[call] = tuple(" ".join(phrase.lower().split()) for phrase in read)
        return good

    def _fields(self, key, raw, factor, where, name):
        if not isinstance(raw, dict) or not all(isinstance(v, (str, int, float, bool)) for v in raw.values()):
            self.fault(where, _shown(raw), "names with text or numbers, as { paint = 'wet' }")
            return None
        return raw

    def _date(self, key, raw, factor, where, name):
        if isinstance(raw, date):
            return raw.isoformat()
        if isinstance(raw, str) and re.fullmatch(r"\d{4}-\d\d-\d\d", raw):
            return raw
        self.fault(where, _shown(raw), "a date, as 2027-04-11")
        return None

    def _rows(self, key, raw, factor, where, name):
        return {name: raw}


def _is_number(raw) -> bool:
    if isinstance(raw, bool) or not isinstance(raw, (int, float)):
        return False
    try:
        return math.isfinite(raw)
    except OverflowError:  # TOML allows whole numbers of any length
        return False


def _kind_words(key: Key, name: str = "") -> str:
    if key.kind in ("number", "whole"):
        unit = keys.suffix(name or key.name)
        return f"a number{f' in {unit}' if unit else ''}"
    return {"numbers": "a list of numbers", "text": "some text in quotes", "id": "a short name in quotes"}.get(
        key.kind, "a value"
    )


def _about(key: Key) -> str:
    return f"It says {key.about}." if key.about else ""


def _quote_hint(raw) -> str:
    try:
        float(raw)
    except (TypeError, ValueError, OverflowError):
        return ""
    return "Leave the quotes out." if isinstance(raw, str) else ""


def _at(within: str, place: str) -> str:
    return f"{within}, {place}" if within else place


def _stem(name: str) -> str:
    unit = keys.suffix(name)
    return name[: -len(unit) - 1] if unit and "/" not in unit and "%" not in unit else name


def _shown(raw) -> str:
    text = repr(raw) if isinstance(raw, str) else str(raw)
    return text if len(text) <= 60 else text[:57] + "..."


def _some(known: tuple[str, ...]) -> str:
    return "one of " + ", ".join(known)

"""A campaign document (tables as `tomllib` gives them) to checked records; every fault, not the first.

Pure. Looks at one key or one row at a time; what needs two records is `plan.cards`. A bad value
leaves its default behind so that the rest can still be looked at. Main names: `parse_text`,
`parse_campaign`.
"""

from __future__ import annotations

import difflib
import itertools
import math
import re
import tomllib
from datetime import date

from logger_app.errors import Fault
from logger_app.plan import keys
from logger_app.plan.cards import check_campaign
from logger_app.plan.keys import Key
from logger_app.records.plan import (
    POWER_IDLE,
    Aircraft,
    AircraftConfig,
    CalibrationTable,
    Campaign,
    Change,
    FlapLimit,
    Indicator,
    Loading,
    PlannedFlight,
    Planning,
    Station,
    Team,
    TestCard,
    TestPoint,
)

_POWER = re.compile(r"^(\d+(?:\.\d+)?)\s*(rpm|%|percent|per cent)$", re.IGNORECASE)
_RPM = (300, 10000)
_ID = re.compile(r"\w(?:[\w .+-]{0,58}[\w+-])?")


def parse_text(text: str) -> tuple[Campaign | None, tuple[Fault, ...]]:
    """Records from the text of a campaign file, and all that is wrong with it.

    Parameters
    ----------
    text : str
        The file's text [-].

    Returns
    -------
    campaign : Campaign or None
        None if the text is no TOML [-].
    faults : tuple of Fault
        Faults of single keys, then contradictions between records [-].
    """
    try:
        document = tomllib.loads(text.replace("\r\n", "\n"))
    except (tomllib.TOMLDecodeError, RecursionError) as err:
        return None, (_toml_fault(str(err)),)
    campaign, faults = parse_campaign(document)
    return campaign, faults + check_campaign(campaign)


def parse_campaign(document: dict) -> tuple[Campaign, tuple[Fault, ...]]:
    """Records from a campaign document.

    Parameters
    ----------
    document : dict
        Tables and values as read from `campaign.toml` [-].

    Returns
    -------
    campaign : Campaign
        What could be read; only to be trusted when there are no faults [-].
    faults : tuple of Fault
        Everything that is wrong with single keys and rows [-].
    """
    reader = _Reader()
    reader.unknown(document, "top level", (*keys.TABLES, *keys.ROWS))
    head = reader.table(document, "campaign", required=True)
    if head.get("format", keys.FORMAT) > keys.FORMAT:
        reader.fault(
            "campaign, format", head["format"], f"{keys.FORMAT} at most", "A newer version wrote it."
        )
    team = reader.table(document, "team")
    campaign = Campaign(
        name=head.get("name", ""),
        language=head.get("language", "en"),
        aircraft=_aircraft(reader, document),
        indicator=_indicator(reader, document),
        calibrations=_calibrations(reader, document),
        configurations=_configurations(reader, document),
        cards=_cards(reader, document),
        flights=_flights(reader, document),
        team=Team(**{**team, "words": tuple(team.get("words", {}).items())}),
        planning=Planning(**reader.table(document, "plan")),
        comparisons=_comparisons(reader, document),
    )
    return campaign, tuple(reader.faults)


def _indicator(reader: _Reader, document: dict) -> Indicator:
    values = reader.table(document, "indicator")
    at, add = values.get("correction_ias_kt", ()), values.get("correction_kt", ())
    if len(at) != len(add) or any(b <= a for a, b in itertools.pairwise(at)):
        reader.fault(
            "indicator, correction_ias_kt and correction_kt",
            f"{list(at)} and {list(add)}",
            "pairs that rise in IAS",
        )
        values = {k: v for k, v in values.items() if not k.startswith("correction")}
    return Indicator(**values)


def _toml_fault(said: str) -> Fault:
    """What the TOML reader said, with its place where a place belongs."""
    place = re.search(r" \(at (line \d+, column \d+|end of document)\)", said)
    twice = any(word in said for word in ("twice", "overwrite", "immutable"))
    return Fault(
        where=place[1] if place else "",
        got=said.replace(place[0], "") if place else said,
        expected="TOML: key = value lines under [table] or [[row]] headings",
        hint="Each key stands once; headings that repeat take double brackets, as [[card]]." if twice else "",
    )


def _aircraft(reader: _Reader, document: dict) -> Aircraft:
    values = reader.table(document, "aircraft", required=True)
    source = document.get("aircraft")
    source = source if isinstance(source, dict) else {}
    limits = [
        FlapLimit(**v)
        for where, v in reader.rows(
            source, "flap_limit", keys.FLAP_LIMIT, within="aircraft", label="flap_deg"
        )
        if reader.complete(v, keys.FLAP_LIMIT)
    ]
    stations = [
        Station(**v)
        for where, v in reader.rows(source, "station", keys.STATION, within="aircraft", label="name")
        if reader.complete(v, keys.STATION)
    ]
    parts = {"flap_limits": tuple(limits), "stations": tuple(stations)}
    if "max_weight_kg" in values:
        values.setdefault("reference_weight_kg", values["max_weight_kg"])
    if reader.complete(values, keys.AIRCRAFT) and values["empty_weight_kg"] <= values["max_weight_kg"]:
        return Aircraft(**values, **parts)
    if reader.complete(values, keys.AIRCRAFT):
        reader.fault(
            "aircraft, empty_weight_kg",
            f"{values['empty_weight_kg']:g} kg",
            f"less than max_weight_kg, {values['max_weight_kg']:g} kg",
            _pounds_hint(values["empty_weight_kg"], values["max_weight_kg"]),
        )
    # A stand-in that no later check can find fault with: its own faults have been named already.
    kept = {k: v for k, v in values.items() if k in ("max_bank_deg", "never_exceed_ias_kt")}
    return Aircraft(
        name="",
        empty_weight_kg=1,
        reference_weight_kg=1,
        max_weight_kg=math.inf,
        wing_area_m2=1,
        **kept,
        **parts,
    )


def _pounds_hint(kg: float, limit_kg: float) -> str:
    as_kg = kg * keys.KG_PER_LB
    return (
        f"{kg:g} lb is {as_kg:.0f} kg: was it typed in pounds? Then name the key ..._lb."
        if as_kg < limit_kg
        else ""
    )


def _calibrations(reader: _Reader, document: dict) -> tuple[CalibrationTable, ...]:
    tables = []
    for where, values in reader.rows(document, "calibration", keys.CALIBRATION, label="flap_deg"):
        if not reader.complete(values, keys.CALIBRATION):
            continue
        ias, cas = values["ias_kt"], values["cas_kt"]
        fine = True
        if len(ias) != len(cas) or len(ias) < 2:
            reader.fault(
                f"{where}, cas_kt",
                f"{len(ias)} IAS and {len(cas)} CAS values",
                "as many of each, two at least",
            )
            fine = False
        for name, row in (("ias_kt", ias), ("cas_kt", cas)):
            for before, after in itertools.pairwise(row):
                if after <= before:
                    reader.fault(
                        f"{where}, {name}", f"{after:g} after {before:g}", "speeds that rise along the table"
                    )
                    fine = False
        if fine:
            tables.append(CalibrationTable(**values))
    return tuple(tables)


def _configurations(reader: _Reader, document: dict) -> tuple[AircraftConfig, ...]:
    found = []
    for where, values in reader.rows(document, "configuration", keys.CONFIGURATION, label="id"):
        changes = tuple(
            _change(v)
            for at, v in reader.rows(
                values.pop("change", {}),
                "change",
                (*keys.CHANGE, *keys.CHANGE_FIELDS),
                within=where,
                label="item",
            )
            if "item" in v
        )
        if reader.complete(values, keys.CONFIGURATION):
            found.append(AircraftConfig(**{"name": values["id"], **values}, changes=changes))
    return tuple(found)


def _change(values: dict) -> Change:
    own = {k.name for k in keys.CHANGE}
    details = [(k, _text(v)) for k, v in values.items() if k not in own]
    details += [(k, _text(v)) for k, v in values.get("other", {}).items()]
    return Change(
        item=values["item"],
        what=values.get("what", ""),
        state=values.get("state", "nominal"),
        details=tuple(details),
    )


def _text(value) -> str:
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, tuple):
        return ", ".join(
            " at ".join(map(_text, v[::-1])) + " % span" if isinstance(v, tuple) else _text(v) for v in value
        )
    return str(value)


def _comparisons(reader: _Reader, document: dict) -> tuple[tuple[str, str], ...]:
    rows = reader.rows(document, "comparison", keys.COMPARISON)
    return tuple((v["reference"], v["changed"]) for _, v in rows if reader.complete(v, keys.COMPARISON))


def _cards(reader: _Reader, document: dict) -> tuple[TestCard, ...]:
    found = []
    for where, values in reader.rows(document, "card", keys.CARD, label="id"):
        shared = {k: values.pop(k) for k in list(values) if k in {key.name for key in keys.SHARED}}
        card = values.get("id", "")
        points = [
            _point(card, {**shared, **v})
            for _, v in reader.rows(values.pop("point", {}), "point", keys.POINT, within=where, label="id")
            if reader.complete(v, keys.POINT)
        ]
        if reader.complete(values, keys.CARD):
            found.append(TestCard(**{"title": values["id"], **values}, points=tuple(points)))
    return tuple(found)


def _point(card: str, values: dict) -> TestPoint:
    low, high = values.pop("altitude_band_ft", (None, None))
    rate_low, rate_high = values.pop("entry_rate_band_kt_per_s", (0.5, 1.5))
    label, rpm, pct = values.pop("power", (POWER_IDLE, None, None))
    return TestPoint(
        **values,
        card=card,
        power=label,
        power_rpm=rpm,
        power_pct=pct,
        altitude_low_ft=low,
        altitude_high_ft=high,
        rate_low_kt_per_s=rate_low,
        rate_high_kt_per_s=rate_high,
    )


def _flights(reader: _Reader, document: dict) -> tuple[PlannedFlight, ...]:
    found = []
    for where, values in reader.rows(document, "flight", keys.FLIGHT, label="id"):
        if reader.complete(values, keys.FLIGHT):
            loading = Loading(
                items=tuple(values.pop("load_kg", {}).items()), fuel_l=values.pop("fuel_l", None)
            )
            found.append(PlannedFlight(**values, loading=loading))
    return tuple(found)


class _Reader:
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
                near = difflib.get_close_matches(name, known, n=1, cutoff=0.6) or [
                    k for k in known if name == _stem(k)
                ]
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
        return {k: v for k, v in values.items() if k not in ("flap_limit", "station")}

    def rows(self, document: dict, name: str, table: tuple[Key, ...], *, within: str = "", label: str = ""):
        """(where, values) of every ``[[name]]`` row."""
        found = document.get(name, [])
        full = f"{within}.{name}" if within == "aircraft" else name
        if not isinstance(found, list) or not all(isinstance(row, dict) for row in found):
            self.fault(
                _at(within, name),
                _shown(found),
                f"rows under [[{full}]]",
                "Write it in double square brackets.",
            )
            return []
        result = []
        for number, row in enumerate(found, 1):
            mark = row.get(label)
            mark = (
                f"{mark}" if isinstance(mark, (str, int, float)) and str(mark).strip() else f"number {number}"
            )
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
                self.fault(
                    f"{where}, {name}",
                    "the same thing twice, in two units",
                    f"only one of {key.name}, {name}",
                )
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
        if isinstance(raw, str) and _ID.fullmatch(raw):
            return raw
        self.fault(
            where,
            _shown(raw),
            "a short name of letters, digits, spaces and . _ + -",
            "It also names a folder.",
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
                    f"{where}, {call}",
                    "an empty list",
                    "at least one phrase",
                    "Leave the key out for the usual ones.",
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
    return {
        "numbers": "a list of numbers",
        "text": "some text in quotes",
        "id": "a short name in quotes",
    }.get(key.kind, "a value")


def _about(key: Key) -> str:
    return f"It says {key.about}." if key.about else ""


def _quote_hint(raw) -> str:
    try:
        float(raw)
    except (TypeError, ValueError):
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

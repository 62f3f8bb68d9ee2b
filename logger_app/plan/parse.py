"""A campaign document (tables as `tomllib` gives them) to checked records; every fault, not the first.

Pure. Looks at one key or one row at a time; what needs two records is `plan.cards`. A bad value
leaves its default behind so that the rest can still be looked at. Main names: `parse_text`,
`parse_campaign`.
"""

from __future__ import annotations

import itertools
import math
import re
import tomllib
from typing import Any

from logger_app.domain.metar import read_metar
from logger_app.errors import Fault
from logger_app.plan import keys
from logger_app.plan.cards import check_campaign
from logger_app.plan.values import Reader
from logger_app.records.plan import (
    POWER_IDLE,
    Aircraft,
    AircraftConfig,
    CalibrationTable,
    Campaign,
    Change,
    ControlSurface,
    DeviceRow,
    FlapLimit,
    Indicator,
    Loading,
    Planform,
    PlannedFlight,
    Planning,
    Station,
    Team,
    TestCard,
    TestPoint,
)


def parse_text(text: str) -> tuple[Campaign | None, tuple[Fault, ...]]:
    """Records from the text of a campaign file, and all that is wrong with it.

    Returns
    -------
    campaign : Campaign or None
        None if the text is no TOML.
    faults : tuple of Fault
        Faults of single keys, then contradictions between records.
    """
    try:
        document = tomllib.loads(text.replace("\r\n", "\n"))
    except (ValueError, RecursionError) as err:  # ValueError: also a number of more digits than Python reads
        return None, (_toml_fault(str(err)),)
    campaign, faults = parse_campaign(document)
    return campaign, faults + check_campaign(campaign)


def parse_campaign(document: dict) -> tuple[Campaign, tuple[Fault, ...]]:
    """Records from a campaign document.

    Parameters
    ----------
    document : dict
        Tables and values as read from `campaign.toml`.

    Returns
    -------
    campaign : Campaign
        What could be read; only to be trusted when there are no faults.
    faults : tuple of Fault
        Everything that is wrong with single keys and rows.
    """
    reader = Reader()
    reader.unknown(document, "top level", (*keys.TABLES, *keys.ROWS))
    head = reader.table(document, "campaign", required=True)
    if head.get("format", keys.FORMAT) > keys.FORMAT:
        reader.fault("campaign, format", head["format"], f"{keys.FORMAT} at most", "A newer version wrote it.")
    team = reader.table(document, "team")
    aircraft = _aircraft(reader, document)
    campaign = Campaign(
        name=head.get("name", ""),
        language=head.get("language", "en"),
        aircraft=aircraft,
        indicator=_indicator(reader, document),
        calibrations=_calibrations(reader, document),
        configurations=_configurations(reader, document, aircraft.planform.stations if aircraft.planform else ()),
        cards=_cards(reader, document),
        flights=_flights(reader, document),
        team=Team(**{**team, "words": tuple(team.get("words", {}).items())}),
        planning=Planning(**reader.table(document, "plan")),
        **_comparisons(reader, document),
    )
    return campaign, tuple(reader.faults)


def _indicator(reader: Reader, document: dict) -> Indicator:
    values = reader.table(document, "indicator")
    at, add = values.get("correction_ias_kt", ()), values.get("correction_kt", ())
    if len(at) != len(add) or any(b <= a for a, b in itertools.pairwise(at)):
        reader.fault(
            "indicator, correction_ias_kt and correction_kt", f"{list(at)} and {list(add)}", "pairs that rise in IAS"
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
        hint="Each key may appear once; headings that repeat take double brackets, as [[card]]." if twice else "",
    )


def _aircraft(reader: Reader, document: dict) -> Aircraft:
    values = reader.table(document, "aircraft", required=True)
    source = document.get("aircraft")
    source = source if isinstance(source, dict) else {}
    limits = [
        FlapLimit(**v)
        for where, v in reader.rows(source, "flap_limit", keys.FLAP_LIMIT, within="aircraft", label="flap_deg")
        if reader.complete(v, keys.FLAP_LIMIT)
    ]
    stations = [
        Station(**v)
        for where, v in reader.rows(source, "station", keys.STATION, within="aircraft", label="name")
        if reader.complete(v, keys.STATION)
    ]
    parts: dict[str, Any] = {
        "flap_limits": tuple(limits),
        "stations": tuple(stations),
        "planform": _planform(reader, source, values),
    }
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
        name="", empty_weight_kg=1, reference_weight_kg=1, max_weight_kg=math.inf, wing_area_m2=1, **kept, **parts
    )


def _planform(reader: Reader, source: dict, values: dict) -> Planform | None:
    """The wing from above; None where the file gives no semispan and chord."""
    shape = {
        k: values.pop(k) for k in ("semispan_mm", "root_chord_mm", "tip_chord_mm", "tip_setback_mm") if k in values
    }
    surfaces = [
        ControlSurface(**v)
        for _, v in reader.rows(source, "control_surface", keys.CONTROL_SURFACE, within="aircraft", label="name")
        if reader.complete(v, keys.CONTROL_SURFACE)
    ]
    stations = [
        (v["name"], v["span_pct"])
        for _, v in reader.rows(source, "wing_station", keys.WING_STATION, within="aircraft", label="name")
        if reader.complete(v, keys.WING_STATION)
    ]
    missing = [name for name in ("semispan_mm", "root_chord_mm") if name not in shape]
    if len(missing) == 2 and not shape and not surfaces and not stations:
        return None
    if missing:
        if shape:
            reader.fault(f"aircraft, {missing[0]}", "", "semispan_mm and root_chord_mm together, to draw the wing")
        return Planform(
            semispan_mm=1.0,
            root_chord_mm=1.0,
            tip_chord_mm=1.0,
            surfaces=tuple(surfaces),
            stations=tuple(stations),
            measured=False,
        )
    shape.setdefault("tip_chord_mm", shape["root_chord_mm"])
    return Planform(**shape, surfaces=tuple(surfaces), stations=tuple(stations))


def _pounds_hint(kg: float, limit_kg: float) -> str:
    as_kg = kg * keys.KG_PER_LB
    return f"{kg:g} lb is {as_kg:.0f} kg: was it typed in pounds? Then name the key ..._lb." if as_kg < limit_kg else ""


def _calibrations(reader: Reader, document: dict) -> tuple[CalibrationTable, ...]:
    tables = []
    for where, values in reader.rows(document, "calibration", keys.CALIBRATION, label="flap_deg"):
        if not reader.complete(values, keys.CALIBRATION):
            continue
        ias, cas = values["ias_kt"], values["cas_kt"]
        fine = True
        if len(ias) != len(cas) or len(ias) < 2:
            reader.fault(
                f"{where}, cas_kt", f"{len(ias)} IAS and {len(cas)} CAS values", "as many of each, two at least"
            )
            fine = False
        for name, row in (("ias_kt", ias), ("cas_kt", cas)):
            for before, after in itertools.pairwise(row):
                if after <= before:
                    reader.fault(f"{where}, {name}", f"{after:g} after {before:g}", "speeds that rise along the table")
                    fine = False
        if fine:
            tables.append(CalibrationTable(**values))
    return tuple(tables)


def _configurations(
    reader: Reader, document: dict, stations: tuple[tuple[str, float], ...]
) -> tuple[AircraftConfig, ...]:
    found = []
    for where, values in reader.rows(document, "configuration", keys.CONFIGURATION, label="id"):
        changes = tuple(
            _change(reader, at, v, dict(stations))
            for at, v in reader.rows(
                values.pop("change", {}), "change", (*keys.CHANGE, *keys.CHANGE_FIELDS), within=where, label="item"
            )
            if "item" in v
        )
        if reader.complete(values, keys.CONFIGURATION):
            found.append(AircraftConfig(**{"name": values["id"], **values}, changes=changes))
    return tuple(found)


def _device_rows(reader: Reader, where: str, source, stations: dict[str, float]) -> tuple[DeviceRow, ...]:
    found = []
    for at, values in reader.rows(source, "row", keys.DEVICE_ROW, within=where):
        for end in ("from", "to"):
            name = values.pop(f"span_{end}_station", None)
            if name is None:
                continue
            if name in stations:
                values[f"span_{end}_pct"] = stations[name]
            else:
                known = ", ".join(stations) or "none is given"
                reader.fault(f"{at}, span_{end}_station", name, f"a wing_station of the aircraft: {known}")
        missing = [name for name in ("span_from_pct", "span_to_pct") if name not in values]
        if missing:
            reader.fault(f"{at}, {missing[0]}", "", "where the row begins and ends along the span")
            continue
        if "chord_from_pct" in values:
            values.setdefault("chord_to_pct", values["chord_from_pct"])
        found.append(DeviceRow(**values))
    return tuple(found)


def _change(reader: Reader, where: str, values: dict, stations: dict[str, float]) -> Change:
    own = {k.name for k in keys.CHANGE}
    rows = _device_rows(reader, where, values.pop("row", {}), stations)
    details = [(k, _text(v)) for k, v in values.items() if k not in own]
    details += [(k, _text(v)) for k, v in values.get("other", {}).items()]
    return Change(
        item=values["item"],
        what=values.get("what", ""),
        state=values.get("state", "nominal"),
        details=tuple(details),
        rows=rows,
        takes_off=values.get("takes_off", ""),
    )


def _text(value) -> str:
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, tuple):
        return ", ".join(
            " at ".join(map(_text, v[::-1])) + " % span" if isinstance(v, tuple) else _text(v) for v in value
        )
    return str(value)


def _comparisons(reader: Reader, document: dict) -> dict:
    """Pairs to compare, and the first that names a point: the question of the campaign."""
    rows = [v for _, v in reader.rows(document, "comparison", keys.COMPARISON) if reader.complete(v, keys.COMPARISON)]
    pairs = dict.fromkeys((v["reference"], v["changed"]) for v in rows)
    named = [(v["reference"], v["changed"], v["point"]) for v in rows if v.get("point")]
    if len(named) > 1:
        reader.fault("comparison, point", f"{len(named)} points named", "one: the question asked before flying")
    return {"comparisons": tuple(pairs), "named": named[0] if named else None}


def _cards(reader: Reader, document: dict) -> tuple[TestCard, ...]:
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


def _flights(reader: Reader, document: dict) -> tuple[PlannedFlight, ...]:
    found = []
    for where, values in reader.rows(document, "flight", keys.FLIGHT, label="id"):
        if metar := values.get("metar"):
            try:
                read_metar(metar)
            except ValueError as err:
                reader.fault(
                    f"{where}, metar", str(err), "a METAR as issued, as LZIB 211630Z 08005KT CAVOK 26/15 Q1022"
                )
                values.pop("metar")
        if reader.complete(values, keys.FLIGHT):
            loading = Loading(items=tuple(values.pop("load_kg", {}).items()), fuel_l=values.pop("fuel_l", None))
            found.append(PlannedFlight(**values, loading=loading))
    return tuple(found)

"""A new `campaign.toml` from a few answers: commented, complete, ready to be flown and edited.

Pure: answers in, text out. Main names: `Answers`, `campaign_text`, `also_in`.
"""

from __future__ import annotations

import math
import re
import unicodedata
from dataclasses import dataclass, field, replace

from logger_app.errors import CardError
from logger_app.plan import keys
from logger_app.plan.flights import propose_flights
from logger_app.plan.parse import parse_text
from logger_app.plan.presets import DEFER, PRESETS, Preset
from logger_app.plan.repeats import runs_of_each
from logger_app.records.plan import POWER_IDLE, Campaign, Planning
from logger_app.units import from_kt

_KEY_UNIT = {"kt": "_kt", "mph": "_mph", "km/h": "_kmh"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Answers:
    """What `kneecall plan new` asks. Numbers are (value, key) pairs, the key with the unit given.

    `amounts` holds ("empty_weight_lb", 850.0) and the like for the aircraft; `flaps` maps a
    setting [deg] to the fastest indicated airspeed with it and the stall expected, both in
    `unit`, either None; `banks` are positive to the right; `stations` are (name, arm, most) with
    arms in mm and loads in kg; `changes` are (id, item) pairs, each made from the one before.
    """

    name: str
    aircraft: str
    unit: str = "kt"
    amounts: tuple[tuple[str, float], ...] = ()
    flaps: tuple[tuple[float, float | None, float | None], ...] = ((0.0, None, None),)
    powers: tuple[str, ...] = (POWER_IDLE,)
    banks: tuple[float, ...] = (0.0,)
    accelerated: bool = False
    speeds: bool = False
    stations: tuple[tuple[str, float, float | None], ...] = ()
    load_kg: tuple[tuple[str, float], ...] = ()
    fuel_l: float | None = None
    changes: tuple[tuple[str, str], ...] = ()
    floor_ft: float = 3000.0
    entry_min_ft: float = 5000.0
    smallest_difference_kt: float = 2.0
    scatter_kt: float = 0.7
    runs: int | None = None
    knock_it_off: tuple[str, ...] = (
        "anyone in the aircraft or on the ground says so",
        "any roll that aileron and rudder do not stop at once",
        "below the floor, or not sure to recover by it",
        "any surprise: stop for the day and talk about it",
    )
    cautions: tuple[str, ...] = field(
        default=("Spin recovery briefed before every flight.", "Never aft of the tested CG.")
    )


def campaign_text(answers: Answers) -> str:
    """The text of a new campaign file.

    Returns
    -------
    str
        TOML with comments. Flights are proposed in A-B-B-A blocks.

    Raises
    ------
    CardError
        The answers contradict each other; all faults at once.
    """
    head = [_head(answers), _aircraft(answers), _indicator(answers), _calibrations(answers), _configurations(answers)]
    text = "\n\n".join([*head, _team(answers), _plan(answers), *_cards(answers)]) + "\n"
    campaign, faults = parse_text(text)
    if faults or campaign is None:
        raise CardError("The answers cannot all be right:", faults=faults)
    text += "\n" + _flights(answers, campaign) + "\n"
    campaign, faults = parse_text(text)
    if faults:
        raise CardError("The answers cannot all be right:", faults=faults)
    return text


def slug(text: str) -> str:
    """A short id out of words.

    Returns
    -------
    str
        Letters, digits and underscores; ``change`` if nothing is left.

    Examples
    --------
    >>> slug("Vortex generators, outer wing")
    'vortex_generators_outer_wing'
    """
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()
    return re.sub(r"[^a-z0-9]+", "_", plain.lower()).strip("_")[:40].strip("_") or "change"


def quoted(text: str) -> str:
    """A text as a TOML basic string, quoted and escaped."""
    out = text.replace("\\", "\\\\").replace('"', '\\"')
    out = "".join(c if c >= " " and c != "\x7f" else f"\\u{ord(c):04X}" for c in out)
    return f'"{out}"'


def also_in(unit: str, text: str) -> str:
    """A text with every speed in knots also in the pilot's unit, if that is another.

    Examples
    --------
    >>> also_in("mph", "10 kt above, slowing 3 to 5 kt/s")
    '10 kt (12 mph) above, slowing 3 to 5 kt/s (3 to 6 mph/s)'
    """
    if unit == "kt":
        return text

    def both(match: re.Match) -> str:
        low, high = (f"{from_kt(float(n), unit):.0f}" if n else "" for n in (match[1], match[2]))
        per = "/s" if match[3] else ""
        return f"{match[0]} ({low}{' to ' if high else ''}{high} {unit}{per})"

    return re.sub(r"(\d+)(?: to (\d+))? kt\b(/s)?", both, text)


def _head(a: Answers) -> str:
    return f"""\
# A stall-speed test campaign, made by `kneecall plan new`. Check it with `kneecall plan .`;
# print the cards with `kneecall plan . --cards cards.pdf`. Every name ends in its unit: a value
# may also be given in another one (empty_weight_lb, wing_area_ft2, max_ias_mph, cg_min_in).
# {DEFER}

[campaign]
name = {quoted(a.name)}
language = "en"
format = {keys.FORMAT}"""


def _aircraft(a: Answers) -> str:
    lines = ["[aircraft]", f"name = {quoted(a.aircraft)}"]
    given = dict(a.amounts)
    for key in keys.AIRCRAFT:
        if key.kind != "number":
            continue
        spelt = next((n for n in (key.name, *keys.twins(key.name)) if n in given), None)
        note = f"  # {key.about}" if key.about else ""
        if spelt:
            lines.append(f"{spelt} = {given[spelt]:g}{note}")
        elif key.name not in ("reference_weight_kg", "fuel_density_kg_per_l", "max_bank_deg"):
            lines.append(f"# {key.name} ={note}")
    for flap, most, _ in a.flaps:
        if flap > 0 and most is not None:
            lines += ["", "[[aircraft.flap_limit]]", f"flap_deg = {flap:g}", f"max_ias{_KEY_UNIT[a.unit]} = {most:g}"]
    for name, arm, most in a.stations:
        lines += ["", "[[aircraft.station]]", f"name = {quoted(name)}", f"arm_mm = {arm:g}"]
        if most is not None:
            lines.append(f"max_kg = {most:g}")
    if not a.stations:
        lines += [
            "",
            "# Weight and CG need the stations that carry weight, one block each:",
            "# [[aircraft.station]]",
            '# name = "seats"',
            "# arm_mm = 2150",
            "# max_kg = 200",
        ]
    return "\n".join(lines)


def _indicator(a: Answers) -> str:
    return f"""\
# The airspeed indicator as the pilot reads it, and how long from needle to word.
[indicator]
unit = {quoted(a.unit)}
graduation = 1.0
reading_lag_s = 0.5
reading_lag_u_s = 0.2"""


def _calibrations(a: Answers) -> str:
    flaps = ", ".join(f"{flap:g}" for flap, _, _ in a.flaps)
    return f"""\
# Airspeed calibration, a block for each flap setting ({flaps}); `kneecall calibrate` makes one
# from GPS legs. Without it, stall speeds stay indicated and flap settings cannot be compared.
# [[calibration]]
# flap_deg = 0
# ias_kt = [45, 55, 65, 80]
# cas_kt = [48, 57, 66, 80]
# u_kt = 1.0
# source = "GPS legs, day, who\""""


def _configurations(a: Answers) -> str:
    blocks = [
        "# One change at a time: each configuration names the one it was made from and what differs.",
        '[[configuration]]\nid = "baseline"\nname = "As it was before"',
    ]
    parent = "baseline"
    for id_, item in a.changes:
        blocks.append(
            f"""\
[[configuration]]
id = {quoted(id_)}
name = {quoted(item)}
parent = {quoted(parent)}

[[configuration.change]]
item = {quoted(item)}
state = "nominal"  # "measured" once the numbers below were measured as fitted
# surface = "wing"
# span_from_pct =
# span_to_pct =
# chord_pct =
# count_per_side =
# pitch_mm =
# height_mm =
# angle_deg =
# weight_kg =  # with arm_mm, to keep weight and CG right
# photo = \"""".replace('photo = "', 'photo = "media/..."')
        )
        parent = id_
    return "\n\n".join(blocks)


def _team(a: Answers) -> str:
    criteria = "\n".join(f"  {quoted(text)}," for text in a.knock_it_off)
    cautions = "\n".join(f"  {quoted(text)}," for text in a.cautions)
    return f"""\
# What the team briefed. Floor, criteria and cautions are printed on every card.
[team]
floor_ft = {a.floor_ft:g}  # recovered by this height
entry_min_ft = {a.entry_min_ft:g}  # no approach starts below
knock_it_off = [
{criteria}
]
cautions = [
{cautions}
]

# The team's own words for a call; they replace the usual ones for that call.
# [team.words]
# knock_it_off = ["knock it off", "stop stop stop"]"""


def _plan(a: Answers) -> str:
    return f"""\
# From these come the runs a point, the order, and the time and fuel of a flight.
[plan]
smallest_difference_kt = {a.smallest_difference_kt:g}  # smallest difference worth knowing
scatter_kt = {a.scatter_kt:g}  # standard deviation of repeated stalls; yours, once you know it
call_step_kt = 2  # airspeed is called every so many knots near the stall; the reading's part of the scatter follows
flight_scatter_kt = 0.35  # the same of whole flights of one configuration (common practice); yours, once you know it
no_worse_kt = 1  # the margin of "no worse than"
minutes_per_run = 3
minutes_to_area = 20
minutes_back = 15
most_runs_per_flight = 20  # more than this is tiring
build_up = ["hazard", "bank", "power", "flap"]"""


def _runs(a: Answers) -> int:
    if a.runs:
        return a.runs
    plan = Planning(smallest_difference_kt=a.smallest_difference_kt, scatter_kt=a.scatter_kt)
    return runs_of_each(plan) if a.changes else 3


def _cards(a: Answers) -> list[str]:
    turning = [b for b in a.banks if b]
    wanted: list[tuple[Preset, tuple[float, ...], str]] = []
    if a.speeds:
        wanted.append((PRESETS["speeds"], (0.0,), POWER_IDLE))
    if 0 in a.banks:
        wanted += [(PRESETS["level"], (0.0,), power) for power in a.powers]
    if turning:
        wanted += [(PRESETS["turning"], tuple(turning), power) for power in a.powers]
        if a.accelerated:
            wanted += [(PRESETS["accelerated"], tuple(turning), a.powers[0])]
    return [_card(a, chr(65 + n) if n < 26 else f"Z{n}", *what) for n, what in enumerate(wanted)]


def _card(a: Answers, id_: str, preset: Preset, banks: tuple[float, ...], power: str) -> str:
    hazard = preset.hazard + (0 if power == POWER_IDLE else 1)
    lines = [
        f"# {preset.basis}",
        "[[card]]",
        f"id = {quoted(id_)}",
        f"title = {quoted(f'{power[:1].upper()}{power[1:]} {preset.title}')}",
        f"objective = {quoted(preset.objective)}",
        f"basis = {quoted(preset.basis)}",
        f"setup = {quoted(f'{power[:1].upper()}{power[1:]}, trimmed, ball centred, clearing turns done')}",
        f"entry = {quoted(also_in(a.unit, preset.entry))}",
        f"procedure = [\n{_list(preset.procedure)}\n]",
        f"recovery = {quoted(preset.recovery)}",
        f"limits = [\n{_list((f'Not below {a.floor_ft:g} ft', *(also_in(a.unit, limit) for limit in preset.limits)))}\n]",
        f"hazard = {hazard}  # 1 is flown first",
        f"runs_wanted = {_runs(a)}",
        f"entry_rate_band_kt_per_s = [{preset.rate_low_kt_per_s:g}, {preset.rate_high_kt_per_s:g}]",
    ]
    number = 0
    for bank in banks:
        for flap, most, stall in a.flaps:
            number += 1
            lines += [
                "",
                "[[card.point]]",
                f"id = {quoted(f'{id_}{number}')}",
                f"power = {quoted(power)}",
                f"flap_deg = {flap:g}",
            ]
            if bank:
                lines.append(f"bank_deg = {bank:g}")
            if stall is not None:
                lines += _speeds(a.unit, preset, bank, most, stall)
    return "\n".join(lines)


def _speeds(unit: str, preset: Preset, bank: float, most: float | None, stall: float) -> list[str]:
    """Expected stall and trim speed of a point; in a turn the stall rises as 1/sqrt(cos bank)."""
    end = _KEY_UNIT[unit]
    expected = stall / math.sqrt(math.cos(math.radians(bank)))
    above = preset.start_above_stall_kt * {"kt": 1.0, "mph": 1 / keys.KT_PER_MPH, "km/h": 1 / keys.KT_PER_KMH}[unit]
    trim = math.ceil(max(preset.trim_over_stall * stall, expected + above) - 1e-9)
    if most is not None and trim > most:
        trim = math.floor(most)
    lines = [f"expected_stall_ias{end} = {expected:.1f}"]
    # No start speed fits between the stall and the flap limit: left to the pilot, and the check says nothing false.
    return [*lines, f"trim_ias{end} = {trim}"] if trim >= expected + above - 1e-9 else lines


def _list(texts: tuple[str, ...]) -> str:
    return "\n".join(f"  {quoted(text)}," for text in texts)


def _flights(a: Answers, campaign: Campaign) -> str:
    if a.fuel_l is not None:
        # What is filled in, not what the tanks hold, says how many runs a flight has.
        campaign = replace(campaign, aircraft=replace(campaign.aircraft, fuel_capacity_l=a.fuel_l))
    proposed = propose_flights(campaign)
    load = ", ".join(f"{quoted(name)} = {kg:g}" for name, kg in a.load_kg)
    lines = ["# Flights in the order A-B-B-A: what drifts (weather, pilot, engine) cancels. Write the load of each."]
    if not proposed:
        lines.append("# Not enough fuel for one run above the reserve: see fuel_* and [plan] above.")
    for flight in proposed:
        lines += [
            "",
            "[[flight]]",
            f'id = "{flight.number:02d}_{flight.configuration}"',
            f"configuration = {quoted(flight.configuration)}",
            f"cards = [{', '.join(quoted(card) for card in flight.cards(campaign))}]",
            f"note = {quoted(flight.reason)}",
        ]
        lines.append(f"fuel_l = {a.fuel_l:g}" if a.fuel_l is not None else "# fuel_l =  # at start-up")
        lines.append(f"load_kg = {{ {load} }}" if load else "# load_kg = { seats = 160 }")
    return "\n".join(lines)

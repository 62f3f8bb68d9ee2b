"""Every key that `campaign.toml` may hold: its kind, its range, its unit, what it is for.

Data only. `plan.parse` reads a file against it, `plan.template` takes its comments from it and
the screen its field labels. The ranges are of light aeroplanes and gliders (common practice, no
source): wide enough for any of them, narrow enough to catch a slipped digit or a wrong unit.
Main names: `Key`, `TABLES`, `CHANGE_FIELDS`, `twins`.
"""

from __future__ import annotations

from dataclasses import dataclass

from logger_app.units import AIRSPEED_UNITS, KG_PER_LB, KT_PER_KMH, KT_PER_MPH, L_PER_USGAL, M_PER_FT

MM_PER_IN = 25.4  # international inch, 1959 agreement
M2_PER_FT2 = M_PER_FT**2
FORMAT = 1
"""The newest form of the campaign file that this program reads."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """One key. `kind` names the reader's method for it (`plan.parse`)."""

    name: str
    kind: str = "number"
    required: bool = False
    low: float = float("-inf")
    high: float = float("inf")
    choices: tuple[str, ...] = ()
    about: str = ""


# A key with the unit on the left may be written with one on the right; it is converted once, here.
_TWINS = {
    "_kg_per_l": {"_lb_per_usgal": KG_PER_LB / L_PER_USGAL},
    "_l_per_h": {"_usgal_per_h": L_PER_USGAL},
    "_kt_per_s": {"_mph_per_s": KT_PER_MPH, "_kmh_per_s": KT_PER_KMH},
    "_kg": {"_lb": KG_PER_LB},
    "_m2": {"_ft2": M2_PER_FT2},
    "_mm": {"_in": MM_PER_IN},
    "_kt": {"_mph": KT_PER_MPH, "_kmh": KT_PER_KMH},
    "_ft": {"_m": 1.0 / M_PER_FT},
    "_l": {"_usgal": L_PER_USGAL},
}


def suffix(name: str) -> str:
    """The unit at the end of a key's name.

    Returns
    -------
    str
        The unit in words, such as ``kg``; empty if the name carries none.

    Examples
    --------
    >>> suffix("fuel_density_kg_per_l"), suffix("fuel_l"), suffix("title")
    ('kg/l', 'l', '')
    """
    bare = ("_deg", "_pct", "_s")
    for end in (*_TWINS, *(e for group in _TWINS.values() for e in group), *bare):
        if name.endswith(end):
            return end[1:].replace("_per_", "/").replace("pct", "%")
    return ""


def twins(name: str) -> dict[str, float]:
    """Other spellings of a key in another unit, with the factor to its own unit.

    Examples
    --------
    >>> twins("empty_weight_kg")
    {'empty_weight_lb': 0.45359237}
    """
    for end, others in _TWINS.items():
        if name.endswith(end):
            stem = name[: -len(end)]
            return {stem + other: factor for other, factor in others.items()}
    return {}


CAMPAIGN = (
    Key(name="name", kind="text", required=True, about="what this campaign tries"),
    Key(name="language", kind="text", about="language pack that hears the calls"),
    Key(name="format", kind="whole", about="version of this file's format"),
)

AIRCRAFT = (
    Key(name="name", kind="text", required=True),
    Key(name="empty_weight_kg", required=True, low=40, high=9000, about="as weighed, with unusable fuel and oil"),
    Key(name="reference_weight_kg", low=60, high=9000, about="stall speeds are quoted at this weight"),
    Key(name="max_weight_kg", required=True, low=60, high=9000),
    Key(name="wing_area_m2", required=True, low=3, high=60),
    Key(name="fuel_density_kg_per_l", low=0.65, high=0.90),
    Key(name="fuel_burn_l_per_h", low=0, high=200, about="as flown in these tests, climbs included"),
    Key(name="fuel_capacity_l", low=0, high=1500),
    Key(name="fuel_reserve_l", low=0, high=300, about="land with at least this"),
    Key(name="empty_arm_mm", low=-5000, high=10000, about="empty CG, aft of datum"),
    Key(name="fuel_arm_mm", low=-5000, high=10000),
    Key(name="cg_min_mm", low=-5000, high=10000, about="forward limit"),
    Key(name="cg_max_mm", low=-5000, high=10000, about="aft limit"),
    Key(name="never_exceed_ias_kt", low=30, high=350),
    Key(name="max_bank_deg", low=0, high=90, about="steepest bank of this campaign"),
    Key(name="flap_limit", kind="rows"),
    Key(name="station", kind="rows"),
    Key(name="semispan_mm", low=1500, high=20000, about="root to tip of one wing; for drawings of what is fitted"),
    Key(name="root_chord_mm", low=200, high=5000),
    Key(name="tip_chord_mm", low=100, high=5000),
    Key(name="tip_setback_mm", low=-3000, high=3000, about="leading edge of the tip behind that of the root"),
    Key(name="control_surface", kind="rows"),
    Key(name="wing_station", kind="rows"),
)

CONTROL_SURFACE = (
    Key(name="name", kind="text", required=True, about="flap, aileron, ..."),
    Key(name="span_from_pct", required=True, low=0, high=100, about="of the semispan, from the root"),
    Key(name="span_to_pct", required=True, low=0, high=100),
    Key(name="chord_from_pct", low=10, high=100, about="hinge line, of the chord from the leading edge"),
)

WING_STATION = (
    Key(name="name", kind="text", required=True),
    Key(name="span_pct", required=True, low=0, high=100, about="of the semispan, from the root"),
)

FLAP_LIMIT = (
    Key(name="flap_deg", required=True, low=-20, high=90),
    Key(name="max_ias_kt", required=True, low=20, high=300, about="fastest with this flap"),
)

STATION = (
    Key(name="name", kind="text", required=True),
    Key(name="arm_mm", required=True, low=-5000, high=12000),
    Key(name="max_kg", low=0, high=3000),
)

INDICATOR = (
    Key(name="unit", kind="text", choices=tuple(AIRSPEED_UNITS), about="what is painted on the dial"),
    Key(name="graduation", low=0.1, high=20, about="step between marks, in that unit"),
    Key(name="reading_lag_s", low=0, high=5, about="from reading the needle to the word"),
    Key(name="reading_lag_u_s", low=0, high=3),
    Key(name="instrument_u_kt", low=0, high=10),
    Key(name="correction_ias_kt", kind="numbers", low=10, high=350, about="bench test: reading ..."),
    Key(name="correction_kt", kind="numbers", low=-20, high=20, about="... and what to add to it"),
)

CALIBRATION = (
    Key(name="flap_deg", required=True, low=-20, high=90),
    Key(name="ias_kt", kind="numbers", required=True, low=10, high=350),
    Key(name="cas_kt", kind="numbers", required=True, low=10, high=350),
    Key(name="u_kt", low=0, high=15),
    Key(name="source", kind="text"),
)

CONFIGURATION = (
    Key(name="id", kind="id", required=True),
    Key(name="name", kind="text"),
    Key(name="parent", kind="text", about="the configuration that this one was made from"),
    Key(name="note", kind="text"),
    Key(name="question", kind="text", about="what the team wants to know next"),
    Key(name="change", kind="rows"),
)

CHANGE = (
    Key(name="item", kind="text", required=True, about="the one thing that differs"),
    Key(name="what", kind="text"),
    Key(name="state", kind="text", choices=("measured", "nominal")),
    Key(name="takes_off", kind="text", about="item of an earlier configuration that is removed"),
    Key(name="row", kind="rows"),
    Key(name="other", kind="fields", about="anything that has no key of its own"),
)

# A row of devices; spans and chords in percent, or a named station of the aircraft.
DEVICE_ROW = (
    Key(name="side", kind="text", choices=("both", "left", "right")),
    Key(name="surface", kind="text", about="wing, or a control surface by name"),
    Key(name="count", kind="whole", low=1, high=2500, about="devices on each side"),
    Key(name="span_from_pct", low=-100, high=200, about="of the semispan, from the root"),
    Key(name="span_to_pct", low=-100, high=200),
    Key(name="span_from_station", kind="text", about="a wing_station of the aircraft"),
    Key(name="span_to_station", kind="text"),
    Key(name="chord_from_pct", low=-100, high=200, about="at the inner end, of the chord from the leading edge"),
    Key(name="chord_to_pct", low=-100, high=200, about="at the outer end; the same if left out"),
    Key(name="angle_deg", low=-90, high=90, about="to the chord"),
    Key(name="spacing_mm", low=1, high=5000),
    Key(name="size_mm", low=0.5, high=3000),
    Key(name="size_pct", low=1, high=1000, about="scale of the base design"),
    Key(name="state", kind="text", choices=("measured", "nominal")),
    Key(name="mass_kg", low=0, high=300),
    Key(name="photo", kind="text", about="file name, from the campaign folder"),
)

# What can be said of a change in numbers; kept as (name, value) pairs in `Change.details`.
CHANGE_FIELDS = (
    Key(name="surface", kind="text", about="wing, tail, fin, fuselage"),
    Key(name="side", kind="text", about="both, left, right"),
    Key(name="span_from_pct", low=0, high=100, about="of the semi-span, from the root"),
    Key(name="span_to_pct", low=0, high=100),
    Key(name="span_from_mm", low=0, high=15000),
    Key(name="span_to_mm", low=0, high=15000),
    Key(name="chord_pct", kind="stations", low=-20, high=120, about="one number, or [[span %, chord %], ...]"),
    Key(name="count", kind="whole", low=0, high=5000),
    Key(name="count_per_side", kind="whole", low=0, high=2500),
    Key(name="pattern", kind="text", about="co-rotating, counter-rotating"),
    Key(name="pitch_mm", low=0, high=2000, about="from one to the next"),
    Key(name="pair_gap_mm", low=0, high=500),
    Key(name="angle_deg", low=-90, high=90),
    Key(name="height_mm", low=0, high=1000),
    Key(name="length_mm", low=0, high=10000),
    Key(name="width_mm", low=0, high=2000),
    Key(name="planform", kind="text"),
    Key(name="material", kind="text"),
    Key(name="attached_with", kind="text"),
    Key(name="template", kind="text", about="the jig or drawing that places it"),
    Key(name="leading_edge", kind="text", about="clean, bugs, paint step"),
    Key(name="tufts", kind="text", about="tufted or not: tufts can trip the flow"),
    Key(name="weight_kg", low=0, high=300, about="of what was fitted"),
    Key(name="arm_mm", low=-5000, high=12000, about="of what was fitted"),
    Key(name="measured", kind="texts", about="which of these were measured"),
    Key(name="installed_on", kind="date"),
    Key(name="approval", kind="text"),
    Key(name="photo", kind="text", about="file name, from the campaign folder"),
)

COMPARISON = (
    Key(name="reference", kind="text", required=True),
    Key(name="changed", kind="text", required=True),
    Key(name="point", kind="text", about="the point that answers the question; not adjusted for the others"),
)

# What a card may say once for all its points.
SHARED = (
    Key(name="trim_ias_kt", low=20, high=250, about="where the approach starts"),
    Key(name="runs_wanted", kind="whole", low=1, high=60),
    Key(name="altitude_band_ft", kind="band", low=0, high=30000),
    Key(name="entry_rate_band_kt_per_s", kind="band", low=0.05, high=10),
)

CARD = (
    Key(name="id", kind="id", required=True),
    Key(name="title", kind="text"),
    Key(name="objective", kind="text"),
    Key(name="setup", kind="text"),
    Key(name="entry", kind="text"),
    Key(name="procedure", kind="texts"),
    Key(name="recovery", kind="text"),
    Key(name="limits", kind="texts"),
    Key(name="hazard", kind="whole", low=1, high=9, about="1 is flown first"),
    Key(name="basis", kind="text", about="the paragraph that the card follows"),
    Key(name="point", kind="rows"),
    *SHARED,
)

POINT = (
    Key(name="id", kind="id", required=True),
    Key(name="power", kind="power"),
    Key(name="flap_deg", low=-20, high=90),
    Key(name="bank_deg", low=-90, high=90, about="positive is to the right"),
    Key(name="expected_stall_ias_kt", low=15, high=120, about="what the pilot expects to read"),
    *SHARED,
)

FLIGHT = (
    Key(name="id", kind="id", required=True),
    Key(name="configuration", kind="text", required=True),
    Key(name="fuel_l", low=0, high=1500),
    Key(name="load_kg", kind="amounts", low=0, high=3000),
    Key(name="cards", kind="texts"),
    Key(name="work_done", kind="texts", about="what was altered on the aircraft before this flight"),
    Key(name="note", kind="text"),
    Key(name="metar", kind="text", about="of the aerodrome at the time, as it was issued"),
    Key(name="elevation_ft", low=-1500, high=20000, about="of the aerodrome, for its density altitude"),
    Key(name="oat_degc", low=-60, high=60, about="at the aerodrome, instead of the METAR's"),
    Key(name="qnh_hpa", low=850, high=1090),
    Key(name="wind_deg", low=0, high=360, about="where it comes from"),
    Key(name="wind_kt", low=0, high=150),
)

TEAM = (
    Key(name="floor_ft", low=0, high=30000, about="recovered by this height"),
    Key(name="entry_min_ft", low=0, high=30000, about="no approach starts below"),
    Key(name="knock_it_off", kind="texts"),
    Key(name="cautions", kind="texts"),
    Key(name="words", kind="words", about="what this team says for a call"),
)

PLAN = (
    Key(name="smallest_difference_kt", low=0.1, high=20, about="smallest difference worth knowing"),
    Key(name="scatter_kt", low=0.05, high=10, about="standard deviation of repeated stalls, reading left out"),
    Key(name="call_step_kt", low=0.5, high=10, about="from one airspeed called to the next, as briefed"),
    Key(name="flight_scatter_kt", low=0, high=10, about="the same of whole flights; used until two flights show it"),
    Key(name="no_worse_kt", low=0.1, high=20, about="margin below which a change counts as no worse"),
    Key(name="minutes_per_run", low=0.5, high=30, about="from one on condition to the next"),
    Key(name="minutes_to_area", low=0, high=120, about="start-up to the first on condition"),
    Key(name="minutes_back", low=0, high=120, about="last recovery to shut-down"),
    Key(name="most_runs_per_flight", kind="whole", low=1, high=200, about="more than this is tiring"),
    Key(name="build_up", kind="texts", choices=("hazard", "bank", "power", "flap"), about="what counts first"),
)

TABLES = {"campaign": CAMPAIGN, "aircraft": AIRCRAFT, "indicator": INDICATOR, "team": TEAM, "plan": PLAN}
ROWS = {
    "calibration": CALIBRATION,
    "configuration": CONFIGURATION,
    "comparison": COMPARISON,
    "card": CARD,
    "flight": FLIGHT,
}

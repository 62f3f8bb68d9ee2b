"""Faulty campaigns, each with one planted mistake: the right place is named, and what would be right.

The whole list of faults is compared where only one may come, so that no mistake hides another
and none invents a second one.
"""

import pytest

from logger_app.plan.advice import advise
from logger_app.plan.parse import parse_text
from logger_app.records.journal import FlightInfo

# (what was done wrong, the texts to swap, where the fault must be, words that its sentence must hold)
MISTAKES = [
    (
        "unit of weight",
        [("empty_weight_kg = 388", "empty_weight_kg = 855")],
        "aircraft, empty_weight_kg",
        ["855 kg", "less than max_weight_kg", "855 lb is 388 kg"],
    ),
    (
        "reference in pounds",
        [("reference_weight_kg = 600", "reference_weight_kg = 1323")],
        "aircraft, reference_weight_kg",
        ["1323 kg", "388 to 640", "1323 lb is 600 kg"],
    ),
    (
        "kg typed as lb",
        [("empty_weight_kg = 388", "empty_weight_lb = 300")],
        "aircraft, empty_weight_kg",
        ["136.078 kg", "21 % of max_weight_kg", "kg, lb"],
    ),
    (
        "area in square feet",
        [("wing_area_m2 = 12.4", "wing_area_m2 = 133.5")],
        "aircraft, wing_area_m2",
        ["133.5 m2", "3 to 60 m2", "write wing_area_ft2 = 133.5"],
    ),
    (
        "stall at 500 kt",
        [("expected_stall_ias_kt = 47", "expected_stall_ias_kt = 500")],
        "card A, point A1, expected_stall_ias_kt",
        ["500 kt", "15 to 120 kt"],
    ),
    (
        "stall in km/h",
        [("expected_stall_ias_kt = 47", "expected_stall_ias_kt = 87"), ("trim_ias_kt = 70", "trim_ias_kt = 120")],
        "card A, point A1, expected_stall_ias_kt",
        ["87 kt", "lift coefficient of 0.39", "km/h"],
    ),
    (
        "a digit too many in the weights",
        [
            ("reference_weight_kg = 600", "reference_weight_kg = 6000"),
            ("max_weight_kg = 640", "max_weight_kg = 6400"),
            ("empty_weight_kg = 388", "empty_weight_kg = 3880"),
        ],
        "aircraft, wing_area_m2",
        ["484 kg/m2", "250 kg/m2 at most"],
    ),
    (
        "stall speed halved",
        [("expected_stall_ias_kt = 41", "expected_stall_ias_kt = 20")],
        "card A, point A2, expected_stall_ias_kt",
        ["20 kt", "lift coefficient of 7.32", "pounds"],
    ),
    (
        "trim over flap limit",
        [("trim_ias_kt = 62", "trim_ias_kt = 80")],
        "card A, point A2, trim_ias_kt",
        ["80 kt", "75 kt at most with flap 30"],
    ),
    (
        "setup over flap limit",
        [("Trim 65 kt, idle", "Trim 78 kt, idle")],
        "card A, setup",
        ["78 kt", "75 kt at most with flap 30 (point A2)"],
    ),
    (
        "entry over flap limit in mph",
        [("On condition at 65 kt", "On condition at 95 mph")],
        "card A, entry",
        ["95 mph", "75 kt at most"],
    ),
    (
        "trim over never-exceed",
        [("trim_ias_kt = 70", "trim_ias_kt = 140")],
        "card A, point A1, trim_ias_kt",
        ["140 kt", "never_exceed_ias_kt 130"],
    ),
    (
        "trim under the stall",
        [("trim_ias_kt = 70", "trim_ias_kt = 45")],
        "card A, point A1, trim_ias_kt",
        ["45 kt with the stall at 47 kt", "more than the stall speed"],
    ),
    (
        "more flap than there is",
        [("flap_deg = 30\ntrim", "flap_deg = 40\ntrim")],
        "card A, point A2, flap_deg",
        ["40", "30 at most"],
    ),
    (
        "bank over the limit",
        [("bank_deg = 30", "bank_deg = 60")],
        "card B, point B1, bank_deg",
        ["60", "max_bank_deg 45"],
    ),
    (
        "bank over the limit, left",
        [("bank_deg = 30", "bank_deg = -60")],
        "card B, point B1, bank_deg",
        ["-60", "either side"],
    ),
    (
        "band under the floor",
        [("altitude_band_ft = [4500, 7500]", "altitude_band_ft = [2500, 7500]")],
        "card A, point A1, altitude_band_ft",
        ["2500 ft at the low end", "floor_ft, 3000"],
    ),
    (
        "band under the entry height",
        [("altitude_band_ft = [4500, 7500]", "altitude_band_ft = [3500, 4800]")],
        "card A, point A1, altitude_band_ft",
        ["4800 ft at the high end", "entry_min_ft, 5000"],
    ),
    (
        "band upside down",
        [("altitude_band_ft = [4500, 7500]", "altitude_band_ft = [7500, 4500]")],
        "card A, point A1, altitude_band_ft",
        ["7500 to 4500", "the low end first"],
    ),
    (
        "band with one end",
        [("altitude_band_ft = [4500, 7500]", "altitude_band_ft = [4500]")],
        "card A, point A1, altitude_band_ft",
        ["[low, high]"],
    ),
    (
        "card's floor under the team's",
        [("Not below 3000 ft", "Not below 2,000 ft")],
        "card A, limits",
        ["2000 ft", "floor_ft, 3000"],
    ),
    (
        "entry height under the floor",
        [("entry_min_ft = 5000", "entry_min_ft = 2900"), ("altitude_band_ft = [4500, 7500]", "")],
        "team, entry_min_ft",
        ["2900 ft", "more than floor_ft, 3000"],
    ),
    (
        "heavier than allowed",
        [("seats = 160, baggage = 5 }", "seats = 199, baggage = 25 }"), ("max_weight_kg = 640", "max_weight_kg = 630")],
        "flight 01_baseline, at start-up, weight",
        ["662.4 kg", "630", "Take off 32.4 kg"],
    ),
    (
        "CG aft of the limit",
        [("cg_max_mm = 2190", "cg_max_mm = 2055")],
        None,
        ["mm, aft of cg_max_mm", "1960 to 2055 mm"],
    ),
    (
        "CG limits in inches",
        [("cg_min_mm = 1960", "cg_min_mm = 77.2"), ("cg_max_mm = 2190", "cg_max_mm = 86.2")],
        None,
        ["inches", "cg_min_in = 77.2"],
    ),
    (
        "CG limits swapped",
        [("cg_min_mm = 1960", "cg_min_mm = 2190"), ("cg_max_mm = 2190\n", "cg_max_mm = 1960\n")],
        "aircraft, cg_max_mm",
        ["1960 mm", "aft of cg_min_mm, 2190"],
    ),
    (
        "station overloaded, in pounds",
        [("seats = 160", "seats = 350"), ("max_weight_kg = 640", "max_weight_kg = 840")],
        "flight 01_baseline, load_kg, seats",
        ["350 kg", "200 kg at most", "350 lb is 159 kg"],
    ),
    (
        "station that is not there",
        [("seats = 160", "seat = 160")],
        "flight 01_baseline, load_kg",
        ['"seat"', "Did you mean seats?"],
    ),
    (
        "more fuel than the tanks hold",
        [("fuel_l = 70", "fuel_l = 95")],
        "flight 01_baseline, fuel_l",
        ["95 l", "fuel_capacity_l 90"],
    ),
    (
        "fuel under the reserve",
        [("fuel_l = 70", "fuel_l = 12")],
        "flight 01_baseline, fuel_l",
        ["12 l", "more than fuel_reserve_l, 15"],
    ),
    (
        "reserve over the capacity",
        [
            ("fuel_capacity_l = 90", "fuel_capacity_l = 10"),
            ("fuel_l = 70", "fuel_l = 9"),
            ("fuel_l = 70", "fuel_l = 9"),
            ("fuel_l = 70", "fuel_l = 9"),
        ],
        "aircraft, fuel_reserve_l",
        ["15 l", "less than fuel_capacity_l, 10"],
    ),
    (
        "configuration twice",
        [
            ('id = "cuffs"', 'id = "baseline"'),
            ('configuration = "cuffs"', 'configuration = "baseline"'),
            ('parent = "baseline"', ""),
        ],
        "configuration baseline, id",
        ["baseline 2 times", "each id once"],
    ),
    (
        "card twice",
        [
            ('id = "B"', 'id = "A"'),
            ('cards = ["A", "B"]', 'cards = ["A"]'),
            ('cards = ["A", "B"]', 'cards = ["A"]'),
            ('cards = ["A", "B"]', 'cards = ["A"]'),
        ],
        "card A, id",
        ["A 2 times"],
    ),
    ("point twice on two cards", [('id = "B1"', 'id = "A1"')], "point A1, id", ["A1 2 times"]),
    ("flight twice", [('id = "03_baseline"', 'id = "01_baseline"')], "flight 01_baseline, id", ["01_baseline 2 times"]),
    (
        "station twice",
        [('name = "baggage"', 'name = "seats"'), (", baggage = 5", ""), (", baggage = 5", ""), (", baggage = 5", "")],
        "aircraft, station seats, name",
        ["seats 2 times"],
    ),
    (
        "flap limit twice",
        [("flap_deg = 30\nmax_ias", "flap_deg = 15\nmax_ias"), ("flap_deg = 30\ntrim", "flap_deg = 15\ntrim")],
        "aircraft, flap_limit 15, flap_deg",
        ["15 2 times"],
    ),
    ("calibration twice", [("flap_deg = 30\nias", "flap_deg = 0\nias")], "calibration 0, flap_deg", ["0 2 times"]),
    (
        "parent that is not there",
        [('parent = "baseline"', 'parent = "base"')],
        "configuration cuffs, parent",
        ['"base"', "Did you mean baseline?"],
    ),
    (
        "circle of two",
        [('name = "Plain wing"', 'name = "Plain wing"\nparent = "cuffs"')],
        "configuration baseline, parent",
        ["a circle: baseline from cuffs from baseline"],
    ),
    (
        "circle of one",
        [('parent = "baseline"', 'parent = "cuffs"')],
        "configuration cuffs, parent",
        ["a circle: cuffs from cuffs"],
    ),
    (
        "flight of no configuration",
        [('configuration = "cuffs"', 'configuration = "cufs"')],
        "flight 02_cuffs, configuration",
        ['"cufs"', "Did you mean cuffs?"],
    ),
    (
        "flight with no such card",
        [('cards = ["A", "B"]', 'cards = ["A", "C"]')],
        "flight 01_baseline, cards",
        ['"C"', "one of A, B"],
    ),
    (
        "comparison of nothing",
        [("[team]", '[[comparison]]\nreference = "baseline"\nchanged = "fences"\n[team]')],
        "comparison number 1, changed",
        ['"fences"', "one of baseline, cuffs"],
    ),
    (
        "comparison with itself",
        [("[team]", '[[comparison]]\nreference = "cuffs"\nchanged = "cuffs"\n[team]')],
        "comparison number 1",
        ["cuffs with itself", "two configurations"],
    ),
    (
        "one phrase, two meanings",
        [('recovered = ["flying again"]', 'recovered = ["Knock it  off"]')],
        "team, words, recovered",
        ['"knock it off"', "stands for knock_it_off"],
    ),
    (
        "a call without a phrase",
        [('recovered = ["flying again"]', "recovered = []")],
        "team, words, recovered",
        ["an empty list", "at least one phrase"],
    ),
    (
        "power without a unit",
        [('power = "2100 rpm"', 'power = "2100"')],
        "card B, point B1, power",
        ["'2100'", '"2100 rpm" or "2100 %"'],
    ),
    (
        "power as a number",
        [('power = "2100 rpm"', "power = 2100")],
        "card B, point B1, power",
        ["2100", "Say what the number is"],
    ),
    (
        "power of 21000 rpm",
        [('power = "2100 rpm"', 'power = "21000 rpm"')],
        "card B, point B1, power",
        ["300 to 10000 rpm"],
    ),
    ("power over 100 %", [('power = "2100 rpm"', 'power = "120 %"')], "card B, point B1, power", ["up to 100 %"]),
    (
        "key misspelt",
        [("graduation = 1.0", "gradution = 1.0")],
        "indicator, gradution",
        ["not known", "Did you mean graduation?"],
    ),
    ("unit left out of a key", [("floor_ft = 3000", "floor = 3000")], "team, floor", ["Did you mean floor_ft?"]),
    ("table misspelt", [("[indicator]", "[indicater]")], "top level, indicater", ["Did you mean indicator?"]),
    (
        "key of a change unknown",
        [("span_from_pct = 55", "spanfrom = 55")],
        "configuration cuffs, change leading-edge cuff, spanfrom",
        ["not known", "Did you mean span_from_"],
    ),
    (
        "a key nobody thought of",
        [("span_from_pct = 55", "glue_brand = 'x'")],
        "configuration cuffs, change leading-edge cuff, glue_brand",
        ["other = { ... }"],
    ),
    (
        "number in quotes",
        [("wing_area_m2 = 12.4", 'wing_area_m2 = "12.4"')],
        "aircraft, wing_area_m2",
        ["'12.4'", "a number in m2", "Leave the quotes out"],
    ),
    (
        "not a number",
        [("wing_area_m2 = 12.4", "wing_area_m2 = nan")],
        "aircraft, wing_area_m2",
        ["nan", "a number in m2"],
    ),
    ("no number of runs", [("runs_wanted = 4", "runs_wanted = 0")], "card A, runs_wanted", ["0", "1 to 60"]),
    ("half a run", [("runs_wanted = 4", "runs_wanted = 2.5")], "card A, runs_wanted", ["2.5", "a whole number"]),
    ("unit of the dial", [('unit = "kt"', 'unit = "knots"')], "indicator, unit", ["'knots'", "one of kt, mph, km/h"]),
    (
        "calibration not rising",
        [("ias_kt = [40, 50, 60, 80]", "ias_kt = [40, 60, 50, 80]")],
        "calibration flap 0, ias_kt",
        ["50 after 60", "rise"],
    ),
    (
        "calibration of unequal length",
        [("cas_kt = [43, 52, 61, 80]", "cas_kt = [43, 52, 61]")],
        "calibration flap 0, cas_kt",
        ["4 IAS and 3 CAS"],
    ),
    (
        "calibration in two units",
        [("cas_kt = [43, 52, 61, 80]", "cas_kt = [80, 96, 113, 148]")],
        "calibration flap 0, cas_kt",
        ["80 kt at 40 kt IAS", "same unit"],
    ),
    (
        "flap limit over never-exceed",
        [("max_ias_kt = 85", "max_ias_kt = 135")],
        "aircraft, flap_limit flap 15, max_ias_kt",
        ["135 kt", "never_exceed_ias_kt 130"],
    ),
    (
        "one bracket too few",
        [('[[flight]]\nid = "01_baseline"', '[flight]\nid = "01_baseline"')],
        "line 128, column 9",
        ["[[card]]"],
    ),
    (
        "bracket of a table wrong",
        [("[indicator]", "[[indicator]]")],
        "indicator",
        ["Write it in single square brackets"],
    ),
    (
        "criteria not in a list",
        [('knock_it_off = ["anyone says so"]', 'knock_it_off = "anyone says so"')],
        "team, knock_it_off",
        ["a list of texts", "knock_it_off = ['anyone says so']"],
    ),
    (
        "no maximum weight",
        [("max_weight_kg = 640\n", "")],
        "aircraft, max_weight_kg",
        ["missing", "a number in kg (or max_weight_lb)"],
    ),
    (
        "weight twice",
        [("max_weight_kg = 640", "max_weight_kg = 640\nmax_weight_lb = 1411")],
        "aircraft, max_weight_lb",
        ["two units", "only one of"],
    ),
    (
        "card without points",
        [('[[card.point]]\nid = "B1"\npower = "2100 rpm"\nflap_deg = 0\nbank_deg = 30\n', "")],
        "card B",
        ["no points", "[[card.point]]"],
    ),
    (
        "span upside down",
        [("span_to_pct = 92", "span_to_pct = 50")],
        "configuration cuffs, change leading-edge cuff, span_to_pct",
        ["50", "more than span_from_pct, 55"],
    ),
    (
        "an id that is a path",
        [('id = "03_baseline"', 'id = "../../03"')],
        "flight ../../03, id",
        ["a short name of letters"],
    ),
    (
        "written by a newer version",
        [('name = "Heron: cuffs"', 'name = "x"\nformat = 9')],
        "campaign, format",
        ["9", "newer version"],
    ),
    (
        "instrument correction of unequal length",
        [("graduation = 1.0", "graduation = 1.0\ncorrection_ias_kt = [40, 60]\ncorrection_kt = [1]")],
        "indicator, correction_ias_kt and correction_kt",
        ["pairs that rise in IAS"],
    ),
    ("no configuration", None, "configuration", ["missing", "[[configuration]]"]),
]


@pytest.mark.parametrize(("swaps", "where", "words"), [m[1:] for m in MISTAKES], ids=[m[0] for m in MISTAKES])
def test_a_planted_mistake_gets_its_sentence(planted, swaps, where, words):
    if swaps is None:
        text = '[campaign]\nname = "x"\n[aircraft]\nname = "x"\nempty_weight_kg = 400\nmax_weight_kg = 600\nwing_area_m2 = 12\n'
    else:
        text = planted(*swaps)

    _, faults = parse_text(text)

    hits = [f for f in faults if where is None or f.where == where]
    assert hits, f"no fault at {where!r}; got {[str(f) for f in faults]}"
    sentence = str(hits[0])
    assert all(word in sentence for word in words), sentence
    place = hits[0].where
    assert [str(f) for f in faults if f.where != place and not _same_cause(f.where, place)] == []


def _same_cause(other: str, where: str) -> bool:
    """Whether a fault in another place has the same cause: a weight or limit shows in every flight and point."""
    if where.startswith("flight"):
        return other.startswith("flight")
    return where.endswith("expected_stall_ias_kt") and other.endswith("expected_stall_ias_kt")


def test_the_sound_campaign_has_neither_fault_nor_advice(sound):
    campaign, faults = parse_text(sound)

    assert faults == ()
    assert advise(campaign) == ()


@pytest.mark.parametrize(
    "words",
    [
        "Clean at 100 kt, then flap 30 and trim 62 kt",
        "Surface wind under 15 kt; flaps up above 80 kt",
        "Trim 62 kt, not below 2000 ft AGL",
    ],
)
def test_other_speeds_and_heights_in_a_text_are_not_taken_for_faults(planted, words):
    _, faults = parse_text(planted(("Trim 65 kt, idle", words), ("Not below 3000 ft", "Not below 2000 ft AGL")))

    assert faults == ()


def test_many_mistakes_are_all_named_at_once(planted):
    text = planted(
        ("wing_area_m2 = 12.4", "wing_area_m2 = 133"),
        ('parent = "baseline"', 'parent = "base"'),
        ("trim_ias_kt = 62", "trim_ias_kt = 80"),
        ("floor_ft = 3000", "flor_ft = 3000"),
        ("bank_deg = 30", "bank_deg = 60"),
        ('cards = ["A", "B"]', 'cards = ["A", "X"]'),
    )

    _, faults = parse_text(text)

    assert len(faults) == 6


ADVICE = [
    (
        "two changes",
        [("span_to_pct = 92", 'span_to_pct = 92\n[[configuration.change]]\nitem = "wing fence"')],
        "one change",
        ["2 things", "leading-edge cuff; wing fence", "Make a configuration for each"],
    ),
    (
        "change not said",
        [
            (
                '[[configuration.change]]\nitem = "leading-edge cuff"\nstate = "measured"\nspan_from_pct = 55\nspan_to_pct = 92\n',
                "",
            )
        ],
        "one change",
        ["cuffs does not say what differs from baseline"],
    ),
    (
        "nominal numbers",
        [('state = "measured"', 'state = "nominal"')],
        "one change",
        ["span_from_pct, span_to_pct are nominal", "Measure"],
    ),
    (
        "baseline with a list",
        [('name = "Plain wing"', 'name = "Plain wing"\n[[configuration.change]]\nitem = "tape"')],
        "one change",
        ["baseline lists changes (tape) but has no parent"],
    ),
    (
        "no way back",
        [
            (
                '[[flight]]\nid = "03_baseline"\nconfiguration = "baseline"\nfuel_l = 70\nload_kg = { seats = 160, baggage = 5 }\ncards = ["A", "B"]\n',
                "",
            )
        ],
        "baseline",
        ["never flown again", "A-B-B-A"],
    ),
    (
        "no baseline at all",
        [
            ('configuration = "baseline"', 'configuration = "cuffs"'),
            ('configuration = "baseline"', 'configuration = "cuffs"'),
        ],
        "baseline",
        ["No flight has the baseline"],
    ),
    (
        "too few runs",
        [("runs_wanted = 4", "runs_wanted = 3")],
        "runs",
        ["3 runs at A1, A2 can show 2.1 kt at best", "needs 4"],
    ),
    ("one run", [("runs_wanted = 4", "runs_wanted = 1")], "runs", ["1 run at A1, A2 can show no difference at all"]),
    (
        "work not recorded",
        [('id = "02_cuffs"\n', 'id = "02_cuffs"\nwork_done = ["propeller changed", "leading edge cuff fitted"]\n')],
        "unrecorded change",
        ['"propeller changed"', "does not record it"],
    ),
    (
        "not parent and child",
        [
            (
                "[team]",
                '[[configuration]]\nid = "fences"\nparent = "cuffs"\n[[configuration.change]]\nitem = "wing fence"\n[[comparison]]\nreference = "baseline"\nchanged = "fences"\n[team]',
            )
        ],
        "comparison",
        ["not parent and child", "leading-edge cuff; wing fence"],
    ),
    (
        "wrong order in a flight",
        [('cards = ["A", "B"]', 'cards = ["B", "A"]')],
        "order",
        ["flies card B before card A", "A first"],
    ),
    (
        "too little fuel for the runs",
        [("fuel_l = 70", "fuel_l = 26")],
        "fuel",
        ["leaves", "the reserve is 15 l", "would fit"],
    ),
    ("no reserve", [("fuel_reserve_l = 15\n", "")], "fuel", ["No fuel reserve"]),
    (
        "other load in the other configuration",
        [
            (
                'configuration = "cuffs"\nfuel_l = 70\nload_kg = { seats = 160',
                'configuration = "cuffs"\nfuel_l = 70\nload_kg = { seats = 80',
            )
        ],
        "loading",
        ["523 kg", "603 kg", "add 80.0 kg at 2150 mm"],
    ),
    (
        "no calibration for a flap",
        [("[[calibration]]\nflap_deg = 30\nias_kt = [35, 45, 55, 75]\ncas_kt = [40, 48, 57, 75]\n", "")],
        "calibration",
        ["flap 30"],
    ),
    (
        "calibration that ends above the stall",
        [
            ("ias_kt = [40, 50, 60, 80]", "ias_kt = [55, 60, 70, 80]"),
            ("cas_kt = [43, 52, 61, 80]", "cas_kt = [57, 61, 71, 80]"),
        ],
        "calibration",
        ["ends at 55 kt", "expected at 47 kt", "extrapolated"],
    ),
    (
        "two points alike",
        [('power = "2100 rpm"\nflap_deg = 0\nbank_deg = 30', 'power = "idle"\nflap_deg = 0')],
        "points",
        ["A1 and B1 are both idle, flap 0, wings level"],
    ),
    (
        "slower with less flap",
        [("expected_stall_ias_kt = 41", "expected_stall_ias_kt = 50")],
        "points",
        ["A2 is expected to stall at 50 kt with flap 30, faster than A1"],
    ),
    (
        "all weights in pounds",
        [
            ("empty_weight_kg = 388", "empty_weight_kg = 855"),
            ("reference_weight_kg = 600", "reference_weight_kg = 1323"),
            ("max_weight_kg = 640", "max_weight_kg = 1411"),
        ],
        "units",
        ["A1, A2", "lift coefficient (2.92 at A1)", "1323 lb is 600 kg"],
    ),
    (
        "start too near the stall",
        [("trim_ias_kt = 70", "trim_ias_kt = 52")],
        "start speed",
        ["The start at A1", "10 kt above", "23.201(b)"],
    ),
    (
        "no fuel given",
        [("fuel_l = 70", ""), ("fuel_l = 70", "")],
        "fuel",
        ["Flights 01_baseline, 02_cuffs are without fuel_l"],
    ),
    ("floor in metres", [("floor_ft = 3000", "floor_ft = 900")], "safety", ["900 ft", "91.303", "floor_m"]),
    ("no lowest entry", [("entry_min_ft = 5000\n", "")], "safety", ["entry_min_ft"]),
    ("no floor", [("floor_ft = 3000\n", "")], "safety", ["no floor"]),
    ("no criteria", [('knock_it_off = ["anyone says so"]\n', "")], "safety", ["no knock-it-off criteria"]),
    (
        "steep",
        [("max_bank_deg = 45", "max_bank_deg = 75"), ("bank_deg = 30", "bank_deg = 60")],
        "safety",
        ["60 deg of bank", "Defer to the rules"],
    ),
]


@pytest.mark.parametrize(("swaps", "topic", "words"), [a[1:] for a in ADVICE], ids=[a[0] for a in ADVICE])
def test_what_is_unwise_is_said_and_does_not_stop_the_reading(planted, swaps, topic, words):
    campaign, faults = parse_text(planted(*swaps))

    assert faults == ()
    said = [a.words for a in advise(campaign) if a.topic == topic]
    assert any(all(word in sentence for word in words) for sentence in said), said


def test_a_recorded_piece_of_work_is_not_complained_of(planted):
    swap = ('id = "02_cuffs"\n', 'id = "02_cuffs"\nwork_done = ["leading-edge cuff fitted"]\n')

    campaign, _ = parse_text(planted(swap))

    assert [a for a in advise(campaign) if a.topic == "unrecorded change"] == []


def test_flights_that_contradict_the_plan_are_named(sound):
    campaign, _ = parse_text(sound)
    flown = [
        FlightInfo(id="01_baseline", configuration="cuffs"),
        FlightInfo(id="x", configuration=None),
        FlightInfo(id="y", configuration="fences"),
    ]

    said = " ".join(a.words for a in advise(campaign, flown))

    assert "planned in baseline and flown in cuffs" in said
    assert "x was flown and does not say in which configuration" in said
    assert "y was flown in fences, which is not among" in said

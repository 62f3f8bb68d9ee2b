"""Out of a stranger's trial: one figure said in two ways, a wish that was forgotten, one command that took seven undos."""

import json
from dataclasses import replace

import pytest
from report_example import made_example

from logger_app.__main__ import main
from logger_app.domain.moments import moments, when
from logger_app.plan.advice import advise
from logger_app.plan.summary import row_label
from logger_app.records.plan import AircraftConfig, Change, Indicator, PlannedFlight, Planning, TestPoint
from logger_app.reduce.compare import compare_all
from logger_app.report.generations import generations
from logger_app.report.headline import headline
from logger_app.sync.choose import choose_runs
from logger_app.units import to_kt
from logger_app.workflows.preflight import check_rehearsal
from tests.builders import Make

make = Make()


@pytest.fixture(scope="module")
def example():
    return made_example()


def test_wing_drops_are_counted_over_one_set_of_runs(example):
    """ "6 of 20" stood in the headline and "left 3, right 5, none 36" in the line: runs that do not count were in the second."""
    runs = tuple(
        replace(run, wing_drop="unknown" if k % 4 == 0 else "left", counts=k % 3 > 0)
        for k, run in enumerate(example.reduction.runs)
    )
    one = replace(example, reduction=replace(example.reduction, runs=runs))
    counted: dict[str, int] = {}
    for row in one.page().pairs[0].rows:
        for name, n in row.changed.wing_drops:
            counted[name] = counted.get(name, 0) + n
    line = {g.configuration.id: dict(g.drops) for g in generations(one.campaign, one.reduction)}

    assert line["cuffs"] == {name: n for name, n in counted.items() if n}
    assert line["cuffs"]["unknown"] and sum(line["cuffs"].values()) == sum(
        r.counts for r in runs if r.configuration == "cuffs"
    )


def not_shown(example, **fields):
    """The example's headline in km/h where nothing was shown at any point."""
    plan = {"verdict": "not shown", "low_kt": -3.0, "high_kt": 3.0, "runs_to_show_1_kt": 60, "flights_to_show_1_kt": 11}
    comparisons = tuple(replace(c, **plan, **fields) for c in example.reduction.comparisons)
    indicator = replace(example.campaign.indicator, unit="km/h")
    page = replace(
        example,
        campaign=replace(example.campaign, indicator=indicator),
        reduction=replace(example.reduction, comparisons=comparisons),
    ).page()
    return next(one.text for one in headline(page.pairs[0], page.units) if one.about == "Point by point")


def test_what_more_flights_would_show_is_the_difference_that_was_planned(example):
    """ "About 11 flights of each would show 1.9 km/h": the plan asked for 4 km/h."""
    asked = {"planned_kt": to_kt(4, "km/h")}

    assert not_shown(example, **asked, flights_to_show_planned=3).endswith(
        "about 3 flights of each would show the planned 4.0 km/h"
    )
    assert not_shown(example, **asked, runs_to_show_planned=9).endswith(
        "about 9 runs of each on as many flights would show the planned 4.0 km/h"
    )
    assert not_shown(example, **asked, runs_to_show_planned=2).endswith(
        "as many runs as were flown show the planned 4.0 km/h, four times out of five"
    )


def made_stall(configuration, flight, number, speed_kt):
    """A reduced run that counts."""
    return make.stall(number, speed_kt, configuration, flight)


def test_the_comparison_asks_for_the_planned_difference():
    runs = [
        made_stall(configuration, flight, k, speed)
        for configuration, flight in (("base", "f1"), ("cuffs", "f2"))
        for k, speed in enumerate((47.0, 47.4, 46.6, 47.1))
    ]

    def found(difference_kt):
        return compare_all(make.campaign(planning=Planning(smallest_difference_kt=difference_kt)), runs).comparisons[0]

    wide, fine = found(3.0), found(1.0)
    assert (wide.planned_kt, fine.planned_kt) == (3.0, 1.0)
    assert wide.flights_to_show_planned < fine.flights_to_show_planned == fine.flights_to_show_1_kt
    assert fine.runs_to_show_planned == fine.runs_to_show_1_kt


def test_work_that_a_configuration_records_is_not_called_unrecorded():
    """ "Strips glued, ribs 1 to 3" before the first flight with "stall strip, inboard" was an unrecorded change."""
    plan = make.campaign(
        configurations=(
            AircraftConfig(id="plain", name="Plain"),
            AircraftConfig(id="fences", name="Fences", parent="plain", changes=(Change(item="wing fence at rib 6"),)),
            AircraftConfig(id="both", name="Both", parent="fences", changes=(Change(item="stall strip, inboard"),)),
        ),
        flights=(
            PlannedFlight(id="f1", configuration="plain", cards=("A",)),
            PlannedFlight(id="f2", configuration="fences", work_done=("fences glued at the sixth rib",)),
            PlannedFlight(id="f3", configuration="both", work_done=("strips glued, ribs 1 to 3; right fence sanded",)),
            PlannedFlight(id="f4", configuration="both", work_done=("strips moved outboard",)),
            PlannedFlight(id="f5", configuration="plain", work_done=("strips and fences taken off",)),
        ),
    )
    said = [one.words for one in advise(plan) if one.topic == "unrecorded change"]

    assert [text.split(" was done")[0] for text in said] == [
        'Before flight f3 "right fence sanded"',
        'Before flight f4 "strips moved outboard"',
    ]
    (at_once,) = [one for one in advise(plan) if "at once" in one.words]
    assert at_once.topic == "one change", "both things are recorded: that they come together is the matter"


LEGS = """ias_kmh,ground_speed_kmh,track_deg,pressure_altitude_ft,oat_degc,flap_deg
100,113,0,3000,9,0
100,95,120,3000,9,0
100,101,240,3000,9,0
100,119,30,3000,9,0
130,142,0,3000,9,0
130,127,120,3000,9,0
130,130,240,3000,9,0
"""


def test_a_calibration_speaks_in_the_unit_of_the_dial(tmp_path, capsys):
    (tmp_path / "legs.csv").write_text(LEGS)

    def said(*words):
        assert main(["calibrate", str(tmp_path / "legs.csv"), *words]) == 0
        return capsys.readouterr().out

    first, *_ = said().splitlines()
    assert first.startswith("flap 0: IAS 100.0 km/h is CAS ") and " kt" not in first
    assert "is above 2.8 km/h: not used" in first, "the fourth leg does not fit the others"
    assert said("--unit", "kt").startswith("flap 0: IAS 54.0 kt")
    assert json.loads(said("--json"))["points"][0]["ias_kt"] == pytest.approx(53.996, abs=1e-3)


def test_a_comparison_of_the_wing_speaks_in_the_unit_of_the_dial():
    run = replace(
        made_stall("base", "f1", 1, 50.0),
        event_flight_s=20.0,
        readings=tuple((float(t), 62.0 - t) for t in range(0, 20, 2)),
        curve=tuple((float(t), 62.0 - t) for t in range(0, 20, 2)),
    )

    assert "(1.85 km/h/s)" in choose_runs({"base": [run]}, unit="km/h")[1]
    (fast,) = moments("200km/h", "km/h")
    why = when(run, fast, unit="km/h")[2]
    assert why.startswith("not flown: the approach goes from ") and why.endswith(" km/h") and " kt" not in why


def test_remarks_name_no_unit_that_the_dial_does_not_have():
    """ "Knots of IAS are not knots of CAS" stood beside speeds in km/h."""
    plan = make.campaign(indicator=Indicator(unit="km/h"), calibrations=())
    runs = [
        replace(made_stall(c, f, k, v), vs_cas_kt=None, vs_std_kt=None, bases=())
        for c, f in (("base", "f1"), ("cuffs", "f2"))
        for k, v in enumerate((47.0, 47.4, 46.6))
    ]
    (found,) = compare_all(plan, runs).comparisons

    assert found.basis == "ias" and any("IAS is not CAS" in note for note in found.notes)
    assert not any("knot" in note or " kt" in note for note in (*found.notes, found.words))
    assert "3.7 km/h below the last call" in check_rehearsal(None, unit="km/h").hint
    fast = TestPoint(id="A3", card="A", rate_low_kt_per_s=3.0, rate_high_kt_per_s=5.0)
    assert row_label(fast, "km/h").endswith(", 5.56 to 9.26 km/h/s")

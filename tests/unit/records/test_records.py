"""A record that exists is valid: every limit to the last value, and what the small properties say."""

import math
from dataclasses import FrozenInstanceError, fields, is_dataclass

import pytest

from logger_app.records import calls, clocks, journal, plan, results, runs
from logger_app.records.calls import (
    Action,
    Alternative,
    CallKind,
    CallStatus,
    CaptureGap,
    Correction,
    Flag,
    HeardCall,
    ReviewedCall,
)
from logger_app.records.clocks import ClockMap
from logger_app.records.plan import (
    Aircraft,
    AircraftConfig,
    CalibrationTable,
    Campaign,
    Indicator,
    PlannedFlight,
    TestCard,
    TestPoint,
)
from logger_app.records.results import StallSpeed, without_details
from logger_app.records.runs import FlightData, FlightRuns, Run, RunEnd, RunWeight, StallEvent


def heard(**over):
    return HeardCall(
        **{"id": "c1", "start_ns": 1_500_000_000, "end_ns": 2_250_000_000, "kind": CallKind.AIRSPEED, "name": "ias"}
        | over
    )


def reviewed(**over):
    base = {"id": "c1", "flight_ns": 1_500_000_000, "end_ns": 2_000_000_000, "kind": CallKind.AIRSPEED, "name": "ias"}
    return ReviewedCall(**base | {"value": 58.0, "unit": "kt", "status": CallStatus.HEARD} | over)


def aircraft(**over):
    base = {
        "name": "made",
        "empty_weight_kg": 380.0,
        "reference_weight_kg": 600.0,
        "max_weight_kg": 650.0,
        "wing_area_m2": 12.0,
    }
    return Aircraft(**base | over)


def test_no_record_can_be_edited():
    kinds = {
        thing
        for module in (calls, clocks, journal, plan, results, runs)
        for thing in vars(module).values()
        if isinstance(thing, type) and is_dataclass(thing) and thing.__module__ == module.__name__
    }

    assert len(kinds) > 25
    for kind in kinds:
        empty = object.__new__(kind)
        with pytest.raises(FrozenInstanceError):
            setattr(empty, fields(kind)[0].name, None)


def test_a_call_of_no_length_is_a_call_and_one_that_ends_first_is_not():
    assert heard(end_ns=1_500_000_000).end_s == 1.5
    with pytest.raises(ValueError, match="c1"):
        heard(end_ns=1_499_999_999)


@pytest.mark.parametrize("posterior", [0.0, 0.5, 1.0])
def test_a_probability_is_0_to_1(posterior):
    assert heard(posterior=posterior).posterior == posterior


@pytest.mark.parametrize("posterior", [-0.01, 1.01, math.nan])
def test_what_is_no_probability_is_refused(posterior):
    with pytest.raises(ValueError, match="posterior"):
        heard(posterior=posterior)


def test_a_heard_call_as_json():
    rival = Alternative(kind=CallKind.AIRSPEED, name="ias", value=59.0, posterior=0.123456)
    call = heard(
        value=58.0,
        unit="kt",
        words="fifty eight",
        posterior=0.876543,
        flags=(Flag.UNSURE,),
        alternatives=(rival,),
        proposed=59.0,
    )

    assert call.as_json() == {
        "id": "c1",
        "start_s": 1.5,
        "end_s": 2.25,
        "kind": "airspeed",
        "value": 58.0,
        "unit": "kt",
        "name": "ias",
        "words": "fifty eight",
        "posterior": 0.8765,
        "confidence": 0.8765,
        "flags": ["unsure"],
        "proposed": 59.0,
        "alternatives": [{"kind": "airspeed", "name": "ias", "value": 59.0, "posterior": 0.1235}],
    }


def test_times_as_json_are_given_to_the_millisecond():
    assert heard(start_ns=1_234_567_890).as_json()["start_s"] == 1.235
    assert heard(end_ns=2_345_678_901).as_json()["end_s"] == 2.346
    assert CaptureGap(start_ns=1_234_567_890, end_ns=2_345_678_901, why="x").as_json() == {
        "start_s": 1.235,
        "end_s": 2.346,
        "why": "x",
    }


def test_a_gap_breaks_an_approach_unless_it_says_not():
    assert CaptureGap(start_ns=0, end_ns=1, why="x").breaks


def test_a_reviewed_call_as_json_keeps_what_was_heard():
    call = reviewed(
        flight_ns=1_234_567_890,
        status=CallStatus.CORRECTED,
        posterior=0.123456,
        flags=(Flag.CLIPPED,),
        heard=heard(value=50.0, proposed=58.0),
    )

    assert call.as_json() == {
        "id": "c1",
        "flight_s": 1.235,
        "kind": "airspeed",
        "name": "ias",
        "value": 58.0,
        "unit": "kt",
        "heard_value": 50.0,
        "status": "corrected",
        "flags": ["clipped"],
        "posterior": 0.1235,
        "proposed": 58.0,
    }


def test_an_added_call_was_not_heard():
    call = reviewed(status=CallStatus.ADDED)

    assert call.heard_value is None
    assert call.as_json()["proposed"] is None
    assert call.posterior == 1.0


@pytest.mark.parametrize("status", CallStatus)
def test_everything_but_rejected_counts_and_everything_but_heard_was_looked_at(status):
    assert reviewed(status=status).counts == (status is not CallStatus.REJECTED)
    assert reviewed(status=status).reviewed == (status is not CallStatus.HEARD)


def test_a_correction_gives_its_payload_by_name():
    correction = Correction(id="k1", utc="", who="", action=Action.SET, target="c1", payload=(("value", 58.0),))

    assert (correction.get("value"), correction.get("unit"), correction.get("unit", "kt")) == (58.0, None, "kt")


def test_a_clock_map_there_and_back_at_both_ends():
    clock = ClockMap(source="wing", offset_s=100.0, drift_ppm=50.0, valid_from_s=10.0, valid_to_s=60.0)

    # By hand: 100 + 60 * 1.00005.
    assert clock.to_flight_s(60.0) == pytest.approx(160.003, abs=1e-9)
    for camera_s in (10.0, 33.3, 60.0):
        assert clock.from_flight_s(clock.to_flight_s(camera_s)) == pytest.approx(camera_s, abs=1e-9)


@pytest.mark.parametrize("beyond_s", [9.999, 60.001, math.nan])
def test_a_clock_map_refuses_what_was_not_recorded(beyond_s):
    clock = ClockMap(source="wing", offset_s=100.0, valid_from_s=10.0, valid_to_s=60.0)

    with pytest.raises(ValueError, match="wing"):
        clock.to_flight_s(beyond_s)
    with pytest.raises(ValueError, match="wing"):
        clock.from_flight_s(100.0 + beyond_s)


def test_a_clock_map_of_its_own_is_a_shift_without_end():
    clock = ClockMap(source="x", offset_s=2.0)

    assert (clock.to_flight_s(0.0), clock.to_flight_s(1e6), clock.u_s) == (2.0, 1e6 + 2.0, 0.0)
    with pytest.raises(ValueError):
        clock.to_flight_s(-0.5)


@pytest.mark.parametrize(
    "wrong",
    [
        {"unit": "furlongs"},
        {"graduation": 0.0},
        {"graduation": -1.0},
        {"graduation": math.nan},
        {"correction_ias_kt": (40.0, 50.0), "correction_kt": (1.0,)},
        {"correction_ias_kt": (40.0, 40.0), "correction_kt": (1.0, 2.0)},
        {"correction_ias_kt": (40.0, 50.0, 45.0), "correction_kt": (1.0, 2.0, 3.0)},
    ],
)
def test_an_indicator_that_cannot_be(wrong):
    with pytest.raises(ValueError):
        Indicator(**wrong)


def test_an_indicator_may_be_finely_divided_and_corrected():
    made = Indicator(graduation=0.5, correction_ias_kt=(40.0, 40.5), correction_kt=(1.0, 1.0))

    assert made.correction_ias_kt[1] == 40.5


@pytest.mark.parametrize(
    "wrong",
    [
        {"empty_weight_kg": 0.0},
        {"empty_weight_kg": 650.5},
        {"wing_area_m2": 0.0},
        {"wing_area_m2": math.nan},
        {"empty_weight_kg": -5.0},
    ],
)
def test_an_aircraft_that_cannot_be(wrong):
    with pytest.raises(ValueError):
        aircraft(**wrong)


def test_an_aircraft_at_the_ends_of_what_can_be():
    assert aircraft(empty_weight_kg=650.0, wing_area_m2=0.5).max_weight_kg == 650.0
    assert aircraft(empty_weight_kg=0.5).empty_weight_kg == 0.5


def test_avgas_weighs_6_lb_a_us_gallon_unless_told():
    # FAA-H-8083-1 (weight and balance handbook), from memory: 6 lb/US gal, 0.719 kg/l.
    assert aircraft().fuel_density_kg_per_l == pytest.approx(6 * 0.45359237 / 3.785411784, abs=0.002)


@pytest.mark.parametrize(
    "ias, cas",
    [
        ((40.0,), (44.0,)),
        ((40.0, 50.0), (44.0,)),
        ((40.0, 40.0), (44.0, 45.0)),
        ((40.0, 50.0, 49.0), (44.0, 53.0, 52.0)),
        ((), ()),
    ],
)
def test_a_calibration_that_cannot_be(ias, cas):
    with pytest.raises(ValueError):
        CalibrationTable(flap_deg=0, ias_kt=ias, cas_kt=cas)


def test_a_calibration_of_two_pairs_is_one():
    assert CalibrationTable(flap_deg=0, ias_kt=(40, 40.5), cas_kt=(44, 44)).u_kt == 1.0


@pytest.mark.parametrize(
    "wrong",
    [
        {"runs_wanted": 0},
        {"rate_low_kt_per_s": 0.0},
        {"rate_low_kt_per_s": 1.5},
        {"rate_high_kt_per_s": 0.4},
        {"rate_low_kt_per_s": -1.0},
    ],
)
def test_a_point_that_cannot_be_flown(wrong):
    with pytest.raises(ValueError, match="A1"):
        TestPoint(id="A1", card="A", **wrong)


def test_a_point_wants_at_least_one_run():
    assert TestPoint(id="A1", card="A", runs_wanted=1, rate_low_kt_per_s=0.1, rate_high_kt_per_s=0.2).runs_wanted == 1


@pytest.mark.parametrize(
    "bank, words",
    [
        (0.0, "wings level"),
        (30.0, "bank 30 right"),
        (-30.0, "bank 30 left"),
        (0.5, "bank 0.5 right"),
        (-0.5, "bank 0.5 left"),
    ],
)
def test_the_label_of_a_point(bank, words):
    assert TestPoint(id="A1", card="A", flap_deg=15, bank_deg=bank).label == f"idle, flap 15, {words}"


def test_what_a_campaign_says_of_its_parts():
    cards = (
        TestCard(id="A", title="a", points=(TestPoint(id="A1", card="A"),)),
        TestCard(id="B", title="b", points=(TestPoint(id="B1", card="B"),)),
    )
    configurations = (AircraftConfig(id="base", name="Plain"), AircraftConfig(id="cuffs", name="Cuffs", parent="base"))
    flights = (PlannedFlight(id="f1", configuration="base"), PlannedFlight(id="f2", configuration="cuffs"))
    campaign = Campaign(name="made", aircraft=aircraft(), cards=cards, configurations=configurations, flights=flights)

    assert [point.id for point in campaign.points] == ["A1", "B1"]
    assert campaign.configuration("cuffs") is configurations[1] and campaign.configuration("x") is None
    assert campaign.flight("f2") is flights[1] and campaign.flight("x") is None
    assert campaign.pairs() == (("base", "cuffs"),)
    listed = Campaign(name="made", aircraft=aircraft(), configurations=configurations, comparisons=(("cuffs", "base"),))
    assert listed.pairs() == (("cuffs", "base"),)


def run(**over):
    base = {"id": "r1", "number": 1, "flight": "f1", "start_ns": 1_500_000_000, "end_ns": 2_500_000_000, "point": "A1"}
    return Run(**base | {"calls": (reviewed(),), "ended": RunEnd.RECOVERED} | over)


def test_a_run_is_reviewed_when_every_call_in_it_is():
    assert (run().start_s, run().end_s) == (1.5, 2.5)
    assert not run(calls=(reviewed(status=CallStatus.CONFIRMED), reviewed())).reviewed
    assert run(calls=(reviewed(status=CallStatus.CONFIRMED), reviewed(status=CallStatus.REJECTED))).reviewed
    assert not run().discarded and run().overruled is None


def test_the_weight_of_a_run():
    weights = (RunWeight(run="r1", weight_kg=600.0), RunWeight(run="r2", weight_kg=590.0))
    data = FlightData(info=None, runs=FlightRuns(flight="f1", runs=()), weights=weights)

    assert data.weight("r2") is weights[1]
    assert data.weight("r3") is None


def test_a_run_without_its_details_keeps_its_figures():
    full = StallSpeed(
        run="r1",
        run_number=1,
        flight="f1",
        configuration="base",
        point="A1",
        event=StallEvent.PITCH_DOWN,
        method="fit",
        counts=True,
        vs_ias_kt=45.0,
        curve=((1.0, 50.0),),
        fit=(1, 45.0, -1.0),
        calls_used=("c1",),
        calls_excluded=(("c2", "wild"),),
        provenance=results.Provenance(flight="f1"),
    )
    lean = without_details(full)

    assert (lean.vs_ias_kt, lean.run, lean.counts, lean.reviewed) == (45.0, "r1", True, False)
    assert (lean.curve, lean.fit, lean.calls_used, lean.calls_excluded, lean.provenance) == (
        (),
        None,
        (),
        (),
        results.Provenance(),
    )


def test_nothing_cancels_or_is_reviewed_unless_it_says_so():
    comparison = results.Comparison(
        point="A1", reference="a", changed="b", n_reference=0, n_changed=0, verdict="", words=""
    )

    assert not results.BudgetTerm(name="x", u_kt=1.0).cancels
    assert (
        not results.Cell(point="A1", configuration="base", event="pitch_down", n=0).reviewed and not comparison.reviewed
    )
    assert results.Reduction(campaign="x", runs=(), cells=(), comparisons=()).reviewed_share == 0.0


def test_a_campaign_that_leaves_a_table_out_holds_what_a_new_one_writes_down():
    # A person who deletes [indicator] or [plan] from a new campaign changes nothing.
    import tomllib

    from logger_app.plan.template import Answers, campaign_text

    amounts = (("empty_weight_kg", 380.0), ("max_weight_kg", 650.0), ("wing_area_m2", 12.0))
    text = tomllib.loads(campaign_text(Answers(name="made", aircraft="made", amounts=amounts)))

    for table, record in (("indicator", Indicator()), ("plan", plan.Planning())):
        assert len(text[table]) > 3
        for key, written in text[table].items():
            held = getattr(record, key)
            assert (list(held) if isinstance(held, tuple) else held) == written


def test_what_an_aircraft_and_a_point_are_when_nothing_is_said():
    # 14 CFR 91.307(c), from memory: beyond 60 degrees of bank is an intentional manoeuvre that asks for parachutes.
    assert aircraft().max_bank_deg == 60.0
    assert (aircraft().fuel_burn_l_per_h, aircraft().fuel_reserve_l) == (0.0, 0.0)  # not known is not counted
    assert TestPoint(id="A1", card="A").label == "idle, flap 0, wings level"

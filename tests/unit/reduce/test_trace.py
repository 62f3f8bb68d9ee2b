"""A trace joined to the calls: offset, lag, refusals, and what it says at the event."""

from dataclasses import replace

import numpy as np
import pytest

from logger_app.domain.times import flight_time
from logger_app.errors import ReduceError
from logger_app.records.plan import Indicator
from logger_app.records.runs import StallEvent
from logger_app.reduce.align import align
from logger_app.reduce.campaign import Options, reduce_campaign
from logger_app.reduce.samples import Trace
from logger_app.reduce.trace import _rolled_deg, join, legs_in_trace
from logger_app.units import s_to_ns

LAG = 0.6


def flown(seed=0, runs=3):
    """A trace of several approaches on its own clock, and the same speeds called on the flight clock."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(0, 60 * runs + 30, 0.2)
    speed = np.full(len(time_s), 65.0)
    for k in range(runs):
        into = time_s - (60 * k + 20 + 3 * k)
        vs, rate = 44 + k, 0.8 + 0.2 * k
        down = (into > 0) & (into < (65 - vs) / rate)
        speed[down] = 65 - rate * into[down]
        up = (into >= (65 - vs) / rate) & (into < (65 - vs) / rate + 10)
        speed[up] = vs + (65 - vs) * (into[up] - (65 - vs) / rate) / 10
    said_at = np.arange(3.0, time_s[-1] - 1, 1.3)
    called = np.round(np.interp(said_at, time_s, speed))
    return time_s, speed, said_at, called + (rng.random(len(called)) < 0.04) * 10


@pytest.mark.parametrize("offset", [0.0, 137.4, -55.2, 3605.0])
def test_the_offset_is_found_and_the_lag_taken_from_the_indicator(offset):
    time_s, speed, said_at, called = flown()
    trace = Trace(source="t.csv", time_s=time_s, columns={"ias_kt": speed + 1.5})

    found = align(trace, said_at + offset + LAG, called, Indicator(reading_lag_s=LAG, reading_lag_u_s=0.1))

    assert found.clock.offset_s == pytest.approx(offset, abs=0.1)
    assert found.bias_kt == pytest.approx(1.5, abs=0.3)
    assert found.clock.u_s >= 0.1
    assert "offset" in found.in_words() and "reading lag 0.60 s" in found.in_words()


def test_on_the_flight_clock_the_lag_itself_is_found():
    time_s, speed, said_at, called = flown()
    trace = Trace(source="film.csv", time_s=time_s, columns={"ias_kt": speed}, on_flight_clock=True)

    found = align(trace, said_at + LAG, called, Indicator(reading_lag_s=0.2))

    assert found.lag_found and found.lag_s == pytest.approx(LAG, abs=3 * found.lag_u_s + 0.02)


def test_ground_speed_with_wind_will_do():
    time_s, speed, said_at, called = flown()
    trace = Trace(source="t.gpx", time_s=time_s, columns={"ground_speed_kt": speed * 1.06 + 9})

    assert align(trace, said_at + 40 + LAG, called, Indicator(reading_lag_s=LAG)).clock.offset_s == pytest.approx(
        40, abs=0.4
    )


@pytest.mark.parametrize(
    "columns, n",
    [({"altitude_ft": 1.0}, 100), ({"ias_kt": 0.0}, 5), ({"ias_kt": "other"}, 100)],
    ids=["no speed", "few calls", "another flight"],
)
def test_what_cannot_be_joined_is_refused(columns, n):
    time_s, speed, said_at, called = flown()
    (name, kind), *_ = columns.items()
    values = np.random.default_rng(9).uniform(60, 110, len(speed)) if kind == "other" else speed
    trace = Trace(source="t.csv", time_s=time_s, columns={name: values})

    with pytest.raises(ReduceError) as caught:
        align(trace, said_at[:n], called[:n], Indicator())

    assert caught.value.faults[0].where == "trace t.csv"


def test_an_offset_that_could_be_either_of_two_is_refused():
    time_s = np.arange(0, 400, 0.2)
    speed = 55 + 10 * np.sin(2 * np.pi * time_s / 40)  # the same every 40 s
    said_at = np.arange(100, 200, 1.3)
    trace = Trace(source="t.csv", time_s=time_s, columns={"ias_kt": speed})

    with pytest.raises(ReduceError) as caught:
        align(trace, said_at, np.round(np.interp(said_at, time_s, speed)), Indicator())

    assert "more than one offset" in caught.value.faults[0].got


def joined_flight(make):
    """One flight of three runs with a trace that knows n, altitude and temperature."""
    runs, at = [], 10.0
    for k in range(3):
        calls = make.approach(vs_kt=45 + 0.3 * k, rate=0.7 + 0.3 * k, t0=at, lag_s=LAG)
        calls = [replace(c, id=f"{k}{c.id}") for c in calls]
        runs.append(make.run(calls, id=f"r{k}", number=k + 1))
        at = calls[-1].flight_s + 25
    flight = make.flight(runs)
    time_s = np.arange(0, at, 0.1)
    knots = sorted((c.flight_s - LAG, c.ias_kt) for run in runs for c in run.calls if c.ias_kt)
    speed = np.interp(time_s, *zip(*knots))
    events = [run.calls[-1].flight_s - LAG for run in runs]
    nz = np.ones(len(time_s))
    altitude = np.full(len(time_s), 5000.0)
    for event in events:
        nz[np.abs(time_s - event) < 1.0] = 0.95
        altitude[(time_s > event + 2) & (time_s < event + 12)] = 4800.0
    columns = {"ias_kt": speed, "load_factor_wind": nz, "altitude_ft": altitude, "oat_degc": np.full(len(time_s), 8.0)}
    return flight, Trace(source="t.csv", time_s=time_s, columns=columns)


def test_load_factor_altitude_and_temperature_reach_the_result(make):
    flight, trace = joined_flight(make)
    joined = join(trace, flight, Indicator(reading_lag_s=LAG))
    at_event = {(flight.info.id, run): there for run, there in joined.at_event.items()}

    result = reduce_campaign(
        make.campaign(), [flight], Options(at_event=at_event, steps=(joined.alignment.in_words(),))
    )

    run = result.runs[0]
    assert (run.basis, run.load_factor, run.altitude_ft, run.altitude_lost_ft) == ("measured_nz", 0.95, 5000.0, 200.0)
    speeds = {name: v for name, v, _ in run.bases}
    assert speeds["measured_nz"] == pytest.approx(speeds["raw"] / 0.95**0.5)
    assert run.density_altitude_ft == pytest.approx(5300, abs=400)
    assert "joined by ias_kt" in result.provenance.steps[0]


def test_a_stall_far_below_the_last_call_counts_where_the_trace_shows_it(make):
    flight, trace = joined_flight(make)
    joined = join(
        replace(trace, columns={**trace.columns, "ias_kt": trace.columns["ias_kt"] + 1.0}),
        flight,
        Indicator(reading_lag_s=LAG),
    )
    # The last three seconds of calls of the last run were lost: the event stays.
    whole = flight.runs.runs[2]
    event_s = whole.calls[-1].flight_s
    lost = replace(whole, calls=tuple(c for c in whole.calls if c.ias_kt is None or c.flight_s < event_s - 3))
    flight = replace(flight, runs=replace(flight.runs, runs=(*flight.runs.runs[:2], lost)))

    def last(at_event):
        return reduce_campaign(make.campaign(), [flight], Options(at_event=at_event)).runs[2]

    alone = last({})
    joined_too = last({(flight.info.id, run): there for run, there in joined.at_event.items()})

    assert not alone.counts and any("below the last call" in why for why in alone.why)
    assert not any("below the last call" in why for why in joined_too.why)
    assert any("it counts because a trace shows" in caveat for caveat in joined_too.caveats)
    # The recorder's 1 kt more is not the pilot's: what it shows is the speed that was flown, 45.6 kt.
    assert joined.at_event["r2"].ias_kt == pytest.approx(45.6, abs=0.7)


def test_a_run_without_a_called_event_gets_the_lowest_of_the_trace_as_a_proposal(make):
    flight, trace = joined_flight(make)
    whole = flight.runs.runs[1]
    event = whole.calls[-1]
    silent = replace(whole, calls=tuple(c for c in whole.calls if c is not event), end_ns=s_to_ns(event.flight_s + 5))
    flight = replace(flight, runs=replace(flight.runs, runs=(flight.runs.runs[0], silent, flight.runs.runs[2])))
    there = join(trace, flight, Indicator(reading_lag_s=LAG)).at_event["r1"]

    assert there.lowest_s == pytest.approx(event.flight_s, abs=1.5)
    assert there.lowest_ias_kt == pytest.approx(45.3, abs=1.0)
    run = reduce_campaign(make.campaign(), [flight], Options(at_event={(flight.info.id, "r1"): there})).runs[1]
    assert not run.counts and run.event is StallEvent.NOT_REACHED  # a proposal is not applied by itself
    assert run.why[-1].startswith(f"proposed: a trace is lowest at {flight_time(there.lowest_s)}, ")


def test_holes_and_nan_in_a_trace_are_not_filled(make):
    flight, trace = joined_flight(make)
    holed = {name: values.copy() for name, values in trace.columns.items()}
    holed["load_factor_wind"][:] = np.nan
    holed["altitude_ft"][100:] = np.nan

    joined = join(replace(trace, columns=holed), flight, Indicator(reading_lag_s=LAG))

    assert {there.load_factor for there in joined.at_event.values()} == {None}
    assert joined.at_event["r2"].altitude_ft is None


def test_a_run_after_the_end_of_the_trace_gets_nothing(make):
    flight, trace = joined_flight(make)
    half = int(len(trace.time_s) * 0.6)
    short = replace(trace, time_s=trace.time_s[:half], columns={n: v[:half] for n, v in trace.columns.items()})

    assert "r2" not in join(short, flight, Indicator(reading_lag_s=LAG)).at_event


def test_steady_legs_are_cut_out_of_a_log():
    time_s = np.arange(0, 120.0)
    track = np.concatenate(
        [np.full(30, 10.0), np.linspace(10, 130, 15), np.full(30, 130.0), np.linspace(130, 250, 15), np.full(30, 250.0)]
    )
    trace = Trace(
        source="log.gpx",
        time_s=time_s,
        columns={"ground_speed_kt": np.full(120, 70.0), "track_deg": track, "altitude_ft": np.full(120, 4000.0)},
    )

    legs = legs_in_trace(trace, 65.0)

    assert [round(leg.track_deg) for leg in legs] == pytest.approx([10, 130, 250], abs=1)
    assert [leg.ground_speed_kt for leg in legs] == pytest.approx([70.0] * 3, abs=0.1)


def log(time_s, track, speed, **columns):
    n = len(time_s)
    columns = {name: np.full(n, value) for name, value in columns.items()}
    return Trace(
        source="log",
        time_s=np.asarray(time_s, float),
        columns={"ground_speed_kt": np.asarray(speed, float), "track_deg": np.asarray(track, float), **columns},
    )


HEIGHT = {"altitude_ft": 4000.0}


@pytest.mark.parametrize("seconds, legs", [(10, 1), (9, 0)])
def test_a_leg_holds_still_for_10_s(seconds, legs):
    assert (
        len(legs_in_trace(log(range(seconds + 1), [90.0] * (seconds + 1), [70.0] * (seconds + 1), **HEIGHT), 65.0))
        == legs
    )


@pytest.mark.parametrize("swing, legs", [(4.4, 1), (4.6, 0)])
def test_a_leg_keeps_its_track_within_3_deg_of_the_middle_also_across_north(swing, legs):
    # Two samples on one side and one on the other: that one is two thirds of the swing from their mean.
    track = [(-swing / 2 if k % 2 else swing / 2) % 360 for k in range(12)]

    found = legs_in_trace(log(range(12), track, [70.0] * 12, **HEIGHT), 65.0)
    assert len(found) == legs
    for leg in found:
        assert min(leg.track_deg, 360 - leg.track_deg) == pytest.approx(0, abs=1e-6)
        assert leg.ground_speed_kt == pytest.approx(70 * np.cos(np.radians(swing / 2)))  # mean of the velocity vector


@pytest.mark.parametrize("change, legs", [(3.0, 1), (3.1, 0)])
def test_a_leg_keeps_its_speed_within_3_kt(change, legs):
    assert (
        len(legs_in_trace(log(range(12), [90.0] * 12, [70.0 + change * (k % 2) for k in range(12)], **HEIGHT), 65.0))
        == legs
    )


@pytest.mark.parametrize("hole, legs", [(4.0, 1), (4.1, 0)])
def test_a_leg_has_no_hole_of_more_than_4_s(hole, legs):
    time_s = [*range(6), *(5 + hole + k for k in range(6))]

    assert len(legs_in_trace(log(time_s, [90.0] * 12, [70.0] * 12, **HEIGHT), 65.0)) == legs


def test_the_whole_leg_is_used_from_its_first_sample_to_its_last():
    track = [*[10.0] * 5, *[90.0] * 12, *[200.0] * 5]
    (leg,) = legs_in_trace(log(range(22), track, [70.0] * 22, oat_degc=12.0, ias_kt=64.0, **HEIGHT))

    assert leg.where == "log, 5 to 16 s"
    assert (leg.ias_kt, leg.oat_degc, leg.pressure_altitude_ft, leg.flap_deg) == (64.0, 12.0, 4000.0, 0.0)
    (given,) = legs_in_trace(
        log(range(22), track, [70.0] * 22, oat_degc=12.0, ias_kt=64.0, **HEIGHT), 60.0, 15.0, 5000.0, 20.0
    )
    assert (given.ias_kt, given.oat_degc, given.pressure_altitude_ft, given.flap_deg) == (60.0, 20.0, 5000.0, 15.0)


def test_samples_without_speed_or_track_are_passed_over():
    speed, track = np.full(14, 70.0), np.full(14, 90.0)
    speed[3], track[7] = np.nan, np.nan
    (leg,) = legs_in_trace(log(range(14), track, speed, **HEIGHT), 65.0)

    assert leg.ground_speed_kt == pytest.approx(70.0)


@pytest.mark.parametrize(
    "columns, ias, description", [({}, 65.0, "no altitude"), (HEIGHT, None, "no indicated airspeed")]
)
def test_legs_that_lack_something_are_refused(columns, ias, description):
    with pytest.raises(ReduceError, match=description):
        legs_in_trace(log(range(12), [90.0] * 12, [70.0] * 12, **columns), ias)
    with pytest.raises(ReduceError, match="no ground speed and track"):
        legs_in_trace(Trace(source="x", time_s=np.arange(3.0), columns={"ias_kt": np.ones(3)}), 65.0)


def test_what_the_trace_says_at_the_event(make):
    flight, trace = joined_flight(make)
    speed = trace.columns["ias_kt"] * 1.1
    joined = join(
        replace(trace, columns={**trace.columns, "ground_speed_kt": speed}), flight, Indicator(reading_lag_s=LAG)
    )
    there = joined.at_event["r0"]
    event = flight.runs.runs[0].calls[-1].flight_s - LAG

    # Ours is found to a few hundredths of a second, at 0.7 kt/s.
    assert there.ground_speed_kt == pytest.approx(np.interp(event, trace.time_s, speed), abs=0.2)
    assert (there.oat_degc, there.load_factor, there.load_factor_u) == (8.0, 0.95, pytest.approx(0.02, abs=0.005))


def test_a_sensor_fixed_to_the_body_is_turned_to_the_flight_path():
    """Flown runs of an independent flight model: body and flight-path load factors at the CL peak (JSBSim, C172P)."""
    from logger_app.reduce.standardise import wind_axis_load_factor

    flown = [(0.9656, 0.9551, 16.0), (0.9695, 0.9587, 16.0), (0.9615, 0.9506, 16.0), (0.897, 0.8867, 15.9),
             (0.9784, 0.9578, 15.7), (1.1032, 1.0892, 16.0), (1.3106, 1.2931, 16.0), (0.9506, 0.9444, 16.0)]  # fmt: skip
    for body, path, alpha in flown:
        for given in (None, alpha):
            turned, u = wind_axis_load_factor(body, 0.02, given)
            assert turned == pytest.approx(path, abs=0.013)
            assert abs(turned - path) < u < 0.03
    assert wind_axis_load_factor(1.0, 0.0, 0.0)[0] == pytest.approx(1.0)


def test_the_largest_bank_after_the_event_is_that_of_the_wing_drop():
    time_s = np.arange(0.0, 60.0, 0.5)
    roll = np.where(time_s < 30, 2.0, np.clip(2.0 - 9.0 * (time_s - 30), -16.0, 2.0))
    trace = Trace(source="made.csv", time_s=time_s, columns={"roll_deg": roll})

    assert _rolled_deg(trace, 30.0) == pytest.approx(18.0)
    assert _rolled_deg(Trace(source="made.csv", time_s=time_s, columns={}), 30.0) is None

"""The whole reduction on made flights."""

import math
from dataclasses import replace

import pytest

from logger_app.errors import ReduceError
from logger_app.records.plan import CalibrationTable, Indicator, PlannedFlight
from logger_app.records.runs import FlightRuns, StallEvent
from logger_app.reduce.campaign import Options, reduce_campaign
from logger_app.reduce.trace import TraceAtEvent


def flights(make, base=(45.0, 45.4, 44.8), cuffs=(42.6, 42.2, 42.4), **approach):
    made = []
    for id, configuration, speeds in (("f1", "base", base), ("f2", "cuffs", cuffs)):
        runs = [
            make.run(make.approach(vs_kt=vs, rate=0.9 + 0.1 * k, **approach), id=f"{id}r{k}", number=k + 1, flight=id)
            for k, vs in enumerate(speeds)
        ]
        made.append(make.flight(runs, id=id, configuration=configuration))
    return made


def test_a_lower_stall_is_shown_and_put_into_words(make):
    result = reduce_campaign(make.campaign(), flights(make))

    (comparison,) = result.comparisons
    assert comparison.verdict == "lower"
    assert comparison.low_kt < -2.67 * 0.9 < comparison.high_kt
    assert comparison.words.startswith("lower by ")
    assert "Cuffs against Plain: lower by" in result.summary[0]


def test_the_same_input_gives_the_same_output_to_the_last_digit(make):
    assert reduce_campaign(make.campaign(), flights(make)) == reduce_campaign(make.campaign(), flights(make))


def test_every_run_is_reported_and_excluded_ones_have_a_reason(make):
    data = flights(make)
    bad = make.run(make.approach(event="recovered"), id="bad", flight="f1")
    data[0] = make.flight([*data[0].runs.runs, bad])

    result = reduce_campaign(make.campaign(), data)

    assert len(result.runs) == 7
    assert [(e.what, "no stall event" in e.why) for e in result.excluded] == [("bad", True)]
    reduced = next(r for r in result.runs if r.run == "bad")
    assert reduced.event is StallEvent.NOT_REACHED and not reduced.counts


def test_a_weight_below_empty_is_not_used_and_says_so(make):
    data = flights(make)
    data[0] = make.flight(data[0].runs.runs, weight_kg=300.0)

    result = reduce_campaign(make.campaign(), data)

    run = result.runs[0]
    assert run.vs_std_kt is None and run.vs_cas_kt is not None
    assert any("below the empty weight" in note for note in run.notes)
    assert result.comparisons[0].basis == "cas"
    assert any("weights flown" in note for note in result.comparisons[0].notes)


def test_without_a_calibration_indicated_speeds_are_compared_and_named_so(make):
    result = reduce_campaign(make.campaign(calibrations=()), flights(make))

    assert {run.vs_cas_kt for run in result.runs} == {None}
    assert result.comparisons[0].basis == "ias"
    assert "IAS" in result.comparisons[0].words


def test_one_run_each_gives_a_difference_but_no_interval(make):
    result = reduce_campaign(make.campaign(), flights(make, base=(45.0,), cuffs=(42.0,)))

    (comparison,) = result.comparisons
    assert comparison.verdict == "not shown"
    assert comparison.low_kt is None and comparison.p is None
    assert comparison.difference_kt == pytest.approx(-2.7, abs=0.5)
    assert "no interval" in comparison.words


def test_kinds_of_stall_are_not_averaged_together(make):
    data = flights(make)
    stop = [make.run(make.approach(vs_kt=43.0, event="aft_stop"), id=f"s{k}", flight="f2") for k in range(3)]
    data[1] = make.flight(stop, id="f2", configuration="cuffs")

    (comparison,) = reduce_campaign(make.campaign(), data).comparisons

    assert comparison.verdict == "not comparable"
    assert "changed kind" in comparison.words


def test_banked_points_say_their_load_factor_basis(make):
    runs = [make.run(make.approach(vs_kt=48.0 + 0.1 * k), id=f"b{k}", point="A2") for k in range(3)]

    result = reduce_campaign(make.campaign(), [make.flight(runs)])

    assert result.runs[0].basis == "sqrt_cos"
    assert {b: v for b, v, _ in result.runs[0].bases}["raw"] > result.runs[0].vs_std_kt
    assert result.cells[0].basis == "sqrt_cos"
    assert any("same bank" in note for note in result.cells[0].notes)


def test_two_flights_with_one_id_are_refused(make):
    data = flights(make)

    with pytest.raises(ReduceError) as caught:
        reduce_campaign(make.campaign(), [data[0], data[0]])

    assert caught.value.faults[0].where == "flight f1"


def test_no_flights_give_an_empty_result_that_says_so(make):
    result = reduce_campaign(make.campaign(), [])

    assert result.runs == () and "Nothing to compare" in result.summary[0]


def test_a_calibration_that_does_not_reach_the_stall_gives_no_cas(make):
    table = CalibrationTable(flap_deg=0, ias_kt=(85, 120), cas_kt=(85, 119))

    result = reduce_campaign(make.campaign(calibrations=(table,)), flights(make))

    assert {run.vs_cas_kt for run in result.runs} == {None}
    assert all(any("too far outside" in note for note in run.notes) for run in result.runs)
    assert result.comparisons[0].basis == "ias"


def test_the_indicators_own_error_is_taken_out_before_the_calibration(make):
    plain = reduce_campaign(make.campaign(), flights(make)).runs[0]
    indicator = Indicator(correction_ias_kt=(40, 60), correction_kt=(2.0, 2.0))

    corrected = reduce_campaign(make.campaign(indicator=indicator), flights(make)).runs[0]

    assert corrected.vs_ias_kt == plain.vs_ias_kt
    assert corrected.vs_cas_kt == pytest.approx(plain.vs_cas_kt + 2.0 * 0.9, abs=1e-9)


def test_eas_and_tas_where_an_altitude_was_called(make):
    calls = [make.setting(1, "altitude", 5000.0), *make.approach()]

    run = reduce_campaign(make.campaign(), [make.flight([make.run(calls)])]).runs[0]

    assert run.vs_eas_kt == pytest.approx(run.vs_cas_kt, abs=0.02)
    assert run.vs_tas_kt == pytest.approx(run.vs_cas_kt / 0.861671**0.5, abs=0.05)  # sigma printed for 5,000 ft


@pytest.mark.parametrize("air", [{"qnh_hpa": 983.0}, {"metar": "METAR ZZZZ 110750Z 24006KT 9999 12/07 Q0983"}])
def test_an_altitude_that_was_called_was_read_at_the_altimeter_setting(make, air):
    """983 hPa is 836 ft in the standard atmosphere, so 4,164 ft on the dial were a pressure altitude of 5,000 ft."""
    flight = make.flight([make.run([make.setting(1, "altitude", 4164.0), *make.approach()])])
    campaign = replace(make.campaign(), flights=(PlannedFlight(id=flight.info.id, configuration="base", **air),))

    run = reduce_campaign(campaign, [flight]).runs[0]

    assert run.altitude_ft == 4164.0
    assert run.vs_tas_kt == pytest.approx(run.vs_cas_kt / 0.861671**0.5, abs=0.02)


def test_budget_terms_add_up_to_the_uncertainty(make):
    for run in reduce_campaign(make.campaign(), flights(make)).runs:
        assert run.vs_std_u_kt == pytest.approx(sum(t.u_kt**2 for t in run.budget) ** 0.5)
        assert {t.name for t in run.budget} == {
            "reading",
            "fit",
            "lag",
            "easing",
            "instrument",
            "calibration",
            "weight",
        }
        assert {t.name for t in run.budget if not t.cancels and t.kind == "systematic"} == {"weight"}


def test_cg_is_corrected_only_when_asked(make):
    plain = reduce_campaign(make.campaign(), flights(make)).runs[0]

    asked = reduce_campaign(make.campaign(), flights(make), Options(to_cg_mm=2000.0, tail_arm_mm=4000.0)).runs[0]

    assert asked.vs_std_kt > plain.vs_std_kt  # 50 mm forward stalls faster
    assert "CG 2050 to 2000 mm" in " ".join(asked.provenance.steps)


def test_a_fixed_basis_leaves_out_what_does_not_have_it(make):
    result = reduce_campaign(make.campaign(), flights(make), Options(basis="measured_nz"))

    assert {run.vs_std_kt for run in result.runs} == {None}
    assert any("no speed on the basis 'measured_nz'" in note for note in result.runs[0].notes)


def test_every_run_knows_which_rows_it_came_from(make):
    run = reduce_campaign(make.campaign(), flights(make)).runs[0]

    assert set(run.calls_used) <= set(run.provenance.rows)
    assert run.provenance.steps[0] == "stall speed by fit"


def test_an_unknown_configuration_is_refused(make):
    with pytest.raises(ReduceError) as caught:
        reduce_campaign(make.campaign(), [make.flight([make.run()], configuration="fences")])

    assert "'fences'" in str(caught.value)


def test_a_weight_above_the_maximum_is_used_and_remarked(make):
    run = reduce_campaign(make.campaign(), [make.flight([make.run()], weight_kg=700.0)]).runs[0]

    assert run.vs_std_kt is not None
    assert any("above the maximum" in note for note in run.notes)


def test_an_unknown_cg_is_not_corrected_even_when_asked(make):
    flight = make.flight([make.run()])
    flight = replace(flight, weights=(replace(flight.weights[0], cg_mm=None),))

    run = reduce_campaign(make.campaign(), [flight], Options(to_cg_mm=2000.0, tail_arm_mm=4000.0)).runs[0]

    assert any("CG not known" in note for note in run.notes)


def test_margins_are_in_cas_when_both_speeds_are_calibrated(make):
    calls = make.approach()
    calls.append(make.event(calls[-1].flight_s - 6, "stall_warning"))

    calibrated = reduce_campaign(make.campaign(), [make.flight([make.run(calls)])]).runs[0]
    indicated = reduce_campaign(make.campaign(calibrations=()), [make.flight([make.run(calls)])]).runs[0]

    assert calibrated.warning_margin_kt == pytest.approx(0.9 * indicated.warning_margin_kt, abs=0.05)
    assert indicated.warning_margin_kt == pytest.approx(indicated.warning_ias_kt - indicated.vs_ias_kt)


def test_airspeeds_in_no_run_are_listed(make):
    flight = make.flight([make.run()])
    loose = FlightRuns(flight="f1", runs=flight.runs.runs, unassigned=(make.speed(300, 70.0), make.speed(302, 71.0)))

    (excluded,) = reduce_campaign(make.campaign(), [replace(flight, runs=loose)]).excluded

    assert (excluded.what, excluded.why) == ("calls", "2 airspeed call(s) in no run, from 300 to 302 s")


def test_altitudes_that_no_atmosphere_has_give_no_true_airspeed(make):
    calls = [make.setting(1, "altitude", 55_000.0), *make.approach()]

    run = reduce_campaign(make.campaign(), [make.flight([make.run(calls)])]).runs[0]

    assert run.vs_tas_kt is None and run.vs_cas_kt is not None


def test_a_run_with_nothing_in_it_is_reported_without_a_figure(make):
    empty = make.run([make.event(5, "on_condition")], point=None, why_no_point="no test point has flap 20")

    (run,) = reduce_campaign(make.campaign(), [make.flight([empty])]).runs

    assert (run.vs_ias_kt, run.vs_cas_kt, run.budget, run.counts) == (None, None, (), False)
    assert "no test point has flap 20" in run.why


def test_what_a_run_is_given_beside_its_speed(make):
    data = replace(make.flight([make.run()]), packs=("en 2", "de 1"), journal_sha256="abc")
    result = reduce_campaign(make.campaign(), [data])
    run = result.runs[0]

    assert (run.weight_kg, run.weight_u_kg, run.cg_mm, run.bank_deg) == (600.0, 3.0, 2050.0, 0.0)
    assert (result.provenance.packs, result.provenance.hashes) == (("de 1", "en 2"), (("f1", "abc"),))
    assert run.cl_max is None  # wings level, no recorder: the load factor is not known


def test_clmax_needs_a_load_factor_and_carries_its_doubt(make):
    # CL = 2 n W g / (rho V^2 S), by hand: 600 kg, 12 m2, knots of 0.514444 m/s, 1.225 kg/m3 (CAS is EAS at sea level).
    def by_hand(run, n):
        return n * 2 * 600 * 9.80665 / (1.225 * (run.vs_cas_kt * 0.514444) ** 2 * 12)

    at = {("f1", "r1"): TraceAtEvent(load_factor=0.96)}
    level = reduce_campaign(make.campaign(), [make.flight([make.run()])], Options(at_event=at)).runs[0]
    assert level.cl_max == pytest.approx(by_hand(level, 0.96), rel=1e-5)
    assert level.load_factor_from == "recorder"

    banked = reduce_campaign(make.campaign(), [make.flight([make.run(point="A2")])]).runs[0]
    assert banked.cl_max == pytest.approx(by_hand(banked, 1 / math.cos(math.radians(30))), rel=1e-5)
    assert banked.load_factor_from == "bank"
    # At 30 deg the flight model's load factor was 1.089, not 1.155: the interval holds that.
    assert banked.cl_max_low < by_hand(banked, 1.089) < banked.cl_max_high
    assert banked.cl_max_high - banked.cl_max_low > 1.05 * (level.cl_max_high - level.cl_max_low)


def test_a_bank_held_to_3_degrees_is_in_the_budget(make):
    run = reduce_campaign(make.campaign(), [make.flight([make.run(point="A2")])]).runs[0]
    raw = {name: v for name, v, _ in run.bases}["raw"]

    # V sqrt(cos b): dV / V = tan(b) db / 2, 30 deg, 3 deg.
    assert next(t.u_kt for t in run.budget if t.name == "load factor") == pytest.approx(
        0.5 * raw * 0.57735 * 0.0523599, rel=1e-4
    )
    assert run.vs_std_kt == pytest.approx(raw * 0.8660254**0.5)


def test_a_fixed_basis_is_the_only_one_given(make):
    run = reduce_campaign(make.campaign(), [make.flight([make.run(point="A2")])], Options(basis="raw")).runs[0]

    assert [name for name, _, _ in run.bases] == ["raw"] and run.basis == "raw"


def test_an_extrapolated_calibration_and_a_missing_weight_are_told(make):
    table = CalibrationTable(flap_deg=0, ias_kt=(50, 70), cas_kt=(53, 71))
    flight = replace(make.flight([make.run()]), weights=())
    run = reduce_campaign(make.campaign(calibrations=(table,)), [flight]).runs[0]

    assert any("extrapolated by" in note for note in run.notes)
    assert any("weight not known" in note for note in run.notes)
    assert run.vs_std_kt is None and run.vs_cas_kt is not None


def test_a_third_generation_is_compared_with_the_baseline_beside_what_was_asked(make):
    from dataclasses import replace

    from logger_app.records.plan import AircraftConfig, Change

    third = AircraftConfig(id="fence", name="Fence", parent="cuffs", changes=(Change(item="fence"),))
    campaign = replace(make.campaign(), configurations=(*make.campaign().configurations, third))
    flights = [make.flight([make.run()], id=f"f{c}", configuration=c) for c in ("base", "cuffs", "fence")]

    found = reduce_campaign(campaign, flights)

    assert {(c.reference, c.changed) for c in found.comparisons} == {("base", "cuffs"), ("cuffs", "fence")}
    assert {(c.reference, c.changed) for c in found.history} == {("base", "fence")}
    assert reduce_campaign(make.campaign(), flights[:2]).history == ()

"""The journey's own sums: weights at each run, and where a flight's campaign is."""

import pytest

from logger_app.errors import CardError
from logger_app.records.calls import CallKind, CallStatus, ReviewedCall
from logger_app.records.journal import FlightInfo
from logger_app.records.plan import Aircraft, AircraftConfig, Campaign, Loading, PlannedFlight
from logger_app.records.runs import FlightRuns, Run, RunEnd, Settings
from logger_app.units import s_to_ns
from logger_app.workflows import campaign as flow

AIRCRAFT = Aircraft(
    name="x",
    empty_weight_kg=400.0,
    reference_weight_kg=600.0,
    max_weight_kg=650.0,
    wing_area_m2=12.0,
    fuel_density_kg_per_l=0.72,
    fuel_burn_l_per_h=18.0,
)
CAMPAIGN = Campaign(
    name="c",
    aircraft=AIRCRAFT,
    configurations=(AircraftConfig(id="baseline", name="plain"),),
    flights=(PlannedFlight(id="f", configuration="baseline", loading=Loading(items=(("seats", 150.0),), fuel_l=60.0)),),
)


def run(id, end_s, fuel_l=None):
    call = ReviewedCall(
        id=f"c{id}",
        flight_ns=s_to_ns(end_s - 5),
        end_ns=s_to_ns(end_s),
        kind=CallKind.AIRSPEED,
        name="ias",
        value=50.0,
        unit="kt",
        status=CallStatus.HEARD,
        ias_kt=50.0,
    )
    return Run(
        id=id,
        number=1,
        flight="f",
        start_ns=s_to_ns(end_s - 20),
        end_ns=s_to_ns(end_s),
        point=None,
        calls=(call,),
        ended=RunEnd.RECOVERED,
        settings=Settings(fuel_l=fuel_l),
    )


def weights(*runs, info=None):
    info = info or FlightInfo(id="f", configuration="baseline")
    return flow.weights_of(CAMPAIGN, info, FlightRuns(flight="f", runs=runs))


def test_fuel_burns_with_the_flight_clock():
    first, second = weights(run("a", 1800.0), run("b", 3600.0))

    assert first.weight_kg == pytest.approx(400 + 150 + 0.72 * (60 - 9), abs=1e-6)
    assert second.weight_kg == pytest.approx(first.weight_kg - 0.72 * 9, abs=1e-6)
    assert second.weight_u_kg > first.weight_u_kg > 0


def test_fuel_that_was_called_replaces_the_sum():
    (called,) = weights(run("a", 3600.0, fuel_l=30.0))

    assert called.weight_kg == pytest.approx(400 + 150 + 0.72 * (30 - 18 * 20 / 3600), abs=1e-6)


def test_what_the_flight_says_of_its_loading_comes_before_the_plan():
    info = FlightInfo(id="f", configuration="baseline", loading_items=(("seats", 90.0),), fuel_l=40.0)

    (one,) = weights(run("a", 3600.0), info=info)

    assert one.weight_kg == pytest.approx(400 + 90 + 0.72 * (40 - 18), abs=1e-6)


def test_no_loading_no_weight():
    (one,) = weights(run("a", 60.0), info=FlightInfo(id="unplanned", configuration=None))

    assert one.weight_kg is None


def test_the_campaign_of_a_flight_is_found_above_it(tmp_path):
    flight = tmp_path / "c" / "flights" / "f"
    flight.mkdir(parents=True)

    with pytest.raises(CardError, match="campaign.toml"):
        flow.campaign_of(flight)
    (tmp_path / "c" / "campaign.toml").touch()

    assert flow.campaign_of(flight) == (tmp_path / "c").resolve()

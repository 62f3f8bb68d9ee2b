"""Builders for tests: calls, runs, flights, a campaign. Valid by default; override what matters."""

from dataclasses import replace

import numpy as np
from bench.campaigns import HEAD

from logger_app.records.calls import CallKind, CallStatus, ReviewedCall
from logger_app.records.journal import FlightInfo
from logger_app.records.plan import (
    Aircraft,
    AircraftConfig,
    CalibrationTable,
    Campaign,
    Change,
    Indicator,
    TestCard,
    TestPoint,
)
from logger_app.records.results import StallSpeed
from logger_app.records.runs import FlightData, FlightRuns, Run, RunEnd, RunWeight, Settings, StallEvent
from logger_app.units import s_to_ns


class Make:
    """Builders, valid by default; override what matters."""

    def speed(self, at_s, ias_kt, id=None, **over):
        call = ReviewedCall(
            id=id or f"c{at_s:g}",
            flight_ns=s_to_ns(at_s),
            end_ns=s_to_ns(at_s + 0.6),
            kind=CallKind.AIRSPEED,
            name="ias",
            value=ias_kt,
            unit="kt",
            status=CallStatus.CONFIRMED,
            ias_kt=ias_kt,
        )
        return replace(call, **over)

    def event(self, at_s, name, value=None, kind=CallKind.EVENT, **over):
        call = ReviewedCall(
            id=f"e{at_s:g}{name}",
            flight_ns=s_to_ns(at_s),
            end_ns=s_to_ns(at_s + 0.5),
            kind=kind,
            name=name,
            value=value,
            unit=None,
            status=CallStatus.CONFIRMED,
        )
        return replace(call, **over)

    def setting(self, at_s, name, value):
        return self.event(at_s, name, value, kind=CallKind.SETTING)

    def approach(self, start_kt=62.0, vs_kt=45.0, rate=1.0, every_s=0.93, t0=10.0, event="break", lag_s=0.6):
        """Exact rounded calls of a straight approach, and the event."""
        event_at = t0 + (start_kt - vs_kt) / rate
        times = np.arange(t0, event_at - 0.3, every_s)
        calls = [self.speed(round(t + lag_s, 3), float(round(start_kt - rate * (t - t0)))) for t in times]
        return [*calls, self.event(round(event_at + lag_s, 3), event)]

    def run(self, calls=None, id="r1", number=1, flight="f1", point="A1", **over):
        calls = tuple(self.approach() if calls is None else calls)
        base = Run(
            id=id,
            number=number,
            flight=flight,
            start_ns=min((c.flight_ns for c in calls), default=0),
            end_ns=max((c.end_ns for c in calls), default=0) + s_to_ns(5),
            point=point,
            calls=calls,
            ended=RunEnd.RECOVERED,
            settings=Settings(power="idle", flap_deg=0.0),
        )
        return replace(base, **over)

    def flight(self, runs, id="f1", configuration="base", weight_kg=600.0, u_kg=3.0, utc="2031-05-04T07:00:00Z"):
        return FlightData(
            info=FlightInfo(id=id, configuration=configuration, started_utc=utc),
            runs=FlightRuns(flight=id, runs=tuple(runs)),
            weights=tuple(RunWeight(run=r.id, weight_kg=weight_kg, weight_u_kg=u_kg, cg_mm=2050.0) for r in runs),
        )

    def stall(self, k, speed_kt, configuration, flight, **over):
        """A reduced run at A1 that counts: 3 kt less indicated than calibrated."""
        found = StallSpeed(
            run=f"{flight}r{k}",
            run_number=k,
            flight=flight,
            configuration=configuration,
            point="A1",
            event=StallEvent.PITCH_DOWN,
            method="fit",
            counts=True,
            vs_ias_kt=speed_kt - 3,
            vs_cas_kt=speed_kt,
            vs_std_kt=speed_kt,
            bases=(("raw", speed_kt, 0.5),),
            entry_rate_kt_per_s=1.0,
        )
        return replace(found, **over)

    def campaign(self, **over):
        base = Campaign(
            name="made",
            aircraft=Aircraft(
                name="made",
                empty_weight_kg=380.0,
                reference_weight_kg=600.0,
                max_weight_kg=650.0,
                wing_area_m2=12.0,
                cg_min_mm=1960.0,
                cg_max_mm=2190.0,
            ),
            indicator=Indicator(),
            calibrations=(CalibrationTable(flap_deg=0, ias_kt=(40, 50, 70), cas_kt=(44, 53, 71), u_kt=0.8),),
            configurations=(
                AircraftConfig(id="base", name="Plain"),
                AircraftConfig(id="cuffs", name="Cuffs", parent="base", changes=(Change(item="cuff"),)),
            ),
            cards=(
                TestCard(
                    id="A",
                    title="Power-off stalls",
                    points=(TestPoint(id="A1", card="A"), TestPoint(id="A2", card="A", bank_deg=30.0)),
                ),
            ),
        )
        return replace(base, **over)


def campaign_text(runs_wanted: int | None = None) -> str:
    """A small campaign.toml: one configuration, two points wings level (flap 0 and 20) and one turning left."""
    wanted = "" if runs_wanted is None else f"runs_wanted = {runs_wanted}\n"
    return CAMPAIGN_TEXT.replace("# runs_wanted\n", wanted)


CAMPAIGN_TEXT = f"""{HEAD}fuel_capacity_l = 90.0
[[aircraft.flap_limit]]
flap_deg = 20
max_ias_kt = 80
[[configuration]]
id = "base"
name = "Plain"
[[card]]
id = "A"
title = "Level"
[[card.point]]
id = "A1"
power = "idle"
flap_deg = 0
# runs_wanted
[[card.point]]
id = "A2"
power = "idle"
flap_deg = 20
# runs_wanted
[[card]]
id = "D"
title = "Turning"
[[card.point]]
id = "D1"
power = "idle"
flap_deg = 0
bank_deg = -30
# runs_wanted
"""

"""A made campaign out of records alone: two configurations, four points, three runs each.

One run is scratched, one has calls that nobody looked at, one call was corrected by hand.
"""

import random
import statistics
from dataclasses import dataclass

from logger_app.records.calls import Action, CallKind, CallStatus, Correction, Flag, HeardCall, ReviewedCall
from logger_app.records.journal import FlightInfo
from logger_app.records.plan import Aircraft, AircraftConfig, Campaign, Change, TestCard, TestPoint
from logger_app.records.results import BudgetTerm, Cell, Comparison, Excluded, Provenance, Reduction, StallSpeed
from logger_app.records.runs import FlightData, FlightRuns, Run, RunEnd, RunWeight, Settings, StallEvent
from logger_app.report.extras import Extras
from logger_app.report.report_io import ReportWriter
from logger_app.report.view import PageBuilder
from logger_app.units import s_to_ns

STALLS = {
    "baseline": {"A1": 47.0, "A2": 43.5, "A3": 41.0, "B1": 44.4},
    "cuffs": {"A1": 45.1, "A2": 41.9, "A3": 40.8, "B1": 42.0},
}
RATES = (0.7, 1.0, 1.3)
BUDGET = (
    BudgetTerm(name="reading", u_kt=0.29, note="graduation 1 kt"),
    BudgetTerm(name="fit", u_kt=0.24),
    BudgetTerm(name="lag", u_kt=0.2, kind="systematic", cancels=True),
    BudgetTerm(name="calibration", u_kt=0.9, kind="systematic", cancels=True, note="extrapolated"),
    BudgetTerm(name="weight", u_kt=0.15),
)


@dataclass(frozen=True)
class Example:
    """A campaign, its flights and its results; its page, and its report on disk."""

    campaign: Campaign
    flights: tuple[FlightData, ...]
    reduction: Reduction

    @property
    def results(self):
        """Reduced runs by flight."""
        return {d.info.id: [r for r in self.reduction.runs if r.flight == d.info.id] for d in self.flights}

    def again(self, flight, _):
        """A second look at a flight."""
        return next(d for d in self.flights if d.info.id == flight), self.results[flight]

    def page(self, asked=()):
        """All that the page shows."""
        builder = PageBuilder(self.campaign)
        for data in self.flights:
            builder.add(data, self.results[data.info.id])
        return builder.finish(self.reduction, self.again, asked)

    def write(self, out, *, asked=(), extras=None, **more):
        """The report in a folder; its page."""
        extras = extras or Extras()
        with ReportWriter(out, self.campaign) as report:
            for data in self.flights:
                report.add(data, self.results[data.info.id], extras.cameras)
            report.finish(report.builder.finish(self.reduction, self.again, asked), extras=extras, **more)
        return out / "index.html"


def made_campaign(
    name="Meadow Sparrow: drooped cuffs", configurations=("baseline", "cuffs"), points=("A1", "A2", "A3", "B1")
):
    """The plan."""
    every = {
        "A1": TestPoint(id="A1", card="A"),
        "A2": TestPoint(id="A2", card="A", flap_deg=15),
        "A3": TestPoint(id="A3", card="A", flap_deg=30),
        "B1": TestPoint(id="B1", card="B", power="2100 rpm", power_rpm=2100.0),
    }
    known = {
        "baseline": AircraftConfig(id="baseline", name="Plain wing, tufted"),
        "cuffs": AircraftConfig(
            id="cuffs",
            name="Drooped cuffs",
            parent="baseline",
            changes=(Change(item="leading-edge cuff", what="outer wing"),),
        ),
    }
    return Campaign(
        name=name,
        aircraft=Aircraft(
            name="Meadow Sparrow 2 (invented)",
            empty_weight_kg=388.0,
            reference_weight_kg=600.0,
            max_weight_kg=640.0,
            wing_area_m2=12.4,
        ),
        configurations=tuple(known[c] for c in configurations),
        cards=(TestCard(id="A", title="Power off", points=tuple(every[p] for p in points)),),
    )


def made_run(flight, number, start_s, point, stall_kt, rate, noise, *, status=CallStatus.CONFIRMED):
    """One approach from 12 kt above the stall at `rate`, its event, and how it reduces."""
    calls = []
    event_s = start_s + 12.0 / rate
    at_s, k = start_s, 0
    while at_s < event_s - 0.3:
        value = float(round(stall_kt + rate * (event_s - at_s) + noise.gauss(0, 0.3)))
        calls.append(made_call(flight, number, k, at_s, CallKind.AIRSPEED, "ias", value, status))
        at_s, k = at_s + noise.uniform(1.0, 2.0), k + 1
    calls.append(made_call(flight, number, k, event_s - 3.2, CallKind.EVENT, "buffet", None, status))
    calls.append(made_call(flight, number, k + 1, event_s, CallKind.EVENT, "break", None, status))
    if number % 3 == 0:
        calls.append(made_call(flight, number, k + 2, event_s + 1.0, CallKind.EVENT, "wing_drop", "right", status))
    calls.append(made_call(flight, number, k + 3, event_s + 4.0, CallKind.EVENT, "recovered", None, status))
    calls.sort(key=lambda call: call.flight_ns)
    run = Run(
        id=f"run-{flight}-{number}",
        number=number,
        flight=flight,
        start_ns=s_to_ns(start_s),
        end_ns=s_to_ns(event_s + 5),
        point=point,
        calls=tuple(calls),
        ended=RunEnd.RECOVERED,
        settings=Settings(power="idle", altitude_ft=5600.0),
    )
    return run, event_s


def made_call(flight, number, k, at_s, kind, name, value, status):
    """One call, with what was heard."""
    id = f"c{number:02}-{k:02}"
    airspeed = kind is CallKind.AIRSPEED
    words = f"{value:.0f}" if airspeed else name.replace("_", " ")
    heard = HeardCall(
        id=id,
        start_ns=s_to_ns(at_s),
        end_ns=s_to_ns(at_s + 0.6),
        kind=kind,
        name=name,
        value=value,
        unit="kt" if airspeed else None,
        words=words,
        posterior=0.93,
        engine="callout",
        pack="en 1",
    )
    return ReviewedCall(
        id=id,
        flight_ns=heard.start_ns,
        end_ns=heard.end_ns,
        kind=kind,
        name=name,
        value=value,
        unit=heard.unit,
        status=status,
        ias_kt=value if airspeed else None,
        posterior=0.93,
        heard=heard,
    )


def made_result(run, configuration, stall_kt, rate, event_s, noise):
    """The run as the reduction would give it."""
    ias = round(stall_kt + noise.gauss(0, 0.25), 2)
    std = round(ias + 2.4 - 0.8 * (rate - 1.0), 2)
    used = tuple(c.id for c in run.calls if c.kind is CallKind.AIRSPEED and c.flight_s > event_s - 7 / rate)
    warning = round(ias + 3.2 * rate, 1)
    return StallSpeed(
        run=run.id,
        run_number=run.number,
        flight=run.flight,
        configuration=configuration,
        point=run.point,
        event=StallEvent.PITCH_DOWN,
        method="fit",
        counts=True,
        vs_ias_kt=ias,
        vs_ias_u_kt=0.3,
        vs_cas_kt=round(ias + 2.2, 2),
        vs_cas_u_kt=0.95,
        vs_std_kt=std,
        vs_std_u_kt=0.96,
        entry_rate_kt_per_s=rate,
        entry_rate_u_kt_per_s=0.08,
        event_flight_s=event_s,
        buffet_ias_kt=warning,
        warning_ias_kt=warning,
        wing_drop="right" if run.number % 3 == 0 else "none",
        altitude_ft=5600.0,
        weight_kg=592.0,
        weight_u_kg=3.4,
        calls_used=used,
        fit=(s_to_ns(event_s), ias, -rate),
        calls_excluded=((run.calls[0].id, "above 1.15 Vs"),),
        reviewed=run.reviewed,
        budget=BUDGET,
        provenance=Provenance(flight=run.flight, rows=used, steps=("fit", "calibrate", "standardise"), app="0.1.0"),
    )


def made_flight(flight, configuration, points, noise):
    """All runs of one configuration, with a scratched, an unreviewed and a corrected one in the first."""
    runs, results, corrections, excluded = [], [], [], []
    start_s, number = 24.0, 0
    for point in points:
        for rate in RATES:
            number += 1
            stall_kt = STALLS[configuration][point]
            status = CallStatus.HEARD if (configuration, number) == ("cuffs", 5) else CallStatus.CONFIRMED
            run, event_s = made_run(flight, number, start_s, point, stall_kt, rate, noise, status=status)
            runs.append(run)
            results.append(made_result(run, configuration, stall_kt, rate, event_s, noise))
            start_s = event_s + 20
    if configuration == "baseline":
        runs[0], correction = corrected(runs[0])
        corrections.append(correction)
        runs.append(scratched(flight, number + 1, start_s))
        excluded.append(Excluded(what=runs[-1].id, why="scratch that", flight=flight))
    data = FlightData(
        info=FlightInfo(
            id=flight, configuration=configuration, started_utc="2027-04-11T08:12:00Z", who="crew 1", fuel_l=70.0
        ),
        runs=FlightRuns(flight=flight, runs=tuple(runs)),
        weights=tuple(RunWeight(run=r.id, weight_kg=592.0 - r.number) for r in runs),
        corrections=tuple(corrections),
        packs=("en 1",),
        journal_sha256="ab" * 32,
    )
    return data, results, excluded


def corrected(run):
    """The same run with its third call set by a person."""
    from dataclasses import replace

    old = run.calls[2]
    change = Correction(
        id="k000001",
        utc="2027-04-12T19:03:11Z",
        who="crew 2",
        action=Action.SET,
        target=old.id,
        payload=(("value", old.value),),
        why="the sound says it plainly",
    )
    heard = replace(old.heard, value=old.value + 10, flags=(Flag.SOUNDS_LIKE,))
    new = replace(old, heard=heard, status=CallStatus.CORRECTED, history=(change.id,))
    return replace(run, calls=(*run.calls[:2], new, *run.calls[3:])), change


def scratched(flight, number, start_s):
    """A run that the pilot threw away."""
    from dataclasses import replace

    run, _ = made_run(flight, number, start_s, "A1", 47.0, 1.0, random.Random(5))
    return replace(run, discarded=True, why_discarded="scratch that", ended=RunEnd.DISCARDED)


def made_cell(point, configuration, results):
    """Mean of the runs that count."""
    mine = [r for r in results if (r.point, r.configuration) == (point, configuration)]
    std, ias = [r.vs_std_kt for r in mine], [r.vs_ias_kt for r in mine]
    rates = [r.entry_rate_kt_per_s for r in mine]
    half = 4.303 * statistics.stdev(std) / len(std) ** 0.5
    mean = statistics.fmean(std)
    return Cell(
        point=point,
        configuration=configuration,
        event="pitch_down",
        n=len(mine),
        vs_ias_kt=statistics.fmean(ias),
        vs_ias_sd_kt=statistics.stdev(ias),
        vs_ias_u_kt=0.2,
        vs_std_kt=mean,
        vs_std_sd_kt=statistics.stdev(std),
        vs_std_u_kt=0.93,
        low_kt=mean - half,
        high_kt=mean + half,
        at_1_kt_per_s_kt=mean,
        rate_slope=statistics.linear_regression(rates, std).slope,
        entry_rate_kt_per_s=1.0,
        runs=tuple(r.run for r in mine),
        reviewed=all(r.reviewed for r in mine),
        budget=BUDGET,
    )


def made_comparison(point, cells):
    """Changed minus reference at one point."""
    a, b = (next(c for c in cells if (c.point, c.configuration) == (point, name)) for name in ("baseline", "cuffs"))
    difference = b.vs_std_kt - a.vs_std_kt
    half = 0.9
    verdict = "lower" if difference + half < 0 else "not shown"
    at = {
        "A1": "idle, flap 0, wings level",
        "A2": "idle, flap 15, wings level",
        "A3": "idle, flap 30, wings level",
        "B1": "2100 rpm, flap 0, wings level",
    }[point]
    words = {
        "lower": f"lower by {-difference:.1f} kt, {-difference - half:.1f} to {-difference + half:.1f} (95 %), at {at}",
        "not shown": f"not shown at {at}: {difference:+.1f} kt, {difference - half:+.1f} to {difference + half:+.1f} (95 %); 1.4 kt would have shown",
    }[verdict]
    return Comparison(
        point=point,
        reference="baseline",
        changed="cuffs",
        n_reference=3,
        n_changed=3,
        verdict=verdict,
        words=words,
        difference_kt=difference,
        u_kt=0.35,
        low_kt=difference - half,
        high_kt=difference + half,
        p=0.01,
        p_adjusted=0.04,
        smallest_kt=1.4,
        wing_drop_p=1.0,
        warning_margin_change_kt=0.1,
        reviewed=a.reviewed and b.reviewed,
        budget=BUDGET[:3],
    )


def made_example(
    name="Meadow Sparrow: drooped cuffs",
    configurations=("baseline", "cuffs"),
    points=("A1", "A2", "A3", "B1"),
    repeat=1,
):
    """The whole of it, the same each time; `repeat` flies every configuration that often."""
    campaign = made_campaign(name, configurations, points)
    noise = random.Random(42)
    flights, results, excluded = [], [], []
    for again in range(repeat):
        for k, configuration in enumerate(configurations, 1):
            flight = f"day{k + again * len(configurations)}_{configuration}"
            data, found, left_out = made_flight(flight, configuration, points, noise)
            flights.append(data)
            results += found
            excluded += left_out
    cells = tuple(made_cell(p, c, results) for p in points for c in configurations)
    compared = tuple(made_comparison(p, cells) for p in points) if len(configurations) == 2 else ()
    reduction = Reduction(
        campaign=campaign.name,
        runs=tuple(results),
        cells=cells,
        comparisons=compared,
        excluded=tuple(excluded),
        reviewed_share=0.95,
        provenance=Provenance(app="0.1.0", packs=("en 1",), steps=("reduce",)),
    )
    return Example(campaign=campaign, flights=tuple(flights), reduction=reduction)

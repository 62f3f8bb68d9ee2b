"""Campaigns at the level of calls, with everything that goes wrong, and what the program makes of them.

    python tests/bench/gauntlet.py [--campaigns 12] [--seed 1] [--json] [--show 20]

A made pilot flies a made campaign: flap settings, powers and banks, two configurations, several flights. What he says
is then spoilt: settings, events and airspeeds are missed, numbers and settings come out of talk, cards are put up
wrongly, runs are scratched, the program is away for a while, the campaign is edited afterwards. The truth is known.
Counted, before review and after an oracle has settled the queue (and nothing but the queue): runs at their point, stall
speeds more than 1 kt from what the same run gives with nothing spoilt, conclusions that differ. The simulator shares no
rule with the program: it knows what was flown, not how it is worked out. Common practice, no source.
"""

from __future__ import annotations

import argparse
import json
import math
import random
import sys
import time
from collections import Counter
from dataclasses import dataclass, field, replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from logger_app.domain.editions import runs_as_flown
from logger_app.domain.points import points_for
from logger_app.domain.settings import Possible
from logger_app.fly.flight_records import Intent, Touch
from logger_app.fly.flight_state import advance, begin
from logger_app.hear.sequence import read_sequence
from logger_app.records.calls import Action, Alternative, CallKind, CaptureGap, Correction, HeardCall
from logger_app.records.journal import FlightInfo
from logger_app.records.plan import (
    Aircraft,
    AircraftConfig,
    CalibrationTable,
    Campaign,
    Change,
    FlapLimit,
    Indicator,
    Loading,
    PlannedFlight,
    Station,
    TestCard,
    TestPoint,
)
from logger_app.records.runs import FlightData
from logger_app.reduce.campaign import reduce_campaign
from logger_app.review.apply import apply_corrections, in_force
from logger_app.review.items import Item
from logger_app.review.placing import peers_of
from logger_app.review.queue import build_queue
from logger_app.units import s_to_ns
from logger_app.workflows.campaign import weights_of

OFF_KT = 1.0
MAX_ROUNDS = 12
EVENTS = ("break", "nose_drop", "aft_stop", "wing_drop_right")
POINT_SHAPES = (
    # power, rpm, flap, bank
    ("A", "idle", None, (0, 10, 20, 40), 0),
    ("B", "2100 rpm", 2100.0, (0, 20, 40), 0),
    ("C", "idle", None, (0, 20), 30),
    ("D", "idle", None, (0, 20), -30),
)


def made_campaign(rng: random.Random, banked: bool) -> Campaign:
    """Cards of a usual campaign; without turning stalls in some."""
    cards = []
    for card, power, rpm, flaps, bank in POINT_SHAPES:
        if bank and not banked:
            continue
        points = tuple(
            TestPoint(
                id=f"{card}{k + 1}",
                card=card,
                power=power,
                power_rpm=rpm,
                flap_deg=float(flap),
                bank_deg=float(bank),
                runs_wanted=3,
                expected_stall_ias_kt=round(true_stall_kt(power, flap, bank), 0),
            )
            for k, flap in enumerate(flaps)
        )
        cards.append(TestCard(id=card, title=card, points=points))
    table = tuple(
        CalibrationTable(flap_deg=float(f), ias_kt=(30.0, 90.0), cas_kt=(32.0, 91.0), u_kt=0.8) for f in (0, 10, 20, 40)
    )
    return Campaign(
        name="made",
        aircraft=Aircraft(
            name="made",
            empty_weight_kg=380.0,
            reference_weight_kg=590.0,
            max_weight_kg=650.0,
            wing_area_m2=12.0,
            fuel_capacity_l=100.0,
            fuel_burn_l_per_h=18.0,
            flap_limits=tuple(FlapLimit(flap_deg=float(f), max_ias_kt=90.0) for f in (10, 20, 40)),
            stations=(Station(name="crew", arm_mm=2000.0),),
        ),
        indicator=Indicator(),
        calibrations=table,
        configurations=(
            AircraftConfig(id="plain", name="Plain"),
            AircraftConfig(id="cuffs", name="Cuffs", parent="plain", changes=(Change(item="cuffs"),)),
        ),
        cards=tuple(cards),
        flights=tuple(
            PlannedFlight(id=f"{c}{k}", configuration=c, loading=Loading(items=(("crew", 150.0),), fuel_l=80.0))
            for k in (1, 2)
            for c in ("plain", "cuffs")
        ),
    )


def true_stall_kt(power: str, flap: float, bank: float, configuration: str = "plain") -> float:
    """What this wing stalls at, indicated, at the reference weight [kt]."""
    level = 50.0 - 0.16 * flap - (2.0 if power != "idle" else 0.0) - (2.0 if configuration == "cuffs" else 0.0)
    return level / math.sqrt(math.cos(math.radians(bank)))


@dataclass
class TrueRun:
    """What was really flown."""

    point: str | None
    start_s: float
    event_s: float
    end_s: float
    stall_kt: float
    scratched: bool = False
    odd: str = ""


@dataclass
class Spoken:
    """One thing said (or, with `real` false, only heard): `heard_as` is what the recogniser makes of it."""

    at_s: float
    kind: str
    name: str
    value: float | str | None = None
    unit: str | None = None
    real: bool = True
    heard: bool = True
    heard_value: float | str | None = None
    heard_name: str = ""
    posterior: float = 0.98
    rival: float | None = None


@dataclass
class MadeFlight:
    """A flight: what was said, what was flown, when the program was away."""

    info: FlightInfo
    said: list[Spoken] = field(default_factory=list)
    runs: list[TrueRun] = field(default_factory=list)
    away: list[tuple[float, float]] = field(default_factory=list)
    end_s: float = 0.0


@dataclass(frozen=True)
class Pilot:
    """Habits."""

    says_level: bool
    says_everything: bool  # power, flap and bank before every point, or only what changes
    every_run: bool  # repeats the set-up before every run
    uses_cards: bool
    on_condition: float
    recovered: float
    call_s: float

    @classmethod
    def any(cls, rng: random.Random) -> Pilot:
        return cls(
            says_level=rng.random() < 0.4,
            says_everything=rng.random() < 0.6,
            every_run=rng.random() < 0.2,
            uses_cards=rng.random() < 0.5,
            on_condition=rng.choice((1.0, 0.95, 0.0)),
            recovered=rng.choice((1.0, 0.9, 0.3)),
            call_s=rng.uniform(1.0, 1.7),
        )


def fly(rng: random.Random, campaign: Campaign, pilot: Pilot, planned: PlannedFlight, points) -> MadeFlight:
    """One flight through some points, three runs each or so."""
    made = MadeFlight(
        FlightInfo(
            id=planned.id,
            configuration=planned.configuration,
            loading_items=planned.loading.items,
            fuel_l=planned.loading.fuel_l,
            started_utc=f"2031-05-0{rng.randint(1, 9)}T07:00:00Z",
        )
    )
    at_s, before, first = 60.0, None, True
    made.said.append(Spoken(20.0, "setting", "fuel", 80.0, "L"))
    for point in points:
        if not first and pilot.uses_cards:
            at_s = say_card(rng, made, at_s, campaign, before, point)
        for k in range(rng.choice((2, 3, 3, 3, 4))):
            if k == 0 or pilot.every_run:
                at_s = set_up(rng, pilot, made, at_s, before if not first else None, point)
            at_s = one_run(rng, pilot, made, at_s, point, planned.configuration)
            first, before = False, point
            chatter(rng, made, at_s)
            at_s += rng.uniform(35, 90)
        if rng.random() < 0.04:  # the program is away for a while, the aircraft is not
            made.away.append((at_s - 20, at_s - 5))
            at_s += 5
    made.end_s = at_s + 60
    made.said.sort(key=lambda s: s.at_s)
    return made


def say_card(rng, made, at_s, campaign, before, point) -> float:
    order = list(campaign.points)
    following = order[(order.index(before) + 1) % len(order)] if before else None
    if rng.random() < 0.04:  # the wrong card, and back
        made.said.append(Spoken(at_s, "command", "next_card"))
        made.said.append(Spoken(at_s + 4, "command", "previous_card"))
        at_s += 8
    if following == point and rng.random() < 0.8:
        made.said.append(Spoken(at_s, "command", "next_card"))
    else:
        made.said.append(Spoken(at_s, "command", "card", point.id))
    return at_s + rng.uniform(4, 10)


def set_up(rng, pilot, made, at_s, before, point) -> float:
    """What is said of the settings before a run."""
    everything = pilot.says_everything or before is None
    power = ("power", "idle", None) if point.power == "idle" else ("power", point.power_rpm, "rpm")
    if everything or before.power != point.power:
        at_s = said(rng, made, at_s, *power)
    if everything or before.flap_deg != point.flap_deg:
        at_s = said(rng, made, at_s, "flap", point.flap_deg, "deg")
    if point.bank_deg and (everything or before.bank_deg != point.bank_deg):
        at_s = said(rng, made, at_s, "bank", point.bank_deg, "deg")
    # Who never says it says it at least where a turn was flown before and cards are not used.
    after_turn = before is not None and before.bank_deg != 0
    if not point.bank_deg and (pilot.says_level or (after_turn and rng.random() < 0.7)):
        at_s = said(rng, made, at_s, "bank", 0.0, "deg")
    return at_s + rng.uniform(3, 15)


def said(rng, made, at_s, name, value, unit) -> float:
    made.said.append(Spoken(at_s, "setting", name, value, unit))
    return at_s + rng.uniform(2, 5)


def one_run(rng, pilot, made, at_s, point, configuration) -> float:
    """From on condition to recovered; returns when it is over."""
    power = "idle" if point.power == "idle" else point.power
    weight = 1 - 0.008 * at_s / 3600
    stall_kt = true_stall_kt(power, point.flap_deg, point.bank_deg, configuration) * weight + rng.gauss(0, 0.5)
    rate, start_s = rng.uniform(0.7, 1.25), at_s
    if rng.random() < pilot.on_condition:
        made.said.append(Spoken(at_s, "event", "on_condition"))
        at_s += rng.uniform(2, 8)
    above_kt = rng.uniform(9, 15)
    event_s = at_s + above_kt / rate
    scratched = rng.random() < 0.05
    while at_s < event_s - 0.5:
        speed = stall_kt + rate * (event_s - at_s) + rng.gauss(0, 0.4)
        made.said.append(Spoken(at_s + rng.gauss(0.5, 0.1), "airspeed", "ias", float(round(speed)), "kt"))
        at_s += pilot.call_s * rng.uniform(0.8, 1.25)
    if rng.random() < 0.6:
        made.said.append(Spoken(event_s - rng.uniform(2, 5), "event", "buffet"))
    made.said.append(Spoken(event_s + 0.5, "event", rng.choice(EVENTS)))
    at_s = event_s + rng.uniform(3, 6)
    if scratched:
        made.said.append(Spoken(at_s, "command", "scratch_that"))
    elif rng.random() < pilot.recovered:
        made.said.append(Spoken(at_s, "event", "recovered"))
    made.runs.append(TrueRun(point.id, start_s, event_s, at_s + 1, stall_kt, scratched))
    return at_s + 4


def chatter(rng, made, at_s) -> None:
    """Numbers and settings out of talk and of the radio, between two runs."""
    at_s += rng.uniform(6, 25)
    if rng.random() < 0.08:
        made.said.append(Spoken(at_s, "airspeed", "ias", float(rng.randint(30, 120)), "kt", real=False))
    if rng.random() < 0.025:
        name, value, unit = rng.choice(
            (
                ("power", 65.0, "%"),  # humidity
                ("power", 5500.0, "rpm"),  # a radio call
                ("power", 45.0, "%"),  # litres
                ("fuel", 180.0, "L"),
                ("flap", 30.0, "deg"),
                ("bank", 60.0, "deg"),
                ("power", 2100.0, "rpm"),  # what another crew says
                ("flap", 20.0, "deg"),
            )
        )
        made.said.append(Spoken(at_s + 2, "setting", name, value, unit, real=False))
    if rng.random() < 0.01:
        made.said.append(Spoken(at_s + 4, "command", rng.choice(("next_card", "hold", "stand_by")), real=False))


ODD = (
    "bank said to the other side",
    "bank said to the other side, corrected",
    "setting said after the first run",
    "setting said two runs late, as a correction",
    "power said in percent",
    "two cards skipped at once",
    "speeds repeated by the passenger",
    "away in the middle of a run",
)


def odd_things(rng: random.Random, made: MadeFlight, campaign: Campaign) -> None:
    """What people do that nobody planned for: one thing a flight, at one set-up; the runs that it touches are marked."""
    kind = rng.choice(ODD)
    firsts = [k for k, run in enumerate(made.runs) if k and run.point != made.runs[k - 1].point]
    rng.shuffle(firsts)
    by_id = {point.id: point for point in campaign.points}
    for k in firsts:
        run, before = made.runs[k], made.runs[k - 1]
        here = [r for r in made.runs[k:] if r.point == run.point][:4]
        said = [s for s in made.said if before.end_s < s.at_s < run.start_s and s.kind == "setting" and s.real]
        if do_odd(rng, kind, made, k, said, by_id, list(campaign.points)):
            for one in here:
                one.odd = kind
            break
    made.said.sort(key=lambda s: s.at_s)


def do_odd(rng, kind, made, k, said, by_id, order) -> bool:
    """Do it at the set-up before run `k`; False where it cannot be done there."""
    run, before = made.runs[k], made.runs[k - 1]
    if kind.startswith("bank"):
        banks = [s for s in said if s.name == "bank" and s.value]
        if not banks:
            return False
        if kind.endswith("corrected"):
            made.said.append(replace(banks[0], at_s=banks[0].at_s + 1.5))
        banks[0].value = -banks[0].value
        return True
    if kind.startswith("setting"):
        late = [s for s in said if s.name in ("flap", "power")]
        nth = k + (0 if kind.endswith("run") else 1)
        if not late or nth + 1 >= len(made.runs) or made.runs[nth].point != run.point:
            return False
        rng.choice(late).at_s = made.runs[nth].end_s + 2
        return True
    if kind == "power said in percent":
        powers = [s for s in said if s.name == "power" and s.unit == "rpm"]
        for one in powers:
            one.value, one.unit = 65.0, "%"
        return bool(powers)
    if kind == "two cards skipped at once":
        steps = order.index(by_id[run.point]) - order.index(by_id[before.point])
        if steps != 2:
            return False
        made.said = [s for s in made.said if not (before.end_s < s.at_s < run.start_s and s.kind == "command")]
        made.said += [Spoken(before.end_s + 1 + 1.2 * j, "command", "next_card") for j in (1, 2)]
        return True
    speeds = [s for s in made.said if run.start_s < s.at_s < run.event_s and s.kind == "airspeed"]
    if kind == "away in the middle of a run":
        made.away.append((run.event_s - 6.0, run.event_s - 3.0))
    else:
        made.said += [replace(s, at_s=s.at_s + 0.8) for s in speeds if rng.random() < 0.7]
    return True


def spoil(rng: random.Random, made: MadeFlight) -> None:
    """What the recogniser does to it."""
    for one in made.said:
        one.heard_value, one.heard_name = one.value, one.name
        one.posterior = 1 - min(0.3, rng.expovariate(60))
        if not one.real:
            one.posterior = rng.uniform(0.5, 0.995)
            continue
        if any(a <= one.at_s <= b for a, b in made.away) or rng.random() < {"setting": 0.02, "event": 0.02}.get(
            one.kind, 0.03
        ):
            one.heard = False
        elif one.kind == "airspeed" and rng.random() < 0.03:
            one.rival = one.value
            slips = (one.value + rng.choice((-10, 10)), one.value + rng.choice((-5, 4, 9)), one.value % 10 + 10)
            one.heard_value = float(rng.choice(slips))
            one.posterior = rng.uniform(0.5, 0.97)
        elif one.kind == "setting" and one.name == "flap" and rng.random() < 0.006:
            one.heard_value = rng.choice([f for f in (0.0, 10.0, 20.0, 40.0) if f != one.value])
            one.posterior = rng.uniform(0.6, 0.97)
        elif one.kind == "event" and one.name == "break" and rng.random() < 0.01:
            one.heard_name, one.posterior = "buffet", rng.uniform(0.6, 0.95)


def heard_calls(
    made: MadeFlight, truth: bool = False, read: bool = True
) -> tuple[tuple[HeardCall, ...], dict[str, Spoken]]:
    """Calls as the recogniser hands them on, read in sequence; and what each really was."""
    calls, source = [], {}
    for k, one in enumerate(made.said):
        if (truth and not one.real) or (not truth and not one.heard):
            continue
        value = one.value if truth else one.heard_value
        name = one.name if truth else one.heard_name
        rivals = ()
        if one.rival is not None and not truth:
            rivals = (Alternative(kind=CallKind.AIRSPEED, name="ias", value=one.rival, posterior=1 - one.posterior),)
        call = HeardCall(
            id=f"c{k:04d}",
            start_ns=s_to_ns(one.at_s),
            end_ns=s_to_ns(one.at_s + 0.6),
            kind=CallKind(one.kind),
            name=name,
            value=value,
            unit=one.unit,
            words=name,
            posterior=0.99 if truth else one.posterior,
            alternatives=rivals,
            engine="made",
            pack="en/2",
        )
        calls.append(call)
        source[call.id] = one
    return (read_sequence(calls, unit="kt", low=25.0, high=160.0) if read else tuple(calls)), source


# ---- the program --------------------------------------------------------------------------------------


class Flight:
    """A flight under review: calls and corrections in, runs and queue out."""

    def __init__(self, campaign: Campaign, flown: Campaign, made: MadeFlight, calls: tuple[HeardCall, ...]):
        self.campaign, self.flown, self.made, self.heard = campaign, flown, made, calls
        self.corrections: list[Correction] = []
        self.settled: set[str] = set()
        self.flagged: frozenset[str] | None = None
        self.gaps = [CaptureGap(start_ns=s_to_ns(a), end_ns=s_to_ns(b), why="away") for a, b in made.away]
        self.fold()

    def fold(self) -> None:
        self.calls = apply_corrections(self.heard, self.corrections, "kt")
        self.runs = self.runs_of(self.calls)

    def runs_of(self, calls):
        """The runs of some calls."""
        return runs_as_flown(
            self.campaign,
            self.flown.points,
            self.made.info.id,
            calls,
            (),
            in_force(self.corrections),
            self.gaps,
            s_to_ns(self.made.end_s),
        )

    def data(self) -> FlightData:
        return FlightData(
            info=self.made.info,
            runs=self.runs,
            weights=weights_of(self.campaign, self.made.info, self.runs),
            corrections=tuple(self.corrections),
        )

    def what_if(self, call: str, rejected: bool):
        """The runs with one call rejected, or confirmed."""
        one = Correction(id="if", utc="9", who="", action=Action.REJECT if rejected else Action.CONFIRM, target=call)
        return self.runs_of(apply_corrections(self.heard, [*self.corrections, one], "kt"))

    def queue(self, others=()):
        """What is still to be looked at, the other flights known."""
        peers: dict[str, list[float]] = {}
        for other in others:
            if other.made.info.configuration == self.made.info.configuration:
                for point, kt in peers_of(other.runs, other.calls):
                    peers.setdefault(point, []).append(kt)
        return build_queue(
            self.runs,
            self.calls,
            settled=frozenset(self.settled),
            flagged=self.flagged,
            points=self.campaign.points,
            peers=peers,
            what_if=self.what_if,
        )

    def correct(self, who: str, action: Action, target: str, **payload) -> None:
        n = len(self.corrections)
        self.corrections.append(
            Correction(
                id=f"x{n:05d}",
                utc=f"2031-06-01T{n:08d}",
                who=who,
                action=action,
                target=target,
                payload=tuple(payload.items()),
            )
        )


def matched(flight: Flight) -> list[tuple[TrueRun, object | None]]:
    """Each true run with the found run that holds most of its approach."""
    pairs, taken = [], set()
    for true in flight.made.runs:
        best, most = None, 0.0
        for run in flight.runs.runs:
            overlap = min(run.end_s, true.end_s) - max(run.start_s, true.start_s)
            if overlap > most and run.id not in taken:
                best, most = run, overlap
        if best is not None:
            taken.add(best.id)
        pairs.append((true, best))
    return pairs


def live_runs(flight: Flight) -> list[tuple[str, str | None]]:
    """Runs and points as the cards have them in flight."""
    state = begin(points_for(flight.flown, flight.made.info.id), "kt", Possible.of(flight.flown))
    for call in flight.heard:
        state, _ = advance(state, call)
    state, _ = advance(state, Touch(id="end", flight_ns=s_to_ns(flight.made.end_s), intent=Intent.LAND, by="app"))
    closed = [(run.id, run.point, run.calls) for run in state.runs]
    speeds = {c.id for c in flight.heard if c.kind is CallKind.AIRSPEED}
    return [(id, point) for id, point, calls in closed if speeds & set(calls)]


# ---- the oracle -----------------------------------------------------------------------------------------


def settle(flight: Flight, source: dict[str, Spoken], others_of, rng: random.Random) -> int:
    """Work through the queue, and only through the queue, knowing the truth. Returns how many items that took."""
    said = {id: one for id, one in source.items()}
    handled = 0
    for _ in range(MAX_ROUNDS):
        items = flight.queue(others_of()).items
        if not items:
            break
        for item in items:
            who = rng.choice(("anna", "ben"))
            handled += 1
            if item.item in (Item.CALL, Item.SAMPLE):
                settle_call(flight, item, said.get(item.target), who)
            elif item.item is Item.DECADE:
                for call, _ in item.calls:
                    settle_call(flight, replace(item, target=call), said.get(call), who)
            elif item.item is Item.DUE:
                settle_silence(flight, item, source, who)
            else:
                settle_run(flight, item, source, who)
            flight.settled.add(item.id)
        flight.fold()
    return handled


def settle_call(flight: Flight, item, one: Spoken | None, who: str) -> None:
    if one is None:
        flight.correct(who, Action.CONFIRM, item.target)
    elif not one.real:
        flight.correct(who, Action.REJECT, item.target)
    elif one.heard_value != one.value or one.heard_name != one.name:
        flight.correct(who, Action.SET, item.target, kind=one.kind, name=one.name, value=one.value, unit=one.unit)
    else:
        flight.correct(who, Action.CONFIRM, item.target)


def add_missing(flight: Flight, source, who: str, from_s: float, to_s: float, kinds: set[str]) -> None:
    """The reviewer listens to a stretch and adds what was said in it and not heard."""
    there = {c.target for c in flight.corrections if c.action is Action.ADD}
    for k, one in enumerate(flight.made.said):
        id = f"added{k:04d}"
        if one.real and not one.heard and one.kind in kinds and from_s <= one.at_s <= to_s and id not in there:
            flight.correct(
                who,
                Action.ADD,
                id,
                flight_ns=s_to_ns(one.at_s),
                kind=one.kind,
                name=one.name,
                value=one.value,
                unit=one.unit,
            )


def settle_silence(flight: Flight, item, source, who: str) -> None:
    at_s = item.flight_ns / 1e9
    add_missing(flight, source, who, at_s - 6, at_s + 6, {"airspeed", "event"})


def settle_run(flight: Flight, item, source, who: str) -> None:
    """A run to look at: its event is added if one was missed, its point set right, a run that is none discarded."""
    pairs = {run.id: true for true, run in matched(flight) if run is not None}
    for id in item.runs or (item.target,):
        run = next((r for r in flight.runs.runs if r.id == id), None)
        if run is None:
            continue
        true = pairs.get(id)
        if true is None or true.scratched:
            flight.correct(who, Action.DISCARD, id)
            continue
        add_missing(flight, source, who, true.start_s - 1, true.end_s + 1, {"airspeed", "event"})
        if true.point is not None and run.point != true.point:
            flight.correct(who, Action.ASSIGN, id, point=true.point)


# ---- the count ------------------------------------------------------------------------------------------


def count(flights: list[Flight], clean: list[Flight], campaign: Campaign, shown: list[str], stage: str) -> Counter:
    """Runs at their point, speeds off, conclusions that differ from those of the same calls unspoilt."""
    tally: Counter = Counter()
    reduced = reduce_campaign(campaign, [f.data() for f in flights])
    reference = reduce_campaign(campaign, [f.data() for f in clean])
    by_run = {(r.flight, r.run): r for r in reduced.runs}
    clean_by_run = {(r.flight, r.run): r for r in reference.runs}
    for flight, other in zip(flights, clean, strict=True):
        right_pairs = {id(true): run for true, run in matched(other)}
        found = set()
        for true, run in matched(flight):
            if run is not None:
                found.add(run.id)
            result = by_run.get((flight.made.info.id, run.id)) if run else None
            if true.scratched:
                tally["scratched"] += 1
                tally["scratched and counted"] += bool(result and result.counts)
                continue
            tally["runs"] += 1
            tally["not found"] += run is None
            right = run is not None and run.point == true.point
            tally["right point"] += right
            if true.odd:
                tally[f"{true.odd}: runs"] += 1
                tally[f"{true.odd}: right point"] += right
            if run is not None and not right:
                kind = "no point" if run.point is None else "wrong point"
                tally[kind] += 1
                if len(shown) < 400:
                    shown.append(
                        f"{stage}: {flight.made.info.id} {run.id} {true.point} found {run.point} "
                        f"({run.why_no_point or run.point_why}; {run.point_share:.2f})"
                    )
            elif run is None and len(shown) < 400:
                shown.append(f"{stage}: {flight.made.info.id} {true.point} at {true.start_s:.0f} s not found")
            wanted = (
                clean_by_run.get((flight.made.info.id, right_pairs[id(true)].id)) if right_pairs[id(true)] else None
            )
            if result and wanted and result.counts and wanted.counts and result.vs_ias_kt and wanted.vs_ias_kt:
                off = abs(result.vs_ias_kt - wanted.vs_ias_kt) > OFF_KT
                tally["speeds"] += 1
                tally["speed off"] += off
                if off and len(shown) < 400:
                    shown.append(
                        f"{stage}: {flight.made.info.id} {run.id} {result.vs_ias_kt:.1f} for {wanted.vs_ias_kt:.1f}; {result.caveats}"
                    )
        for run in flight.runs.runs:
            result = by_run[flight.made.info.id, run.id]
            if run.id not in found and result.counts:
                tally["invented and counted"] += 1
    truth = {(c.point, c.reference, c.changed, c.event): c for c in reference.comparisons}
    for c in reduced.comparisons:
        tally["conclusions"] += 1
        other = truth.get((c.point, c.reference, c.changed, c.event))
        claims = c.verdict in ("lower", "higher")
        if claims and c.low_kt is not None and c.high_kt is not None:
            point = next(p for p in campaign.points if p.id == c.point)
            real = true_stall_kt(point.power, point.flap_deg, point.bank_deg, "cuffs") - true_stall_kt(
                point.power, point.flap_deg, point.bank_deg
            )
            wrong = (c.verdict == "lower") != (real < 0) and (other is None or other.verdict != c.verdict)
            tally["conclusions wrong"] += wrong
        if other and c.difference_kt is not None and other.difference_kt is not None:
            moved = abs(c.difference_kt - other.difference_kt) > OFF_KT
            tally["differences moved > 1 kt"] += moved
            if moved and len(shown) < 400:
                shown.append(
                    f"{stage}: {c.point} {c.event} difference {c.difference_kt:.1f} for {other.difference_kt:.1f}"
                )
    return tally


def edited(campaign: Campaign, rng: random.Random) -> Campaign:
    """The campaign after flying: a point deleted, renamed, or with another flap."""
    cards = list(campaign.cards)
    k = rng.randrange(len(cards))
    points = list(cards[k].points)
    if len(points) > 2:
        del points[rng.randrange(len(points))]
    else:
        points.append(replace(points[0], id=f"{cards[k].id}9", flap_deg=30.0))
    cards[k] = replace(cards[k], points=tuple(points))
    return replace(campaign, cards=tuple(cards))


def one_campaign(seed: int, settle_it: bool = True, odd: bool = False) -> dict:
    """Make, spoil, count, settle, count again."""
    rng = random.Random(seed)
    campaign = made_campaign(rng, banked=rng.random() < 0.75)
    pilot = Pilot.any(rng)
    now = edited(campaign, rng) if rng.random() < 0.2 else campaign
    points = list(campaign.points)
    flights, clean, sources = [], [], []
    for planned in campaign.flights:
        here = points if rng.random() < 0.7 else rng.sample(points, len(points))
        half = here[: (len(here) + 1) // 2] if planned.id.endswith("1") else here[len(here) // 2 :]
        made = fly(rng, campaign, pilot, planned, half)
        if odd:
            odd_things(random.Random(f"{seed} {planned.id}"), made, campaign)
        spoil(rng, made)
        calls, source = heard_calls(made)
        flights.append(Flight(now, campaign, made, calls))
        clean.append(Flight(now, campaign, replace_away(made), heard_calls(made, truth=True, read=False)[0]))
        sources.append(source)
    shown: list[str] = []
    gone = {p.id for p in points} - {p.id for p in now.points}
    agree = Counter()
    for flight in flights:
        if now is campaign and not flight.made.away:
            live = live_runs(flight)
            ground = [(run.id, run.point) for run in flight.runs.runs]
            agree["flights compared"] += 1
            agree["fly and ground differ"] += live != ground
            if live != ground:
                shown.append(f"live {set(live) - set(ground)} ground {set(ground) - set(live)}")
    before = count(flights, clean, now, shown, "before")
    kinds = Counter(str(i.item) for f in flights for i in f.queue([g for g in flights if g is not f]).items)
    first = sum(len(f.queue([g for g in flights if g is not f]).items) for f in flights)
    after, handled = Counter(), 0
    if settle_it:
        for flight, source in zip(flights, sources, strict=True):
            handled += settle(flight, source, lambda f=flight: [g for g in flights if g is not f], rng)
        for flight, source in zip(flights, sources, strict=True):  # what later flights showed about earlier ones
            handled += settle(flight, source, lambda f=flight: [g for g in flights if g is not f], rng)
        after = count(flights, clean, now, shown, "after")
    return {
        "before": before,
        "after": after,
        "queue": first,
        "handled": handled,
        "agree": agree,
        "shown": shown,
        "gone": gone,
        "kinds": kinds,
    }


def replace_away(made: MadeFlight) -> MadeFlight:
    """The same flight with the program running all the time."""
    return replace(made, away=[])


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--campaigns", type=int, default=12)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--show", type=int, default=0, help="so many cases of what went wrong")
    parser.add_argument("--odd", action="store_true", help="in each flight one thing that nobody plans for")
    parser.add_argument("--before-only", action="store_true", help="do not settle the queue")
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    began_s = time.perf_counter()
    before, after, agree, kinds, queue, handled, shown = Counter(), Counter(), Counter(), Counter(), 0, 0, []
    for k in range(args.campaigns):
        result = one_campaign(1000 * args.seed + k, not args.before_only, args.odd)
        before += result["before"]
        after += result["after"]
        agree += result["agree"]
        queue += result["queue"]
        kinds += result["kinds"]
        handled += result["handled"]
        shown += [f"[{1000 * args.seed + k}] {line}" for line in result["shown"]]
    runs = max(1, before["runs"])
    document = {
        "campaigns": args.campaigns,
        "runs": before["runs"],
        "before": dict(before),
        "after": dict(after),
        "agree": dict(agree),
        "right_point_before_pct": round(100 * before["right point"] / runs, 2),
        "right_point_after_pct": round(100 * after["right point"] / runs, 2),
        "wrong_and_unqueued_per_1000": round(1000 * (after["runs"] - after["right point"]) / runs, 2),
        "queue_items_per_run": round(queue / runs, 2),
        "queue_by_kind_per_run": {kind: round(n / runs, 2) for kind, n in sorted(kinds.items())},
        "handled_items_per_run": round(handled / runs, 2),
        "seconds": round(time.perf_counter() - began_s, 1),
    }
    print(json.dumps(document, indent=1))
    for line in shown[: args.show]:
        print(line)


if __name__ == "__main__":
    main()

"""Out of a trial by a stranger: an aircraft read in km/h, flaps of 12 deg, recoveries that nobody heard."""

from dataclasses import replace

import numpy as np
import pytest

from logger_app.cli.review import seconds
from logger_app.domain.runs import find_runs
from logger_app.errors import ReviewError
from logger_app.fly.flight_state import advance, begin
from logger_app.hear.engine import usual_high
from logger_app.hear.listen import HearResult
from logger_app.hear.packs import legal_calls
from logger_app.hear.packs_io import load_pack
from logger_app.hear.sequence import SequenceReader, read_sequence
from logger_app.plan.advice import advise
from logger_app.records.calls import CallKind, CallStatus, Flag, HeardCall
from logger_app.records.plan import (
    Aircraft,
    AircraftConfig,
    Campaign,
    FlapLimit,
    Indicator,
    Loading,
    PlannedFlight,
    Planning,
    TestCard,
    TestPoint,
)
from logger_app.records.runs import RunEnd
from logger_app.reduce.campaign import Reducer
from logger_app.reduce.quality import judge
from logger_app.reduce.stall_speed import stall_of_run
from logger_app.units import s_to_ns, to_kt
from logger_app.workflows.hearing import apart_notes, language_note
from tests.builders import Make

make = Make()


def point(id, flap_deg, **over):
    speeds = {"trim_ias_kt": to_kt(117, "km/h"), "expected_stall_ias_kt": to_kt(78, "km/h")}
    return TestPoint(id=id, card="A", flap_deg=flap_deg, **speeds, **over)


POINTS = (point("A1", 0.0), point("A2", 12.0), point("A3", 35.0))


def campaign(*points):
    aircraft = Aircraft(
        name="Invented",
        empty_weight_kg=302,
        reference_weight_kg=470,
        max_weight_kg=472.5,
        wing_area_m2=11.1,
        never_exceed_ias_kt=to_kt(220, "km/h"),
        flap_limits=(FlapLimit(flap_deg=12, max_ias_kt=75), FlapLimit(flap_deg=35, max_ias_kt=62)),
    )
    card = TestCard(id="A", title="Stalls", points=points or POINTS)
    return Campaign(name="c", aircraft=aircraft, cards=(card,), indicator=Indicator(unit="km/h"))


def call(at_s, kind, name, value=None, unit=None, posterior=0.97):
    return HeardCall(
        id=f"c{at_s:g}",
        start_ns=s_to_ns(at_s),
        end_ns=s_to_ns(at_s + 0.5),
        kind=kind,
        name=name,
        value=value,
        unit=unit,
        posterior=posterior,
    )


def event(at_s, name):
    return call(at_s, CallKind.EVENT, name)


def command(at_s, name):
    return call(at_s, CallKind.COMMAND, name)


def flap(at_s, deg):
    return call(at_s, CallKind.SETTING, "flap", deg, "deg")


def approach(at_s, speeds=(100, 95, 90, 86, 83)):
    said = [call(at_s + 2 * k, CallKind.AIRSPEED, "ias", float(v), "km/h") for k, v in enumerate(speeds)]
    return [event(at_s - 2, "on_condition"), *said, event(at_s + 2 * len(speeds), "break")]


# ---- what is listened for ----------------------------------------------------------------------------


def test_a_flap_setting_of_the_aircraft_is_heard_though_it_is_no_multiple_of_five():
    """ "Flaps twelve" was heard as flap 35 at 0.9, or not at all: only multiples of five were listened for."""
    said = {" ".join(c.words): c.value for c in legal_calls(load_pack("en", campaign())) if c.name == "flap"}

    assert (said["flaps twelve"], said["flaps thirty five"]) == (12.0, 35.0)
    assert "flaps fifteen" not in said, "this aircraft has no such setting"


def test_planned_powers_and_banks_are_heard_however_odd():
    plan = campaign(
        point("A1", 0.0, power="2350 rpm", power_rpm=2350.0),
        point("A2", 0.0, power="62 %", power_pct=62.0),
        point("A3", 0.0, bank_deg=-33.0),
    )
    said = {(c.name, c.value, c.unit) for c in legal_calls(load_pack("en", plan)) if c.kind is CallKind.SETTING}

    assert {("power", 2350.0, "rpm"), ("power", 62.0, "%"), ("bank", -33.0, "deg")} <= said
    assert ("power", 2450.0, "rpm") not in said, "others only in round figures, as before"


# ---- a hundred too many ------------------------------------------------------------------------------


def test_a_hundred_heard_in_a_small_word_is_doubted():
    """ "And ninety two, eighty five, and seventy seven, seventy one": 192 and 177 stood unflagged, the right ones did not."""
    heard = [192.0, 85.0, 177.0, 71.0]
    calls = [call(3.5 * k, CallKind.AIRSPEED, "ias", v, "km/h", 0.96) for k, v in enumerate(heard)]
    read = read_sequence(calls, unit="km/h", low=42, high=231, usual_high=usual_high(campaign()))

    assert [c.proposed for c in read] == [92.0, None, 77.0, None]
    assert [bool(c.flags) for c in read] == [True, False, True, False]


def test_a_hundred_that_was_said_is_believed():
    heard = [104.0, 101.0, 98.0, 95.0, 93.0]
    calls = [call(1.5 * k, CallKind.AIRSPEED, "ias", v, "km/h", 0.96) for k, v in enumerate(heard)]
    read = read_sequence(calls, unit="km/h", low=42, high=231, usual_high=usual_high(campaign()))

    assert [c.proposed for c in read] == [None] * 5
    assert not any(Flag.IMPLAUSIBLE in c.flags for c in read)


def test_a_digit_alone_has_no_decade_whatever_is_planned():
    digit = call(1.0, CallKind.AIRSPEED, "ias", 7.0, "km/h")
    usual = usual_high(campaign())
    (read,) = read_sequence([digit], unit="km/h", low=42, high=231, usual_high=usual)
    live = SequenceReader(unit="km/h", low=42, high=231, usual_high=usual).read(digit)

    assert (read.value, live.value) == (7.0, 7.0)
    assert Flag.NO_DECADE in read.flags and Flag.NO_DECADE in live.flags


# ---- a recovery that nobody heard --------------------------------------------------------------------


def grouped(calls):
    """The points of the runs, as the cockpit and as the ground see them."""
    state = begin(POINTS, "km/h")
    for one in calls:
        state, _ = advance(state, one)
    state, _ = advance(state, event(calls[-1].start_s + 30, "on_condition"))
    reviewed = [as_heard(one) for one in calls]
    ground = find_runs("d1", reviewed, points=POINTS).runs
    return [run.point for run in state.runs], [run.point for run in ground], [run.ended for run in ground]


def as_heard(one):
    ias = to_kt(one.value, one.unit) if one.kind is CallKind.AIRSPEED else None
    made = make.event(one.start_s, one.name, one.value, kind=one.kind)
    return replace(made, id=one.id, unit=one.unit, ias_kt=ias)


def test_the_next_card_ends_a_run_whose_recovery_was_not_heard():
    """Ten runs stayed at the first point: card and flaps were called, after the stall and before no "recovered"."""
    first = [flap(2, 0.0), *approach(10)]
    calls = [*first, command(26, "next_card"), flap(28, 12.0), *approach(40), event(55, "recovered")]
    cockpit, ground, ended = grouped(calls)

    assert cockpit == ground == ["A1", "A2"]
    assert ended[0] is RunEnd.NEXT_RUN


def test_a_set_up_after_a_recovery_that_was_not_heard_is_the_next_runs():
    calls = [flap(2, 12.0), *approach(10), flap(30, 35.0), *approach(36), event(50, "recovered")]

    assert grouped(calls)[:2] == (["A2", "A3"], ["A2", "A3"])


def test_flaps_of_the_recovery_itself_are_not_the_next_runs():
    calls = [flap(2, 35.0), *approach(10), flap(23, 0.0), *approach(36), event(50, "recovered")]

    assert grouped(calls)[:2] == (["A3", "A3"], ["A3", "A3"])


# ---- too few calls for a fit -------------------------------------------------------------------------


def test_one_call_is_no_stall_speed_when_the_airspeed_fell_on():
    """74 km/h was called three seconds before a wing drop at 65, the call before it was rubbish: the run counted with 74."""
    heard = {"status": CallStatus.HEARD, "posterior": 0.11, "flags": (Flag.SOUNDS_LIKE,)}
    speeds = [make.speed(12.2, 102.0, **heard), make.speed(17.1, 42.7), make.speed(20.28, 40.0)]

    def judged(event_s, trace_ias_kt=None):
        run = make.run([*speeds, make.event(event_s, "break")])
        stall = stall_of_run(run, Indicator())
        assert stall.method == "lowest"
        return judge(run, stall, POINTS[0], "base", trace_ias_kt)

    assert "fell on by about 3 kt in the 3.1 s" in judged(23.38).why[0]
    assert judged(22.0).counts and judged(23.38, trace_ias_kt=39.0).counts


# ---- what is said to the user ------------------------------------------------------------------------


def a_file(tmp_path, name, begun):
    import av

    path = tmp_path / name
    with av.open(str(path), "w", format="matroska") as container:
        container.metadata["creation_time"] = begun
        stream = container.add_stream("pcm_s16le", rate=16_000, layout="mono")
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 16_000), np.int16), format="s16", layout="mono")
        frame.sample_rate = 16_000
        container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


def test_two_files_with_time_between_them_are_not_silently_one(tmp_path):
    """Half a minute was missing between two files; they were joined without a word, and all times after it were off."""
    files = [a_file(tmp_path, "p1.mkv", "2026-11-20T23:59:50Z"), a_file(tmp_path, "p2.mkv", "2026-11-21T00:03:40Z")]
    heard = HearResult(
        files=("p1", "p2"), duration_s=201, engine="callout", pack="en/4", calls=(), starts_s=(0.0, 200.0)
    )

    (note,) = apart_notes(files, heard)
    assert note.startswith("p2.mkv begins 30 s after p1.mkv ends") and "from 3:20.0 on" in note
    assert apart_notes(files, replace(heard, starts_s=(0.0, 229.0))) == []


def test_a_language_that_was_never_trained_on_is_said_so():
    """Of 24 runs spoken in German five were found, and nothing said that this was to be expected."""

    class Engine:
        pack, languages = load_pack("de"), ("en",)

    assert "never trained on this language (pack de)" in language_note(Engine())
    assert language_note(type("Engine", (), {"pack": load_pack("en"), "languages": ("en",)})()) == ""


def test_a_plan_speaks_in_the_unit_of_the_dial():
    """ "For 2.15983 kt" stood in the plan of an aircraft that is read in km/h."""
    plan = replace(
        campaign(),
        configurations=(AircraftConfig(id="a", name="a"), AircraftConfig(id="b", name="b", parent="a")),
        planning=Planning(smallest_difference_kt=to_kt(4, "km/h")),
    )
    said = [one.words for one in advise(plan)]

    assert any("for 4 km/h" in text for text in said)
    assert not any(" kt" in text for text in said)


def test_a_weight_with_nobody_aboard_is_said_so():
    flights = (
        PlannedFlight(id="d1", configuration="a", cards=("A",), loading=Loading(fuel_l=60.0)),
        PlannedFlight(id="d2", configuration="a", cards=("A",), loading=Loading(fuel_l=60.0, items=(("seats", 86.0),))),
    )
    plan = replace(campaign(), configurations=(AircraftConfig(id="a", name="a"),), flights=flights)
    (said,) = [one.words for one in advise(plan) if "nobody aboard" in one.words]

    assert said.startswith("Flight d1 is without load_kg")


def test_a_time_with_ninety_nine_seconds_is_a_slip():
    """`--add 8:99 70` put a call at 9:39."""
    with pytest.raises(ReviewError):
        seconds("8:99")
    assert (seconds("8:59.5"), seconds("599")) == (539.5, 599.0)


@pytest.mark.parametrize("over", [{}, {"expected_stall_ias_kt": None}])
def test_a_stall_at_a_quarter_of_what_is_planned_does_not_count(over):
    """A person confirmed 16 and 13 kt, misheard both: the run counted with a stall of 13 kt."""
    plan = replace(campaign(), cards=(replace(campaign().cards[0], points=(replace(POINTS[0], **over), *POINTS[1:])),))
    said = zip((10, 12, 14, 16, 20), (62.0, 60.0, 58.0, 16.0, 13.0), strict=True)
    run = make.run([*(make.speed(at_s, kt) for at_s, kt in said), make.event(21, "break")])

    def reduced(run):
        return Reducer(plan).reduce(make.flight([run]))[0]

    found = reduced(run)
    assert (found.method, found.vs_ias_kt, found.counts) == ("lowest", 13.0, False)
    assert found.why == ("a stall at 24 km/h where the plan expects 78 km/h: are its last calls right?",)
    assert reduced(replace(run, overruled=True)).counts, "the last word is a person's"

"""Records to bodies and back, through JSON, unchanged."""

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger_app.errors import LogDamaged
from logger_app.logstore import codec
from logger_app.records.calls import Action, Alternative, CallKind, CaptureGap, Correction, Flag, HeardCall
from logger_app.records.clocks import ClockMap
from logger_app.records.journal import FlightInfo

TEXT = st.text(max_size=12)
NUMBER = st.floats(allow_nan=False, allow_infinity=False, width=64)
NS = st.integers(0, 10**15)
VALUE = st.one_of(st.none(), NUMBER, TEXT)
ALTERNATIVE = st.builds(Alternative, kind=st.sampled_from(CallKind), name=TEXT, value=VALUE, posterior=st.floats(0, 1))
CALL = st.builds(
    HeardCall,
    id=TEXT,
    start_ns=st.integers(0, 10**12),
    end_ns=st.integers(10**12, 10**13),
    kind=st.sampled_from(CallKind),
    name=TEXT,
    value=VALUE,
    unit=st.sampled_from([None, "kt", "mph", "km/h"]),
    words=TEXT,
    posterior=st.floats(0, 1),
    flags=st.lists(st.sampled_from(Flag), max_size=3).map(tuple),
    alternatives=st.lists(ALTERNATIVE, max_size=3).map(tuple),
    proposed=VALUE,
    word_times=st.lists(st.tuples(TEXT, NS, NS), max_size=3).map(tuple),
    engine=TEXT,
    pack=TEXT,
)
CORRECTION = st.builds(
    Correction,
    id=TEXT,
    utc=TEXT,
    who=TEXT,
    action=st.sampled_from(Action),
    target=TEXT,
    payload=st.fixed_dictionaries(
        {},
        optional={
            "flight_ns": NS,
            "value": VALUE,
            "kind": st.sampled_from(CallKind).map(str),
            "name": TEXT,
            "unit": st.sampled_from(("kt", "mph")),
            "point": TEXT,
            "other": TEXT,
            "counts": st.booleans(),
        },
    ).map(lambda d: tuple(d.items())),
    why=TEXT,
    replaces=st.one_of(st.none(), TEXT),
)
MAP = st.builds(
    ClockMap,
    source=TEXT,
    offset_s=NUMBER,
    drift_ppm=NUMBER,
    u_s=NUMBER,
    valid_to_s=st.one_of(NUMBER, st.just(float("inf"))),
    evidence=st.dictionaries(TEXT, st.one_of(NUMBER, TEXT), max_size=3).map(lambda d: tuple(d.items())),
)
GAP = st.builds(CaptureGap, start_ns=NS, end_ns=NS, why=TEXT)
INFO = st.builds(
    FlightInfo,
    id=TEXT.map(lambda name: "day" + name.replace("/", "_").replace("\\", "_").replace("\0", "_")),
    configuration=st.one_of(st.none(), TEXT),
    loading_items=st.dictionaries(TEXT, NUMBER, max_size=3).map(lambda d: tuple(d.items())),
    fuel_l=st.one_of(st.none(), NUMBER),
    started_utc=TEXT,
    who=TEXT,
)


def through_json(body):
    return json.loads(json.dumps(body, allow_nan=False))


@given(CALL)
def test_call(call):
    assert codec.body_to_call(through_json(codec.call_to_body(call))) == call


@given(CORRECTION)
def test_correction(correction):
    assert codec.body_to_correction(through_json(codec.correction_to_body(correction))) == correction


@given(MAP)
def test_clock_map(clock_map):
    assert codec.body_to_clock_map(through_json(codec.clock_map_to_body(clock_map))) == clock_map


@given(GAP)
def test_gap(gap):
    assert codec.body_to_gap(through_json(codec.gap_to_body(gap))) == gap


@given(INFO)
def test_info(info):
    assert codec.body_to_info(through_json(codec.info_to_body(info, app="x"))) == info


JSON = st.recursive(
    st.one_of(st.none(), st.booleans(), NUMBER, TEXT),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(TEXT, inner, max_size=3)),
    max_leaves=8,
)
READERS = [codec.body_to_call, codec.body_to_correction, codec.body_to_gap, codec.body_to_clock_map, codec.body_to_info]


@pytest.mark.parametrize("read", READERS)
@given(data=st.data())
def test_any_body_is_read_or_refused_with_a_sentence(read, data):
    keys = [
        "id",
        "start_ns",
        "end_ns",
        "kind",
        "action",
        "name",
        "utc",
        "who",
        "target",
        "why",
        "source",
        "offset_s",
        "flags",
        "alternatives",
        "payload",
        "loading",
        "word_times",
        "evidence",
        "posterior",
    ]
    body = data.draw(st.dictionaries(st.sampled_from(keys), JSON, max_size=12))
    try:
        read(body)
    except LogDamaged as err:
        assert str(err).startswith("journal: ")


BODY_VALUE = st.one_of(
    JSON,
    st.sampled_from(
        [1e300, -1, 2**80, "airspeed", "ias", "set", "add", "move", "event", "buffet", float("nan"), 50.0, 10**10]
    ),
)


@settings(deadline=None)
@given(
    st.dictionaries(st.sampled_from(["value", "unit", "flags", "alternatives", "proposed", "posterior"]), BODY_VALUE),
    st.dictionaries(st.sampled_from(["value", "unit", "kind", "name", "flight_ns"]), BODY_VALUE),
    st.sampled_from(Action),
)
def test_whatever_is_read_can_be_folded_and_looked_at(call_over, payload, action):
    """A journal made by somebody else may hold anything; what the codec lets in must not break the review."""
    from logger_app.domain.runs import find_runs
    from logger_app.review.apply import apply_corrections
    from logger_app.review.queue import build_queue

    body = {"id": "c", "start_ns": 5 * 10**9, "end_ns": 6 * 10**9, "kind": "airspeed", "name": "ias", "value": 50.0}
    fix = {"id": "k", "utc": "2027", "who": "x", "action": str(action), "target": "c", "payload": payload}
    try:
        call, correction = codec.body_to_call(body | call_over), codec.body_to_correction(fix)
    except LogDamaged:
        return
    calls = apply_corrections([call], [correction], "kt")
    for one in build_queue(find_runs("f", calls), calls).items:
        one.as_json()
    for one in calls:
        one.as_json()

"""Calls that a pilot's own voice is known to be heard wrongly in carry a flag and the other reading."""

import pytest

from logger_app.hear.own_voice import soften
from logger_app.records.calls import Alternative, CallKind, Flag, HeardCall


def call(value, kind=CallKind.AIRSPEED, name="ias", **over):
    return HeardCall(id=f"c{value}", start_ns=0, end_ns=1, kind=kind, name=name, value=value, posterior=0.99, **over)


def test_only_the_readings_of_the_confused_decade_are_softened():
    calls = [call(62.0), call(52.0), call(72.0), call(60.0, CallKind.SETTING, "flap"), call("idle", CallKind.SETTING)]
    soft = soften(calls, [(6, 5)])

    assert soft[1:] == calls[1:]
    assert (soft[0].value, soft[0].flags, soft[0].posterior) == (62.0, (Flag.SOUNDS_LIKE,), 0.8)
    assert [(a.value, a.posterior) for a in soft[0].alternatives] == [(52.0, 0.2)]


def test_a_rival_that_is_listed_already_is_raised_and_others_stay():
    rivals = [Alternative(kind=CallKind.AIRSPEED, name="ias", value=v, posterior=0.005) for v in (61.0, 52.0)]
    (soft,) = soften([call(62.0, alternatives=tuple(rivals), flags=(Flag.TOO_QUIET,))], [(6, 5)])

    assert [(a.value, a.posterior) for a in soft.alternatives] == [(52.0, 0.2), (61.0, 0.005)]
    assert soft.flags == (Flag.TOO_QUIET, Flag.SOUNDS_LIKE)


@pytest.mark.parametrize("confusions", [(), ((4, 5),)])
def test_nothing_is_touched_without_a_confusion_that_it_could_be(confusions):
    assert soften([call(62.0)], confusions) == [call(62.0)]

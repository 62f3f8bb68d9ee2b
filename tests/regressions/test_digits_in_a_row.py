"""Last digits said close together ("fifty four, three two, one") were one number each: 32, sure."""

import pytest

from logger_app.hear.context import Context
from logger_app.hear.decode import Found
from logger_app.hear.gate import Gate
from logger_app.hear.packs import LegalCall
from logger_app.hear.packs_io import load_pack
from logger_app.io.resources import data_dir
from logger_app.records.calls import CallKind

PACK = load_pack("en")
DIGITS = {one.words[0]: float(one.value) for one in PACK.shorthands if len(one.words) == 1}
VALUE = {" ".join(one.words): one.value for one in PACK.airspeeds}


@pytest.fixture
def context():
    import json

    return Context(Gate.from_conf(json.loads((data_dir("grammar") / "en/acoustic/conf.json").read_text("utf-8"))))


def found(words, at, shorthand=False):
    parts = words.split()
    value = DIGITS[words] if shorthand else VALUE[words]
    call = LegalCall(tuple(parts), CallKind.AIRSPEED, "ias", value, "kt", shorthand=shorthand)
    spans = tuple((word, at + 20.0 * k, at + 20.0 * k + 15) for k, word in enumerate(parts))
    return Found(call, 0.98, (), at, spans[-1][2], spans, 6)


@pytest.mark.parametrize(
    ("before", "words", "read"),
    [
        ("fifty four", "three two", [3, 2]),
        ("fifty nine", "eight seven", [8, 7]),
        ("fifty five", "four three", [4, 3]),  # 43 would be a fall of twelve at once
        ("fifty", "nine eight", [9, 8]),
        ("fifty seven", "five four", [54]),  # a number, and near
        ("fifty three", "five two", [52]),
        ("fifty three", "nine two", [92]),  # as last digits it would rise
        ("sixty one", "forty two", [42]),  # no digits
    ],
)
def test_digits_in_a_row_are_last_digits_where_only_these_go_on(context, before, words, read):
    context.took(found(before, 100.0))
    parts = context.apart(found(words, 150.0), DIGITS)

    assert [part.call.value for part in parts] == read
    assert all(part.call.shorthand for part in parts) == (len(read) > 1)
    if len(read) > 1:  # which of the two it was nobody says: the number stays beside them
        assert [part.rivals[0][0].value for part in parts] == [VALUE[words]] * 2
        assert all(part.belief < 0.8 for part in parts)
        assert [part.start for part in parts] == [150.0, 170.0]


def test_a_digit_alone_moves_on_what_is_expected(context):
    for one in (found("fifty one", 100.0), found("zero", 150.0, shorthand=True)):
        context.took(one)

    assert [part.call.value for part in context.apart(found("nine eight", 200.0), DIGITS)] == [9, 8]


def test_out_of_an_approach_a_number_is_a_number(context):
    assert len(context.apart(found("three two", 100.0), DIGITS)) == 1
    context.took(found("fifty four", 100.0))
    assert len(context.apart(found("three two", 2000.0), DIGITS)) == 1

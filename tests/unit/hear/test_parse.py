import pytest

from logger_app.hear.packs_io import load_pack
from logger_app.hear.parse import complete_shorthand, parse_words, tokens_of
from logger_app.records.calls import CallKind


@pytest.fixture(scope="module")
def pack():
    return load_pack("en")


def read(pack, text, previous=None):
    return [(c.name, c.value) for c in parse_words(text.split(), pack, previous)]


@pytest.mark.parametrize(
    "text, expected",
    [
        ("fifty eight", [("ias", 58)]),
        ("five eight", [("ias", 58)]),
        ("fife niner", [("ias", 59)]),
        ("six zero", [("ias", 60)]),
        ("one oh five", [("ias", 105)]),
        ("one fifteen", [("ias", 115)]),
        ("a hundred and five", [("ias", 105)]),
        ("one hundred five", [("ias", 105)]),
        ("one hundred", [("ias", 100)]),
        ("that's sixty one", [("ias", 61)]),
        ("now at fifty eight knots", [("ias", 58)]),
        ("fifty eight fifty seven", [("ias", 58), ("ias", 57)]),
        ("five eight five seven", [("ias", 58), ("ias", 57)]),
        ("Fifty-eight, buffet!", [("ias", 58), ("buffet", None)]),
        ("58 57", [("ias", 58), ("ias", 57)]),
        ("5 8", [("ias", 58)]),
        ("there's the buffet", [("buffet", None)]),
        ("heavy buffet", [("heavy_buffet", None)]),
        ("left wing drop", [("wing_drop_left", None)]),
        ("wing dropping right", [("wing_drop_right", None)]),
        ("rolling right", [("wing_drop_right", None)]),
        ("stick on the stop", [("aft_stop", None)]),
        ("full back", [("aft_stop", None)]),
        ("that's the stall horn", [("stall_warning", None)]),
        ("mush no break", [("mush", None)]),
        ("nose drop and recovered", [("nose_drop", None), ("recovered", None)]),
        ("knock it off", [("knock_it_off", None)]),
        ("uh scratch that", [("scratch_that", None)]),
        ("card alpha two", [("card", "A2")]),
        ("card three", [("card", 3)]),
    ],
)
def test_calls(pack, text, expected):
    assert read(pack, text) == expected


@pytest.mark.parametrize("as_written", [False, True])
@pytest.mark.parametrize(
    "text, expected",
    [
        ("fifty three two one zero", [53, 52, 51, 50]),  # 53 and 210
        ("fifty three two one zero nine eight", [53, 52, 51, 50, 49, 48]),
        ("fifty two one zero", [52, 51, 50]),  # 50 and 210: the two belongs to the fifty
        ("sixty one zero nine", [61, 60, 59]),
        ("fifty eight seven six buffet", [58, 57, 56]),
        ("fifty two three one", [52, 31]),  # rising: no last digits
        ("fifty one oh one", [50, 101]),
        ("five eight five seven five six", [58, 57, 56]),
    ],
)
def test_last_digits_in_running_text_go_on_from_the_number_before(pack, text, expected, as_written):
    found = parse_words(text.split(), pack, as_written=as_written)

    assert [call.value for call in found if call.kind is CallKind.AIRSPEED] == expected


@pytest.mark.parametrize("as_written", [False, True])
@pytest.mark.parametrize(
    "text",
    [
        "four two one seven",  # a transponder code
        "one one eight six five",  # a frequency
        "two nine nine two",  # an altimeter setting
        "five five five one two three four",  # a telephone number
        "1 0 1 3 2",
    ],
)
def test_digits_read_out_are_no_airspeeds(pack, text, as_written):
    assert parse_words(text.split(), pack, as_written=as_written) == []


@pytest.mark.parametrize(
    "text, name, value, unit",
    [
        ("twenty one hundred rpm", "power", 2100, "rpm"),
        ("twenty one hundred", "power", 2100, "rpm"),
        ("two thousand one hundred rpm", "power", 2100, "rpm"),
        ("power twenty one fifty", "power", 2150, "rpm"),
        ("2100 rpm", "power", 2100, "rpm"),
        ("2,100rpm", "power", 2100, "rpm"),
        ("power idle", "power", "idle", None),
        ("sixty percent", "power", 60, "%"),
        ("60% power", "power", 60, "%"),
        ("flaps fifteen", "flap", 15, "deg"),
        ("flaps one five", "flap", 15, "deg"),
        ("flaps up", "flap", 0, "deg"),
        ("bank thirty degrees left", "bank", -30, "deg"),
        ("right bank forty five", "bank", 45, "deg"),
        ("wings level", "bank", 0, "deg"),
        ("altitude six thousand two hundred", "altitude", 6200, "ft"),
        ("fifty two hundred feet", "altitude", 5200, "ft"),
        ("heading two seven zero", "heading", 270, "deg"),
        ("heading two seventy three", "heading", 273, "deg"),
        ("fuel sixty litres", "fuel", 60, "L"),
        ("fuel ten gallons", "fuel", 37.854118, "L"),
    ],
)
def test_settings_are_never_airspeeds(pack, text, name, value, unit):
    (call,) = parse_words(text.split(), pack)

    assert (call.kind, call.name, call.value, call.unit) == (CallKind.SETTING, name, value, unit)


@pytest.mark.parametrize(
    "text",
    [
        "runway two seven",
        "we should be there in thirty five minutes",
        "contact approach on one two four decimal three",
        "squawk one two zero zero",
        "meadow traffic, number three for the left",
        "maybe climb another thousand",
        "passing six thousand two hundred",
        "wind is two four zero at eight",
        "the owner paid sixty for that propeller",
        "I'm fine a little queasy",
        "",
    ],
)
def test_talk_is_no_call(pack, text):
    assert [c for c in read(pack, text) if c[0] == "ias"] == []


def test_an_airspeed_beside_talk_is_kept_and_marked(pack):
    (call,) = parse_words(["erm", "call", "it", "fifty", "eight"], pack)

    assert (call.value, call.doubtful) == (58, True)
    assert not parse_words(["uh", "fifty", "eight", "knots"], pack)[0].doubtful


def test_where_the_words_are(pack):
    calls = parse_words(["that's", "Fifty-eight", "and", "heavy", "buffet"], pack)

    assert [(c.start, c.end, c.words) for c in calls] == [(1, 2, ("fifty", "eight")), (3, 5, ("heavy", "buffet"))]


def test_a_last_digit_alone_is_completed_from_the_call_before(pack):
    assert read(pack, "fifty eight seven fifty five") == [("ias", 58), ("ias", 57), ("ias", 55)]
    assert read(pack, "nine", 60) == [("ias", 59)]
    (call,) = parse_words(["seven"], pack)
    assert call.shorthand and call.value == 7, "nothing to complete it from: the digit stays a digit"


@pytest.mark.parametrize(
    "digit, previous, value",
    [(7, 58, 57), (9, 60, 59), (8, 51, 48), (2, 58, 52), (1, 60, 61), (5, 100, 95), (9, 110, 109)],
)
def test_completion_crosses_decades(digit, previous, value):
    assert complete_shorthand(digit, previous) == value


def test_a_digit_inside_talk_is_not_a_shorthand(pack):
    assert read(pack, "seven of them", 58) == []


def test_tokens_keep_their_origin():
    assert tokens_of(["That’s", "1,250ft", "58.5%"]) == (["that's", "1250", "ft", "58.5", "percent"], [0, 1, 1, 2, 2])

"""The rehearsal's score."""

from logger_app.fly.rehearsal import Line, score, script
from logger_app.records.calls import CallKind, HeardCall

LINES = (
    Line(say="on condition", kind=CallKind.EVENT, name="on_condition"),
    Line(say="fifty five", kind=CallKind.AIRSPEED, name="ias", value=55.0),
    Line(say="buffet", kind=CallKind.EVENT, name="buffet"),
    Line(say="fifty", kind=CallKind.AIRSPEED, name="ias", value=50.0),
)


def heard(*items):
    return [
        HeardCall(
            id=str(k),
            start_ns=k,
            end_ns=k,
            name="ias" if isinstance(what, float) else what,
            kind=CallKind.AIRSPEED if isinstance(what, float) else CallKind.EVENT,
            value=what if isinstance(what, float) else None,
        )
        for k, what in enumerate(items)
    ]


def test_all_right():
    result = score(LINES, heard("on_condition", 55.0, "buffet", 50.0))

    assert (result.right, result.extra, result.good) == (4, (), True)


def test_a_wrong_one_is_shown_as_what_it_was_heard():
    result = score(LINES, heard("on_condition", 59.0, "buffet", 15.0))

    assert [(a.right, a.heard) for a in result.answers] == [
        (True, "on condition"),
        (False, "59"),
        (True, "buffet"),
        (False, "15"),
    ]
    assert not result.good


def test_a_missed_one_does_not_shift_the_rest():
    result = score(LINES, heard(55.0, "buffet", 50.0))

    assert [a.right for a in result.answers] == [False, True, True, True]
    assert result.answers[0].heard == ""


def test_what_nobody_said_is_extra():
    result = score(LINES, heard("on_condition", 55.0, "break", "buffet", 50.0))

    assert result.right == 4
    assert result.extra == ("break",)


def test_nothing_heard():
    result = score(LINES, [])

    assert result.right == 0
    assert not result.good
    assert not score((), []).good


def test_the_script_is_in_the_teams_words_and_leaves_out_what_the_pack_has_not():
    words = {"on_condition": "we are set", "knock_it_off": "stop stop stop"}
    lines = script(lambda kind, name, value: f"say {value:g}" if value else words.get(name))

    assert [line.say for line in lines[:4]] == ["we are set", "say 55", "stop stop stop", "say 61"]
    assert len(lines) == 13  # two names, four speeds, seven tens words


def test_a_decade_heard_as_another_is_a_confusion_and_another_mistake_is_not():
    lines = (*LINES, Line(say="one fifteen", kind=CallKind.AIRSPEED, name="ias", value=115.0))
    result = score(lines, heard("on_condition", 65.0, "buffet", 60.0, 150.0))

    assert [(answer.line.say, pair) for answer, pair in result.confusions] == [
        ("fifty five", (6, 5)),
        ("one fifteen", (5, 1)),
    ]
    assert score(LINES, heard("on_condition", 59.0, "buffet", 50.0)).confusions == ()


def test_tens_words_are_asked_for_as_far_as_the_aircraft_shows_them():
    def said(*speeds):
        lines = script(lambda kind, name, value: f"{value:g}" if value else None, *speeds)
        return [line.value for line in lines if line.value % 10 == 0 or line.value > 100]

    assert said(36.0, 75.0) == [50, 60, 40, 70]
    assert said(80.0, 170.0) == [80, 90, 115, 150, 116, 160]

"""What a wing map says at a station, short and in full."""

import pytest

from logger_app.domain.tufts import Bracket, StationDifference, WingMap, first_separated, place_words
from logger_app.domain.wing_words import difference_cell, difference_words, first_words, map_cell


def bracket(attached=None, separated=None, **more):
    fields = {"low_kt": separated, "high_kt": attached, "separated": separated is not None} | more
    return Bracket(attached_kt=attached, separated_kt=separated, **fields)


@pytest.mark.parametrize(
    ("runs", "unit", "short", "words"),
    [
        ([bracket(56, 52)], "kt", "52-56", "attached at 56, separated at 52 kt"),
        ([bracket(56, 52)], "mph", "60-64", "attached at 64, separated at 60 mph"),  # x 1.150779
        ([bracket(46)], "kt", "<46", "not separated down to 46 kt"),
        ([bracket(None, 54)], "kt", ">54", "separated at 54 kt, not seen before"),
        ([bracket(47, separated=None, after=True)], "kt", "after", "attached at 47 kt, separated after the stall"),
        ([], "kt", "-", "not seen"),
        ([bracket(56, 52), bracket(54, 51)], "kt", "52-55", "first separated between 52 and 55 kt, mean of 2 runs"),
        ([bracket(46), bracket(44)], "kt", "<45", "not separated down to 45 kt in 2 runs"),
    ],
)
def test_first(runs, unit, short, words):
    runs = [one if not one.after else Bracket(attached_kt=47, high_kt=47, separated=True, after=True) for one in runs]
    assert first_words(first_separated("30/50", runs), unit) == (short, words)


@pytest.mark.parametrize(
    ("low", "high", "short", "words"),
    [
        (-6, -1, "-6..-1", "separates 1 to 6 kt slower with cuffs"),
        (1, 6, "+1..+6", "separates 1 to 6 kt faster with cuffs"),
        (-2, 3, "-2..+3", "no difference shown: -2 to +3 kt with cuffs"),
        (None, -3, "<-3", "separates more than 3 kt slower with cuffs"),
        (2, None, ">+2", "separates more than 2 kt faster with cuffs"),
        (None, 2, "<+2", "separates slower, or up to 2 kt faster, with cuffs"),
        (None, None, "-", "cannot be compared: no bound"),
    ],
)
def test_difference(low, high, short, words):
    assert difference_words(StationDifference(station="a", low_kt=low, high_kt=high), "cuffs", "kt") == (short, words)


def test_what_is_only_proposed_or_disputed_says_so():
    first = first_separated("a", [bracket(56, 52, proposed=True)], disputed=1)
    assert first_words(first, "kt")[1].endswith("(only proposed); observers disagree on 1 look, left out until settled")
    whole = WingMap(point="A1", configuration="x", view="w", first=(first,))
    assert map_cell(first, (whole,), "kt").words.endswith("!")
    assert first_words(first_separated("a", [], disputed=2), "kt")[0] == "!"


def test_colour_and_pattern_follow_how_early_and_how_large():
    firsts = tuple(first_separated(str(k), [bracket(v + 2, v)]) for k, v in enumerate((45, 50, 56)))
    whole = WingMap(point="A1", configuration="x", view="w", first=firsts)
    assert [map_cell(f, (whole,), "kt").tone for f in firsts] == [0, 1, 3]
    tones = [
        difference_cell(StationDifference(station="a", low_kt=m - 0.5, high_kt=m + 0.5), "kt") for m in (-8, -2, 0, 4)
    ]
    assert [(c.kind, c.tone) for c in tones] == [("slower", 3), ("slower", 1), ("none", None), ("faster", 2)]


def test_a_place_in_words():
    assert place_words("12.5/83.3") == "12.5 % span, 83.3 % chord"
    assert place_words("odd") == "odd"

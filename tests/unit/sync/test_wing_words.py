"""What stands at a station of a wing map, short and in full."""

import pytest

from logger_app.domain.tufts import TuftMark, TuftState, difference_map, place_words, span_map
from logger_app.domain.wing_words import difference_words, first_words

S, A = TuftState.SEPARATED, TuftState.ATTACHED


def mapped(name, *seen, proposed=False):
    marks = [
        TuftMark(flight_ns=k, camera="wing", frame_pts=k, station="30/50", state=state, ias_kt=ias, proposed=proposed)
        for k, (ias, state) in enumerate(seen)
    ]
    return span_map(name, marks, ("30/50",))


@pytest.mark.parametrize(
    ("seen", "unit", "short", "words"),
    [
        ([(47.2, S), (52, A)], "kt", "47", "first separated at 47 kt"),
        ([(47.2, S)], "mph", "54", "first separated at 54 mph"),  # 47.2 x 1.150779
        ([(52, A), (46, A)], "kt", "<46", "not separated down to 46 kt"),
        ([], "kt", "-", "not seen"),
    ],
)
def test_first(seen, unit, short, words):
    assert first_words(mapped("baseline", *seen).first[0], unit) == (short, words)


@pytest.mark.parametrize(
    ("before", "after", "short", "words"),
    [
        ([(50, S)], [(46, S)], "-4", "separates 4 kt slower with cuffs"),
        ([(46, S)], [(48, S)], "+2", "separates 2 kt faster with cuffs"),
        ([(46, S)], [(46.2, S)], "0", "separates at the same speed"),
        ([(50, S)], [(45, A)], "<-5", "separates more than 5 kt slower with cuffs"),
        ([(45, A)], [(50, S)], ">+5", "separates more than 5 kt faster with cuffs"),
        ([(50, S)], [(52, A)], "-", "baseline: first separated at 50 kt; cuffs: not separated down to 52 kt"),
        ([], [(50, S)], "-", "baseline: not seen; cuffs: first separated at 50 kt"),
    ],
)
def test_difference(before, after, short, words):
    a, b = mapped("baseline", *before), mapped("cuffs", *after)
    assert difference_words(difference_map(a, b)[0], a, b, "kt") == (short, words)


def test_what_is_only_proposed_says_so():
    a, b = mapped("baseline", (50, S), proposed=True), mapped("cuffs", (46, S))
    assert first_words(a.first[0], "kt")[1] == "first separated at 50 kt (only proposed)"
    assert difference_words(difference_map(a, b)[0], a, b, "kt")[1].endswith("(only proposed)")


def test_a_place_in_words():
    assert place_words("12.5/83.3") == "12.5 % span, 83.3 % chord"
    assert place_words("odd") == "odd"

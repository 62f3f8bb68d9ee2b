"""Cutting speech into calls, small words and talk."""

from logger_app.hear.segment import OTHER, Segmenter

FIFTY, SIXTY, THATS = "F IH F T IY", "S IH K S T IY", "DH AE T S"
EIGHT, SEVEN, ONE, TWO = "EY T", "S EH V AH N", "W AH N", "T UW"
RUNWAY, DECIMAL = "R AH N W EY", "D EH S AH M AH L"


def cut(tree, log_p):
    segmenter = Segmenter(tree)
    segmenter.feed(log_p)
    said = [
        "talk" if p.spelling == OTHER else " ".join(tree.units[tree.end_unit[p.spelling]].words)
        for p in segmenter.pieces()
    ]
    return said, segmenter


def test_calls_without_a_pause_between_them_are_separate(tree, spoken):
    said, _ = cut(tree, spoken(f"{FIFTY} {EIGHT} {FIFTY} {SEVEN}"))

    assert ["fifty eight", "fifty seven"] == said


def test_a_small_word_before_a_call_is_not_part_of_it(tree, spoken):
    said, _ = cut(tree, spoken(f"{THATS} {SIXTY} {ONE}"))

    assert ["that's", "sixty one"] == said


def test_two_digits_in_one_breath_are_one_number(tree, spoken):
    said, _ = cut(tree, spoken(f"{SEVEN} | {TWO}"))

    assert ["seven two"] == said


def test_words_of_no_call_are_talk(tree, spoken):
    said, _ = cut(tree, spoken(f"{RUNWAY} {TWO} {SEVEN}"))

    assert "talk" == said[0]


def test_pieces_are_in_order_and_do_not_overlap(tree, spoken):
    log_p = spoken(f"{THATS} {SIXTY} {ONE} {RUNWAY} {FIFTY} {SEVEN}")
    segmenter = Segmenter(tree)
    segmenter.feed(log_p)
    pieces = segmenter.pieces()

    assert all(piece.start < piece.end for piece in pieces)
    assert all(a.end <= b.start for a, b in zip(pieces, pieces[1:]))
    assert pieces[-1].end <= len(log_p)


def test_frames_one_by_one_or_all_at_once_give_the_same(tree, spoken):
    log_p = spoken(f"{FIFTY} {EIGHT} {FIFTY} {SEVEN}")
    single = Segmenter(tree)
    for row in log_p:
        single.feed(row[None])

    assert cut(tree, log_p)[1].pieces() == single.pieces()


def test_a_bare_ten_may_go_on_a_whole_number_does_not(tree, spoken):
    assert "speed" == cut(tree, spoken(FIFTY))[1].ends_in()
    assert "whole" == cut(tree, spoken(f"{FIFTY} {EIGHT}"))[1].ends_in()
    assert "talk" == cut(tree, spoken(DECIMAL))[1].ends_in()


def test_words_so_far_grow_with_the_sound(tree, spoken):
    log_p = spoken(f"{SIXTY} {ONE}")
    segmenter = Segmenter(tree)
    segmenter.feed(log_p[:27])
    early = segmenter.words()
    segmenter.feed(log_p[27:])

    assert "sixty one" == segmenter.words()
    assert early and "sixty one".startswith(early)


def test_a_word_of_a_setting_after_a_number_is_talk_beside_it(tree, spoken):
    log_p = spoken(f"{SIXTY} {ONE} P ER S EH N T")
    segmenter = Segmenter(tree)
    segmenter.feed(log_p)

    assert [False, True] == [
        tree.units[tree.end_unit[p.spelling]].ignored for p in segmenter.pieces() if p.spelling != OTHER
    ]

"""Events and negations as people narrate them: the sentences of the bench as text, and what must hold for their sound."""

import numpy as np
import pytest
import voices

from logger_app.hear.decode import Decoder, Stretch
from logger_app.hear.gate import Gate
from logger_app.hear.packs_io import load_pack
from logger_app.hear.parse import parse_words
from logger_app.hear.phrases import Slot
from logger_app.hear.segment import Segmenter
from logger_app.records.calls import CallKind

TALK = voices.SENTENCES.parent / "talk.txt"

# Belief from the posterior alone.
GATE = Gate(np.array([0.0, 3.0, 0.0, 0.0, 0.0, 0.0, 0.0]), np.array([2.0, 0, 0, 0, 0, 0]), np.ones(6), 0.0)


@pytest.mark.parametrize("language", ["en", "de"])
def test_every_sentence_is_read_as_what_it_means(language):
    pack = load_pack(language)

    read = {
        one.text: tuple((c.name, c.value) for c in parse_words(one.text.split(), pack, None if one.first else 60.0))
        for one in voices.sentences(language)
    }

    assert read == {one.text: one.calls for one in voices.sentences(language)}


@pytest.mark.parametrize("language", ["en", "de"])
def test_what_did_not_happen_has_a_sound(language):
    pack = load_pack(language)
    phrases = [phrase for phrase in pack.ignored if not any(isinstance(part, Slot) for part in phrase)]

    assert len(phrases) > 100
    assert [word for phrase in phrases for word in phrase if not pack.pronunciations(word)] == []


@pytest.mark.parametrize(
    ("language", "text", "expected"),
    [
        ("en", "it's braking", [("break", None)]),
        ("en", "58, braking, recovered", [("ias", 58), ("break", None), ("recovered", None)]),
        ("en", "there's the buffy", [("buffet", None)]),
        ("en", "steak on the stop", [("aft_stop", None)]),
        ("en", "stall morning", [("stall_warning", None)]),
        ("en", "knows dropped", [("nose_drop", None)]),
        ("en", "for tea", [("ias", 40)]),
        ("en", "sixty won", [("ias", 61)]),
        ("en", "50 to", [("ias", 52)]),
        ("de", "Strömung reist ab", [("break", None)]),
        ("de", "da ist die Hube", [("stall_warning", None)]),
        ("de", "dreissig", [("ias", 30)]),
        ("de", "Sack Flug", [("mush", None)]),
    ],
)
def test_what_sounds_alike_is_read_in_a_text_and_marked(language, text, expected):
    calls = parse_words(text.split(), load_pack(language), as_written=True)

    assert [(call.name, call.value) for call in calls] == expected
    assert any(call.alike for call in calls)
    assert all(" ".join(call.words) in text.lower() for call in calls if call.alike), "kept as it was written"
    assert not any(call.alike for call in parse_words(text.split(), load_pack(language))), "what was heard is no text"


@pytest.mark.parametrize(
    ("language", "text"),
    [
        ("en", "for tea we have scones"),
        ("en", "braking action is medium"),
        ("en", "we ate at the club"),
        ("en", "you too have a good one"),
        ("de", "sie reist ab nach Norden"),
        ("de", "der Lehrlauf ist neu"),
    ],
)
def test_plain_talk_is_not_taken_for_what_it_sounds_like(language, text):
    assert parse_words(text.split(), load_pack(language), 60.0, as_written=True) == []


# Single stalls, breaks and numbers that even a person could not tell from a call without the flight around them.
PLAIN_EVENTS = {
    "Break, break, all stations, airfield closed.",
    "Tower, break, second aircraft hold position.",
    "Standby one.",
}
PLAIN_SPEEDS = {
    "Sixty one, sixty, fifty nine was the last series.",
    "One two three four five six seven.",
    "Five, four, three, two, one, now.",
    "Fifty fifty, I would say.",
    "Twenty twenty vision.",
}


def test_talk_full_of_numbers_and_stall_words_makes_no_call_that_is_not_marked():
    """Our own talk, over 300 lines (data/talk.txt): an event, command or airspeed in it is none, or to be looked at."""
    pack = load_pack("en")
    lines = [line for line in TALK.read_text(encoding="utf-8").splitlines() if line and not line.startswith("#")]
    plain = {CallKind.AIRSPEED: set(), CallKind.EVENT: set(), CallKind.COMMAND: set(), CallKind.SETTING: set()}
    for line in lines:
        for call in parse_words(line.split(), pack, 60.0, as_written=True):
            if not (call.doubtful or call.alike or call.in_talk):
                plain[call.kind].add(line)

    assert len(lines) > 300
    assert plain[CallKind.EVENT] | plain[CallKind.COMMAND] <= PLAIN_EVENTS
    assert plain[CallKind.AIRSPEED] <= PLAIN_SPEEDS


def test_an_event_in_a_clause_of_its_own_is_sure_and_one_in_a_sentence_is_not():
    read = lambda text: [
        (call.name, call.doubtful) for call in parse_words(text.split(), load_pack("en"), as_written=True)
    ]

    assert read("58, left wing dropping, that was quick.") == [("ias", False), ("wing_drop_left", False)]
    assert read("last time the left wing went down") == [("wing_drop_left", True)]
    assert read("tell me when the horn goes off please") == []
    assert read("nose dropped nicely") == [("nose_drop", True)]


def names(tree, log_p):
    segmenter = Segmenter(tree)
    segmenter.feed(log_p)
    many = Stretch(log_p, np.full(len(log_p), 0.95), np.zeros(len(log_p)))
    return [found.call.name for found in Decoder(tree, GATE).calls(many, segmenter).calls]


@pytest.mark.parametrize(
    ("phones", "expected"),
    [
        ("DH EH R Z DH AH HH AO R N", ["stall_warning"]),  # there's the horn
        ("N OW HH AO R N", []),  # no horn
        ("S T AO L W AO R N IH NG N EH V ER W EH N T AO F", []),  # stall warning never went off
        ("IH T S N AA T B R EY K IH NG", []),  # it's not breaking
        ("N OW B R EY K", ["mush"]),  # no break
        ("N OW B R EY K Y EH T", []),  # no break yet
        ("SH IY Z D R AA P IH NG DH AH L EH F T", ["wing_drop_left"]),  # she's dropping the left
        ("OW K EY", []),  # a small word alone is no last digit
    ],
)
def test_what_is_said_to_have_not_happened_is_not_heard_as_happening(tree, spoken, phones, expected):
    assert names(tree, spoken(phones)) == expected

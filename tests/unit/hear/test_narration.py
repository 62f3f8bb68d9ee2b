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

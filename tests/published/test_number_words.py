"""Readings of numbers against two general libraries: num2words and word2number (both on the registry).

They are the independent reference; neither is used by the program.
"""

import pytest
from num2words import num2words
from word2number import w2n

from logger_app.hear.packs_io import load_pack
from logger_app.hear.parse import parse_words

PACK = load_pack("en")
GERMAN = load_pack("de")


@pytest.mark.parametrize("value", range(20, 300))
def test_the_pack_reads_what_num2words_writes(value):
    (call,) = parse_words(num2words(value).split(), PACK)

    assert value == call.value


def test_word2number_reads_what_the_pack_says():
    # word2number knows tens-and-units and hundreds; "five eight" and "one fifteen" are pilots' ways.
    general = {word for n in range(1, 100) for word in num2words(n).replace("-", " ").split()} | {"hundred", "and"}
    checked = set()
    for reading in PACK.airspeeds:
        plain = set(reading.words) <= general
        one_number = "hundred" in reading.words or (
            len(reading.words) == 1 or reading.words[0].endswith("ty") and len(reading.words) == 2
        )
        if plain and one_number:
            assert reading.value == w2n.word_to_num(" ".join(reading.words))
            checked.add(reading.value)

    assert checked == set(range(20, 300))


@pytest.mark.parametrize("value", range(500, 7001, 50))
def test_power_as_num2words_writes_it(value):
    calls = parse_words(f"{num2words(value)} rpm".split(), PACK)

    assert [(c.name, c.value, c.unit) for c in calls] == [("power", value, "rpm")]


@pytest.mark.parametrize("value", range(500, 12501, 100))
def test_altitude_as_num2words_writes_it(value):
    calls = parse_words(f"altitude {num2words(value)} feet".split(), PACK)

    assert [(c.name, c.value, c.unit) for c in calls] == [("altitude", value, "ft")]


@pytest.mark.parametrize("value", range(20, 300))
def test_the_german_pack_reads_what_num2words_writes(value):
    (call,) = parse_words([num2words(value, lang="de")], GERMAN)

    assert value == call.value


@pytest.mark.parametrize("value", range(1000, 6600, 100))
def test_german_thousands_as_num2words_writes_them(value):
    (call,) = parse_words(["Drehzahl", num2words(value, lang="de")], GERMAN)

    assert (call.name, call.value, call.unit) == ("power", value, "rpm")

"""A language is data: the second pack has units before tens and joined words, and no code of its own."""

import pytest

from logger_app.hear.packs_io import load_pack
from logger_app.hear.parse import parse_words
from logger_app.hear.phones import PHONES


@pytest.fixture(scope="module")
def de():
    return load_pack("de")


@pytest.mark.parametrize(
    "text, expected",
    [
        ("das sind achtundfünfzig", [("ias", 58)]),
        ("Siebenundfünfzig, fünf", [("ias", 57), ("ias", 55)]),
        ("fünf acht", [("ias", 58)]),
        ("hundertfünf", [("ias", 105)]),
        ("zwoundfünfzig", [("ias", 52)]),
        ("Klappen fünfzehn", [("flap", 15)]),
        ("klappen ein", [("flap", 0)]),
        ("eintausendneunhundert Umdrehungen", [("power", 1900)]),
        ("höhe fünftausend zweihundert", [("altitude", 5200)]),
        ("kurs zwo sieben null", [("heading", 270)]),
        ("linke fläche fällt und abgefangen", [("wing_drop_left", None), ("recovered", None)]),
        ("noch zwanzig minuten", []),
    ],
)
def test_calls(de, text, expected):
    assert [(c.name, c.value) for c in parse_words(text.split(), de)] == expected


def test_a_joined_number_sounds_like_its_parts(de):
    assert "AA K T UH N T F UW N F T S IH SH" in de.pronunciations("achtundfünfzig")
    assert all(set(phones.split()) <= set(PHONES) for phones in de.pronunciations("neunundneunzig"))

"""What the training voices are given to say."""

import random
from pathlib import Path

from num2words import num2words

from grammar.en.acoustic import texts

PACK = Path(texts.__file__).parent.parent / "callouts.toml"


def test_numbers_are_spelled_as_a_number_library_spells_them():
    """num2words, a general library, on every value below a hundred."""
    expected = [num2words(n).replace("-", " ") for n in range(100)]

    assert [texts.under_hundred(n) for n in range(100)] == expected


def test_every_template_of_the_pack_can_be_said():
    rng, phones = random.Random(4), texts.Phones()
    templates = texts.pack_templates(PACK, ignored=False)

    said = [texts.expand(t, rng) for t in templates for _ in range(5)]

    assert len(templates) > 150
    assert not [s for s in said if set(s) & set("[]()<>|")]
    assert not [s for s in said if phones.text(s) is None]


def test_callouts_are_the_same_for_the_same_seed():
    first = [texts.callout(random.Random(9)) for _ in range(20)]

    assert first == [texts.callout(random.Random(9)) for _ in range(20)]

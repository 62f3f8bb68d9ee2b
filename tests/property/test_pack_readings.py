"""Everything that a pack can say is read back as what it means: all of it, not a sample."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger_app.hear.packs import legal_calls
from logger_app.hear.packs_io import load_pack
from logger_app.hear.parse import parse_words

PACKS = {name: load_pack(name) for name in ("en", "de")}


@pytest.mark.parametrize("name", PACKS)
def test_every_legal_call_reads_back_as_itself(name):
    pack = PACKS[name]
    wrong = []
    for call in legal_calls(pack, all_values=True):
        read = parse_words(call.words, pack)
        if [(r.kind, r.name, r.value, r.shorthand) for r in read] != [
            (call.kind, call.name, call.value, call.shorthand)
        ]:
            wrong.append((call, read))

    assert wrong == []


@pytest.mark.parametrize("name", PACKS)
@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_fillers_around_a_call_change_nothing(name, data):
    pack = PACKS[name]
    speeds = [r for r in pack.airspeeds]
    reading = data.draw(st.sampled_from(speeds))
    before, after = (data.draw(st.lists(st.sampled_from(pack.fillers), max_size=2)) for _ in range(2))
    words = [w for filler in before for w in filler] + list(reading.words) + [w for filler in after for w in filler]

    assert [(c.name, c.value, c.doubtful) for c in parse_words(words, pack)] == [("ias", reading.value, False)]


@pytest.mark.parametrize("name", PACKS)
@settings(max_examples=200, deadline=None)
@given(words=st.lists(st.text(max_size=12), max_size=12))
def test_any_text_is_read_without_a_fault(name, words):
    calls = parse_words(words, PACKS[name])

    assert all(0 <= call.start < call.end <= len(words) for call in calls)
    assert all(a.end <= b.start + 1 for a, b in zip(calls, calls[1:]))

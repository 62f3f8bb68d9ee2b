"""Vosk around its decoder: where the model is, what grammar it gets, what its confidence is worth."""

import numpy as np
import pytest

from logger_app.errors import EngineError
from logger_app.hear import engine_vosk
from logger_app.hear.engine_vosk import UNKNOWN, VoskEngine, find_model, grammar_of
from logger_app.hear.sequence import read_sequence
from logger_app.records.calls import CallKind, Flag


class Script:
    """In place of Vosk: says what it is told, with full confidence, as Vosk does."""

    def __init__(self, *results):
        self.results = list(results)

    def SetWords(self, on):
        self.words_on = on

    def AcceptWaveform(self, data):
        return bool(self.results) and len(self.results) > 0 and self.results[0] is not None

    def Result(self):
        return self.results.pop(0)

    def PartialResult(self):
        return '{"partial": "fifty [unk]"}'

    def FinalResult(self):
        return '{"text": ""}'


def said(*words):
    items = ", ".join(f'{{"word": "{w}", "start": {a}, "end": {b}, "conf": 1.0}}' for w, a, b in words)
    return f'{{"result": [{items}], "text": "x"}}'


@pytest.fixture
def engine(monkeypatch, pack):
    class Model:
        def vosk_model_find_word(self, word):
            return 1

    def make(script, judge=True):
        monkeypatch.setattr(engine_vosk, "find_model", lambda given: given)
        monkeypatch.setattr(engine_vosk, "_vosk_model", lambda folder: Model())
        monkeypatch.setattr(VoskEngine, "_new", lambda self: script)
        if not judge:
            monkeypatch.setattr(engine_vosk, "_judge", lambda *_: None)
        return VoskEngine(pack)

    return make


def test_a_number_that_our_network_does_not_hear_is_refused(engine):
    """Vosk says "fifty eight" with confidence 1.0 for noise: that is exactly what may not get through."""
    rng = np.random.default_rng(0)
    noise = (rng.normal(size=32_000) * 1500).astype(np.int16)
    vosk = engine(Script(said(("fifty", 0.5, 0.9), ("eight", 0.9, 1.2))))

    assert [] == vosk.feed(noise) + vosk.finish()


def test_without_a_check_every_call_is_unsure(engine):
    vosk = engine(Script(said(("fifty", 0.5, 0.9), ("eight", 0.9, 1.2))), judge=False)
    (call,) = vosk.feed(np.zeros(3200, np.int16))

    assert 58.0 == call.value and call.posterior <= 0.5 and Flag.UNSURE in call.flags
    assert (0.5, 1.2) == (call.start_s, call.end_s)


def test_numbers_beside_unknown_words_are_read_with_doubt_or_not_at_all(engine):
    vosk = engine(
        Script(said((UNKNOWN, 0.1, 0.4), ("fifty", 0.5, 0.9), ("eight", 0.9, 1.2), (UNKNOWN, 1.2, 1.6))), judge=False
    )

    assert [] == vosk.feed(np.zeros(3200, np.int16))


@pytest.mark.parametrize(
    "words, in_talk",
    [
        (["sixty", "five", "percent", UNKNOWN], True),  # "sixty five percent humidity"
        ([UNKNOWN, "flaps", "twenty", UNKNOWN], True),  # "he had flaps twenty at the time"
        (["flaps", "twenty"], False),
    ],
)
def test_a_setting_within_a_sentence_is_no_set_up(engine, words, in_talk):
    script = Script(said(*((word, 0.3 * k, 0.3 * k + 0.3) for k, word in enumerate(words))))
    (call,) = engine(script, judge=False).feed(np.zeros(3200, np.int16))

    assert (call.kind, Flag.IN_TALK in call.flags) == (CallKind.SETTING, in_talk)


def test_last_digits_go_on_from_the_airspeed_before_them_also_over_a_pause(engine):
    """53 and 210 before; and our network was asked for a "fifty two" where only "two" was said."""
    one = said(*((word, 0.4 * k, 0.4 * k + 0.3) for k, word in enumerate(["fifty", "three", "two"])))
    two = said(*((word, 3.0 + 0.3 * k, 3.2 + 0.3 * k) for k, word in enumerate(["one", "zero", "nine", "eight"])))
    vosk, asked = engine(Script(one, two)), []
    vosk._judge[1].belief_in = lambda span, meaning: asked.append(meaning[2]) or 1.0
    vosk._log_p, vosk._activity, vosk._talk = np.zeros((300, 40)), np.zeros(300), np.zeros(300)
    calls = vosk.feed(np.zeros(6400, np.int16))
    vosk.reset()
    vosk._recogniser = Script(two)
    alone = vosk.feed(np.zeros(3200, np.int16))

    assert [call.value for call in read_sequence(calls)] == [53, 52, 51, 50, 49, 48]
    assert asked == [53, 2, 1, 0, 9, 8]
    assert alone == []  # four digits that go on from nothing


def test_partial_words_come_without_the_unknown_word(engine):
    vosk = engine(Script(), judge=False)
    vosk.feed(np.zeros(3200, np.int16))

    assert "fifty" == vosk.partial()


def test_the_grammar_holds_only_words_that_the_model_knows(pack):
    knows = {"fifty", "eight", "buffet", UNKNOWN}.__contains__
    grammar = grammar_of(pack, 20, 199, "kt", knows)

    assert {"fifty", "fifty eight", "buffet", UNKNOWN} <= set(grammar)
    assert {"fifty", "eight", "buffet", UNKNOWN} >= {word for phrase in grammar for word in phrase.split()}
    with pytest.raises(EngineError, match="no word of language pack en"):
        grammar_of(pack, 20, 199, "kt", lambda word: False)


def test_a_missing_model_says_what_to_fetch_and_where_to_put_it(monkeypatch, tmp_path):
    monkeypatch.setenv("KNEECALL_HOME", str(tmp_path))
    with pytest.raises(EngineError, match="vosk-model-small-en-us") as raised:
        find_model(None)
    model = tmp_path / "models" / "vosk" / "some-model" / "am"
    model.mkdir(parents=True)
    (model / "final.mdl").write_bytes(b"x")

    assert str(tmp_path / "models" / "vosk") in str(raised.value)
    assert model.parent == find_model(None)

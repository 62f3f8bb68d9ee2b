"""Sound files in and out, held against files that ffmpeg made, and hostile or broken ones."""

import subprocess

import numpy as np
import pytest

from logger_app.errors import SoundError
from logger_app.io.sound import RATE_HZ, encode_opus, open_sound, read_sound_file, write_flac

SECONDS = 3.0


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A beep of 1 kHz from 1.0 to 1.5 s, in every format."""
    folder = tmp_path_factory.mktemp("made")
    beep = "sine=f=1000:r=48000:d=3,volume='between(t,1,1.5)':eval=frame"
    for name, options in {
        "a.wav": ["-ac", "1"],
        "b.flac": ["-ar", "44100", "-ac", "2"],
        "c.mp3": ["-ar", "22050"],
        "d.m4a": [],
        "e.mp4": [],
        "f.mov": [],
        "g.ogg": ["-c:a", "libopus"],
        "h8k.wav": ["-ar", "8000"],
    }.items():
        run(["-f", "lavfi", "-i", beep, *options, str(folder / name)])
    run(["-f", "lavfi", "-i", "testsrc=d=3:r=10:s=64x48", str(folder / "silent.mp4")])
    run(
        [
            "-f",
            "lavfi",
            "-i",
            "testsrc=d=3:r=10:s=64x48",
            "-itsoffset",
            "0.7",
            "-f",
            "lavfi",
            "-i",
            beep,
            "-shortest",
            str(folder / "late.mp4"),
        ]
    )
    return folder


def run(options):
    subprocess.run(["ffmpeg", "-v", "error", "-y", *options], check=True, stdin=subprocess.DEVNULL)


def beep_span_s(pcm):
    loud = np.flatnonzero(np.abs(pcm.astype(float)) > 0.3 * np.abs(pcm).max())
    return loud[0] / RATE_HZ, loud[-1] / RATE_HZ


@pytest.mark.parametrize("name", ["a.wav", "b.flac", "c.mp3", "d.m4a", "e.mp4", "f.mov", "g.ogg", "h8k.wav"])
def test_every_format_keeps_the_time_of_the_beep(made, name):
    pcm = read_sound_file(made / name)

    start_s, end_s = beep_span_s(pcm)
    assert start_s == pytest.approx(1.0, abs=0.06)
    assert end_s == pytest.approx(1.5, abs=0.06)
    assert pcm.dtype == np.int16


def test_a_stream_that_starts_late_keeps_its_offset(made):
    with open_sound(made / "late.mp4") as stream:
        pcm = np.concatenate(list(stream.blocks()))

        assert stream.start_s + beep_span_s(pcm)[0] == pytest.approx(1.7, abs=0.03)


def test_blocks_are_whole_but_for_the_last(made):
    with open_sound(made / "a.wav") as stream:
        sizes = [len(block) for block in stream.blocks(0.7)]

    assert set(sizes[:-1]) == {11200}
    assert sum(sizes) == pytest.approx(SECONDS * RATE_HZ, abs=2)


def test_a_dead_channel_costs_no_level(made, tmp_path):
    run(["-i", str(made / "a.wav"), "-af", "pan=stereo|c0=c0|c1=0*c0", str(tmp_path / "half.wav")])

    alone, half = read_sound_file(made / "a.wav"), read_sound_file(tmp_path / "half.wav")

    assert np.abs(half).max() == pytest.approx(np.abs(alone).max(), rel=0.02)


def test_flac_is_exact_and_opus_is_close(tmp_path):
    rng = np.random.default_rng(1)
    pcm = (3000 * np.sin(np.arange(RATE_HZ) / 5) + rng.normal(0, 50, RATE_HZ)).astype(np.int16)
    path = tmp_path / "a b é.flac"

    write_flac(path, pcm)
    (tmp_path / "o.ogg").write_bytes(encode_opus(pcm))

    assert np.array_equal(read_sound_file(path), pcm)
    assert [p.name for p in tmp_path.glob(".*")] == []
    back = read_sound_file(tmp_path / "o.ogg")
    assert abs(len(back) - len(pcm)) <= 1000
    assert np.std(back.astype(float)) == pytest.approx(np.std(pcm.astype(float)), rel=0.1)


@pytest.mark.parametrize(
    ("name", "content", "description"),
    [
        ("empty.wav", b"", "is empty"),
        ("text.wav", b"these are words, not sound\n" * 50, "not a sound"),
        ("zeros.mp4", bytes(5000), "not a sound"),
    ],
)
def test_what_is_no_sound_is_said_in_one_sentence(tmp_path, name, content, description):
    (tmp_path / name).write_bytes(content)

    with pytest.raises(SoundError, match=description) as err:
        read_sound_file(tmp_path / name)

    assert name in str(err.value) and "\n" not in str(err.value)


def test_missing_folder_address_and_silent_video(made, tmp_path):
    with pytest.raises(SoundError, match="no such file"):
        read_sound_file(tmp_path / "nowhere.wav")
    with pytest.raises(SoundError, match="is not a file"):
        read_sound_file(tmp_path)
    with pytest.raises(SoundError, match="no such file"):
        read_sound_file("http://localhost/a.wav")
    with pytest.raises(SoundError, match="no sound track"):
        read_sound_file(made / "silent.mp4")


@pytest.mark.parametrize("name", ["a.wav", "b.flac", "d.m4a", "e.mp4"])
def test_a_file_that_was_cut_off_is_refused(made, tmp_path, name):
    data = (made / name).read_bytes()
    (tmp_path / name).write_bytes(data[: len(data) // 2])

    with pytest.raises(SoundError, match="cut off|damaged"):
        read_sound_file(tmp_path / name)

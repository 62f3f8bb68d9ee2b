"""Camera files, chapters, late sound and sweeps, through real containers that ffmpeg writes."""

import subprocess
import wave
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from logger_app.errors import SyncError
from logger_app.sync import link_io
from logger_app.sync.align import Alignment
from logger_app.sync.link_io import by_hand, link_cameras
from logger_app.sync.media_io import CameraFile
from logger_app.sync.onsets import onset_envelope
from logger_app.sync.signature import signature

RATE = 16_000


def camera(path, sound, seconds, sound_late_s=0.0):
    """A small video with this sound; the sound may begin late in the file."""
    held = path.with_suffix(".wav")
    with wave.open(str(held), "wb") as out:
        out.setnchannels(1), out.setsampwidth(2), out.setframerate(RATE)
        out.writeframes(sound.astype("<i2").tobytes())
    picture = ["-f", "lavfi", "-i", f"color=c=gray:s=64x48:r=10:d={seconds}"]
    coded = ["-map", "0:v", "-map", "1:a", "-c:v", "libx264", "-preset", "ultrafast", "-c:a", "aac", "-b:a", "96k"]
    late = ["-itsoffset", str(sound_late_s)] if sound_late_s else []
    subprocess.run(
        ["ffmpeg", "-v", "error", "-y", *picture, *late, "-i", held, *coded, path], check=True, stdin=subprocess.DEVNULL
    )
    held.unlink()
    return path


def blocks(sound):
    yield from np.array_split(sound, 7)


def test_chapters_with_gaps_and_late_sound_are_one_camera(tmp_path, microphones):
    flight, heard = microphones(160, -8.0, 50, 15, 41)
    spans = [(0.0, 60.0), (60.8, 118.0), (118.9, 160.0)]
    files = []
    for k, (begin, end) in enumerate(spans):
        # The third file's sound begins 0.4 s after its pictures do.
        late_s = 0.4 if k == 2 else 0.0
        part = heard[round((begin + late_s) * RATE) : round(end * RATE)]
        files.append(camera(tmp_path / f"wing_{9 + k}.mp4", part, end - begin, late_s))
    shares = []
    linked = link_cameras(
        blocks(flight), [files[2], files[0], files[1]], progress=lambda share, what: shares.append(share)
    )

    assert [one.accepted for one in linked] == [True] * 3, [one.why for one in linked]
    assert [one.chapter for one in linked] == [3, 1, 2] and len({one.camera for one in linked}) == 1
    for one, (begin, end) in zip(linked, (spans[2], spans[0], spans[1])):
        for at_s in (0.5, end - begin - 0.5):
            true_s = -8.0 + (begin + at_s) * (1 + 50e-6)
            assert abs(one.clock_map.to_flight_s(at_s) - true_s) < 0.02
        assert len(one.sha256) == 64
    assert shares == sorted(shares) and shares[-1] == 1.0


def test_a_sweep_serves_where_there_is_no_common_sound(tmp_path, cockpit_noise):
    flight, other = cockpit_noise(60, 51).astype(float), cockpit_noise(60, 52).astype(float)
    sweep = 6000 * signature()
    flight[20 * RATE : 20 * RATE + len(sweep)] += sweep
    other[31 * RATE : 31 * RATE + len(sweep)] += sweep
    sounds = [np.clip(s, -32768, 32767).astype(np.int16) for s in (flight, other)]
    file = camera(tmp_path / "nose.mp4", sounds[1], 60)
    (both,) = link_cameras(blocks(sounds[0]), [file])
    (played,) = link_cameras(blocks(cockpit_noise(60, 53)), [file], played_s=[20.0])
    (none,) = link_cameras(blocks(cockpit_noise(60, 53)), [file])

    assert both.accepted and both.clock_map.method == "signature" and "1 sync signature" in both.why
    assert both.clock_map.offset_s == pytest.approx(-11.0, abs=0.01)
    assert played.accepted and played.clock_map.u_s >= 0.05, (
        "where the flight's microphone did not hear it, it is less sure"
    )
    assert not none.accepted


def test_one_faint_sweep_by_itself_is_no_answer(tmp_path, cockpit_noise):
    """At -20 dB a sweep is hardly more than talk can look like: two that agree are believed, one is not."""
    wave = signature()
    flight, other = cockpit_noise(130, 3).astype(float), cockpit_noise(130, 4).astype(float)
    faint = [sound.std() / wave.std() * 10 ** (-20 / 20) * wave for sound in (flight, other)]
    one, two = [flight.copy(), other.copy()], [flight.copy(), other.copy()]
    for k, at_s in enumerate((20.5, 101.123)):
        for j, shift_s in enumerate((0.0, 4.0)):
            first = round((at_s + shift_s) * RATE)
            two[j][first : first + len(wave)] += faint[j]
            if k == 0:
                one[j][first : first + len(wave)] += faint[j]
    found = []
    for name, (mine, heard) in (("one", one), ("two", two)):
        sounds = [np.clip(sound, -32768, 32767).astype(np.int16) for sound in (mine, heard)]
        found += link_cameras(blocks(sounds[0]), [camera(tmp_path / f"{name}.mp4", sounds[1], 130)])

    assert not found[0].accepted
    assert found[1].accepted and found[1].clock_map.offset_s == pytest.approx(-4.0, abs=0.01)


class Held:
    """Two chapters' sounds in memory, where files are looked for."""

    def __init__(self, parts):
        self.files = [
            CameraFile(
                path=Path(f"wing_{k}.mp4"),
                duration_s=len(part) / RATE,
                width=64,
                height=48,
                fps=10,
                codec="h264",
                sound_hz=RATE,
            )
            for k, part in enumerate(parts)
        ]
        self.sounds = {file.path: part for file, part in zip(self.files, parts)}

    def camera(self, path):
        return self.sounds[path], 0.0, ""


def settled(flight, parts):
    held = Held(parts)
    run = link_io._Camera(held, flight, onset_envelope([flight]), held.files, ())
    for k in range(len(parts)):
        run.place(k, lambda share: None)
    alone = list(run.found)
    run.settle()
    return alone, run.found


def test_two_chapters_too_faint_by_themselves_confirm_each_other(microphones):
    flight, heard = microphones(60, -6.0, 50, -12, 36)
    parts = [heard[: 30 * RATE], heard[round(30.5 * RATE) :]]
    alone, both = settled(flight, parts)
    _, other = microphones(60, -6.0, 50, -12, 36, common=False)
    _, wrong = settled(flight, [parts[0], other[round(30.5 * RATE) :]])

    assert not any(one.accepted for one in alone) and all(one.accepted for one in both)
    for one, begin in zip(both, (0.0, 30.5)):
        assert "two chapters" in one.why and dict(one.evidence)["log10_chance_of_two"] < -6
        assert abs(one.offset_s - (-6.0 + begin * (1 + 50e-6))) < 0.02
    assert not any(one.accepted for one in wrong), "a chapter with other sound confirms nothing"


@pytest.mark.parametrize(
    "first, second, windows, placed",
    [
        (-4.0, -3.0, 6, True),
        (-3.1, -3.1, 6, False),
        (-4.0, -3.0, 3, False),
        (-4.0, None, 6, False),
        (None, -9.0, 6, False),
    ],
)
def test_two_chapters_are_placed_only_where_both_are_worth_it(monkeypatch, first, second, windows, placed):
    """The chance of both by accident is the product; with two ways to pair two chapters it must be under 10**-6.3."""

    def place(chance, offset_s):
        evidence = (("windows_agree", windows), ("log10_chance", chance))
        return Alignment(
            accepted=True, why="", offset_s=offset_s, drift_ppm=0.0, u_s=0.01, to_s=30.0, evidence=evidence
        )

    def align(flight, sound, *, prior=None, **rest):
        refused = Alignment(accepted=False, why="no")
        if prior is not None:
            return refused if second is None else place(second, prior.lag_s)
        likeliest = None if first is None or sound[0] else place(first, 5.0)
        return replace(refused, evidence=likeliest.evidence, likeliest=likeliest) if likeliest else refused

    monkeypatch.setattr(link_io, "align", align)
    _, found = settled(np.zeros(90 * RATE, np.int16), [np.full(30 * RATE, k, np.int16) for k in range(2)])

    assert [one.accepted for one in found] == [placed, placed]


def test_by_hand_with_two_marks_gives_the_drift(tmp_path, cockpit_noise):
    file = camera(tmp_path / "a.mp4", cockpit_noise(12, 1), 700)
    one, two = by_hand(file, [(5.0, 17.0)]), by_hand(file, [(5.0, 17.0), (695.0, 707.07)])

    assert (one.clock_map.offset_s, one.clock_map.drift_ppm) == (12.0, 0.0)
    assert two.clock_map.drift_ppm == pytest.approx(0.07 / 690 * 1e6, rel=0.01)
    assert one.clock_map.u_s > two.clock_map.u_s > 0.05
    with pytest.raises(SyncError, match="disagree"):
        by_hand(file, [(5.0, 17.0), (100.0, 300.0)])
    with pytest.raises(SyncError, match="expected 0 to 700"):
        by_hand(file, [(900.0, 17.0)])

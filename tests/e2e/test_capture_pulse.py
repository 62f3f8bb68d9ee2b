"""Real capture: a private sound server plays a known sound, `fly` records it through PortAudio.

The server is PulseAudio with a null sink whose monitor is the default microphone, for these
processes only; nothing of the machine's own sound is touched.
"""

import json
import os
import shutil
import signal
import subprocess
import sys
import time
import wave
from pathlib import Path

import numpy as np
import pytest

from logger_app.logstore.audio_io import read_sound
from logger_app.logstore.store import Journal
from logger_app.records.journal import RowKind

ROOT = Path(__file__).resolve().parents[2]
RATE_HZ = 16_000
HALF = RATE_HZ // 2
CONFIG = """
load-module module-native-protocol-unix socket={socket} auth-anonymous=1
load-module module-null-sink sink_name=cockpit rate=16000 channels=1 norewinds=1
set-default-sink cockpit
set-default-source cockpit.monitor
"""
ALSA = "pcm.!default { type pulse }\nctl.!default { type pulse }\n"


class Environment(dict):
    """For processes that use the server; `server` is its process."""

    server: subprocess.Popen


@pytest.fixture
def sound_server(tmp_path):
    """Environment in which the default microphone is what the default loudspeaker plays."""
    needed = [tool for tool in ("pulseaudio", "pactl", "pacat") if not shutil.which(tool)]
    if needed:
        pytest.fail(f"needed for this test: {', '.join(needed)}")
    home, run = tmp_path / "home", tmp_path / "run"
    for folder in (home, run, run / "pulse"):
        folder.mkdir(mode=0o700)
    (home / ".asoundrc").write_text(ALSA)
    socket = run / "pulse" / "native"
    (tmp_path / "pulse.conf").write_text(CONFIG.format(socket=socket))
    env = Environment({k: v for k, v in os.environ.items() if k not in ("ALSA_CONFIG_PATH", "SDL_VIDEODRIVER")})
    env |= {
        "HOME": str(home),
        "XDG_RUNTIME_DIR": str(run),
        "PULSE_RUNTIME_PATH": str(run / "pulse"),
        "PULSE_SERVER": f"unix:{socket}",
        "PULSE_LATENCY_MSEC": "40",
        "KNEECALL_HOME": str(home / "kneecall"),
    }
    server = subprocess.Popen(
        [
            "pulseaudio",
            "-n",
            "-F",
            str(tmp_path / "pulse.conf"),
            "--daemonize=no",
            "--exit-idle-time=-1",
            "--disallow-exit=true",
            "--log-level=error",
            "--use-pid-file=no",
        ],
        env=env,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    deadline = time.monotonic() + 60
    while subprocess.run(["pactl", "info"], env=env, capture_output=True, check=False).returncode:
        assert time.monotonic() < deadline, "the sound server does not start"
        time.sleep(0.1)
    # A null sink renders in large pieces unless a client keeps asking for small ones.
    keeper = subprocess.Popen(
        ["pacat", "--raw", "--rate=16000", "--channels=1", "--latency-msec=20", "/dev/zero"], env=env
    )
    env.server = server
    yield env
    for process in (keeper, server):
        process.send_signal(signal.SIGCONT)
        process.terminate()
        process.wait(60)


def tone_steps() -> np.ndarray:
    """A known sound with nothing alike at two places: noise, louder and softer, 6 s."""
    chance = np.random.default_rng(11)
    loud = np.repeat(chance.uniform(0.2, 1.0, 60), RATE_HZ // 10)
    return (loud * chance.normal(0, 4000, len(loud))).clip(-30_000, 30_000).astype(np.int16)


def best_lag(recorded: np.ndarray, played: np.ndarray) -> int:
    """Where in the recording the played sound begins (circular correlation by FFT) [samples]."""
    n = 1 << (len(recorded) + len(played)).bit_length()
    spectrum = np.fft.rfft(recorded.astype(float), n) * np.conj(np.fft.rfft(played.astype(float), n))
    return int(np.argmax(np.fft.irfft(spectrum, n)[: len(recorded)]))


@pytest.mark.slow
def test_what_was_played_is_what_was_recorded(sound_server, tmp_path):
    campaign = tmp_path / "campaign"
    campaign.mkdir()
    shutil.copy(ROOT / "demo_sessions" / "sparrow_cuffs" / "inputs" / "campaign.toml", campaign)
    played = tone_steps()
    with wave.open(str(tmp_path / "played.wav"), "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(RATE_HZ)
        out.writeframes(played.tobytes())
    fly = subprocess.Popen(
        [
            sys.executable,
            "-m",
            "logger_app",
            "fly",
            str(campaign),
            "--flight",
            "day1_baseline",
            "--no-screen",
            "--json",
        ],
        env=sound_server,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
    )
    folder = campaign / "flights" / "day1_baseline"

    def recorded_s(more_than_s):
        deadline = time.monotonic() + 60
        while (now_s := sum(path.stat().st_size for path in folder.glob("audio/*.wav")) / 2 / RATE_HZ) < more_than_s:
            assert time.monotonic() < deadline and fly.poll() is None, fly.communicate(timeout=5)
            time.sleep(0.05)
        return now_s

    # Under load the sound server itself slips, without a word to PortAudio: what did not come through is played again.
    came_at_s, halves = {}, len(played) // HALF - 1
    try:
        for _ in range(8):
            from_s = recorded_s(1.0)
            subprocess.run(["paplay", str(tmp_path / "played.wav")], env=sound_server, check=True)
            recorded_s(recorded_s(0.0) + 1.0)
            found = halves_in_place(read_sound(folder, from_s, 600), played)
            print(f"{len(found)} of {halves} half seconds in place")
            came_at_s |= {k: from_s + at / RATE_HZ for k, at in found.items()}
            if len(came_at_s) == halves:
                break
        fly.send_signal(signal.SIGINT)
        out, err = fly.communicate(timeout=60)
    finally:
        fly.kill()

    assert fly.returncode == 130, err
    assert sorted(came_at_s) == list(range(halves))
    for row in map(json.loads, out.splitlines()):
        if row["row"] == "gap":  # what was lost lies between what came through
            assert not [
                at_s for at_s in came_at_s.values() if row["start_s"] < at_s + 0.45 and row["end_s"] > at_s + 0.05
            ]


def halves_in_place(recorded, played):
    """Which half seconds of what was played are recorded, alike and within 30 ms of their place, and where [samples]."""
    lag, found = best_lag(recorded, played), {}
    for k in range(len(played) // HALF - 1):
        first, piece = max(0, lag + k * HALF - 4000), played[k * HALF : (k + 1) * HALF]
        at = first + best_lag(recorded[first : first + 2 * HALF], piece)
        same = recorded[at : at + HALF]
        in_place = abs(at - lag - k * HALF) <= 0.03 * RATE_HZ
        if in_place and len(same) == HALF and np.corrcoef(same, piece)[0, 1] > 0.98:
            found[k] = at
    return found


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_sound_server_that_hangs_holds_up_neither_alarm_nor_landing(sound_server, tmp_path, number):
    campaign = tmp_path / "campaign"
    campaign.mkdir()
    shutil.copy(ROOT / "demo_sessions" / "sparrow_cuffs" / "inputs" / "campaign.toml", campaign)
    words = ["fly", str(campaign), "--flight", "day1_baseline", "--no-screen"]
    with (tmp_path / "said").open("wb") as said:
        fly = subprocess.Popen(
            [sys.executable, "-m", "logger_app", *words],
            env=sound_server,
            stdout=subprocess.DEVNULL,
            stderr=said,
            cwd=ROOT,
        )

    def told(text):
        deadline = time.monotonic() + 60
        while text not in (tmp_path / "said").read_text("utf-8", "replace"):
            assert time.monotonic() < deadline and fly.poll() is None, (tmp_path / "said").read_text()
            time.sleep(0.05)

    told("recording")
    time.sleep(1.0)  # let it record a little: that is the trial, no condition to wait for
    sound_server.server.send_signal(signal.SIGSTOP)
    told("microphone lost")
    fly.send_signal(number)
    try:
        assert fly.wait(60) == 1
    finally:
        fly.kill()
    text = (tmp_path / "said").read_text()

    assert "did not finish in time" in text or "not played" in text
    assert "s were not recorded (microphone lost)" in text
    with Journal.open(campaign / "flights" / "day1_baseline", read_only=True) as journal:
        rows = list(journal.rows(RowKind.STEP, RowKind.GAP))
    assert rows[-1].kind is RowKind.GAP or rows[-1].body["step"] == "landed"
    assert any(row.kind is RowKind.GAP for row in rows)


@pytest.mark.slow
def test_a_sound_server_that_hangs_at_the_start_refuses_the_flight(sound_server, tmp_path):
    campaign = tmp_path / "campaign"
    campaign.mkdir()
    shutil.copy(ROOT / "demo_sessions" / "sparrow_cuffs" / "inputs" / "campaign.toml", campaign)
    sound_server.server.send_signal(signal.SIGSTOP)
    done = subprocess.run(
        [sys.executable, "-m", "logger_app", "fly", str(campaign), "--flight", "day1_baseline", "--no-screen"],
        env=sound_server,
        capture_output=True,
        text=True,
        cwd=ROOT,
        timeout=60,
        check=False,
    )

    assert done.returncode == 1
    assert "got no sound" in done.stderr
    assert not (campaign / "flights").exists()

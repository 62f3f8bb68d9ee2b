"""Make the demo campaign's cockpit sound and its truth: an invented aircraft, an invented change.

Not run by the program or the tests: it needs `flite` (a free speech synthesiser) on the path.
Everything is drawn from one seed, so a second run gives the same sound up to the encoder.

    python demo_sessions/make_demo.py            writes inputs/*.opus and expected/*.json

What is made, per run: a true approach (speed against time with a wander), the pilot's readings of
it (whole knots, read and then spoken half a second later), the words in the styles pilots use, and
the sound: a voice through a headset microphone, engine orders and wind on top, radio and talk
between. The truth of a configuration is a calibrated stall speed at the reference weight; the
indicated one of each run follows from its weight, its entry rate and the campaign's calibration.
"""

from __future__ import annotations

import json
import math
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path

import numpy as np
from scipy import signal

HERE = Path(__file__).resolve().parent / "sparrow_cuffs"
RATE = 16_000
SNR_DB = 17.0  # speech over noise in the headset band; a noise-cancelling microphone in a light aircraft
LAG_S = 0.5  # needle to word, as the campaign's indicator says
SLOPE = -0.3  # kt of stall speed per kt/s of entry rate, about 1 kt/s

# CAS at the stall at the reference weight and 1 kt/s, by configuration and point [kt].
TRUTH_CAS_KT = {
    "baseline": {"A1": 49.2, "A2": 46.6, "A3": 44.9, "B1": 47.0},
    "cuffs": {"A1": 47.4, "A2": 45.0, "A3": 44.0, "B1": 44.7},
}
SETUP = {
    "A1": ["power idle", "flaps up"],
    "A2": ["flaps fifteen"],
    "A3": ["flaps thirty"],
    "B1": ["flaps up", "twenty one hundred rpm"],
}
PILOT = "rms"
UNITS = ["zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"]
TEENS = ["ten", "eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen"]
TENS = ["_", "_", "twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety"]
TALK = [
    ("awb", "meadow traffic, glider on left downwind, meadow"),
    ("slt", "nice view of the lake down there"),
    ("slt", "the haze is thicker to the west"),
    ("awb", "all stations, the parachute zone is closed for today"),
    ("slt", "I can see the tufts moving on the monitor"),
    ("rms", "okay let's set up for the next one"),
    ("rms", "clearing turn to the left"),
    ("awb", "meadow traffic, tractor is off the grass now"),
    ("slt", "that was a smooth one"),
    ("rms", "give me a moment to trim"),
    ("slt", "my ears are popping"),
]
SAY = {"buffet": "buffit"}


def spoken(value: int) -> str:
    """Tens and units, as most pilots say it."""
    if value >= 100:
        rest = value - 100
        return "one hundred" if not rest else f"one {spoken(rest)}" if rest >= 10 else f"one oh {UNITS[rest]}"
    if value < 20:
        return (UNITS + TEENS)[value]
    return TENS[value // 10] + (f" {UNITS[value % 10]}" if value % 10 else "")


def words_for(value: int, previous: int | None, rng) -> str:
    """One of the ways to call a speed: plain, with a small word, digit by digit, last digit only."""
    draw = rng.random()
    if previous is not None and previous // 10 == value // 10 and value % 10 and draw < 0.16:
        return UNITS[value % 10]
    if draw < 0.28:
        return rng.choice(["that's", "now", "and", "uh"]) + " " + spoken(value)
    if draw < 0.36 and value < 100 and value % 10:
        return f"{UNITS[value // 10]} {UNITS[value % 10]}"
    return spoken(value)


class Voice:
    """Words to trimmed 16 kHz sound, with a small store so that a phrase is made once."""

    def __init__(self, folder: Path):
        self.folder = folder
        self.made: dict[tuple, np.ndarray] = {}

    def say(self, voice: str, text: str, stretch: float) -> np.ndarray:
        key = (voice, text, round(stretch, 2))
        if key not in self.made:
            path = self.folder / "say.wav"
            said = " ".join(SAY.get(word, word) for word in text.split())
            command = [
                "flite",
                "-voice",
                voice,
                "--setf",
                f"duration_stretch={stretch:.2f}",
                "-t",
                said,
                "-o",
                str(path),
            ]
            subprocess.run(command, check=True, capture_output=True)
            from scipy.io import wavfile

            rate, sound = wavfile.read(path)
            sound = signal.resample_poly(sound.astype(float), RATE, rate) if rate != RATE else sound.astype(float)
            self.made[key] = _trim(sound)
        return self.made[key]


def _trim(sound: np.ndarray) -> np.ndarray:
    level = np.sqrt(np.convolve(sound**2, np.ones(160) / 160, "same"))
    loud = np.flatnonzero(level > 0.02 * level.max())
    sound = sound[loud[0] : loud[-1] + 1]
    return sound / np.sqrt(np.mean(sound**2))


class Tape:
    """What is said when, with its truth, and how fast and at what power the aircraft is."""

    def __init__(self, rng, voice: Voice):
        self.rng, self.voice = rng, voice
        self.t = 2.0
        self.sounds: list[tuple[float, np.ndarray, float, bool]] = []
        self.calls: list[dict] = []
        self.state: list[tuple[float, float, float]] = [(0.0, 70.0, 2300.0)]  # time, speed, rpm

    def say(self, text: str, *, voice=PILOT, at=None, gain=1.0, radio=False, kind=None, name=None, value=None) -> float:
        """Put words on the tape; gives when they end. Calls go to the truth, talk does not."""
        sound = self.voice.say(voice, text, self.rng.uniform(0.82, 1.0))
        start = self.t if at is None else at
        self.sounds.append((start, sound, gain * 10 ** (self.rng.uniform(-2, 2) / 20), radio))
        end = start + len(sound) / RATE
        if kind:
            self.calls.append(
                {
                    "start_s": round(start, 3),
                    "end_s": round(end, 3),
                    "kind": kind,
                    "name": name,
                    "value": value,
                    "words": text,
                }
            )
        self.t = max(self.t, end)
        return end

    def wait(self, low: float, high: float) -> None:
        self.t += self.rng.uniform(low, high)


def fly_run(tape: Tape, point: str, truth_ias_kt: float, rate: float, *, spoil=False, wing_drop=None) -> dict:
    """One approach: on condition, falling calls, buffet, break, recovered."""
    rng = tape.rng
    tape.wait(1.5, 2.5)
    tape.say("on condition", kind="event", name="on_condition")
    tape.wait(1.2, 2.0)
    began = tape.t
    start_kt = truth_ias_kt + rng.uniform(13.5, 15.5)
    stall_after_s = (start_kt - truth_ias_kt) / rate
    event_s = began + stall_after_s
    wander = signal.lfilter([0.06], [1, -0.97], rng.standard_normal(int((stall_after_s + 8) * 10)))

    def speed(at: float) -> float:
        k = min(len(wander) - 1, max(0, int((at - began) * 10)))
        fade = min(1.0, max(0.0, (event_s - at) / 2))  # no wander at the break itself: that is the truth
        return start_kt - rate * (at - began) + 1.2 * wander[k] * fade

    previous = None
    read_at = began
    buffet_said = False
    while True:
        if spoil and speed(read_at) < truth_ias_kt + 6:
            tape.wait(0.3, 0.6)
            tape.say("scratch that", kind="command", name="scratch_that")
            break
        if read_at > event_s - 0.55:
            break
        if not buffet_said and speed(read_at) < truth_ias_kt + 3.2:
            tape.say("buffet", at=max(tape.t + 0.2, read_at + LAG_S), kind="event", name="buffet")
            buffet_said = True
        else:
            value = round(speed(read_at))
            at = max(tape.t + 0.25, read_at + LAG_S + rng.normal(0, 0.07))
            # The pilot reads just before speaking: a call that had to wait is of a newer reading.
            value = round(speed(at - LAG_S))
            tape.say(words_for(value, previous, rng), at=at, kind="airspeed", name="ias", value=value)
            previous = value
        read_at = tape.t + rng.uniform(0.1, 0.55) - 0.1  # the eyes are on the needle while the mouth still speaks
    run = {"point": point, "start_s": round(began, 3), "rate_kt_per_s": round(rate, 3), "discarded": spoil}
    tape.state += [(began, start_kt, 0.0), (tape.t, speed(tape.t), 0.0)]
    if spoil:
        tape.wait(2, 3)
        return run
    run |= {"event_s": round(event_s, 3), "vs_ias_kt": round(truth_ias_kt, 2)}
    tape.say("break", at=max(tape.t + 0.15, event_s + LAG_S), kind="event", name="break")
    if wing_drop:
        tape.wait(0.3, 0.5)
        tape.say(f"wing dropping {wing_drop}", kind="event", name=f"wing_drop_{wing_drop}")
    tape.wait(2.2, 3.6)
    tape.say("recovered", kind="event", name="recovered")
    return run


def fly_flight(campaign: dict, flight: dict, seed: int, voice: Voice) -> tuple[np.ndarray, dict]:
    """The whole recording of one flight and its truth."""
    rng = np.random.default_rng(seed)
    tape = Tape(rng, voice)
    aircraft, configuration = campaign["aircraft"], flight["configuration"]
    runs = []
    tape.say("camera is running, recorder is running")
    tape.wait(1, 2)
    tape.say("mark", kind="command", name="mark")
    tape.wait(2, 3)
    for point in ("A1", "A2", "A3", "B1"):
        table = next(c for c in campaign["calibration"] if c["flap_deg"] == {"A2": 15, "A3": 30}.get(point, 0))
        for words in SETUP[point]:
            tape.wait(0.8, 1.5)
            kind = "setting"
            name = "flap" if "flap" in words else "power"
            value = {"flaps up": 0, "flaps fifteen": 15, "flaps thirty": 30, "power idle": "idle"}.get(words, 2100)
            tape.say(words, kind=kind, name=name, value=value)
        spoiled = point == "A1" and configuration == "baseline"
        for attempt in range(4 if spoiled else 3):
            talk_voice, talk = TALK[rng.integers(len(TALK))]
            tape.wait(1.5, 3.0)
            tape.say(talk, voice=talk_voice, radio=talk_voice == "awb", gain=0.8)
            if attempt == 0:
                tape.wait(1, 2)
                altitude = int(rng.integers(52, 66))
                hundreds = f" {UNITS[altitude % 10]} hundred" if altitude % 10 else ""
                tape.say(
                    f"altitude {UNITS[altitude // 10]} thousand{hundreds}",
                    kind="setting",
                    name="altitude",
                    value=altitude * 100,
                )
            rate = rng.uniform(0.75, 1.25)
            fuel_l = flight["fuel_l"] - aircraft["fuel_burn_l_per_h"] * tape.t / 3600
            weight_kg = (
                aircraft["empty_weight_kg"]
                + sum(flight["load_kg"].values())
                + fuel_l * aircraft["fuel_density_kg_per_l"]
            )
            cas = TRUTH_CAS_KT[configuration][point] * math.sqrt(weight_kg / aircraft["reference_weight_kg"])
            cas += SLOPE * (rate - 1) + rng.normal(0, 0.18)
            ias = float(np.interp(cas, table["cas_kt"], table["ias_kt"]))
            drop = rng.choice(["left", "right", "right"]) if configuration == "baseline" and attempt % 2 else None
            runs.append(fly_run(tape, point, ias, rate, spoil=spoiled and attempt == 1, wing_drop=drop))
            rpm = 2100.0 if point == "B1" else 1000.0
            tape.state.append((tape.t, 65.0, rpm))
    tape.wait(1, 2)
    tape.say("that's all of them, let's go home")
    tape.wait(2, 3)
    return _sound(tape, rng), {
        "flight": flight["id"],
        "configuration": configuration,
        "runs": runs,
        "calls": tape.calls,
    }


def _sound(tape: Tape, rng) -> np.ndarray:
    n = int((tape.t + 1) * RATE)
    speech = np.zeros(n)
    for start, spoken, gain, radio in tape.sounds:
        k, clip = int(start * RATE), spoken
        if radio:  # narrow, a little overdriven, with the hiss of the carrier
            clip = signal.sosfilt(signal.butter(3, [450, 2600], "band", fs=RATE, output="sos"), np.tanh(1.5 * clip))
            clip = clip / clip.std() + 0.12 * rng.standard_normal(len(clip))
        clip = clip[: n - k]
        speech[k : k + len(clip)] += gain * clip
    band = signal.butter(3, [280, 3600], "band", fs=RATE, output="sos")
    speech = signal.sosfilt(band, speech)
    noise = signal.sosfilt(band, _noise(n, rng))
    talking = np.abs(speech) > 0.02 * np.abs(speech).max()
    noise *= speech[talking].std() / noise.std() * 10 ** (-SNR_DB / 20)
    sound = speech + noise
    return np.clip(sound * 0.09 / speech[talking].std(), -0.98, 0.98)


def _noise(n: int, rng) -> np.ndarray:
    t = np.arange(n) / RATE
    slow = np.interp(t, np.arange(0, t[-1] + 20, 10), rng.normal(0, 1, len(np.arange(0, t[-1] + 20, 10))))
    firing_hz = (
        38
        + 6 * slow
        + 0.4 * np.interp(t, np.arange(0, t[-1] + 2, 1), rng.normal(0, 1, len(np.arange(0, t[-1] + 2, 1))))
    )
    phase = 2 * np.pi * np.cumsum(firing_hz) / RATE
    engine = sum(rng.uniform(0.4, 1) / k**0.7 * np.cos(k * phase + rng.uniform(0, 6.3)) for k in range(1, 40))
    wind = signal.lfilter([1], [1, -0.96], rng.standard_normal(n))
    gust = 1 + 0.3 * np.clip(
        np.interp(t, np.arange(0, t[-1] + 1, 0.5), rng.normal(0, 1, len(np.arange(0, t[-1] + 1, 0.5)))), -2, 2
    )
    return 0.7 * engine / engine.std() + gust * wind / wind.std() + 0.15 * rng.standard_normal(n)


def _write_opus(path: Path, sound: np.ndarray) -> None:
    import av

    with av.open(str(path), "w", format="ogg") as container:
        stream = container.add_stream("libopus", rate=RATE)
        stream.layout = "mono"
        stream.bit_rate = 20_000
        pcm = (sound * 32767).astype(np.int16)
        for k in range(0, len(pcm), RATE):
            frame = av.AudioFrame.from_ndarray(pcm[None, k : k + RATE], format="s16", layout="mono")
            frame.sample_rate, frame.pts = RATE, k
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))


def main() -> int:
    """Write the sound under inputs/ and the truth under expected/."""
    campaign = tomllib.loads((HERE / "inputs" / "campaign.toml").read_text("utf-8"))
    truth = {"stall_cas_ref_kt": TRUTH_CAS_KT, "flights": [], "seed": 20270411}
    with tempfile.TemporaryDirectory() as folder:
        voice = Voice(Path(folder))
        for k, flight in enumerate(campaign["flight"]):
            sound, told = fly_flight(campaign, flight, truth["seed"] + k, voice)
            _write_opus(HERE / "inputs" / f"{flight['id']}.opus", sound)
            truth["flights"].append(told)
            print(flight["id"], f"{len(sound) / RATE:.0f} s", len(told["calls"]), "calls", len(told["runs"]), "runs")
    (HERE / "expected").mkdir(exist_ok=True)
    (HERE / "expected" / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", "utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())

"""Speech and noise for the hearing bench: people, voices, engines and noise kinds the model never met.

Reads the sets of a data folder (each with an ``index.csv``: file, start, end, speaker or voice, text, split), takes
only the test split, and makes from it, with fixed seeds: single calls (real digits strung together, an engine
and voices kept out of training), phrases, stall approaches, talk and noise. The cockpit noise made here is not
the generator of the training. Main names: `Speech`, `Item`, `Approach`, `mix`, `is_calibration`.
"""

from __future__ import annotations

import csv
import random
import shutil
import tempfile
import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import voices
from scipy import signal
from voices import HELD_OUT_VOICES

from logger_app.hear.packs import Pack, legal_calls
from logger_app.io.sound import read_sound_file
from logger_app.records.calls import CallKind

RATE = 16_000
DIGITS = ["zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"]
TEENS = ["thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen"]
HEADSET_HZ = (300.0, 3400.0)  # band of a headset and intercom, ITU-T G.712's telephone band
MAX_WORDINGS = 8  # of one meaning
SPEECH_LEVEL = 0.08  # of full scale, root mean square of the speech after the band-pass
NUMBER_WORDS = frozenset(
    [
        "ten",
        "eleven",
        "twelve",
        "thirteen",
        "fourteen",
        "fifteen",
        "sixteen",
        "seventeen",
        "eighteen",
        "nineteen",
        "twenty",
        "thirty",
        "forty",
        "fifty",
        "sixty",
        "seventy",
        "eighty",
        "ninety",
        "hundred",
        "thousand",
    ]
) | set(DIGITS)

# Test voices that only the calibration of the posterior hears: six people, five neural voices, two older ones.
CALIBRATION_VOICES = frozenset(
    [
        "4fd1443e",
        "5e3dde6b",
        "9a69672b",
        "aa80f517",
        "cd85758f",
        "bb05582b",
        "em_alex",
        "hf_beta",
        "jf_tebukuro",
        "im_nicola",
        "zf_xiaoni",
        "es_us_m7",
        "fl_slt",
    ]
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One call with nothing else: `meaning` is (kind, name, value); times of the words within `sound` [s]."""

    set: str
    speaker: str
    real: bool
    meaning: tuple
    words: str
    sound: np.ndarray = field(repr=False)
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Approach:
    """A stall approach as sound: the airspeeds said and when (start and end of each) [s]."""

    set: str
    speaker: str
    sound: np.ndarray = field(repr=False)
    said: tuple[tuple[int, float, float], ...]


def is_calibration(speaker: str) -> bool:
    """Whether a test voice is one that the posterior's calibration may use; all others are reported on."""
    return speaker in CALIBRATION_VOICES


def trim(x: np.ndarray, margin_s: float, quiet: float = 0.02) -> tuple[np.ndarray, float, float]:
    """Speech with `margin_s` of quiet at both ends, at a common level; start and end of the speech [s]."""
    margin = int(margin_s * RATE)
    x = np.pad(x, (0, max(0, 1600 - len(x))))
    level = np.sqrt(np.maximum(np.convolve(x * x, np.full(160, 1 / 160), "same"), 0))
    loud = np.flatnonzero(level > quiet * level.max())
    a, b = int(loud[0]), int(loud[-1]) + 1
    x = np.pad(x, margin)[a : b + 2 * margin]
    x = (
        x * (0.08 / (np.sqrt(np.mean(x[margin:-margin] ** 2)) + 1e-9))
        if margin
        else x * (0.08 / (np.sqrt(np.mean(x**2)) + 1e-9))
    )
    return x.astype(np.float32), margin / RATE, (margin + b - a) / RATE


@lru_cache(maxsize=1)
def _headset():
    return signal.butter(4, HEADSET_HZ, "bandpass", fs=RATE, output="sos")


def headset(x: np.ndarray) -> np.ndarray:
    """`x` through the band of a headset."""
    return signal.sosfilt(_headset(), x).astype(np.float32)


def cockpit_noise(n: int, seed: int) -> np.ndarray:
    """Made cockpit noise, unit power: blade and engine orders that wander, boundary-layer rumble, hiss, knocks."""
    rng = np.random.default_rng(seed)
    knots = max(4, n // 1600 + 4)
    slow = lambda spread: np.interp(np.arange(n), np.linspace(0, n, knots), rng.normal(0, spread, knots))
    phase = 2 * np.pi * np.cumsum(rng.uniform(60, 90) * (1 + slow(0.012))) / RATE
    orders = sum(rng.uniform(0.4, 1) * i**-0.8 * np.cos(i * phase + rng.uniform(0, 2 * np.pi)) for i in range(1, 26))
    swell = 1 + 0.2 * np.clip(slow(1.0), -2, 2)
    hz = np.maximum(np.fft.rfftfreq(n, 1 / RATE), 20)
    pink = np.fft.irfft(np.fft.rfft(rng.normal(size=n)) / np.sqrt(hz), n)
    brown = np.fft.irfft(np.fft.rfft(rng.normal(size=n)) / hz, n)
    unit = lambda y: y / (y.std() + 1e-9)
    out = 0.8 * unit(orders * swell) + 0.8 * unit(pink * swell) + 0.5 * unit(brown) + 0.1 * rng.normal(size=n)
    for _ in range(rng.poisson(0.3 * n / RATE)):
        at, length = int(rng.integers(0, max(1, n - 200))), int(rng.integers(30, 120))
        length = min(length, n - at)
        out[at : at + length] += rng.uniform(3, 6) * np.exp(-np.arange(length) / 15) * rng.normal(size=length)
    return unit(out).astype(np.float32)


def mix(
    x: np.ndarray, snr_db: float | None, noise: np.ndarray | None, before_s: float = 0.4, after_s: float = 0.9
) -> np.ndarray:
    """Speech in noise through a headset, int16; the ratio holds after the band-pass, over the speech [dB].

    `noise` is as long as the padded speech or longer; without it, or with `snr_db` None, the sound is clean.
    """
    y = headset(np.pad(x, (int(before_s * RATE), int(after_s * RATE))))
    loud = y[np.abs(y) > 0.02 * np.abs(y).max()]
    level = np.sqrt(np.mean(loud**2)) + 1e-9
    if snr_db is not None and noise is not None:
        n = headset(noise[: len(y)])
        y = y + n / (n.std() + 1e-9) * level * 10 ** (-snr_db / 20)
    return (np.clip(y * SPEECH_LEVEL / level, -0.99, 0.99) * 32767).astype(np.int16)


class Speech:
    """The test split of a data folder, and what is made of it.

    Parameters
    ----------
    data : Path
        Folder with ``real/``, ``synthetic/`` and ``noise/`` (any of them may be missing).
    """

    def __init__(self, data: Path, pack: Pack):
        self.data, self.pack = data, pack
        self.legal = {}
        for call in legal_calls(pack, 20.0, 199.0, "kt"):
            if not call.shorthand:
                self.legal.setdefault(" ".join(call.words), (str(call.kind), call.name, call.value))
        self._sound = lru_cache(maxsize=64)(lambda name: read_sound_file(self.data / name).astype(np.float32) / 32768)

    # ---- reading

    def rows(self, folder: str, *splits: str) -> list[dict[str, str]]:
        """Rows of a set's index in the given splits (``test`` by default); none when the set is not there."""
        index = self.data / folder / "index.csv"
        if not index.exists():
            return []
        with index.open(newline="") as handle:
            return [dict(row, folder=folder) for row in csv.DictReader(handle) if row["split"] in (splits or ("test",))]

    def clip(self, row: dict[str, str]) -> np.ndarray:
        """The sound of one row, float32."""
        x = self._sound(f"{row['folder']}/{row['file']}")
        return x[int(float(row["start_s"]) * RATE) : int(float(row["end_s"]) * RATE)]

    @lru_cache(maxsize=1)  # noqa: B019 - one object a run
    def noises(self) -> list[tuple[str, np.ndarray]]:
        """Recorded noise of the test split: (class, sound)."""
        index = self.data / "noise/index.csv"
        if not index.exists():
            return []
        with index.open(newline="") as handle:
            rows = [row for row in csv.DictReader(handle) if row["split"] == "test"]
        return [
            (row["class"], read_sound_file(self.data / "noise" / row["file"]).astype(np.float32) / 32768)
            for row in rows
        ]

    def noise(self, kind: str, n: int, seed: int) -> np.ndarray:
        """`n` samples of ``made`` or ``recorded`` noise."""
        if kind == "made":
            return cockpit_noise(n, seed)
        rng = np.random.default_rng(seed)
        _, x = self.noises()[int(rng.integers(len(self.noises())))]
        return np.resize(x[int(rng.integers(0, max(1, len(x) - n))) :], n)

    # ---- single calls

    def real_digits(self, each_of_few: int = 160, each_of_many: int = 14) -> list[Item]:
        """Airspeeds of two and three digits strung together from one person's digits, 30-120 ms between them."""
        out = []
        for folder, name, count in (
            ("real/fsdd8k", "real digits: digit recordings", each_of_few),
            ("real/gsc", "real digits: one-word crowd", each_of_many),
        ):
            people: dict[str, dict[int, list[dict]]] = {}
            for row in self.rows(folder):
                if row["text"] in DIGITS:
                    people.setdefault(row["speaker"], {}).setdefault(DIGITS.index(row["text"]), []).append(row)
            for speaker, takes in sorted(people.items()):
                values = [v for v in range(20, 200) if all(int(c) in takes for c in str(v))]
                rng = np.random.default_rng(zlib.crc32(speaker.encode()))
                if sum(map(len, takes.values())) < 2:
                    continue
                # Each value at most twice: a person with few recorded digits must not fill the table with them.
                for value in rng.permutation(np.repeat(values, 2))[:count]:
                    out.append(self.composed(name, speaker, int(value), takes, rng))
        return out

    def composed(self, name: str, speaker: str, value: int, takes: dict[int, list[dict]], rng) -> Item:
        """One airspeed from single recorded digits of one person."""
        parts = [np.zeros(1600, np.float32)]
        for k, digit in enumerate(str(value)):
            options = takes[int(digit)]
            gap = np.zeros(int(rng.uniform(0.03, 0.12) * RATE), np.float32) if k else np.zeros(0, np.float32)
            parts += [gap, trim(self.clip(options[int(rng.integers(len(options)))]), 0.01, 0.03)[0]]
        sound = np.concatenate([*parts, np.zeros(1600, np.float32)])
        words = " ".join(DIGITS[int(c)] for c in str(value))
        return Item(
            set=name,
            speaker=speaker,
            real=True,
            meaning=("airspeed", "ias", float(value)),
            words=words,
            sound=sound,
            start_s=0.11,
            end_s=len(sound) / RATE - 0.11,
        )

    def tens(self, alone: bool) -> list[Item]:
        """Tens, teens and numbers with them by people (never trained on): single words, or all that are legal."""
        rows = [
            row
            for row in self.rows("real/tens_dev", "measure")
            if row["text"] in self.legal and (not alone or row["kind"] == "isolated ten")
        ]
        return [self._item("tens and teens, people", row["speaker"], row["text"], self.clip(row), True) for row in rows]

    def lone_teens(self) -> list[Item]:
        """Single teens words by the same people: no airspeed, and like one ("fifteen" and "fifty")."""
        rows = [row for row in self.rows("real/tens_dev", "measure") if row["text"] in TEENS]
        return [
            replace(
                self._item("lone teens, people", row["speaker"], "twenty", self.clip(row), True),
                words=row["text"],
                meaning=("airspeed", "ias", 13.0 + TEENS.index(row["text"])),
            )
            for row in rows
        ]

    def digit_rows(self, count: int) -> list[Approach]:
        """An airspeed, then last digits alone as the speed falls ("fifty three ... two ... one"): unseen people and voices."""
        people = [p for p in self._digit_people() if len(p[1]) == len(DIGITS)]
        here = [name for name, how in HELD_OUT_VOICES.items() if shutil.which(how[0])]
        speakers = [*people, *[(name, None) for name in here]]
        out = []
        with tempfile.TemporaryDirectory() as tmp:
            for k in range(count if speakers else 0):
                speaker, takes = speakers[k % len(speakers)]
                rng = np.random.default_rng(500 + k)
                speed = int(rng.integers(42, 99))
                speeds = [speed]
                for _ in range(int(rng.integers(2, 5))):
                    speeds.append(speeds[-1] - int(rng.choice([1, 1, 1, 2])))
                items = []
                for n, value in enumerate(speeds):
                    # Into the next decade the whole number is said again, but for its first zero.
                    short = n > 0 and value // 10 == speeds[n - 1] // 10
                    digits = str(value % 10) if short else str(value)
                    if takes is not None:
                        one = self.composed("digits in a row", speaker, int(digits), takes, rng)
                        items.append(replace(one, meaning=("airspeed", "ias", float(value))))
                        continue
                    words = DIGITS[int(digits)] if short else _tens_words(value)
                    sound, start, end = self._said(speaker, words, Path(tmp) / "said.wav")
                    items.append(
                        Item(
                            set="digits in a row",
                            speaker=speaker,
                            real=False,
                            meaning=("airspeed", "ias", float(value)),
                            words=words,
                            sound=sound,
                            start_s=start,
                            end_s=end,
                        )
                    )
                out.append(replace(self._laid_out(items, rng), speaker=speaker))
        return out

    def _digit_people(self) -> list[tuple[str, dict[int, list[dict]]]]:
        """Unseen people and their takes of each digit."""
        people: dict[str, dict[int, list[dict]]] = {}
        for folder in ("real/fsdd8k", "real/gsc"):
            for row in self.rows(folder):
                if row["text"] in DIGITS:
                    people.setdefault(row["speaker"], {}).setdefault(DIGITS.index(row["text"]), []).append(row)
        return sorted(people.items())

    def number_talk(self) -> list[tuple[str, str, np.ndarray]]:
        """Talk with numbers in it that are no calls: sentences with a number, and strings of five to eight digits read out."""
        out = [one for one in self.talk() if NUMBER_WORDS & set(one[1].split())]
        for speaker, takes in self._digit_people():
            rng = np.random.default_rng(zlib.crc32(speaker.encode()) + 1)
            for _ in range(30 if len(takes) == len(DIGITS) else 2 if len(takes) >= 3 else 0):
                said = [int(d) for d in rng.choice(sorted(takes), int(rng.integers(5, 9)))]
                parts = []
                for digit in said:
                    parts.append(trim(self.clip(takes[digit][int(rng.integers(len(takes[digit])))]), 0.01, 0.03)[0])
                    parts.append(np.zeros(int(rng.uniform(0.02, 0.12) * RATE), np.float32))
                out.append((speaker, " ".join(DIGITS[d] for d in said), np.concatenate(parts)))
        order = np.random.default_rng(8).permutation(len(out))
        return [out[k] for k in order]

    def spoken(self, folder: str, name: str, kinds: Sequence[str], most: int, real: bool = False) -> list[Item]:
        """Rows of a set whose whole text is a call of the given kinds."""
        rows = [row for row in self.rows(folder) if self.legal.get(row["text"], ("",))[0] in kinds]
        order = np.random.default_rng(7).permutation(len(rows))[:most]
        return [
            self._item(name, rows[i].get("voice") or rows[i]["speaker"], rows[i]["text"], self.clip(rows[i]), real)
            for i in order
        ]

    def _item(self, name: str, speaker: str, text: str, x: np.ndarray, real: bool) -> Item:
        sound, start, end = trim(x, 0.1)
        return Item(
            set=name,
            speaker=speaker,
            real=real,
            meaning=_meaning(self.legal[text]),
            words=text,
            sound=sound,
            start_s=start,
            end_s=end,
        )

    def phrases(self) -> list[tuple[str, tuple]]:
        """Every event, command and setting wording of the pack without a free number, and what it means."""
        numbers = {word for call in self.legal for word in call.split() if self.legal[call][0] == "airspeed"}
        out = [
            (words, _meaning(meaning))
            for words, meaning in self.legal.items()
            if meaning[0] != "airspeed" and not numbers & set(words.split())
        ]
        # A grammar makes hundreds of wordings of one meaning: some of each, the shortest and an even choice of the rest.
        mine: dict[tuple, list[str]] = {}
        for words, meaning in sorted(out, key=lambda one: (len(one[0].split()), str(one))):
            mine.setdefault(meaning, []).append(words)
        few = [
            (ways[round(k * (len(ways) - 1) / max(1, n - 1))], meaning)
            for meaning, ways in mine.items()
            for n in [min(len(ways), MAX_WORDINGS)]
            for k in range(n)
        ]
        return sorted(few, key=str)

    def made_phrases(self) -> list[Item]:
        """All `phrases` by voices kept out of training, in turn; empty where the programs are missing."""
        out = []
        here = [name for name, how in HELD_OUT_VOICES.items() if shutil.which(how[0])]
        with tempfile.TemporaryDirectory() as tmp:
            for k, (words, meaning) in enumerate(self.phrases()):
                if not here:
                    return []
                name = here[k % len(here)]
                sound, start, end = self._said(name, words, Path(tmp) / "said.wav")
                out.append(
                    Item(
                        set="pack phrases: older engines",
                        speaker=name,
                        real=False,
                        meaning=meaning,
                        words=words,
                        sound=sound,
                        start_s=start,
                        end_s=end,
                    )
                )
        return out

    def _said(self, voice: str, text: str, wav: Path) -> tuple[np.ndarray, float, float]:
        """A text by one of `HELD_OUT_VOICES`, trimmed."""
        voices.speak(voice, text, wav)
        return trim(read_sound_file(wav).astype(np.float32) / 32768, 0.1)

    def sentences(
        self, folder: Path, by: Sequence[str], each: int
    ) -> list[tuple[voices.Sentence, str, np.ndarray, float]]:
        """Each sentence of the bench by `each` of the voices in turn: (sentence, voice, sound, end of what was said before it [s])."""
        out = []
        for k, sentence in enumerate(voices.sentences()):
            for j in range(min(each, len(by))):
                voice = by[(k + j * max(1, len(by) // each)) % len(by)]
                said, lead = (
                    trim(read_sound_file(voices.file_of(folder, voice, text)).astype(np.float32) / 32768, 0.1)[0]
                    for text in (sentence.text, voices.LEAD)
                )
                quiet = np.zeros(int(1.2 * RATE), np.float32)
                before = np.concatenate([lead, quiet]) if not sentence.first else np.zeros(int(3 * RATE), np.float32)
                out.append((sentence, voice, np.concatenate([before, said]), len(before) / RATE))
        return out

    def made_talk(self, by: Sequence[str], each: int) -> list[np.ndarray]:
        """Cabin and radio talk by voices kept out of training; none where the programs are missing."""
        # The recipe is not installed: only where the repository itself is on the path, as for the calibration.
        from grammar.en.acoustic import texts

        rng = random.Random(41)
        with tempfile.TemporaryDirectory() as tmp:
            return [
                self._said(voice, texts.talk(rng), Path(tmp) / "said.wav")[0]
                for voice in by
                if shutil.which(HELD_OUT_VOICES[voice][0])
                for _ in range(each)
            ]

    # ---- approaches, talk, noise

    def approaches(self, count: int, calls: int = 8) -> list[Approach]:
        """Half by one real person's digits, half by the held-out engine: falling 0.7-2 kt/s, wandering at the end."""
        people: dict[int, list[dict]] = {}
        for row in self.rows("real/fsdd8k"):
            people.setdefault(DIGITS.index(row["text"]), []).append(row)
        joe: dict[int, list[dict]] = {}
        for row in self.rows("synthetic/piper_joe"):
            meaning = self.legal.get(row["text"])
            if meaning and meaning[0] == "airspeed":
                joe.setdefault(int(meaning[2]), []).append(row)
        out = []
        for k in range(count):
            rng = np.random.default_rng(900 + k)
            speeds = self._falling(rng, calls)
            if k % 2 == 0 and people:
                items = [self.composed("stall approach: real digits", "", v, people, rng) for v in speeds]
            elif joe:
                near = [min(joe, key=lambda have, v=v: (abs(have - v), have)) for v in speeds]
                picks = [joe[v][int(rng.integers(len(joe[v])))] for v in near]
                items = [
                    self._item("stall approach: unseen engine", "joe", row["text"], self.clip(row), False)
                    for row in picks
                ]
            else:
                continue
            out.append(self._laid_out(items, rng))
        return out

    @staticmethod
    def _falling(rng, calls: int) -> list[int]:
        speed, rate, out = rng.uniform(58, 95), rng.uniform(0.7, 2.0), []
        for k in range(calls):
            out.append(round(speed))
            speed -= max(0.0, rng.normal(rate * 1.5, 0.6)) if k < calls - 3 else rng.normal(0.4, 1.0)
        return out

    @staticmethod
    def _laid_out(items: list[Item], rng) -> Approach:
        at, parts, said = 1.0, [np.zeros(RATE, np.float32)], []
        for item in items:
            said.append((int(item.meaning[2]), at + item.start_s, at + item.end_s))
            quiet = np.zeros(int(rng.uniform(0.45, 1.1) * RATE), np.float32)
            parts += [item.sound, quiet]
            at += (len(item.sound) + len(quiet)) / RATE
        return Approach(
            set=items[0].set,
            speaker=items[0].speaker,
            sound=np.concatenate([*parts, np.zeros(RATE, np.float32)]),
            said=tuple(said),
        )

    def talk(self, splits: Sequence[str] = ("test",)) -> list[tuple[str, str, np.ndarray]]:
        """Talk that is no call: (speaker, text, sound): read sentences, cockpit chatter, prompted words."""
        out = []
        for folder in ("real/libri_mini", "synthetic/kokoro", "synthetic/piper_joe", "real/negwords_pv"):
            for row in self.rows(folder, *splits, *(["neg_test"] if "test" in splits else [])):
                if folder.startswith("synthetic") and row["kind"] != "chatter":
                    continue
                out.append((row.get("speaker") or row.get("voice") or "", row["text"], trim(self.clip(row), 0.25)[0]))
        return out


def _tens_words(value: int) -> str:
    """A number from 20 to 99 in words."""
    tens = ("twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety")[value // 10 - 2]
    return f"{tens} {DIGITS[value % 10]}" if value % 10 else tens


def _meaning(meaning: tuple) -> tuple:
    kind, name, value = meaning
    return str(kind), name, float(value) if isinstance(value, int | float) and kind == str(CallKind.AIRSPEED) else value


def joined(sounds: Iterable[np.ndarray], gap_s: float = 0.6) -> np.ndarray:
    """Pieces of sound one after the other with quiet between."""
    gap = np.zeros(int(gap_s * RATE), np.float32)
    parts = [part for sound in sounds for part in (sound, gap)]
    return np.concatenate(parts) if parts else np.zeros(0, np.float32)

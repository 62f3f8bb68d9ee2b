"""More training speech from the older engines of the distribution: espeak-ng, flite, festival.

``python -m grammar.en.acoustic.synth OUT --minutes 120 [--pack grammar/en/callouts.toml]`` writes one Opus
file a voice and an ``index.csv`` like those of the other sets. Voices named in `HELD_OUT` are never made here:
they belong to the test. Foreign accents are made by speaking English sounds with another language's voice
(its own vowels, r and rhythm), after the substitutions that learners of that language make; the label stays
the English one. Needs the three programs and ffmpeg on the path.
"""

from __future__ import annotations

import argparse
import csv
import math
import random
import re
import subprocess
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
from scipy import signal
from scipy.io import wavfile

from . import texts

RATE = 16000
HELD_OUT = {"es_us_f4", "es_us_m7", "fe_slt", "fl_rms", "fl_slt"}  # voices of the test set
LANGUAGES = [
    "en-us",
    "en-us",
    "en-us",
    "en-gb",
    "en-gb-scotland",
    "en-gb-x-rp",
    "en-gb-x-gbclan",
    "en-gb-x-gbcwmd",
    "en-029",
    "en-us-nyc",
]
# f4 and m7 are left out under every language, not only en-us.
VARIANTS = [
    "m1",
    "m2",
    "m3",
    "m4",
    "m5",
    "m6",
    "m8",
    "f1",
    "f2",
    "f3",
    "f5",
    "Alex",
    "Alicia",
    "Andrea",
    "Andy",
    "Annie",
    "Denis",
    "Diogo",
    "Gene",
    "Gene2",
    "Henrique",
    "Hugo",
    "Jacky",
    "Lee",
    "Marco",
    "Mario",
    "Michael",
    "Mike",
    "adam",
    "anika",
    "antonio",
    "aunty",
    "belinda",
    "benjamin",
    "boris",
    "caleb",
    "david",
    "ed",
    "edward",
    "edward2",
    "grandma",
    "grandpa",
    "gustave",
    "iven",
    "iven2",
    "iven3",
    "john",
    "kaukovalta",
    "klatt",
    "klatt2",
    "klatt3",
    "klatt4",
    "linda",
    "marcelo",
    "max",
    "michel",
    "miguel",
    "norbert",
    "pablo",
    "paul",
    "pedro",
    "quincy",
    "rob",
    "robert",
    "sandro",
    "shelby",
    "steph",
    "steph2",
    "steph3",
    "travis",
    "victor",
    "zac",
]
_VOWELS = [
    ("aI@", "aia"),
    ("aU@", "aua"),
    ("i@", "ia"),
    ("e@", "e"),
    ("o@", "o"),
    ("O@", "o"),
    ("A@", "a"),
    ("U@", "u"),
    ("3:", "e"),
    ("IR", "ir"),
    ("aI", "ai"),
    ("eI", "ei"),
    ("oU", "ou"),
    ("aU", "au"),
    ("OI", "oi"),
    ("A:", "a"),
    ("O:", "o"),
    ("i:", "i"),
    ("u:", "u"),
    ("@L", "el"),
    ("I2", "i"),
    ("I#", "i"),
    ("I", "i"),
    ("E", "e"),
    ("V", "a"),
    ("0", "o"),
    ("U", "u"),
    ("3", "er"),
    ("a#", "a"),
    ("@", "e"),
    ("O", "o"),
]
# language: (th, dh, w, h, r, final devoicing). Common learner substitutions; common practice, no single source.
ACCENTS = {
    "fr": (["s", "f", "t"], "z", "w", "", "r", False),
    "de": (["s", "T", "f"], "z", "v", "h", "r", True),
    "es": (["t", "s"], "d", "w", "h", "r", False),
    "it": (["t", "f"], "d", "w", "", "r", False),
    "pl": (["f", "t", "s"], "d", "w", "h", "r", True),
    "ru": (["s", "f"], "z", "v", "h", "r", True),
    "hi": (["t"], "d", "v", "h", "r", False),
    "pt-br": (["t", "f"], "d", "w", "h", "r", False),
    "nl": (["t", "s"], "d", "w", "h", "r", True),
    "sv": (["t", "s"], "d", "v", "h", "r", False),
    "fi": (["t", "s"], "d", "v", "h", "r", True),
    "cs": (["t", "s"], "d", "v", "h", "r", True),
    "tr": (["t"], "d", "v", "h", "r", True),
    "el": (["T"], "D", "w", "h", "r", False),
    "hu": (["s", "t"], "d", "v", "h", "r", False),
    "ja": (["s"], "z", "w", "h", "r", False),
}
_DEVOICE = {"b": "p", "d": "t", "g": "k", "v": "f", "z": "s"}


def _espeak(text: str, voice: str, speed: int, pitch: int, wav: Path) -> None:
    args = ["espeak-ng", "-v", voice, "-s", str(speed), "-p", str(pitch), "-w", str(wav), text]
    subprocess.run(args, check=True, stderr=subprocess.DEVNULL)


def _respell(text: str, language: str, rng: random.Random) -> str:
    """English words in the sounds of `language`, as espeak-ng phoneme mnemonics."""
    got = subprocess.run(["espeak-ng", "-q", "-x", "-v", "en-us", text], check=True, capture_output=True, text=True)
    th, dh, w, h, r, devoice = ACCENTS[language]
    th_now, words = rng.choice(th), []
    for heard in got.stdout.replace("\n", " ").replace("_:", " ").split():
        word = re.sub(r"[,%=]", "", heard)
        tail = r if rng.random() < 0.7 else ""
        word = re.sub(r"([ioeOAU]@)(?=$|[^rRiIeEaAoOuUV0@3'])", r"\1" + tail, word).replace("3:", "3:" + tail)
        for old, new in _VOWELS:
            word = word.replace(old, f"<{new}>")
        word = re.sub(r"[<>]", "", word)
        word = (
            word.replace("T", th_now)
            .replace("D", dh)
            .replace("w", w)
            .replace("h", h)
            .replace("t#", "t")
            .replace("*", r)
            .replace("n-", "n")
        )
        if devoice and word and word[-1] in _DEVOICE:
            word = word[:-1] + _DEVOICE[word[-1]]
        words.append(word)
    return "[[" + " ".join(words) + "]]"


def _read(wav: Path) -> np.ndarray:
    """A mono PCM file at 16 kHz, float32."""
    rate, x = wavfile.read(wav)
    common = math.gcd(rate, RATE)
    return signal.resample_poly(x.astype(np.float32) / 32768, RATE // common, rate // common).astype(np.float32)


def _trim(x: np.ndarray, margin: int = 640) -> np.ndarray:
    """Speech with 40 ms around it, by short-time level."""
    if len(x) < 1600:
        return x[:0]
    level = np.sqrt(np.convolve(x * x, np.ones(160, np.float32) / 160, "same"))
    loud = np.flatnonzero(level > 0.02 * level.max())
    return x[max(0, loud[0] - margin) : loud[-1] + margin] if len(loud) else x[:0]


def _festival(voice: str, jobs: list[tuple[str, float]], folder: Path) -> list[Path]:
    """Many sentences in one festival process."""
    out = [folder / f"{i:04d}.wav" for i in range(len(jobs))]
    scheme = [f"(voice_{voice})"]
    for (text, stretch), wav in zip(jobs, out, strict=True):
        scheme.append(f"(Parameter.set 'Duration_Stretch {stretch:.2f})")
        scheme.append(f'(utt.save.wave (utt.synth (Utterance Text "{text}")) "{wav}" \'riff)')
    subprocess.run(
        ["festival", "--pipe"],
        input="\n".join(scheme),
        text=True,
        check=True,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    return out


def _sentence(
    rng: random.Random, phones: texts.Phones, phrases: tuple[str, ...], read: tuple[str, ...]
) -> tuple[str, str]:
    while True:
        draw = rng.random()
        if draw < 0.2:
            text, kind = texts.talk(rng, read), "chatter"
        elif draw < 0.55:
            text, kind = texts.tens_call(rng), "call"
        elif draw < 0.65:
            text, kind = texts.number_row(rng), "call"
        else:
            text, kind = texts.callout(rng, phrases), "call"
        if phones.text(text):
            return text, kind


def voices(rng: random.Random, minutes: float) -> list[tuple[str, str, str, int]]:
    """(name, engine, voice, sentences) for about `minutes` of speech at 1.6 s a sentence."""
    total = minutes * 60 / 1.6
    made: dict[str, tuple[str, str, str, int]] = {}
    for _ in range(int(total * 0.55 / 12)):
        language, variant = rng.choice(LANGUAGES), rng.choice(VARIANTS)
        made[f"es_{language}_{variant}"] = (f"es_{language}_{variant}", "espeak", f"{language}+{variant}", 12)
    for _ in range(int(total * 0.25 / 12)):
        language, variant = rng.choice(sorted(ACCENTS)), rng.choice(VARIANTS)
        made[f"ac_{language}_{variant}"] = (f"ac_{language}_{variant}", "accent", f"{language}+{variant}", 12)
    for name in ("awb", "kal", "kal16"):
        made[f"fl_{name}"] = (f"fl_{name}", "flite", name, int(total * 0.035))
    made["fe_kal_diphone"] = ("fe_kal_diphone", "festival", "kal_diphone", int(total * 0.05))
    assert not HELD_OUT & set(made)
    return list(made.values())


def make_voice(
    job: tuple[str, str, str, int], phrases: tuple[str, ...], read: tuple[str, ...], seed: int
) -> list[tuple[np.ndarray, str, str]]:
    """All sentences of one voice: [(16 kHz float32, text, ``call`` or ``chatter``)]."""
    name, engine, voice, count = job
    rng, phones, out = random.Random(f"{seed}{name}"), texts.Phones(), []
    sentences, kinds = zip(*(_sentence(rng, phones, phrases, read) for _ in range(count)), strict=True)
    with tempfile.TemporaryDirectory() as tmp:
        folder = Path(tmp)
        if engine == "festival":
            wavs = _festival(voice, [(t, rng.uniform(0.8, 1.2)) for t in sentences], folder)
        else:
            wavs = [folder / f"{i:04d}.wav" for i in range(count)]
            for text, wav in zip(sentences, wavs, strict=True):
                if engine == "flite":
                    stretch = f"duration_stretch={rng.uniform(0.8, 1.2):.2f}"
                    subprocess.run(
                        ["flite", "-voice", voice, "--setf", stretch, "-t", text, "-o", str(wav)],
                        check=True,
                        stderr=subprocess.DEVNULL,
                    )
                else:
                    said = (
                        _respell(text, voice.split("+")[0], rng)
                        if engine == "accent"
                        else text.replace("buffet", "buffit").replace("rpm", "R P M")
                    )
                    _espeak(said, voice, rng.randint(125, 270), rng.randint(15, 85), wav)
        for text, kind, wav in zip(sentences, kinds, wavs, strict=True):
            if wav.exists() and wav.stat().st_size > 2000:
                x = _trim(_read(wav))
                if len(x) > 3200:
                    out.append((x, text, kind))
    return out


def write_voice(
    folder: Path, name: str, engine: str, clips: list[tuple[np.ndarray, str, str]], bitrate: str
) -> list[list]:
    """One Opus file of all clips with 50 ms between; the rows of the index."""
    rows, parts, at = [], [], 0
    for clip, text, kind in clips:
        x = clip * (0.5 / np.abs(clip).max())
        rows.append(
            [f"{name}.opus", round(at / RATE, 4), round((at + len(x)) / RATE, 4), name, engine, text, "train", kind]
        )
        parts += [x, np.zeros(800, np.float32)]
        at += len(x) + 800
    if not parts:
        return []
    pcm = (np.concatenate(parts) * 32767).astype("<i2").tobytes()
    encode = [
        "ffmpeg",
        "-v",
        "error",
        "-y",
        "-f",
        "s16le",
        "-ar",
        str(RATE),
        "-ac",
        "1",
        "-i",
        "-",
        "-c:a",
        "libopus",
        "-b:a",
        bitrate,
    ]
    subprocess.run(
        [*encode, "-application", "voip", "-threads", "1", str(folder / f"{name}.opus")], input=pcm, check=True
    )
    return rows


def read_sentences(index: Path) -> tuple[str, ...]:
    """Texts of the training split of a set of read sentences."""
    with index.open(newline="") as handle:
        return tuple(row["text"] for row in csv.DictReader(handle) if row["split"] == "train")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--minutes", type=float, default=120.0)
    parser.add_argument("--pack", type=Path, help="pack file whose phrases are said as well")
    parser.add_argument("--read", type=Path, help="index.csv of read sentences, for pieces of talk")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    phrases = texts.pack_templates(args.pack, ignored=False) if args.pack else ()
    read = read_sentences(args.read) if args.read else ()
    jobs = voices(random.Random(args.seed), args.minutes)
    with ThreadPoolExecutor(args.jobs) as pool, (args.out / "index.csv").open("w", newline="") as handle:
        index = csv.writer(handle)
        index.writerow(["file", "start_s", "end_s", "voice", "engine", "text", "split", "kind"])
        for job, clips in zip(jobs, pool.map(lambda j: make_voice(j, phrases, read, args.seed), jobs), strict=True):
            index.writerows(write_voice(args.out, job[0], job[1], clips, "14k"))


if __name__ == "__main__":
    main()

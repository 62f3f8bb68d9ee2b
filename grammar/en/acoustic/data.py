"""Which clip is trained on, who speaks in it and under what licence; the proof that no test voice is among them.

``python -m grammar.en.acoustic.data DATA OUT`` reads the sets under DATA (each with an ``index.csv``), takes
the rows of the training and development split, adds the phones of each text and writes ``OUT/manifest.json``
with copies of the sound files, ready to travel to a machine with a GPU. ``--clean-licences`` leaves out what is
share-alike or of unclear terms (SOURCES.md says which and why). Main names: `SETS`, `collect`, `check_disjoint`.
"""

from __future__ import annotations

import argparse
import csv
import json
import shutil
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np

from logger_app.hear.phones import PHONE_ID
from logger_app.io.sound import read_sound_file

from . import texts
from .synth import HELD_OUT

RATE = 16000


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeechSet:
    """One folder of speech: where, how it is used, and whether a clean-licence mix may hold it."""

    folder: str
    group: str
    clean: bool
    index: str = "index.csv"
    words: bool = False  # single words: trimmed tightly, strung together in training
    splits: tuple[str, ...] = ("train", "dev")


@dataclass(frozen=True, slots=True, kw_only=True)
class Clip:
    """One labelled stretch of one sound file; `start` and `length` in samples at 16 kHz; `talk`: 1 when it is no call, 0 when it is one, -1 unknown."""

    file: str
    start: int
    length: int
    phones: tuple[int, ...]
    group: str
    speaker: str
    text: str
    talk: int


SETS = (
    SpeechSet(folder="real/gsc", group="gsc", clean=True, words=True),
    SpeechSet(folder="real/fsdd8k", group="fsdd", clean=False, words=True),  # CC BY-SA 4.0
    SpeechSet(folder="real/an4_part", group="an4", clean=True),
    # The development readers' sentences are the talk that the belief is calibrated on.
    SpeechSet(folder="real/libri_mini", group="libri", clean=True, splits=("train",)),
    SpeechSet(folder="real/libri_mini", index="spans.csv", group="span", clean=True, splits=("train",)),
    SpeechSet(folder="real/negwords_pv", group="negw", clean=False, splits=("train",)),  # no separate data licence
    SpeechSet(folder="synthetic/kokoro", group="kokoro", clean=True, splits=("train",)),
    SpeechSet(folder="synthetic/hibari", group="hibari", clean=True, splits=("train",)),
    SpeechSet(folder="made", group="made", clean=True, splits=("train",)),
)
DIGITS = frozenset(("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"))
# Read phrases with one of these are drawn more often: there are few of them.
TENS = frozenset(texts.TENS[2:] + texts.TEENS[1:])
# Words of the one-word set that calls use as well.
COMMON_WORDS = frozenset(("stop", "go", "up", "down", "left", "right", "on", "off", "no", "yes", "forward", "backward"))


def speaker_of(row: dict[str, str]) -> str:
    """Whose voice a row holds, as one word unique over all sets."""
    return row.get("speaker") or row.get("voice") or ""


def is_talk(group: str, row: dict[str, str]) -> int:
    """Whether a clip is talk (1), a call (0), or may be either (-1): single words of the callers' own vocabulary."""
    if group in ("libri", "span", "tens", "negw") or row.get("kind") == "chatter":
        return 1
    if group == "an4" or (group == "gsc" and row["text"] in COMMON_WORDS):
        return -1
    return int(group == "gsc" and row["text"] not in DIGITS)


def tight(x: np.ndarray) -> tuple[int, int]:
    """The word in a one-second clip: [start, end) in samples, 30 ms before and 40 ms after its level rises and falls."""
    frames = len(x) // 160
    level_db = 20 * np.log10(np.sqrt((x[: frames * 160].reshape(frames, 160) ** 2).mean(1)) + 1e-6)
    floor = np.percentile(level_db, 10)
    threshold = max(level_db.max() - 32, floor + 0.3 * (level_db.max() - floor))
    loud = np.flatnonzero(level_db > threshold)
    return max(0, int(loud[0]) * 160 - 480), min(len(x), (int(loud[-1]) + 1) * 160 + 640)


def rows_of(data: Path, speech: SpeechSet, splits: tuple[str, ...]) -> list[dict[str, str]]:
    """Rows of one set's index in the given splits; an absent optional set has none."""
    index = data / speech.folder / speech.index
    if not index.exists():
        return []
    with index.open(newline="") as handle:
        return [row for row in csv.DictReader(handle) if row["split"] in splits and row["text"].strip()]


def collect(data: Path, clean_licences: bool = False) -> list[Clip]:
    """Every training clip under `data`, with phones; rows with a word no dictionary knows are left out."""
    phones, clips = texts.Phones(guess=True), []
    for speech in SETS:
        if clean_licences and not speech.clean:
            continue
        sound: dict[str, np.ndarray] = {}
        for row in rows_of(data, speech, speech.splits):
            if speaker_of(row) in HELD_OUT:
                continue
            said = phones.text(row["text"])
            if said is None:
                continue
            start, end = int(float(row["start_s"]) * RATE), int(float(row["end_s"]) * RATE)
            name = f"{speech.folder}/{row['file']}"
            if speech.words:
                if name not in sound:
                    sound = {name: read_sound_file(data / name).astype(np.float32) / 32768}
                a, b = tight(sound[name][start:end])
                start, end = start + a, start + b
            if end - start < 1600:
                continue
            ids = tuple(PHONE_ID[p] for p in said if p in PHONE_ID)
            group = "tens" if speech.group == "span" and TENS & set(row["text"].split()) else speech.group
            group = "accent" if row.get("engine") == "accent" else group
            clips.append(
                Clip(
                    file=name,
                    start=start,
                    length=end - start,
                    phones=ids,
                    group=group,
                    speaker=speaker_of(row),
                    text=row["text"],
                    talk=is_talk(speech.group, row),
                )
            )
    return clips


def test_speakers(data: Path) -> set[str]:
    """Every voice of the test split of every set, and the voices that only the tests may make."""
    out = set(HELD_OUT)
    for index in sorted(data.glob("*/*/index.csv")):
        with index.open(newline="") as handle:
            out |= {speaker_of(row) for row in csv.DictReader(handle) if row["split"] in ("test", "neg_test")}
    return out - {""}


def check_disjoint(clips: list[Clip], data: Path) -> None:
    """No voice, engine or file of the test among the training clips.

    Raises
    ------
    ValueError
        Names every voice, and every file, that is in both.
    """
    # The prompted-word set has no speaker names: its "voice" is the prompt, and its files are split instead.
    shared = {c.speaker for c in clips if c.group != "negw"} & test_speakers(data)
    files = {Path(c.file).name for c in clips}
    both = sorted(shared) + sorted(f for f in files if f.startswith(("test_", "joe_")))
    if both:
        raise ValueError(f"in training and in test: {', '.join(both)}")


def noise_files(data: Path) -> list[Path]:
    """Recorded noise for training: the training and development clips of authors none of whose clips is tested."""
    with (data / "noise/index.csv").open(newline="") as handle:
        rows = list(csv.DictReader(handle))
    tested = {row["author"] for row in rows if row["split"] == "test"}
    return [
        data / "noise" / row["file"] for row in rows if row["split"] in ("train", "dev") and row["author"] not in tested
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("data", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--clean-licences", action="store_true")
    args = parser.parse_args()
    clips = collect(args.data, args.clean_licences)
    check_disjoint(clips, args.data)
    args.out.mkdir(parents=True, exist_ok=True)
    for name in sorted({c.file for c in clips}):
        (args.out / name).parent.mkdir(parents=True, exist_ok=True)
        if not (args.out / name).exists():
            shutil.copy(args.data / name, args.out / name)
    (args.out / "noise").mkdir(exist_ok=True)
    noise = noise_files(args.data)
    for path in noise:
        shutil.copy(path, args.out / "noise")
    manifest = {
        "clips": [asdict(c) for c in clips],
        "noise": [f"noise/{p.name}" for p in noise],
        "clean_licences": args.clean_licences,
    }
    (args.out / "manifest.json").write_text(json.dumps(manifest, separators=(",", ":")))
    groups = sorted({c.group for c in clips})
    for group in groups:
        mine = [c for c in clips if c.group == group]
        print(
            f"{group:8} {len(mine):6} clips {sum(c.length for c in mine) / RATE / 3600:6.2f} h {len({c.speaker for c in mine}):4} voices"
        )


if __name__ == "__main__":
    main()

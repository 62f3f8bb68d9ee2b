"""A small campaign on disk as the program makes it: the demo's cards, flights heard from a transcript, a minute of sound."""

import functools
import itertools
import math
import shutil
from pathlib import Path

import numpy as np

from logger_app.__main__ import main
from logger_app.io.resources import data_dir
from logger_app.io.sound import open_sound
from logger_app.logstore.audio_io import SegmentWriter
from logger_app.logstore.store import Journal

RATE_HZ = 16_000
WORDS = """start_s,words
2,power idle
3,flap zero
10,on condition
12,sixty two
14,fifty nine
16,fifty seven
18,fifty five
20,fifty three
22,fifty one
23,fifty
24,buffet
24.5,forty nine
25.2,break
28,recovered
"""


def make_campaign(folder: Path, flights=("day1_baseline",), sound_s: float = 30.0) -> Path:
    """The campaign's folder; each flight has its own pitch in its sound, so that one can be told from another."""
    folder.mkdir(parents=True, exist_ok=True)
    shutil.copy(data_dir("demo_sessions") / "sparrow_cuffs" / "inputs" / "campaign.toml", folder)
    words = folder / "words.csv"
    words.write_text(WORDS, encoding="utf-8")
    for k, name in enumerate(flights):
        flight = folder / "flights" / name
        assert main(["hear", str(words), "--into", str(flight)]) == 0
        if sound_s:
            with Journal.open(flight) as journal, SegmentWriter(flight, journal) as writer:
                writer.write(tone(k, sound_s))
    words.unlink()
    return folder


@functools.cache
def demo_sound(flight: str = "day1_baseline", seconds: float = 800.0) -> np.ndarray:
    """The cockpit sound of a flight of the demo, thirteen minutes or its first seconds: decoded once, not to be changed."""
    with open_sound(data_dir("demo_sessions") / "sparrow_cuffs" / "inputs" / f"{flight}.opus") as stream:
        blocks = itertools.islice(stream.blocks(1.0), math.ceil(seconds))
        return np.concatenate(list(blocks))[: round(seconds * RATE_HZ)]


def tone(k: int, seconds: float) -> np.ndarray:
    """A tone of (k + 1) x 300 Hz."""
    at_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return (8000 * np.sin(2 * np.pi * 300 * (k + 1) * at_s)).astype(np.int16)

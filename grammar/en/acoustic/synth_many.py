"""Much made speech at once, on a machine with many cores: `synth` and `synth_neural` by a pool of processes.

``python -m grammar.en.acoustic.synth_many OUT --pack PACK --read INDEX --jobs 56 --hibari 800 --older 400`` makes 800 rounds by pseudo-speakers
and about 400 minutes by the older engines, and writes arrays and a ``manifest.json`` that `train` takes beside the prepared clips.
"""

from __future__ import annotations

import argparse
import json
import random
import shutil
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import numpy as np

from logger_app.hear.phones import PHONE_ID

from . import synth, synth_neural, texts

Made = list[tuple[np.ndarray, str, str]]


def hibari_round(k: int, phrases: tuple[str, ...], read: tuple[str, ...], seed: int) -> tuple[str, str, Made]:
    """One round by the pseudo-speaker `k`."""
    rng, phones, engine = random.Random(f"{seed} hibari {k}"), texts.Phones(), synth_neural.hibari()
    voice, say = engine.voice(k, rng)
    return f"{voice}s{seed}", "hibari", synth_neural.hibari_clips(say, rng, phrases, read, phones)


def older_voice(job: tuple, phrases: tuple[str, ...], read: tuple[str, ...], seed: int) -> tuple[str, str, Made]:
    """All sentences of one voice of the older engines."""
    return job[0], "accent" if job[1] == "accent" else "made", synth.make_voice(job, phrases, read, seed)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("out", type=Path)
    parser.add_argument("--pack", type=Path, required=True)
    parser.add_argument("--read", type=Path, required=True)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--hibari", type=int, default=0, help="rounds, each by another pseudo-speaker")
    parser.add_argument("--older", type=float, default=0.0, help="minutes of speech by the older engines")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    given = {
        "phrases": texts.pack_templates(args.pack, ignored=False),
        "read": synth.read_sentences(args.read),
        "seed": args.seed,
    }
    voices = synth.voices(random.Random(args.seed), args.older) if args.older else []
    programs = {"espeak": "espeak-ng", "accent": "espeak-ng", "flite": "flite", "festival": "festival"}
    voices = sorted((job for job in voices if shutil.which(programs[job[1]])), key=lambda job: -job[3])
    phones, clips = texts.Phones(), []
    with ProcessPoolExecutor(args.jobs) as pool:
        made = [pool.submit(partial(older_voice, **given), job) for job in voices]
        made += [pool.submit(partial(hibari_round, **given), k) for k in range(args.hibari)]
        parts, at, files = [], 0, 0
        for future in made:
            voice, group, mine = future.result()
            for x, text, kind in mine:
                said = phones.text(text)
                if said is None:
                    continue
                sound = (x * (16_000 / np.abs(x).max())).astype(np.int16)
                clips.append(
                    {
                        "file": f"made_{files:02d}.npy",
                        "start": at,
                        "length": len(sound),
                        "group": group,
                        "speaker": voice,
                        "text": text,
                        "talk": int(kind == "chatter"),
                        "phones": [PHONE_ID[p] for p in said if p in PHONE_ID],
                    }
                )
                parts += [sound, np.zeros(800, np.int16)]
                at += len(sound) + 800
            if at > 60 * 60 * synth.RATE or (future is made[-1] and parts):
                np.save(args.out / f"made_{files:02d}.npy", np.concatenate(parts))
                parts, at, files = [], 0, files + 1
    (args.out / "manifest.json").write_text(
        json.dumps({"clips": clips, "noise": [], "clean_licences": True}, separators=(",", ":"))
    )
    print(f"{len(clips)} sentences, {sum(c['length'] for c in clips) / synth.RATE / 3600:.2f} h", flush=True)


if __name__ == "__main__":
    main()

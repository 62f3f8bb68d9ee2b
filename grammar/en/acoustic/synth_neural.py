"""Training speech from two small neural engines: many voices for the phrases, and talk by the same voices as the calls.

`hibari` speaks as pseudo-speakers of one voice (`synth_many` has them speak). Kokoro is slow and wants many cores: ``--plan --voices DIR --vocabulary
FILE`` writes what it is to say (the package ``hibari`` turns text into sounds for both), ``--say MODEL.onnx --voices DIR --jobs N`` says it
on whatever machine, as clips that `train` takes beside the prepared ones. `KOKORO_TEST` and mixes with them are never planned.
A voice that only talks, or only calls, would teach the network to know the voice: every voice does both.
"""

from __future__ import annotations

import argparse
import itertools
import json
import random
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from functools import lru_cache
from math import gcd
from pathlib import Path

import numpy as np
from scipy import signal

from logger_app.hear.phones import PHONE_ID

from . import texts
from .synth import RATE, _trim, read_sentences

# Voices of the test split of synthetic/kokoro.
KOKORO_TEST = {
    "af_sky",
    "af_jessica",
    "am_echo",
    "am_liam",
    "bf_lily",
    "bm_lewis",
    "em_alex",
    "hf_beta",
    "im_nicola",
    "zf_xiaoni",
    "jf_tebukuro",
}
ENGINE_RATE = 24_000
# Words that the engines' own dictionary says otherwise than pilots do.
AS_SAID = {
    "buffet": "[buffet](/bˈʌfət/)",
    "buffeting": "[buffeting](/bˈʌfəTɪŋ/)",
    "fower": "[fower](/fˈOəɹ/)",
    "rpm": "r p m",
    "niner": "[niner](/nˈInəɹ/)",
}
# The same words as they run together in connected speech: one of the ways, now and then.
RUN_TOGETHER = {
    "twenty": ("twˈɛni", "twˈʌni", "twˈɛnti"),
    "thirty": ("θˈɜɹTi", "θˈɜɹti"),
    "forty": ("fˈɔɹTi", "fˈɔɹti"),
    "fifty": ("fˈɪfti", "fˈɪfTi", "fˈɪfti"),
    "sixty": ("sˈɪksti", "sˈɪksTi", "sˈɪkti"),
    "seventy": ("sˈɛvənTi", "sˈɛvni", "sˈɛvmti", "sˈɛvənti"),
    "eighty": ("ˈATi", "ˈAti"),
    "ninety": ("nˈInTi", "nˈInti", "nˈIni"),
    "thirteen": ("θˌɜɹtˈin", "θˈɜɹtˌɪn"),
    "fourteen": ("fˌɔɹtˈin", "fˈɔɹtˌɪn"),
    "fifteen": ("fˌɪftˈin", "fˈɪftˌɪn"),
    "sixteen": ("sˌɪkstˈin", "sˈɪkstˌɪn"),
    "seventeen": ("sˌɛvəntˈin", "sˈɛvəntˌɪn"),
    "eighteen": ("ˌAtˈin", "ˈAtˌɪn"),
    "nineteen": ("nˌIntˈin", "nˈIntˌɪn"),
    "oh": ("O", "ˌO", "ˈO"),
    "hundred": ("hˈʌnəɹd", "hˈʌndɹɪd", "ˈʌndɹəd"),
}
RUN_TOGETHER_SHARE = 0.35
ROUND = 24  # sentences a voice and round
Sentence = tuple[str, str]


def sentence(rng: random.Random, phrases: tuple[str, ...], read: tuple[str, ...], phones: texts.Phones) -> Sentence:
    """(text, ``call`` or ``chatter``): phrases of the pack, numbers, and talk."""
    while True:
        if rng.random() < 0.28:
            text, kind = texts.talk(rng, read), "chatter"
        elif rng.random() < 0.5:
            text, kind = texts.tens_call(rng) if rng.random() < 0.8 else texts.number_row(rng), "call"
        elif rng.random() < 0.62:
            text, kind = texts.expand(rng.choice(phrases), rng), "call"
        else:
            text, kind = texts.callout(rng), "call"
        if phones.text(text):
            return text, kind


class Speaker:
    """Text to sounds, and sounds to 24 kHz speech by one of many voices."""

    def __init__(self):
        from hibari.g2p import G2P

        self._spell = {british: G2P(british=british) for british in (False, True)}

    def sounds(self, text: str, british: bool, end: str, rng: random.Random) -> str:
        """Phonemes of a sentence; numbers run together now and then."""

        def written(word: str) -> str:
            if word in RUN_TOGETHER and rng.random() < RUN_TOGETHER_SHARE:
                return f"[{word}](/{rng.choice(RUN_TOGETHER[word])}/)"
            return AS_SAID.get(word, word)

        said = " ".join(written(word) for word in text.split())
        return self._spell[british](said).strip().rstrip(".,") + end


class Hibari(Speaker):
    """One voice, and pseudo-speakers of it: another pitch, range of pitch and vocal tract."""

    def __init__(self):
        super().__init__()
        from hibari import Hibari as Engine
        from hibari import dsp

        self._engine, self._dsp, self._rng = Engine(threads=1), dsp, np.random.default_rng(11)

    def voice(self, k: int, rng: random.Random) -> tuple[str, Callable[[str, random.Random], np.ndarray]]:
        """Name of the pseudo-speaker `k`, and how it says a text."""
        male = k % 3 != 0
        pitch, tract = (
            (rng.uniform(0.46, 0.72), rng.uniform(0.84, 0.93))
            if male
            else (rng.uniform(0.85, 1.2), rng.uniform(0.93, 1.08))
        )
        how = (pitch, rng.uniform(0.5, 1.3), tract, rng.uniform(-0.5, 0.5), rng.uniform(-0.3, 0.5))
        return f"hq{k:03d}{'m' if male else 'f'}", lambda text, r: self._say(text, r, *how)

    def _say(
        self, text: str, rng: random.Random, pitch: float, span: float, tract: float, tilt: float, breath: float
    ) -> np.ndarray:
        ids = self._engine.ids(self.sounds(text, False, rng.choice("...!,"), rng))
        speed = rng.uniform(0.85, 1.65)
        harmonic, turbulent, noise, rest, phase, f0 = (
            x[0]
            for x in self._engine.sess.run(
                None, {"ids": np.asarray([ids], np.int64), "speed": np.asarray([speed], np.float32)}
            )
        )
        f0, voiced = f0.copy(), f0 > 60
        if voiced.any():
            middle = np.exp(np.log(f0[voiced]).mean())
            f0[voiced] = np.clip(
                middle * pitch * rng.uniform(0.93, 1.08) * (f0[voiced] / middle) ** (span * rng.uniform(0.8, 1.2)),
                45,
                420,
            )
        slope = ((tilt + rng.uniform(-0.1, 0.1)) * np.log10(np.maximum(np.arange(harmonic.shape[0]) * 20, 200) / 1000))[
            :, None
        ].astype(np.float32)
        level = np.float32(0.5 * np.log(pitch))
        less = 0.7 if not 0.9 < pitch < 1.1 else 0.0
        bent = [_bent(m, tract) for m in (harmonic, turbulent, noise, rest)]
        return self._dsp.synth(
            bent[0] + slope + level,
            bent[1],
            bent[2] + slope + np.float32(breath),
            bent[3] + slope - less,
            phase,
            f0,
            self._rng,
        )


def _bent(spectrum: np.ndarray, factor: float) -> np.ndarray:
    """Rows (frequency) of an envelope moved by `factor`."""
    n = len(spectrum)
    place = np.clip(np.arange(n) / factor, 0, n - 1)
    low = place.astype(int)
    part = (place - low)[:, None].astype(np.float32)
    return spectrum[low] * (1 - part) + spectrum[np.minimum(low + 1, n - 1)] * part


@lru_cache(maxsize=1)
def hibari() -> Hibari:
    """The engine, loaded once a process."""
    return Hibari()


def hibari_clips(
    say: Callable[[str, random.Random], np.ndarray],
    rng: random.Random,
    phrases: tuple[str, ...],
    read: tuple[str, ...],
    phones: texts.Phones,
) -> list[tuple[np.ndarray, str, str]]:
    """One round of a pseudo-speaker: [(16 kHz float32, text, ``call`` or ``chatter``)]."""
    clips = []
    for _ in range(ROUND):
        text, kind = sentence(rng, phrases, read, phones)
        x = _trim(to_16k(say(text, rng), 1.0 if rng.random() < 0.6 else rng.uniform(0.94, 1.07)))
        if len(x) > 3200 and np.isfinite(x).all():
            clips.append((x, text, kind))
    return clips


class Kokoro(Speaker):
    """Style vectors of many voices, and mixes of two of them: plans what is to be said; `say_plan` says it elsewhere."""

    def __init__(self, folder: Path, vocabulary: Path):
        super().__init__()
        self._ids = json.loads(vocabulary.read_text())["vocab"]
        names = sorted(path.stem for path in folder.glob("*.bin"))
        self._names = [name for name in names if name not in KOKORO_TEST]
        self._english = [name for name in self._names if name[0] in "ab"]

    def plan(self, text: str, rng: random.Random) -> dict:
        """One sentence for `say_plan`: tokens, style vectors and their shares, pace."""
        a = rng.choice(self._names)
        b, share = a, 1.0
        if rng.random() < 0.3:
            a = rng.choice(self._english)
            b, share = (
                rng.choice([name for name in self._english if name[1] == a[1] and name != a]),
                round(rng.uniform(0.35, 0.65), 2),
            )
        manner = rng.choice([name for name in self._names if name[1] == a[1]])
        sounds = self.sounds(text, a[0] == "b", rng.choice("....!,,?"), rng)
        ids = [self._ids[c] for c in sounds if c in self._ids]
        return {
            "tokens": ids,
            "row": max(0, len(ids) + rng.randint(-10, 60)),
            "voices": [a, b, manner],
            "shares": [share, round(rng.uniform(0, 0.35), 2)],
            "liveliness": round(rng.uniform(0.9, 1.15), 2),
            "speed": round(rng.uniform(0.85, 1.65), 2),
            "warp": 1.0 if rng.random() < 0.6 else round(rng.uniform(0.94, 1.07), 3),
        }


def write_plan(args, sentences: Iterator[Sentence], phones: texts.Phones, rng: random.Random) -> None:
    """``plan.json``: what Kokoro is to say, with the phones of each sentence."""
    speaker, plans = Kokoro(args.voices, args.vocabulary), []
    for text, kind in itertools.islice(sentences, args.count):
        said = speaker.plan(text, rng)
        a, b, _ = said["voices"]
        plans.append(
            {
                **said,
                "text": text,
                "talk": int(kind == "chatter"),
                "speaker": a if a == b else f"mix_{a}_{b}",
                "phones": [PHONE_ID[p] for p in phones.text(text) if p in PHONE_ID],
            }
        )
    (args.out / "plan.json").write_text(json.dumps(plans, separators=(",", ":")))
    print(f"{len(plans)} sentences planned")


def _say_share(job: tuple) -> tuple[list[dict], np.ndarray]:
    """Every `jobs`-th sentence of a plan, until the time is over: clips within one array, and the array."""
    plans, model, folder, until, name = job
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    run = onnxruntime.InferenceSession(str(model), options, providers=["CPUExecutionProvider"]).run
    styles = {path.stem: np.fromfile(path, "<f2").reshape(-1, 256).astype(np.float32) for path in folder.glob("*.f2")}
    clips, parts, at = [], [], 0
    for plan in plans:
        if time.time() > until:
            break
        a, b, manner = (styles[v] for v in plan["voices"])
        row, (share, borrowed) = min(len(a) - 1, plan["row"]), plan["shares"]
        style = share * a[row] + (1 - share) * b[row]
        style[128:] += borrowed * (manner[row, 128:] - style[128:])  # the half that says how, not who
        style[128:] *= plan["liveliness"]
        given = {
            "tokens": np.array([[0, *plan["tokens"], 0]], np.int64),
            "style": style[None].astype(np.float32),
            "speed": np.array([plan["speed"]], np.float32),
        }
        x = _trim(to_16k(run(None, given)[0].ravel(), plan["warp"]))
        if len(x) > 3200 and np.isfinite(x).all():
            x = (x * (16_000 / np.abs(x).max())).astype(np.int16)
            clips.append(
                {
                    "file": name,
                    "start": at,
                    "length": len(x),
                    "group": "kokoro",
                    **{k: plan[k] for k in ("phones", "speaker", "text", "talk")},
                }
            )
            parts += [x, np.zeros(800, np.int16)]
            at += len(x) + 800
    return clips, np.concatenate(parts) if parts else np.zeros(0, np.int16)


def say_plan(out: Path, model: Path, folder: Path, seconds: float, jobs: int) -> None:
    """Say ``out/plan.json`` with `jobs` processes for `seconds`; writes ``manifest.json`` and sound as `data` prepares it.

    `folder` holds the style vectors in half precision, ``<name>.f2``.
    """
    plans, until = json.loads((out / "plan.json").read_text()), time.time() + seconds
    with ProcessPoolExecutor(jobs) as pool:
        shares = pool.map(
            _say_share, [(plans[k::jobs], model, folder, until, f"kokoro_{k:02d}.npy") for k in range(jobs)]
        )
        clips = []
        for k, (mine, sound) in enumerate(shares):
            clips += mine
            np.save(out / f"kokoro_{k:02d}.npy", sound)
    (out / "manifest.json").write_text(
        json.dumps({"clips": clips, "noise": [], "clean_licences": True}, separators=(",", ":"))
    )
    print(f"{len(clips)} of {len(plans)} sentences, {sum(c['length'] for c in clips) / RATE / 3600:.2f} h", flush=True)


def to_16k(x: np.ndarray, warp: float) -> np.ndarray:
    """24 kHz to 16 kHz; `warp` above 1 makes it shorter and higher."""
    down = round(ENGINE_RATE * warp / 100) * 100
    common = gcd(RATE, down)
    return signal.resample_poly(x, RATE // common, down // common).astype(np.float32)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--pack", type=Path, help="pack file whose phrases are said")
    parser.add_argument("--read", type=Path, help="index.csv of the read sentences, for pieces of talk")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--plan", action="store_true", help="plan what Kokoro is to say")
    parser.add_argument("--count", type=int, default=20_000)
    parser.add_argument("--voices", type=Path, help="style vectors")
    parser.add_argument("--vocabulary", type=Path)
    parser.add_argument("--say", type=Path, metavar="MODEL.onnx", help="say a plan with this model")
    parser.add_argument("--seconds", type=float, default=150.0, help="time to spend on --say")
    parser.add_argument("--jobs", type=int, default=2)
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    if args.say:
        say_plan(args.out, args.say, args.voices, args.seconds, args.jobs)
        return
    phrases, read, phones = texts.pack_templates(args.pack, ignored=False), read_sentences(args.read), texts.Phones()
    rng = random.Random(args.seed)
    if args.plan:
        write_plan(args, iter(lambda: sentence(rng, phrases, read, phones), None), phones, rng)
        return


if __name__ == "__main__":
    main()

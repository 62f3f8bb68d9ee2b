"""Does a minute of reading by the pilot help? Measured on people the model never met. Prints a table.

    python tests/bench/adaptation.py --data DIR

What is adapted: one bias for each phone output (40 numbers), by gradient steps on the CTC loss of about 30 read calls in
quiet cockpit noise (15 dB), shrunk towards none. Heard with and without it: the person's other calls at 10 and 5 dB,
and another person's calls (nothing may get worse when somebody else speaks).
"""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import speech

from logger_app.hear.decode import Stretch
from logger_app.hear.engine_callout import CalloutEngine, speech_of
from logger_app.hear.engine_util import as_float
from logger_app.hear.packs_io import load_pack
from logger_app.hear.phones import PHONE_ID

READ, STEPS, RATE, SHRINK = 30, 12, 0.5, 0.1


def occupancy(log_p: np.ndarray, phones: list[int]) -> np.ndarray:
    """Expected count of each output over the frames, given that the phones were said (CTC forward-backward), shape (40,)."""
    labels = np.zeros(2 * len(phones) + 1, int)
    labels[1::2] = phones
    skip = np.zeros(len(labels), bool)
    skip[3::2] = labels[3::2] != labels[1:-2:2]
    p = np.exp(log_p)[:, labels]
    forward, backward = np.zeros_like(p), np.zeros_like(p)
    forward[0, :2] = p[0, :2]
    backward[-1, -2:] = 1.0
    for t in range(1, len(p)):
        a = forward[t - 1]
        come = a + np.concatenate([[0], a[:-1]]) + np.where(skip, np.concatenate([[0, 0], a[:-2]]), 0)
        forward[t] = come * p[t]
        forward[t] /= forward[t].sum() + 1e-300
    ahead = np.concatenate([skip[2:], [False, False]])
    for t in range(len(p) - 2, -1, -1):
        b = backward[t + 1] * p[t + 1]
        backward[t] = b + np.concatenate([b[1:], [0]]) + np.where(ahead, np.concatenate([b[2:], [0, 0]]), 0)
        backward[t] /= backward[t].sum() + 1e-300
    both = forward * backward
    both /= both.sum(1, keepdims=True) + 1e-300
    return np.bincount(labels, both.sum(0), log_p.shape[1])


def biased(log_p: np.ndarray, bias: np.ndarray) -> np.ndarray:
    """Log-probabilities with a bias on every output, normalised again."""
    raw = log_p + bias
    return raw - np.log(np.exp(raw).sum(1, keepdims=True))


def adapt(read: list[tuple[np.ndarray, list[int]]]) -> np.ndarray:
    """The bias that explains the read calls better, shape (40,)."""
    bias = np.zeros(40)
    for _ in range(STEPS):
        gradient, frames = np.zeros(40), 0
        for log_p, phones in read:
            now = biased(log_p, bias)
            gradient += occupancy(now, phones) - np.exp(now).sum(0)
            frames += len(phones)
        bias += RATE * (40 * gradient / frames / 4 - SHRINK * bias)
    return bias - bias[0]


class Listener:
    """The engine's network and decoder, with a bias between them."""

    def __init__(self, engine: CalloutEngine, corpus: speech.Speech):
        self.engine, self.corpus = engine, corpus

    def stretch(self, item: speech.Item, snr_db: float, seed: int) -> Stretch | None:
        noise = self.corpus.noise("made", len(item.sound) + 2 * speech.RATE, seed)
        return speech_of(*self.engine.net.run(as_float(speech.mix(item.sound, snr_db, noise))))

    def phones(self, item: speech.Item) -> list[int]:
        return [PHONE_ID[p] for word in item.words.split() for p in self.engine.pack.pronunciations(word)[0].split()]

    def right(self, item: speech.Item, stretch: Stretch | None, bias: np.ndarray) -> bool:
        if stretch is None:
            return False
        found = self.engine.decoder.whole(
            Stretch(biased(stretch.log_p, bias), stretch.activity, stretch.talk, stretch.first)
        )
        return found is not None and (str(found.call.kind), found.call.name, found.call.value) == item.meaning


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--data", type=Path, required=True)
    args = parser.parse_args()
    pack = load_pack("en")
    corpus = speech.Speech(args.data, pack)
    listener = Listener(CalloutEngine(pack), corpus)
    items = (
        corpus.real_digits(each_of_few=110, each_of_many=40)
        + corpus.spoken("synthetic/kokoro", "neural", ("airspeed",), 400)
        + corpus.spoken("synthetic/piper_joe", "engine", ("airspeed",), 110)
    )
    people = {s: [i for i in items if i.speaker == s] for s in sorted({i.speaker for i in items})}
    people = {s: mine for s, mine in people.items() if len(mine) >= 20}
    total = np.zeros(5, int)
    others = [i for i in items if i.speaker == "joe"][:30]
    for speaker, mine in people.items():
        cut = min(READ, len(mine) // 2)
        read = [
            (st.log_p, listener.phones(i))
            for k, i in enumerate(mine[:cut])
            if (st := listener.stretch(i, 15.0, k)) and len(st.log_p) > 2 * len(listener.phones(i))
        ]
        bias = adapt(read)
        heard = [(i, listener.stretch(i, snr_db, 300 + k)) for snr_db in (10.0, 5.0) for k, i in enumerate(mine[cut:])]
        before = sum(listener.right(i, st, np.zeros(40)) for i, st in heard)
        after = sum(listener.right(i, st, bias) for i, st in heard)
        away = [(i, listener.stretch(i, 10.0, 900 + k)) for k, i in enumerate(others)] if speaker != "joe" else []
        away_before, away_after = (sum(listener.right(i, st, b) for i, st in away) for b in (np.zeros(40), bias))
        total += [before, after, len(heard), away_before, away_after]
        print(
            f"{speaker:28} read {len(read):3}: {before:3} -> {after:3} of {len(heard):3}; another voice {away_before} -> {away_after} of {len(away)}; largest bias {np.abs(bias).max():.2f}",
            flush=True,
        )
    print(
        f"all: {total[0]} -> {total[1]} of {total[2]} ({100 * (total[1] - total[0]) / total[2]:+.1f} points); another voice {total[3]} -> {total[4]}"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())

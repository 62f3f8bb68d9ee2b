"""Fit the calibration of the callout engine (``conf.json``) on the voices set aside for it.

    python tests/bench/calibrate.py --data DIR --out grammar/en/acoustic/conf.json [--model DIR]

Calls by the calibration voices in silence and in made and recorded noise are heard one by one; talk by the
development speakers is heard as a stream with everything accepted. A logistic function of the engine's measures
is fitted to what was right. Prints how reliable it is on its own voices; the bench prints it for all others.
"""

from __future__ import annotations

import argparse
import json
import os
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import speech

from grammar.en.acoustic.calibrate import acceptance, believe, fit
from logger_app.hear.engine_callout import CalloutEngine
from logger_app.hear.gate import Gate
from logger_app.hear.packs_io import load_pack

CONDITIONS = ((None, "made"), (10.0, "made"), (10.0, "recorded"), (5.0, "made"), (5.0, "recorded"))

# Weight of a piece of talk against a spoken call. Between 0.3 and 3, less takes more talk for calls and more flags more
# right readings; at 1 the latter stay under 8 % at 10 dB.
TALK_WEIGHT = 1.0


class Recorder:
    """Stands for the decoder's gate: answers as it does and keeps all that it was asked about."""

    def __init__(self, gate: Gate):
        self._gate, self.kept = gate, []

    def __getattr__(self, name: str):
        return getattr(self._gate, name)

    def belief(self, measured: np.ndarray) -> float:
        """The gate's own belief."""
        self.kept.append(measured)
        return self._gate.belief(measured)


def positives(engine: CalloutEngine, recorder: Recorder, corpus: speech.Speech) -> tuple[list, list, list, list]:
    """Measures, right or wrong, weight and noise level of every calibration item in every condition."""
    items = (
        corpus.real_digits(each_of_many=24)
        + corpus.spoken("synthetic/kokoro", "neural", ("airspeed", "event", "command", "setting"), 10_000)
        + corpus.made_phrases()
    )
    items = [item for item in items if speech.is_calibration(item.speaker)]
    measured, right, weight, level = [], [], [], []
    share = {speaker: sum(item.speaker == speaker for item in items) for speaker in {item.speaker for item in items}}
    for k, (snr_db, kind) in enumerate(CONDITIONS):
        for j, item in enumerate(items):
            noise = None if snr_db is None else corpus.noise(kind, len(item.sound) + 2 * speech.RATE, 10_000 * k + j)
            recorder.kept.clear()
            call = engine.decode_item(speech.mix(item.sound, snr_db, noise))
            if call is None or not recorder.kept:
                continue
            measured.append(recorder.kept[-1])
            right.append((str(call.kind), call.name, call.value) == item.meaning)
            # Every voice counts as much as 20 items: one bad recording in many combinations is still one.
            weight.append(20.0 / share[item.speaker])
            level.append(99.0 if snr_db is None else snr_db)
    return measured, right, weight, level


def negatives(engine: CalloutEngine, recorder: Recorder, corpus: speech.Speech) -> list:
    """Measures of whatever the engine would call in talk, in silence and at 10 dB: the development speakers', and the calibration voices'."""
    talk = [sound for speaker, _, sound in corpus.talk(splits=("dev",))] + corpus.made_talk(
        [v for v in speech.HELD_OUT_VOICES if speech.is_calibration(v)], 60
    )
    sound = speech.joined(talk)
    recorder.kept.clear()
    for snr_db in (None, 10.0):
        engine.reset()
        pcm = speech.mix(sound, snr_db, speech.cockpit_noise(len(sound) + 2 * speech.RATE, 77))
        for at in range(0, len(pcm), speech.RATE):
            engine.feed(pcm[at : at + speech.RATE])
        engine.finish()
    return list(recorder.kept)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--model", type=Path)
    args = parser.parse_args()
    pack = load_pack("en")
    engine, corpus = CalloutEngine(pack, model=args.model), speech.Speech(args.data, pack)
    recorder = Recorder(engine.decoder.gate)
    engine.decoder.gate = recorder
    measured, right, weight, level = positives(engine, recorder, corpus)
    talk = negatives(engine, recorder, corpus)
    x = np.array(measured + talk)
    y = np.array(right + [False] * len(talk))
    w = np.array(weight + [TALK_WEIGHT] * len(talk))
    conf = fit(x, y, w)
    believed = believe(conf, x)
    counted = np.array(level + [-99.0] * len(talk)) >= 5.0
    conf["late_s"] = recorder.late_frames * 0.02
    conf["feat"] = "1, -log(1-post)<=12, llr/n, min(0,llr)/10, vad, log n, talk"
    conf["fitted_on"] = f"{len(right)} calls of {len(speech.CALIBRATION_VOICES)} voices, {len(talk)} pieces of talk"
    if args.out.exists():  # the thresholds (`Gate`) were chosen apart, and the leans are the network's: they stay
        before = json.loads(args.out.read_text(encoding="utf-8"))
        conf |= {key: before[key] for key in ("leans", "accept") if key in before}
    args.out.write_text(json.dumps(conf, indent=1) + "\n", encoding="utf-8")
    print(
        f"{conf['fitted_on']}; 3 % of right calls at 5 dB and better lie under {acceptance(believed[y & counted]):.3f}"
    )
    for low, high in ((0, 0.2), (0.2, 0.5), (0.5, 0.8), (0.8, 0.9), (0.9, 0.98), (0.98, 1.01)):
        inside = (believed >= low) & (believed < high)
        if inside.any():
            print(
                f"belief {low:.2f}-{min(high, 1):.2f}: {inside.sum():5} said {believed[inside].mean():.3f} right {y[inside].mean():.3f}"
            )


if __name__ == "__main__":
    main()

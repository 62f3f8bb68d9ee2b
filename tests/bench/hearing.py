"""How well calls are heard: engines on the same speech and noise, none of which the model was trained on.

    python tests/bench/hearing.py --data DIR [--engine callout] [--engine vosk --vosk MODEL] [--rows calls,phrases,...] [--json]
    python tests/bench/hearing.py --quick            # the small sample beside this file, for CI

DIR (or the variable KNEECALL_SPEECH_DATA) holds the speech sets; ``grammar/en/acoustic/SOURCES.md`` says what they are.
Prints a table with 95 % Wilson intervals; with ``--json`` one document and nothing else on standard output.
``--model DIR`` compares other weights on the same items. Seeds are fixed: two runs give the same numbers.
Asserts nothing: figures to reach are in the README of this folder.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import sys
import tempfile
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np
import speech
import voices
from scipy import signal

from logger_app.hear.engine import Engine, make_engine
from logger_app.hear.packs import Pack
from logger_app.hear.packs_io import load_pack
from logger_app.hear.sequence import read_sequence
from logger_app.records.calls import CallKind, Flag, HeardCall

HERE = Path(__file__).parent
ROWS = ("calls", "tens", "digits", "phrases", "sentences", "approaches", "talk", "numbers", "noise", "bad")
LOOK = {
    Flag.UNSURE,
    Flag.IMPLAUSIBLE,
    Flag.SOUNDS_LIKE,
    Flag.OUT_OF_RANGE,
    Flag.NO_DECADE,
    Flag.DISAGREE,
    Flag.TOO_QUIET,
    Flag.CLIPPED,
}
BLOCK = 1600  # samples fed at once: 0.1 s
NEAR_S = 0.6  # a call belongs to a spoken one whose start is this near
SURE = 0.9
MIN_PEOPLE_ITEMS = 10  # a person with fewer items is not named as the worst


def wilson(right: int, n: int) -> tuple[float, float]:
    """95 % Wilson score interval in per cent (Wilson 1927; formula as in NIST/SEMATECH e-Handbook, 7.2.4.1)."""
    if not n:
        return 0.0, 100.0
    z, p = 1.959964, right / n
    middle = (p + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    return 100 * (middle - half), 100 * (middle + half)


def row(engine: str, name: str, real: bool, snr_db, noise: str, outcomes: list[tuple[str, bool]], **extra) -> dict:
    """One line of the table from (speaker, right) pairs."""
    right, n = sum(ok for _, ok in outcomes), len(outcomes)
    low, high = wilson(right, n)
    people: dict[str, list[bool]] = {}
    for speaker, ok in outcomes:
        people.setdefault(speaker, []).append(ok)
    shares = {s: 100 * sum(oks) / len(oks) for s, oks in people.items() if len(oks) >= MIN_PEOPLE_ITEMS}
    return {
        "engine": engine,
        "set": name,
        "real": real,
        "snr_db": snr_db,
        "noise": noise,
        "n": n,
        "exact_pct": round(100 * right / n, 1) if n else None,
        "low_pct": round(low, 1),
        "high_pct": round(high, 1),
        "worst_speaker_pct": round(min(shares.values()), 1) if shares else None,
        "speakers": len(people),
        "by_speaker": {s: round(v, 1) for s, v in sorted(shares.items())},
        **extra,
    }


@dataclass
class Streamed:
    """One stream heard: each call with the stream time at which it was given [s]; processor time a second of sound."""

    calls: list[HeardCall] = field(default_factory=list)
    given_s: list[float] = field(default_factory=list)
    factor: float = 0.0


def stream(make: Callable[[], Engine], pcm: np.ndarray) -> Streamed:
    """Feed sound as it would come, in blocks of 0.1 s, and note when each call comes out."""
    out, engine, began = Streamed(), make(), time.process_time()
    for at in range(0, len(pcm), BLOCK):
        for call in engine.feed(pcm[at : at + BLOCK]):
            out.calls.append(call)
            out.given_s.append((min(len(pcm), at + BLOCK)) / speech.RATE)
    for call in engine.finish():
        out.calls.append(call)
        out.given_s.append(len(pcm) / speech.RATE)
    out.factor = (time.process_time() - began) / (len(pcm) / speech.RATE)
    return out


def meaning(call: HeardCall | None) -> tuple | None:
    """What a call means, comparable with an item's."""
    return None if call is None else (str(call.kind), call.name, call.value)


class Bench:
    """One engine against the items; collects rows and false accepts."""

    def __init__(
        self,
        name: str,
        make: Callable[[], Engine],
        corpus: speech.Speech,
        quick: bool,
        say: Callable[[str], None],
        said: Path | None = None,
    ):
        """`said`: folder in which the sentences of the bench lie as sound (`voices`)."""
        self.name, self.make = name, make
        self.corpus, self.quick, self.say, self.said_in = corpus, quick, say, said
        self.engine = make()
        self.rows: list[dict] = []
        self.false_accepts: list[dict] = []
        self.judged: list[tuple[float, bool, bool]] = []  # belief, right, real, of calls heard one by one

    def one(self, pcm: np.ndarray) -> HeardCall | None:
        """The likeliest call of a piece of sound that holds one."""
        if hasattr(self.engine, "decode_item"):
            return self.engine.decode_item(pcm)
        calls = stream(self.make, pcm).calls
        return max(calls, key=lambda c: c.end_ns - c.start_ns) if calls else None

    def cell(self, items: list[speech.Item], name: str, snr_db: float | None, kind: str, judge: bool = True) -> None:
        """All items in one condition."""
        outcomes = []
        for j, item in enumerate(items):
            noise = None if snr_db is None else self.corpus.noise(kind, len(item.sound) + 2 * speech.RATE, 70_000 + j)
            call = self.one(speech.mix(item.sound, snr_db, noise))
            right = meaning(call) == item.meaning
            outcomes.append((item.speaker, right))
            if judge and call is not None and not speech.is_calibration(item.speaker):
                self.judged.append((call.posterior, right, item.real))
        if outcomes:
            self.rows.append(
                row(self.name, name, items[0].real, snr_db, kind if snr_db is not None else "none", outcomes)
            )
            self.say(_line(self.rows[-1]))

    def calls(self) -> None:
        """Single airspeeds: real digits, the engine never trained on, neural voices never trained on.

        What is heard as likeliest does not depend on the calibration, so its voices are among these; they are
        left out where the belief is judged.
        """
        sets = [
            (self.corpus.real_digits(each_of_few=160, each_of_many=24), "real digits composed, unseen people"),
            (
                self.corpus.spoken("synthetic/piper_joe", "unseen engine", ("airspeed",), 320),
                "one call, engine never trained on",
            ),
            (
                self.corpus.spoken("synthetic/kokoro", "unseen voices", ("airspeed",), 120),
                "one call, neural voices never trained on",
            ),
        ]
        for every_item, name in sets:
            items = every_item[:: 4 if self.quick else 1]
            for snr_db, kind in (
                (None, "made"),
                (20.0, "made"),
                (10.0, "made"),
                (5.0, "made"),
                (10.0, "recorded"),
                (5.0, "recorded"),
            ):
                if not (self.quick and snr_db not in (None, 10.0)) and (kind == "made" or self.corpus.noises()):
                    self.cell(items, name, snr_db, kind)
        self._reliability()

    def _reliability(self) -> None:
        for real, name in (
            (False, "said >= 0.9 sure: synthetic"),
            (True, "said >= 0.9 sure: real people not in the calibration"),
        ):
            sure = [("", right) for belief, right, is_real in self.judged if belief >= SURE and is_real == real]
            of = sum(is_real == real for _, _, is_real in self.judged)
            if sure:
                self.rows.append(
                    row(self.name, name, real, None, "all", sure, share_of_calls_pct=round(100 * len(sure) / of, 1))
                )
                self.say(_line(self.rows[-1]))

    def tens(self) -> None:
        """Tens and teens by people nobody trained on: one by one, and lone ones in a stream after ten quiet seconds."""
        items = self.corpus.tens(alone=False)[:: 4 if self.quick else 1]
        for snr_db in (None, 10.0, 5.0):
            self.cell(items, "tens and teens, people", snr_db, "made", judge=False)
        for items, name, takes in (
            (self.corpus.tens(alone=True), "lone tens word after 10 s", True),
            (self.corpus.lone_teens(), "lone teens word after 10 s, which is no airspeed: none, or flagged", False),
        ):
            for snr_db in (20.0, 10.0):
                outcomes, unflagged = [], 0
                for j, item in enumerate(items[:: 4 if self.quick else 1]):
                    noise = self.corpus.noise("made", len(item.sound) + 14 * speech.RATE, 71_000 + j)
                    calls = stream(self.make, speech.mix(item.sound, snr_db, noise, 10.0, 1.5)).calls
                    wrong = any(meaning(call) != item.meaning and not LOOK & set(call.flags) for call in calls)
                    right = [meaning(call) for call in calls] == [item.meaning] if takes else not wrong
                    outcomes.append((item.speaker, right))
                    unflagged += wrong
                if outcomes:
                    share = {"wrong_unflagged_pct": round(100 * unflagged / len(outcomes), 2)}
                    self.rows.append(row(self.name, name, True, snr_db, "made", outcomes, **share))
                    self.say(_line(self.rows[-1]) + f", wrong and unflagged {unflagged}")

    def digits(self) -> None:
        """An airspeed and then last digits alone, as a stream, with the reader of sequences: "fifty three ... two ... one"."""
        rows = self.corpus.digit_rows(8 if self.quick else 60)
        for snr_db in (20.0, 10.0):
            outcomes, unflagged, first_right = [], 0, []
            for k, one in enumerate(rows):
                noise = self.corpus.noise("made", len(one.sound) + 2 * speech.RATE, 73_000 + k)
                calls = read_sequence(
                    stream(self.make, speech.mix(one.sound, snr_db, noise, 0.0, 1.5)).calls, unit="kt"
                )
                for n, (value, start_s, _) in enumerate(one.said):
                    near = [c for c in calls if c.kind is CallKind.AIRSPEED and abs(c.start_s - start_s) < NEAR_S]
                    call = min(near, key=lambda c, at=start_s: abs(c.start_s - at)) if near else None
                    reading = None if call is None else call.value if call.proposed is None else call.proposed
                    if n == 0:
                        first_right.append(reading == value)
                        continue
                    outcomes.append((one.speaker, reading == value))
                    unflagged += call is not None and reading != value and not LOOK & set(call.flags)
            if outcomes:
                extra = {
                    "wrong_unflagged_pct": round(100 * unflagged / len(outcomes), 2),
                    "first_number_exact_pct": round(100 * float(np.mean(first_right)), 1),
                }
                name = "last digits in a row after a number, with the reader"
                self.rows.append(row(self.name, name, False, snr_db, "made", outcomes, **extra))
                self.say(
                    _line(self.rows[-1])
                    + f", wrong and unflagged {unflagged}, first number right {extra['first_number_exact_pct']} %"
                )

    def phrases(self) -> None:
        """Every phrase of the pack by held-out older voices, and those that the unseen engine says."""
        made = self.corpus.made_phrases()
        if not made:
            self.say(
                "phrases of the pack: espeak-ng and flite are not installed, so the held-out older voices cannot be made; only recorded ones follow"
            )
        spoken = self.corpus.spoken(
            "synthetic/piper_joe", "pack phrases: unseen engine", ("event", "command", "setting"), 200
        )
        for items, name in (
            (made, f"phrases of the pack, held-out older voices ({len({i.words for i in made})} wordings)"),
            (spoken, f"phrases, engine never trained on ({len({i.words for i in spoken})} wordings)"),
        ):
            for snr_db in (None, 20.0, 10.0):
                self.cell(items[:: 4 if self.quick else 1], name, snr_db, "made", judge=False)

    def sentences(self) -> None:
        """Events, negations and commands as people narrate them, in a stream, most of them after an airspeed; right, wrong, missed."""
        with tempfile.TemporaryDirectory() as made:
            folder = self.said_in or Path(made)
            by = [voice for voice in voices.VOICES if (folder / voice).is_dir()] if self.said_in else voices.at_hand()
            voices.say_all(folder, [voices.LEAD, *(one.text for one in voices.sentences())], () if self.said_in else by)
            items = self.corpus.sentences(folder, by, 4)[:: 8 if self.quick else 1] if by else []
        for snr_db in (None, 20.0, 10.0):
            outcomes, wrong, missed, faults = [], 0, 0, []
            for j, (sentence, voice, sound, begins_s) in enumerate(items):
                noise = self.corpus.noise("made", len(sound) + 4 * speech.RATE, 72_000 + j)
                calls = stream(self.make, speech.mix(sound, snr_db, noise, 1.0, 1.5)).calls
                heard = tuple((call.name, call.value) for call in calls if call.start_s > 0.7 + begins_s)
                outcomes.append((voice, heard == sentence.calls))
                others = [one for one in heard if one not in sentence.calls]
                wrong += bool(others)
                missed += not others and heard != sentence.calls
                faults += [f"{sentence.text!r} by {voice}: {heard}"] if heard != sentence.calls else []
            if outcomes:
                counts = {"wrong": wrong, "missed": missed, "faults": faults}
                name = f"narrated, {len({one.text for one, *_ in items})} sentences"
                self.rows.append(row(self.name, name, False, snr_db, "made", outcomes, **counts))
                self.say(_line(self.rows[-1]) + f", {wrong} wrong, {missed} missed")

    def approaches(self) -> None:
        """Stall approaches as a stream, read by the reader of sequences: right, flags, latency, onset, speed."""
        for snr_db in (10.0, 5.0):
            outcome: dict[str, list] = {
                "out": [],
                "alone": [],
                "unflagged": [],
                "flagged": [],
                "late": [],
                "onset": [],
                "factor": [],
                "extra": [],
            }
            for k, approach in enumerate(self.corpus.approaches(4 if self.quick else 40)):
                kind = "recorded" if k % 4 >= 2 and self.corpus.noises() else "made"
                pcm = speech.mix(
                    approach.sound,
                    snr_db,
                    self.corpus.noise(kind, len(approach.sound) + 2 * speech.RATE, 95_000 + k),
                    0.0,
                    0.9,
                )
                self._approach(approach, stream(self.make, pcm), outcome)
            self._approach_rows(snr_db, outcome)

    def _approach(self, approach: speech.Approach, heard: Streamed, outcome: dict[str, list]) -> None:
        given = {call.id: at for call, at in zip(heard.calls, heard.given_s, strict=True)}
        raw = {call.id: call for call in heard.calls}
        calls = [c for c in read_sequence(heard.calls, unit="kt") if c.kind is CallKind.AIRSPEED]
        used: set[str] = set()
        for value, start_s, end_s in approach.said:
            near = [c for c in calls if c.id not in used and abs(c.start_s - start_s) < NEAR_S]
            call = min(near, key=lambda c: abs(c.start_s - start_s)) if near else None
            reading = None if call is None else call.value if call.proposed is None else call.proposed
            outcome["out"].append((approach.set, reading == value))
            outcome["alone"].append(call is not None and raw[call.id].value == value)
            if call is None:
                continue
            used.add(call.id)
            flagged = bool(LOOK & set(call.flags)) or call.proposed is not None
            outcome["unflagged"].append(call.value != value and not flagged)
            outcome["flagged"].append((call.value == value, flagged))
            outcome["late"].append(given[call.id] - end_s)
            outcome["onset"].append(call.start_s - start_s)
        outcome["extra"].append(len(calls) - len(used))
        outcome["factor"].append(heard.factor)

    def _approach_rows(self, snr_db: float, o: dict[str, list]) -> None:
        if not o["out"]:
            return
        n = len(o["out"])
        right_flagged = [flagged for right, flagged in o["flagged"] if right]
        late, onset = np.array(o["late"]), np.array(o["onset"])
        extra = (
            {
                "heard_alone_exact_pct": round(100 * np.mean(o["alone"]), 1),
                "missed_pct": round(100 * (1 - len(o["late"]) / n), 1),
                "invented": int(sum(o["extra"])),
                "wrong_unflagged_pct": round(100 * sum(o["unflagged"]) / n, 2),
                "right_flagged_pct": round(100 * float(np.mean(right_flagged)), 1) if right_flagged else None,
                "latency_ms_median": round(1000 * float(np.median(late))),
                "latency_ms_p95": round(1000 * float(np.percentile(late, 95))),
                "onset_ms_median": round(1000 * float(np.median(onset))),
                "onset_ms_p90_abs": round(1000 * float(np.percentile(np.abs(onset), 90))),
                "real_time_factor": round(float(np.median(o["factor"])), 4),
            }
            if len(late)
            else {}
        )
        self.rows.append(
            row(
                self.name,
                "call in a stall approach, with the reader of sequences",
                False,
                snr_db,
                "made and recorded",
                o["out"],
                **extra,
            )
        )
        self.say(_line(self.rows[-1]) + "\n    " + ", ".join(f"{k} {v}" for k, v in extra.items()))

    def talk(self) -> None:
        """Talk that is no call, in silence and at 10 dB: calls taken from it a minute."""
        talk = self.corpus.talk()[:: 8 if self.quick else 1]
        for snr_db in (None, 10.0):
            self._false_accepts(
                f"talk, {len({s for s, _, _ in talk})} people, {'clean' if snr_db is None else f'{snr_db:.0f} dB'}",
                self._talk_streams(talk, snr_db),
            )

    def numbers(self) -> None:
        """Long talk full of numbers that are no calls, in silence and at 10 dB: calls taken from it a minute, and those unflagged."""
        talk = self.corpus.number_talk()[:: 8 if self.quick else 1]
        for snr_db in (None, 10.0):
            self._false_accepts(
                f"talk with numbers, {len({s for s, _, _ in talk})} people, {'clean' if snr_db is None else f'{snr_db:.0f} dB'}",
                self._talk_streams(talk, snr_db),
            )

    def _talk_streams(self, talk: list, snr_db: float | None) -> Iterable[tuple[np.ndarray, str]]:
        """About a minute of talk at a time, and its text."""
        held: list[np.ndarray] = []
        said = ""
        for k, (_, text, sound) in enumerate(talk):
            held.append(sound)
            said += f" {text} ;"
            if sum(map(len, held)) > 60 * speech.RATE or k == len(talk) - 1:
                joined = speech.joined(held)
                noise = (
                    None
                    if snr_db is None
                    else self.corpus.noise("made" if k % 2 else "recorded", len(joined) + 2 * speech.RATE, 80_000 + k)
                )
                yield speech.mix(joined, snr_db, noise, 0.5, 0.5), said
                held, said = [], ""

    def noise(self) -> None:
        """Noise with no speech in it: made, and recorded clips of the test split at many levels."""

        def made() -> Iterable[tuple[np.ndarray, str]]:
            for k in range(2 if self.quick else 15):
                yield self._loud(speech.headset(speech.cockpit_noise(60 * speech.RATE, 90_000 + k)), k), ""

        def recorded() -> Iterable[tuple[np.ndarray, str]]:
            clips = self.corpus.noises()
            for k in range(0 if not clips else 1 if self.quick else 15):
                mine = [clips[(7 * k + j) % len(clips)][1] for j in range(12)]
                sound = np.concatenate([m / (m.std() + 1e-6) for m in mine])[: 60 * speech.RATE]
                yield self._loud(speech.headset(sound) if k % 2 else sound, k + 100), ""

        self._false_accepts("noise, made", made())
        self._false_accepts("noise, recorded", recorded())

    @staticmethod
    def _loud(x: np.ndarray, seed: int) -> np.ndarray:
        gain = 10 ** np.random.default_rng(seed).uniform(-2.2, -0.9)
        return (np.clip(x * gain, -1, 1) * 32767).astype(np.int16)

    def _false_accepts(self, source: str, sounds: Iterable[tuple[np.ndarray, str]]) -> None:
        seconds, found, spoken, unflagged = 0.0, [], 0, []
        for pcm, text in sounds:
            calls = stream(self.make, pcm).calls
            words = [c.words for c in calls]
            read = read_sequence(calls, unit="kt")
            unflagged += [
                c.words for c in read if c.kind is CallKind.AIRSPEED and not (LOOK | {Flag.IN_TALK}) & set(c.flags)
            ]
            found += words
            spoken += sum(_plain(one) in _plain(text) for one in words)
            seconds += len(pcm) / speech.RATE
        if seconds:
            a_minute = 60 / seconds
            self.false_accepts.append(
                {
                    "engine": self.name,
                    "source": source,
                    "minutes": round(seconds / 60, 1),
                    "per_min": round(a_minute * len(found), 3),
                    "really_spoken": spoken,
                    "per_min_not_spoken": round(a_minute * (len(found) - spoken), 3),
                    "accepted": found,
                    "unflagged_airspeeds": unflagged,
                }
            )
            self.say(
                f"{source}: {len(found)} taken for calls in {seconds / 60:.1f} min, {a_minute * len(found):.2f} a minute; {spoken} of them are in the text, without these {a_minute * (len(found) - spoken):.2f}; airspeeds without a flag {len(unflagged)}; {found[:12]}"
            )

    def bad(self) -> None:
        """Sound that is damaged in one way each; none may end the engine, quiet and clipped are said in flags."""
        items = self.corpus.spoken("synthetic/piper_joe", "bad", ("airspeed",), 40) or self.corpus.real_digits(40, 6)
        items = items[:: 4 if self.quick else 1]
        talk = self.corpus.talk()
        for name, spoil in _SPOILERS.items():
            outcomes, flags = [], 0
            for j, item in enumerate(items):
                rng = np.random.default_rng(500 + j)
                noise = self.corpus.noise("made", len(item.sound) + 2 * speech.RATE, 60_000 + j)
                pcm = speech.mix(item.sound, 15.0, noise)
                other = talk[int(rng.integers(len(talk)))][2] if talk else item.sound
                call = self.one(spoil(pcm.astype(np.float32), rng, other))
                outcomes.append((item.speaker, meaning(call) == item.meaning))
                flags += call is not None and bool({Flag.CLIPPED, Flag.TOO_QUIET} & set(call.flags))
            self.rows.append(
                row(
                    self.name,
                    f"bad sound: {name}",
                    items[0].real,
                    15.0,
                    "made",
                    outcomes,
                    flagged_pct=round(100 * flags / len(outcomes), 1),
                )
            )
            self.say(_line(self.rows[-1]) + f", {flags} flagged")


def _plain(words: str) -> str:
    """Words with the little ones around a hundred left out, between spaces: to find a call in a text."""
    return (
        " "
        + " ".join(w for w in words.split() if w not in ("a", "and") and not (w == "one" and " hundred" in words))
        + " "
    )


def _int16(x: np.ndarray) -> np.ndarray:
    return np.clip(x, -32768, 32767).astype(np.int16)


def _at(x: np.ndarray, other: np.ndarray, ratio_db: float) -> np.ndarray:
    """`x` with `other` repeated under it, `ratio_db` weaker."""
    other = np.resize(speech.headset(other), len(x))
    return x + other / (other.std() + 1e-9) * x.std() * 10 ** (-ratio_db / 20)


def _music(n: int, rng) -> np.ndarray:
    """Chords with a beat, 120 a minute."""
    t = np.arange(n) / speech.RATE
    out = np.zeros(n)
    for beat in range(int(t[-1] * 2) + 1):
        root = 110 * 2 ** (rng.choice([0, 3, 5, 7, 10]) / 12)
        on = (t >= beat / 2) * np.exp(-4 * np.maximum(0, t - beat / 2))
        out += on * sum(np.sin(2 * np.pi * root * r * h * t) / h for r in (1, 1.25, 1.5) for h in (1, 2, 3))
    return out


def _dropouts(x: np.ndarray, rng) -> np.ndarray:
    y = x.copy()
    for _ in range(max(1, int(len(x) / speech.RATE * 3))):
        at = int(rng.integers(0, len(y)))
        y[at : at + int(rng.uniform(0.01, 0.04) * speech.RATE)] = 0
    return y


def _telephone(x: np.ndarray) -> np.ndarray:
    return signal.resample_poly(signal.resample_poly(x, 1, 2), 2, 1)[: len(x)]


_SPOILERS: dict[str, Callable] = {
    "none (15 dB)": lambda x, rng, other: _int16(x),
    "clipped": lambda x, rng, other: _int16(x * 30),
    "very quiet (-50 dB)": lambda x, rng, other: _int16(x * 0.003),
    "8 kHz": lambda x, rng, other: _int16(_telephone(x)),
    "dead channel averaged in": lambda x, rng, other: _int16(x / 2),
    "steady offset": lambda x, rng, other: _int16(x + 6000),
    "dropouts, 3 a second": lambda x, rng, other: _int16(_dropouts(x, rng)),
    "second voice, 10 dB weaker": lambda x, rng, other: _int16(_at(x, other, 10.0)),
    "side-tone, 15 ms later": lambda x, rng, other: _int16(x + 0.5 * np.pad(x, (240, 0))[: len(x)]),
    "music, 10 dB weaker": lambda x, rng, other: _int16(_at(x, _music(len(x), rng), 10.0)),
}


def _condition(r: dict) -> str:
    return "clean" if r["snr_db"] is None else f"{r['snr_db']:.0f} dB {r['noise']}"


def _line(r: dict) -> str:
    condition = _condition(r)
    worst = (
        f", worst of {r['speakers']}: {r['worst_speaker_pct']} %"
        if r["worst_speaker_pct"] is not None and r["speakers"] > 1
        else ""
    )
    return f"{r['engine']:8} {r['set'][:64]:64} {condition:16} n {r['n']:4}  {r['exact_pct']:5.1f} % ({r['low_pct']:.1f}-{r['high_pct']:.1f}){worst}"


def people_table(rows: list[dict]) -> str:
    """Each person of the rows of real people, and what share was right in each condition, as lines of a table."""
    real = [r for r in rows if r["real"] and r["by_speaker"]]
    lines = []
    for name in dict.fromkeys(r["set"] for r in real):
        mine = [r for r in real if r["set"] == name]
        lines.append(f"{name}: " + ", ".join(_condition(r) for r in mine))
        for person in sorted({p for r in mine for p in r["by_speaker"]}):
            lines.append(
                f"  {person:12} " + "  ".join(f"{r['by_speaker'].get(person, float('nan')):5.1f}" for r in mine)
            )
    return "\n".join(lines)


def engines(args, pack: Pack) -> dict[str, Callable[[], Engine]]:
    """Name of each engine asked for, and how to make a fresh one."""
    made: dict[str, Callable[[], Engine]] = {}
    for name in args.engine or ["callout"]:
        model = args.vosk if name == "vosk" else args.model
        made[name] = partial(make_engine, name, pack, model=model)
    return made


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument(
        "--data", type=Path, default=os.environ.get("KNEECALL_SPEECH_DATA"), help="folder of the speech sets"
    )
    parser.add_argument("--quick", action="store_true", help="few items; without --data the sample beside this file")
    parser.add_argument("--engine", action="append", choices=("callout", "vosk"))
    parser.add_argument("--model", type=Path, help="folder with other net.npz and conf.json for the callout engine")
    parser.add_argument(
        "--sentences", type=Path, help="folder that voices.py wrote; without it the voices at hand speak"
    )
    parser.add_argument("--vosk", type=Path, help="folder of a Vosk model")
    parser.add_argument("--rows", default=",".join(ROWS), help=f"comma-separated, of {', '.join(ROWS)}")
    parser.add_argument(
        "--people", action="store_true", help="each person's share of right answers, in a table at the end"
    )
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    data = Path(args.data) if args.data else HERE / "data" if args.quick else None
    if data is None or not data.is_dir():
        print(
            f"speech data: {data or 'no folder given'}; give --data DIR or KNEECALL_SPEECH_DATA, or --quick for the sample beside this file",
            file=sys.stderr,
        )
        return 1
    pack = load_pack("en")
    corpus = speech.Speech(data, pack)
    say = lambda line: print(line, file=sys.stderr if args.json else sys.stdout, flush=True)
    rows, false_accepts = [], []
    for name, make in engines(args, pack).items():
        bench = Bench(name, make, corpus, args.quick, say, args.sentences)
        for part in args.rows.split(","):
            getattr(bench, part)()
        rows += bench.rows
        false_accepts += bench.false_accepts
    if args.people:
        say(people_table(rows))
    if args.json:
        print(json.dumps({"default_engine": "callout", "rows": rows, "false_accepts": false_accepts}))
    return 0


if __name__ == "__main__":
    sys.exit(main())

"""Read sentences cut at their pauses into phrases of one to a dozen words: short real speech for training.

``python -m grammar.en.acoustic.spans DATA/real/libri_mini`` writes ``spans.csv`` beside that set's index, for the training and
development split. A sentence is aligned to its text with the shipped network; pauses come from its speech activity. A
phrase is kept when every word of it lies clearly inside and its phones explain the sound nearly as well as any would.
"""

from __future__ import annotations

import argparse
import csv
from pathlib import Path

import numpy as np

from logger_app.hear.net import FRAME_S, Net
from logger_app.hear.phones import PHONE_ID
from logger_app.hear.rescore import word_frames
from logger_app.io.sound import read_sound_file

from . import texts

RATE = 16000
PAUSE_FRAMES = 8  # quiet of 160 ms parts two phrases
LATE_FRAMES = 9  # the network says a phone this long after it began
SHORTEST_S, LONGEST_S = 0.35, 5.2
MIN_NATS_PER_PHONE = -1.5  # against the best phones of all


def speech_runs(activity: np.ndarray) -> list[tuple[int, int]]:
    """Frames [start, end) of speech, pauses of `PAUSE_FRAMES` and less bridged."""
    runs: list[list[int]] = []
    for t in np.flatnonzero(activity > 0.5):
        if runs and t - runs[-1][1] <= PAUSE_FRAMES:
            runs[-1][1] = int(t)
        else:
            runs.append([int(t), int(t)])
    return [(a, b + 1) for a, b in runs if b - a >= 3]


def log_likelihood(phones: list[int], log_p: np.ndarray) -> float:
    """Best CTC path of the phones over the frames, natural log."""
    labels = np.zeros(2 * len(phones) + 1, int)
    labels[1::2] = phones
    skip = np.zeros(len(labels), bool)
    skip[3::2] = labels[3::2] != labels[1:-2:2]
    alpha = np.full(len(labels), -1e30)
    alpha[:2] = log_p[0, labels[:2]]
    for row in log_p[1:]:
        one = np.concatenate([[-1e30], alpha[:-1]])
        two = np.where(skip, np.concatenate([[-1e30, -1e30], alpha[:-2]]), -1e30)
        alpha = np.maximum(np.maximum(alpha, one), two) + row[labels]
    return float(max(alpha[-1], alpha[-2]))


def phrases(
    words: list[str], sounds: list[list[int]], log_p: np.ndarray, activity: np.ndarray
) -> list[tuple[float, float, str]]:
    """(start [s], end [s], text) of the clear phrases of one sentence."""
    spelling = [(phone, k) for k, sound in enumerate(sounds) for phone in sound]
    if 2 * len(spelling) + 1 > 1.9 * len(log_p):
        return []
    middles = [(max(0, a - LATE_FRAMES) + b) / 2 for a, b in word_frames(spelling, log_p)]
    out, taken = [], 0
    for start, end in speech_runs(activity):
        mine = [k for k, m in enumerate(middles) if start - 2 <= m <= end + 2 and k >= taken]
        outside = [k for k in range(taken, mine[0] if mine else taken)]
        taken = mine[-1] + 1 if mine else taken
        seconds = (end - start) * FRAME_S
        if not mine or outside or not SHORTEST_S <= seconds <= LONGEST_S:
            continue
        said = [phone for k in mine for phone in sounds[k]]
        inside = log_p[max(0, start - 4) : end + 8]
        if not 5 <= len(said) / seconds <= 22 or len(said) > len(inside):
            continue
        if (log_likelihood(said, inside) - inside.max(1).sum()) / len(said) >= MIN_NATS_PER_PHONE:
            out.append((max(0.0, start * FRAME_S - 0.05), end * FRAME_S + 0.06, " ".join(words[k] for k in mine)))
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    args = parser.parse_args()
    net, dictionary, sound = Net(Path(__file__).parent / "net.npz"), texts.Phones(guess=True), {}
    with (args.folder / "index.csv").open(newline="") as handle:
        rows = [row for row in csv.DictReader(handle) if row["split"] in ("train", "dev")]
    with (args.folder / "spans.csv").open("w", newline="") as handle:
        table = csv.writer(handle)
        table.writerow(["file", "start_s", "end_s", "speaker", "text", "split"])
        for row in rows:
            if row["file"] not in sound:
                sound = {row["file"]: read_sound_file(args.folder / row["file"]).astype(np.float32) / 32768}
            begin, end = float(row["start_s"]), float(row["end_s"])
            x = sound[row["file"]][int(begin * RATE) : int(end * RATE)]
            words = row["text"].split()
            found = [dictionary.word(w) or dictionary.word(w.strip("'")) for w in words]
            if None in found:
                continue
            sounds = [[PHONE_ID[p] for p in phones if p in PHONE_ID] for phones in found]
            log_p, activity, _ = net.run(x * np.float32(0.08 / (np.sqrt(np.mean(x**2)) + 1e-9)))
            for a, b, text in phrases(words, sounds, log_p, activity):
                table.writerow(
                    [
                        row["file"],
                        round(begin + a, 3),
                        round(min(end, begin + b), 3),
                        row["speaker"],
                        text,
                        row["split"],
                    ]
                )


if __name__ == "__main__":
    main()

"""What was said in a span of sound: every legal thing scored exactly, and when each word was said.

CTC forward probability of each spelling, summed over the wordings of one meaning. Main names:
`scores`, `SpanScores`, `word_frames`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logger_app.hear.lattice import PhoneTree
from logger_app.hear.net import BLANK

# Paths less likely than this, against the likeliest at the same frame, are let go.
LEAST = 1e-9
# The network may say a phone this long after it was spoken, and does: measured on the voice data.


@dataclass(frozen=True, slots=True)
class SpanScores:
    """Scores of one span.

    `ranked` holds (meaning index, natural log of its probability), likeliest first; `spelling` the
    likeliest spelling of each of these; `free` is the log-probability of the best phones of all.
    """

    ranked: tuple[tuple[int, float], ...]
    spelling: tuple[int, ...]
    free: float

    @property
    def posteriors(self) -> tuple[float, ...]:
        """Share of each ranked meaning among all legal ones."""
        logs = np.array([score for _, score in self.ranked])
        shares = np.exp(logs - logs.max())
        return tuple(shares / shares.sum())


def scores(tree: PhoneTree, log_p: np.ndarray, most: int = 40) -> SpanScores | None:
    """Score everything that may be said against a span.

    Parameters
    ----------
    log_p : ndarray, shape (t, 40)
        Log-probabilities of the phones in the span.

    Returns
    -------
    SpanScores or None
        None when nothing legal fits into the span.
    """
    n = tree.nodes
    nb, bl, mask = np.zeros(n), np.zeros(n), np.zeros(n, bool)
    bl[0], active, log_scale = 1.0, np.array([0]), 0.0
    for row in np.exp(np.asarray(log_p, np.float64)):
        mask[active] = True
        mask[tree.below(active)] = True
        near = np.flatnonzero(mask)
        mask[near] = False
        up = tree.parent[near]
        come = bl[up] + np.where(tree.repeats[near], 0.0, nb[up])
        new_nb = row[tree.phone[near]] * (nb[near] + come)
        new_bl = row[BLANK] * (bl[near] + nb[near])
        if near[0] == 0:
            new_nb[0] = 0.0
        total = new_nb + new_bl
        top = total.max()
        if top <= 0:
            return None
        keep = total > LEAST * top
        nb[active], bl[active] = 0.0, 0.0
        active = near[keep]
        nb[active], bl[active] = new_nb[keep] / top, new_bl[keep] / top
        log_scale += np.log(top)
    ends = nb[tree.end_node] + bl[tree.end_node]
    alive = np.flatnonzero(ends > 0)
    if not len(alive):
        return None
    return _ranked(tree, ends, alive, log_scale, float(np.max(log_p, 1).sum()), most)


def _ranked(tree, ends, alive, log_scale, free, most) -> SpanScores:
    summed = np.bincount(tree.end_meaning[alive], ends[alive], len(tree.meanings))
    order = [k for k in np.argsort(summed)[::-1][:most] if summed[k] > 0]
    best = {}
    for k in alive[np.argsort(ends[alive])]:
        best[tree.end_meaning[k]] = int(k)
    ranked = tuple((int(k), float(np.log(summed[k]) + log_scale)) for k in order)
    return SpanScores(ranked, tuple(best[k] for k in order), free)


def word_frames(spelling: Sequence[tuple[int, int]], log_p: np.ndarray) -> list[tuple[int, int]]:
    """Frames of each word of a spelling: best path through the span.

    Parameters
    ----------
    spelling : sequence of (int, int)
        Phone ids, each with its word's index.

    Returns
    -------
    list of (int, int)
        First and last frame in which a phone of the word is heard; the network is late with them.
    """
    states = np.zeros(2 * len(spelling) + 1, int)
    states[1::2] = [phone for phone, _ in spelling]
    skip = np.zeros(len(states), bool)
    skip[3::2] = states[3::2] != states[1:-2:2]
    score = np.full(len(states), -1e30)
    score[:2] = log_p[0, states[:2]]
    back = np.zeros((len(log_p), len(states)), np.int8)
    for t in range(1, len(log_p)):
        one = np.concatenate([[-1e30], score[:-1]])
        two = np.where(skip, np.concatenate([[-1e30, -1e30], score[:-2]]), -1e30)
        ways = np.stack([score, one, two])
        back[t] = ways.argmax(0)
        score = ways.max(0) + log_p[t, states]
    at = len(states) - 1 if score[-1] > score[-2] else len(states) - 2
    path = np.zeros(len(log_p), int)
    for t in range(len(log_p) - 1, -1, -1):
        path[t] = at
        at -= int(back[t, at])
    word_of = np.array([word for _, word in spelling])
    spoken = path % 2 == 1
    words = []
    for k in range(word_of[-1] + 1):
        frames = np.flatnonzero(spoken & (word_of[np.minimum(path // 2, len(word_of) - 1)] == k))
        words.append((int(frames[0]), int(frames[-1])) if len(frames) else (0, 0))
    return words

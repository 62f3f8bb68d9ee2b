"""Where in a stretch of speech are calls, where small words, where anything else: one pass, live.

Token passing (Viterbi) over the tree of all that may be said, with re-entry at its root, against a
free loop of phones for everything else. Gives spans; what was said in a span is scored exactly by
`rescore`. Main names: `Segmenter`, `Piece`.

The loop of phones costs `PHONE_COST` for each new phone, so that a call wins as long as its sound
is nearer than that to the best that any phones could do.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logger_app.hear.lattice import PhoneTree
from logger_app.hear.net import BLANK

# Natural-log scores, set on the development speakers of the voice data (see tests/bench/hearing.py).
UNIT_COST = 3.0
# On top: a small word must not be made of the end of a number ("forty at" for "forty eight").
FILLER_COST = 2.0
PHONE_COST = 1.6
OTHER_COST = 4.0
BEAM = 18.0
NOWHERE = -1e30
OTHER = -1


@dataclass(frozen=True, slots=True)
class Piece:
    """A span of frames ``[start, end)`` and what fills it: a spelling of the tree, or `OTHER`."""

    start: int
    end: int
    spelling: int


class Segmenter:
    """Feed frames; ask for the pieces so far at any time. One object a stretch of speech."""

    def __init__(self, tree: PhoneTree, beam: float = BEAM):
        self.tree, self.beam = tree, beam
        n = tree.nodes
        self._nb, self._bl = np.full(n, NOWHERE), np.full(n, NOWHERE)
        self._from_nb, self._from_bl = np.zeros(n, np.int32), np.zeros(n, np.int32)
        self._mask = np.zeros(n, bool)
        self._active = np.zeros(0, int)
        self._roots = tree.below(np.array([0]))
        self._filler_cost = FILLER_COST * tree.ends_filler
        self._rest, self._rest_from = 0.0, -1
        self._other, self._other_from, self._other_start = NOWHERE, -1, 0
        self._records: list[tuple[int, int, int, int]] = []  # (record before, start, end, spelling)
        self._last_phone = BLANK
        self.frames = 0

    def feed(self, log_p: np.ndarray) -> None:
        """The next frames."""
        for row in np.asarray(log_p, np.float64):
            self._step(row)

    def _step(self, row: np.ndarray) -> None:
        tree, nb, bl = self.tree, self._nb, self._bl
        rest_before, rest_from = self._rest, self._rest_from
        bl[0], self._from_bl[0] = rest_before - UNIT_COST, rest_from
        self._mask[self._active] = True
        self._mask[tree.below(self._active)] = True
        self._mask[self._roots] = True
        near = np.flatnonzero(self._mask)
        self._mask[near] = False
        up = tree.parent[near]
        up_bl, up_nb = bl[up], np.where(tree.repeats[near], NOWHERE, nb[up])
        stay = nb[near]
        by_nb = up_nb > up_bl
        come, come_from = np.where(by_nb, up_nb, up_bl), np.where(by_nb, self._from_nb[up], self._from_bl[up])
        moves = come > stay
        new_nb = np.where(moves, come, stay) + row[tree.phone[near]]
        new_from_nb = np.where(moves, come_from, self._from_nb[near])
        still = bl[near] >= stay
        new_bl = np.where(still, bl[near], stay) + row[BLANK]
        new_from_bl = np.where(still, self._from_bl[near], self._from_nb[near])
        self._step_other(row, rest_before, rest_from)
        top = np.maximum(new_nb, new_bl)
        best = max(float(top.max()), rest_before + row[BLANK], self._other)
        keep = top > best - self.beam
        nb[self._active], bl[self._active] = NOWHERE, NOWHERE
        near = near[keep]
        nb[near], bl[near] = new_nb[keep], new_bl[keep]
        self._from_nb[near], self._from_bl[near] = new_from_nb[keep], new_from_bl[keep]
        self._active = near
        self._step_rest(row, near, rest_before, rest_from)
        self.frames += 1

    def _step_other(self, row: np.ndarray, rest: float, rest_from: int) -> None:
        if rest - OTHER_COST > self._other:
            self._other, self._other_from, self._other_start = rest - OTHER_COST, rest_from, self.frames
        phone = int(row.argmax())
        new = phone not in (BLANK, self._last_phone)
        self._last_phone = phone
        self._other += float(row[phone]) - (PHONE_COST if new else 0.0)

    def _step_rest(self, row: np.ndarray, near: np.ndarray, rest: float, rest_from: int) -> None:
        self._rest, self._rest_from = rest + float(row[BLANK]), rest_from
        ends = near[self.tree.spelling_at[near] >= 0]
        if len(ends):
            scores = np.maximum(self._nb[ends], self._bl[ends]) - self._filler_cost[ends]
            k = int(scores.argmax())
            if scores[k] > self._rest + 1e-9:
                node = ends[k]
                before = self._from_nb[node] if self._nb[node] >= self._bl[node] else self._from_bl[node]
                self._close(float(scores[k]), int(before), int(self.tree.spelling_at[node]))
        if self._other > self._rest + 1e-9:
            self._close(self._other, self._other_from, OTHER)

    def _close(self, score: float, before: int, spelling: int) -> None:
        start = self._other_start if spelling == OTHER else (self._records[before][2] if before >= 0 else 0)
        self._records.append((before, start, self.frames + 1, spelling))
        self._rest, self._rest_from = score, len(self._records) - 1

    def pieces(self) -> list[Piece]:
        """What the stretch consists of, as far as it is heard, in order of time."""
        at, found = self._rest_from, []
        while at >= 0:
            at, start, end, spelling = self._records[at]
            found.append(Piece(start, end, spelling))
        return _joined(found[::-1])

    def ends_in(self) -> str:
        """What was said last: ``whole``, ``speed`` (a further word may make another airspeed of it), ``talk``."""
        at = self._rest_from
        if at < 0 or self._records[at][3] == OTHER:
            return "talk"
        return "speed" if self.tree.speed_goes_on[self.tree.end_node[self._records[at][3]]] else "whole"

    def words(self) -> str:
        """The words so far, for a screen: those of the pieces, and the beginning of the next."""
        said = [w for p in self.pieces() if p.spelling != OTHER for w in self._unit(p.spelling).words]
        if len(self._active):
            node = self._active[np.argmax(np.maximum(self._nb[self._active], self._bl[self._active]))]
            if max(self._nb[node], self._bl[node]) > self._rest:
                said += self.tree.words_towards(int(node))
        return " ".join(said)

    def _unit(self, spelling: int):
        return self.tree.units[self.tree.end_unit[spelling]]


def _joined(pieces: list[Piece]) -> list[Piece]:
    """Neighbouring stretches of anything else as one."""
    out: list[Piece] = []
    for piece in pieces:
        if out and piece.spelling == OTHER and out[-1].spelling == OTHER:
            out[-1] = Piece(out[-1].start, piece.end, OTHER)
        else:
            out.append(piece)
    return out

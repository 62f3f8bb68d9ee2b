"""From the frames of one stretch of speech to the calls in it. Pure.

The stretch is cut into pieces (`segment`); each piece that may be a call is scored exactly against
everything legal (`rescore`), believed or not (`gate`), and timed. Main names: `Decoder`, `Stretch`, `Found`.

An airspeed spoken in one breath with talk is part of a sentence ("runway two seven"), not a call.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logger_app.fly.hear.endpoint import edges, nearest
from logger_app.fly.hear.gate import Gate, measures
from logger_app.fly.hear.lattice import PhoneTree
from logger_app.fly.hear.net import BLANK
from logger_app.fly.hear.packs import LegalCall
from logger_app.fly.hear.rescore import SpanScores, scores, word_frames
from logger_app.fly.hear.segment import OTHER, Piece, Segmenter
from logger_app.records.calls import CallKind

ALTERNATIVES = 5
# Log-probability added to things that are seldom said, so that a short sound is not taken for them.
SHORTHAND_PRIOR = -1.5
# Talk of fewer phones than this is a breath or a click.
LEAST_TALK_PHONES = 3
# A call of more phones than this is believed also with talk beside it.
SURE_PHONES = 9
# A stretch up to this long that nothing legal fills is scored as one call all the same.
SHORT_STRETCH_FRAMES, SHORT_BELIEF = 110, 0.8
# Talk that ended this short a time before still belongs to a call; a longer one to a short call [frames].
SAME_BREATH, SAME_TALK = 20, 45
# How far the estimated edge of a word may be from an edge of the speech activity to be moved there.
SNAP_FRAMES = 9
# Belief that a last digit, or a call of one short word, needs: they hide in talk.
SHORT_ACCEPT = 0.6
SHORT_PHONES = 5


@dataclass(frozen=True, slots=True)
class Stretch:
    """Frames of speech; the first is frame `first` of the stream, talk ended `since_talk` frames before the speech."""

    log_p: np.ndarray
    activity: np.ndarray
    first: int = 0
    since_talk: int = 10_000


@dataclass(frozen=True, slots=True)
class Found:
    """A call in a stretch; frames are the stream's, fractions of one allowed."""

    call: LegalCall
    belief: float
    rivals: tuple[tuple[LegalCall, float], ...]
    start: float
    end: float
    words: tuple[tuple[str, float, float], ...]
    phones: int


class Decoder:
    """Everything that may be said, and how much of it to believe."""

    def __init__(self, tree: PhoneTree, gate: Gate):
        self.tree, self.gate = tree, gate
        self._call_of = {}
        for unit in tree.units:
            if unit.call is not None:
                self._call_of.setdefault(unit.meaning, unit.call)
        self.prior = np.array([self._prior(meaning) for meaning in tree.meanings])

    def _prior(self, meaning: tuple) -> float:
        call = self._call_of.get(meaning)
        return SHORTHAND_PRIOR if call is not None and call.shorthand else 0.0

    def calls(self, stretch: Stretch, segmenter: Segmenter) -> tuple[list[Found], bool]:
        """The calls in a stretch.

        Parameters
        ----------
        stretch : Stretch
            Its frames [-].
        segmenter : Segmenter
            Fed with the same frames [-].

        Returns
        -------
        tuple of (list of Found, bool)
            Calls in order of time; whether the stretch ends in talk [-].
        """
        pieces = tiled(segmenter.pieces(), len(stretch.log_p))
        kinds = [self._kind(piece, stretch) for piece in pieces]
        if "talk" in kinds and len(stretch.log_p) <= SHORT_STRETCH_FRAMES and stretch.since_talk > SAME_TALK:
            whole = self.whole(stretch)
            if whole and whole.belief > SHORT_BELIEF:
                return [whole], False
        found = []
        for k, (piece, kind) in enumerate(zip(pieces, kinds)):
            one = self._score(stretch, piece.start, piece.end) if kind == "call" else None
            if one and self._believed(one, _talk_beside(kinds, k), stretch.since_talk if _first_call(kinds, k) else 10_000):
                found.append(one)
        said = [kind for kind in kinds if kind != "nothing"]
        return found, bool(said) and said[-1] == "talk"

    def whole(self, stretch: Stretch) -> Found | None:
        """The stretch as one call, or None when nothing legal fits; believed or not."""
        return self._score(stretch, 0, len(stretch.log_p))

    def _kind(self, piece: Piece, stretch: Stretch) -> str:
        if piece.spelling == OTHER:
            best = stretch.log_p[piece.start : piece.end].argmax(1)
            new = np.diff(best, prepend=BLANK) != 0
            return "talk" if int(((best != BLANK) & new).sum()) >= LEAST_TALK_PHONES else "nothing"
        unit = self.tree.units[self.tree.end_unit[piece.spelling]]
        return "call" if unit.call is not None else "talk" if unit.ignored else "filler"

    def _believed(self, one: Found, beside_talk: bool, since_talk: int) -> bool:
        short = one.call.shorthand or one.phones <= SHORT_PHONES
        if (beside_talk or since_talk <= SAME_BREATH) and (one.call.kind is CallKind.AIRSPEED or one.phones <= SURE_PHONES):
            return False
        if short and since_talk <= SAME_TALK:
            return False
        return one.belief >= (max(self.gate.accept, SHORT_ACCEPT) if short else self.gate.accept)

    def _score(self, stretch: Stretch, start: int, end: int) -> Found | None:
        span = stretch.log_p[start:end]
        scored = scores(self.tree, span)
        if scored is None:
            return None
        ranked = self._with_prior(scored)
        meaning = self.tree.meanings[ranked[0][0]]
        if meaning not in self._call_of:
            return None
        shares = _shares([score for _, score, _ in ranked])
        spelling = self.tree.spellings[ranked[0][2]]
        activity = stretch.activity[start:end]
        heard = activity > 0.5
        belief = self.gate.belief(
            measures(shares[0], ranked[0][1] - scored.free, len(spelling), float(activity[heard].mean()) if heard.any() else 0.0)
        )
        rivals = self._rivals(ranked, shares, belief)
        words = self.tree.units[self.tree.end_unit[ranked[0][2]]].words
        times = self._times(stretch, start, word_frames(spelling, span))
        return Found(
            self._call_of[meaning], belief, rivals, times[0][0], times[-1][1],
            tuple((word, a, b) for word, (a, b) in zip(words, times)), len(spelling),
        )  # fmt: skip

    def _with_prior(self, scored: SpanScores) -> list[tuple[int, float, int]]:
        joined = [(k, score + self.prior[k], end) for (k, score), end in zip(scored.ranked, scored.spelling)]
        return sorted(joined, key=lambda one: -one[1])

    def _rivals(self, ranked, shares, belief: float) -> tuple[tuple[LegalCall, float], ...]:
        rest = [(self._call_of[self.tree.meanings[k]], share) for (k, _, _), share in zip(ranked[1:], shares[1:])
                if self.tree.meanings[k] in self._call_of]  # fmt: skip
        # Rivals are nearer than the posterior says: flattened as much as on the calibration speakers.
        weights = np.array([share**0.6 for _, share in rest])
        total = weights.sum() + 0.05
        return tuple((call, float((1 - belief) * w / total)) for (call, _), w in list(zip(rest, weights))[:ALTERNATIVES])

    def _times(self, stretch: Stretch, start: int, frames: Sequence[tuple[int, int]]) -> list[tuple[float, float]]:
        """Words in frames of the stream: the network's lateness off, moved to edges of the speech activity."""
        late = self.gate.late_frames
        rises, falls = edges(stretch.activity)
        times = []
        for a, b in frames:
            begin, finish = start + a - late, start + b + 1 - late
            times.append([begin, max(begin + 1, finish)])
        times[0][0] = nearest(rises, times[0][0], SNAP_FRAMES)
        times[-1][1] = nearest(falls, times[-1][1], SNAP_FRAMES)
        for k, one in enumerate(times):
            if k:
                one[0] = max(one[0], times[k - 1][0] + 0.5)
            one[1] = max(one[1], one[0] + 0.5)
        return [(max(0.0, stretch.first + a), max(0.0, stretch.first + b)) for a, b in times]


def tiled(pieces: Sequence[Piece], frames: int) -> list[Piece]:
    """Pieces with nothing between them: each begins where the one before it ended, the last ends at the end."""
    made = []
    for k, piece in enumerate(pieces):
        begin = made[-1].end if made else 0
        end = frames if k + 1 == len(pieces) else piece.end
        made.append(Piece(begin, max(begin, end), piece.spelling))
    return [piece for piece in made if piece.end > piece.start]


def _talk_beside(kinds: Sequence[str], k: int) -> bool:
    """Whether talk stands next to a piece, past fillers."""
    for step in (-1, 1):
        j = k + step
        while 0 <= j < len(kinds) and kinds[j] in ("filler", "nothing"):
            j += step
        if 0 <= j < len(kinds) and kinds[j] == "talk":
            return True
    return False


def _first_call(kinds: Sequence[str], k: int) -> bool:
    return all(kind in ("filler", "nothing") for kind in kinds[:k])


def _shares(logs: Sequence[float]) -> np.ndarray:
    values = np.asarray(logs)
    shares = np.exp(values - values.max())
    return shares / shares.sum()

"""From the frames of one stretch of speech to the calls in it. Pure.

The stretch is cut into pieces (`segment`); each piece that may be a call is scored exactly against
everything legal (`rescore`), believed or not (`gate`), and timed. Main names: `Decoder`, `Stretch`, `Found`, `Heard`.
What is believed in the end also depends on what was said around it: `context`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from logger_app.hear.alike import open_nats
from logger_app.hear.endpoint import SPEECH, edges, nearest
from logger_app.hear.gate import Gate, measures
from logger_app.hear.lattice import PhoneTree
from logger_app.hear.net import BLANK, OUTPUTS
from logger_app.hear.packs import LegalCall
from logger_app.hear.rescore import SpanScores, scores, word_frames
from logger_app.hear.segment import OTHER, UNIT_COST, Piece, Segmenter
from logger_app.records.calls import CallKind
from logger_app.units import from_kt

Lean = Callable[[LegalCall], float]
MAX_LEAN = 4.0  # a lean never says more [natural log]
ALTERNATIVES = 5
# Log-probability added to things that are seldom said, so that a short sound is not taken for them.
SHORTHAND_PRIOR = -1.5
# So is an airspeed from here on, in a stall test: "one nineteen" is likelier than "one ninety".
SELDOM_FROM_KT, SELDOM_PRIOR = 140.0, -1.5
# In noise the network leaves phones out more often than it makes them up, which favours numbers over phrases, which are longer:
# for each phone of a phrase. Set on the calibration voices: 88.0 -> 88.6 % right at 10 and 5 dB (n 1011); more loses numbers.
PHONE_PRIOR = 0.5
# The leans of single phones were found on numbers; which phrase it is, is asked without most of them (whether it is a phrase at all,
# with them). The share was chosen on three voices never trained on (pico, ked; the pack's phrases, n 210, at 10 dB: 150 right
# without, 153 at a half, 156 at 0.7, 155 at one).
UNLEANED = 0.7
# What did not happen is said less often than what did; set on two voices' sentences (tests/bench/voices.py).
NEGATION_COST = 1.5
# Talk of fewer phones than this is a breath or a click.
MIN_TALK_PHONES = 3
# A stretch up to this long in which talk was found is also scored as one call, for the noise may be taken for talk;
# so is one with a piece that is hardly believed, for noise may also have cut a call in two.
SHORT_STRETCH_FRAMES, SHORT_BELIEF, WEAK_BELIEF = 110, 0.8, 0.5
# A phrase of so many phones says less by chance: in 27 min of other people's talk no such stretch was believed more than 0.06 to be
# one, while of the sentences of four voices that were lost so (tests/bench/voices.py) half were over 0.08.
PHRASE_PHONES, PHRASE_BELIEF = 7, 0.08
# How far the estimated edge of a word may be from an edge of the speech activity to be moved there.
SNAP_FRAMES = 9


@dataclass(frozen=True, slots=True)
class Stretch:
    """Frames of speech, as `net.Net.run` gives them; the first is frame `first` of the stream."""

    log_p: np.ndarray
    activity: np.ndarray
    talk: np.ndarray
    first: int = 0


@dataclass(frozen=True, slots=True)
class Found:
    """A call in a stretch; frames are the stream's, fractions of one allowed.

    `glued`: phones of talk before and after it. `doubtful`: another airspeed is nearly as likely. `score`: log-likelihood.
    """

    call: LegalCall
    belief: float
    rivals: tuple[tuple[LegalCall, float], ...]
    start: float
    end: float
    words: tuple[tuple[str, float, float], ...]
    phones: int
    glued: tuple[int, int] = (0, 0)
    doubtful: bool = False
    score: float = 0.0


@dataclass(frozen=True, slots=True)
class Heard:
    """What a stretch consists of: its calls, and whether it begins and ends in talk."""

    calls: tuple[Found, ...]
    talk_first: bool
    talk_last: bool


class Decoder:
    """Everything that may be said, and how much of it to believe."""

    def __init__(self, tree: PhoneTree, gate: Gate):
        self.tree, self.gate = tree, gate
        self._call_of: dict[tuple, LegalCall] = {}
        for unit in tree.units:
            if unit.call is not None:
                self._call_of.setdefault(unit.meaning, unit.call)
        self.prior = np.array([self._prior(meaning) for meaning in tree.meanings])
        self._leans = np.zeros(OUTPUTS)
        for phone, lean in gate.leans.items():
            self._leans[phone] = UNLEANED * lean

    def _prior(self, meaning: tuple) -> float:
        call = self._call_of.get(meaning)
        if call is None or call.kind is not CallKind.AIRSPEED:
            return 0.0
        if call.shorthand:
            return SHORTHAND_PRIOR
        return SELDOM_PRIOR if call.number >= from_kt(SELDOM_FROM_KT, call.unit or "kt") else 0.0

    def calls(self, stretch: Stretch, segmenter: Segmenter, lean: Lean | None = None) -> Heard:
        """The calls in a stretch.

        Parameters
        ----------
        lean : callable, optional
            Log-probability of a call before its sound is heard, from what was said before.

        Returns
        -------
        Heard
            Calls in order of time, however little they are believed.
        """
        pieces = self._digits_joined(tiled(segmenter.pieces(), len(stretch.log_p)), lean)
        kinds = [self._kind(piece, stretch) for piece in pieces]
        found: list[Found] = []
        spans: list[tuple[int, int]] = []
        for k, (piece, kind) in enumerate(zip(pieces, kinds)):
            one = self._score(stretch, piece.start, piece.end, lean) if kind == "call" else None
            if one:
                found.append(replace(one, glued=self._talk_beside(pieces, kinds, k, stretch)))
                spans.append((piece.start, piece.end))
                self._join_last(found, spans, stretch, lean)
        talk, beliefs = "talk" in kinds, [one.belief for one in found]
        small = 1.0 if kinds and set(kinds) <= {"filler", "nothing"} else 0.0  # "okay" alone is not looked at again
        if (talk or min(beliefs, default=small) < WEAK_BELIEF) and len(stretch.log_p) <= SHORT_STRETCH_FRAMES:
            whole = self.whole(stretch, lean)
            least = PHRASE_BELIEF if whole and is_phrase(whole) else SHORT_BELIEF
            if whole and whole.belief > max([*beliefs, least if talk else 0.0]):
                return Heard((whole,), False, False)
        said = [kind for kind in kinds if kind not in ("nothing", "filler")] or [""]
        return Heard(tuple(found), said[0] == "talk", said[-1] == "talk")

    def _join_last(self, found: list[Found], spans: list[tuple[int, int]], stretch: Stretch, lean: Lean | None) -> None:
        """The last two calls as one, where they follow at once and one explains the sound better: "one zero | one", or a digit
        that is the beginning of a phrase, "six | full back" for "stick's full back"."""
        if len(found) < 2 or spans[-2][1] != spans[-1][0]:
            return
        first, second = found[-2:]
        speeds = second.call.kind is CallKind.AIRSPEED
        if first.call.kind is not CallKind.AIRSPEED or not (speeds or first.call.shorthand):
            return
        joined = self._score(stretch, spans[-2][0], spans[-1][1], lean)
        if joined is None or (
            joined.call.kind is not CallKind.AIRSPEED if speeds else joined.call.name != second.call.name
        ):
            return
        if joined.score > first.score + second.score - (UNIT_COST if speeds else 2 * UNIT_COST):
            glued = (first.glued[0], second.glued[1])
            found[-2:] = [replace(joined, glued=glued)]
            spans[-2:] = [(spans[-2][0], spans[-1][1])]

    def whole(self, stretch: Stretch, lean: Lean | None = None) -> Found | None:
        """The stretch as one call, or None when nothing legal fits; believed or not."""
        return self._score(stretch, 0, len(stretch.log_p), lean)

    def _digits_joined(self, pieces: list[Piece], lean: Lean | None) -> list[Piece]:
        """Two last digits in one breath are one number, however they were cut, unless they go on from an airspeed."""
        made: list[Piece] = []
        after_speed = False
        for piece in pieces:
            digit = self._is_digit(piece)
            if made and digit and self._is_digit(made[-1]) and not after_speed and self._near(made[-1], piece, lean):
                made[-1] = Piece(made[-1].start, piece.end, piece.spelling)
                continue
            call = self._call(piece)
            if call is not None and not digit:
                after_speed = call.kind is CallKind.AIRSPEED
            made.append(piece)
        return made

    def _near(self, tens: Piece, units: Piece, lean: Lean | None) -> bool:
        """Whether two digits as one number are near what is expected, where anything is."""
        first, second = self._call(tens), self._call(units)
        if lean is None or first is None or second is None:
            return True
        return lean(replace(first, value=10 * first.number + second.number, shorthand=False)) > -MAX_LEAN

    def _call(self, piece: Piece) -> LegalCall | None:
        return self.tree.units[self.tree.end_unit[piece.spelling]].call if piece.spelling != OTHER else None

    def _is_digit(self, piece: Piece) -> bool:
        call = self._call(piece)
        return call is not None and call.shorthand

    def _kind(self, piece: Piece, stretch: Stretch) -> str:
        if piece.spelling == OTHER:
            return "talk" if _phones_in(piece, stretch) >= MIN_TALK_PHONES else "nothing"
        unit = self.tree.units[self.tree.end_unit[piece.spelling]]
        return "call" if unit.call is not None else "talk" if unit.ignored else "filler"

    @staticmethod
    def _talk_beside(pieces: Sequence[Piece], kinds: Sequence[str], k: int, stretch: Stretch) -> tuple[int, int]:
        """Phones of talk next to a piece, past fillers: before it, after it."""
        phones = []
        for step in (-1, 1):
            j = k + step
            while 0 <= j < len(kinds) and kinds[j] in ("filler", "nothing"):
                j += step
            talk = 0 <= j < len(kinds) and kinds[j] == "talk"
            phones.append(max(1, _phones_in(pieces[j], stretch)) if talk else 0)
        return phones[0], phones[1]

    def belief_in(self, stretch: Stretch, meaning: tuple) -> float:
        """How much to believe that a stretch says a given thing.

        Returns
        -------
        float
            0 to 1; 0 for what cannot be said.
        """
        scored = scores(self.tree, stretch.log_p)
        if scored is None:
            return 0.0
        places = [k for k, (m, _) in enumerate(scored.ranked) if self.tree.meanings[m] == meaning]
        if not places:
            return 0.0
        score, spelling = scored.ranked[places[0]][1], self.tree.spellings[scored.spelling[places[0]]]
        return self._belief_of(
            scored.posteriors[places[0]], score - scored.free, len(spelling), stretch.activity, stretch.talk
        )

    def _score(self, stretch: Stretch, start: int, end: int, lean: Lean | None = None) -> Found | None:
        span = stretch.log_p[start:end]
        scored = scores(self.tree, span)
        if scored is None:
            return None
        ranked = self._with_prior(scored, lean)
        shares = _shares([score for _, score, _ in ranked])
        # A small word may fit better than any call: that leaves the likeliest call little of the share.
        best = next((k for k, (one, _, _) in enumerate(ranked) if self.tree.meanings[one] in self._call_of), None)
        if best is None or self.tree.meanings[ranked[0][0]][0] == "ignored":
            return None
        one, score, spelling_index = ranked[best]
        spelling = self.tree.spellings[spelling_index]
        log_ratio = dict(scored.ranked)[one] + self._before(one, lean) - scored.free
        belief = self._belief_of(
            shares[best], log_ratio, len(spelling), stretch.activity[start:end], stretch.talk[start:end]
        )
        rivals = self._rivals(ranked, shares, best, belief)
        close = self._near_rivals(ranked, best)
        if close:
            said = {rival: close.get(rival, share) for rival, share in rivals}
            rivals = tuple(sorted((said | close).items(), key=lambda one: -one[1]))[:ALTERNATIVES]
        words = self.tree.units[self.tree.end_unit[spelling_index]].words
        times = self._times(stretch, start, word_frames(spelling, span))
        return Found(
            self._call_of[self.tree.meanings[one]],
            belief,
            rivals,
            times[0][0],
            times[-1][1],
            tuple((word, a, b) for word, (a, b) in zip(words, times)),
            len(spelling),
            doubtful=bool(close),
            score=score,
        )

    def _near_rivals(self, ranked, best: int) -> dict[LegalCall, float]:
        """Airspeeds that are not beaten by enough, each with a share that leaves it possible."""
        call = self._call_of[self.tree.meanings[ranked[best][0]]]
        if call.kind is not CallKind.AIRSPEED or call.shorthand:
            return {}
        found = {}
        for one, score, _ in ranked[best + 1 :]:
            rival = self._call_of.get(self.tree.meanings[one])
            if rival is None or rival.kind is not CallKind.AIRSPEED or rival.shorthand:
                continue
            least, behind = open_nats(int(call.number), int(rival.number)), ranked[best][1] - score
            if behind < least:
                found[rival] = 0.5 * float(np.exp(-3 * behind / least))
        return found

    def _belief_of(self, share: float, log_ratio: float, phones: int, activity: np.ndarray, talk: np.ndarray) -> float:
        heard = activity > SPEECH
        loud, talking = (float(activity[heard].mean()), float(talk[heard].mean())) if heard.any() else (0.0, 0.0)
        return self.gate.belief(measures(share, log_ratio, phones, loud, talking))

    def _with_prior(self, scored: SpanScores, lean: Lean | None) -> list[tuple[int, float, int]]:
        joined = [
            (k, score + self._before(k, lean) + self._phone_prior(k, end), end)
            for (k, score), end in zip(scored.ranked, scored.spelling)
        ]
        phrases = {k: score for k, score, _ in joined if self._is_phrase(k)}
        if phrases:
            plain = {k: phrases[k] - self._leans_in(end) for k, _, end in joined if k in phrases}
            back = max(phrases.values()) - max(plain.values())
            joined = [(k, plain[k] + back if k in plain else score, end) for k, score, end in joined]
        return sorted(joined, key=lambda one: -one[1])

    def _before(self, meaning: int, lean: Lean | None) -> float:
        """Log-probability of a meaning before its sound is heard."""
        call = self._call_of.get(self.tree.meanings[meaning])
        return self.prior[meaning] + (lean(call) if lean and call else 0.0)

    def _is_phrase(self, meaning: int) -> bool:
        call = self._call_of.get(self.tree.meanings[meaning])
        return call.kind is not CallKind.AIRSPEED if call else self.tree.meanings[meaning][0] == "ignored"

    def _leans_in(self, spelling: int) -> float:
        return float(sum(self._leans[phone] for phone, _ in self.tree.spellings[spelling]))

    def _phone_prior(self, meaning: int, spelling: int) -> float:
        if not self._is_phrase(meaning):
            return 0.0
        cost = 0.0 if self.tree.meanings[meaning] in self._call_of else NEGATION_COST
        return PHONE_PRIOR * len(self.tree.spellings[spelling]) - cost

    def _rivals(self, ranked, shares, best: int, belief: float) -> tuple[tuple[LegalCall, float], ...]:
        rest = [
            (self._call_of[self.tree.meanings[one]], share)
            for k, ((one, _, _), share) in enumerate(zip(ranked, shares))
            if k != best and self.tree.meanings[one] in self._call_of
        ]
        # Rivals are nearer than the posterior says: flattened as much as on the calibration speakers.
        weights = np.array([share**0.6 for _, share in rest])
        total = weights.sum() + 0.05
        return tuple(
            (call, float((1 - belief) * w / total)) for (call, _), w in list(zip(rest, weights))[:ALTERNATIVES]
        )

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


def is_phrase(found: Found) -> bool:
    """Whether an event or a command is long enough to be hardly ever heard by chance."""
    return found.call.kind in (CallKind.EVENT, CallKind.COMMAND) and found.phones >= PHRASE_PHONES


def tiled(pieces: Sequence[Piece], frames: int) -> list[Piece]:
    """Pieces with nothing between them: each begins where the one before it ended, the last ends at the end."""
    made: list[Piece] = []
    for k, piece in enumerate(pieces):
        begin = made[-1].end if made else 0
        end = frames if k + 1 == len(pieces) else piece.end
        made.append(Piece(begin, max(begin, end), piece.spelling))
    return [piece for piece in made if piece.end > piece.start]


def _phones_in(piece: Piece, stretch: Stretch) -> int:
    best = stretch.log_p[piece.start : piece.end].argmax(1)
    return int(((best != BLANK) & (np.diff(best, prepend=BLANK) != 0)).sum())


def _shares(logs: Sequence[float]) -> np.ndarray:
    values = np.asarray(logs)
    shares = np.exp(values - values.max())
    return shares / shares.sum()

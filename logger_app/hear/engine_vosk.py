"""Vosk as a second recogniser: a model that the user fetches, our pack as its grammar, our network as its judge.

Vosk gives a word of its grammar for a cough, with full confidence; so that figure is never believed
alone. Where our own network knows the language, each call is held against it; where not, every call
is unsure. Main names: `VoskEngine`, `find_model`.
"""

from __future__ import annotations

import json
from functools import lru_cache
from pathlib import Path

import numpy as np

from logger_app.errors import EngineError
from logger_app.hear.context import EXPECT_FRAMES
from logger_app.hear.decode import Decoder, Stretch
from logger_app.hear.engine_callout import load_model, phone_tree
from logger_app.hear.engine_util import Level
from logger_app.hear.net import FRAME_S, NetStream
from logger_app.hear.packs import Pack, legal_calls
from logger_app.hear.parse import Parsed, parse_words
from logger_app.io.resources import user_dir
from logger_app.records.calls import CallKind, Flag, HeardCall
from logger_app.units import RATE_HZ, s_to_ns

PUBLIC_MODEL = "vosk-model-small-en-us-0.15"
UNKNOWN = "[unk]"
# Our own network's frames are kept this long for the check [s].
KEEP_S = 40.0
# The network says a phone late: the span that is checked begins and ends with this much more [s].
BEFORE_S, AFTER_S = 0.15, 0.3
# Without a check nothing is surer than this.
UNCHECKED = 0.5
# Under this much belief our network says that it was something else.
REFUSED = 0.05
UNSURE_BELOW = 0.8
# Digits go on from an airspeed for so long [s].
GOES_ON_S = EXPECT_FRAMES * FRAME_S
# Confusable endings hide in short pieces: sound goes to Vosk in pieces of this length [samples].
PIECE = 3200


class VoskEngine:
    """See `engine.Engine`.

    Parameters
    ----------
    low, high : float
        Lowest and highest airspeed that can be called, in `unit`.
    model : Path, optional
        Folder of a Vosk model; the user's own data folder without it.

    Raises
    ------
    EngineError
        No model, or not one that Vosk reads; no word of the pack is in it.
    """

    name = "vosk"

    def __init__(self, pack: Pack, low: float = 20.0, high: float = 199.0, unit: str = "kt", model: Path | None = None):
        self.pack, self.low, self.high, self.unit = pack, low, high, unit
        self._model = _vosk_model(find_model(model))
        self.grammar = grammar_of(pack, low, high, unit, self._knows)
        self._judge = _judge(pack, low, high, unit)
        self.reset()

    def reset(self) -> None:
        """Forget the stream; the next sound fed is at 0 s."""
        # A new one: Vosk's clock and its adaptation to the voice go on over its own `Reset`. So times count from
        # the first sample fed, over all its end points.
        self._recogniser = self._new()
        self._waiting = np.zeros(0, np.int16)
        self._count = 0
        self._partial = ""
        self._level = Level()
        self._stream = NetStream(self._judge[0]) if self._judge else None
        self._log_p = np.zeros((0, 40), np.float32)
        self._activity = np.zeros(0, np.float32)
        self._talk = np.zeros(0, np.float32)
        self._first = 0
        self._last_speed: float | None = None
        self._last_s = 0.0

    def feed(self, pcm: np.ndarray) -> list[HeardCall]:
        """The next sound; see `engine.Engine`."""
        self._waiting = np.concatenate([self._waiting, np.asarray(pcm, np.int16)])
        calls: list[HeardCall] = []
        while len(self._waiting) >= PIECE:
            piece, self._waiting = self._waiting[:PIECE], self._waiting[PIECE:]
            calls += self._piece(piece)
        return calls

    def finish(self) -> list[HeardCall]:
        """No more sound; see `engine.Engine`."""
        calls = self._piece(self._waiting) if len(self._waiting) else []
        self._waiting = np.zeros(0, np.int16)
        self._own_frames(np.zeros(0, np.float32), last=True)
        self._partial = ""
        return calls + self._calls(json.loads(self._recogniser.FinalResult()))

    def partial(self) -> str:
        """The words being spoken; see `engine.Engine`."""
        return self._partial

    # ---- inside -----------------------------------------------------------------------------------

    def _new(self):
        import vosk

        recogniser = vosk.KaldiRecognizer(self._model, RATE_HZ, json.dumps(self.grammar, ensure_ascii=False))
        recogniser.SetWords(True)
        return recogniser

    def _knows(self, word: str) -> bool:
        return self._model.vosk_model_find_word(word) >= 0

    def _piece(self, pcm: np.ndarray) -> list[HeardCall]:
        self._own_frames(self._level.take(pcm))
        if self._recogniser.AcceptWaveform(pcm.tobytes()):
            self._partial = ""
            return self._calls(json.loads(self._recogniser.Result()))
        self._partial = json.loads(self._recogniser.PartialResult()).get("partial", "").replace(UNKNOWN, "").strip()
        return []

    def _own_frames(self, sound: np.ndarray, last: bool = False) -> None:
        if self._stream is None:
            return
        log_p, activity, talk = self._stream.feed(sound, last)
        self._log_p = np.concatenate([self._log_p, log_p])
        self._activity = np.concatenate([self._activity, activity])
        self._talk = np.concatenate([self._talk, talk])
        drop = len(self._log_p) - round(KEEP_S / FRAME_S)
        if drop > 0:
            self._log_p, self._activity, self._talk = self._log_p[drop:], self._activity[drop:], self._talk[drop:]
            self._first += drop

    def _calls(self, result: dict) -> list[HeardCall]:
        said = result.get("result", [])
        words = [one["word"] for one in said]
        calls = []
        at_s = float(said[0]["start"]) if said else 0.0
        before = self._last_speed if at_s - self._last_s <= GOES_ON_S else None
        for parsed in parse_words(words, self.pack, before, unit=self.unit):
            value = parsed.value if isinstance(parsed.value, int | float) and not parsed.shorthand else self.low
            if parsed.kind is CallKind.AIRSPEED and not self.low <= value <= self.high:
                continue
            if call := self._call(parsed, said[parsed.start : parsed.end]):
                calls.append(call)
                if parsed.kind is CallKind.AIRSPEED and isinstance(parsed.value, float) and parsed.value > 9:
                    self._last_speed, self._last_s = parsed.value, call.end_s
        return calls

    def _call(self, parsed: Parsed, said: list[dict]) -> HeardCall | None:
        times = [(one["word"], one["start"], one["end"]) for one in said]
        start_s, end_s = times[0][1], times[-1][2]
        posterior = min([UNCHECKED, *(one.get("conf", 1.0) for one in said)])
        if self._judge:
            belief = self._checked(parsed, start_s, end_s)
            if belief < REFUSED:
                return None
            posterior = min(1.0, belief)
        flags = list(self._level.flags(int(start_s / FRAME_S), int(end_s / FRAME_S) + 1))
        if parsed.shorthand:
            flags.append(Flag.NO_DECADE)
        if posterior < UNSURE_BELOW or parsed.doubtful:
            flags.append(Flag.UNSURE)
        if parsed.in_talk:
            flags.append(Flag.IN_TALK)
        self._count += 1
        return HeardCall(
            id=f"v{self._count:05d}",
            start_ns=s_to_ns(start_s),
            end_ns=s_to_ns(end_s),
            kind=parsed.kind,
            name=parsed.name,
            value=parsed.value,
            unit=parsed.unit,
            words=" ".join(parsed.words),
            posterior=posterior,
            flags=tuple(flags),
            word_times=tuple((word, s_to_ns(a), s_to_ns(b)) for word, a, b in times),
            engine=self.name,
            pack=self.pack.id,
        )

    def _checked(self, parsed: Parsed, start_s: float, end_s: float) -> float:
        first = max(0, round((start_s - BEFORE_S) / FRAME_S) - self._first)
        last = round((end_s + AFTER_S) / FRAME_S) - self._first
        span = Stretch(self._log_p[first:last], self._activity[first:last], self._talk[first:last], self._first + first)
        if not len(span.log_p):
            return 0.0
        # A last digit may have been completed by the airspeed before it; what was said is the digit.
        value = parsed.value
        if parsed.shorthand and isinstance(value, float):
            value %= 10
        meaning = (str(parsed.kind), parsed.name, value, parsed.shorthand)
        return self._judge[1].belief_in(span, meaning)


def find_model(given: Path | None) -> Path:
    """Where the Vosk model is.

    Parameters
    ----------
    given : Path, optional
        As the user says; else ``models/vosk`` in the user's data folder, or the one folder in it.

    Raises
    ------
    EngineError
        It is not there; says where to put it and which public model to fetch.
    """
    place = Path(given) if given else user_dir() / "models" / "vosk"
    if given and not place.is_dir():
        raise EngineError(f"{place}: no such folder; expected the unpacked folder of a Vosk model.")
    inside = sorted(folder for folder in place.glob("*") if folder.is_dir()) if place.is_dir() else []
    for folder in (place, *inside):
        if any((folder / part).exists() for part in ("am/final.mdl", "final.mdl")):
            return folder
    if given:
        raise EngineError(f"{place}: not a Vosk model (no am/final.mdl in it); give the unpacked folder of one.")
    raise EngineError(
        f"engine vosk: no model in {place}; fetch a public Vosk model of your language (English: {PUBLIC_MODEL}, 40 MB), "
        "unpack it there, or give its folder with --model."
    )


def grammar_of(pack: Pack, low: float, high: float, unit: str, knows) -> list[str]:
    """The pack as phrases for Vosk.

    Returns
    -------
    list of str
        Phrases with known words only: airspeeds, events and commands whole, settings by their
        words; the unknown word where the model has one.

    Raises
    ------
    EngineError
        The model has none of the words.
    """
    phrases: dict[str, None] = {}
    known: dict[str, bool] = {}
    for call in legal_calls(pack, low, high, unit):
        fit = [word for word in call.words if known.setdefault(word, knows(word))]
        if len(fit) < len(call.words):
            continue
        if call.kind is CallKind.SETTING and isinstance(call.value, float):
            phrases.update(dict.fromkeys(fit))
        else:
            phrases[" ".join(fit)] = None
    for words in pack.fillers:
        if all(known.setdefault(word, knows(word)) for word in words):
            phrases[" ".join(words)] = None
    if not phrases:
        raise EngineError(
            f"engine vosk: the model has no word of language pack {pack.name}; give a model of its language."
        )
    if knows(UNKNOWN):
        phrases[UNKNOWN] = None
    return list(phrases)


@lru_cache(maxsize=1)
def _vosk_model(folder: Path):
    try:
        import vosk
    except (ImportError, OSError) as err:
        raise EngineError(f"engine vosk: the vosk library cannot be loaded ({err}); reinstall kneecall.") from err
    vosk.SetLogLevel(-1)
    try:
        return vosk.Model(str(folder))
    except Exception as err:
        raise EngineError(f"{folder}: Vosk cannot read this model; fetch it again.") from err


def _judge(pack: Pack, low: float, high: float, unit: str):
    """Our network and decoder, where the network was trained on the pack's language; else None."""
    try:
        net, gate, languages = load_model()
    except EngineError:
        return None
    return (net, Decoder(phone_tree(pack, low, high, unit), gate)) if pack.language in languages else None

"""Our own recogniser: the callout network and everything legal scored against it. numpy only.

Main name: `CalloutEngine` (the shared contract is `engine.Engine`). `decode_item` takes a piece of
sound that holds one call.
"""

from __future__ import annotations

import json
from functools import lru_cache
from pathlib import Path

import numpy as np

from logger_app.errors import EngineError
from logger_app.hear.context import AFTER_FRAMES, Context, Need, in_talk
from logger_app.hear.decode import Decoder, Found, Heard, Stretch
from logger_app.hear.endpoint import BEFORE_FRAMES, SPEECH, Endpoint
from logger_app.hear.engine_util import FRAME, Level, as_float, sound_flags
from logger_app.hear.features import views
from logger_app.hear.gate import Gate
from logger_app.hear.lattice import PhoneTree, build_tree
from logger_app.hear.net import BLANK, FRAME_S, OUTPUTS, Net, NetStream
from logger_app.hear.packs import Pack
from logger_app.hear.segment import BEAM, Segmenter
from logger_app.io.files import read_text
from logger_app.io.resources import data_dir
from logger_app.records.calls import Alternative, Flag, HeardCall
from logger_app.units import s_to_ns

# Sound is taken in pieces, longer ones cost less: long in silence, where nothing is waited for, and from files [samples].
IDLE_PIECE, SPEECH_PIECE, LARGEST_PIECE = 2560, 960, 8000
# How long to wait after the last speech [20 ms frames]: when all is said and the network is at
# rest, when it may still be saying the last phone, after talk, and when the number may go on.
QUICK, SETTLED, TALK, GOING_ON = 4, 7, 13, 20
# The network is at rest when it said nothing for this many frames.
REST_FRAMES = 2
# Speech without a break is cut after this [frames].
LONGEST = 600
UNSURE_BELOW = 0.8
# The slower listening keeps paths this much less likely than the best [natural log].
WIDE = 30.0
# After a piece of speech: the network says its last phone this much later at most [frames].
LATE_FRAMES = 14
# Frames without sound, where the network's last ones are missing.
SILENT_ROW = np.where(np.arange(OUTPUTS) == BLANK, -1e-3, -11.0).astype(np.float32)


class CalloutEngine:
    """See `engine.Engine`. `model` is a folder with ``net.npz`` and ``conf.json``; our own without it."""

    name = "callout"

    def __init__(self, pack: Pack, low: float = 20.0, high: float = 199.0, unit: str = "kt", model: Path | None = None):
        self.pack, self.unit = pack, unit
        self.net, gate, self.languages = load_model(model)
        self._digits = {one.words[0]: float(one.value) for one in pack.shorthands if len(one.words) == 1}
        self.decoder = Decoder(phone_tree(pack, low, high, unit), gate)
        self.reset()

    def reset(self) -> None:
        """Forget the stream; the next sound fed is at 0 s."""
        self._stream = NetStream(self.net)
        self._level = Level()
        self._endpoint = Endpoint()
        self._waiting: list[np.ndarray] = []
        self._held = 0
        self._rows: list[np.ndarray] = []
        self._activity: list[float] = []
        self._talk: list[float] = []
        self._first = 0  # frame of the stream that `_rows` begins with
        self._segmenter: Segmenter | None = None
        self._blanks = 0
        self._begin = 0
        self._search = BEAM
        self._context = Context(self.decoder.gate)
        self._pending: list[Found] = []
        self._closed_at = 0
        self._count = 0

    def feed(self, pcm: np.ndarray) -> list[HeardCall]:
        """The next sound; see `engine.Engine`."""
        self._waiting.append(np.asarray(pcm, np.int16))
        self._held += len(pcm)
        if self._held < (IDLE_PIECE if self._segmenter is None else SPEECH_PIECE):
            return []
        sound = np.concatenate(self._waiting)
        self._waiting, self._held = [], 0
        calls: list[HeardCall] = []
        for k in range(0, len(sound), LARGEST_PIECE):
            calls += self._frames(*self._stream.feed(self._level.take(sound[k : k + LARGEST_PIECE])))
        return calls

    def finish(self) -> list[HeardCall]:
        """No more sound; see `engine.Engine`."""
        sound = np.concatenate(self._waiting) if self._waiting else np.zeros(0, np.int16)
        self._waiting, self._held = [], 0
        calls = self._frames(*self._stream.feed(self._level.take(sound), last=True))
        return calls + (self._close() if self._segmenter else []) + self._release()

    def partial(self) -> str:
        """The words being spoken; see `engine.Engine`."""
        return self._segmenter.words() if self._segmenter else ""

    def decode_item(self, pcm: np.ndarray) -> HeardCall | None:
        """Sound that holds one call and nothing else.

        Parameters
        ----------
        pcm : ndarray of int16, shape (n,)
            16 kHz mono, up to some seconds.

        Returns
        -------
        HeardCall or None
            The likeliest call however little it is believed, rivals in `alternatives`; None when
            there is no speech, or nothing legal fits.
        """
        stretch = speech_of(*self.net.run(as_float(np.asarray(pcm, np.int16))))
        found = self.decoder.whole(stretch) if stretch else None
        return self._heard(found, self._flags_of(pcm, found)) if found else None

    def hear_all(self, pcm: np.ndarray) -> list[HeardCall]:
        """Listen slowly: the sound brought to one loudness, normalised in three ways, a wider search.

        Parameters
        ----------
        pcm : ndarray of int16, shape (n,)
            16 kHz mono, a minute or so; follows on what was heard so before.

        Returns
        -------
        list of HeardCall
            Calls, the last one perhaps with the next piece or `finish`.
        """
        self._search = WIDE
        sound = as_float(np.asarray(pcm, np.int16))
        self._level.take(np.asarray(pcm, np.int16))
        seen = [self.net.run_rows(rows) for rows in views(sound)]
        log_p = np.mean([one[0] for one in seen], axis=0)
        log_p -= np.log(np.exp(log_p).sum(1, keepdims=True))
        missing = len(pcm) // FRAME - len(log_p)
        pad = np.tile(SILENT_ROW, (max(0, missing), 1))
        activity, talk = (
            np.concatenate([np.mean([one[k] for one in seen], axis=0), np.zeros(max(0, missing))]) for k in (1, 2)
        )
        return self._frames(np.concatenate([log_p, pad]), activity, talk)

    # ---- frame by frame ---------------------------------------------------------------------------

    def _frames(self, log_p: np.ndarray, activity: np.ndarray, talk: np.ndarray) -> list[HeardCall]:
        calls: list[HeardCall] = []
        for row, active, talking in zip(log_p, activity, talk):
            calls += self._frame(row, float(active), float(talking))
        return calls

    def _frame(self, row: np.ndarray, active: float, talking: float) -> list[HeardCall]:
        began = self._endpoint.step(active)
        self._rows.append(row)
        self._activity.append(active)
        self._talk.append(talking)
        self._blanks = self._blanks + 1 if row[BLANK] > -0.5 else 0
        if began:
            self._begin = self._endpoint.start or 0
            start = max(self._closed_at, self._begin - BEFORE_FRAMES)
            self._drop(start)
            self._segmenter = Segmenter(self.decoder.tree, self._search)
            self._segmenter.feed(np.array(self._rows))
        elif self._segmenter:
            self._segmenter.feed(row[None])
        if self._segmenter is None:
            self._drop(self._endpoint.frame - BEFORE_FRAMES - 4)
            over = bool(self._pending) and self._endpoint.frame - self._pending[-1].end >= AFTER_FRAMES
            return self._release() if over else []
        return self._close() if self._over() else []

    def _over(self) -> bool:
        quiet = self._endpoint.quiet_frames
        if quiet >= GOING_ON or (len(self._rows) > LONGEST and quiet >= 1) or len(self._rows) > 2 * LONGEST:
            return True
        if quiet < QUICK or (quiet < SETTLED and self._blanks < REST_FRAMES):
            return False
        last = self._segmenter.ends_in() if self._segmenter else "talk"
        return last == "whole" or (last == "talk" and quiet >= TALK)

    def _close(self) -> list[HeardCall]:
        """The stretch is over: what is in it, and what becomes of the calls that waited for it."""
        assert self._segmenter is not None
        heard = self.decoder.calls(
            Stretch(np.array(self._rows), np.array(self._activity), np.array(self._talk), self._first),
            self._segmenter,
            self._context.lean(self._begin),
        )
        end = self._endpoint.frame
        codes, pending_too, goes_on = self._context.codes(heard, self._begin, self._digits)
        if pending_too:
            self._pending = []
        taken = [] if goes_on else self._release(followed_by=heard)
        for k, found in enumerate(heard.calls):
            need = Need.DROP if k in codes else self._context.need(found, heard, self._begin)
            if self._pending and found not in self._context.row:
                taken += self._release()
            if need is Need.WAIT or (need is Need.TAKE and self._pending):
                self._pending.append(found)
            elif need is Need.TAKE:
                taken += self._take(found)
        self._context.talked(heard, self._endpoint.last_speech)
        self._segmenter, self._closed_at = None, end
        self._endpoint.close()
        self._drop(end)
        return taken

    def _release(self, followed_by: Heard | None = None) -> list[HeardCall]:
        """The calls that wait, unless talk followed at once."""
        waiting, self._pending = self._pending, []
        if not waiting or (followed_by and followed_by.talk_first and self._begin - waiting[-1].end < AFTER_FRAMES):
            return []
        return [call for found in waiting for call in self._take(found)]

    def _take(self, found: Found) -> list[HeardCall]:
        parts = self._context.apart(found, self._digits)
        for part in parts:
            self._context.took(part)
        return [self._heard(part, self._level.flags(int(part.start), int(part.end) + 1)) for part in parts]

    def _drop(self, before: int) -> None:
        drop = before - self._first
        if drop > 0:
            del self._rows[:drop], self._activity[:drop], self._talk[:drop]
            self._first = before
            self._level.forget(before - 200)

    # ---- calls ------------------------------------------------------------------------------------

    def _flags_of(self, pcm: np.ndarray, found: Found | None) -> tuple[Flag, ...]:
        if found is None:
            return ()
        part = np.asarray(pcm, np.int32)[int(found.start) * 320 : (int(found.end) + 1) * 320]
        frames = part[: len(part) // 320 * 320].reshape(-1, 320)
        return sound_flags(((frames / 32768.0) ** 2).mean(1), (np.abs(frames) >= 32_600).sum(1))

    def _heard(self, found: Found, flags: tuple[Flag, ...]) -> HeardCall:
        self._count += 1
        call = found.call
        if call.shorthand:
            flags = (*flags, Flag.NO_DECADE)
        if found.belief < UNSURE_BELOW:
            flags = (*flags, Flag.UNSURE)
        if found.doubtful:
            flags = (*flags, Flag.SOUNDS_LIKE)
        if in_talk(found, self.pack):
            flags = (*flags, Flag.IN_TALK)
        return HeardCall(
            id=f"c{self._count:05d}",
            start_ns=s_to_ns(found.start * FRAME_S),
            end_ns=s_to_ns(found.end * FRAME_S),
            kind=call.kind,
            name=call.name,
            value=call.value,
            unit=call.unit,
            words=" ".join(word for word, _, _ in found.words),
            posterior=found.belief,
            flags=flags,
            alternatives=tuple(
                Alternative(kind=rival.kind, name=rival.name, value=rival.value, posterior=share)
                for rival, share in found.rivals
            ),
            word_times=tuple((w, s_to_ns(a * FRAME_S), s_to_ns(b * FRAME_S)) for w, a, b in found.words),
            engine=self.name,
            pack=self.pack.id,
        )


def speech_of(log_p: np.ndarray, activity: np.ndarray, talk: np.ndarray) -> Stretch | None:
    """The speech in a piece of sound that holds one call, pauses of up to 0.7 s in it allowed.

    Returns
    -------
    Stretch or None
        The longest run of speech with what belongs around it; None without any.
    """
    for threshold, least in ((SPEECH, 5), (0.2, 3)):
        runs: list[list[int]] = []
        for t in map(int, np.flatnonzero(activity > threshold)):
            if runs and t - runs[-1][1] <= 35:
                runs[-1][1], runs[-1][2] = t, runs[-1][2] + 1
            else:
                runs.append([t, t, 1])
        runs = [run for run in runs if run[2] >= least]
        if runs:
            a, b, _ = max(runs, key=lambda run: run[1] - run[0])
            first = max(0, a - BEFORE_FRAMES)
            part = slice(first, b + 1 + LATE_FRAMES)
            return Stretch(log_p[part], activity[part], talk[part], first)
    return None


def load_model(folder: Path | None = None) -> tuple[Net, Gate, tuple[str, ...]]:
    """A callout model.

    Parameters
    ----------
    folder : Path, optional
        Folder with ``net.npz`` and ``conf.json``; our own without it.

    Returns
    -------
    tuple of (Net, Gate, tuple of str)
        Network, calibration, languages that it was trained on.

    Raises
    ------
    EngineError
        Missing, or something else.
    """
    return _model(Path(folder) if folder else data_dir("grammar") / "en" / "acoustic")


@lru_cache(maxsize=2)
def _model(folder: Path) -> tuple[Net, Gate, tuple[str, ...]]:
    try:
        conf = json.loads(read_text(folder / "conf.json"))
    except (OSError, ValueError) as err:
        raise EngineError(
            f"{folder / 'conf.json'}: cannot be read ({err}); expected the folder of a callout model."
        ) from err
    return Net(folder / "net.npz"), Gate.from_conf(conf), tuple(conf.get("languages", ("en",)))


@lru_cache(maxsize=4)
def phone_tree(pack: Pack, low: float, high: float, unit: str) -> PhoneTree:
    """`build_tree`, kept for the next engine."""
    return build_tree(pack, low, high, unit)

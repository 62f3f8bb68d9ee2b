"""The callout network in numpy: features to phone log-probabilities, speech activity, and talk against calls.

Depthwise convolutions on 20 ms frames; batch norms are folded into the weights. The whole-file and
the streaming form give the same numbers. A frame's output is there once the sound up to
0.275 s after its start is in. Training and export are in ``grammar/en/acoustic``.

Not for: what the phones mean (`lattice`, `callouts`). Main names: `Net`, `NetStream`.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from logger_app.errors import EngineError
from logger_app.hear.features import BANDS, HOP, Normaliser, features, log_mel
from logger_app.hear.phones import PHONES
from logger_app.io.files import open_file

FRAME_S = 0.02
BLANK = 0
OUTPUTS = len(PHONES) + 1
# The first layer sees 7 feature rows, from 3 before to 3 after, every second row.
_BEFORE, _TAPS, _STRIDE = 3, 7, 2
_AFTER = _TAPS - 1 - _BEFORE - 1


class Net:
    """Weights of the callout network, ready to run.

    Parameters
    ----------
    path : Path
        ``net.npz`` as written by the export of the training.

    Raises
    ------
    EngineError
        The file is missing or holds something else.
    """

    def __init__(self, path: Path):
        try:
            with open_file(path) as file, np.load(file) as stored:
                self.w = {name: stored[name].astype(np.float32) for name in stored.files}
            self.blocks = int(self.w["n"].ravel()[0])
            self.channels = self.w["i.w"].shape[1]
            self.right = [int(self.w[f"{k}.kr"].ravel()[0]) for k in range(self.blocks)]
            self.w.setdefault("t.w", np.zeros(self.channels, np.float32))  # weights from before this output say nothing
            self.w.setdefault("t.b", np.zeros(1, np.float32))
        except (OSError, KeyError, ValueError) as err:
            raise EngineError(f"{path}: not the weights of a callout model ({err}); reinstall kneecall.") from err

    def first(self, rows: np.ndarray, frames: int) -> np.ndarray:
        """First layer on `rows` (padded features): shape (frames, channels)."""
        rows = np.ascontiguousarray(rows, np.float32)
        step = rows.strides
        taps = np.lib.stride_tricks.as_strided(rows, (frames, _TAPS * BANDS), (step[0] * _STRIDE, step[1]))
        return np.maximum(taps @ self.w["i.w"] + self.w["i.b"], 0)

    def block(self, k: int, padded: np.ndarray, frames: int) -> np.ndarray:
        """Block `k` on `frames` outputs from `padded`, which holds its context at both ends."""
        weights = self.w[f"{k}.dw"]
        taps = len(weights)
        y = padded[:frames] * weights[0]
        for j in range(1, taps):
            y += padded[j : j + frames] * weights[j]
        y += self.w[f"{k}.db"]
        hidden = np.maximum(y @ self.w[f"{k}.w1"] + self.w[f"{k}.b1"], 0)
        here = padded[taps - 1 - self.right[k] :][:frames]
        return here + hidden @ self.w[f"{k}.w2"] + self.w[f"{k}.b2"]

    def heads(self, y: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Outputs of the last block to phone log-probabilities (t, 40), activity (t,) and talk (t,)."""
        z = np.maximum(y * self.w["bo.s"] + self.w["bo.b"], 0)
        logits = z @ self.w["o.w"] + self.w["o.b"]
        top = logits.max(1, keepdims=True) if len(logits) else logits
        log_p = logits - top - np.log(np.exp(logits - top).sum(1, keepdims=True))
        activity = 1 / (1 + np.exp(-(z @ self.w["v.w"] + self.w["v.b"])))
        talk = z @ self.w["t.w"] + self.w["t.b"]
        return log_p, activity, talk

    def run(self, sound: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """A complete piece of sound at once: float32, 16 kHz, full scale 1.

        Returns
        -------
        tuple of ndarray, shapes (t, 40), (t,) and (t,)
            Natural log of the phone probabilities (column 0 is the blank), the probability of speech, and
            the log-odds that this speech is talk and not a call, every 20 ms.
        """
        return self.run_rows(features(sound))

    def run_rows(self, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """As `run`, from features however they were normalised, shape (2 t, 40)."""
        frames = len(rows) // _STRIDE
        y = self.first(np.pad(rows[: _STRIDE * frames], ((_BEFORE, _AFTER), (0, 0))), frames)
        for k in range(self.blocks):
            taps, right = len(self.w[f"{k}.dw"]), self.right[k]
            y = self.block(k, np.pad(y, ((taps - 1 - right, right), (0, 0))), frames)
        return self.heads(y)


class NetStream:
    """The same network on sound that arrives in pieces of any length."""

    def __init__(self, net: Net):
        self.net = net
        self._sound = np.zeros(0, np.float32)
        self._normalise = Normaliser()
        self._rows = np.zeros((_BEFORE, BANDS), np.float32)
        self._held = [
            np.zeros((len(net.w[f"{k}.dw"]) - 1 - net.right[k], net.channels), np.float32) for k in range(net.blocks)
        ]

    def feed(self, sound: np.ndarray, last: bool = False) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """The next sound, as for `Net.run`; gives the frames whose look-ahead is complete, all of them when `last`.

        Returns
        -------
        tuple of ndarray, shapes (t, 40), (t,) and (t,)
            As `Net.run`, for frames not given before.
        """
        self._sound = np.concatenate([self._sound, np.asarray(sound, np.float32)])
        energies = log_mel(self._sound)
        if len(energies):
            self._rows = np.concatenate([self._rows, self._normalise(energies)])
            self._sound = self._sound[len(energies) * HOP :]
        if last:
            odd = (len(self._rows) - _BEFORE) % _STRIDE
            self._rows = np.concatenate([self._rows[: len(self._rows) - odd], np.zeros((_AFTER, BANDS), np.float32)])
        frames = (len(self._rows) - _TAPS) // _STRIDE + 1 if len(self._rows) >= _TAPS else 0
        y = np.zeros((0, self.net.channels), np.float32)
        if frames:
            y = self.net.first(self._rows, frames)
            self._rows = self._rows[_STRIDE * frames :]
        for k in range(self.net.blocks):
            y = self._through_block(k, y, last)
        return self.net.heads(y)

    def _through_block(self, k: int, y: np.ndarray, last: bool) -> np.ndarray:
        right, taps = self.net.right[k], len(self.net.w[f"{k}.dw"])
        ends = [np.zeros((right, self.net.channels), np.float32)] if last else []
        padded = np.concatenate([self._held[k], y, *ends])
        frames = len(padded) - taps + 1
        if frames <= 0:
            self._held[k] = padded
            return y[:0]
        self._held[k] = padded[frames:]
        return self.net.block(k, padded, frames)

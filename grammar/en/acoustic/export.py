"""A training checkpoint to the weights that numpy runs: batch norms folded, matrices in half precision.

``python -m grammar.en.acoustic.export CHECKPOINT.npz NET.npz [--with EARLIER.npz] [--lean]``. ``--with`` gives the average of the
new weights and the ones that the training started from: measured better on people than either. The layout (names, shapes) is the one that
`logger_app.hear.net` reads: ``i.w`` (7*40, C), then per block k: ``k.dw`` (11, C), ``k.db``, ``k.kr``
(frames seen ahead), ``k.w1`` (C, H), ``k.b1``, ``k.w2`` (H, C), ``k.b2``, last ``bo.s``, ``bo.b``, ``o.w`` (C, 40),
``o.b``, ``v.w`` (C,), ``v.b``, ``t.w`` (C,), ``t.b``; ``n`` is the number of blocks. No torch needed.
"""

from __future__ import annotations

import argparse

import numpy as np

from logger_app.hear.phones import PHONE_ID

EPS = 1e-5  # torch's BatchNorm1d default
# Added to the output of single phones, in noise too ready (S, D) or too slow (the others) to be heard from people [natural log].
# Chosen on `tens_dev`, `real digits` and two made sets (README.md); the training's made voices do not show it.
LEANS = {"S": -2.0, "D": -1.0, "F": 1.0, "TH": 1.0, "N": 1.0, "W": 1.0, "AH": 1.0, "IY": 1.0}


def fold(state: dict[str, np.ndarray], right: tuple[int, ...]) -> dict[str, np.ndarray]:
    """The exported arrays of a state dict; `right` is each block's look-ahead in frames."""

    def norm(name: str):
        scale = state[f"{name}.weight"] / np.sqrt(state[f"{name}.running_var"] + EPS)
        return scale, state[f"{name}.bias"] - state[f"{name}.running_mean"] * scale

    scale, offset = norm("b0")
    channels = len(scale)
    out = {"i.w": (state["i.weight"] * scale[:, None, None]).transpose(2, 1, 0).reshape(-1, channels), "i.b": offset}
    out["n"] = np.array([len(right)])
    for k, ahead in enumerate(right):
        block = f"blk.{k}."
        scale, offset = norm(block + "b1")
        out[f"{k}.dw"], out[f"{k}.db"], out[f"{k}.kr"] = (
            (state[block + "dw.weight"][:, 0] * scale[:, None]).T,
            offset,
            np.array([ahead]),
        )
        scale, offset = norm(block + "b2")
        out[f"{k}.w1"], out[f"{k}.b1"] = (state[block + "p1.weight"][:, :, 0] * scale[:, None]).T, offset
        out[f"{k}.w2"], out[f"{k}.b2"] = state[block + "p2.weight"][:, :, 0].T, state[block + "p2.bias"]
    out["bo.s"], out["bo.b"] = norm("bo")
    out["o.w"], out["o.b"] = state["o.weight"][:, :, 0].T, state["o.bias"]
    out["v.w"], out["v.b"] = state["v.weight"][0, :, 0], state["v.bias"]
    out["t.w"], out["t.b"] = state["t.weight"][0, :, 0], state["t.bias"]
    return {k: np.ascontiguousarray(v, np.float16 if v.ndim == 2 else np.float32) for k, v in out.items()}


def averaged(new: dict[str, np.ndarray], earlier: dict[str, np.ndarray], share: float = 0.5) -> dict[str, np.ndarray]:
    """Exported weights between those of a training and those it started from; `share` is that of the new ones.

    Blocks that the earlier net lacks count there as the identity: their last layer is zero. It works because one
    grew out of the other; two nets trained apart must not be averaged.
    """
    out = {}
    for name, value in new.items():
        if name == "n" or name.endswith(".kr"):
            out[name] = value
            continue
        before = earlier.get(name)
        if before is None:
            before = np.zeros_like(value) if name.endswith((".w2", ".b2")) else value
        out[name] = (share * value.astype(np.float32) + (1 - share) * before.astype(np.float32)).astype(value.dtype)
    return out


def leaned(weights: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """The weights with `LEANS` in the bias of the phone output."""
    bias = weights["o.b"].astype(np.float32).copy()
    for phone, nats in LEANS.items():
        bias[PHONE_ID[phone]] += nats
    return {**weights, "o.b": bias}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("checkpoint")
    parser.add_argument("net")
    parser.add_argument("--lean", action="store_true", help="add `LEANS` to the phone output")
    parser.add_argument("--with", dest="earlier", help="exported weights to average with")
    args = parser.parse_args()
    checkpoint = np.load(args.checkpoint)
    state = {k.removeprefix("ema."): checkpoint[k].astype(np.float32) for k in checkpoint.files if k.startswith("ema.")}
    weights = fold(state, tuple(int(r) for r in checkpoint["right"]))
    if args.earlier:
        weights = averaged(weights, dict(np.load(args.earlier)))
    if args.lean:
        weights = leaned(weights)
    # Whether all that these weights ever saw is of clean licences (`train` asks before it continues from them).
    np.savez(args.net, clean=checkpoint.get("clean", False), **weights)


if __name__ == "__main__":
    main()

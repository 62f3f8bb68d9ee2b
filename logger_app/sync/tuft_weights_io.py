"""Weights of the tuft assist: `tuft_weights.npz`, made by `tests/bench/tufts.py --fit`.

Main name: `weights`.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from logger_app.io.files import open_file

FILE = Path(__file__).with_name("tuft_weights.npz")
Layers = tuple[tuple[np.ndarray, np.ndarray], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Weights:
    """`states`: networks whose answers are averaged; features are centred and scaled first; `temperature` divides their sums."""

    centre: np.ndarray
    scale: np.ndarray
    states: tuple[Layers, ...]
    roots: Layers
    temperature: float


@functools.cache
def weights() -> Weights:
    """Read once. An array of a network is named ``states0.1.w``: which network, which layer, matrix (w) or bias (b)."""
    with open_file(FILE) as file, np.load(file) as stored:
        arrays = {name: stored[name].astype(np.float32) for name in stored.files if name != "temperature"}
        temperature = float(stored["temperature"])
    networks = sorted({name.split(".")[0] for name in arrays if "." in name})
    layers = {
        net: tuple(
            (arrays[f"{net}.{k}.w"], arrays[f"{net}.{k}.b"])
            for k in range(sum(n.startswith(f"{net}.") for n in arrays) // 2)
        )
        for net in networks
    }
    return Weights(
        centre=arrays["centre"],
        scale=arrays["scale"],
        states=tuple(layers[net] for net in networks if net.startswith("states")),
        roots=layers["roots"],
        temperature=temperature,
    )

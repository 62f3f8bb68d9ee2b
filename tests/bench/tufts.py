"""How often the tuft assist is right on drawn tufts, whether its confidence can be believed, and when it declines.

    python tests/bench/tufts.py [--json] [--scenes N]     measure on a kind of drawing that nothing was fitted on
    python tests/bench/tufts.py --fit [--cache DIR]       fit the weights anew; writes logger_app/sync/tuft_weights.npz

Fitting uses two kinds of drawn wings (`wing_threads`, `wing_chains`) that share no code; what makes confidence honest,
one temperature, comes from models fitted on one kind and asked about the other. Measuring uses a third kind
(`wing_unseen`): perspective 3 to 8 : 1, a video codec, and pictures in which the assist must decline. All of it is
drawn: no film of a real tufted wing was to be had.
"""

from __future__ import annotations

import argparse
import importlib
import itertools
import json
import os
import pickle
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parents[1]), str(HERE)]

from logger_app.domain.tufts import STATES, TuftState
from logger_app.domain.wing_plane import mapped
from logger_app.sync import tuft_features
from logger_app.sync.tuft_features import ROOT_SIDE, SIDE, Look, from_patches, root_layers, station_features
from logger_app.sync.tuft_weights_io import FILE

KINDS, SCENES_A_KIND, GRID_ERROR_PX = ("wing_threads", "wing_chains"), 250, 7.0
FIT_SEED, HELD_SEED, HELD_SCENES = 1000, 100, 24
ROOT_SCATTER = 0.06  # of where roots are found, in half patches: features are fitted with it
HIDDEN, ROOT_HIDDEN, MEMBERS = (64, 32), (16,), 3
TARGET_PCT = 85.0
DECLINE = ("night", "black", "overexposed", "blurred")


def gather(kind: str, seed: int) -> dict:
    """One scene of a training kind: its patches, states, and where the roots are in half patches."""
    rng = np.random.default_rng(seed + 77)
    frames, grid, states, roots = importlib.import_module(kind).scene(
        seed, grid_error_px=GRID_ERROR_PX * rng.random() ** 1.5
    )
    held: dict = {}
    real = tuft_features.from_patches

    def keep(patches, *more):
        held.update(patches=np.rint(patches).clip(0, 255).astype(np.uint8), args=more)
        return real(patches, *more)

    tuft_features.from_patches = keep
    try:
        look = tuft_features.look_at(frames.astype(np.float32), grid)
    finally:
        tuft_features.from_patches = real
    root = (mapped(np.linalg.inv(look.matrix), roots) - look.at) / np.array(look.half)
    return held | {"states": [STATES.index(s) for s in states], "root": root, "seed": seed}


def scenes(kind: str, cache: Path | None):
    """All training scenes of a kind; taken from the cache where it has them."""
    found = [] if cache is None else sorted(cache.glob(f"{kind}_*.pkl"))
    if found:
        for path in found:
            yield from pickle.loads(path.read_bytes())
        return
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        yield from pool.map(gather, itertools.repeat(kind), range(FIT_SEED, FIT_SEED + SCENES_A_KIND), chunksize=5)


def learned(scene: dict) -> tuple[np.ndarray, list[int], np.ndarray, list[int]]:
    """Features and states of a scene's stations, and windows with and without a root."""
    look: Look = from_patches(scene["patches"].astype(np.float32), *scene["args"])
    rng = np.random.default_rng(scene["seed"])
    near = np.clip(scene["root"] + rng.normal(0, ROOT_SCATTER, scene["root"].shape), -0.6, 0.6)
    values, windows, is_root = station_features(look, near), [], []
    for k, (state, root) in enumerate(zip(scene["states"], scene["root"])):
        if STATES[state] is TuftState.NOT_VISIBLE or look.pixels[k].min() < 5 or np.abs(root).max() > 0.7:
            continue
        layers = np.pad(
            root_layers(look.contrast[k], look.noise[k], look.strength),
            ((0, 0), (ROOT_SIDE // 2,) * 2, (ROOT_SIDE // 2,) * 2),
        )
        every = (
            sliding_window_view(layers, (ROOT_SIDE, ROOT_SIDE), axis=(1, 2))
            .transpose(1, 2, 0, 3, 4)
            .reshape(SIDE * SIDE, -1)
        )
        rows, columns = np.indices((SIDE, SIDE))
        away = np.hypot(rows - (root[0] + 1) * (SIDE - 1) / 2, columns - (root[1] + 1) * (SIDE - 1) / 2).ravel()
        at, off, close = (np.flatnonzero(w) for w in (away < 1.2, away > 2.5, (away > 2.5) & (away < 9)))
        chosen = np.concatenate([at[:3], rng.choice(off, 7), rng.choice(close, 7)])
        windows.append(every[chosen].astype(np.float16))
        is_root += [1] * len(at[:3]) + [0] * 14
    return (
        values.astype(np.float32),
        scene["states"],
        np.concatenate(windows) if windows else np.empty((0, 3 * ROOT_SIDE**2), np.float16),
        is_root,
    )


def collect(cache: Path | None) -> dict:
    """What there is to learn, by kind."""
    found = {}
    for kind in KINDS:
        parts = [(*learned(scene), scene["seed"]) for scene in scenes(kind, cache)]
        found[kind] = (
            np.concatenate([p[0] for p in parts]),
            np.array([s for p in parts for s in p[1]]),
            np.concatenate([p[2] for p in parts]),
            np.array([r for p in parts for r in p[3]]),
        )
        print(f"{kind}: {len(parts)} scenes, {len(found[kind][1])} tufts", file=sys.stderr)
    return found


def fit(cache: Path | None) -> dict[str, np.ndarray]:
    """The weights, as they are stored."""
    data = collect(cache)
    one, other = (data[kind] for kind in KINDS)
    chances, truth = [], []
    for learn, ask in ((one, other), (other, one)):  # each kind asked about the other: what is new to it
        model = states_model(learn[0], learn[1], 2)
        chances.append(summed(model, ask[0]))
        truth.append(ask[1])
        found = softmax(chances[-1]).argmax(axis=1)
        print(
            f"fitted on one kind, asked about the other: {100 * np.mean(found == ask[1]):.1f} % right", file=sys.stderr
        )
    temperature = cooled(np.concatenate(chances), np.concatenate(truth))
    print(f"temperature {temperature:.2f}", file=sys.stderr)
    both = states_model(np.concatenate([one[0], other[0]]), np.concatenate([one[1], other[1]]), MEMBERS)
    roots = roots_model(np.concatenate([one[2], other[2]]), np.concatenate([one[3], other[3]]))
    return as_arrays(both, roots, temperature)


def states_model(values: np.ndarray, truth: np.ndarray, members: int):
    """Centre, scale, and the layers of some networks, each from another start."""
    from sklearn.neural_network import MLPClassifier

    centre, scale = values.mean(axis=0), values.std(axis=0) + 1e-6
    near = np.clip((values - centre) / scale, -4, 4)
    nets = []
    for k in range(members):
        net = MLPClassifier(
            HIDDEN,
            alpha=0.5,
            max_iter=150,
            random_state=k,
            early_stopping=True,
            validation_fraction=0.1,
            n_iter_no_change=10,
        )
        net.fit(near, truth)
        nets.append(list(zip(net.coefs_, net.intercepts_)))
    return centre, scale, nets


def roots_model(windows: np.ndarray, is_root: np.ndarray):
    """The layers of the network that knows roots; what is left and right of a wing looks the same to it."""
    from sklearn.neural_network import MLPClassifier

    mirrored = windows.reshape(-1, 3, ROOT_SIDE, ROOT_SIDE)[:, :, ::-1].reshape(len(windows), -1)
    net = MLPClassifier(ROOT_HIDDEN, alpha=1.0, max_iter=25, early_stopping=True, random_state=0, n_iter_no_change=4)
    net.fit(np.concatenate([windows, mirrored]).astype(np.float32), np.concatenate([is_root, is_root]))
    return list(zip(net.coefs_, net.intercepts_))


def summed(model, values: np.ndarray) -> np.ndarray:
    """Mean of the networks' sums before they become chances."""
    centre, scale, nets = model
    total = 0.0
    for net in nets:
        x = np.clip((values - centre) / scale, -4, 4)
        for k, (matrix, bias) in enumerate(net):
            x = x @ matrix + bias
            x = np.maximum(x, 0) if k < len(net) - 1 else x
        total = total + x / len(nets)
    return total


def softmax(scores: np.ndarray) -> np.ndarray:
    """Rows to probabilities."""
    scores = np.exp(scores - scores.max(axis=1, keepdims=True))
    return scores / scores.sum(axis=1, keepdims=True)


def cooled(sums: np.ndarray, truth: np.ndarray) -> float:
    """The temperature at which the chances are most likely, never below 1."""
    from scipy.optimize import minimize_scalar

    cost = lambda t: -np.mean(np.log(softmax(sums / t)[np.arange(len(truth)), truth] + 1e-12))
    return max(1.0, float(minimize_scalar(cost, bounds=(0.5, 8), method="bounded").x))


def as_arrays(states, roots, temperature: float) -> dict[str, np.ndarray]:
    """By the names under which `tuft_weights_io.weights` looks for them."""
    centre, scale, nets = states
    arrays = {"centre": centre, "scale": scale}
    for name, net in [*((f"states{k}", net) for k, net in enumerate(nets)), ("roots", roots)]:
        for k, (matrix, bias) in enumerate(net):
            arrays |= {f"{name}.{k}.w": matrix, f"{name}.{k}.b": bias}
    return {name: array.astype(np.float16) for name, array in arrays.items()} | {
        "temperature": np.round(temperature, 3)
    }


def grey(rgb: np.ndarray) -> np.ndarray:
    """As the compare screen hands pictures to the assist."""
    from logger_app.workflows.compare import grey_for_assist

    return np.stack([grey_for_assist(frame) for frame in rgb])


def unseen(seed: int, condition: str):
    """A scene of the third kind, grey."""
    frames, grid, states, _ = importlib.import_module("wing_unseen").scene(seed, condition)
    return grey(frames), grid, states


def measure(count: int, cache: Path | None = None) -> dict:
    """Figures on the third kind."""
    rows: dict = {name: [] for name in ("exact", "corners 0.8 %", "8 px off", "16 px off", "32 px off")}
    declined: dict = {}
    scenes_of = _unseen_scenes(count, cache)
    rng = np.random.default_rng(5)
    for condition, frames, grid, states in scenes_of:
        if condition != "good":
            declined.setdefault(condition, []).append(_asked(frames, grid, states))
            continue
        for name in rows:
            rows[name].append(_asked(frames, _off(grid, name, rng), states))
    found = {name: summary([look for looks in asked for look in looks]) for name, asked in rows.items()}
    found["declined"] = {name: summary([look for looks in asked for look in looks]) for name, asked in declined.items()}
    return found


def _unseen_scenes(count: int, cache: Path | None):
    kept = [] if cache is None else sorted(cache.glob("unseen_*.pkl"))
    if kept:
        for path in kept:
            for scene in pickle.loads(path.read_bytes()):
                yield (
                    scene["cond"],
                    scene["frames"].astype(np.float32),
                    scene["grid"],
                    [TuftState(s) for s in scene["states"]],
                )
        return
    for condition, first, n in [("good", HELD_SEED, count)] + [(c, 200, 4) for c in DECLINE]:
        for seed in range(first, first + n):
            yield (condition, *unseen(seed, condition))


def _off(grid, name: str, rng):
    from dataclasses import replace

    corners = np.array(grid.corners) * (1280, 720)
    if name == "corners 0.8 %":
        corners += rng.normal(0, 1, (4, 2)) * 0.008 * np.array((1280, 720)) / np.sqrt(2)
    elif name != "exact":
        angle = rng.uniform(0, 2 * np.pi)
        corners += float(name.split()[0]) * np.array([np.cos(angle), np.sin(angle)])
    return replace(grid, corners=tuple(map(tuple, (corners / (1280, 720)).tolist())))


def _asked(frames, grid, states) -> list[tuple[int, int, float]]:
    """(truth, said or -1 where it declined, confidence) of each station."""
    from logger_app.sync.tuft_assist import propose

    found = propose(frames, grid)
    return [
        (STATES.index(state), -1 if p.state is None else STATES.index(p.state), p.confidence)
        for state, p in zip(states, found.proposals)
    ]


def summary(looks) -> dict:
    """Shares of what was said, declined looks apart."""
    truth, said, sure = (np.array(column) for column in zip(*looks))
    told = said >= 0
    right, gone = told & (said == truth), np.isin(truth, (2, 3))
    high = told & (sure >= 0.9)
    share = lambda part, of: round(100 * float(part.sum()) / float(of.sum()), 1) if of.any() else None
    return {
        "n": len(truth),
        "declined_pct": share(~told, np.ones_like(told)),
        "right_pct": share(right, told),
        "gone_called_attached_pct": share(told & gone & (said == 0), gone & told),
        "sure_pct": share(high, told),
        "sure_right_pct": share(right & high, high),
        "confusion": [
            [int(np.sum((truth == t) & (said == s))) for s in (*range(len(STATES)), -1)] for t in range(len(STATES))
        ],
        "reliability": reliability(sure[told], right[told]),
    }


def reliability(sure: np.ndarray, right: np.ndarray) -> list[dict]:
    """What was said and what was right, with the 95 % interval (Clopper and Pearson, Biometrika 26, 1934, from memory)."""
    from scipy.stats import binomtest

    table = []
    for low, high in itertools.pairwise([0.0, 0.7, 0.8, 0.9, 0.95, 1.0 + 1e-9]):
        inside = (sure >= low) & (sure < high)
        if inside.any():
            bounds = binomtest(int(right[inside].sum()), int(inside.sum())).proportion_ci(0.95, "exact")
            values = (low, min(high, 1.0), sure[inside].mean(), right[inside].mean(), bounds.low, bounds.high)
            row = dict(zip(("from", "to", "confidence", "right", "low", "high"), (round(float(v), 3) for v in values)))
            table.append(row | {"n": int(inside.sum())})
    return table


def main(words=None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--fit", action="store_true", help="fit the weights anew; takes minutes")
    parser.add_argument("--cache", type=Path, help="folder of scenes drawn before")
    parser.add_argument(
        "--scenes", type=int, default=HELD_SCENES, help="good pictures to measure on, 18 to 36 tufts each"
    )
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args(words)
    if args.fit:
        np.savez_compressed(FILE, **fit(args.cache))
        print(f"written: {FILE.name}", file=sys.stderr)
        return 0
    found = measure(args.scenes, args.cache)
    if args.json:
        print(json.dumps(found, indent=1))
        return 0
    names = ("n", "declined_pct", "right_pct", "gone_called_attached_pct", "sure_pct", "sure_right_pct")
    print(f"{'':16} " + " ".join(f"{name:>24}" for name in names))
    for name, row in [*found.items(), *found["declined"].items()]:
        if name != "declined":
            print(f"{name:16} " + " ".join(f"{row[key]!s:>24}" for key in names))
    print("drawn \\ said       " + "  ".join(f"{s!s:>11}" for s in (*STATES, "declined")))
    for state, row in zip(STATES, found["exact"]["confusion"]):
        print(f"{state!s:>18} " + "  ".join(f"{n:11d}" for n in row))
    for row in found["exact"]["reliability"]:
        print(
            f"said {row['from']:.2f} to {row['to']:.2f}: {row['n']:4d}, mean {row['confidence']:.3f}, right {row['right']:.3f} ({row['low']:.2f} to {row['high']:.2f})"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())

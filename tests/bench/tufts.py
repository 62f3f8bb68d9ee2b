"""How often the tuft assist is right on drawn tufts, and whether its confidence can be believed.

    python tests/bench/tufts.py [--json] [--scenes N]     measure on held-back pictures
    python tests/bench/tufts.py --fit                     fit the weights anew; writes logger_app/sync/tuft_weights.py

Tufts are drawn as bending threads on a wing with panel lines and rivets, in perspective, under a
slope of light that flickers, with noise, motion blur and a shaking camera. States follow the
handbook's words, section 7; its source gives no numbers, so the amplitudes are ours:
attached flutters by 1.5 to 7 degrees (standard deviation), unsteady by 14 to 30 and stays aft,
separated points anywhere and lifts from the surface (shorter in the picture), reversed points
forward; not visible is gone, or hidden under a patch of glare. Held-back pictures have other
seeds, and lengths, light, noise and shake beyond what the weights were fitted on; only the
temperature, one number, comes from pictures of the wider ranges, with seeds of their own.
"""

from __future__ import annotations

import argparse
import itertools
import json
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from logger_app.domain.tuft_grid import Grid, places
from logger_app.domain.tufts import STATES, TuftState

WEIGHTS_FILE = Path(__file__).resolve().parents[2] / "logger_app/sync/tuft_weights.py"
WIDTH, HEIGHT, WINDOW_S = 420, 280, 0.5
FIT_SEED, TEMPERATURE_SEED, HELD_SEED = 1_000, 50_000, 900_000
FIT_SCENES, TEMPERATURE_SCENES, HELD_SCENES = 45, 15, 25
RATE = 4  # steps of motion a frame
TARGET_PCT = 85.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """Ranges that pictures are drawn from: (low, high) each."""

    length: tuple[float, float] = (0.55, 0.9)  # of the way to the next tuft
    thickness_px: tuple[float, float] = (1.4, 3.0)
    contrast: tuple[float, float] = (40.0, 110.0)
    noise: tuple[float, float] = (1.0, 8.0)
    shake_px: tuple[float, float] = (0.0, 1.5)
    slope: tuple[float, float] = (0.0, 40.0)  # of light across the picture


FITTED = Look()
HELD_BACK = Look(
    length=(0.45, 1.0),
    thickness_px=(1.2, 3.4),
    contrast=(35.0, 120.0),
    noise=(0.5, 10.0),
    shake_px=(0.0, 2.5),
    slope=(0.0, 60.0),
)


def wander(rng, steps: int, step_s: float, hz: float) -> np.ndarray:
    """A first-order random process of unit variance and about this bandwidth, shape (steps,)."""
    keep = np.exp(-2 * np.pi * hz * step_s)
    noise = rng.standard_normal(steps) * np.sqrt(1 - keep**2)
    value, made = rng.standard_normal(), np.empty(steps)
    for k in range(steps):
        value = made[k] = keep * value + noise[k]
    return made


def motion(rng, state: TuftState, steps: int, step_s: float):
    """Angle from aft [rad], bend along the tuft [rad] and length seen at each step."""
    swing, bend, lift = (wander(rng, steps, step_s, rng.uniform(4, 12)) for _ in range(3))
    if state is TuftState.ATTACHED:
        angle = np.radians(rng.normal(0, 5) + rng.uniform(1.5, 7) * swing)
        return angle, 0.08 * bend, 1 - 0.04 * np.abs(lift)
    if state is TuftState.UNSTEADY:
        angle = np.radians(np.clip(rng.normal(0, 8) + rng.uniform(14, 30) * swing, -80, 80))
        return angle, 0.35 * bend, 1 - 0.12 * np.abs(lift)
    if state is TuftState.REVERSED:
        angle = np.pi + np.radians(np.clip(rng.normal(0, 25) + rng.uniform(6, 25) * swing, -80, 80))
        return angle, 0.3 * bend, 1 - 0.15 * np.abs(lift)
    turns = np.cumsum(rng.standard_normal(steps)) * np.sqrt(step_s) * rng.uniform(6, 12)
    angle = rng.uniform(0, 2 * np.pi) + turns + np.radians(rng.uniform(40, 70)) * swing
    return angle, 0.7 * bend, np.clip(0.75 - 0.25 * np.abs(lift), 0.3, 1)


def wing(rng, margin: int) -> np.ndarray:
    """A wing skin with panel lines, rivets and a slope of light, larger than the picture by the margin."""
    height, width = HEIGHT + 2 * margin, WIDTH + 2 * margin
    skin = np.full((height, width), 0.0)
    for _ in range(rng.integers(3, 6)):
        at, depth = rng.integers(0, height), rng.uniform(6, 18)
        skin[at : at + 1] -= depth
        skin[np.clip(at + 4, 0, height - 1), :: rng.integers(9, 15)] -= depth
    for _ in range(rng.integers(2, 6)):
        skin[:, rng.integers(0, width)] -= rng.uniform(6, 18)
    grain = rng.standard_normal((height // 8 + 1, width // 8 + 1)) * rng.uniform(0.5, 3)
    return skin + np.kron(grain, np.ones((8, 8)))[:height, :width]


def shifted(big: np.ndarray, margin: int, dx: float, dy: float) -> np.ndarray:
    """The picture seen by a camera that is displaced; bilinear."""
    x, y = margin - dx, margin - dy
    i, j = int(np.floor(x)), int(np.floor(y))
    a, b = x - i, y - j
    cut = lambda r, c: big[r : r + HEIGHT, c : c + WIDTH]
    return (1 - b) * ((1 - a) * cut(j, i) + a * cut(j, i + 1)) + b * ((1 - a) * cut(j + 1, i) + a * cut(j + 1, i + 1))


def thread(angle, bend, length, root, aft, thickness, box) -> np.ndarray:
    """How much of each pixel of a box a tuft covers, 0 to 1: five straight pieces that bend on."""
    left, top, right, foot = box
    y, x = np.mgrid[top:foot, left:right]
    heading = np.arctan2(aft[1], aft[0]) + angle
    nearest, at = np.full(x.shape, 1e9), np.array(root, float)
    for k in range(5):
        step = length / 5 * np.array([np.cos(heading + bend * k / 4), np.sin(heading + bend * k / 4)])
        along = np.clip(((x - at[0]) * step[0] + (y - at[1]) * step[1]) / max(step @ step, 1e-9), 0, 1)
        nearest = np.minimum(nearest, np.hypot(x - at[0] - along * step[0], y - at[1] - along * step[1]))
        at = at + step
    return np.clip(thickness / 2 + 0.5 - nearest, 0, 1)


def scene(seed: int, look: Look, states=None):
    """Half a second of a tufted wing.

    Returns
    -------
    tuple of (ndarray of uint8, shape (n_frames, HEIGHT, WIDTH), Grid, list of TuftState)
    """
    rng = np.random.default_rng(seed)
    pull = lambda pair: rng.uniform(*pair)
    corners = np.array([(0.08, 0.12), (0.92, 0.12), (0.92, 0.88), (0.08, 0.88)]) + rng.uniform(-0.07, 0.07, (4, 2))
    if rng.random() < 0.3:  # a camera on the tail looks the other way
        corners = 1 - corners
    grid = Grid(
        camera="wing",
        corners=tuple(map(tuple, corners.tolist())),
        span_pct=(15.0, 38.0, 62.0, 85.0),
        chord_pct=(20.0, 50.0, 80.0),
    )
    found = places(grid, WIDTH, HEIGHT)
    if states is None:
        states = [STATES[k] for k in rng.integers(0, len(STATES), len(found))]
    fps = rng.choice([30, 60])
    count, step_s = round(WINDOW_S * fps), 1 / (fps * RATE)
    margin, steps = 16, count * RATE + RATE
    skin, dark = wing(rng, margin), rng.random() < 0.6
    level, contrast, thickness, share = (
        rng.uniform(70, 110) + 80 * dark,
        pull(look.contrast),
        pull(look.thickness_px),
        pull(look.length),
    )
    slope, heading = pull(look.slope), rng.uniform(0, 2 * np.pi)
    light = slope * (
        (np.arange(WIDTH) / WIDTH - 0.5)[None] * np.cos(heading)
        + (np.arange(HEIGHT) / HEIGHT - 0.5)[:, None] * np.sin(heading)
    )
    shake = pull(look.shake_px) * np.stack([wander(rng, steps, step_s, rng.uniform(3, 12)) for _ in range(2)], axis=1)
    moved = [motion(rng, state, steps, step_s) for state in states]
    blur, noise, flicker = rng.integers(0, RATE), pull(look.noise), rng.uniform(0, 3)
    glare = [rng.random() < 0.5 for _ in states]
    frames = np.empty((count, HEIGHT, WIDTH), np.uint8)
    for k in range(count):
        dx, dy = np.clip(shake[k * RATE], -12, 12)
        picture = shifted(skin, margin, dx, dy) + level + light + flicker * rng.standard_normal()
        for place, state, how, hidden in zip(found, states, moved, glare):
            box = _box(place, dx, dy)
            left, top, right, foot = box
            if state is TuftState.NOT_VISIBLE:
                if hidden:
                    y, x = np.mgrid[top:foot, left:right]
                    blob = np.exp(-(((x - place.x - dx) ** 2 + (y - place.y - dy) ** 2) / (0.5 * place.reach) ** 2))
                    picture[top:foot, left:right] += 90 * blob
                continue
            cover = np.zeros((foot - top, right - left))
            for at in {k * RATE, k * RATE + int(blur)}:
                angle, bend, length = (series[at] for series in how)
                root = (place.x + dx, place.y + dy)
                cover += thread(
                    angle, bend, length * share * place.reach, root, (place.aft_x, place.aft_y), thickness, box
                )
            cover /= len({k * RATE, k * RATE + int(blur)})
            picture[top:foot, left:right] += (-contrast if dark else contrast) * cover
        frames[k] = np.clip(picture + noise * rng.standard_normal(picture.shape), 0, 255)
    return frames, grid, states


def _box(place, dx: float, dy: float) -> tuple[int, int, int, int]:
    reach = 1.15 * place.reach + 3
    left, right = (int(np.clip(place.x + dx + side * reach, 0, WIDTH)) for side in (-1, 1))
    top, foot = (int(np.clip(place.y + dy + side * reach, 0, HEIGHT)) for side in (-1, 1))
    return left, top, right, foot


def gather(first_seed: int, scenes: int, look: Look) -> tuple[np.ndarray, np.ndarray]:
    """Features, shape (n, n_features), and states as numbers, shape (n,)."""
    from logger_app.sync.tuft_assist import features

    values, truth = [], []
    for seed in range(first_seed, first_seed + scenes):
        frames, grid, states = scene(seed, look)
        values.append(features(frames.astype(np.float32), places(grid, WIDTH, HEIGHT)))
        truth += [STATES.index(state) for state in states]
    return np.concatenate(values), np.array(truth)


def softmax(scores: np.ndarray) -> np.ndarray:
    """Rows to probabilities."""
    scores = np.exp(scores - scores.max(axis=1, keepdims=True))
    return scores / scores.sum(axis=1, keepdims=True)


def fit() -> dict:
    """Weights by L2-regularised maximum likelihood (scipy's L-BFGS), then a temperature on other pictures."""
    from scipy.optimize import minimize, minimize_scalar

    values, truth = gather(FIT_SEED, FIT_SCENES, FITTED)
    centre, scale = values.mean(axis=0), values.std(axis=0) + 1e-6
    z = np.clip((values - centre) / scale, -4, 4)
    target, shape = np.eye(len(STATES))[truth], (z.shape[1] + 1, len(STATES))
    padded = np.hstack([z, np.ones((len(z), 1))])

    def loss(flat):
        matrix = flat.reshape(shape)
        chances = softmax(padded @ matrix)
        value = -np.mean(np.log(chances[np.arange(len(truth)), truth] + 1e-12)) + 2e-3 * np.sum(matrix[:-1] ** 2)
        slope = padded.T @ (chances - target) / len(truth)
        slope[:-1] += 4e-3 * matrix[:-1]
        return value, slope.ravel()

    matrix = minimize(loss, np.zeros(shape).ravel(), jac=True, method="L-BFGS-B", options={"maxiter": 500}).x.reshape(
        shape
    )
    other, other_truth = gather(TEMPERATURE_SEED, TEMPERATURE_SCENES, HELD_BACK)
    scores = np.clip((other - centre) / scale, -4, 4) @ matrix[:-1] + matrix[-1]
    cost = lambda t: -np.mean(np.log(softmax(scores / t)[np.arange(len(other_truth)), other_truth] + 1e-12))
    temperature = minimize_scalar(cost, bounds=(0.2, 5), method="bounded").x
    return {"CENTRE": centre, "SCALE": scale, "WEIGHTS": matrix[:-1], "BIAS": matrix[-1], "TEMPERATURE": temperature}


def as_module(fitted: dict) -> str:
    """The weights as Python text."""
    head = '"""Weights of the tuft assist; made by `tests/bench/tufts.py --fit`, not by hand. Features in rows, states in columns."""\n\n'
    lines = []
    for name, exact in fitted.items():
        value = np.round(exact, 4)
        if value.ndim == 2:
            lines.append(f"{name} = (\n" + "".join(f"    {tuple(row)},\n" for row in value.tolist()) + ")")
        elif value.ndim == 1:
            lines.append(f"{name} = (\n" + "".join(f"    {v},\n" for v in value.tolist()) + ")")
        else:
            lines.append(f"{name} = {float(value)}")
    return head + "\n".join(lines) + "\n"


def measure(scenes: int, first_seed: int = HELD_SEED) -> dict:
    """Share right, by state, and the reliability table, on held-back pictures."""
    from logger_app.sync.tuft_assist import probabilities

    values, truth = gather(first_seed, scenes, HELD_BACK)
    chances = probabilities(values)
    said, sure = chances.argmax(axis=1), chances.max(axis=1)
    right = said == truth
    edges = [0.0, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0 + 1e-9]
    table, off = [], 0.0
    for low, high in itertools.pairwise(edges):
        inside = (sure >= low) & (sure < high)
        if inside.any():
            row = {
                "from": low,
                "to": min(high, 1.0),
                "n": int(inside.sum()),
                "confidence": float(sure[inside].mean()),
                "right": float(right[inside].mean()),
            }
            row["low"], row["high"] = interval(int(right[inside].sum()), int(inside.sum()))
            table.append({k: round(v, 3) if isinstance(v, float) else v for k, v in row.items()})
            off += inside.mean() * abs(row["confidence"] - row["right"])
    confusion = [[int(np.sum((truth == t) & (said == s))) for s in range(len(STATES))] for t in range(len(STATES))]
    return {
        "n": len(truth),
        "right_pct": round(100 * float(right.mean()), 1),
        "by_state_pct": {
            str(state): round(100 * float(right[truth == k].mean()), 1)
            for k, state in enumerate(STATES)
            if (truth == k).any()
        },
        "confusion": confusion,
        "reliability": table,
        "expected_calibration_error": round(float(off), 3),
    }


def interval(right: int, n: int) -> tuple[float, float]:
    """The 95 % interval of a share (Clopper and Pearson, Biometrika 26, 1934, from memory), by scipy."""
    from scipy.stats import binomtest

    found = binomtest(right, n).proportion_ci(0.95, "exact")
    return float(found.low), float(found.high)


def bar(row: dict, width: int = 50) -> str:
    """A row of the reliability plot, 0 at the left and 1 at the right."""
    at = lambda share: min(width - 1, int(share * width))
    line = [" "] * width
    line[at(row["low"]) : at(row["high"]) + 1] = "-" * (at(row["high"]) - at(row["low"]) + 1)
    line[at(row["right"])] = "o"
    line[at(row["confidence"])] = "|"
    return "[" + "".join(line) + "]"


def main(words=None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--fit", action="store_true", help="fit the weights anew")
    parser.add_argument("--scenes", type=int, default=HELD_SCENES, help="held-back pictures, 12 tufts each")
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args(words)
    if args.fit:
        WEIGHTS_FILE.write_text(as_module(fit()), "utf-8")
        print(f"written: {WEIGHTS_FILE.name}", file=sys.stderr)
        return 0
    found = measure(args.scenes)
    if args.json:
        print(json.dumps(found, indent=1))
        return 0
    print(
        f"{found['n']} held-back tufts: {found['right_pct']} % right (wanted: {TARGET_PCT:g} %); by state {found['by_state_pct']}"
    )
    print("drawn \\ proposed   " + "  ".join(f"{s!s:>11}" for s in STATES))
    for state, row in zip(STATES, found["confusion"]):
        print(f"{state!s:>18} " + "  ".join(f"{n:11d}" for n in row))
    print(
        "confidence      n   mean   right   95 % interval    reliability: - the interval, o what was right, | what was said"
    )
    for row in found["reliability"]:
        print(
            f"{row['from']:.2f} - {row['to']:.2f} {row['n']:5d}  {row['confidence']:.3f}  {row['right']:.3f}   "
            f"{row['low']:.2f} to {row['high']:.2f}     {bar(row)}"
        )
    outside = sum(not row["low"] <= row["confidence"] <= row["high"] for row in found["reliability"])
    print(
        f"bins whose mean confidence lies outside the interval of what was right: {outside} of {len(found['reliability'])}"
    )
    print(f"expected calibration error {found['expected_calibration_error']}")
    return 0


if __name__ == "__main__":
    sys.exit(main())

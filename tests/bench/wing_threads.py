"""Drawn wing, first kind: threads drawn straight into the picture. For training the tuft assist.

A pinhole camera anywhere around a flat panel (foreshortened up to 8 : 1), threads that bend on,
angles that wander, light with a slope, glare, a strut's shadow, drops on the lens, vibration, blur of motion
and focus, noise, JPEG. States follow the handbook's words (section 7), which give no numbers: the amplitudes are
ours, wide on purpose. Shares no code with `wing_chains` and `wing_unseen`.
"""

from __future__ import annotations

import io

import numpy as np
from PIL import Image

from logger_app.domain.tuft_grid import Grid
from logger_app.domain.tufts import STATES, TuftState

WIDTH, HEIGHT, WINDOW_S, STEPS = 960, 540, 0.5, 3


def scene(seed: int, states=None, grid_error_px: float = 0.0, width: int = WIDTH, height: int = HEIGHT):
    """Half a second of a tufted wing.

    Returns
    -------
    tuple of (ndarray of uint8, shape (n_frames, height, width), Grid, list of TuftState, ndarray, shape (n, 2))
        Pictures, the grid as placed, what each tuft does, and where its root truly is [px].
    """
    rng = np.random.default_rng(seed)
    spans, chords = _rows(rng, rng.integers(4, 9)), _rows(rng, rng.integers(2, 5))
    panel, project, _ = _view(rng, width, height)
    corners = project(np.array([(0, 0, 0), (panel[0], 0, 0), (panel[0], panel[1], 0), (0, panel[1], 0)], float))
    placed = corners + rng.normal(0, 1, (4, 2)) * grid_error_px / 2 + grid_error_px * _unit(rng) * (rng.random() < 0.5)
    grid = Grid(
        camera="wing",
        corners=tuple((x / width, y / height) for x, y in placed.tolist()),
        span_pct=spans,
        chord_pct=chords,
    )
    roots3 = np.array([(s / 100 * panel[0], c / 100 * panel[1], 0.0) for s in spans for c in chords])
    roots = project(roots3)
    if states is None:
        states = draw_states(rng, len(spans), len(chords))
    gap = min(_gap(spans) * panel[0], _gap(chords) * panel[1]) / 100
    length = gap * rng.uniform(0.28, 0.72)
    fps = rng.choice([25, 30, 30, 50, 60])
    count = max(8, round(WINDOW_S * fps))
    step_s = 1 / (fps * STEPS)
    steps = count * STEPS
    open_share = rng.uniform(0.1, 1.0)  # of the frame's time that the shutter is open
    background, dark, contrast = _skin(rng, width, height, project, panel)
    shake = rng.uniform(0, 2.5) * np.stack([_wander(rng, steps, step_s, rng.uniform(3, 20)) for _ in range(2)], 1)
    motion = [_motion(rng, state, steps, step_s) for state in states]
    yarn_m = rng.uniform(0.003, 0.009)
    noise, focus, flicker = rng.uniform(0.5, 9), rng.uniform(0, 1.3), rng.uniform(0, 3)
    quality = int(rng.integers(25, 92))
    frames = np.empty((count, height, width), np.uint8)
    for k in range(count):
        ats = sorted({k * STEPS + int(j * open_share) for j in range(STEPS)})
        dx, dy = np.clip(shake[k * STEPS], -9, 9)
        picture = _moved(background, dx, dy) + flicker * rng.standard_normal()
        for root, state, how in zip(roots3, states, motion):
            if state is not TuftState.NOT_VISIBLE:
                lines = [project(_thread(root, length, how, at)) + (dx, dy) for at in ats]
                px = np.clip(yarn_m * _scale(project, root), 0.9, 6)
                _cover(picture, lines, px, -contrast if dark else contrast)
        for (x, y), state in zip(roots, states):
            if state is TuftState.NOT_VISIBLE and (int(x) + int(y)) % 2:  # hidden in a glare; else gone
                _blob(picture, x + dx, y + dy, 0.5 * length * _scale(project, (panel[0] / 2, panel[1] / 2, 0)), 130)
        picture = _soft(picture, focus) + noise * rng.standard_normal(picture.shape).astype(np.float32)
        frames[k] = _jpeg(np.clip(picture, 0, 255).astype(np.uint8), quality)
    return frames, grid, list(states), roots


def draw_states(rng, spans: int, chords: int) -> list[TuftState]:
    """States in patches, as on a wing: a front that moved, with strays; any state may stand anywhere."""
    if rng.random() < 0.35:
        return [STATES[k] for k in rng.choice(len(STATES), spans * chords, p=(0.24, 0.24, 0.24, 0.18, 0.1))]
    front = rng.uniform(-0.4, 1.4) + rng.normal(0, 0.35) * np.linspace(-1, 1, spans)
    made = []
    for s in range(spans):
        for c in range(chords):
            depth = (c + 0.5) / chords - front[s] + rng.normal(0, 0.12)
            kinds = [TuftState.ATTACHED, TuftState.UNSTEADY, TuftState.SEPARATED, TuftState.REVERSED]
            state = kinds[int(np.clip(np.floor(depth / 0.22) + 1, 0, 3))]
            made.append(TuftState.NOT_VISIBLE if rng.random() < 0.05 else state)
    return made


def _rows(rng, count: int) -> tuple[float, ...]:
    middles = 100 * (np.arange(count) + 0.5) / count + rng.uniform(-0.12, 0.12, count) * 100 / count
    return tuple(np.round(middles, 1).tolist())


def _gap(percent) -> float:
    return min(np.diff(percent)) if len(percent) > 1 else 33.0


def _unit(rng) -> np.ndarray:
    angle = rng.uniform(0, 2 * np.pi)
    return np.array([np.cos(angle), np.sin(angle)])


def _view(rng, width: int, height: int):
    """A panel [m] and a camera that sees all of it; at most about 8 : 1."""
    while True:
        panel = np.array([rng.uniform(1.2, 3.8), rng.uniform(0.8, 1.7)])
        kind = rng.integers(0, 4)
        middle = np.array([panel[0] / 2, panel[1] / 2, 0])
        high = rng.uniform(0.25, 1.6)
        if kind == 0:  # from the cabin, along the span
            eye = np.array([-rng.uniform(0.3, 1.5), panel[1] * rng.uniform(-0.1, 1.2), high])
        elif kind == 1:  # from the tip or a strut
            eye = np.array([panel[0] + rng.uniform(0.2, 1.2), panel[1] * rng.uniform(-0.1, 1.2), high])
        elif kind == 2:  # from the tail
            eye = np.array([panel[0] * rng.uniform(-0.3, 1.0), panel[1] + rng.uniform(0.4, 3.5), high])
        else:  # from above
            eye = middle + np.array([rng.uniform(-1, 1), rng.uniform(-1, 1), rng.uniform(1.5, 4)])
        ahead = middle + rng.normal(0, 0.1, 3) - eye
        ahead /= np.linalg.norm(ahead)
        right = np.cross(ahead, (0, 0, 1.0))
        right /= np.linalg.norm(right)
        down = np.cross(ahead, right)
        roll = rng.normal(0, 0.12) + np.pi * (rng.random() < 0.1)
        right, down = np.cos(roll) * right + np.sin(roll) * down, np.cos(roll) * down - np.sin(roll) * right
        frame, focal = np.stack([right, down, ahead]), width * rng.uniform(0.45, 1.3)

        def project(points, frame=frame, focal=focal, eye=eye):
            seen = (np.asarray(points, float) - eye) @ frame.T
            return focal * seen[..., :2] / np.maximum(seen[..., 2:], 0.05) + (width / 2, height / 2)

        corners = np.array([(0, 0, 0), (panel[0], 0, 0), (panel[0], panel[1], 0), (0, panel[1], 0)], float)
        depth = ((corners - eye) @ frame.T)[:, 2]
        seen = project(corners)
        inside = (
            (seen > -0.05 * width).all() and (seen[:, 0] < 1.05 * width).all() and (seen[:, 1] < 1.05 * height).all()
        )
        if depth.min() < 0.15 or not inside or np.ptp(seen[:, 0]) < 0.45 * width:
            continue
        centre = project(middle)
        along = np.linalg.norm(project(middle + (0.01, 0, 0)) - centre)
        across = np.linalg.norm(project(middle + (0, 0.01, 0)) - centre)
        if max(along / across, across / along) < 8.5 and min(along, across) > 0.25:
            return panel, project, eye


def _scale(project, at) -> float:
    """Pixels a metre."""
    here = project(np.array(at, float))
    return float(
        max(np.linalg.norm(project(np.array(at, float) + step) - here) for step in np.eye(3)[:2] * 0.01) / 0.01
    )


def _wander(rng, steps: int, step_s: float, hz: float) -> np.ndarray:
    keep = np.exp(-2 * np.pi * hz * step_s)
    noise = rng.standard_normal(steps) * np.sqrt(1 - keep**2)
    value, made = rng.standard_normal(), np.empty(steps)
    for k in range(steps):
        value = made[k] = keep * value + noise[k]
    return made


def _motion(rng, state: TuftState, steps: int, step_s: float):
    """Angle from aft, bend [rad], and lift from the surface [rad], at each step."""
    swing, bend, lift = (_wander(rng, steps, step_s, rng.uniform(3, 14)) for _ in range(3))
    if state is TuftState.ATTACHED:
        angle = np.radians(rng.normal(0, 7) + rng.uniform(0.5, 7.5) * swing)
        return angle, 0.08 * bend, 0.06 * np.abs(lift)
    if state is TuftState.UNSTEADY:
        angle = np.radians(np.clip(rng.normal(0, 10) + rng.uniform(14, 34) * swing, -85, 85))
        return angle, 0.35 * bend, 0.2 * np.abs(lift)
    if state is TuftState.REVERSED:
        angle = np.pi + np.radians(np.clip(rng.normal(0, 22) + rng.uniform(4, 30) * swing, -85, 85))
        return angle, 0.3 * bend, 0.25 * np.abs(lift)
    turns = np.cumsum(rng.standard_normal(steps)) * np.sqrt(step_s) * rng.uniform(5, 13)
    angle = rng.uniform(0, 2 * np.pi) + turns + np.radians(rng.uniform(40, 75)) * swing
    return angle, 0.7 * bend, np.abs(0.5 + 0.5 * lift)


def _thread(root, length: float, how, at: int) -> np.ndarray:
    """Six points of a thread on the wing [m]; x along the span, y aft, z up."""
    angle, bend, lift = (float(series[at]) for series in how)
    points, here = [np.array(root, float)], np.array(root, float)
    for k in range(5):
        turn, up = angle + bend * k / 2, min(lift, 1.3) * (0.4 + 0.2 * k)
        here = here + length / 5 * np.array([np.sin(turn) * np.cos(up), np.cos(turn) * np.cos(up), np.sin(up)])
        points.append(here)
    return np.array(points)


def _skin(rng, width: int, height: int, project, panel):
    """The wing without tufts: level, light, lines, rivets, shadow, drops; and whether tufts are dark, and how much."""
    dark = rng.random() < 0.6
    level = rng.uniform(105, 200) if dark else rng.uniform(25, 110)
    contrast = rng.uniform(22, min(120, level - 10)) if dark else rng.uniform(22, min(130, 245 - level))
    picture = np.full((height, width), level, np.float32)
    x, y = np.meshgrid(np.linspace(-0.5, 0.5, width), np.linspace(-0.5, 0.5, height))
    way = _unit(rng)
    picture += rng.uniform(0, 60) * (x * way[0] + y * way[1])
    for _ in range(rng.integers(3, 8)):  # panel lines
        a, b = rng.random(2), rng.random(2)
        if rng.random() < 0.8:
            b[k] = a[k] if (k := int(rng.integers(0, 2))) >= 0 else 0
        line = project(np.array([(*(a * panel), 0.0), (*(b * panel), 0.0)]))
        _cover(picture, [line], 1.2, rng.uniform(-25, 12))
    for _ in range(rng.integers(0, 4)):  # rows of rivets
        v = rng.random() * panel[1]
        for u in np.linspace(0, panel[0], 40):
            _blob(picture, *project(np.array((u, v, 0.0))), 1.5, rng.uniform(-30, -6))
    if rng.random() < 0.4:  # a strut's or the fuselage's shadow
        at, slope = rng.uniform(-0.4, 0.4), rng.uniform(-1, 1)
        picture -= rng.uniform(10, 0.5 * level) * (1 / (1 + np.exp(-np.clip((x - at - slope * y) * 200, -50, 50))))
    for _ in range(rng.integers(0, 3) * (rng.random() < 0.35)):
        _blob(picture, rng.random() * width, rng.random() * height, rng.uniform(20, 90), rng.uniform(20, 120))
    for _ in range(rng.integers(3, 25) * (rng.random() < 0.2)):  # drops on the lens
        _blob(picture, rng.random() * width, rng.random() * height, rng.uniform(4, 18), rng.uniform(-25, 35))
    return picture, dark, contrast


def _blob(picture: np.ndarray, x: float, y: float, size: float, by: float) -> None:
    height, width = picture.shape
    if not (np.isfinite(x) and np.isfinite(y)):
        return
    left, right = int(np.clip(x - 3 * size - 1, 0, width)), int(np.clip(x + 3 * size + 2, 0, width))
    top, foot = int(np.clip(y - 3 * size - 1, 0, height)), int(np.clip(y + 3 * size + 2, 0, height))
    if left < right and top < foot:
        v, u = np.mgrid[top:foot, left:right]
        picture[top:foot, left:right] += by * np.exp(-((u - x) ** 2 + (v - y) ** 2) / (2 * max(size, 0.4) ** 2))


def _cover(picture: np.ndarray, lines, thickness: float, by: float) -> None:
    """Add threads, the mean of several moments."""
    height, width = picture.shape
    every = np.concatenate(lines)
    pad = thickness + 2
    left, top = np.floor(every.min(axis=0) - pad).astype(int)
    right, foot = np.ceil(every.max(axis=0) + pad).astype(int) + 1
    left, right, top, foot = max(left, 0), min(right, width), max(top, 0), min(foot, height)
    if left >= right or top >= foot:
        return
    v, u = np.mgrid[top:foot, left:right].astype(np.float32)
    cover = np.zeros(u.shape, np.float32)
    for line in lines:
        near = np.full(u.shape, 1e9, np.float32)
        for a, b in zip(line[:-1], line[1:]):
            step = b - a
            along = np.clip(((u - a[0]) * step[0] + (v - a[1]) * step[1]) / max(float(step @ step), 1e-9), 0, 1)
            near = np.minimum(near, np.hypot(u - a[0] - along * step[0], v - a[1] - along * step[1]))
        cover += np.clip(thickness / 2 + 0.5 - near, 0, min(1.0, thickness))
    picture[top:foot, left:right] += by * cover / len(lines)


def _moved(picture: np.ndarray, dx: float, dy: float) -> np.ndarray:
    """Shifted, bilinear; edges repeat."""
    padded = np.pad(picture, 10, mode="edge")
    x, y = 10 - dx, 10 - dy
    i, j = int(np.floor(x)), int(np.floor(y))
    a, b = x - i, y - j
    h, w = picture.shape
    cut = lambda r, c: padded[r : r + h, c : c + w]
    return (1 - b) * ((1 - a) * cut(j, i) + a * cut(j, i + 1)) + b * ((1 - a) * cut(j + 1, i) + a * cut(j + 1, i + 1))


def _soft(picture: np.ndarray, sigma: float) -> np.ndarray:
    if sigma < 0.3:
        return picture
    ramp = np.arange(-3, 4)
    kernel = np.exp(-(ramp**2) / (2 * sigma**2))
    kernel = (kernel / kernel.sum()).astype(np.float32)
    padded = np.pad(picture, 3, mode="edge").astype(np.float32)
    rows = sum(k * padded[j : j + picture.shape[0]] for j, k in enumerate(kernel))
    return sum(k * rows[:, j : j + picture.shape[1]] for j, k in enumerate(kernel))


def _jpeg(picture: np.ndarray, quality: int) -> np.ndarray:
    held = io.BytesIO()
    Image.fromarray(picture).save(held, "JPEG", quality=quality)
    return np.asarray(Image.open(held))

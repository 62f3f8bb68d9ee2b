"""Has the camera moved against the wing? Two pictures matched by the wing's own marks: edges, rivets, paint. Pure; numpy only.

Corners within the region of the wing are looked for again in the other picture, coarsely by a common shift, turn and
scale, then each by itself; what does not move with the rest (yarns, the ground behind) is left out.

Main names: `match`, `Match`, `moved_corners`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logger_app.domain.wing_plane import mapped, sampled

WORK_WIDTH = 960  # pictures are matched at this width [px]
MAX_POINTS, HALF = 260, 6  # corners; half a patch's side [px]
SEARCH_PX = (14, 5, 2)  # around where a corner is expected, round by round
MIN_LIKENESS = 0.6  # normalised correlation of a patch with what it is found as
INLIER_PX = 1.8
MIN_INLIERS, MIN_SHARE = 24, 0.3
TURNS_DEG, SCALES = (0.0, -3.0, 3.0, -7.0, 7.0), (1.0, 0.94, 1.06)
MIN_ALIKE, DETAIL = 0.13, 6  # correlation of detail smaller than this [px]
TRIES = 400  # of two corners each
AFFINE_FREE = 0.004  # how far the two scales may part, for a corner that is found to a pixel
COARSE = 6  # the coarse step works on pictures this much smaller


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """How the other picture lies against the first.

    `matrix` takes pixels of the first to the other, shape (3, 3); None where too few corners agree. `matched` of
    `corners` corners agree; `likeness` is the correlation of the whole
    region's fine detail when one picture is laid on the other.
    """

    matrix: np.ndarray | None
    matched: int
    corners: int
    likeness: float = 0.0


def match(first: np.ndarray, other: np.ndarray, region: np.ndarray | Sequence[Sequence[float]]) -> Match:
    """Match two grey pictures of one size.

    Parameters
    ----------
    first, other : ndarray, shape (height, width)
        Grey pictures.
    region : sequence of (x, y)
        Corners of a convex polygon in the first, going round, in which marks of the wing are [px].
    """
    scale = min(1.0, WORK_WIDTH / first.shape[1])
    one, two = (_smooth(_resized(np.asarray(picture, np.float32), scale)) for picture in (first, other))
    points = _corners(one, np.asarray(region, float) * scale)
    if len(points) < MIN_INLIERS:
        return Match(matrix=None, matched=0, corners=len(points))
    matrix = _coarse(one, two, points)
    keep = np.ones(len(points), bool)
    for k, reach in enumerate(SEARCH_PX):
        found, likeness = _looked_for(one, two, points, matrix, reach)
        sound = likeness >= MIN_LIKENESS
        if sound.sum() < MIN_INLIERS:
            return Match(matrix=None, matched=int(sound.sum()), corners=len(points))
        matrix, keep = _agreed(points, found, sound, exact=k > 0)
    matched, share = int(keep.sum()), float(keep.sum()) / max(int(sound.sum()), 1)
    if matched < MIN_INLIERS or share < MIN_SHARE:
        return Match(matrix=None, matched=matched, corners=len(points))
    alike = _likeness(one, two, matrix, np.asarray(region, float) * scale)
    if alike < MIN_ALIKE:
        return Match(matrix=None, matched=matched, corners=len(points), likeness=alike)
    resize = np.diag([scale, scale, 1.0])
    full = np.linalg.inv(resize) @ matrix @ resize
    return Match(matrix=full / full[2, 2], matched=matched, corners=len(points), likeness=alike)


def moved_corners(matrix: np.ndarray, corners: Sequence[Sequence[float]], width: int, height: int):
    """Corners of a grid, as fractions of the picture, taken along with the camera; and how far they moved at most [px]."""
    before = np.array(corners) * (width, height)
    after = mapped(matrix, before)
    far = float(np.linalg.norm(after - before, axis=1).max())
    return tuple((float(x), float(y)) for x, y in after / (width, height)), far


def grown(corners: Sequence[Sequence[float]], by: float) -> np.ndarray:
    """A polygon, larger around its middle."""
    points = np.asarray(corners, float)
    middle = points.mean(axis=0)
    return middle + by * (points - middle)


def _likeness(one: np.ndarray, two: np.ndarray, matrix: np.ndarray, region: np.ndarray) -> float:
    height, width = one.shape
    rows, columns = np.mgrid[:height, :width]
    inside = _inside(region, columns, rows)
    at = mapped(matrix, np.stack([columns[inside], rows[inside]], axis=1).astype(float))
    fine = [picture - _box(picture, DETAIL) for picture in (one, two)]
    a, b = fine[0][inside], sampled(fine[1], at[:, 0], at[:, 1])
    # One glare must not decide.
    a, b = (np.clip(v, -3 * v.std(), 3 * v.std()) for v in (a, b))
    return float(np.corrcoef(a, b)[0, 1]) if len(a) > 100 else 0.0


def _resized(picture: np.ndarray, scale: float) -> np.ndarray:
    """Bilinear, over means of whole blocks where it becomes much smaller."""
    block = max(1, round(1 / scale))
    if block > 1:
        height, width = (n // block * block for n in picture.shape)
        picture = picture[:height, :width].reshape(height // block, block, width // block, block).mean(axis=(1, 3))
        scale *= block
    if abs(scale - 1) < 1e-6:
        return picture
    height, width = (max(1, round(n * scale)) for n in picture.shape)
    rows, columns = np.meshgrid(
        (np.arange(height) + 0.5) / scale - 0.5, (np.arange(width) + 0.5) / scale - 0.5, indexing="ij"
    )
    return sampled(picture, columns, rows)


def _smooth(picture: np.ndarray) -> np.ndarray:
    padded = np.pad(picture, 1, mode="edge")
    rows = (padded[:-2] + 2 * padded[1:-1] + padded[2:]) / 4
    return (rows[:, :-2] + 2 * rows[:, 1:-1] + rows[:, 2:]) / 4


def _corners(picture: np.ndarray, region: np.ndarray) -> np.ndarray:
    """Where light changes in both directions (Harris & Stephens 1988, from memory), spread out, shape (n, 2) as x, y."""
    dy, dx = np.gradient(picture)
    xx, yy, xy = (_box(part, 2) for part in (dx * dx, dy * dy, dx * dy))
    strength = xx * yy - xy**2 - 0.05 * (xx + yy) ** 2
    height, width = picture.shape
    rows, columns = np.mgrid[:height, :width]
    inside = _inside(region, columns, rows)
    edge = HALF + 2
    inside[:edge] = inside[-edge:] = inside[:, :edge] = inside[:, -edge:] = False
    strength = np.where(inside, strength, 0)
    peak = strength >= _largest(strength, 3)
    y, x = np.nonzero(peak & (strength > 1e-5 * strength.max()) & (strength > 0))
    order = np.argsort(-strength[y, x])
    return np.stack([x[order], y[order]], axis=1)[:MAX_POINTS].astype(float)


def _inside(region: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    sides = [
        (b[0] - a[0]) * (y - a[1]) - (b[1] - a[1]) * (x - a[0]) for a, b in zip(region, np.roll(region, -1, axis=0))
    ]
    return np.all(np.stack(sides) >= 0, axis=0) | np.all(np.stack(sides) <= 0, axis=0)


def _box(values: np.ndarray, half: int) -> np.ndarray:
    size = 2 * half + 1
    padded = np.pad(values, ((half + 1, half), (half + 1, half)), mode="edge").cumsum(axis=0).cumsum(axis=1)
    return (padded[size:, size:] - padded[:-size, size:] - padded[size:, :-size] + padded[:-size, :-size]) / size**2


def _largest(values: np.ndarray, half: int) -> np.ndarray:
    height, width = values.shape
    padded = np.pad(values, half)
    rows = np.max([padded[k : k + height] for k in range(2 * half + 1)], axis=0)
    return np.max([rows[:, k : k + width] for k in range(2 * half + 1)], axis=0)


def _coarse(one: np.ndarray, two: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Shift, turn and scale of the wing's region, from small pictures' phase correlation; the likeliest of a few turns and scales."""
    small, seen = (_resized(picture, 1 / COARSE) for picture in (one, two))
    middle = points.mean(axis=0) / COARSE
    spread = 1.3 * np.abs(points / COARSE - middle).max(axis=0) + 6
    height, width = small.shape
    rows, columns = np.mgrid[:height, :width].astype(np.float32)
    window = np.exp(-(((columns - middle[0]) / spread[0]) ** 4) - ((rows - middle[1]) / spread[1]) ** 4)
    part = (small - small.mean()) * window
    turned = []
    for degrees in TURNS_DEG:
        for scale in SCALES:
            turn = np.radians(degrees)
            c, s = np.cos(turn) / scale, np.sin(turn) / scale
            # Where each pixel of the turned picture comes from.
            x, y = columns - middle[0], rows - middle[1]
            made = sampled(part, middle[0] + c * x + s * y, middle[1] - s * x + c * y)
            cross = np.fft.rfft2(seen - seen.mean()) * np.conj(np.fft.rfft2(made))
            surface = np.fft.irfft2(cross / (np.abs(cross) ** 0.8 + 1e-6), s=small.shape)
            dy, dx = np.unravel_index(int(surface.argmax()), surface.shape)
            shift = np.array([dx - width if dx > width / 2 else dx, dy - height if dy > height / 2 else dy], float)
            # A little in favour of no turn: the peak of noise is anywhere.
            turned.append(
                (float(surface.max()) * (1.0 if degrees == 0 and scale == 1 else 0.93), degrees, scale, shift)
            )
    _, degrees, scale, shift = max(turned, key=lambda one: one[0])
    turn, at = np.radians(degrees), middle * COARSE
    c, s = scale * np.cos(turn), scale * np.sin(turn)
    linear = np.array([[c, -s], [s, c]])
    matrix = np.eye(3)
    matrix[:2, :2] = linear
    matrix[:2, 2] = at + COARSE * shift - linear @ at
    return matrix


def _looked_for(one, two, points, matrix, reach: int) -> tuple[np.ndarray, np.ndarray]:
    """Where each corner's patch is found around where it is expected, and its normalised correlation there."""
    size = 2 * HALF + 1
    ramp = np.arange(-HALF, HALF + 1)
    v, u = np.meshgrid(ramp, ramp, indexing="ij")
    offsets = np.stack([u.ravel(), v.ravel()], axis=1)
    patches = sampled(one, *np.moveaxis(points[:, None] + offsets, -1, 0))
    patches = _unit(patches)
    centre = mapped(matrix, points)
    # The other picture is looked at through the expected map, so that a turned patch still fits.
    step = 0.5
    columns = np.stack(
        [mapped(matrix, points + d) - mapped(matrix, points - d) for d in (np.array((step, 0)), np.array((0, step)))],
        axis=2,
    )
    wide = np.arange(-HALF - reach, HALF + reach + 1)
    v, u = np.meshgrid(wide, wide, indexing="ij")
    around = centre[:, None] + np.einsum("nij,kj->nki", columns, np.stack([u.ravel(), v.ravel()], axis=1))
    seen = sampled(two, around[..., 0], around[..., 1]).reshape(len(points), len(wide), len(wide))
    windows = np.lib.stride_tricks.sliding_window_view(seen, (size, size), axis=(1, 2))
    n, side = len(points), 2 * reach + 1
    likeness = np.empty((n, side, side), np.float32)
    for k in range(n):
        likeness[k] = (_unit(windows[k].reshape(side * side, -1)) @ patches[k]).reshape(side, side)
    best = likeness.reshape(n, -1).argmax(axis=1)
    rows, cols = np.divmod(best, side)
    fine = np.stack([_peak(likeness, rows, cols, axis=2), _peak(likeness, rows, cols, axis=1)], axis=1)
    moved = np.stack([cols - reach, rows - reach], axis=1) + fine
    return centre + np.einsum("nij,nj->ni", columns, moved), likeness.reshape(n, -1).max(axis=1)


def _unit(patches: np.ndarray) -> np.ndarray:
    patches = patches - patches.mean(axis=-1, keepdims=True)
    return patches / np.maximum(np.linalg.norm(patches, axis=-1, keepdims=True), 1e-3)


def _peak(values: np.ndarray, rows: np.ndarray, columns: np.ndarray, axis: int) -> np.ndarray:
    """Parts of a sample from the largest one to the top of the parabola through it and its neighbours."""
    n, side = np.arange(len(values)), values.shape[1]
    at = columns if axis == 2 else rows
    inner = (at > 0) & (at < side - 1)
    low, high = np.clip(at - 1, 0, side - 1), np.clip(at + 1, 0, side - 1)
    pick = (lambda k: values[n, rows, k]) if axis == 2 else (lambda k: values[n, k, columns])
    before, here, after = pick(low), pick(at), pick(high)
    bend = before - 2 * here + after
    return np.where(inner & (bend < -1e-6), 0.5 * (before - after) / np.minimum(bend, -1e-6), 0.0)


def _agreed(points, found, sound, exact: bool) -> tuple[np.ndarray, np.ndarray]:
    """The map that most corners agree on, and which: consensus of two corners each (Fischler & Bolles 1981, from memory)."""
    rng = np.random.default_rng(0)
    usable = np.flatnonzero(sound)
    limit = INLIER_PX * (1.0 if exact else 2.0)
    best, kept = -1, sound
    z, w = points @ (1, 1j), found @ (1, 1j)
    for _ in range(TRIES):
        a, b = rng.choice(usable, 2, replace=False)
        if abs(z[a] - z[b]) < 40:
            continue
        turn = (w[a] - w[b]) / (z[a] - z[b])
        if not 0.8 < abs(turn) < 1.25:
            continue
        # A similarity is not all of a perspective's change: a little more is allowed than in the end.
        inside = sound & (np.abs(w[a] + turn * (z - z[a]) - w) < 2 * limit)
        if inside.sum() > best:
            best, kept = int(inside.sum()), inside
    for _ in range(4):
        matrix = _map_of(points[kept], found[kept])
        inside = sound & (np.linalg.norm(mapped(matrix, points) - found, axis=1) < limit)
        if inside.sum() < 6:
            return matrix, inside
        kept = inside
    return matrix, kept


def _map_of(points: np.ndarray, found: np.ndarray) -> np.ndarray:
    """An affine map that stays near a similarity: a thin wing's few corners cannot carry more, and a mount turns the camera as a whole."""
    middle, other = points.mean(axis=0), found.mean(axis=0)
    z, w = (points - middle) @ (1, 1j), (found - other) @ (1, 1j)
    turn = complex((np.conj(z) @ w) / max(float((np.abs(z) ** 2).sum()), 1e-9))
    similar = np.array([[turn.real, -turn.imag], [turn.imag, turn.real]])
    stiff = (1.0 / AFFINE_FREE) * np.eye(2)
    left = np.vstack([points - middle, stiff])
    linear = np.linalg.lstsq(left, np.vstack([found - other, stiff @ similar.T]), rcond=None)[0].T
    matrix = np.eye(3)
    matrix[:2, :2], matrix[:2, 2] = linear, other - linear @ middle
    return matrix

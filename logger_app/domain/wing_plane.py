"""The wing's surface in a picture: projective maps, and patches seen as if from straight above. Pure.

A tuft grid's corners say how the surface lies in the picture. `rectified` undoes the perspective
around each station, so that an angle in a patch is an angle on the wing, however flat the camera looks.

Main names: `homography`, `fitted_homography`, `mapped`, `aspect_ratio`, `rectified`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

UNIT_SQUARE = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))
# Fields of view of cameras that are put on aircraft, as focal length over picture width; common practice, no source.
FOCALS = np.geomspace(0.3, 1.6, 25)
# Samples along one side of what becomes one sample of a patch: a thin tuft must not fall between.
MAX_BLOCK = 4


def homography(corners: Sequence[Sequence[float]]) -> np.ndarray:
    """The projective map from the unit square to four points.

    Parameters
    ----------
    corners : sequence of 4 (x, y)
        Images of (0, 0), (1, 0), (1, 1), (0, 1).

    Returns
    -------
    ndarray of float64, shape (3, 3)
        H with (x, y, 1) ~ H (u, v, 1).
    """
    return fitted_homography(np.array(UNIT_SQUARE), np.asarray(corners, float))


def fitted_homography(source: np.ndarray, target: np.ndarray) -> np.ndarray:
    """The projective map that takes points nearest to others.

    Parameters
    ----------
    source, target : ndarray of float64, shape (n, 2)
        At least four points each.

    Returns
    -------
    ndarray of float64, shape (3, 3)
        Its last element is 1.

    Notes
    -----
    Normalised direct linear transformation (Hartley & Zisserman, Multiple View Geometry, 2nd ed.,
    algorithm 4.2, from memory).
    """
    a, source = _normalised(source)
    b, target = _normalised(target)
    zero, one = np.zeros((len(source), 3)), np.hstack([source, np.ones((len(source), 1))])
    upper = np.hstack([one, zero, -target[:, :1] * one])
    lower = np.hstack([zero, one, -target[:, 1:] * one])
    found = np.linalg.svd(np.vstack([upper, lower]))[2][-1].reshape(3, 3)
    found = np.linalg.inv(b) @ found @ a
    return found / found[2, 2]


def mapped(matrix: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Points, shape (..., 2), taken through a projective map."""
    points = np.asarray(points, float)
    x = points @ matrix[:, :2].T + matrix[:, 2]
    return x[..., :2] / x[..., 2:]


def aspect_ratio(matrix: np.ndarray, width: int, height: int, spacing: float) -> float:
    """Span shown over chord, as lengths, from how the unit square looks.

    Parameters
    ----------
    matrix : ndarray of float64, shape (3, 3)
        From the unit square to pixels.
    spacing : float
        Of the rows along the span over that along the chord, both as shares: on a tufted wing they are about
        equally far apart, which decides where perspective says little.

    Notes
    -----
    For a camera with square pixels and its axis at the middle of the picture, the two columns of K^-1 H are
    orthogonal and as long as the sides are (Zhang & He, Whiteboard scanning, Digital Signal Processing 17, 2007,
    from memory). The focal length that makes them so, weighed against what is usual.
    """
    centre = np.array([[1, 0, -width / 2], [0, 1, -height / 2], [0, 0, width]]) / width
    best, found = np.inf, 1.0
    for focal in FOCALS:
        a, b = (np.diag([1, 1, focal]) @ centre @ matrix)[:, :2].T
        ratio = np.linalg.norm(a) / np.linalg.norm(b)
        square = a @ b / np.linalg.norm(a) / np.linalg.norm(b)
        cost = (square / 0.05) ** 2 + (np.log(ratio * spacing) / 0.5) ** 2 + (np.log(focal / 0.75) / 0.4) ** 2
        if cost < best:
            best, found = float(cost), float(ratio)
    return found


def rectified(
    frames: np.ndarray, shifts: np.ndarray, matrix: np.ndarray, at: np.ndarray, half: tuple[float, float], side: int
) -> np.ndarray:
    """Square patches around points of the unit square, aft to the right, outboard down.

    Parameters
    ----------
    frames : ndarray, shape (n_frames, height, width)
        Grey pictures.
    shifts : ndarray of float64, shape (n_frames, 2)
        How far each is displaced [px].
    at : ndarray of float64, shape (n, 2)
        Centres, as shares of span and chord.
    half : tuple of (float, float)
        Half the side of a patch along span and chord, as shares.
    side : int
        Samples a side.

    Returns
    -------
    ndarray of float32, shape (n, n_frames, side, side)
        Each sample is the mean over the surface around it; what is off the picture is its edge.
    """
    ramp = np.linspace(-1, 1, side)
    made = np.empty((len(at), len(frames), side, side), np.float32)
    for k, centre in enumerate(at):
        blocks = [_block(matrix, centre, np.array(step) / (side - 1)) for step in ((2 * half[0], 0), (0, 2 * half[1]))]
        outboard, aft = ((ramp[:, None] + ((np.arange(n) + 0.5) / n - 0.5) * 2 / (side - 1)).ravel() for n in blocks)
        points = np.stack(
            np.broadcast_arrays(centre[0] + half[0] * outboard[:, None], centre[1] + half[1] * aft[None, :]), axis=-1
        )
        pixels = mapped(matrix, points)
        for j, (frame, shift) in enumerate(zip(frames, shifts)):
            values = sampled(frame, pixels[..., 0] + shift[0], pixels[..., 1] + shift[1])
            made[k, j] = values.reshape(side, blocks[0], side, blocks[1]).mean(axis=(1, 3))
    return made


def pixels_along(matrix: np.ndarray, at: np.ndarray, step: tuple[float, float]) -> np.ndarray:
    """Length in the picture of a step on the surface at points, shape (n,) [px]."""
    half = np.array(step) / 2
    return np.linalg.norm(mapped(matrix, at + half) - mapped(matrix, at - half), axis=-1)


def _block(matrix: np.ndarray, centre: np.ndarray, step: np.ndarray) -> int:
    return int(np.clip(np.ceil(pixels_along(matrix, centre[None], tuple(step))[0]), 1, MAX_BLOCK))


def sampled(frame: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """A picture's values between its pixels, bilinear; outside it those of its edge."""
    height, width = frame.shape
    x, y = np.clip(x, 0, width - 1.001), np.clip(y, 0, height - 1.001)
    i, j = x.astype(np.intp), y.astype(np.intp)
    a, b = (x - i).astype(np.float32), (y - j).astype(np.float32)
    flat, at = frame.reshape(-1), j * width + i
    upper = flat[at] * (1 - a) + flat[at + 1] * a
    lower = flat[at + width] * (1 - a) + flat[at + width + 1] * a
    return upper * (1 - b) + lower * b


def _normalised(points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Centred, and at sqrt(2) from the centre on average; with the map that made them so."""
    centre = points.mean(axis=0)
    scale = np.sqrt(2) / max(float(np.linalg.norm(points - centre, axis=1).mean()), 1e-12)
    return np.array([[scale, 0, -scale * centre[0]], [0, scale, -scale * centre[1]], [0, 0, 1]]), (
        points - centre
    ) * scale

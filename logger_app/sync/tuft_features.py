"""What the tuft assist looks at: per station, how the yarn lies on the wing and moves over half a second. Pure.

Main names: `Look`, `look_at`, `station_features`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logger_app.domain.tuft_grid import Grid, Place, places
from logger_app.domain.wing_plane import aspect_ratio, homography, pixels_along, rectified

SIDE = 37  # samples of a patch's side
# Half a patch's side, in distances between neighbouring tufts: a yarn is shorter than the way to the next.
HALF = 0.9
RIDGE = 4  # a yarn is thinner than this on either side of its middle [samples]
SECTORS, RINGS = 16, (0.3, 0.55, 0.8)  # of the polar picture; rings in yarn lengths
CLEAR, SHARE = 3.0, 0.35  # a sample is yarn above so many times the noise, and above this share of the strongest
ROOT_SIDE = 13  # samples of the window that a root is looked for in


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """Half a second of a wing, seen as if from above.

    `contrast` is positive on yarn, shape (n, n_frames, SIDE, SIDE), and `strength` usual for this wing's yarns; `noise` the
    standard deviation of the picture; `level` the mean brightness of each patch, `clipped` the share of it that is black or white; `pixels` how long a neighbour's
    distance is in the picture along chord and span, shape (n, 2); `shifts` of the frames [px]; `yarn` the yarn's
    length in half patches.
    """

    contrast: np.ndarray
    noise: np.ndarray
    strength: float
    level: np.ndarray
    clipped: np.ndarray
    pixels: np.ndarray
    shifts: np.ndarray
    yarn: float
    half: tuple[float, float]
    matrix: np.ndarray
    at: np.ndarray


def look_at(frames: np.ndarray, grid: Grid, shifts: np.ndarray | None = None) -> Look:
    """Rectify a stretch of grey pictures, shape (n_frames, height, width), around a grid's stations."""
    height, width = frames.shape[1:]
    matrix = homography([(x * width, y * height) for x, y in grid.corners])
    at = np.array([(s.span_pct, s.chord_pct) for s in grid.stations()]) / 100
    gaps = np.array([_gap(grid.span_pct), _gap(grid.chord_pct)]) / 100
    aspect = aspect_ratio(matrix, width, height, gaps[0] / gaps[1])
    gap = min(gaps[0] * aspect, gaps[1])  # in chords
    half = (HALF * gap / aspect, HALF * gap)
    if shifts is None:
        shifts = camera_shifts(frames, places(grid, width, height))
    patches = rectified(frames, shifts, matrix, at, half, SIDE)
    pixels = np.stack([pixels_along(matrix, at, (0, gap)), pixels_along(matrix, at, (gap / aspect, 0))], axis=1)
    return from_patches(patches, pixels, shifts, half, matrix, at)


def from_patches(
    patches: np.ndarray,
    pixels: np.ndarray,
    shifts: np.ndarray,
    half: tuple[float, float],
    matrix: np.ndarray,
    at: np.ndarray,
) -> Look:
    """What patches show, shape (n, n_frames, SIDE, SIDE)."""
    sides = [_ridges(patches), _ridges(-patches)]
    # Tufts of one wing are all darker or all lighter than it; each station has one vote, so that a glare cannot decide.
    strength = [
        np.percentile(one, 99, axis=(1, 2, 3)) + np.percentile(one.std(axis=1), 99, axis=(1, 2)) for one in sides
    ]
    dark = float(np.sum(np.tanh(np.log((strength[0] + 1) / (strength[1] + 1))))) < 0
    contrast = sides[dark]
    return Look(
        contrast=contrast,
        noise=_noise(patches),
        strength=float(np.median(np.percentile(contrast, 99.3, axis=(1, 2, 3)))),
        level=patches.mean(axis=(1, 2, 3)),
        clipped=np.mean((patches < 3) | (patches > 252), axis=(1, 2, 3)),
        pixels=pixels,
        shifts=shifts,
        yarn=_yarn_length(contrast),
        half=half,
        matrix=matrix,
        at=at,
    )


def station_features(look: Look, roots: np.ndarray) -> np.ndarray:
    """What the model sees, shape (n_stations, n_features); the same for a wing and its mirror image.

    Parameters
    ----------
    roots : ndarray of float64, shape (n_stations, 2)
        Where the yarns are fixed, from the middles of the patches, along span and chord, in half patches.
    """
    return np.stack([_of_station(look, k, roots[k]) for k in range(len(look.at))])


def root_layers(contrast: np.ndarray, noise: float, strength: float) -> np.ndarray:
    """What is always, on average and sometimes yarn, in units of the strongest, shape (3, SIDE, SIDE)."""
    strong = max(strength, 2 * noise)
    held = np.clip(contrast / strong, 0, 1.5)
    return np.stack([np.percentile(held, 15, axis=0), held.mean(axis=0), held.std(axis=0)])


def camera_shifts(frames: np.ndarray, found: Sequence[Place]) -> np.ndarray:
    """How far each picture is displaced against the average one.

    Parameters
    ----------
    found : sequence of Place
        The wing's stations; only what is around them counts.

    Returns
    -------
    ndarray of float64, shape (n_frames, 2)
        Displacement in x and y [px].

    Notes
    -----
    Phase correlation with a parabola through the peak (Kuglin & Hines 1975, from memory), against
    the first picture and then once more against their average.
    """
    height, width = frames.shape[1:]
    reach = max(p.reach for p in found)
    left, right = (int(np.clip(f(p.x for p in found) + side * reach, 0, width)) for f, side in ((min, -1), (max, 1)))
    top, foot = (int(np.clip(f(p.y for p in found) + side * reach, 0, height)) for f, side in ((min, -1), (max, 1)))
    if right - left < 16 or foot - top < 16:
        return np.zeros((len(frames), 2))
    cut = frames[:, top:foot, left:right]
    cut = cut - cut.mean(axis=(1, 2), keepdims=True)
    window = np.outer(np.hanning(foot - top), np.hanning(right - left)).astype(np.float32)
    spectra = np.fft.rfft2(cut * window)
    shifts = np.stack([_shift(spectra[0], spectrum, window.shape) for spectrum in spectra])
    rows, columns = np.fft.fftfreq(window.shape[0])[:, None], np.fft.rfftfreq(window.shape[1])[None, :]
    turned = [s * np.exp(2j * np.pi * (columns * dx + rows * dy)) for s, (dx, dy) in zip(spectra, shifts)]
    mean = np.mean(turned, axis=0)
    return np.stack([_shift(mean, spectrum, window.shape) for spectrum in spectra])


def _shift(reference: np.ndarray, spectrum: np.ndarray, shape: tuple[int, ...]) -> np.ndarray:
    cross = spectrum * np.conj(reference)
    # Between plain and phase correlation: whitening in full would let the noise of fine detail rule.
    surface = np.fft.irfft2(cross / (np.abs(cross) ** 0.7 + 1e-6), s=shape)
    y, x = np.unravel_index(int(surface.argmax()), shape)
    height, width = shape
    dx = x + _peak(surface[y, x - 1], surface[y, x], surface[y, (x + 1) % width])
    dy = y + _peak(surface[y - 1, x], surface[y, x], surface[(y + 1) % height, x])
    return np.array([dx - width if dx > width / 2 else dx, dy - height if dy > height / 2 else dy])


def _peak(before: float, at: float, after: float) -> float:
    bend = before - 2 * at + after
    return 0.5 * (before - after) / bend if bend < 0 else 0.0


def _gap(percent: Sequence[float]) -> float:
    return min((b - a for a, b in zip(percent[:-1], percent[1:])), default=33.0)


def _ridges(patches: np.ndarray) -> np.ndarray:
    """How much brighter a sample is than both its sides, in the direction in which that is most: threads, but no edges, light or shadow."""
    padded = np.pad(patches, ((0, 0), (0, 0), (RIDGE, RIDGE), (RIDGE, RIDGE)), mode="edge")
    best = np.zeros_like(patches)
    n = patches.shape[-1]
    for dy, dx in ((0, RIDGE), (RIDGE, 0), (RIDGE - 1, RIDGE - 1), (RIDGE - 1, 1 - RIDGE)):
        one = padded[:, :, RIDGE + dy : RIDGE + dy + n, RIDGE + dx : RIDGE + dx + n]
        other = padded[:, :, RIDGE - dy : RIDGE - dy + n, RIDGE - dx : RIDGE - dx + n]
        np.maximum(best, patches - np.maximum(one, other), out=best)
    return best


def _noise(patches: np.ndarray) -> np.ndarray:
    """Standard deviation of the pictures' noise in each patch: of what changes between frames, most samples are wing."""
    change = np.diff(patches, axis=1)
    change = change - change.mean(axis=(2, 3), keepdims=True)
    return np.maximum(np.median(np.abs(change), axis=(1, 2, 3)) / 0.6745 / np.sqrt(2), 0.3)


_RAMP = np.linspace(-1, 1, SIDE)
AFT, OUT = np.meshgrid(_RAMP, _RAMP)
_RADIUS = np.hypot(AFT, OUT)


def _yarn_length(contrast: np.ndarray) -> float:
    """How long the wing's yarns are, in half patches: where along the radius the contrast falls to a third, the longer ones' median."""
    lengths = []
    for one in contrast:
        held = np.clip(one, 0, None).max(axis=0) * (_RADIUS <= 1)
        profile = np.array(
            [held[(_RADIUS >= r - 0.06) & (_RADIUS < r + 0.06)].max() for r in np.arange(0.1, 1.0, 0.05)]
        )
        strong = profile.max()
        over = np.flatnonzero(profile > 0.45 * strong)
        if strong > 4 and len(over):
            lengths.append(0.1 + 0.05 * (over[np.argmax(np.diff([*over, 99]) > 2)]))
    return float(np.clip(np.percentile(lengths, 60), 0.25, 0.85)) if lengths else 0.55


def _of_station(look: Look, k: int, root: np.ndarray) -> np.ndarray:
    contrast, noise = look.contrast[k], look.noise[k]
    aft, out = AFT - root[1], OUT - root[0]
    window = np.hypot(aft, out) <= min(1.3 * look.yarn, 1.0)
    contrast = contrast * window
    # A rivet or an edge of glare may be stronger than any yarn; no yarn is much stronger than the others.
    strong = min(float(np.percentile(contrast[:, window], 99.3)), 1.6 * look.strength)
    contrast = np.minimum(contrast, 1.2 * strong)
    line = max(CLEAR * noise, SHARE * strong)
    weight = np.where(contrast > line, contrast, 0.0)
    mass = weight.sum(axis=(1, 2))
    seen = mass > 3 * line
    safe = np.where(mass > 0, mass, 1.0)
    x, y = (weight * aft).sum(axis=(1, 2)) / safe, (weight * out).sum(axis=(1, 2)) / safe
    length = np.hypot(x, y)
    unit = np.where(length > 1e-6, (x + 1j * y) / np.maximum(length, 1e-6), 0)[seen]
    lengths = length[seen]
    if len(unit) < 2:
        unit, lengths = np.zeros(2, complex), np.zeros(2)
    mean = unit.mean()
    turn = np.abs(np.angle(unit[1:] * np.conj(unit[:-1] + 1e-9)))
    away = np.abs(np.angle(unit * np.conj(mean + 1e-9)))
    total = max(float(weight.sum()), 1e-9)
    middle_x, middle_y = (weight * aft).sum() / total, (weight * out).sum() / total
    xx, yy, xy = (
        (weight * part).sum() / total
        for part in ((aft - middle_x) ** 2, (out - middle_y) ** 2, (aft - middle_x) * (out - middle_y))
    )
    power = float(np.mean((weight**2).sum(axis=(1, 2))))
    stays = float((weight.mean(axis=0) ** 2).sum() / power) if power > 0 else 0.0
    own = [
        mean.real,
        abs(mean.imag),
        abs(mean),
        np.mean(unit.real < 0),
        np.mean(unit.real > 0.75),
        np.mean(np.abs(unit.imag)),
        turn.mean(),
        turn.std(),
        away.mean(),
        away.max(),
        np.ptp(unit.imag),
        stays,
        lengths.mean() / look.yarn,
        lengths.std() / look.yarn,
        np.log(max(strong, 0.1) / noise),
        np.log(max(strong, 0.1)),
        np.log(np.mean(weight[:, window] > 0) + 1e-3),
        np.hypot(xx - yy, 2 * xy) / max(xx + yy, 1e-9),
        np.sqrt(xx) / look.yarn,
        np.sqrt(yy) / look.yarn,
        seen.mean(),
        look.clipped[k],
        look.level[k] / 255,
        *np.log(look.pixels[k] * look.yarn),
        np.log(look.pixels[k, 0] / look.pixels[k, 1]),
        look.yarn,
        strong / max(look.strength, 0.3),
        len(contrast) / 15,
    ]
    return np.array([*own, *_polar(contrast / max(strong, 3 * noise), look.yarn, root)])


_TURN = 2 * np.pi * np.arange(SECTORS) / SECTORS


def _polar(held: np.ndarray, yarn: float, root: np.ndarray) -> list[float]:
    """How much yarn lies in each direction, near and far: on average, always, and how it changes; both sides folded."""
    held = np.clip(held, 0, 1.5)
    layers = (held.mean(axis=0), np.percentile(held, 15, axis=0), held.std(axis=0))
    values = []
    for layer in layers:
        for ring in RINGS:
            radius = min(ring * yarn, 0.97) * (SIDE - 1) / 2
            columns = _index((SIDE - 1) / 2 * (1 + root[1]) + radius * np.cos(_TURN))
            rows = _index((SIDE - 1) / 2 * (1 + root[0]) + radius * np.sin(_TURN))
            around = (
                layer[rows, columns]
                + layer[np.clip(rows + 1, 0, SIDE - 1), columns]
                + layer[rows, np.clip(columns + 1, 0, SIDE - 1)]
            )
            around = around / 3
            other = around[-np.arange(SECTORS) % SECTORS]
            values += list((around + other)[: SECTORS // 2 + 1] / 2)
            if ring == RINGS[1]:
                values += list(np.abs(around - other)[1 : SECTORS // 2])
    row, column = (int(np.clip(round((SIDE - 1) / 2 * (1 + v)), 1, SIDE - 2)) for v in root)
    return [*values, *(float(layer[row - 1 : row + 2, column - 1 : column + 2].mean()) for layer in layers)]


def _index(values: np.ndarray) -> np.ndarray:
    return np.clip(np.rint(values), 0, SIDE - 1).astype(int)

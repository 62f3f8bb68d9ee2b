"""A proposal for each tuft from how it moved over the last half second. Pure; numpy only.

It is a proposal, with a confidence, and no more: a person decides (see `tufts`). What is looked
at, station by station, after the camera's shake is taken out: where the tuft points against the
local chord line, how much that changes from frame to frame, whether it stays in one place, and
whether there is a tuft to be seen at all. The weights were fitted on drawn tufts whose state is
known (`tests/bench/tufts.py --fit`).

Main names: `propose`, `Proposal`, `features`, `FEATURES`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logger_app.domain.tuft_grid import Grid, Place, places
from logger_app.domain.tufts import STATES, TuftState
from logger_app.errors import SyncError
from logger_app.sync.tuft_weights import BIAS, CENTRE, SCALE, TEMPERATURE, WEIGHTS

WINDOW_S = 0.5
# Fewer frames than this in the window say nothing of motion; the handbook (section 7) asks for 60 a second.
MIN_FRAMES = 6
SIDE = 41  # of a patch after sampling [px]
# A tuft is looked for this far around its station, in units of `Place.reach`.
AROUND = 1.1
# Of the strongest contrast in a patch: more is tuft, less is wing.
SHARE = 0.4
BLUR = 13  # side of the square that light and shadow are taken from [px of a patch]
# Above the noise by this many standard deviations.
CLEAR = 3.0
FEATURES = (
    "aft",
    "across",
    "steadiness",
    "forward share",
    "mainly aft share",
    "turn",
    "turn spread",
    "stays",
    "length",
    "length spread",
    "contrast to noise",
    "area",
    "slenderness",
    "seen share",
    "aft squared",
    "steadiness squared",
    "stays squared",
    "aft by steadiness",
    "aft by stays",
    "contrast by area",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """What a station looked like. `confidence` is the probability of `state`; all of them in the order of `STATES`."""

    station: str
    state: TuftState
    confidence: float
    probabilities: tuple[float, ...]


def propose(frames: np.ndarray, grid: Grid) -> tuple[Proposal, ...]:
    """States proposed for the last frame of a stretch of about half a second.

    Parameters
    ----------
    frames : ndarray, shape (n_frames, height, width)
        Grey pictures in order of time, evenly spaced.

    Returns
    -------
    tuple of Proposal
        One a station, in the grid's order; stations outside the picture are ``not visible``.

    Raises
    ------
    SyncError
        Too few frames to see motion.
    """
    frames = np.asarray(frames, np.float32)
    if frames.ndim != 3 or len(frames) < MIN_FRAMES:
        raise SyncError(f"tuft assist: got {len(frames)} frames; expected at least {MIN_FRAMES} within {WINDOW_S:g} s")
    found = places(grid, frames.shape[2], frames.shape[1])
    values = features(frames, found)
    inside = np.array([0 <= p.x < frames.shape[2] and 0 <= p.y < frames.shape[1] for p in found])
    chances = probabilities(values)
    chances[~inside] = np.eye(len(STATES))[STATES.index(TuftState.NOT_VISIBLE)]
    return tuple(
        Proposal(
            station=p.station.id,
            state=STATES[int(row.argmax())],
            confidence=float(row.max()),
            probabilities=tuple(float(v) for v in row),
        )
        for p, row in zip(found, chances)
    )


def probabilities(values: np.ndarray) -> np.ndarray:
    """Multinomial logistic model, its logits divided by a temperature fitted on other pictures.

    Returns
    -------
    ndarray of float64, shape (n_stations, 5)
        Rows sum to 1, in the order of `STATES`.
    """
    scores = (
        np.clip((values - np.array(CENTRE)) / np.array(SCALE), -4, 4) @ np.array(WEIGHTS) + np.array(BIAS)
    ) / TEMPERATURE
    scores = np.exp(scores - scores.max(axis=1, keepdims=True))
    return scores / scores.sum(axis=1, keepdims=True)


def features(frames: np.ndarray, found: Sequence[Place]) -> np.ndarray:
    """What the model looks at."""
    shifts = camera_shifts(frames, found)
    patches = np.stack([_patches(frame, found, shift) for frame, shift in zip(frames, shifts)], axis=1)
    contrast = patches - _blurred(patches)
    noise = _noise(contrast)
    # Tufts of one wing are all darker or all lighter than it; each station has one vote, so that a glare cannot decide.
    tail = np.mean(contrast**3, axis=(1, 2, 3)) / np.maximum(np.mean(contrast**2, axis=(1, 2, 3)), 1e-6) ** 1.5
    sign = 1.0 if np.sum(np.clip(tail, -2, 2)) >= 0 else -1.0
    return np.stack([_of_station(sign * c, n) for c, n in zip(contrast, noise)])


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


def _shift(reference: np.ndarray, spectrum: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
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


def _patches(frame: np.ndarray, found: Sequence[Place], shift: np.ndarray) -> np.ndarray:
    """Patches turned so that aft is to the right, shape (n_stations, SIDE, SIDE); what is off the picture is its edge."""
    ramp = np.linspace(-AROUND, AROUND, SIDE)
    aft, across = np.meshgrid(ramp, ramp)
    made = []
    for place in found:
        # Thin tufts between coarse samples would be lost: average first.
        block = max(1, int(2 * AROUND * place.reach / SIDE))
        x = place.x + shift[0] + place.reach * (aft * place.aft_x - across * place.aft_y)
        y = place.y + shift[1] + place.reach * (aft * place.aft_y + across * place.aft_x)
        made.append(_sampled(frame, x, y, block))
    return np.stack(made)


def _sampled(frame: np.ndarray, x: np.ndarray, y: np.ndarray, block: int) -> np.ndarray:
    """Bilinear, the mean of block x block samples around each place."""
    offsets = np.arange(block) - (block - 1) / 2
    height, width = frame.shape
    total = np.zeros(x.shape, np.float64)
    for dx in offsets:
        for dy in offsets:
            u, v = np.clip(x + dx, 0, width - 1.001), np.clip(y + dy, 0, height - 1.001)
            i, j = u.astype(int), v.astype(int)
            a, b = u - i, v - j
            total += (1 - b) * ((1 - a) * frame[j, i] + a * frame[j, i + 1]) + b * (
                (1 - a) * frame[j + 1, i] + a * frame[j + 1, i + 1]
            )
    return total / block**2


def _blurred(patches: np.ndarray) -> np.ndarray:
    """Mean over a square wider than any tuft is thick: light, shadow and glare, but no tufts."""
    half = BLUR // 2
    padded = np.pad(patches, ((0, 0), (0, 0), (half + 1, half), (half + 1, half)), mode="edge")
    sums = padded.cumsum(axis=2).cumsum(axis=3)
    box = sums[:, :, BLUR:, BLUR:] - sums[:, :, :-BLUR, BLUR:] - sums[:, :, BLUR:, :-BLUR] + sums[:, :, :-BLUR, :-BLUR]
    return box / BLUR**2


def _noise(contrast: np.ndarray) -> np.ndarray:
    """Standard deviation of the pictures' noise in each patch: of what changes between frames, most pixels are wing."""
    change = np.diff(contrast, axis=1)
    return np.maximum(np.median(np.abs(change), axis=(1, 2, 3)) / 0.6745 / np.sqrt(2), 0.3)


def _of_station(contrast: np.ndarray, noise: float) -> np.ndarray:
    """Features of one station; `contrast` positive on the tuft, shape (n_frames, SIDE, SIDE)."""
    ramp = np.linspace(-1, 1, SIDE)
    aft, across = np.meshgrid(ramp, ramp)
    round_window = aft**2 + across**2 <= 1
    contrast = contrast * round_window
    strong = np.percentile(contrast[:, round_window], 99.5)
    line = max(CLEAR * noise, SHARE * strong)
    weight = np.where(contrast > line, contrast, 0.0)
    mass = weight.sum(axis=(1, 2))
    seen = mass > 4 * line
    safe = np.where(mass > 0, mass, 1.0)
    x, y = (weight * aft).sum(axis=(1, 2)) / safe, (weight * across).sum(axis=(1, 2)) / safe
    length = np.hypot(x, y)
    unit = np.where(length > 1e-6, (x + 1j * y) / np.maximum(length, 1e-6), 0)[seen]
    if len(unit) < 2:
        unit, length, x, y = np.zeros(2, complex), np.zeros(2), np.zeros(2), np.zeros(2)
        seen_length = length
    else:
        seen_length = length[seen]
    mean = unit.mean()
    turn = np.abs(np.angle(unit[1:] * np.conj(unit[:-1])))
    second_x = (weight * (aft - x.mean()) ** 2).sum() / max(weight.sum(), 1e-9)
    second_y = (weight * (across - y.mean()) ** 2).sum() / max(weight.sum(), 1e-9)
    crossed = (weight * (aft - x.mean()) * (across - y.mean())).sum() / max(weight.sum(), 1e-9)
    spread = np.hypot(second_x - second_y, 2 * crossed) / max(second_x + second_y, 1e-9)
    power = np.mean((weight**2).sum(axis=(1, 2)))
    stays = (weight.mean(axis=0) ** 2).sum() / power if power > 0 else 0.0
    clear = np.log(max(strong, 0.1) / noise)
    area = np.log(np.mean(weight > 0) + 1e-3)
    size = seen_length.mean()
    steady = abs(mean)
    own = [
        mean.real,
        abs(mean.imag),
        steady,
        np.mean(unit.real < 0),
        np.mean(unit.real > 0.7),
        turn.mean(),
        turn.std(),
        stays,
        size,
        seen_length.std() / max(size, 1e-6) if size > 0 else 0.0,
        clear,
        area,
        spread,
        seen.mean(),
    ]
    return np.array([*own, mean.real**2, steady**2, stays**2, mean.real * steady, mean.real * stays, clear * area])

"""A proposal for each tuft from how it moved over the last half second; it declines where it cannot know. Pure; numpy only.

It is a proposal, with a confidence, and no more: a person decides (see `domain.tufts`). Pictures that are too dark, too
bright or blurred, and grids that do not lie on the tufts, are declined as a whole; single tufts where two states
are nearly as likely. The weights were fitted on drawn tufts (`tests/bench/tufts.py`), never on film of a real wing.

Main names: `propose`, `Answer`, `Proposal`, `grey_levels`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logger_app.domain.tuft_grid import Grid, places
from logger_app.domain.tufts import STATES, TuftState
from logger_app.errors import SyncError
from logger_app.sync.tuft_features import Look, look_at, station_features
from logger_app.sync.tuft_roots import Fit, fit_grid, run_layers
from logger_app.sync.tuft_weights_io import weights

WINDOW_S = 0.5
# Fewer frames than this in the window say nothing of motion; the handbook (section 7) asks for 60 a second.
MIN_FRAMES = 6
MIN_CONFIDENCE = 0.55  # a state that is less likely is not proposed
MIN_PIXELS = 6.0  # from one tuft to the next
MIN_LEVEL, MAX_CLIPPED = 18.0, 0.35  # mean brightness; share of black or white
MIN_CLEAR = 2.5  # a yarn's contrast over the noise, both as seen in the patches
# Steepest change of light over 2 px, over that over 12 px: the wings that the model was fitted on have 0.30 and more.
MIN_SHARPNESS = 0.28
MIN_AGREEMENT = 0.35  # of roots with the grid, as followed


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """What a station looked like; `state` is None where the assist declines, `why` says why.

    `confidence` is the probability of the likeliest state; all of them in the order of `STATES`.
    """

    station: str
    state: TuftState | None
    confidence: float
    probabilities: tuple[float, ...]
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """Proposals in the grid's order. `why` is set where the picture or the grid was declined as a whole.

    `moved_px` is how far the grid was followed, in pixels of the pictures given; `remark` a doubt about the grid.
    """

    proposals: tuple[Proposal, ...]
    why: str = ""
    moved_px: float = 0.0
    agreement: float = 0.0
    remark: str = ""

    @property
    def proposed(self) -> tuple[Proposal, ...]:
        """Those that name a state."""
        return tuple(one for one in self.proposals if one.state is not None)


def propose(frames: np.ndarray, grid: Grid) -> Answer:
    """States proposed for the last frame of a stretch of about half a second.

    Parameters
    ----------
    frames : ndarray, shape (n_frames, height, width)
        Grey pictures in order of time, evenly spaced.

    Raises
    ------
    SyncError
        Too few frames to see motion.
    """
    frames = np.asarray(frames, np.float32)
    if frames.ndim != 3 or len(frames) < MIN_FRAMES:
        raise SyncError(f"tuft assist: got {len(frames)} frames; expected at least {MIN_FRAMES} within {WINDOW_S:g} s")
    look = look_at(frames, grid)
    why = _picture_trouble(look) or _focus_trouble(frames, grid)
    names = [station.id for station in grid.stations()]
    if why:
        return Answer(proposals=_all_declined(names, why), why=why)
    fit = fit_grid(look)
    if why := _grid_trouble(fit):
        return Answer(proposals=_all_declined(names, why), why=why, agreement=fit.agreement)
    chances = probabilities(station_features(look, fit.roots))
    height, width = frames.shape[1:]
    inside = _inside(look, width, height)
    proposals = tuple(
        _proposal(name, row, bool(look.pixels[k].min() >= MIN_PIXELS), bool(inside[k]))
        for k, (name, row) in enumerate(zip(names, chances))
    )
    return Answer(proposals=proposals, moved_px=fit.moved_px, agreement=fit.agreement, remark=_remark(proposals))


def probabilities(values: np.ndarray) -> np.ndarray:
    """Chances of the states, shape (n_stations, 5); rows sum to 1, in the order of `STATES`."""
    held = weights()
    near = np.clip((values - held.centre) / held.scale, -4, 4)
    sums = np.mean([run_layers(layers, near) for layers in held.states], axis=0) / held.temperature
    sums = np.exp(sums - sums.max(axis=1, keepdims=True))
    return sums / sums.sum(axis=1, keepdims=True)


def _proposal(name: str, chances: np.ndarray, large: bool, inside: bool) -> Proposal:
    sure, state, why = float(chances.max()), STATES[int(chances.argmax())], ""
    if not inside:
        why = "outside the picture"
    elif not large:
        why = "too small in the picture"
    elif sure < MIN_CONFIDENCE:
        first, second = (STATES[k] for k in np.argsort(-chances)[:2])
        why = f"{first} or {second}"
    return Proposal(
        station=name,
        state=None if why else state,
        confidence=sure,
        probabilities=tuple(float(v) for v in chances),
        why=why,
    )


def _all_declined(names: list[str], why: str) -> tuple[Proposal, ...]:
    even = (1 / len(STATES),) * len(STATES)
    return tuple(Proposal(station=n, state=None, confidence=even[0], probabilities=even, why=why) for n in names)


def _picture_trouble(look: Look) -> str:
    """Why nothing can be said of these pictures, or nothing."""
    level, clipped = float(np.median(look.level)), float(np.median(look.clipped))
    if level < MIN_LEVEL:
        return "too dark: the tufts cannot be told from noise"
    if clipped > MAX_CLIPPED:
        return "too bright: the wing is overexposed"
    if look.strength < MIN_CLEAR * float(np.median(look.noise)) or look.strength < 4:
        return "no tufts stand out: too blurred, too dark or too flat a light"
    return ""


def _focus_trouble(frames: np.ndarray, grid: Grid) -> str:
    """Whether the wing is out of focus: nothing in its region is sharp."""
    height, width = frames.shape[1:]
    found = places(grid, width, height)
    reach = max(place.reach for place in found)
    x, y = [p.x for p in found], [p.y for p in found]
    left, right = (int(np.clip(v, 0, width)) for v in (min(x) - reach, max(x) + reach))
    top, foot = (int(np.clip(v, 0, height)) for v in (min(y) - reach, max(y) + reach))
    if right - left < 40 or foot - top < 40:
        return ""
    middle = len(frames) // 2
    part = frames[middle - 1 : middle + 2, top:foot, left:right].mean(axis=0)

    def steepest(step: int, axis: int) -> float:
        count = part.shape[axis]
        change = part.take(range(step, count), axis) - part.take(range(count - step), axis)
        return float(np.percentile(np.abs(change), 99.5))

    sharpness = max(steepest(2, axis) / max(steepest(12, axis), 1e-3) for axis in (0, 1))
    return "" if sharpness >= MIN_SHARPNESS else "too blurred: nothing on the wing is sharp"


def _grid_trouble(fit: Fit) -> str:
    if fit.agreement < MIN_AGREEMENT:
        return "the grid does not fit: no tufts are fixed where its stations are; place it again"
    return ""


def _remark(proposals: tuple[Proposal, ...]) -> str:
    known = [one.state for one in proposals if one.state is not None]
    if len(known) >= 6 and sum(state is TuftState.REVERSED for state in known) > 0.6 * len(known):
        return "Most tufts point at the leading edge: are leading and trailing edge swapped in the grid?"
    return ""


def _inside(look: Look, width: int, height: int) -> np.ndarray:
    from logger_app.domain.wing_plane import mapped

    x, y = mapped(look.matrix, look.at).T
    return (x >= 0) & (x < width) & (y >= 0) & (y < height)

"""Which files are chapters of one camera, and what one chapter says about the next. Pure.

Cameras cut a recording into files. Chapters share picture size, rate and codec; their names differ in
a number only; and on the flight clock they follow each other with gaps of less than a few seconds.

Main names: `cameras`, `expected`.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from logger_app.sync.align import Alignment, Prior
from logger_app.sync.media_io import CameraFile

# Between chapters a camera may lose up to this (common practice, no source) [s].
MAX_GAP_S = 3.0


def cameras(files: Sequence[CameraFile]) -> list[list[int]]:
    """Files grouped into cameras, chapters in order.

    Parameters
    ----------
    files : sequence of CameraFile
        In the order given by the user.

    Returns
    -------
    list of list of int
        Indices into `files`; within a camera by the number in the name.
    """
    groups: dict[tuple, list[int]] = {}
    for k, file in enumerate(files):
        stem = re.sub(r"\d+", "#", file.path.stem)
        numbered = stem != file.path.stem
        groups.setdefault((file.make, str(file.path.parent), stem) if numbered else (k,), []).append(k)
    return [sorted(group, key=lambda k: _numbers(files[k].path.stem)) for group in groups.values()]


def _numbers(stem: str) -> list[int]:
    return [int(part) for part in re.findall(r"\d+", stem)]


def expected(
    files: Sequence[CameraFile], found: Sequence[Alignment | None], starts_s: Sequence[float], k: int
) -> Prior | None:
    """Where a chapter that could not be placed by itself must lie, from its placed neighbours.

    Parameters
    ----------
    starts_s : sequence of float
        When each file's sound begins on its own clock [s].

    Returns
    -------
    Prior or None
        Lag of the chapter's sound with the range its gaps allow; None without a placed neighbour.
    """
    placed = [j for j, one in enumerate(found) if one is not None and one.accepted]
    before, after = max((j for j in placed if j < k), default=None), min((j for j in placed if j > k), default=None)
    if before is None and after is None:
        return None
    low, high = -float("inf"), float("inf")
    lines = {j: one.line for j, one in enumerate(found) if one is not None and one.accepted}
    near = before if before is not None else after
    drift = lines[near if near is not None else placed[0]][1] * 1e-6
    if before is not None:
        length = sum(files[j].duration_s for j in range(before, k))
        low = lines[before][0] + length * (1 + drift) - starts_s[before]
        high = low + MAX_GAP_S * (k - before)
        low -= 0.2
    if after is not None:
        length = sum(files[j].duration_s for j in range(k, after))
        top = lines[after][0] - length * (1 + drift) - starts_s[after]
        low, high = max(low, top - MAX_GAP_S * (after - k)), min(high, top + 0.2)
    if low > high:
        return None
    middle = (low + high) / 2 + starts_s[k]
    return Prior(middle, (high - low) / 2 + 0.05, drift)

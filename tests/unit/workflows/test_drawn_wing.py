"""The drawn films of the demo: the same from one seed, and read by an assist that was fitted on other drawings."""

import numpy as np

from logger_app.domain.tuft_grid import mirrored_order
from logger_app.domain.tufts import TuftState
from logger_app.records.plan import DeviceRow
from logger_app.sync.tuft_assist import propose
from logger_app.sync.video_io import VideoFrames
from logger_app.workflows.drawn_wing import CODEC_BASE, FPS, HEIGHT, WIDTH, DrawnWing, write_film

SPANS, CHORDS = (15, 30, 45, 60, 75, 90), (20, 60)
FENCE = DeviceRow(span_from_pct=59.5, span_to_pct=60, count=1, chord_from_pct=8, size_mm=240)
STATES = [TuftState.ATTACHED, TuftState.SEPARATED, TuftState.UNSTEADY] * 4


def test_one_seed_draws_one_picture_and_another_seed_another():
    first, again, other = (DrawnWing(seed, "right", SPANS, CHORDS).picture(12.3, STATES) for seed in (3, 3, 4))

    assert first.shape == (HEIGHT, WIDTH) and first.dtype == np.uint8
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)


def test_the_wings_are_seen_from_above_and_carry_only_what_is_fitted_to_them():
    left, right = (DrawnWing(1, side, SPANS, CHORDS) for side in ("left", "right"))
    fenced = DrawnWing(1, "right", SPANS, CHORDS, [FENCE])
    none = [TuftState.NOT_VISIBLE] * 12

    assert not mirrored_order(left.grid, "left") and not mirrored_order(right.grid, "right")
    changed = np.argwhere(np.abs(fenced.picture(1.0, none).astype(int) - right.picture(1.0, none)) > 20)
    x = fenced._line((0.5975, 0.1))[0][0]
    assert len(changed) and np.all(np.abs(changed[:, 1] - x) < 12), "the fence stands at 60 % span and nowhere else"


def test_the_assist_reads_the_states_that_were_drawn(tmp_path):
    """Its weights were fitted on two other drawings that share no code with this one (tests/bench/tufts.py)."""
    right = proposed = 0
    for seed, side in ((1, "left"), (2, "right")):
        wing = DrawnWing(seed, side, SPANS, CHORDS, [FENCE])
        count = write_film(tmp_path / f"{side}.mp4", wing, 50.0, 51.2, lambda at_s: STATES)
        frames = []
        with VideoFrames(tmp_path / f"{side}.mp4") as film:
            at = film.frame_at(0.5)
            assert (count, at.pts) == (18, int(0.5 * FPS) * CODEC_BASE // FPS)
            for _ in range(9):
                frames.append(at.rgb.mean(axis=2))
                at = film.step(1)
        answer = propose(np.stack(frames), wing.grid)
        pairs = [(p.state, s) for p, s in zip(answer.proposals, STATES, strict=True) if p.state is not None]
        proposed += len(pairs)
        right += sum(a is b for a, b in pairs)

    assert proposed >= 14, "of 24"
    assert right >= 0.9 * proposed

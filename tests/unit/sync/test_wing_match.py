"""The camera that moved against the wing, on drawn wings and against OpenCV on the same frames."""

import cv2
import numpy as np
import pytest
from bench import wing_unseen

from logger_app.domain.wing_plane import fitted_homography, mapped
from logger_app.sync.wing_match import grown, match, moved_corners
from logger_app.workflows.compare import followed_grid, grey_for_assist

MOVES = [(0, 0, 0.0, 1.0), (9, -6, 0.4, 1.0), (70, -40, 4.0, 1.04)]  # px of 1280, degrees, scale


def moved_by(dx, dy, degrees, scale):
    made = np.vstack([cv2.getRotationMatrix2D((640, 360), degrees, scale), (0, 0, 1)])
    made[:2, 2] += (dx, dy)
    return made


@pytest.fixture(scope="module")
def pictures():
    """A wing, and the same with other tufts, seconds later, after each move; grey, 960 wide."""
    wing = wing_unseen.Wing(306)
    states = [wing_unseen.states_of(np.random.default_rng(k), 8, 3) for k in range(4)]

    def one(k, move):
        frames = wing.film(lambda at_s: states[k], 1.01 / wing.fps, start_s=3.0 * k, moved=lambda at_s: move)
        return grey_for_assist(frames[0])

    return wing.grid(), one(0, np.eye(3)), [one(k + 1, moved_by(*move)) for k, move in enumerate(MOVES)]


@pytest.mark.parametrize("k", range(len(MOVES)))
def test_a_move_is_found_by_the_wings_own_marks_whatever_its_tufts_do(pictures, k):
    grid, before, after = pictures
    region = grown([(x * 960, y * 540) for x, y in grid.corners], 1.15)
    found = match(before, after[k], region)
    true = mapped(moved_by(*MOVES[k]), np.array(grid.corners) * (1280, 720)) / (1280, 720)
    corners, _ = moved_corners(found.matrix, grid.corners, 960, 540)

    # The wing also shakes, by up to 2 px of 1280.
    assert np.abs((np.array(corners) - true) * (960, 540)).max() < 5


def test_opencv_finds_the_same_move_on_the_same_frames(pictures):
    """ORB, brute-force matching and RANSAC of OpenCV, tuned by nobody here."""
    grid, before, after = pictures
    region = grown([(x * 960, y * 540) for x, y in grid.corners], 1.15)
    mask = np.zeros(before.shape, np.uint8)
    cv2.fillPoly(mask, [region.astype(np.int32)], 255)
    orb = cv2.ORB_create(1500, fastThreshold=5)
    (points, first), (others, second) = (
        orb.detectAndCompute(p.astype(np.uint8), m) for p, m in ((before, mask), (after[2], None))
    )
    pairs = cv2.BFMatcher(cv2.NORM_HAMMING, crossCheck=True).match(first, second)
    a, b = np.float32([points[m.queryIdx].pt for m in pairs]), np.float32([others[m.trainIdx].pt for m in pairs])
    theirs, _ = cv2.estimateAffinePartial2D(a, b, method=cv2.RANSAC, ransacReprojThreshold=2.5)
    ours = match(before, after[2], region).matrix
    middle = np.array(grid.corners).mean(axis=0) * (960, 540)

    assert np.linalg.norm(mapped(ours, middle) - (theirs @ [*middle, 1])) < 5


def test_homographies_agree_with_opencv():
    """cv2.findHomography, least squares over all points, on noisy pairs."""
    rng = np.random.default_rng(2)
    source = rng.uniform(0, 900, (40, 2))
    true = np.array([[0.9, 0.05, 30], [-0.04, 1.1, -12], [8e-5, -5e-5, 1]])
    target = mapped(true, source) + rng.normal(0, 0.3, (40, 2))
    theirs, _ = cv2.findHomography(source, target, 0)
    corners = np.array([(0, 0), (900, 0), (900, 900), (0, 900)], float)

    assert np.abs(mapped(fitted_homography(source, target), corners) - mapped(theirs, corners)).max() < 1.0


def test_small_moves_are_followed_larger_ones_asked_about_and_another_wing_is_not_matched(pictures):
    grid, before, after = pictures
    still, small, large = (followed_grid(before, one, grid) for one in after)
    assert (still.words, still.large) == ("", False) or "follow" in still.words
    assert "follow" in small.words and not small.large
    assert large.large and "check" in large.words

    other = wing_unseen.Wing(301)
    states = wing_unseen.states_of(np.random.default_rng(9), 8, 3)
    picture = grey_for_assist(other.film(lambda at_s: states, 1.01 / other.fps)[0])
    strange = followed_grid(before, picture, grid)
    assert strange.grid is None or strange.large
    assert strange.words


def test_pictures_without_marks_are_not_matched():
    plain = np.full((360, 640), 90, np.float32)
    assert match(plain, plain, np.array([(50, 50), (600, 50), (600, 300), (50, 300)])).matrix is None

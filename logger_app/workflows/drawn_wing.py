"""A tufted wing drawn from a seed, as a camera at the cabin sees it: the films of the demo that has no real ones. numpy, Pillow, av.

How the tufts of each state move follows the handbook's words (section 7), which give no numbers: the amplitudes are ours, for
looking at and for tests. Not for fitting or judging the assist: that is done on other drawings (`tests/bench/tufts.py`).
Main names: `DrawnWing`, `write_film`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from fractions import Fraction
from pathlib import Path

import numpy as np

from logger_app.domain.tuft_grid import Grid
from logger_app.domain.tufts import TuftState
from logger_app.domain.wing_plane import homography, mapped
from logger_app.io.files import complete_file, make_folder
from logger_app.records.plan import DeviceRow

WIDTH, HEIGHT, FPS = 480, 270, 15
# The right wing in the picture: root leading edge, tip leading edge, tip trailing edge, root trailing edge; the left is its mirror.
RIGHT = ((0.06, 0.42), (0.94, 0.33), (0.96, 0.72), (0.03, 1.02))
SPAN_M, CHORD_M, YARN_M = 4.35, 1.4, 0.24
LINKS, CODEC_BASE = 6, 600
TOP = 60  # no yarn is drawn above this line of the picture
WING, YARN, FENCE = 188.0, 38.0, 70.0  # brightness
# Chosen while looking at what the assist said of them, so its answers to these films say nothing of how good it is.
# Each state: swings of the heading [rad] and their tempo [Hz], bow along the yarn [rad], how far it lifts [rad], how far its mean
# heading may lie from aft, as a share of half a turn.
MOTION: Mapping[TuftState, tuple[tuple[float, float, float], tuple[float, float, float], float, float, float]] = {
    TuftState.ATTACHED: ((0.05, 0.05, 0.0), (1.3, 6.7, 1.0), 0.05, 0.04, 0.0),
    TuftState.UNSTEADY: ((0.55, 0.35, 0.0), (3.1, 5.7, 1.0), 0.35, 0.2, 0.0),
    TuftState.SEPARATED: ((1.9, 1.2, 0.8), (2.3, 4.1, 6.3), 0.9, 0.45, 0.35),
}
MOTION = {**MOTION, TuftState.NOT_VISIBLE: MOTION[TuftState.ATTACHED]}


class DrawnWing:
    """One wing through one camera.

    Parameters
    ----------
    side : str
        ``left`` or ``right``.
    rows : sequence of DeviceRow
        What is fitted to this wing.
    """

    def __init__(
        self,
        seed: int,
        side: str,
        span_pct: Sequence[float],
        chord_pct: Sequence[float],
        rows: Sequence[DeviceRow] = (),
    ):
        self.side, self.rows = side, tuple(rows)
        corners = RIGHT if side == "right" else tuple((1 - x, y) for x, y in RIGHT)
        self.grid = Grid(
            camera=f"cabin {side}", corners=corners, span_pct=tuple(span_pct), chord_pct=tuple(chord_pct), flight_s=None
        )
        self.stations = [station.id for station in self.grid.stations()]
        self._map = homography([(x * WIDTH, y * HEIGHT) for x, y in corners])
        self._roots = np.array([(s.span_pct / 100, s.chord_pct / 100) for s in self.grid.stations()])
        rng = np.random.default_rng(seed)
        self._phases = rng.uniform(0, 2 * np.pi, (len(self.stations), 5))
        self._tempo = rng.uniform(0.85, 1.2, len(self.stations))
        still = np.pad(self._background(rng), 1, mode="edge")
        steps = (-1, 0, 1)
        self._shaken = {
            (dx, dy): still[1 - dy : HEIGHT + 1 - dy, 1 - dx : WIDTH + 1 - dx] for dx in steps for dy in steps
        }
        self._noise = rng.normal(0, 2.0, (7, HEIGHT, WIDTH)).astype(np.int16)

    def picture(self, at_s: float, states: Sequence[TuftState]) -> np.ndarray:
        """The picture at a time, brightness as uint8, shape (HEIGHT, WIDTH)."""
        from PIL import Image, ImageDraw

        layer = Image.new("L", (2 * WIDTH, 2 * (HEIGHT - TOP)), 0)
        pen = ImageDraw.Draw(layer)
        shake = 0.7 * np.sin(np.array((57.0, 71.0)) * at_s)
        lines = 2 * (self._yarns(states, at_s) + shake - (0, TOP))
        for line, state in zip(lines.reshape(len(lines), -1).tolist(), states):
            if state is not TuftState.NOT_VISIBLE:
                pen.line(line, fill=255, width=4)
        cover = np.asarray(layer.reduce(2), np.int16)
        dx, dy = (round(by) for by in shake.tolist())
        picture = self._shaken[dx, dy] + self._noise[round(at_s * FPS) % len(self._noise)]
        wing = picture[TOP:]
        wing += (int(YARN) - wing) * (cover >> 1) >> 7
        return np.clip(picture, 0, 255, out=picture).astype(np.uint8)

    def _yarns(self, states: Sequence[TuftState], at_s: float) -> np.ndarray:
        """Points of the yarns from their roots [px], shape (n_stations, LINKS + 1, 2)."""
        size, hertz, bow, lift, turns = (np.array(column) for column in zip(*(MOTION[state] for state in states)))
        rate = 2 * np.pi * self._tempo * at_s
        heading = (size * np.sin(hertz * rate[:, None] + self._phases[:, :3])).sum(axis=1) + turns * (
            self._phases[:, 3] - np.pi
        )
        along = np.arange(1, LINKS + 1) / LINKS
        turn = heading[:, None] + (bow * np.sin(4.3 * rate + self._phases[:, 4]))[:, None] * along
        raised = (lift * (0.6 + 0.4 * np.sin(3.1 * rate + self._phases[:, 2])))[:, None]
        step = YARN_M / LINKS * np.cos(raised)
        out, aft = np.cumsum(np.sin(turn), axis=1) * step, np.cumsum(np.cos(turn), axis=1) * step
        places = np.repeat(self._roots[:, None], LINKS + 1, axis=1)
        places[:, 1:] += np.stack([out / SPAN_M, aft / CHORD_M], axis=2)
        flat = mapped(self._map, places.reshape(-1, 2)).reshape(places.shape)
        flat[:, 1:, 1] -= np.sin(raised) * along * YARN_M * WIDTH / SPAN_M
        return flat

    def _background(self, rng: np.random.Generator) -> np.ndarray:
        """Sky and ground, the wing with its seams, shade, and what is fitted on it."""
        from PIL import Image, ImageDraw, ImageFilter

        down = np.linspace(0, 1, HEIGHT)[:, None] * np.ones((1, WIDTH))
        ground = np.where(down < 0.3, 205 - 60 * down, 118 - 40 * (down - 0.3))
        picture = Image.fromarray((ground + rng.normal(0, 3, ground.shape)).astype(np.uint8)).filter(
            ImageFilter.GaussianBlur(2)
        )
        pen = ImageDraw.Draw(picture)
        pen.polygon(self._line((0, 0), (1, 0), (1, 1), (0, 1)), fill=int(WING))
        for span in np.arange(0.1, 1.0, 0.1):  # ribs
            pen.line(self._line((span, 0), (span, 1)), fill=int(WING) - 10)
        for a, b, hinge in ((0.08, 0.54, 0.72), (0.57, 0.96, 0.75)):  # flap and aileron
            pen.line(self._line((a, 1), (a, hinge), (b, hinge), (b, 1)), fill=int(WING) - 32)
        for x, y in self._line(*map(tuple, self._roots)):  # tape over the root of each yarn
            pen.rectangle((x - 2, y - 1, x + 2, y + 2), fill=int(WING) - 14)
        for row in self.rows:
            chord = 0.08 if row.chord_from_pct is None else row.chord_from_pct / 100
            if row.count == 1:  # a fence stands on the wing: a line along the chord, with its height
                span = (row.span_from_pct + row.span_to_pct) / 200
                foot = self._line((span, -0.02), (span, chord + 0.2))
                top = [(x, y - 9) for x, y in foot[::-1]]
                pen.polygon(foot + top, fill=int(FENCE))
            else:
                pen.line(self._line((row.span_from_pct / 100, chord), (row.span_to_pct / 100, chord)), fill=40, width=3)
        shade = 1 + 0.12 * np.linspace(-1, 1, WIDTH)[None, :] * rng.choice((-1, 1))
        return np.clip(np.asarray(picture, float) * shade, 0, 255).astype(np.int16)

    def _line(self, *places: tuple[float, float]) -> list[tuple[float, float]]:
        return [(float(x), float(y)) for x, y in mapped(self._map, np.array(places))]


def write_film(
    path: Path, wing: DrawnWing, begin_s: float, end_s: float, states_at: Callable[[float], Sequence[TuftState]]
) -> int:
    """Draw a wing through a stretch of the flight into an MP4; how many pictures.

    Parameters
    ----------
    begin_s, end_s : float
        On the flight clock [s]; the film's own clock begins with 0.
    states_at : callable
        Flight time [s] to the state of each station, in the grid's order.
    """
    import av

    make_folder(path.parent)
    count = int((end_s - begin_s) * FPS)
    # Paint and sky have a tint of their own; tufts are darker than both.
    tint = np.concatenate([np.full(HEIGHT // 2 * WIDTH // 2, value, np.uint8) for value in (131, 126)])
    with (
        complete_file(path) as part,
        av.open(f"file:{part}", "w", format="mp4", options={"video_track_timescale": str(CODEC_BASE)}) as film,
    ):
        stream = film.add_stream("libx264", rate=FPS, options={"preset": "ultrafast", "crf": "25", "bf": "0"})
        stream.width, stream.height, stream.pix_fmt, stream.gop_size = WIDTH, HEIGHT, "yuv420p", 15
        stream.codec_context.time_base = Fraction(1, CODEC_BASE)
        stream.codec_context.thread_count = 1
        for k in range(count):
            at_s = begin_s + k / FPS
            planes = np.concatenate([wing.picture(at_s, states_at(at_s)).ravel(), tint]).reshape(-1, WIDTH)
            frame = av.VideoFrame.from_ndarray(planes, format="yuv420p")
            frame.pts, frame.time_base = k * CODEC_BASE // FPS, Fraction(1, CODEC_BASE)
            film.mux(stream.encode(frame))
        film.mux(stream.encode(None))
    return count

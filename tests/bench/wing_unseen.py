"""Drawn wing, third kind: for testing only, nothing is ever fitted on it. OpenCV and a video codec.

A calibrated camera with lens distortion (cv2.projectPoints) looks along a textured wing, foreshortened 3 to 8 : 1;
yarns are splines whose tip swings as a driven pendulum, drawn with variable thickness, coloured, in a slightly curved
surface; the whole picture shakes and turns a little; light changes, the frame is encoded with H.264. Shares no code
with `wing_threads` and `wing_chains`; what each state looks like was chosen apart from theirs (handbook, section 7).
"""

from __future__ import annotations

from fractions import Fraction

import av
import cv2
import numpy as np

from logger_app.domain.tuft_grid import Grid
from logger_app.domain.tufts import TuftState

SIZE = (1280, 720)
GOOD, NIGHT, BLACK, BRIGHT, BLURRED = "good", "night", "black", "overexposed", "blurred"


class Wing:
    """A wing with yarns, a camera, and light; `film` gives frames."""

    def __init__(self, seed: int, spans: int = 8, chords: int = 3, condition: str = GOOD):
        rng = self.rng = np.random.Generator(np.random.PCG64(seed))
        self.condition = condition
        self.span_m, self.chord_m = rng.uniform(1.8, 3.2), rng.uniform(0.9, 1.4)
        self.span_pct = tuple(float(round(v, 1)) for v in np.linspace(6, 94, spans) + rng.normal(0, 0.4, spans))
        self.chord_pct = {2: (30.0, 75.0), 3: (20.0, 50.0, 80.0), 4: (12.0, 38.0, 62.0, 88.0)}[chords]
        self.stations = np.array([(s, c) for s in self.span_pct for c in self.chord_pct])
        self.camber = rng.uniform(0.0, 0.03)
        self.matrix = np.array(
            [[f := SIZE[0] * rng.uniform(0.55, 0.95), 0, SIZE[0] / 2], [0, f, SIZE[1] / 2], [0, 0, 1]]
        )
        self.lens = np.array([rng.uniform(-0.06, 0.02), 0.0, 0.0, 0.0])
        self._place_camera()
        tint = np.array([1.0, rng.uniform(0.92, 1.06), rng.uniform(0.9, 1.1)])
        pale = rng.random() < 0.6
        self.paint = (
            np.clip(rng.uniform(140, 215) * tint, 0, 255) if pale else np.clip(rng.uniform(40, 100) * tint, 0, 255)
        )
        yarns = (
            [(25, 25, 190), (40, 40, 45), (120, 30, 30), (20, 90, 20)]
            if pale
            else [(240, 240, 245), (60, 220, 250), (90, 160, 255)]
        )
        self.yarn = np.array(yarns[rng.integers(0, len(yarns))], float)
        gap = min(np.diff(self.span_pct).min() * self.span_m, 30 * self.chord_m) / 100
        self.length_m, self.thick_m = gap * rng.uniform(0.35, 0.62), rng.uniform(0.004, 0.008)
        self.texture = self._texture()
        self.tremble = rng.uniform(0.3, 1.8)
        self.fps = int(rng.choice([30, 30, 60]))
        self.crf = int(rng.integers(20, 31))
        self.gauss = rng.uniform(1, 5)
        self.phase = rng.uniform(0, 6.28, (len(self.stations), 4))
        self.tempo = rng.uniform(0.8, 1.25, len(self.stations))

    def _place_camera(self) -> None:
        rng = self.rng
        for _ in range(500):
            side = rng.integers(0, 3)
            eye = np.array(
                [
                    (-rng.uniform(0.4, 1.3), self.chord_m * rng.uniform(0.1, 1.0)),
                    (self.span_m + rng.uniform(0.4, 1.2), self.chord_m * rng.uniform(0.1, 1.0)),
                    (self.span_m * rng.uniform(0.2, 0.8), self.chord_m + rng.uniform(0.8, 2.5)),
                ][side]
                + (-rng.uniform(0.25, 1.0),)
            )  # z down, so that x outboard, y aft, z down is right-handed
            aim = np.array([self.span_m * rng.uniform(0.4, 0.6), self.chord_m * rng.uniform(0.4, 0.6), 0])
            z = (aim - eye) / np.linalg.norm(aim - eye)
            x = np.cross((0, 0, 1.0), z)
            x /= np.linalg.norm(x)
            rotation = np.stack([x, np.cross(z, x), z])
            spin = cv2.Rodrigues(np.array([0, 0, rng.normal(0, 0.08)]))[0]
            self.rvec = cv2.Rodrigues(spin @ rotation)[0]
            self.tvec = -(spin @ rotation) @ eye[:, None]
            corners = self.see([(0, 0), (100, 0), (100, 100), (0, 100)])
            depth = (
                spin
                @ rotation
                @ (
                    np.array([(0, 0, 0), (self.span_m, 0, 0), (self.span_m, self.chord_m, 0), (0, self.chord_m, 0)])
                    - eye
                ).T
            )[2]
            ratio = self.foreshortening()
            if (
                depth.min() > 0.2
                and (corners > -20).all()
                and (corners < np.array(SIZE) + 20).all()
                and 3 <= ratio <= 8
                and np.ptp(corners[:, 0]) > 0.5 * SIZE[0]
            ):
                return
        raise RuntimeError("no such camera")

    def foreshortening(self) -> float:
        """At the middle: the longer of the two scales over the shorter."""
        x, y = 50.0, 50.0
        seen = self.see([(x, y), (x + 1 / self.span_m, y), (x, y + 1 / self.chord_m)])
        a, b = np.linalg.norm(seen[1] - seen[0]), np.linalg.norm(seen[2] - seen[0])
        return max(a / b, b / a)

    def see(self, percent, up_m=0.0) -> np.ndarray:
        """Pixels of places in percent of span and chord."""
        p = np.asarray(percent, float)
        hump = 4 * self.camber * self.chord_m * (p[:, 1] / 100) * (1 - p[:, 1] / 100)
        points = np.column_stack([p[:, 0] / 100 * self.span_m, p[:, 1] / 100 * self.chord_m, -hump - up_m])
        return cv2.projectPoints(points, self.rvec, self.tvec, self.matrix, self.lens)[0][:, 0]

    def grid(self, off_px=(0.0, 0.0), corner_px: float = 0.0) -> Grid:
        """As a person would place it; off by so much, and each corner by a normal error [px]."""
        corners = (
            self.see([(0, 0), (100, 0), (100, 100), (0, 100)])
            + np.asarray(off_px)
            + self.rng.normal(0, 1, (4, 2)) * corner_px
        )
        return Grid(
            camera="wing",
            corners=tuple((float(x / SIZE[0]), float(y / SIZE[1])) for x, y in corners),
            span_pct=self.span_pct,
            chord_pct=self.chord_pct,
        )

    def _texture(self) -> np.ndarray:
        rng, wide, high = self.rng, 1600, 800
        skin = np.empty((high, wide, 3), np.float32)
        skin[:] = self.paint
        for _ in range(rng.integers(4, 9)):
            x = int(rng.integers(0, wide))
            cv2.line(skin, (x, 0), (x, high), (self.paint * rng.uniform(0.7, 0.95)).tolist(), int(rng.integers(1, 4)))
        for _ in range(rng.integers(2, 5)):
            y = int(rng.integers(0, high))
            cv2.line(skin, (0, y), (wide, y), (self.paint * rng.uniform(0.7, 0.95)).tolist(), int(rng.integers(1, 4)))
            for x in range(0, wide, int(rng.integers(18, 40))):
                cv2.circle(skin, (x, y + 8), 2, (self.paint * 0.75).tolist(), -1)
        for _ in range(40):
            at = tuple(int(v) for v in rng.integers(0, (wide, high)))
            cv2.circle(skin, at, int(rng.integers(1, 5)), (self.paint * rng.uniform(0.7, 1.15)).tolist(), -1)
        for text, at in (("N0", (300, 500)), ("NO STEP", (900, 300))):
            if rng.random() < 0.7:
                letters = np.zeros((high, wide), np.uint8)
                cv2.putText(letters, text, at, cv2.FONT_HERSHEY_SIMPLEX, 3, 255, 5)
                skin[letters > 0] *= 0.8
        cloud = cv2.resize(rng.normal(0, 6, (12, 20)).astype(np.float32), (wide, high), interpolation=cv2.INTER_CUBIC)
        return skin + cloud[..., None]

    def _background(self) -> np.ndarray:
        rng = self.rng
        sky = np.linspace(rng.uniform(120, 230), rng.uniform(60, 160), SIZE[1], dtype=np.float32)[
            :, None, None
        ] * np.ones((1, SIZE[0], 3), np.float32)
        sky += cv2.resize(rng.normal(0, 18, (9, 16, 3)).astype(np.float32), SIZE, interpolation=cv2.INTER_CUBIC)
        source = np.float32([(0, 0), (1600, 0), (1600, 800), (0, 800)])
        target = np.float32(self.see([(-6, -6), (106, -6), (106, 106), (-6, 106)]))
        h = cv2.getPerspectiveTransform(source, target)
        skin = cv2.warpPerspective(self.texture, h, SIZE, flags=cv2.INTER_AREA)
        mask = cv2.warpPerspective(np.ones((800, 1600), np.float32), h, SIZE)[..., None]
        whole = skin * mask + sky * (1 - mask)
        light = 1 + rng.uniform(-0.25, 0.25) * np.linspace(-1, 1, SIZE[0], dtype=np.float32)[None, :, None]
        whole *= light
        if rng.random() < 0.4:  # a shadow's edge
            poly = np.int32(
                [
                    (rng.uniform(0, SIZE[0]), 0),
                    (rng.uniform(0, SIZE[0]), SIZE[1]),
                    (SIZE[0] * 2, SIZE[1]),
                    (SIZE[0] * 2, 0),
                ]
            )
            shade = np.ones(SIZE[::-1], np.float32)
            cv2.fillPoly(shade, [poly], float(rng.uniform(0.55, 0.85)))
            whole *= cv2.GaussianBlur(shade, (0, 0), 6)[..., None]
        return whole

    def film(self, states_at, seconds: float, start_s: float = 0.0, moved=lambda at_s: np.eye(3)) -> np.ndarray:
        """Frames RGB of uint8, through the codec. `states_at(at_s)` is the state of every yarn; `moved` a camera move."""
        if not hasattr(self, "_still"):
            self._still = self._background()
        frames = []
        for k in range(round(seconds * self.fps)):
            at_s = start_s + k / self.fps
            picture = self._picture(at_s, states_at(at_s))
            shake = np.array(
                [[1, 0, self.tremble * np.sin(57 * at_s)], [0, 1, self.tremble * np.sin(71 * at_s + 1)], [0, 0, 1.0]]
            )
            turn = np.vstack(
                [
                    cv2.getRotationMatrix2D((SIZE[0] / 2, SIZE[1] / 2), 0.06 * self.tremble * np.sin(43 * at_s), 1.0),
                    (0, 0, 1),
                ]
            )
            picture = cv2.warpPerspective(
                picture, moved(at_s) @ shake @ turn, SIZE, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
            )
            frames.append(self._exposed(picture))
        return through_codec(frames, self.fps, self.crf)

    def _exposed(self, picture: np.ndarray) -> np.ndarray:
        gain, noise = 1 + 0.01 * self.rng.standard_normal(), self.gauss
        if self.condition == NIGHT:
            gain, noise = gain * 0.06, 5.0
        elif self.condition == BLACK:
            gain, noise = 0.0, 2.0
        elif self.condition == BRIGHT:
            gain = gain * 3.2
        elif self.condition == BLURRED:
            picture = cv2.GaussianBlur(picture, (0, 0), 9)
        return np.clip(picture * gain + self.rng.normal(0, noise, picture.shape), 0, 255).astype(np.uint8)

    def _picture(self, at_s: float, states) -> np.ndarray:
        picture, moments = self._still.copy(), 4
        cover = np.zeros(SIZE[::-1], np.float32)
        for m in range(moments):
            layer = np.zeros(SIZE[::-1], np.uint8)
            for k, state in enumerate(states):
                if state is TuftState.NOT_VISIBLE:
                    continue
                line = self._spline(k, state, at_s + m * 0.5 / self.fps / moments)
                near = np.linalg.norm(
                    np.diff(
                        self.see(
                            [
                                self.stations[k],
                                self.stations[k] + (100 * self.length_m / self.span_m, 0),
                                self.stations[k] + (0, 100 * self.length_m / self.chord_m),
                            ]
                        ),
                        axis=0,
                    ),
                    axis=1,
                ).max()
                thick = max(1, round(near / self.length_m * self.thick_m))
                cv2.polylines(layer, [np.round(line * 16).astype(np.int32)], False, 255, thick, cv2.LINE_AA, 4)
            cover += layer / 255 / moments
        drop = cv2.GaussianBlur(np.roll(cover, (2, 2), (0, 1)), (0, 0), 1.2)[..., None]
        picture *= 1 - 0.25 * drop
        return picture * (1 - cover[..., None]) + self.yarn * cover[..., None]

    def _spline(self, k: int, state: TuftState, at_s: float) -> np.ndarray:
        """A quadratic curve from the root: where its first half points, and where the tip has got to."""
        p, w = self.phase[k], self.tempo[k]
        swing = lambda hz, n: np.sin(6.2832 * hz * w * at_s + p[n])
        if state is TuftState.ATTACHED:
            heading, bow, lift = (
                np.radians(3 * swing(1.3, 0) + 2.5 * swing(9, 1)) + 0.06 * np.sin(p[2]),
                0.04 * swing(11, 2),
                0.05,
            )
        elif state is TuftState.UNSTEADY:
            heading = np.radians(27 * swing(4.3, 0) + 17 * swing(7.9, 1))
            bow, lift = 0.35 * swing(9.7, 2), 0.18 * (1 + swing(6, 3)) / 2
        elif state is TuftState.REVERSED:
            heading = np.pi + np.radians(22 * np.sin(p[3]) + 16 * swing(3.1, 0) + 12 * swing(8.3, 1))
            bow, lift = 0.3 * swing(6.7, 2), 0.2 * (1 + swing(5, 3)) / 2
        else:
            heading = p[0] + 2.6 * swing(2.3, 1) + 1.5 * swing(5.1, 2) + 0.9 * swing(9.3, 3)
            bow, lift = 0.9 * swing(7.3, 0), 0.45 * (1 + swing(3.7, 2)) / 2 + 0.15
        along = np.linspace(0, 1, 9)
        turn = heading + bow * along
        rise = self.length_m * np.sin(lift) * along
        flat = np.cos(lift) * self.length_m / 8
        x = np.concatenate([[0], np.cumsum(np.sin(turn[1:]) * flat)])
        y = np.concatenate([[0], np.cumsum(np.cos(turn[1:]) * flat)])
        return self.see(self.stations[k] + np.column_stack([100 * x / self.span_m, 100 * y / self.chord_m]), rise)


def through_codec(frames, fps: int, crf: int) -> np.ndarray:
    """Coded by H.264 and decoded again; BGR in, RGB out."""
    encoder = av.CodecContext.create("libx264", "w")
    encoder.width, encoder.height, encoder.pix_fmt = SIZE[0], SIZE[1], "yuv420p"
    encoder.time_base, encoder.options = Fraction(1, fps), {"crf": str(crf), "preset": "veryfast"}
    packets = []
    for k, picture in enumerate(frames):
        frame = av.VideoFrame.from_ndarray(picture, format="bgr24")
        frame.pts = k
        packets += encoder.encode(frame)
    packets += encoder.encode(None)
    decoder = av.CodecContext.create("h264", "r")
    decoder.extradata = encoder.extradata
    decoded = [f for packet in packets for f in decoder.decode(packet)] + list(decoder.decode(None))
    return np.stack([f.to_ndarray(format="rgb24") for f in decoded])


def states_of(rng, spans: int, chords: int) -> list[TuftState]:
    """A front that has spread from the root's trailing edge; a few yarns are lost."""
    order = [TuftState.ATTACHED, TuftState.UNSTEADY, TuftState.SEPARATED, TuftState.REVERSED]
    spread, slant = rng.uniform(-0.2, 1.5), rng.uniform(-0.5, 0.9)
    made = []
    for s in range(spans):
        for c in range(chords):
            level = spread + slant * (0.5 - s / spans) + 0.6 * ((c + 0.5) / chords - 0.5) - 0.3 + rng.normal(0, 0.12)
            made.append(TuftState.NOT_VISIBLE if rng.random() < 0.03 else order[int(np.clip(level / 0.3 + 1, 0, 3))])
    return made


def scene(seed: int, condition: str = GOOD, off_px=(0.0, 0.0), corner_px: float = 0.0):
    """Half a second: frames RGB, the grid as placed, the states, and the true roots [px]."""
    rng = np.random.Generator(np.random.PCG64(seed + 10_000_000))
    wing = Wing(seed, int(rng.integers(6, 10)), int(rng.choice([3, 3, 3, 4])), condition)
    states = states_of(rng, len(wing.span_pct), len(wing.chord_pct))
    frames = wing.film(lambda at_s: states, 0.5 + 1.01 / wing.fps)
    return frames, wing.grid(off_px, corner_px), states, wing.see(wing.stations)

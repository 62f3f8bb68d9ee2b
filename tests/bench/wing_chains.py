"""Drawn wing, second kind: chains that follow a gusty flow, painted by Pillow. For training the tuft assist.

Each yarn is a chain whose links turn towards the local flow one after another, so that waves run down it; the
flow's direction and strength are sums of a few sines and gusts. The skin is a painted sheet laid into perspective;
yarns throw a shadow. Shares no code with `wing_threads` and `wing_unseen`; the amplitudes are ours.
"""

from __future__ import annotations

import math
import random
from io import BytesIO

import numpy as np
from PIL import Image, ImageChops, ImageDraw, ImageFilter

from logger_app.domain.tuft_grid import Grid
from logger_app.domain.tufts import STATES

LINKS = 7
A, U, S, R, N = STATES


def scene(seed: int, states=None, grid_error_px: float = 0.0, width: int = 960, height: int = 540):
    """Half a second of a tufted wing; what it gives is as in `wing_threads.scene`."""
    die = random.Random(f"chains {seed}")
    columns, rows = die.choice((4, 5, 6, 7, 8, 9)), die.choice((2, 3, 3, 4))
    span_pct = [round((c + 0.5 + die.uniform(-0.1, 0.1)) * 100 / columns, 1) for c in range(columns)]
    chord_pct = [round((r + 0.5 + die.uniform(-0.1, 0.1)) * 100 / rows, 1) for r in range(rows)]
    corners = _corners(die, width, height)
    aspect = die.uniform(1.0, 3.2)  # span shown over chord
    to_picture = _solve([(0, 0), (1, 0), (1, 1), (0, 1)], corners)
    up = _up(die, corners)
    named = [(s / 100, c / 100) for s in span_pct for c in chord_pct]
    if states is None:
        states = _states(die, columns, rows)
    spacing = min(aspect / columns, 1 / rows)
    yarn = spacing * die.uniform(0.25, 0.65)
    fps = die.choice((24, 30, 30, 48, 60))
    count = max(8, round(0.5 * fps))
    chains = [_Chain(die, state, yarn) for state in states]
    light_yarn = die.random() < 0.45
    level = die.uniform(30, 105) if light_yarn else die.uniform(110, 195)
    ink = level + die.uniform(28, 120) * (1 if light_yarn else -1)
    ink = max(4.0, min(250.0, ink))
    sheet = _sheet(die, level).transform(
        (width, height),
        Image.Transform.PERSPECTIVE,
        _back([_grown(c, corners) for c in corners], 512, 512),
        Image.Resampling.BILINEAR,
    )
    outside = Image.new("L", (width, height), int(die.uniform(20, 220)))
    mask = Image.new("L", (width, height), 0)
    ImageDraw.Draw(mask).polygon([_grown(c, corners) for c in corners], fill=255)
    base = _lit(die, Image.composite(sheet, outside, mask), width, height)
    weight = min(5.0, max(1.0, die.uniform(0.03, 0.11) * yarn * _reach(to_picture, aspect, (0.5, 0.5))))
    shadow = die.uniform(0, 0.5) if die.random() < 0.5 else 0.0
    speed, drift = die.uniform(0.2, 2.2), [die.uniform(0, 6.28) for _ in range(4)]
    grainy, soft, squeeze = die.uniform(0.5, 8), die.uniform(0, 1.2), die.randint(22, 90)
    gain = die.uniform(0, 0.03)
    exposures = 1 if die.random() < 0.3 else die.randint(2, 3)
    frames, rng = [], np.random.default_rng(seed)
    warm = die.randint(20, 40)
    for chain in chains:
        for _ in range(warm):
            chain.step(1 / 120)
    for k in range(count):
        at_s = k / fps
        dx = speed * (math.sin(6.28 * 9 * at_s + drift[0]) + 0.6 * math.sin(6.28 * 17 * at_s + drift[1]))
        dy = speed * (math.sin(6.28 * 11 * at_s + drift[2]) + 0.6 * math.sin(6.28 * 23 * at_s + drift[3]))
        picture = ImageChops.offset(base, round(dx), round(dy))
        sums = np.zeros((height, width), np.float32)
        for _ in range(exposures):
            layer = Image.new("L", (2 * width, 2 * height), 0)
            pen = ImageDraw.Draw(layer)
            for chain, at, state in zip(chains, named, states):
                chain.step(1 / fps / exposures)
                if state is not N:
                    line = [_seen(to_picture, aspect, up, at, point, (dx, dy)) for point in chain.points()]
                    wide = max(
                        1, round(2 * weight * _reach(to_picture, aspect, at) / _reach(to_picture, aspect, (0.5, 0.5)))
                    )
                    pen.line([(2 * x, 2 * y) for x, y in line], fill=255, width=wide, joint="curve")
            sums += np.asarray(layer.resize((width, height), Image.Resampling.BOX), np.float32)
        cover = sums / exposures / 255
        if shadow:
            cast = np.roll(
                np.asarray(
                    Image.fromarray((cover * 255).astype(np.uint8)).filter(ImageFilter.GaussianBlur(1.5)), np.float32
                )
                / 255,
                (2, 1),
                (0, 1),
            )
            picture = Image.fromarray((np.asarray(picture, np.float32) * (1 - shadow * cast)).astype(np.uint8))
        values = np.asarray(picture, np.float32)
        values = values * (1 - cover) + ink * cover
        if soft > 0.3:
            values = np.asarray(
                Image.fromarray(values.clip(0, 255).astype(np.uint8)).filter(ImageFilter.GaussianBlur(soft)), np.float32
            )
        values = values * (1 + gain * rng.standard_normal()) + grainy * rng.standard_normal(values.shape).astype(
            np.float32
        )
        held = BytesIO()
        Image.fromarray(values.clip(0, 255).astype(np.uint8)).save(held, "JPEG", quality=squeeze)
        frames.append(np.asarray(Image.open(held)))
    error = rng.normal(0, grid_error_px / 2, (4, 2)) + (rng.random() < 0.5) * grid_error_px * _round(
        rng.uniform(0, 6.28)
    )
    placed = np.array(corners) + error
    grid = Grid(
        camera="wing",
        corners=tuple((x / width, y / height) for x, y in placed.tolist()),
        span_pct=tuple(span_pct),
        chord_pct=tuple(chord_pct),
    )
    roots = np.array([_seen(to_picture, aspect, up, at, (0, 0, 0), (0, 0)) for at in named])
    return np.stack(frames), grid, list(states), roots


class _Chain:
    """A yarn: headings of its links [rad, 0 is aft], each following the one before; the first follows the flow."""

    def __init__(self, die: random.Random, state, length: float):
        self.state, self.length, self.die = state, length, die
        self.rates = [die.uniform(2, 7), die.uniform(5, 14)]
        self.phases = [die.uniform(0, 6.28) for _ in range(2)]
        self.at_s = die.uniform(0, 10)
        self.mean = {A: die.gauss(0, 0.1), U: die.gauss(0, 0.15), R: math.pi + die.gauss(0, 0.35)}.get(
            state, die.uniform(-3, 3)
        )
        self.size = {A: die.uniform(0.01, 0.12), U: die.uniform(0.32, 0.7), R: die.uniform(0.05, 0.5)}.get(state, 0.9)
        self.gust = 0.0
        self.raised = die.uniform(0, 0.2)
        self.heads = [self.mean] * LINKS
        self.lags = die.uniform(0.002, 0.012)

    def step(self, by_s: float) -> None:
        """A little later."""
        self.at_s += by_s
        self.gust += -self.gust * min(1, by_s * 18) + self.die.gauss(0, 1) * math.sqrt(by_s * 18)
        waves = sum(math.sin(6.28 * r * self.at_s + p) for r, p in zip(self.rates, self.phases))
        flow = self.mean + self.size * (0.75 * waves + 0.45 * self.gust)
        if self.state is S:
            self.mean += self.die.gauss(0, 1) * math.sqrt(by_s) * 8
            self.raised = min(1.2, max(0.0, self.raised + self.die.gauss(0, 1) * math.sqrt(by_s) * 4))
        elif self.state is U:
            flow = max(-1.45, min(1.45, flow))
            self.raised = 0.25 * abs(self.gust)
        elif self.state is R:
            flow = max(math.pi - 1.45, min(math.pi + 1.45, flow))
            self.raised = 0.3 * abs(self.gust)
        follow = flow
        for k in range(LINKS):
            turn = (follow - self.heads[k] + math.pi) % (2 * math.pi) - math.pi
            self.heads[k] += turn * min(1.0, by_s / self.lags)
            follow = self.heads[k]

    def points(self):
        """Along the yarn: (span, chord, height), in chords."""
        x = y = z = 0.0
        found = [(x, y, z)]
        for k, head in enumerate(self.heads):
            up = min(1.3, self.raised * (0.6 + 0.1 * k))
            x, y, z = (
                x + math.sin(head) * math.cos(up) * self.length / LINKS,
                y + math.cos(head) * math.cos(up) * self.length / LINKS,
                z + math.sin(up) * self.length / LINKS,
            )
            found.append((x, y, z))
        return found


def _states(die: random.Random, columns: int, rows: int):
    if die.random() < 0.3:
        return [die.choices(STATES, (24, 24, 24, 18, 10))[0] for _ in range(columns * rows)]
    reach, tilt = die.uniform(-0.5, 1.6), die.uniform(-0.8, 0.8)
    made = []
    for c in range(columns):
        for r in range(rows):
            gone = reach + tilt * (c / columns - 0.5) - (1 - (r + 0.5) / rows) + die.gauss(0, 0.1)
            made.append(N if die.random() < 0.05 else A if gone < 0 else U if gone < 0.25 else S if gone < 0.55 else R)
    return made


def _corners(die: random.Random, width: int, height: int):
    """A quadrilateral that a wing may fill: one side far and short, or nearly frontal; turned and mirrored at will."""
    squash = 1 / die.uniform(1.0, 7.5)  # of its height to its length
    taper = die.uniform(0.25, 1.0)
    long = die.uniform(0.6, 0.92) * width
    tall = max(0.12 * height, min(0.8 * height, long * squash))
    skew = die.uniform(-0.5, 0.5) * tall
    quad = [
        (-long / 2, -tall / 2),
        (long / 2, -tall / 2 * taper + skew),
        (long / 2, tall / 2 * taper + skew),
        (-long / 2, tall / 2),
    ]
    if die.random() < 0.5:  # the far side is the other one
        quad = [(-x, y) for x, y in quad]
    if die.random() < 0.4:  # the chord lies along the picture
        quad = [quad[3], quad[0], quad[1], quad[2]]
    if die.random() < 0.3:
        quad = [(x, -y) for x, y in quad]
    turn = die.gauss(0, 0.12)
    middle = (width / 2 + die.uniform(-0.04, 0.04) * width, height / 2 + die.uniform(-0.06, 0.06) * height)
    return [
        (middle[0] + x * math.cos(turn) - y * math.sin(turn), middle[1] + x * math.sin(turn) + y * math.cos(turn))
        for x, y in quad
    ]


def _solve(source, target):
    """The projective map of four points onto four others, as eight numbers."""
    rows, values = [], []
    for (a, b), (x, y) in zip(source, target):
        rows += [[a, b, 1, 0, 0, 0, -a * x, -b * x], [0, 0, 0, a, b, 1, -a * y, -b * y]]
        values += [x, y]
    return np.linalg.solve(np.array(rows, float), np.array(values, float))


def _back(corners, wide: int, high: int):
    """Pillow asks for the map from the result to the source."""
    return tuple(_solve(corners, [(0, 0), (wide, 0), (wide, high), (0, high)]).tolist())


def _at(m, u: float, v: float):
    w = m[6] * u + m[7] * v + 1
    return (m[0] * u + m[1] * v + m[2]) / w, (m[3] * u + m[4] * v + m[5]) / w


def _seen(m, aspect: float, up, at, point, moved):
    x, y = _at(m, at[0] + point[0] / aspect, at[1] + point[1])
    scale = _reach(m, aspect, at)
    return x + moved[0] + up[0] * point[2] * scale, y + moved[1] + up[1] * point[2] * scale


def _reach(m, aspect: float, at) -> float:
    """Pixels a chord, the longer way."""
    x, y = _at(m, *at)
    a, b = _at(m, at[0] + 0.01 / aspect, at[1]), _at(m, at[0], at[1] + 0.01)
    return 100 * max(math.hypot(a[0] - x, a[1] - y), math.hypot(b[0] - x, b[1] - y))


def _up(die: random.Random, corners):
    """Which way off the surface is in the picture, for one unit of height: mostly up, more so when seen flat."""
    xs, ys = zip(*corners)
    flat = min(1.0, (max(ys) - min(ys)) / (max(xs) - min(xs)))
    return die.uniform(-0.2, 0.2), -(1 - flat) * die.uniform(0.4, 0.95)


def _grown(corner, corners):
    x, y = sum(c[0] for c in corners) / 4, sum(c[1] for c in corners) / 4
    return x + 1.15 * (corner[0] - x), y + 1.15 * (corner[1] - y)


def _round(angle: float):
    return np.array([math.cos(angle), math.sin(angle)])


def _sheet(die: random.Random, level: float) -> Image.Image:
    sheet = Image.new("L", (512, 512), int(level))
    pen = ImageDraw.Draw(sheet)
    for _ in range(die.randint(2, 6)):
        at, tone = die.randint(0, 511), int(max(0, level - die.uniform(-10, 30)))
        pen.line((at, 0, at, 511) if die.random() < 0.5 else (0, at, 511, at), fill=tone, width=die.randint(1, 3))
    for _ in range(die.randint(0, 3)):
        at = die.randint(0, 511)
        for x in range(0, 512, die.randint(10, 22)):
            pen.ellipse((x - 1, at - 1, x + 1, at + 1), fill=int(max(0, level - 25)))
    if die.random() < 0.35:  # a painted stripe or a registration-like block
        a, b = sorted(die.sample(range(512), 2))
        pen.rectangle((a, 0, min(b, a + 140), 511), fill=int(max(10, min(245, level + die.uniform(-45, 45)))))
    for _ in range(die.randint(0, 60)):
        x, y = die.randint(0, 511), die.randint(0, 511)
        pen.ellipse((x, y, x + 2, y + 2), fill=int(max(0, level - die.uniform(5, 35))))
    return sheet


def _lit(die: random.Random, base: Image.Image, width: int, height: int) -> Image.Image:
    values = np.asarray(base, np.float32)
    x, y = np.meshgrid(np.linspace(-1, 1, width), np.linspace(-1, 1, height))
    values = values * (1 + die.uniform(0, 0.35) * (x * math.cos(turn := die.uniform(0, 6.28)) + y * math.sin(turn)))
    if die.random() < 0.35:
        band = np.abs(x * math.cos(turn + 1) + y * math.sin(turn + 1) - die.uniform(-0.8, 0.8)) < die.uniform(0.03, 0.3)
        values = values * (1 - die.uniform(0.15, 0.6) * band)
    lit = Image.fromarray(values.clip(0, 255).astype(np.uint8))
    for _ in range(die.choice((0, 0, 0, 1, 2))):  # glare
        spot = Image.new("L", (width, height), 0)
        cx, cy, r = die.uniform(0, width), die.uniform(0, height), die.uniform(15, 80)
        ImageDraw.Draw(spot).ellipse((cx - 2 * r, cy - r, cx + 2 * r, cy + r), fill=int(die.uniform(60, 220)))
        lit = ImageChops.add(lit, spot.filter(ImageFilter.GaussianBlur(r / 2)))
    if die.random() < 0.2:  # drops: small blurred windows
        for _ in range(die.randint(3, 20)):
            x0, y0, r = die.randint(0, width - 40), die.randint(0, height - 40), die.randint(6, 20)
            part = lit.crop((x0, y0, x0 + 2 * r, y0 + 2 * r)).transpose(Image.Transpose.ROTATE_180)
            hole = Image.new("L", part.size, 0)
            ImageDraw.Draw(hole).ellipse((1, 1, 2 * r - 2, 2 * r - 2), fill=200)
            lit.paste(part.filter(ImageFilter.GaussianBlur(2)), (x0, y0), hole)
    return lit

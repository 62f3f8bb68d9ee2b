"""Training sound made on the GPU: many people, rooms, microphones, intercoms and engines out of few clips.

Everything is batched; all clips lie in one int16 tensor on the device. `Augment.batch` places clips in
sequences, varies the speaker (vocal-tract length, tilt, effort, tempo), the room and channel, adds made and
recorded noise or other voices, passes it through what headsets and recorders do (gain control, gates,
clipping, coarse quantisation, dropouts), and returns features as the run-time front end defines them
(`logger_app.hear.features`; ``tests/unit/acoustic`` compares the numbers). The noise generator is
not the one that tests use. Main names: `Augment`, `log_mel`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import torch
import torch.nn.functional as F

RATE, HOP, WINDOW, NFFT, BANDS = 16000, 160, 400, 512, 40
LOW_HZ, HIGH_HZ = 100.0, 6800.0
FLOOR = 1e-4
TAU_FRAMES = 200.0  # running mean: 2 s
WARPS = 160  # mel matrices to draw from
TWO_PI = 2 * math.pi


def warped_mel(scale: float = 1.0, bend: float = 0.0) -> np.ndarray:
    """Mel weights (257, 40) with band edges moved as another vocal tract would move the formants.

    `scale` multiplies all edges, `bend` adds a stretch that grows with log frequency around 1 kHz; (1, 0)
    is the run-time definition.
    """
    top = 2595 * np.log10(1 + np.array([LOW_HZ, HIGH_HZ]) / 700)
    edges = 700 * (10 ** (np.linspace(top[0], top[1], BANDS + 2) / 2595) - 1)
    edges = edges * scale * (edges / 1000) ** bend
    hz = np.arange(NFFT // 2 + 1) * RATE / NFFT
    rise = (hz[:, None] - edges[:-2]) / (edges[1:-1] - edges[:-2])
    fall = (edges[2:] - hz[:, None]) / (edges[2:] - edges[1:-1])
    weights = np.maximum(0, np.minimum(rise, fall))
    return (weights / np.maximum(weights.sum(0, keepdims=True), 1e-3)).astype(np.float32)


def running_mean_matrix(frames: int, device) -> torch.Tensor:
    """(T, T): row t holds the weights of the causal, bias-corrected exponential mean at frame t."""
    t = torch.arange(frames, device=device)
    lag = (t[:, None] - t[None]).float()
    weights = torch.where(lag >= 0, torch.exp(-lag.clamp(min=0) / TAU_FRAMES), 0.0)
    return weights / weights.sum(1, keepdim=True)


def log_mel(sound: torch.Tensor, mel: torch.Tensor) -> torch.Tensor:
    """Log-mel frames (B, T, 40) of sound (B, samples); `mel` is (257, 40) or one matrix each (B, 257, 40)."""
    window = torch.hann_window(WINDOW, periodic=True, device=sound.device)
    frames = F.pad(sound, (0, WINDOW - HOP)).unfold(1, WINDOW, HOP) * window
    spectrum = torch.fft.rfft(frames, n=NFFT)
    return torch.log(torch.matmul(spectrum.real**2 + spectrum.imag**2, mel) + FLOOR)


@dataclass
class Placement:
    """Where clips go: one entry a clip (start, length in samples; speed; gain; sequence; delay; level; talk: 1, call: 0, either: -1).

    The first `onset` samples of a clip are weakened by `onset_db`.
    """

    start: np.ndarray
    length: np.ndarray
    speed: np.ndarray
    gain: np.ndarray
    sequence: np.ndarray
    delay: np.ndarray
    level: np.ndarray
    talk: np.ndarray
    onset: np.ndarray
    onset_db: np.ndarray


class Augment:
    """Batches of augmented features from `sound` (all clips, int16) and `noise` (recorded, int16)."""

    def __init__(self, sound: torch.Tensor, noise: torch.Tensor | None, seed: int = 0):
        self.sound, self.noise, self.device = sound, noise, sound.device
        rng = np.random.default_rng(seed)
        bank = [warped_mel()] + [
            warped_mel(np.exp(rng.uniform(-0.17, 0.17)), rng.uniform(-0.05, 0.05)) for _ in range(WARPS - 1)
        ]
        self.mel = torch.tensor(np.stack(bank), device=self.device)
        self._means: dict[int, torch.Tensor] = {}

    # ---- random helpers: uniform and normal tensors, chances, slow curves, random spectra

    def _u(self, low, high, *shape):
        return low + (high - low) * torch.rand(*shape, device=self.device)

    def _n(self, *shape):
        return torch.randn(*shape, device=self.device)

    def _chance(self, p: float, batch: int):
        return torch.rand(batch, 1, device=self.device) < p

    def _slow(self, batch: int, length: int, knots_per_s: float):
        """A smooth random curve (B, L), standard normal at its knots."""
        knots = max(4, int(length / RATE * knots_per_s) + 2)
        return F.interpolate(self._n(batch, 1, knots), size=length, mode="linear", align_corners=True)[:, 0]

    def _spectrum(self, batch: int, bins: int, slope=(-2.2, 0.2), dev_db=10.0, knots=9):
        """A random smooth amplitude response (B, bins); slope in powers of frequency, bumps in dB."""
        hz = torch.linspace(0, RATE / 2, bins, device=self.device).clamp(min=20)
        place = torch.log2(hz / 20) / math.log2(RATE / 40) * 255
        bumps = F.interpolate(
            self._n(batch, 1, knots) * dev_db / 20 * math.log(10), size=256, mode="linear", align_corners=True
        )[:, 0]
        low = place.long().clamp(max=254)
        curve = bumps[:, low] * (1 - (place - low)) + bumps[:, low + 1] * (place - low)
        return torch.exp(curve + self._u(*slope, batch, 1) / 2 * torch.log(hz / 1000)[None])

    def _envelope(self, sound: torch.Tensor, width: int):
        """Root-mean-square envelope over about `width` samples, at the sample rate."""
        step = max(1, width // 2)
        power = F.avg_pool1d(F.pad(sound[:, None] ** 2, (width // 2, width // 2)), width, step)
        return (
            F.interpolate(power, size=sound.shape[1], mode="linear", align_corners=False)[:, 0].clamp(min=1e-10).sqrt()
        )

    # ---- the stages

    def place(self, batch: int, length: int, p: Placement) -> tuple[torch.Tensor, torch.Tensor]:
        """Clean sequences (B, L), each clip resampled by its speed and put in its place; what each 20 ms frame is part of (B, L/320)."""
        dev = self.device
        start, delay, seq = (torch.as_tensor(a, device=dev) for a in (p.start, p.delay, p.sequence))
        speed, gain = (torch.as_tensor(a, dtype=torch.float32, device=dev) for a in (p.speed, p.gain / p.level))
        count = torch.minimum(
            ((torch.as_tensor(p.length, device=dev) - 2).float() / speed).long(), length - delay
        ).clamp(min=0)
        total = int(count.sum().item())
        which = torch.repeat_interleave(torch.arange(len(count), device=dev), count, output_size=total)
        t = torch.arange(total, device=dev) - (torch.cumsum(count, 0) - count)[which]
        place = t.float() * speed[which]
        whole = place.long()
        at = (start[which] + whole).clamp_(max=len(self.sound) - 2)
        frac = place - whole
        value = self.sound[at].float() * (1 - frac) + self.sound[at + 1].float() * frac
        # 3 ms fades: a clip cut inside a word must not click.
        fade = torch.minimum(t, count[which] - 1 - t).float().div_(48).clamp_(max=1)
        onset, weak = (torch.as_tensor(a, dtype=torch.float32, device=dev) for a in (p.onset, 10 ** (-p.onset_db / 20)))
        # 16 ms from weakened to full.
        risen = ((t.float() - onset[which]) / 256 + 0.5).clamp_(0, 1)
        fade *= weak[which] + (1 - weak[which]) * risen
        out = torch.zeros(batch * length, device=dev)
        out.index_add_(0, seq[which] * length + delay[which] + t, value * fade * gain[which] / 32768)
        frames = length // 320
        seen = torch.nonzero(t % 160 == 0)[:, 0]
        at = ((delay[which[seen]] + t[seen]) // 320).clamp_(max=frames - 1)
        talk = torch.full((batch * frames,), -1.0, device=dev)
        talk[seq[which[seen]] * frames + at] = torch.as_tensor(p.talk, dtype=torch.float32, device=dev)[which[seen]]
        return out.view(batch, length), talk.view(batch, frames)

    def activity(self, clean: torch.Tensor) -> torch.Tensor:
        """1 where the clean sound speaks, per 20 ms frame, gaps under 120 ms closed."""
        level = (clean[:, : clean.shape[1] // 320 * 320].view(len(clean), -1, 320) ** 2).mean(2).sqrt()
        on = (level > 0.07).float()[:, None]
        on = F.max_pool1d(F.pad(on, (3, 3)), 7, 1)
        return (-F.max_pool1d(-F.pad(on, (3, 3), value=1.0), 7, 1))[:, 0]

    def made_noise(self, batch: int, length: int) -> torch.Tensor:
        """Wind, boundary layer, engine and propeller harmonics, clicks, horns: unit power, every sequence another."""
        bins, dev = length // 2 + 1, self.device

        def unit(x):
            return x / (x.std(1, keepdim=True) + 1e-9)

        def coloured(**kind):
            return torch.fft.irfft(
                torch.fft.rfft(self._n(batch, length)) * self._spectrum(batch, bins, **kind), n=length
            )

        wind = unit(coloured()) * (
            1 + self._u(0, 0.5, batch, 1) * self._slow(batch, length, self._u(1, 14, 1).item())
        ).clamp(min=0.05)
        gusts = unit(coloured(slope=(-4, -1.5), dev_db=4.0)) * torch.sigmoid(
            3 * self._slow(batch, length, self._u(0.5, 8, 1).item()) + self._u(-4, 3, batch, 1)
        )
        f0 = torch.exp(self._u(math.log(18), math.log(260), batch, 1)) * (
            1 + 0.03 * self._slow(batch, length, 1.0) + self._u(0, 0.02, batch, 1) * self._slow(batch, length, 30.0)
        )
        phase = TWO_PI * torch.cumsum(f0, 1) / RATE
        engine = torch.zeros(batch, length, device=dev)
        decay, odd = self._u(0.2, 1.6, batch, 1), self._u(0, 1, batch, 1)
        for i in range(1, 29):
            engine += (
                torch.exp(0.6 * self._n(batch, 1))
                * (odd if i % 2 else 1)
                / i**decay
                * torch.cos(i * phase + self._u(0, TWO_PI, batch, 1))
            )
        engine = unit(engine * (1 + self._u(0, 0.6, batch, 1) * torch.cos(phase * self._u(0.05, 0.5, batch, 1))))
        mix = torch.rand(batch, 3, 1, device=dev) ** 1.5 * (
            torch.rand(batch, 3, 1, device=dev) < torch.tensor([0.9, 0.5, 0.6], device=dev)[None, :, None]
        )
        out = mix[:, 0] * unit(wind) + mix[:, 1] * gusts + mix[:, 2] * engine
        hits = (
            (torch.rand(batch, length, device=dev) < self._u(0, 1, batch, 1) ** 3 * 3 / RATE).float()
            * self._n(batch, length)
            * self._u(2, 25, batch, 1)
            * self._chance(0.3, batch)
        )
        ring = torch.exp(-torch.arange(200, device=dev) / self._u(5, 60, 1)) * self._n(200)
        out = (
            out
            + 0.3
            * torch.fft.irfft(
                torch.fft.rfft(hits, n=length + 256) * torch.fft.rfft(ring, n=length + 256)[None], n=length + 256
            )[:, :length]
        )
        seconds = torch.arange(length, device=dev)[None] / RATE
        period = self._u(0.1, 1.2, batch, 1)
        gate = ((seconds / period + self._u(0, 1, batch, 1)) % 1 < self._u(0.2, 1.1, batch, 1)).float()
        gate = gate * ((seconds > self._u(0, length / RATE, batch, 1)) | self._chance(0.5, batch))
        pitch = torch.exp(self._u(math.log(250), math.log(3200), batch, 1))
        horn = sum(
            self._u(0, 1, batch, 1) / i * torch.sin(TWO_PI * pitch * i * seconds + self._u(0, 6, batch, 1))
            for i in (1, 2, 3, 5)
        )
        out = out + horn * gate * self._u(0.05, 1.2, batch, 1) * self._chance(0.15, batch)
        return unit(out + 0.02 * self._n(batch, length))

    def _channel(self, batch: int, bins: int):
        """Microphone and radio band: low cut 60-420 Hz, high cut 2.6-8 kHz (mostly telephone or headset), bumps."""
        hz = torch.linspace(0, RATE / 2, bins, device=self.device)[None]
        low = self._u(60, 420, batch, 1)
        high = torch.where(self._chance(0.65, batch), self._u(2600, 4200, batch, 1), self._u(4200, 8000, batch, 1))
        low_order, high_order = (
            torch.randint(a, b, (batch, 1), device=self.device).float() for a, b in ((1, 9), (2, 12))
        )
        gain = (
            1
            / torch.sqrt(1 + (low / hz.clamp(min=1)) ** (2 * low_order))
            / torch.sqrt(1 + (hz / high) ** (2 * high_order))
        )
        return gain * self._spectrum(batch, bins, slope=(-0.6, 1.2), dev_db=3.5, knots=7)

    def _noise(self, clean, batch: int, length: int):
        """Made, recorded or mixed noise, at times with other people's voices; and which sequences are babble only."""
        out = self.made_noise(batch, length)
        if self.noise is not None:
            at = torch.randint(0, len(self.noise) - length - 1, (batch, 1), device=self.device)
            recorded = self.noise[at + torch.arange(length, device=self.device)[None]].float()
            recorded = recorded / (recorded.std(1, keepdim=True) + 1e-3)
            kind = torch.rand(batch, 1, device=self.device)
            out = torch.where(kind < 0.35, recorded, torch.where(kind < 0.5, 0.7 * out + 0.7 * recorded, out))
        people = sum(
            torch.roll(clean, int(j), 0).roll(int(torch.randint(0, length, (1,))), 1)
            for j in torch.randint(1, batch, (5,))
        )
        people = people / (people.std(1, keepdim=True) + 1e-3)
        kind = torch.rand(batch, 1, device=self.device)
        return torch.where(kind < 0.06, people, torch.where(kind < 0.14, out + 0.6 * people, out)), kind < 0.06

    def _fricatives(self, clean, batch: int, length: int):
        """Fricatives and bursts up to 18 dB weaker or 12 dB stronger, apart from the vowels, in half of the sequences.

        People differ in this far more than made voices do. What is fricative is told by more level over 2 kHz than under 900 Hz.
        """
        spectrum = torch.fft.rfft(clean)
        hz = torch.linspace(0, RATE / 2, length // 2 + 1, device=self.device)[None]
        low = torch.fft.irfft(spectrum / (1 + (hz / 900) ** 8), n=length)
        high = torch.fft.irfft(spectrum / (1 + (2000 / hz.clamp(min=1)) ** 8), n=length)
        ratio = torch.log(self._envelope(high, 320) / self._envelope(low, 320))
        level_db = self._u(-18, 12, batch, 1) + 4 * self._slow(batch, length, 3.0)
        level_db = torch.where(self._chance(0.5, batch), level_db, torch.zeros_like(level_db))
        return clean * torch.exp(level_db * (math.log(10) / 20) * torch.sigmoid(2.5 * ratio))

    def hiss(self, batch: int, length: int) -> torch.Tensor:
        """Bursts of high-passed noise like an S, 40 to 350 ms long, in a fifth of the sequences; in units of the voice's level."""
        seconds = torch.arange(length, device=self.device)[None] / RATE
        period, place = self._u(0.5, 2.5, batch, 1), self._u(0, 2.5, batch, 1)
        on = ((seconds + place) % period) < self._u(0.04, 0.35, batch, 1)
        gate = F.avg_pool1d(on.float()[:, None], 481, 1, 240)[:, 0]
        hz = torch.linspace(0, RATE / 2, length // 2 + 1, device=self.device)[None]
        shape = 1 / torch.sqrt(1 + (self._u(1200, 4500, batch, 1) / hz.clamp(min=1)) ** 6)
        noise = torch.fft.irfft(torch.fft.rfft(self._n(batch, length)) * shape, n=length)
        noise = noise / (noise.std(1, keepdim=True) + 1e-9) * 10 ** (self._u(-36, -12, batch, 1) / 20)
        return noise * gate * self._chance(0.2, batch)

    def _speaker(self, clean, batch: int, length: int):
        """Effort and articulation: weaker or stronger consonants, spectral tilt; then the room and the channel's spectrum."""
        clean = self._fricatives(clean, batch, length)
        envelope = self._envelope(clean, 480)
        power = torch.where(
            self._chance(0.4, batch), self._u(-0.35, 0.45, batch, 1), torch.zeros(batch, 1, device=self.device)
        )
        clean = clean * (envelope / envelope.amax(1, keepdim=True).clamp(min=1e-3)).clamp(min=0.03) ** power
        bins = length // 2 + 1
        spectrum = torch.fft.rfft(clean) * self._spectrum(batch, bins, slope=(-1.4, 1.8), dev_db=3.0, knots=8)
        decay = torch.exp(self._u(math.log(0.03), math.log(0.35), batch, 1))
        t = torch.arange(8000, device=self.device)[None] / RATE
        room = self._n(batch, 8000) * torch.exp(-6.9 * t / decay) * (t > 0.001)
        room = (
            room
            / (room.pow(2).sum(1, keepdim=True).sqrt() + 1e-6)
            * self._u(0.1, 0.9, batch, 1)
            * self._chance(0.35, batch)
        )
        room[:, 0] = 1
        return spectrum * torch.fft.rfft(room, n=length)

    def _equipment(self, sound, on, batch: int, length: int):
        """What lies between microphone and file: gain control, voice gate, clipping, companding, steps, dropouts."""
        dev = self.device
        alpha = torch.where(self._chance(0.2, batch), self._u(0.2, 0.8, batch, 1), torch.zeros(batch, 1, device=dev))
        sound = sound / self._envelope(sound, int(RATE * self._u(0.06, 0.5, 1).item())).clamp(min=1e-3) ** alpha
        # A voice-operated gate: opens late by up to 60 ms, closes 150 to 600 ms after the voice; leaks a little.
        hold = int(self._u(7, 30, 1).item())
        late = int(self._u(0, 4, 1).item())
        opened = F.max_pool1d(F.pad(on[:, None], (hold - late, 0)), hold, 1)[:, 0]
        opened = F.pad(opened, (late, 0))[:, : on.shape[1]]
        gate = F.interpolate(opened[:, None], size=length, mode="linear", align_corners=False)[:, 0]
        leak = self._u(0.003, 0.3, batch, 1)
        sound = torch.where(self._chance(0.08, batch), sound * (leak + (1 - leak) * gate), sound)
        kind, limit = torch.rand(batch, 1, device=dev), self._u(1.0, 5, batch, 1)
        sound = torch.where(
            kind < 0.08, sound.clamp(-limit, limit), torch.where(kind < 0.2, torch.tanh(sound / limit) * limit, sound)
        )
        sound = sound * 10 ** self._u(-2.6, -0.4, batch, 1)
        sound = sound + self._n(batch, length) * 10 ** self._u(-5, -3.3, batch, 1)
        mu = 255.0  # ITU-T G.711 mu-law, continuous form, 8 bits
        peak = sound.abs().amax(1, keepdim=True) + 1e-6
        packed = torch.sign(sound) * torch.log1p(mu * sound.abs() / peak) / math.log1p(mu)
        packed = torch.round(packed * 127) / 127
        opened_up = torch.sign(packed) * ((1 + mu) ** packed.abs() - 1) / mu * peak
        sound = torch.where(self._chance(0.08, batch), opened_up, sound)
        step = torch.where(
            self._chance(0.08, batch),
            torch.full((batch, 1), 1 / 512.0, device=dev),
            torch.full((batch, 1), 1 / 32768.0, device=dev),
        )
        sound = torch.round(sound / step) * step
        lost = (torch.rand(batch, length // 480, device=dev) < 0.01).float() * self._chance(0.05, batch)
        return sound * (1 - F.interpolate(lost[:, None], size=length, mode="nearest")[:, 0])

    def batch(self, batch: int, length: int, placement: Placement, snr_db=(-5.0, 28.0)):
        """Features (B, T, 40), targets of activity and of talk (B, T/2; talk -1: do not care) and the drawn SNR [dB] (B, 1)."""
        clean, talk = self.place(batch, length, placement)
        on = self.activity(clean)
        spectrum = self._speaker(clean, batch, length)
        bins = length // 2 + 1
        channel = self._channel(batch, bins)
        voice = torch.fft.irfft(spectrum * channel, n=length)
        noise, babble = self._noise(clean, batch, length)
        tint = torch.where(
            self._chance(0.3, batch),
            self._spectrum(batch, bins, slope=(-0.5, 0.5), dev_db=4.0),
            torch.ones(batch, bins, device=self.device),
        )
        noise = torch.fft.irfft(torch.fft.rfft(noise) * channel * tint, n=length)
        active = F.interpolate(on[:, None], size=length, mode="nearest")[:, 0]
        level = ((voice**2 * active).sum(1) / active.sum(1).clamp(min=1)).sqrt()[:, None]
        level = torch.where(active.sum(1, keepdim=True) > 0, level, torch.ones_like(level)) + 1e-6
        snr = torch.where(self._chance(0.88, batch), self._u(*snr_db, batch, 1), self._u(30, 60, batch, 1))
        snr = torch.where(babble, snr.clamp(min=8), snr)
        swell = 1 + 0.25 * self._slow(batch, length, 0.5).clamp(-2, 2)
        noise = noise / (noise.std(1, keepdim=True) + 1e-9) * level * 10 ** (-snr / 20) * swell
        sound = self._equipment((voice + noise) / level + self.hiss(batch, length), on, batch, length)
        return *self.features(sound, on, talk), snr

    def features(self, sound, on, talk, vary: bool = True):
        """Run-time features of `sound`, with another vocal tract and tempo where `vary`; activity and talk at the same times."""
        batch = len(sound)
        if not vary:
            return self.normalise(log_mel(sound, self.mel[0])), on, talk
        which = torch.where(
            torch.rand(batch, device=self.device) < 0.75, torch.randint(0, WARPS, (batch,), device=self.device), 0
        )
        frames = log_mel(sound, self.mel[which])
        frames, on, talk = self._tempo(frames, on, talk)
        return self.normalise(frames), on, talk

    def _tempo(self, frames, on, talk):
        """Time bent smoothly by up to a third in 45 % of the sequences; pitch and formants stay."""
        batch, count = frames.shape[:2]
        rate = torch.exp(
            0.2 * F.interpolate(self._n(batch, 1, 7), size=count, mode="linear", align_corners=True)[:, 0]
        ).clamp(0.66, 1.5)
        place = torch.cumsum(rate, 1)
        place = (place - place[:, :1]) / (place[:, -1:] - place[:, :1]) * (count - 1)
        straight = torch.arange(count, device=self.device)[None].float().expand(batch, count)
        place = torch.where(self._chance(0.45, batch), place, straight)
        low = place.long().clamp(max=count - 2)
        part = (place - low)[..., None]
        index = low[..., None].expand(-1, -1, BANDS)
        bent = torch.gather(frames, 1, index) * (1 - part) + torch.gather(frames, 1, index + 1) * part
        half = (place[:, ::2] / 2).round().long().clamp(max=on.shape[1] - 1)
        return bent, torch.gather(on, 1, half), torch.gather(talk, 1, half)

    def normalise(self, frames):
        """Log-mel minus its causal running mean, over three."""
        count = frames.shape[1]
        if count not in self._means:
            self._means[count] = running_mean_matrix(count, self.device)
        return (frames - torch.matmul(self._means[count], frames)) / 3

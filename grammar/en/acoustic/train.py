"""Train the callout network on one or more GPUs for a given time.

``torchrun --nproc_per_node=2 -m grammar.en.acoustic.train OUT PREPARED [MORE] --seconds 560`` with the folder that
`grammar.en.acoustic.data` prepared, and what `synth_neural` said. ``--first NET.npz`` starts from exported weights (the net may be deeper),
``--resume`` from this program's own state; ``--of`` is the length of the whole schedule when it takes several
calls. Writes ``OUT/checkpoint.npz`` (moving average of the weights, for `export`). Needs torch and soundfile.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import queue
import tempfile
import threading
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
import torch
import torch.distributed as dist
import torch.nn.functional as F
from torch import nn

from . import texts
from .augment import BANDS, RATE, Augment, Placement
from .data import PHONE_ID
from .decide import Decisions, decision_loss, decisions
from .model import RIGHT_CONTEXT, CalloutNet, from_folded

# How often each kind of speech is drawn, in the short sequences and (sentences) in the long ones.
WEIGHTS = {
    "gsc": 1.3,
    "fsdd": 1.6,
    "digits": 1.3,
    "an4": 0.5,
    "span": 1.1,
    "tens": 0.35,
    "libri": 0.3,
    "negw": 0.15,
    "kokoro": 2.6,
    "hibari": 1.5,
    "made": 1.3,
    "accent": 0.5,
}
WORD_GROUPS = ("gsc", "fsdd", "digits")  # single words: strung together
DIGITS = {"zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"}
SHORT_S, LONG_S, LONG_SHARE = 6.0, 16.0, 0.10
SILENT_SHARE = 0.04
# Sounds that the beginning of a word may lose: weakened, or cut off with the label kept.
WEAK_BEGINNINGS = frozenset(PHONE_ID[phone] for phone in ("F", "TH", "S", "HH", "T", "P", "K"))
WEAKENED_SHARE, CUT_SHARE = 0.22, 0.12
# One call a sequence, in this many seconds, for the training of decisions.
DECISION_S = 3.2
DECISION_GROUPS = {"digits": 1.5, "fsdd": 0.7, "kokoro": 3.0, "hibari": 1.4, "made": 0.7, "accent": 0.3}
TENS_SHARE = 0.5  # of the decisions, at least: numbers with a tens or teens word
TENS = frozenset(texts.TENS[2:] + texts.TEENS)


def decode(path: str) -> np.ndarray:
    """One sound file as int16 at 16 kHz."""
    if path.endswith(".npy"):
        return np.load(path)
    import soundfile

    samples, rate = soundfile.read(path, dtype="int16")
    if rate != RATE:
        from scipy.signal import resample_poly

        common = math.gcd(rate, RATE)
        samples = np.clip(
            resample_poly(samples.astype(np.float32), RATE // common, rate // common), -32768, 32767
        ).astype(np.int16)
    return samples


class Corpus:
    """All clips as one int16 array, with what is needed to draw sequences from them."""

    def __init__(self, folders: list[Path], workers: int):
        clips, noise = [], []
        for folder in folders:
            manifest = json.loads((folder / "manifest.json").read_text())
            clips += [{**c, "file": str(folder / c["file"])} for c in manifest["clips"]]
            noise += [str(folder / n) for n in manifest["noise"]]
        names = sorted({c["file"] for c in clips})
        with ProcessPoolExecutor(workers) as pool:
            sounds = list(pool.map(decode, names + noise))
        offset, at = {}, 0
        for name, sound in zip(names, sounds, strict=False):
            offset[name] = (at, len(sound))
            at += len(sound)
        self.sound = np.concatenate(sounds[: len(names)])
        noise = [
            np.clip(s / (s.std() + 1.0) * 3000, -32768, 32767).astype(np.int16)
            for s in sounds[len(names) :]
            if len(s) > RATE // 2
        ]
        self.noise = np.concatenate(noise)
        keep = [c for c in clips if c["start"] + c["length"] <= offset[c["file"]][1] + 400]
        self.start = np.array([offset[c["file"]][0] + c["start"] for c in keep])
        self.length = np.array([min(c["length"], offset[c["file"]][1] - c["start"]) for c in keep])
        self.phones = [c["phones"] for c in keep]
        self.text = [c["text"] for c in keep]
        self.talk = np.array([c["talk"] for c in keep], np.float32)
        self.level = np.array([self._level(a, n) for a, n in zip(self.start, self.length, strict=True)], np.float32)
        self._group(keep)

    def _level(self, start: int, length: int) -> float:
        x = np.abs(self.sound[start : start + length : 4].astype(np.float32)) / 32768
        loud = x[x > 0.05 * x.max()]
        return float(np.sqrt(np.mean(loud**2)) + 1e-5) if len(loud) else 1.0

    def _group(self, keep: list[dict]) -> None:
        """`by_group`: clip numbers of each group; `by_speaker`: of each person, for the word groups."""
        self.by_group: dict[str, list[int]] = {}
        self.by_speaker: dict[str, list[list[int]]] = {}
        people: dict[tuple[str, str], list[int]] = {}
        for i, clip in enumerate(keep):
            self.by_group.setdefault(clip["group"], []).append(i)
            if clip["group"] in WORD_GROUPS:
                people.setdefault((clip["group"], clip["speaker"]), []).append(i)
                if clip["group"] == "gsc" and clip["text"] in DIGITS:
                    self.by_group.setdefault("digits", []).append(i)
        for (group, _), mine in people.items():
            self.by_speaker.setdefault(group, []).append(mine)
        # Few people of the one-word set say more than two digits: their digits are strung together across people.
        if "digits" in self.by_group:
            self.by_speaker["digits"] = [self.by_group["digits"]]


class Planner:
    """Draws what each sequence of a batch says: clips, places, speeds, labels."""

    def __init__(self, corpus: Corpus, seed: int):
        self.c, self.rng = corpus, np.random.default_rng(seed)
        limit = (SHORT_S - 0.4) * RATE * 0.85
        self.short = {g: np.array([i for i in ix if corpus.length[i] < limit]) for g, ix in corpus.by_group.items()}
        self.short = {g: ix for g, ix in self.short.items() if len(ix)}
        self.long = {g: np.array([i for i in ix if corpus.length[i] >= 4 * RATE]) for g, ix in corpus.by_group.items()}
        self.long = {g: ix for g, ix in self.long.items() if len(ix) > 20}
        self.names = sorted(self.short)
        weights = np.array([WEIGHTS[g] for g in self.names])
        self.share = weights / weights.sum()
        weights = np.array([WEIGHTS[g] for g in sorted(self.long)])
        self.long_share = weights / weights.sum() if len(weights) else weights
        self.meaning_of: dict[str, int] = {}
        self.single: dict[str, list[int]] = {}
        self.deciding = False
        self.with_tens: dict[str, list[int]] = {}

    def expect(self, meaning_of: dict[str, int]) -> None:
        """What calls mean, by their words: from here on `decision_batch` can be asked."""
        self.meaning_of = meaning_of
        fits = self.c.length < (DECISION_S - 0.3) * RATE
        self.single = {
            group: [i for i in mine if fits[i] and self.c.text[i] in meaning_of]
            for group, mine in self.c.by_group.items()
            if group in DECISION_GROUPS
        }
        self.single = {group: mine for group, mine in self.single.items() if mine}
        self.with_tens = {
            group: [i for i in mine if TENS & set(self.c.text[i].split())] or mine
            for group, mine in self.single.items()
        }

    def decision_batch(self, size: int) -> tuple[int, int, Placement, list[int]]:
        """Sequences of one call each, and what each means."""
        rng, length, rows, meanings = self.rng, int(DECISION_S * RATE), [], []
        groups = sorted(self.single)
        share = np.array([DECISION_GROUPS[g] for g in groups])
        while len(meanings) < size:
            group = groups[rng.choice(len(groups), p=share / share.sum())]
            speed = float(np.exp(rng.uniform(-0.19, 0.19)))
            if group in WORD_GROUPS:
                parts = self._words(group, speed)
            else:
                mine = (self.with_tens if rng.random() < TENS_SHARE else self.single)[group]
                parts = [(int(mine[rng.integers(len(mine))]), 0, 0, speed, 0)]
            meaning = self.meaning_of.get(" ".join(self.c.text[part[0]] for part in parts))
            need = int(sum((self.c.length[i] - a - b) / v + gap for i, a, b, v, gap in parts))
            if meaning is None or need > length - 0.2 * RATE:
                continue
            at = int(rng.uniform(0.08 * RATE, length - need - 0.08 * RATE))
            for clip, cut_start, cut_end, v, gap in parts:
                at = max(0, at + gap)
                at += self._add(rows, [], clip, cut_start, cut_end, v, 1.0, len(meanings), at)
            meanings.append(meaning)
        return size, length, self._placement(rows), meanings

    @staticmethod
    def _placement(rows: list[tuple]) -> Placement:
        kinds = (np.int64, np.int64, *(np.float32,) * 2, np.int64, np.int64, *(np.float32,) * 4)
        return Placement(*(np.array(c, k) for c, k in zip(zip(*rows, strict=True), kinds, strict=True)))

    def batch(self, size: int) -> tuple[int, int, Placement, list[list[int]]]:
        """Sequences, samples in each, clip placement, labels."""
        is_long = len(self.long) > 0 and self.rng.random() < LONG_SHARE
        length = int((LONG_S if is_long else SHORT_S) * RATE)
        count = int(size * SHORT_S / LONG_S) if is_long else size
        rows: list[tuple] = []
        labels: list[list[int]] = []
        for sequence in range(count):
            said: list[int] = []
            if is_long:
                self._long_sequence(sequence, length, rows, said)
            elif self.rng.random() >= SILENT_SHARE:
                self._short_sequence(sequence, length, rows, said)
            labels.append(said)
        return count, length, self._placement(rows), labels

    def _add(self, rows, said, clip, cut_start, cut_end, speed, gain, sequence, at, talk=None) -> int:
        c, rng = self.c, self.rng
        onset = onset_db = 0.0
        if c.phones[clip] and c.phones[clip][0] in WEAK_BEGINNINGS:
            drawn = rng.random()
            if drawn < WEAKENED_SHARE:
                onset, onset_db = rng.uniform(0.02, 0.13) * RATE, rng.uniform(0, 40)
            elif drawn < WEAKENED_SHARE + CUT_SHARE:
                cut_start += min(int(c.length[clip]) // 6, int(rng.uniform(0.02, 0.12) * RATE))
        length = int(c.length[clip] - cut_start - cut_end)
        rows.append(
            (
                c.start[clip] + cut_start,
                length,
                speed,
                gain,
                sequence,
                at,
                c.level[clip],
                c.talk[clip] if talk is None else talk,
                onset,
                onset_db,
            )
        )
        said += c.phones[clip]
        return int(length / speed)

    def _long_sequence(self, sequence, length, rows, said) -> None:
        names = sorted(self.long)
        pool = self.long[names[self.rng.choice(len(names), p=self.long_share)]]
        clip, speed = int(pool[self.rng.integers(len(pool))]), self.rng.uniform(0.88, 1.15)
        if self.c.length[clip] / speed + 1600 < length:
            self._add(rows, said, clip, 0, 0, speed, 10 ** (self.rng.uniform(-3, 3) / 20), sequence, 400)

    def _short_sequence(self, sequence, length, rows, said) -> None:
        rng = self.rng
        at, loud = int(rng.uniform(0.05, 0.8) * RATE), 10 ** (rng.uniform(-3, 3) / 20)
        while True:
            group = self.names[rng.choice(len(self.names), p=self.share)]
            speed = float(np.exp(rng.uniform(-0.19, 0.19)))
            parts = (
                self._words(group, speed)
                if group in WORD_GROUPS
                else [(int(self.short[group][rng.integers(len(self.short[group]))]), 0, 0, speed, 0)]
            )
            need = sum((self.c.length[i] - a - b) / v + gap for i, a, b, v, gap in parts)
            if at + need > length - 0.1 * RATE:
                return
            gain = loud * 10 ** (rng.uniform(-3, 3) / 20)
            # A number strung together with words that are no call is neither.
            mixed = -1.0 if len({self.c.talk[part[0]] for part in parts}) > 1 else None
            for clip, cut_start, cut_end, v, gap in parts:
                at = max(0, at + gap)
                at += self._add(
                    rows,
                    said,
                    clip,
                    cut_start,
                    cut_end,
                    v,
                    gain * 10 ** (rng.uniform(-1.5, 1.5) / 20),
                    sequence,
                    at,
                    mixed,
                )
            at += int((rng.uniform(0.05, 0.3) if rng.random() < 0.3 else rng.uniform(0.3, 1.6)) * RATE)

    def _words(self, group: str, speed: float) -> list[tuple[int, int, int, float, int]]:
        """One person's words as one call: short gaps or overlaps, now and then a cut start or end."""
        rng = self.rng
        people = self.c.by_speaker[group]
        mine = people[rng.integers(len(people))]
        parts = []
        for k in range(rng.choice([1, 2, 2, 2, 3, 3, 4])):
            clip = mine[rng.integers(len(mine))]
            spare = max(0, int(self.c.length[clip]) - 3200)
            cut_start = min(spare // 4, int(rng.uniform(0, 0.05) * RATE)) if rng.random() < 0.3 else 0
            cut_end = min(spare // 4, int(rng.uniform(0, 0.07) * RATE)) if rng.random() < 0.3 else 0
            gap = 0 if k == 0 else int(rng.uniform(-0.08, 0.13) * RATE)
            parts.append((clip, cut_start, cut_end, speed * rng.uniform(0.95, 1.05), gap))
        return parts


def mask_features(x: torch.Tensor) -> torch.Tensor:
    """Two random bands and two random spans set to zero in each sequence (SpecAugment, arXiv:1904.08779)."""
    batch, frames, _ = x.shape
    for _ in range(2):
        band, first, width = (
            torch.arange(BANDS, device=x.device)[None],
            torch.randint(0, BANDS, (batch, 1), device=x.device),
            torch.randint(0, 6, (batch, 1), device=x.device),
        )
        x = x.masked_fill(((band >= first) & (band < first + width))[:, None], 0)
        t, first, width = (
            torch.arange(frames, device=x.device)[None],
            torch.randint(0, frames, (batch, 1), device=x.device),
            torch.randint(0, 9, (batch, 1), device=x.device),
        )
        x = x.masked_fill(((t >= first) & (t < first + width))[:, :, None], 0)
    return x


class Trainer:
    """The net, its moving average, the optimiser and the loss, on this process's GPU."""

    def __init__(self, args, rank: int, world: int, augment: Augment, planner: Planner, tree: Decisions):
        self.args, self.rank, self.world, self.augment = args, rank, world, augment
        self.device, self.tree = augment.device, tree.to(augment.device)
        self.net = CalloutNet(hidden=args.hidden, right=RIGHT_CONTEXT[: args.blocks]).to(self.device)
        matrices = [p for p in self.net.parameters() if p.ndim > 1]
        vectors = [p for p in self.net.parameters() if p.ndim <= 1]
        groups = [{"params": matrices, "weight_decay": 0.02}, {"params": vectors, "weight_decay": 0.0}]
        self.optimiser = torch.optim.AdamW(groups, lr=args.lr, betas=(0.9, 0.98), fused=self.device.type == "cuda")
        self.step, self.spent = 0, 0.0
        state = Path(args.state)
        if args.resume and state.exists():
            saved = torch.load(state, map_location=self.device, weights_only=False)
            self.net.load_state_dict(saved["net"])
            self.optimiser.load_state_dict(saved["optimiser"])
            self.average, self.step, self.spent = saved["average"], saved["step"], saved["spent"]
        else:
            if args.first:
                self._start_from(np.load(args.first), planner)
            self.average = {k: v.detach().clone().float() for k, v in self.net.state_dict().items()}
        for tensor in self.net.state_dict().values():
            if world > 1:
                dist.broadcast(tensor, 0)

    def _start_from(self, folded, planner: Planner) -> None:
        size, length, placement, _ = planner.batch(96)
        with torch.no_grad():
            x, *_ = self.augment.batch(size, length, placement)
        from_folded(self.net, {k: folded[k] for k in folded.files}, x[:, : x.shape[1] // 2 * 2])

    def train_step(self, plan, decide, lr: float) -> tuple[torch.Tensor, ...]:
        """One update; the CTC loss a phone, the activity loss, that of talk against calls, and of the decisions in `decide`."""
        size, length, placement, labels = plan
        with torch.no_grad():
            x, on, talk, _ = self.augment.batch(size, length, placement)
            x = mask_features(x[:, : x.shape[1] // 2 * 2])
        with torch.autocast(self.device.type, dtype=torch.bfloat16):
            phones, active, talking, middle = self.net(x)
        frames = phones.shape[1]
        targets = torch.tensor([p for said in labels for p in said], device=self.device)
        target_lengths = torch.tensor([len(said) for said in labels], device=self.device)
        lengths = torch.full((size,), frames, dtype=torch.long, device=self.device)

        def ctc(logits):
            log_p = F.log_softmax(logits.float(), -1).transpose(0, 1)
            return F.ctc_loss(log_p, targets, lengths, target_lengths, zero_infinity=True, reduction="sum") / max(
                1, len(targets)
            )

        main, aux = ctc(phones), ctc(middle)
        speech = F.binary_cross_entropy_with_logits(active.float()[:, : on.shape[1]], on[:, :frames])
        on, talk = on[:, :frames], talk[:, :frames]
        known = ((talk >= 0) & (on > 0)).float()
        apart = F.binary_cross_entropy_with_logits(
            talking.float()[:, : talk.shape[1]], talk.clamp(min=0), weight=known, reduction="sum"
        ) / known.sum().clamp(min=1)
        self.optimiser.zero_grad(set_to_none=True)
        (main + 0.3 * aux + 0.5 * speech + 0.3 * apart).backward()
        decided = self._decide(decide) if decide else torch.zeros((), device=self.device)
        self._share_gradients()
        nn.utils.clip_grad_norm_(self.net.parameters(), 2.0)
        for group in self.optimiser.param_groups:
            group["lr"] = lr
        self.optimiser.step()
        self.step += 1
        self._update_average()
        return main.detach(), speech.detach(), apart.detach(), decided

    def _decide(self, plan) -> torch.Tensor:
        """Gradients of the decision loss, added to those there are."""
        size, length, placement, meanings = plan
        with torch.no_grad():
            x, *_ = self.augment.batch(size, length, placement, snr_db=(-2.0, 25.0))
        with torch.autocast(self.device.type, dtype=torch.bfloat16):
            phones, *_ = self.net(x[:, : x.shape[1] // 2 * 2])
        log_p = F.log_softmax(phones.float(), -1)
        loss = decision_loss(log_p, self.tree, torch.tensor(meanings, device=self.device))
        (self.args.decision_weight * loss).backward()
        return loss.detach()

    def _share_gradients(self) -> None:
        if self.world == 1:
            return
        parameters = [p for p in self.net.parameters() if p.grad is not None]
        flat = torch.cat([p.grad.view(-1) for p in parameters])
        dist.all_reduce(flat)
        at = 0
        for p in parameters:
            p.grad.copy_(flat[at : at + p.numel()].view_as(p) / self.world)
            at += p.numel()

    @torch.no_grad()
    def _update_average(self) -> None:
        keep = min(0.9988, (self.step + 1) / (self.step + 20))
        current = self.net.state_dict()
        names = [k for k in current if current[k].is_floating_point()]
        torch._foreach_lerp_([self.average[k] for k in names], [current[k].float() for k in names], 1 - keep)

    def save(self, out: Path) -> None:
        """The averaged weights for `export`, and this program's own state for ``--resume``."""
        if self.rank:
            return
        arrays = {f"ema.{k}": v.cpu().numpy() for k, v in self.average.items() if v.ndim}
        arrays = {k: v.astype(np.float16) if v.ndim > 1 else v for k, v in arrays.items()}
        right = np.array(RIGHT_CONTEXT[: self.args.blocks])
        np.savez(out / "checkpoint.npz", right=right, step=self.step, clean=self.args.clean, **arrays)
        state = {
            "net": self.net.state_dict(),
            "average": self.average,
            "optimiser": self.optimiser.state_dict(),
            "step": self.step,
            "spent": self.spent,
        }
        torch.save(state, self.args.state)


def agreed(value: float, world: int, device) -> float:
    """Rank 0's value, so that all ranks stop at the same step."""
    if world == 1:
        return value
    tensor = torch.tensor([value], dtype=torch.float64, device=device)
    dist.broadcast(tensor, 0)
    return tensor.item()


def prefetch(planner: Planner, size: int, decisions_size: int) -> queue.Queue:
    """A thread that plans batches ahead, each with one of decisions once `planner.deciding`; it ends with the process."""
    plans: queue.Queue = queue.Queue(8)

    def work() -> None:
        while True:
            plan = planner.batch(size)
            if len(plan[2].start):
                plans.put((plan, planner.decision_batch(decisions_size) if planner.deciding else None))

    threading.Thread(target=work, daemon=True).start()
    return plans


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument(
        "prepared", type=Path, nargs="+", help="folders with a manifest.json; the first says about licences"
    )
    parser.add_argument("--seconds", type=float, required=True, help="wall time of this call, loading included")
    parser.add_argument(
        "--of", type=float, default=0.0, help="training time of the whole schedule; default: this call's"
    )
    parser.add_argument("--first", default="", help="exported weights to start from")
    parser.add_argument("--resume", action="store_true")
    parser.add_argument("--state", default=os.path.join(tempfile.gettempdir(), "callout_state.pt"))
    parser.add_argument("--batch", type=int, default=192)
    parser.add_argument("--blocks", type=int, default=11)
    parser.add_argument("--hidden", type=int, default=640)
    parser.add_argument("--lr", type=float, default=1.8e-3)
    parser.add_argument(
        "--decide", type=float, default=0.6, help="share of the schedule after which decisions are trained"
    )
    parser.add_argument("--decision-batch", type=int, default=160)
    parser.add_argument("--decision-weight", type=float, default=1.5)
    parser.add_argument("--warm", type=int, default=200)
    parser.add_argument("--seed", type=int, default=0)
    return parser.parse_args()


def main() -> None:
    began, args = time.time(), arguments()
    rank, world = int(os.environ.get("RANK", "0")), int(os.environ.get("WORLD_SIZE", "1"))
    device = torch.device("cuda", rank) if torch.cuda.is_available() else torch.device("cpu")
    if device.type == "cuda":
        torch.cuda.set_device(device)
        torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = torch.backends.cudnn.benchmark = True
    tree = decisions()
    if world > 1:
        dist.init_process_group("nccl", device_id=device)
    torch.manual_seed(args.seed * 1000 + rank)
    clean = all(json.loads((p / "manifest.json").read_text())["clean_licences"] for p in args.prepared)
    if clean and args.first and not np.load(args.first).get("clean", False):
        raise SystemExit("a clean-licence mix cannot start from weights trained on other data; leave out --first")
    args.clean = clean and (not args.first or bool(np.load(args.first).get("clean", False)))
    corpus = Corpus(args.prepared, max(2, (os.cpu_count() or 4) // world - 2))
    planner = Planner(corpus, args.seed * 1000 + rank + int(began) % 100000 * args.resume)
    augment = Augment(torch.from_numpy(corpus.sound).to(device), torch.from_numpy(corpus.noise).to(device), args.seed)
    planner.expect(tree.meaning_of)
    trainer = Trainer(args, rank, world, augment, planner, tree)
    plans = prefetch(planner, args.batch, args.decision_batch)
    args.out.mkdir(parents=True, exist_ok=True)
    if rank == 0:
        counts = {g: len(ix) for g, ix in corpus.by_group.items()}
        print(
            f"loaded in {time.time() - began:.1f} s: {counts}, parameters {sum(p.numel() for p in trainer.net.parameters())}",
            flush=True,
        )
    start, before, lr, fraction, losses, saved = time.time(), trainer.spent, 0.0, 0.0, [], 0.0
    whole = args.of or (args.seconds - (start - began))
    while True:
        if trainer.step % 10 == 0 or not lr:
            # All ranks decide by rank 0's clock, loading included: a rank that stops alone leaves the others waiting.
            elapsed = agreed(time.time() - start, world, device)
            over = agreed(time.time() - began - args.seconds, world, device)
            fraction = (before + elapsed) / whole
            if fraction >= 1 or over > 0:
                break
            if elapsed > saved + 90:
                saved = elapsed
                trainer.spent = before + elapsed
                trainer.save(args.out)
        lr = args.lr * min(1.0, (trainer.step + 1) / args.warm) * (0.5 * (1 + math.cos(math.pi * fraction)) + 0.003)
        planner.deciding = fraction >= args.decide
        losses.append(trainer.train_step(*plans.get(), lr))
        if trainer.step % 200 == 0 and rank == 0:
            ctc, speech, apart, decided = (torch.stack(column).mean().item() for column in zip(*losses, strict=True))
            losses = []
            print(
                f"step {trainer.step} ctc/phone {ctc:.4f} activity {speech:.4f} talk {apart:.4f} decisions {decided:.4f} lr {lr:.5f} {time.time() - start:.0f} s, plans waiting {plans.qsize()}",
                flush=True,
            )
        elif trainer.step % 200 == 0:
            losses = []
    trainer.spent = before + time.time() - start
    trainer.save(args.out)
    if rank == 0:
        print(
            f"steps {trainer.step}, trained {trainer.spent:.0f} s, augmented hours {trainer.step * args.batch * SHORT_S * world / 3600:.0f}"
        )
    if world > 1:
        dist.destroy_process_group()


if __name__ == "__main__":
    main()

"""Train the decision itself: the right call against every legal one, in the sound of one call.

After the phones are learned, the log-probability of the call that was said, summed over its wordings and their
alignments, is raised against that of everything in the pack's tree (maximum mutual information over the legal calls; D. Povey et al.,
Interspeech 2016, do it over a phone language model). Main names: `Decisions`, `decision_loss`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import torch

from logger_app.hear.lattice import PhoneTree, build_tree
from logger_app.hear.packs_io import load_pack

LOW_KT, HIGH_KT = 20.0, 199.0
NEVER = -1e4  # natural log
LEAST = 1e-34  # of the likeliest: less is nothing
MAX_WORDS = 3  # longer phrases are hardly taken for anything else


@dataclass(frozen=True)
class Decisions:
    """The tree of what may be said, as tensors, and what each wording means."""

    parent: torch.Tensor  # (nodes,)
    phone: torch.Tensor  # (nodes,)
    repeats: torch.Tensor  # (nodes,) bool: the same phone as the node above
    end_node: torch.Tensor  # (ends,)
    end_meaning: torch.Tensor  # (ends,)
    meaning_of: dict[str, int]

    def to(self, device) -> Decisions:
        """The same on another device."""
        names = ("parent", "phone", "repeats", "end_node", "end_meaning")
        return replace(self, **{name: getattr(self, name).to(device) for name in names})


def decisions(pack_name: str | Path = "en") -> Decisions:
    """Airspeeds, short events, commands and settings without a number, and the small words, of a pack."""
    pack = load_pack(str(pack_name))
    short = tuple(
        replace(item, phrases=tuple(phrase for phrase in item.phrases if len(phrase) <= MAX_WORDS))
        for item in pack.items
        if not item.has_slot
    )
    tree: PhoneTree = build_tree(replace(pack, items=short), LOW_KT, HIGH_KT, "kt")
    meaning_of = {}
    for unit, meaning in zip(tree.end_unit, tree.end_meaning, strict=True):
        if tree.units[unit].call is not None:
            meaning_of.setdefault(" ".join(tree.units[unit].words), int(meaning))
    return Decisions(
        torch.from_numpy(tree.parent),
        torch.from_numpy(tree.phone),
        torch.from_numpy(np.asarray(tree.repeats)),
        torch.from_numpy(tree.end_node),
        torch.from_numpy(tree.end_meaning),
        meaning_of,
    )


class _Forward(torch.autograd.Function):
    """Log-probability of each spelling's end, shape (ends, batch), and its gradient by the transposed recursion.

    Probabilities are scaled frame by frame, so nothing is kept for autograd but the scaled sums themselves: about
    twenty times as fast as the same in logarithms step by step.
    """

    @staticmethod
    def forward(ctx, log_p: torch.Tensor, tree: Decisions) -> torch.Tensor:
        """`log_p` is (batch, frames, phones)."""
        rows = log_p.detach().permute(1, 2, 0).exp()  # frames, phones, batch: neighbours in memory are read together
        frames, nodes, batch = len(rows), len(tree.parent), len(log_p)
        apart = torch.where(tree.repeats, 0.0, 1.0)[:, None]
        spoken, quiet = rows.new_zeros((frames + 1, nodes, batch)), rows.new_zeros((frames + 1, nodes, batch))
        quiet[0, 0] = 1.0
        scale = rows.new_zeros((frames, batch))
        for t in range(frames):
            old_s, old_q, new_s, new_q = spoken[t], quiet[t], spoken[t + 1], quiet[t + 1]
            came = torch.index_select(old_q, 0, tree.parent).addcmul_(torch.index_select(old_s, 0, tree.parent), apart)
            torch.mul(torch.index_select(rows[t], 0, tree.phone), came.add_(old_s), out=new_s)
            new_s[0] = 0.0  # the root is never spoken
            torch.mul(rows[t, 0], torch.add(old_q, old_s, out=came), out=new_q)
            scale[t] = torch.maximum(new_s.amax(0), new_q.amax(0)).clamp_(min=LEAST)
            new_s /= scale[t]
            new_q /= scale[t]
        ends = torch.index_select(spoken[-1] + quiet[-1], 0, tree.end_node)
        ctx.tree, ctx.apart = tree, apart
        ctx.save_for_backward(rows, spoken, quiet, scale, ends)
        return ends.clamp(min=LEAST).log() + scale.log().sum(0)

    @staticmethod
    def backward(ctx, grad: torch.Tensor) -> tuple[torch.Tensor, None]:
        """Gradient of `log_p`: how much of the wanted probability passes through each phone at each frame."""
        tree, apart = ctx.tree, ctx.apart
        rows, spoken, quiet, scale, ends = ctx.saved_tensors
        frames, nodes, batch = len(rows), len(tree.parent), rows.shape[2]
        start = torch.where(ends > LEAST, grad / ends.clamp(min=LEAST), 0.0)
        to_s = torch.zeros((nodes, batch), device=rows.device).index_add_(0, tree.end_node, start)
        to_q, out = to_s.clone(), torch.zeros_like(rows)
        for t in range(frames - 1, -1, -1):
            # Through this frame: what the scaled sums after it are worth, by phone and by blank.
            to_s, to_q = to_s / scale[t], to_q / scale[t]
            to_s[0] = 0.0
            through = to_s * torch.index_select(rows[t], 0, tree.phone)
            blank = to_q * rows[t, 0]
            out[t].index_add_(0, tree.phone, to_s * spoken[t + 1] * scale[t])
            out[t, 0] += (to_q * quiet[t + 1] * scale[t]).sum(0)
            above_q = torch.zeros_like(through).index_add_(0, tree.parent, through)
            above_s = torch.zeros_like(through).index_add_(0, tree.parent, through * apart)
            to_s, to_q = through + blank + above_s, blank + above_q
        return out.permute(2, 0, 1), None


def decision_loss(log_p: torch.Tensor, tree: Decisions, meaning: torch.Tensor) -> torch.Tensor:
    """Mean surprise at the right call among all legal ones [nats].

    Parameters
    ----------
    log_p : tensor of float, shape (batch, frames, 40)
        Log-probabilities of phones and blank.
    meaning : tensor of int, shape (batch,)
        What was said.
    """
    ends = _Forward.apply(log_p, tree)
    right = torch.where(tree.end_meaning[:, None] == meaning[None], ends, NEVER)
    surprise = torch.logsumexp(ends, 0) - torch.logsumexp(right, 0)
    return surprise.clamp(max=30.0).mean()

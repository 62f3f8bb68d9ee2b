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


def decision_loss(log_p: torch.Tensor, tree: Decisions, meaning: torch.Tensor) -> torch.Tensor:
    """Mean surprise at the right call among all legal ones [nats].

    Parameters
    ----------
    log_p : tensor of float, shape (batch, frames, 40)
        Log-probabilities of phones and blank.
    meaning : tensor of int, shape (batch,)
        What was said.
    """
    frames, nodes = log_p.shape[1], len(tree.parent)
    rows = log_p.permute(1, 2, 0)  # frames, phones, batch: neighbours in memory are read together
    spoken = torch.full((nodes, len(log_p)), NEVER, device=log_p.device)
    quiet = torch.cat([torch.zeros_like(spoken[:1]), spoken[1:]])
    blocked = torch.where(tree.repeats, NEVER, 0.0)[:, None]
    root = NEVER * (torch.arange(nodes, device=log_p.device) == 0)[:, None]  # the root is never spoken
    for t in range(frames):
        came = torch.logaddexp(
            torch.index_select(quiet, 0, tree.parent), torch.index_select(spoken, 0, tree.parent) + blocked
        )
        said = torch.index_select(rows[t], 0, tree.phone) + torch.logaddexp(spoken, came) + root
        quiet = (rows[t, :1] + torch.logaddexp(quiet, spoken)).clamp(min=2 * NEVER)
        spoken = said.clamp(min=2 * NEVER)
    ends = torch.index_select(torch.logaddexp(spoken, quiet), 0, tree.end_node)
    right = torch.where(tree.end_meaning[:, None] == meaning[None], ends, 2 * NEVER)
    surprise = torch.logsumexp(ends, 0) - torch.logsumexp(right, 0)
    return surprise.clamp(max=30.0).mean()

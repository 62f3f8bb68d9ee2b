"""The network in torch: depthwise convolutions over 20 ms frames, phone CTC, speech activity, and talk against calls.

Only for training; at run time the same numbers are computed by numpy (`logger_app.hear.net`). Main names:
`CalloutNet`, `from_folded` (start from exported weights, deeper if wished), `RIGHT_CONTEXT`.
"""

from __future__ import annotations

import torch
import torch.nn.functional as F
from torch import nn

BANDS = 40
OUTPUTS = 40  # 39 phones and the CTC blank
KERNEL = 11
# Frames of 20 ms that each block sees ahead: 220 ms in all, with the front end 275 ms from a frame's start.
RIGHT_CONTEXT = (2, 2, 1, 1, 1, 1, 1, 1, 1, 0, 0)
MIDDLE = 4  # the auxiliary CTC output stands after this many blocks


class Block(nn.Module):
    """Depthwise convolution, then a two-layer perceptron over channels, on a residual."""

    def __init__(self, channels: int, hidden: int, right: int, drop: float):
        super().__init__()
        self.right = right
        self.dw = nn.Conv1d(channels, channels, KERNEL, groups=channels, bias=False)
        self.b1 = nn.BatchNorm1d(channels)
        self.p1 = nn.Conv1d(channels, hidden, 1, bias=False)
        self.b2 = nn.BatchNorm1d(hidden)
        self.p2 = nn.Conv1d(hidden, channels, 1)
        self.drop = nn.Dropout(drop)

    def forward(self, x):
        y = self.b1(self.dw(F.pad(x, (KERNEL - 1 - self.right, self.right))))
        return x + self.drop(self.p2(torch.relu(self.b2(self.p1(y)))))


class CalloutNet(nn.Module):
    """Features (batch, frames of 10 ms, 40) to phone logits (batch, frames of 20 ms, 40) and activity logits."""

    def __init__(
        self, channels: int = 256, hidden: int = 640, drop: float = 0.05, right: tuple[int, ...] = RIGHT_CONTEXT
    ):
        super().__init__()
        self.i = nn.Conv1d(BANDS, channels, 7, stride=2, bias=False)
        self.b0 = nn.BatchNorm1d(channels)
        self.blk = nn.ModuleList([Block(channels, hidden, r, drop) for r in right])
        self.om = nn.Conv1d(channels, OUTPUTS, 1)
        self.bo = nn.BatchNorm1d(channels)
        self.o = nn.Conv1d(channels, OUTPUTS, 1)
        self.v = nn.Conv1d(channels, 1, 1)
        self.t = nn.Conv1d(channels, 1, 1)

    def forward(self, x):
        """Logits (B, T/2, 40), activity and talk logits (B, T/2), auxiliary logits (B, T/2, 40) of `x` (B, T, 40), T even."""
        y = torch.relu(self.b0(self.i(F.pad(x.transpose(1, 2), (3, 2)))))
        for index, block in enumerate(self.blk):
            y = block(y)
            if index == MIDDLE - 1:
                middle = y
        z = torch.relu(self.bo(y))
        return self.o(z).transpose(1, 2), self.v(z)[:, 0], self.t(z)[:, 0], self.om(middle).transpose(1, 2)


@torch.no_grad()
def from_folded(net: CalloutNet, folded: dict, features: torch.Tensor) -> None:
    """Load exported weights, whose batch norms are folded into the layers, into a net with batch norms.

    Each norm gets the statistics that `features` (B, T, 40) give at its place, and the scale and offset
    that undo them, so that the net computes what the exported one does, in training mode as well. Blocks
    beyond those exported start as the identity (their last layer is zero), so the net may be deeper.
    """
    device = features.device
    w = {k: torch.as_tensor(v, dtype=torch.float32, device=device) for k, v in folded.items()}

    def undo(norm: nn.BatchNorm1d, y: torch.Tensor, scale, offset) -> torch.Tensor:
        mean, var = y.mean((0, 2)), y.var((0, 2))
        norm.running_mean.copy_(mean)
        norm.running_var.copy_(var)
        norm.weight.copy_(scale * torch.sqrt(var + norm.eps))
        norm.bias.copy_(offset + scale * mean)
        return (
            y * torch.as_tensor(scale)[..., None] + offset[:, None] if torch.is_tensor(scale) else y + offset[:, None]
        )

    channels = len(w["i.b"])
    net.i.weight.copy_(w["i.w"].reshape(7, BANDS, channels).permute(2, 1, 0))
    y = torch.relu(undo(net.b0, net.i(F.pad(features.transpose(1, 2), (3, 2))), 1.0, w["i.b"]))
    for index in range(int(w["n"].ravel()[0])):
        block = net.blk[index]
        block.dw.weight.copy_(w[f"{index}.dw"].T[:, None])
        z = undo(block.b1, block.dw(F.pad(y, (KERNEL - 1 - block.right, block.right))), 1.0, w[f"{index}.db"])
        block.p1.weight.copy_(w[f"{index}.w1"].T[:, :, None])
        z = torch.relu(undo(block.b2, block.p1(z), 1.0, w[f"{index}.b1"]))
        block.p2.weight.copy_(w[f"{index}.w2"].T[:, :, None])
        block.p2.bias.copy_(w[f"{index}.b2"])
        y = y + block.p2(z)
    for block in net.blk[int(w["n"].ravel()[0]) :]:
        block.p2.weight.zero_()
        block.p2.bias.zero_()
    undo(net.bo, y, w["bo.s"], w["bo.b"])
    net.o.weight.copy_(w["o.w"].T[:, :, None])
    net.o.bias.copy_(w["o.b"])
    net.v.weight.copy_(w["v.w"][None, :, None])
    net.v.bias.copy_(w["v.b"].reshape(1))
    if "t.w" in w:  # earlier weights have no such output
        net.t.weight.copy_(w["t.w"][None, :, None])
        net.t.bias.copy_(w["t.b"].reshape(1))

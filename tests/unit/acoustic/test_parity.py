"""Training and run time compute the same numbers."""

from pathlib import Path

import numpy as np

from grammar.en.acoustic import export
from grammar.en.acoustic.export import fold
from logger_app.hear.features import features
from logger_app.hear.net import Net

HERE = Path(__file__).parent


def test_run_time_features_are_those_of_training():
    """Torch's own numbers, written on the training machine from `augment.Augment.features` (its augmentation off)."""
    stored = np.load(HERE / "torch_features.npz")

    ours = features(stored["pcm"])

    assert np.abs(ours[:100] - stored["features"]).max() < 1e-4


def _state(rng, channels=8, hidden=12, blocks=2):
    """A small net's state as torch names it, batch norms not folded."""
    state = {"i.weight": rng.normal(0, 0.1, (channels, 40, 7))}

    def norm(name, n):
        state.update(
            {
                f"{name}.weight": rng.uniform(0.5, 2, n),
                f"{name}.bias": rng.normal(size=n),
                f"{name}.running_mean": rng.normal(size=n),
                f"{name}.running_var": rng.uniform(0.2, 3, n),
            }
        )

    norm("b0", channels)
    for k in range(blocks):
        state[f"blk.{k}.dw.weight"] = rng.normal(0, 0.3, (channels, 1, 11))
        norm(f"blk.{k}.b1", channels)
        state[f"blk.{k}.p1.weight"] = rng.normal(0, 0.3, (hidden, channels, 1))
        norm(f"blk.{k}.b2", hidden)
        state[f"blk.{k}.p2.weight"], state[f"blk.{k}.p2.bias"] = (
            rng.normal(0, 0.3, (channels, hidden, 1)),
            rng.normal(size=channels),
        )
    norm("bo", channels)
    state["o.weight"], state["o.bias"] = rng.normal(size=(40, channels, 1)), rng.normal(size=40)
    state["v.weight"], state["v.bias"] = rng.normal(size=(1, channels, 1)), rng.normal(size=1)
    state["t.weight"], state["t.bias"] = rng.normal(size=(1, channels, 1)), rng.normal(size=1)
    return state


def _by_definition(state, rows, right):
    """The network written out as sums, in double precision, batch norms applied as their definition says."""

    def norm(name, y):
        scale = state[f"{name}.weight"] / np.sqrt(state[f"{name}.running_var"] + 1e-5)
        return (y - state[f"{name}.running_mean"]) * scale + state[f"{name}.bias"]

    def at(x, t):
        return x[t] if 0 <= t < len(x) else np.zeros(x.shape[1])

    frames = len(rows) // 2
    y = np.array([sum(state["i.weight"][:, :, j] @ at(rows, 2 * t + j - 3) for j in range(7)) for t in range(frames)])
    y = np.maximum(norm("b0", y), 0)
    for k, ahead in enumerate(right):
        taps = state[f"blk.{k}.dw.weight"][:, 0]
        z = np.array([sum(taps[:, j] * at(y, t + j - (10 - ahead)) for j in range(11)) for t in range(frames)])
        z = np.maximum(norm(f"blk.{k}.b2", norm(f"blk.{k}.b1", z) @ state[f"blk.{k}.p1.weight"][:, :, 0].T), 0)
        y = y + z @ state[f"blk.{k}.p2.weight"][:, :, 0].T + state[f"blk.{k}.p2.bias"]
    z = np.maximum(norm("bo", y), 0)
    logits = z @ state["o.weight"][:, :, 0].T + state["o.bias"]
    log_p = (
        logits
        - np.log(np.exp(logits - logits.max(1, keepdims=True)).sum(1, keepdims=True))
        - logits.max(1, keepdims=True)
    )
    return (
        log_p,
        1 / (1 + np.exp(-(z @ state["v.weight"][0, :, 0] + state["v.bias"][0]))),
        z @ state["t.weight"][0, :, 0] + state["t.bias"][0],
    )


def test_exported_network_is_the_one_by_definition(tmp_path):
    rng, right = np.random.default_rng(3), (2, 0)
    state = _state(rng)
    np.savez(tmp_path / "net.npz", **fold(state, right))
    sound = rng.normal(0, 0.05, 8000).astype(np.float32)

    log_p, activity, talk = Net(tmp_path / "net.npz").run(sound)

    wanted_p, wanted_activity, wanted_talk = _by_definition(state, features(sound).astype(float), right)
    # Half-precision weights: 11 bits, summed over tens of terms.
    assert np.abs(log_p - wanted_p).max() < 0.05
    assert np.abs(activity - wanted_activity).max() < 0.01
    assert np.abs(talk - wanted_talk).max() < 0.05


def test_shipped_network_has_the_look_ahead_that_the_engine_counts_on():
    net = Net(Path(export.__file__).parent / "net.npz")

    ahead_s = 0.02 * sum(net.right) + 0.03 + 0.025  # blocks, first layer, window

    assert abs(ahead_s - 0.275) < 1e-9
    assert sum(w.size for w in net.w.values()) < 4_000_000


def test_average_with_a_shallower_net_counts_its_missing_block_as_the_identity():
    rng = np.random.default_rng(4)
    deep = fold(_state(rng), (2, 0))
    shallow = {k: v for k, v in fold(_state(rng, blocks=1), (2,)).items()}

    mixed = export.averaged(deep, shallow)

    assert np.allclose(mixed["0.w1"], (deep["0.w1"].astype(float) + shallow["0.w1"]) / 2, atol=2e-3)
    assert np.allclose(mixed["1.w2"], deep["1.w2"].astype(float) / 2, atol=2e-3)
    assert np.array_equal(mixed["1.dw"], deep["1.dw"])
    assert mixed["n"][0] == 2

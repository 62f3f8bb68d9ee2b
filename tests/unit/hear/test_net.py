"""Features and network: streaming equals whole, shapes, silence; mel scale against published values."""

import numpy as np
import pytest

from logger_app.errors import EngineError
from logger_app.hear.features import BANDS, Normaliser, features, log_mel, mel_matrix
from logger_app.hear.net import Net, NetStream
from logger_app.io.resources import data_dir


@pytest.fixture(scope="module")
def net():
    return Net(data_dir("grammar") / "en" / "acoustic" / "net.npz")


@pytest.fixture(scope="module")
def sound():
    rng = np.random.default_rng(5)
    return (rng.normal(0, 0.05, 16000 * 3) * np.repeat(rng.uniform(0, 1, 30), 1600)).astype(np.float32)


@pytest.mark.parametrize("hop", [37, 160, 800, 5000])
def test_streaming_gives_the_same_numbers_as_the_whole(net, sound, hop):
    whole_p, whole_v, whole_t = net.run(sound)
    stream = NetStream(net)

    parts = [stream.feed(sound[k : k + hop], last=k + hop >= len(sound)) for k in range(0, len(sound), hop)]

    p, v, t = (np.concatenate(side) for side in zip(*parts))
    assert p.shape == whole_p.shape
    np.testing.assert_allclose(p, whole_p, atol=2e-3)
    np.testing.assert_allclose(v, whole_v, atol=2e-3)
    np.testing.assert_allclose(t, whole_t, atol=5e-3)


def test_probabilities_sum_to_one(net, sound):
    p, v, _ = net.run(sound)

    np.testing.assert_allclose(np.exp(p).sum(1), 1, atol=1e-4)
    assert ((v >= 0) & (v <= 1)).all()


def test_noise_is_not_speech(net, sound):
    assert net.run(sound)[1].max() < 0.5


def test_features_of_blocks_follow_on(sound):
    normalise = Normaliser()
    energies = log_mel(sound)

    joined = np.concatenate([normalise(energies[:50]), normalise(energies[50:])])

    np.testing.assert_allclose(joined, features(sound), atol=1e-6)
    assert log_mel(sound[:399]).shape == (0, BANDS)


def test_mel_bands_lie_where_the_scale_says():
    """1000 Hz is 1000 mel (Stevens, Volkmann and Newman 1937 fix the scale there; formula from memory)."""
    matrix = mel_matrix()
    centres_hz = (matrix * (np.arange(257) * 16000 / 512)[:, None]).sum(0)
    mel = 2595 * np.log10(1 + centres_hz / 700)

    assert 2595 * np.log10(1 + 1000 / 700) == pytest.approx(1000, abs=0.2)
    assert np.all(np.diff(centres_hz) > 0)
    # Narrow low bands fall between the spectrum's bins (31 Hz): spacing is even where bands are wide.
    assert np.std(np.diff(mel[15:])) < 2.0
    np.testing.assert_allclose(matrix.sum(0), 1, atol=1e-5)


def test_weights_that_are_none(tmp_path):
    (tmp_path / "net.npz").write_bytes(b"nothing")

    with pytest.raises(EngineError, match="net.npz"):
        Net(tmp_path / "net.npz")

"""Shared by the tests of hearing: the English pack, its phone tree, and frames as a perfect network would give them."""

import numpy as np
import pytest

from logger_app.hear.lattice import build_tree
from logger_app.hear.net import OUTPUTS
from logger_app.hear.packs_io import load_pack
from logger_app.hear.phones import PHONE_ID


@pytest.fixture(scope="session")
def pack():
    return load_pack("en")


@pytest.fixture(scope="session")
def tree(pack):
    return build_tree(pack, 20, 199, "kt")


@pytest.fixture
def spoken():
    """Phones to frames: each phone two frames, two blanks after it; `pause` blanks for a ``|``."""

    def make(phones: str, sure: float = 0.9, pause: int = 12) -> np.ndarray:
        rows = []

        def frame(k, times):
            p = np.full(OUTPUTS, (1 - sure) / (OUTPUTS - 1))
            p[k] = sure
            rows.extend([p] * times)

        frame(0, 4)
        for phone in phones.split():
            if phone == "|":
                frame(0, pause)
            else:
                frame(PHONE_ID[phone], 2)
                frame(0, 2)
        frame(0, 6)
        return np.log(np.array(rows))

    return make

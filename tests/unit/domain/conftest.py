"""Fixtures of the shared rules' tests."""

import pytest
from builders import Make


@pytest.fixture
def make():
    return Make()

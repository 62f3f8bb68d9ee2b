"""Fixtures of the reduction's tests."""

import pytest
from builders import Make


@pytest.fixture
def make():
    return Make()

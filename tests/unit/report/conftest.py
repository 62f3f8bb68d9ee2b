"""Fixtures of the report's tests: an invented campaign, its flights and results."""

import pytest
from report_example import made_example


@pytest.fixture(scope="session")
def make():
    """The builder itself, for tests that want another campaign."""
    return made_example


@pytest.fixture(scope="session")
def example():
    """The made campaign."""
    return made_example()

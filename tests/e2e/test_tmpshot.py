from dataclasses import replace
import pytest
from test_fly_screen import *
from test_fly_screen import screen  # noqa
from logger_app.workflows.known import Known
pytestmark = [pytest.mark.window]

@pytest.mark.parametrize("size", list(TABLETS))
def test_shot(screen, size, tmp_path):
    pass

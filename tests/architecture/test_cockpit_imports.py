"""What flies needs numpy and Kivy only, and the microphone's adapter: so that an Android build is possible (DEVELOPERS.md)."""

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
# The screens of the cockpit, the flight behind them, our own recogniser with its model: everything between the
# microphone's adapter and the journal.
COCKPIT = """
import sys

class Refuse:
    def find_spec(self, name, path=None, target=None):
        if name.split(".")[0] in {refused!r}:
            raise ImportError(f"the cockpit asked for {{name}}")

sys.meta_path.insert(0, Refuse())
import logger_app.ui.app
{screens}
from logger_app.workflows.campaign import load_campaign
from logger_app.workflows.flight_session import EngineMaker, FlightSession, open_flight
import logger_app.workflows.preflight, logger_app.workflows.rehearsal, logger_app.workflows.takeoff

make = EngineMaker(load_campaign({campaign!r}))
engine = make()
import numpy as np
engine.feed(np.zeros(16000, np.int16))
engine.finish()
print(sorted(name for name in {refused!r} if name in sys.modules))
"""
REFUSED = ("sounddevice", "vosk", "av", "pandas", "scipy", "pyarrow", "jinja2", "reportlab", "tomlkit", "matplotlib")
SCREENS = "import logger_app.ui.screens.fly, logger_app.ui.screens.preflight"


@pytest.mark.parametrize(
    "screens", [pytest.param("", id="flight"), pytest.param(SCREENS, id="screens", marks=pytest.mark.window)]
)
def test_the_cockpit_imports_numpy_and_kivy_only(screens):
    campaign = str(ROOT / "demo_sessions" / "sparrow_cuffs" / "inputs")
    code = COCKPIT.format(refused=REFUSED, screens=screens, campaign=campaign)
    import os

    env = os.environ | {"KIVY_NO_ARGS": "1", "KIVY_NO_CONSOLELOG": "1", "KIVY_NO_FILELOG": "1"}
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, env=env)

    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == "[]"


def test_kivy_is_asked_for_only_by_the_screens():
    """Pillow comes with Kivy's own pictures; a flight without a screen has neither."""
    code = COCKPIT.format(
        refused=(*REFUSED, "kivy", "PIL"), screens="", campaign=str(ROOT / "demo_sessions/sparrow_cuffs/inputs")
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True)

    assert done.returncode == 0, done.stderr

"""One Kivy window for all window tests; the real thing under Xvfb, window-less drawing where there is no display."""

import os
from pathlib import Path

import pytest

# Before the first import of Kivy anywhere: sizes must not depend on the machine.
os.environ.update(
    KIVY_NO_ARGS="1",
    KIVY_NO_FILELOG="1",
    KIVY_NO_CONSOLELOG="1",
    KIVY_USE_DEFAULTCONFIG="1",
    KIVY_METRICS_DENSITY="1",
    KIVY_DPI="96",
)
if not os.environ.get("DISPLAY"):
    os.environ.setdefault("SDL_VIDEODRIVER", "offscreen")

OUT = Path(__file__).parent / "__out__"


def _driver():
    from e2e import driver

    return driver


@pytest.fixture(scope="session")
def watched():
    """Runs a verb in a process of its own and says what it wrote and whom it called: `watched.watch`."""
    from e2e.watched import watch

    return watch


@pytest.fixture(scope="session")
def window():
    """The window; resized by the tests as they need."""
    from kivy.config import Config

    for key, value in {"width": 1280, "height": 800, "multisamples": 0, "maxfps": 0, "vsync": 0}.items():
        Config.set("graphics", key, str(value))
    for name, _ in Config.items("input"):
        Config.remove_option("input", name)  # touches come from the driver alone
    from kivy.core.window import Window

    assert Window is not None, "Kivy found no window (libgl1, libegl1 missing?)"
    return Window


@pytest.fixture
def pilot(window):
    """Makes a `Pilot` for an app at a size; closes them all at the end."""
    pilots = []

    def make(app, size=(1280, 800)):
        if tuple(window.size) != tuple(size):
            window.size = size
        pilots.append(_driver().Pilot(app, window))
        pilots[-1].until(lambda: tuple(window.size) == tuple(size))
        return pilots[-1]

    yield make
    for made in pilots:
        made.close()


@pytest.fixture
def shots():
    """Where screenshots go: not kept in the repository."""
    OUT.mkdir(exist_ok=True)
    return OUT

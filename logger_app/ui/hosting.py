"""A screen that a verb opens may be opened in the app's window instead: the app says so, in the thread that runs the verb."""

from __future__ import annotations

import threading
from collections.abc import Callable

_OF_THREAD = threading.local()


def host_here(opens: Callable[[object], None]) -> None:
    """From now on screens that this thread opens go to `opens`, which returns when the screen is left."""
    _OF_THREAD.opens = opens


def hosted(work: object) -> bool:
    """Whether the app has opened a screen for `work`; it is left again when this returns."""
    opens = getattr(_OF_THREAD, "opens", None)
    if opens is not None:
        opens(work)
    return opens is not None

"""A window that edits the campaign file: what the plan screen and the line of a design do alike. Main name: `FileApp`."""

from __future__ import annotations

from pathlib import Path
from types import ModuleType
from typing import Any

from kivy.app import App

from logger_app.errors import LoggerError
from logger_app.ui.presenters.plan_records import Saved
from logger_app.workflows.planning import read_text, write_text


class FileApp(App):
    """Holds a presenter's state (with `text` and `saved`), writes the file when asked."""

    presenter: ModuleType

    def __init__(self, file: Path, state: Any, **more):
        super().__init__(**more)
        self.file, self.state, self.warned = file, state, False

    def asked_to_close(self, *_) -> bool:
        """Whether to stay open: once, when there is something to save."""
        stay = self.state.text != self.state.saved and not self.warned
        if stay:
            self.send(Saved("Not saved: save, or leave again to discard the changes."))
        self.warned = True
        return stay

    def send(self, intent) -> None:
        """Take an intent and draw what follows."""
        self.state = self.presenter.update(self.state, intent)
        self.warned = False
        if self.root:
            self.root.render(self.presenter.view(self.state))

    def save(self) -> None:
        """Write the file, unless it is not the one that was opened any more."""
        try:
            if read_text(self.file) != self.state.saved:
                self.send(Saved("Not saved: another program has changed the file; open it again."))
                return
            if self.state.text != self.state.saved:
                write_text(self.file, self.state.text)
        except (LoggerError, OSError) as err:
            self.send(Saved(f"Not saved: {err}"))
            return
        self.send(Saved())

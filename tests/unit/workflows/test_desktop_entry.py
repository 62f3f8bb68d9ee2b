"""The entry in a desktop's menu."""

import configparser
import sys

import pytest

from logger_app.__main__ import main
from logger_app.errors import LoggerError
from logger_app.workflows import desktop_entry


def test_entry_and_icon_lie_where_a_desktop_looks(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    monkeypatch.setattr(sys, "platform", "linux")
    assert not desktop_entry.is_installed()
    assert main(["store", "install-entry"]) == 0

    # Desktop Entry Specification 1.5: one group, Type and Name required, Exec for an application.
    entry = configparser.ConfigParser(interpolation=None)
    entry.optionxform = str
    entry.read(tmp_path / "applications" / "kneecall.desktop", "utf-8")
    assert entry.sections() == ["Desktop Entry"]
    assert {"Type", "Name", "Exec", "Icon"} <= set(entry["Desktop Entry"])
    assert (tmp_path / "icons/hicolor/256x256/apps/kneecall.png").read_bytes().startswith(b"\x89PNG")
    assert desktop_entry.is_installed()


def test_other_systems_are_told_what_to_do_instead(monkeypatch):
    monkeypatch.setattr(sys, "platform", "win32")
    with pytest.raises(LoggerError):
        desktop_entry.install()

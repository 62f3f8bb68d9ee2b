"""Ctrl-C while a compiled library works: once in about a hundred times its exception got lost there.

Found by CI: `kneecall hear --into` went on to its end after SIGINT and kept the sound. The place was the library that
resamples sound, so the loss is put in there.
"""

import contextlib
import signal
import threading

import numpy as np
import pytest

from logger_app.__main__ import main
from logger_app.io import process
from logger_app.io.sound import RATE_HZ, SoundStream, write_flac


def test_hearing_stops_though_the_library_loses_the_interrupt(tmp_path, monkeypatch, capsys):
    path = tmp_path / "cockpit.flac"
    write_flac(path, np.zeros(20 * RATE_HZ, np.int16))
    given = SoundStream._resampled

    def losing(self):
        for number, piece in enumerate(given(self)):
            if number == 3:
                with contextlib.suppress(KeyboardInterrupt):
                    signal.raise_signal(signal.SIGINT)
            yield piece

    monkeypatch.setattr(SoundStream, "_resampled", losing)

    assert 130 == main(["hear", str(path)])
    assert "interrupted" in capsys.readouterr().err
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


def test_an_interrupt_is_forgotten_when_the_next_verb_begins():
    with process.interrupts_remembered(), pytest.raises(KeyboardInterrupt):
        signal.raise_signal(signal.SIGINT)
    with pytest.raises(KeyboardInterrupt):
        process.stop_if_interrupted()

    with process.interrupts_remembered():
        process.stop_if_interrupted()


def test_what_is_ignored_or_handled_stays_so():
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        with process.interrupts_remembered():
            assert signal.getsignal(signal.SIGINT) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGINT, before)


def test_off_the_main_thread_nothing_is_set():
    seen = []

    def work():
        with process.interrupts_remembered():
            seen.append(signal.getsignal(signal.SIGINT))

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()

    assert [signal.default_int_handler] == seen

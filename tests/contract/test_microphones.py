"""What every microphone must do, run against each. PortAudio's library is replaced by one that plays along."""

import sys
import time
import types

import numpy as np
import pytest

from logger_app.errors import SoundError
from logger_app.fly.capture import mic_portaudio
from logger_app.fly.capture.mic import BLOCK_SAMPLES, RATE_HZ, BlockQueue
from logger_app.fly.capture.mic_portaudio import PortAudioMicrophone
from logger_app.fly.capture.mic_wavfile import FileMicrophone
from logger_app.logstore.audio_io import wav_header

SOUND = np.random.default_rng(5).integers(-8000, 8000, 2 * RATE_HZ).astype(np.int16)


class FakePortAudio(types.ModuleType):
    """Enough of `sounddevice`: a stream whose blocks the test pushes."""

    def __init__(self):
        super().__init__("sounddevice")
        self.there, self.opened, self.restarts = True, [], 0

    def RawInputStream(self, *, callback, **options):
        if not self.there:
            raise RuntimeError("Error querying device -1")
        assert (options["samplerate"], options["channels"], options["dtype"]) == (RATE_HZ, 1, "int16")
        stream = types.SimpleNamespace(
            callback=callback, start=lambda: None, abort=lambda ignore_errors: None, close=lambda ignore_errors: None
        )
        self.opened.append(stream)
        return stream

    def _terminate(self):
        self.restarts += 1

    def _initialize(self):
        pass

    def push(self, pcm, adc_s, overflow=False):
        """The sound card hands over one block, in a buffer that it will use again."""
        buffer = bytearray(pcm.tobytes())
        self.opened[-1].callback(
            buffer,
            len(pcm),
            types.SimpleNamespace(inputBufferAdcTime=adc_s),
            types.SimpleNamespace(input_overflow=overflow),
        )
        buffer[:] = b"\0" * len(buffer)


@pytest.fixture
def card(monkeypatch):
    fake = FakePortAudio()
    monkeypatch.setitem(sys.modules, "sounddevice", fake)
    monkeypatch.setattr(mic_portaudio, "LOOK_EVERY_S", 0.02)
    monkeypatch.setattr(mic_portaudio, "LOST_AFTER_S", 0.1)
    return fake


@pytest.fixture
def wav(tmp_path):
    path = tmp_path / "said.wav"
    path.write_bytes(wav_header(len(SOUND)) + SOUND.tobytes())
    return path


@pytest.fixture(params=["file", "file at pace", "portaudio"])
def playing(request, card, wav):
    """(microphone, play): play makes SOUND come out of it and ends it."""
    if request.param == "portaudio":
        microphone = PortAudioMicrophone()

        def play(blocks):
            microphone.start(blocks)
            for k in range(0, len(SOUND), BLOCK_SAMPLES):
                card.push(SOUND[k : k + BLOCK_SAMPLES], 1.0 + k / RATE_HZ)
            microphone.stop()
    else:
        microphone = FileMicrophone(wav, paced=request.param == "file at pace")

        def play(blocks):
            microphone.start(blocks)
            microphone._thread.join()
            microphone.stop()

    return microphone, play


def taken(blocks):
    out = []
    while (block := blocks.get(0)) is not None and not block.last:
        out.append(block)
    return out


def test_the_sound_comes_whole_and_in_order(playing):
    microphone, play = playing
    blocks = BlockQueue()
    play(blocks)
    got = taken(blocks)

    assert np.array_equal(np.concatenate([block.pcm for block in got]), SOUND)
    assert all(block.pcm.dtype == np.int16 and len(block.pcm) <= BLOCK_SAMPLES for block in got)
    assert sum(block.missing for block in got) == 0
    assert microphone.trouble == ""


def test_it_has_a_name_and_says_whether_it_keeps_pace(playing):
    microphone, _ = playing

    assert microphone.name
    assert microphone.paced in (True, False)


def test_stop_is_safe_twice_and_without_start(playing):
    microphone, play = playing
    microphone.stop()
    play(BlockQueue())
    microphone.stop()


def test_a_file_at_pace_takes_its_time(wav):
    microphone, blocks = FileMicrophone(wav), BlockQueue()
    began_s = time.monotonic()
    microphone.start(blocks)
    microphone._thread.join()

    assert time.monotonic() - began_s >= len(SOUND) / RATE_HZ - 0.06


def test_a_file_that_is_no_sound_is_refused_at_once(tmp_path):
    (tmp_path / "x.wav").write_bytes(b"not sound at all" * 40)
    with pytest.raises(SoundError, match=r"x\.wav"):
        FileMicrophone(tmp_path / "x.wav")
    with pytest.raises(SoundError):
        FileMicrophone(tmp_path / "missing.wav")


def test_an_overflow_that_the_card_tells_becomes_missing_samples(card):
    microphone, blocks = PortAudioMicrophone(), BlockQueue()
    microphone.start(blocks)
    card.push(SOUND[:BLOCK_SAMPLES], 5.0)
    card.push(SOUND[:BLOCK_SAMPLES], 5.0 + 0.05 + 0.2, overflow=True)
    microphone.stop()
    got = taken(blocks)

    assert [block.missing for block in got] == [0, 3200]
    assert "lost" in got[1].why


def wait_for(condition, timeout_s=60.0):
    end = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < end, condition
        time.sleep(0.005)


def test_unplugged_and_put_back_it_comes_back_by_itself(card):
    microphone, blocks = PortAudioMicrophone(), BlockQueue()
    microphone.start(blocks)
    before_s = time.monotonic()
    card.push(SOUND[:BLOCK_SAMPLES], 5.0)
    after_s = time.monotonic()
    assert microphone.trouble == ""
    card.there = False
    wait_for(lambda: "no microphone" in microphone.trouble)
    wait_for(lambda: card.restarts >= 2)  # it asks again and again which devices there are
    card.there = True
    wait_for(lambda: len(card.opened) == 2)
    least_s = time.monotonic() - after_s
    card.push(SOUND[:BLOCK_SAMPLES], 77.0)  # the device's own clock began anew
    most_s = time.monotonic() - before_s
    microphone.stop()
    got = taken(blocks)

    assert microphone.trouble == ""
    assert least_s - 0.1 <= got[1].missing / RATE_HZ <= most_s + 0.1
    assert "microphone" in got[1].why


def test_no_sound_system_is_said_and_nothing_raises(monkeypatch):
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    microphone = PortAudioMicrophone()
    microphone.start(BlockQueue())
    microphone.stop()

    assert microphone.trouble.startswith("no sound system")

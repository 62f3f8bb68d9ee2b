"""`fly` without a working microphone said "recording", recorded nothing for minutes and exited 0; preflight too."""

import json
import sys
import threading
import time
import types
from pathlib import Path

import numpy as np
import pytest

from logger_app.__main__ import main
from logger_app.fly.capture.mic import BlockQueue
from logger_app.fly.cues import Tone, tone_sound
from logger_app.logstore import codec
from logger_app.logstore.store import Journal
from logger_app.records.journal import RowKind
from logger_app.records.plan import Aircraft, AircraftConfig, Campaign, TestCard, TestPoint
from logger_app.units import NS_PER_S
from logger_app.workflows import takeoff
from logger_app.workflows.flight_session import FlightSession, open_flight

INPUTS = Path(__file__).resolve().parents[2] / "demo_sessions" / "sparrow_cuffs" / "inputs"
CAMPAIGN = Campaign(
    name="test",
    aircraft=Aircraft(name="test", empty_weight_kg=400, reference_weight_kg=600, max_weight_kg=640, wing_area_m2=12),
    configurations=(AircraftConfig(id="plain", name="plain"),),
    cards=(TestCard(id="A", title="A", points=(TestPoint(id="A1", card="A"),)),),
)
NOISE = np.random.default_rng(5).integers(-900, 900, 800).astype(np.int16)


@pytest.fixture
def campaign(tmp_path, monkeypatch):
    monkeypatch.setenv("KNEECALL_HOME", str(tmp_path / "home"))
    folder = tmp_path / "campaign"
    folder.mkdir()
    (folder / "campaign.toml").write_bytes((INPUTS / "campaign.toml").read_bytes())
    return folder


class Card(types.ModuleType):
    """A `sounddevice` with no device, or with one that opens and says nothing."""

    class PortAudioError(Exception):
        pass

    def __init__(self, opens):
        super().__init__("sounddevice")
        self.opens = opens

    def RawInputStream(self, **options):
        if not self.opens:
            raise self.PortAudioError("Error querying device -1")
        return types.SimpleNamespace(start=lambda: None, abort=lambda **_: None, close=lambda **_: None)

    def play(self, *_):
        raise self.PortAudioError("no device")

    def _initialize(self):
        pass

    _terminate = _initialize


class LiveMicrophone:
    """Gives blocks as long as it is told to, much faster than a real one would."""

    name, paced = "live", True

    def __init__(self, pcm=NOISE):
        self.pcm, self.trouble, self.on, self.over = pcm, "", threading.Event(), threading.Event()
        self.on.set()

    def start(self, blocks):
        self.thread = threading.Thread(target=self.push, args=(blocks,), daemon=True)
        self.thread.start()

    def push(self, blocks):
        while not self.over.wait(0.01):
            if self.on.is_set():
                blocks.put(self.pcm)

    def stop(self, within_s=None):
        self.over.set()
        self.thread.join(within_s)
        return True


class KeptTones:
    trouble = ""

    def __init__(self):
        self.played = []

    def play(self, pcm):
        self.played.append(pcm)
        return 0.0


def until(condition, timeout_s=60.0):
    end_s = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < end_s
        time.sleep(0.01)


def rows_on_disk(folder, *kinds):
    with Journal.open(folder, read_only=True) as journal:
        return list(journal.rows(*kinds))


@pytest.mark.parametrize("opens", [False, True])
def test_a_flight_is_not_begun_without_sound(campaign, monkeypatch, capsys, opens):
    monkeypatch.setitem(sys.modules, "sounddevice", Card(opens))
    monkeypatch.setattr(takeoff, "NO_SOUND_S", 0.3)
    monkeypatch.setattr(takeoff, "OPENING_S", 0.6)
    code = main(["fly", str(campaign), "--no-screen", "--flight", "zz", "--configuration", "baseline"])
    said = capsys.readouterr().err

    assert code == 1
    assert "got no sound" in said and "--without-microphone" in said
    assert "recording" not in said
    assert not (campaign / "flights").exists()


@pytest.mark.parametrize("pcm, words", [(np.zeros(800, np.int16), "silence"), (NOISE, "")])
def test_a_microphone_that_gives_zeros_is_an_alarm_in_words_tone_and_at_the_end(tmp_path, pcm, words):
    said, tones = [], KeptTones()
    session = FlightSession(
        CAMPAIGN,
        open_flight(CAMPAIGN, tmp_path, "f1"),
        microphone=LiveMicrophone(pcm),
        engine=None,
        speaker=tones,
        on_trouble=said.append,
    )
    session.start()
    began_s = time.monotonic()
    until(lambda: said or time.monotonic() - began_s > 3.0)
    until(lambda: len(tones.played) >= (1 if words else 0))
    landing = session.stop(landed=True)

    assert bool(said) is bool(words)
    assert words in " ".join(said)
    alarms = [sound for sound in tones.played if np.array_equal(sound, tone_sound(Tone.TROUBLE))]
    assert len(alarms) == (1 if words else 0)
    assert bool(landing.sound_lost) is bool(words)


def test_sound_that_stops_is_an_alarm_and_a_gap_to_the_end(tmp_path):
    said, microphone = [], LiveMicrophone()
    session = FlightSession(
        CAMPAIGN, open_flight(CAMPAIGN, tmp_path, "f1"), microphone=microphone, engine=None, on_trouble=said.append
    )
    session.start()
    until(lambda: session.snapshot().sound is not None)
    microphone.on.clear()
    until(lambda: said)
    assert "no sound" in session.snapshot().microphone_trouble
    microphone.on.set()
    until(lambda: len(said) == 2)
    microphone.on.clear()
    until(lambda: len(said) == 3)
    landing = session.stop(landed=True)

    assert ["OK again" in words for words in said] == [False, True, False]
    assert "s were not recorded (no sound comes" in landing.sound_lost
    gaps = [codec.body_to_gap(row.body) for row in rows_on_disk(tmp_path / "flights" / "f1", RowKind.GAP)]
    assert len(gaps) == 1 and gaps[0].breaks
    assert gaps[0].end_ns - gaps[0].start_ns > NS_PER_S


def test_a_sound_writer_that_dies_is_an_alarm(tmp_path, monkeypatch):
    from logger_app.logstore.audio_io import SegmentWriter

    def broken(self, pcm):
        raise ValueError("a mistake of ours")

    monkeypatch.setattr(SegmentWriter, "write", broken)
    said = []
    session = FlightSession(
        CAMPAIGN,
        open_flight(CAMPAIGN, tmp_path, "f1"),
        microphone=LiveMicrophone(),
        engine=None,
        on_trouble=said.append,
    )
    session.start()
    until(lambda: said)
    landing = session.stop(landed=True)

    assert "a mistake of ours" in said[0]
    assert "no sound was recorded at all" in landing.sound_lost
    assert not session.snapshot().ended  # a live microphone's flight is not over because of that


def test_a_flight_without_a_microphone_begins_when_asked_for(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "sounddevice", Card(opens=False))
    monkeypatch.setattr(takeoff, "NO_SOUND_S", 0.2)
    from logger_app.fly.capture.mic_portaudio import PortAudioMicrophone

    microphone, blocks = PortAudioMicrophone(), BlockQueue()
    microphone.start(blocks)
    takeoff.wait_for_sound(microphone, blocks, lambda words: None, needed=False)
    session = FlightSession(
        CAMPAIGN,
        open_flight(CAMPAIGN, tmp_path, "f1"),
        microphone=microphone,
        blocks=blocks,
        engine=None,
        sound_expected=False,
    )
    session.start()
    landing = session.stop(landed=True)

    assert landing.sound_lost == ""
    steps = [row.body["step"] for row in rows_on_disk(tmp_path / "flights" / "f1", RowKind.STEP)]
    assert steps == ["card", "landed"]


def test_preflight_with_something_wrong_exits_1(campaign, monkeypatch, capsys):
    monkeypatch.setitem(sys.modules, "sounddevice", Card(opens=False))
    code = main(["preflight", str(campaign), "--json"])
    document = json.loads(capsys.readouterr().out)

    assert (code, document["ready"]) == (1, False)
    assert {c["name"]: c["state"] for c in document["checks"]}["microphone"] == "wrong"


def test_preflight_names_a_damaged_flight_and_fly_passes_it_over(campaign, monkeypatch, capsys):
    from logger_app.io.sound import write_flac
    from logger_app.workflows.campaign import load_campaign

    read = load_campaign(campaign)
    for name in ("day1_baseline", "day2_cuffs"):
        journal = open_flight(read, campaign, name)
        session = FlightSession(read, journal, microphone=None, engine=None)
        session.start()
        session.stop(landed=name == "day1_baseline")
    path = campaign / "flights" / "day2_cuffs" / "flight.sqlite"
    data = bytearray(path.read_bytes())
    data[data.index(b'"step"') + 2] ^= 1
    path.write_bytes(data)
    main(["preflight", str(campaign), "--json"])
    flights = {c["name"]: c for c in json.loads(capsys.readouterr().out)["checks"]}["flights"]
    write_flac(campaign / "tape.flac", np.tile(NOISE, 60))
    code = main(
        [
            "fly",
            str(campaign),
            "--no-screen",
            "--configuration",
            "cuffs",
            "--audio",
            str(campaign / "tape.flac"),
            "--fast",
        ]
    )
    said = capsys.readouterr().err

    assert flights["state"] == "warn" and "day2_cuffs" in flights["words"]
    assert code == 0
    assert "day2_cuffs" in said
    flown = {path.name for path in (campaign / "flights").iterdir()}
    assert len(flown - {"day1_baseline", "day2_cuffs"}) == 1


def test_a_flight_in_which_nothing_was_heard_is_not_reviewed(campaign, capsys):
    from logger_app.workflows.campaign import load_campaign

    read = load_campaign(campaign)
    session = FlightSession(read, open_flight(read, campaign, "day1_baseline"), microphone=None, engine=None)
    session.start()
    session.stop(landed=True)
    main(["review", str(campaign / "flights" / "day1_baseline"), "--list", "--json"])

    assert json.loads(capsys.readouterr().out)["progress"]["reviewed_share"] == 0.0


@pytest.mark.parametrize("kept", [0.0, 0.4])
def test_a_recording_that_breaks_off_ends_the_flight(campaign, capsys, kept):
    from logger_app.io.sound import write_flac

    tape = campaign / "tape.wav"
    write_flac(campaign / "t.flac", np.tile(NOISE, 200))
    data = (campaign / "t.flac").read_bytes()
    tape.write_bytes(data[: max(200, round(len(data) * kept))])
    code = main(["fly", str(campaign), "--no-screen", "--flight", "day1_baseline", "--audio", str(tape), "--fast"])

    assert code == 1
    assert "tape.wav" in capsys.readouterr().err
    flight = campaign / "flights" / "day1_baseline"
    if flight.exists():
        assert rows_on_disk(flight, RowKind.STEP)[-1].body["step"] == "landed"


@pytest.mark.parametrize("verb", [["fly"], ["fly", "--no-screen"]])
def test_a_campaign_that_is_not_there_is_what_is_told(tmp_path, monkeypatch, capsys, verb):
    for name in ("DISPLAY", "WAYLAND_DISPLAY", "SDL_VIDEODRIVER"):
        monkeypatch.delenv(name, raising=False)
    code = main([*verb, str(tmp_path / "nowhere")])
    said = capsys.readouterr().err

    assert code == 1
    assert "nowhere" in said and "display" not in said

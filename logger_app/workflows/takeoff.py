"""From options to a flight session: microphone, recogniser and flight, each refused here if it cannot be used.

The microphone is started first: a flight is not begun without sound, unless that was asked for. Main names:
`Wishes`, `build_session`.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from logger_app import __version__
from logger_app.errors import CaptureError
from logger_app.fly.capture.mic import MAX_STOP_S, BlockQueue, Microphone
from logger_app.fly.troubles import NO_SOUND_S
from logger_app.records.journal import FlightInfo
from logger_app.records.plan import Campaign
from logger_app.workflows.flight_session import EngineMaker, FlightSession, open_flight
from logger_app.workflows.known import NOTHING_KNOWN, Known, known_before
from logger_app.workflows.preflight import acknowledged, kept_confusions

# A wireless headset takes a while to open; one that is not there says so at once.
OPENING_S = 6.0
LOOK_S = 0.02
WITHOUT_MICROPHONE = "--without-microphone"


@dataclass(frozen=True, slots=True, kw_only=True)
class Wishes:
    """How a flight is to be flown.

    `audio` is a recording in place of the microphone, `fast`: as fast as it can be heard. `without_microphone`:
    begin although no sound comes; a microphone that is plugged in later is used.
    """

    flight: str | None = None
    configuration: str | None = None
    pilot: str = ""
    audio: Path | None = None
    fast: bool = False
    device: str | None = None
    engine: str | None = None
    model: Path | None = None
    without_microphone: bool = False


def build_session(
    campaign: Campaign,
    campaign_dir: Path,
    wishes: Wishes,
    *,
    on_rows: Callable | None = None,
    ready: Callable[[], object] = lambda: None,
    say: Callable[[str], object] = lambda words: None,
    make: EngineMaker | None = None,
) -> FlightSession:
    """The session that is wished for, its microphone running.

    Parameters
    ----------
    on_rows : callable, optional
        See `FlightSession`.
    ready : callable
        Called when all but the sound is right, before a new flight is begun: makes what else is needed, or raises.
    say : callable
        Takes what a pilot should know now, in words; must not block.
    make : EngineMaker, optional
        Recognisers that have been loaded already.

    Raises
    ------
    CaptureError
        No sound comes from the microphone.
    LoggerError
        The recording, the recogniser, the configuration or the flight folder cannot be used.
    """
    from logger_app.fly.capture.mic_portaudio import PortAudioMicrophone
    from logger_app.fly.capture.mic_wavfile import FileMicrophone
    from logger_app.fly.capture.speaker import PortAudioSpeaker, SilentSpeaker

    file = FileMicrophone(wishes.audio, paced=not wishes.fast) if wishes.audio else None
    microphone: Microphone = file or PortAudioMicrophone(wishes.device)
    campaign_dir = campaign_dir if campaign_dir.is_dir() else campaign_dir.parent
    make = make or EngineMaker(campaign, wishes.engine, wishes.model)
    # A recording is started with the flight: it begins at its beginning.
    blocks = None if file else BlockQueue()

    before: list[Known] = []

    def start_microphone(info: FlightInfo, resumed: bool) -> None:
        ready()
        if not resumed:  # in the air nothing waits for statistics
            before.append(known_before(campaign, campaign_dir, info.id, info.configuration))
        if blocks:
            microphone.start(blocks)
            wait_for_sound(microphone, blocks, say, needed=not wishes.without_microphone)

    try:
        journal = open_flight(
            campaign,
            campaign_dir,
            wishes.flight,
            wishes.configuration,
            who=wishes.pilot,
            ready=start_microphone,
            app=__version__,
            engine=make.engine_name,
            pack=make.pack.id,
            briefing=acknowledged(campaign_dir, campaign),
            confusions=kept_confusions(campaign_dir, wishes.pilot),
        )
    except BaseException:
        microphone.stop(MAX_STOP_S)
        raise
    try:
        return FlightSession(
            campaign,
            journal,
            microphone=microphone,
            blocks=blocks,
            engine=make,
            read=make.reader(journal.info.confusions),
            on_rows=on_rows,
            on_trouble=say,
            sound_expected=not wishes.without_microphone,
            known=before[0] if before else NOTHING_KNOWN,
            speaker=SilentSpeaker() if file and wishes.fast else PortAudioSpeaker(),
        )
    except BaseException:
        microphone.stop(MAX_STOP_S)
        journal.close()
        raise


def wait_for_sound(microphone: Microphone, blocks: BlockQueue, say: Callable[[str], object], needed: bool) -> None:
    """Wait for the first sound of a microphone that was started.

    Raises
    ------
    CaptureError
        None came, and it is needed.
    """
    began_s, said = time.monotonic(), False
    while not blocks.has_some:
        waited_s = time.monotonic() - began_s
        opening = needed and not microphone.trouble
        if waited_s > NO_SOUND_S and opening and not said:
            say("! no sound from the microphone yet")
            said = True
        if waited_s > (OPENING_S if opening else NO_SOUND_S):
            if not needed:
                return
            raise CaptureError(
                f"{microphone.name}: got no sound ({microphone.trouble or 'none came'}); needs a microphone that works.",
                hint=f"Plug it in and check with `kneecall preflight`, or fly without one: {WITHOUT_MICROPHONE}.",
            )
        time.sleep(LOOK_S)

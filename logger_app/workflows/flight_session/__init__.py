"""A flight as it happens: where the fly room meets the flight folder.

::

    microphone ─► BlockQueue ─► sound writer ─► audio/*.wav
                                     └► HearingQueue ─► listener ─► calls ─┐
    touches ───────────────────────────────────────────────────────────────┴► inbox ─► core ─► journal
                                                      rows on the disk ─► printing ◄───┤
                                                                 tones ─► loudspeaker ◄┘

Threads: the microphone's own, the sound writer, the listener, the core, printing, tones. Only the core advances
the state and says what is durable, and it waits for nothing but the disk: printing and tones have bounded queues.
Screens look at `snapshot()` and take cues from `take_cues()`.

`session` runs the flight, `landing` ends it, `opening` decides which flight it is, `replay` finds where it stood,
`engines` makes recognisers, `messages` are what comes to the core, `clock` is the flight clock. What a snapshot and a
touch hold (the state, its phases, cues, intents) is given here to the screens, which reach rooms through workflows.
"""

from logger_app.fly.cues import Cue
from logger_app.fly.flight_records import IN_RUN, FlightState, Intent, Phase
from logger_app.fly.verdict import in_words
from logger_app.workflows.flight_session.clock import FlightClock
from logger_app.workflows.flight_session.engines import EngineMaker
from logger_app.workflows.flight_session.landing import Landing
from logger_app.workflows.flight_session.opening import open_flight, unfinished_flight
from logger_app.workflows.flight_session.replay import AWAY_NS, replay
from logger_app.workflows.flight_session.session import FlightSession, Snapshot

__all__ = [
    "AWAY_NS",
    "IN_RUN",
    "Cue",
    "EngineMaker",
    "FlightClock",
    "FlightSession",
    "FlightState",
    "Intent",
    "Landing",
    "Phase",
    "Snapshot",
    "in_words",
    "open_flight",
    "replay",
    "unfinished_flight",
]

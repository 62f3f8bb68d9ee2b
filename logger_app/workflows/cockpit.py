"""What the flight screen shows and asks for: phases and intents of a flight, cues, and a run's verdict in words."""

from logger_app.fly.cues import Cue, Tone
from logger_app.fly.flight_records import IN_RUN, FlightState, Intent, Phase
from logger_app.fly.verdict import in_words

__all__ = ["IN_RUN", "Cue", "FlightState", "Intent", "Phase", "Tone", "in_words"]

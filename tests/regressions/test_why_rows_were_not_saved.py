"""A folder that is gone is no full disk: the last sentence of a flight says why rows could not be saved."""

import pytest

from logger_app.errors import LogError
from logger_app.logstore.store import Journal
from logger_app.records.plan import Aircraft, AircraftConfig, Campaign
from logger_app.workflows.flight_session import FlightSession, open_flight

CAMPAIGN = Campaign(
    name="test",
    aircraft=Aircraft(name="test", empty_weight_kg=400, reference_weight_kg=600, max_weight_kg=640, wing_area_m2=12),
    configurations=(AircraftConfig(id="plain", name="plain"),),
)


def test_the_reason_is_the_one_that_the_journal_gave(tmp_path, monkeypatch):
    session = FlightSession(CAMPAIGN, open_flight(CAMPAIGN, tmp_path, "f1"), microphone=None, engine=None)
    session.start()

    def append(self, rows):
        raise LogError(f"{self.flight_dir}: the folder cannot be written (attempt to write a readonly database).")

    monkeypatch.setattr(Journal, "append", append)
    with pytest.raises(LogError) as told:
        session.stop(landed=True)

    assert "1 of the last rows could not be saved" in str(told.value) or "2 of the last rows" in str(told.value)
    assert "readonly database" in str(told.value) and "full" not in str(told.value)

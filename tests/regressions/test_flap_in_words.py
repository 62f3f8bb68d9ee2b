"""A flap named in words whose degrees the campaign does not give: the setting before it no longer holds."""

import pytest

from logger_app.fly import settings as live
from logger_app.records.calls import CallKind, HeardCall
from logger_app.records.runs import Settings
from logger_app.review import runs


@pytest.mark.parametrize("word", ["full", "half", "notch 1"])
@pytest.mark.parametrize("room", [live, runs])
def test_the_old_flap_is_not_kept(room, word):
    """It was, so runs flown with full flaps were counted at the point of the setting before."""
    call = HeardCall(id="c1", start_ns=0, end_ns=1, kind=CallKind.SETTING, name="flap", value=word)

    assert room.with_setting(Settings(power="idle", flap_deg=15.0), call) == Settings(power="idle")

"""A flap named in words whose degrees the campaign does not give: the setting before it no longer holds."""

import pytest

from logger_app.domain.settings import Memory, Possible, setting_called
from logger_app.records.calls import CallKind, HeardCall


@pytest.mark.parametrize("word", ["full", "half", "notch 1"])
def test_the_old_flap_is_not_kept(word):
    """It was, so runs flown with full flaps were counted at the point of the setting before."""
    memory = Memory()
    for name, value in (("power", "idle"), ("flap", 15.0), ("flap", word)):
        call = HeardCall(id="c1", start_ns=0, end_ns=1, kind=CallKind.SETTING, name=name, value=value)
        memory = setting_called(memory, call, Possible())

    assert (memory.settings().power, memory.settings().flap_deg) == ("idle", None)

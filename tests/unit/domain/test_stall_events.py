"""The event table against the language pack that ships."""

import tomllib

from logger_app.domain.stall_events import EVENT_MEANINGS, Role, meaning_of
from logger_app.io.resources import data_dir

# Spoken in a run and of no consequence to a stall speed.
NOT_OURS = {"on_condition"}


def pack_names(kind):
    pack = tomllib.loads((data_dir("grammar") / "en" / "callouts.toml").read_text(encoding="utf-8"))
    return {entry["name"] for entry in pack[kind]}


def test_every_event_of_the_pack_has_a_meaning_or_is_known_to_have_none():
    assert pack_names("event") - set(EVENT_MEANINGS) == NOT_OURS


def test_the_table_names_nothing_that_nobody_can_say():
    # A pusher has no word in the pack yet; a person may add such an event in review.
    assert set(EVENT_MEANINGS) - pack_names("event") - pack_names("command") == {"stick_pusher"}


def test_a_side_given_as_a_value_counts(make):
    assert meaning_of(make.event(1, "wing_drop", "left")).side == "left"
    assert meaning_of(make.event(1, "wing_drop")).side is None
    assert meaning_of(make.event(1, "buffet")).role is Role.BUFFET
    assert meaning_of(make.speed(1, 50.0)) is None

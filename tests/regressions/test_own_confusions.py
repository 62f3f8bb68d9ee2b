"""A pilot whose "fifty" is heard as "sixty" flew on without being told, and nothing remembered it in flight."""

import json
import shutil
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import pytest

from logger_app.errors import LogDamaged
from logger_app.fly.rehearsal import score
from logger_app.hear.packs_io import load_pack
from logger_app.io.resources import data_dir
from logger_app.logstore import codec
from logger_app.logstore.store import Journal
from logger_app.records.calls import CallKind, Flag, HeardCall
from logger_app.records.journal import FlightInfo
from logger_app.workflows import preflight
from logger_app.workflows.campaign import load_campaign
from logger_app.workflows.flight_session import EngineMaker, open_flight
from logger_app.workflows.hearing import hear_into


@pytest.fixture
def folder(tmp_path):
    shutil.copy(data_dir("demo_sessions") / "sparrow_cuffs/inputs/campaign.toml", tmp_path / "campaign.toml")
    return tmp_path


def rehearsed(pack, wrong):
    """A rehearsal in which some speeds were heard as others."""
    lines = preflight.rehearsal_script(pack)
    calls = [
        HeardCall(id=str(k), start_ns=k, end_ns=k, kind=x.kind, name=x.name, value=wrong.get(x.value, x.value))
        for k, x in enumerate(lines)
    ]
    return score(lines, calls)


def test_the_pilot_is_told_what_his_fifty_sounds_like_and_what_to_say_instead():
    pack = load_pack("en")
    check = preflight.check_rehearsal(rehearsed(pack, {50.0: 60.0}), pack)

    assert check.state == preflight.WARN
    assert check.hint.startswith(
        "Your 'fifty' sounds like 'sixty' here: say 'five zero', or go on: such calls will be flagged."
    )
    assert not dict(preflight.check_rehearsal(rehearsed(pack, {}), pack).facts)["confusions"]


def test_it_is_kept_for_the_flight_that_follows_and_for_this_pilot_only(folder):
    preflight.keep_voice(folder, "ann", rehearsed(load_pack("en"), {50.0: 60.0, 55.0: 65.0}))

    assert preflight.kept_confusions(folder, "ann") == ((6, 5),)
    assert preflight.kept_confusions(folder, "") == ((6, 5),)
    assert preflight.kept_confusions(folder, "ben") == ()
    assert preflight.kept_confusions(folder, "ann", datetime.now(UTC) + timedelta(hours=25)) == ()
    preflight.keep_voice(folder, "ann", rehearsed(load_pack("en"), {}))
    assert preflight.kept_confusions(folder, "ann") == ()


@pytest.mark.parametrize(
    "text", ["", "{", "[]", '{"utc": 5}', '{"utc": "2031-01-01T00:00:00+00:00", "confusions": [[60, 5]]}']
)
def test_a_damaged_note_of_it_is_no_note(folder, text):
    (folder / "results").mkdir()
    (folder / "results" / "voice.json").write_text(text)

    assert preflight.kept_confusions(folder, "") == ()


def sixties(values=(62, 52)):
    return [
        HeardCall(
            id=f"c{v}", start_ns=v * 10**9, end_ns=v * 10**9 + 1, kind=CallKind.AIRSPEED, name="ias", value=float(v)
        )
        for v in values
    ]


def test_in_flight_after_a_resume_and_in_hear_the_same_calls_are_flagged(folder):
    campaign = load_campaign(folder)
    with open_flight(campaign, folder, "day1_baseline", confusions=((6, 5),)) as journal:
        begun = journal.info
    with open_flight(campaign, folder, "day1_baseline") as journal:  # resumed: nothing is asked again
        resumed = journal.info
    reader = EngineMaker.reader(SimpleNamespace(campaign=campaign), resumed.confusions)
    live = {call.value: Flag.SOUNDS_LIKE in call.flags for call in reader(sorted(sixties(), key=lambda c: c.start_ns))}
    (folder / "talk.srt").write_text(
        "1\n00:00:01,000 --> 00:00:02,000\nsixty two\n\n2\n00:00:03,000 --> 00:00:04,000\nfifty nine\n"
    )
    hear_into([folder / "talk.srt"], folder / "flights" / "day1_baseline")
    with Journal.open(folder / "flights" / "day1_baseline", read_only=True) as journal:
        heard = [codec.body_to_call(row.body) for row in journal.rows() if row.kind == "call"]

    assert begun.confusions == resumed.confusions == ((6, 5),)
    assert live[62.0]
    assert {call.value: Flag.SOUNDS_LIKE in call.flags for call in heard} == {62.0: True, 59.0: False}
    assert [a.value for call in heard for a in call.alternatives if call.value == 62.0] == [52.0]


def written(folder, flown=None):
    """The talk of a flight as a new one, heard without having been flown with the program; its rows."""
    talk = folder / "talk.srt"
    talk.write_text("1\n00:00:01,000 --> 00:00:02,000\nsixty two\n\n2\n00:00:03,000 --> 00:00:04,000\nfifty nine\n")
    flight = folder / "flights" / "day1_baseline"
    hear_into([talk], flight, flown=flown)
    with Journal.open(flight, read_only=True) as journal:
        heard = [codec.body_to_call(row.body) for row in journal.rows() if row.kind == "call"]
        return journal.info.confusions, {call.value: Flag.SOUNDS_LIKE in call.flags for call in heard}


def test_a_new_flight_made_of_a_recording_takes_them_over(folder):
    preflight.keep_voice(folder, "ann", rehearsed(load_pack("en"), {50.0: 60.0}))

    assert written(folder) == (((6, 5),), {62.0: True, 59.0: False})


@pytest.mark.parametrize(("flown", "kept"), [(0, ((6, 5),)), (-40, ())])
def test_of_a_recording_the_day_it_was_flown_decides_and_not_the_day_it_is_heard(folder, flown, kept):
    preflight.keep_voice(folder, "", rehearsed(load_pack("en"), {50.0: 60.0}))
    day = (datetime.now(UTC) + timedelta(days=flown)).date().isoformat()

    assert written(folder, day) == (kept, {62.0: bool(kept), 59.0: False})


def test_a_journal_without_them_opens_as_before_and_one_with_nonsense_is_damaged():
    body = codec.info_to_body(FlightInfo(id="f", configuration=None))

    assert "confusions" not in body
    assert codec.body_to_info(json.loads(json.dumps(body))).confusions == ()
    for nonsense in ([[6]], [["6", 5]], [[60, 5]], [6, 5], {"a": 1}):
        with pytest.raises(LogDamaged):
            codec.body_to_info(body | {"confusions": nonsense})

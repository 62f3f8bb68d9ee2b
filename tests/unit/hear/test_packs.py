import copy
import tomllib
from pathlib import Path
from types import SimpleNamespace

import pytest

from logger_app.errors import PackError
from logger_app.hear.packs import build_pack, legal_calls
from logger_app.hear.packs_io import load_pack, spoken_names
from logger_app.hear.parse import parse_words
from logger_app.hear.phones import PHONES
from logger_app.hear.phrases import PhraseError, Slot, expand
from logger_app.plan.cards_io import read_campaign
from logger_app.records.calls import CallKind
from logger_app.records.plan import Aircraft, Campaign, FlapLimit, Team

SMALL = {
    "pack": {"name": "small", "language": "xx", "version": "1"},
    "number": {
        "unit": {"words": {"un": 1, "du": 2}},
        "tens": {"words": {"tri": 3}},
        "speed": {
            "rules": [{"say": "<unit>"}, {"say": "<tens>"}, {"say": "<unit> a <tens>", "times": [1, 10], "join": True}]
        },
    },
    "airspeed": {"low": 1, "high": 3, "say": ["<speed>"], "shorthand": "unit"},
    "event": [{"name": "buffet", "say": ["du bum"]}],
    "pronounce": {"un": "AH N", "du": ["D UW", "D AH"], "tri": "T R IY", "bum": "B AH M", "a": "AH"},
}


def small(**changes):
    document = copy.deepcopy(SMALL) | changes
    return build_pack(document, lambda word: (), where="small.toml")


def campaign(words=(), flaps=()):
    aircraft = Aircraft(
        name="Invented",
        empty_weight_kg=400,
        reference_weight_kg=600,
        max_weight_kg=640,
        wing_area_m2=12,
        flap_limits=tuple(FlapLimit(flap_deg=deg, max_ias_kt=80) for deg in flaps),
    )
    return Campaign(name="c", aircraft=aircraft, team=Team(words=tuple(words)))


@pytest.fixture(scope="module")
def en():
    return load_pack("en")


def test_the_notation_of_phrases():
    assert expand("(a|b) <n> [c d]") == [
        ("a", Slot("n"), "c", "d"),
        ("a", Slot("n")),
        ("b", Slot("n"), "c", "d"),
        ("b", Slot("n")),
    ]


def test_a_part_stands_for_its_own_wordings_and_must_be_there():
    assert [("it", "broke"), ("she", "broke"), ("broke",)] == expand("{it} broke", {"it": "[it|she]"})
    with pytest.raises(PhraseError):
        expand("{it} broke")


@pytest.mark.parametrize("phrase", ["(a", "a)", "[a", "", "   ", "[a]x]", "<A b>", 7])
def test_a_broken_phrase_says_what_is_wrong(phrase):
    with pytest.raises(PhraseError):
        expand(phrase)


def test_every_legal_call_has_a_wording_of_its_own_and_every_word_a_sound(en):
    calls = list(legal_calls(en, 30, 110, "kt"))

    assert len({call.words for call in calls}) == len(calls)
    for word in {word for call in calls for word in call.words} | {w for f in en.fillers for w in f}:
        for phones in en.pronunciations(word):
            assert phones.split() and set(phones.split()) <= set(PHONES)


def test_the_pack_says_at_least_sixty_things_beyond_numbers(en):
    phrases = {
        call.words
        for call in legal_calls(en)
        if call.kind is not CallKind.AIRSPEED
        and not any(word in call.words for word in ("rpm", "feet", "heading", "fuel", "bank", "altitude"))
    }

    assert len(phrases) >= 60


@pytest.mark.parametrize(
    "name",
    [
        "on_condition",
        "buffet",
        "heavy_buffet",
        "break",
        "nose_drop",
        "wing_drop_left",
        "wing_drop_right",
        "aft_stop",
        "stall_warning",
        "stick_shaker",
        "mush",
        "recovered",
    ],
)
def test_events_of_a_stall(en, name):
    assert name in en.names(CallKind.EVENT)


@pytest.mark.parametrize(
    "name",
    [
        "scratch_that",
        "knock_it_off",
        "hold",
        "resume",
        "repeat",
        "next_card",
        "previous_card",
        "card",
        "mark",
        "note",
        "again",
        "stand_by",
    ],
)
def test_commands(en, name):
    assert name in en.names(CallKind.COMMAND)


def test_airspeeds_stay_in_the_range_asked_for_and_carry_its_unit(en):
    speeds = [call for call in legal_calls(en, 40, 60, "mph") if call.kind is CallKind.AIRSPEED and not call.shorthand]

    assert {call.value for call in speeds} == set(map(float, range(40, 61)))
    assert {call.unit for call in speeds} == {"mph"}
    assert {" ".join(c.words) for c in speeds if c.value == 59} >= {
        "fifty nine",
        "fifty niner",
        "five nine",
        "fife niner",
    }


def test_shorthand_is_the_digit_alone(en):
    digits = {" ".join(call.words): call.value for call in legal_calls(en) if call.shorthand}

    assert digits == {
        "zero": 0,
        "one": 1,
        "two": 2,
        "three": 3,
        "tree": 3,
        "four": 4,
        "fower": 4,
        "five": 5,
        "fife": 5,
        "six": 6,
        "seven": 7,
        "eight": 8,
        "nine": 9,
        "niner": 9,
    }


def test_the_decoder_hears_fewer_settings_than_the_parser_reads(en):
    heard, read = ({c.words for c in legal_calls(en, all_values=every)} for every in (False, True))

    assert heard < read
    assert ("altitude", "six", "thousand", "two", "hundred") in heard
    assert ("heading", "two", "seven", "three") in read - heard


def test_joined_words_sound_like_their_parts():
    pack = small(
        airspeed={"low": 1, "high": 32, "say": ["<speed>"]},
        number=SMALL["number"]
        | {
            "speed": {"rules": [{"say": "<unit> a <tens>", "times": [1, 10], "join": True}, {"say": "<any>"}]},
            "any": {"words": {f"n{k}": k for k in range(1, 33)}},
        },
        pronounce=SMALL["pronounce"] | {f"n{k}": "N" for k in range(1, 33)},
    )

    assert pack.pronunciations("duatri") == ("D UW AH T R IY", "D AH AH T R IY")
    assert {r.words: r.value for r in pack.airspeeds}[("duatri",)] == 32


def test_a_teams_words_replace_the_packs():
    pack = load_pack("en", campaign([("scratch_that", ("bin it",)), ("flap", ("setting <degrees>",))]))
    said = {" ".join(call.words): call for call in legal_calls(pack)}

    assert said["bin it"].name == "scratch_that"
    assert "scratch that" not in said
    assert said["setting fifteen"].value == 15 and "flaps fifteen" not in said
    assert said["flaps up"].value == 0, "phrases with another shape stay"


def test_a_teams_word_may_carry_its_sound():
    pack = load_pack("en", campaign([("knock_it_off", ("kiaora/K IY AO R AH/ now",))]))

    assert pack.pronunciations("kiaora") == ("K IY AO R AH",)
    assert any(call.words == ("kiaora", "now") for call in legal_calls(pack))


def test_a_word_without_a_sound_is_named_with_how_to_add_it():
    with pytest.raises(PackError) as caught:
        load_pack("en", campaign([("knock_it_off", ("ñu and łąka",))]))

    assert "ñu" in str(caught.value) and "łąka" in str(caught.value)
    assert "[pronounce]" in str(caught.value) and "/K IY AH/" in str(caught.value)


def test_a_teams_word_with_an_apostrophe_or_in_no_dictionary_is_heard_by_a_guess():
    """ "Knob's" stopped `hear` and blamed the packaged file; `plan` let it pass."""
    pack = load_pack("en", campaign([("aft_stop", ("knob’s all the way back", "zorblatt now"))]))

    assert dict(pack.guessed) == {"knob's": "N AA B Z", "zorblatt": "Z AO R B L AE T"}
    assert pack.pronunciations("knob's") == ("N AA B Z",)
    said = [call.name for call in parse_words(["Knob's", "all", "the", "way", "back"], pack)]
    assert said == ["aft_stop"]


def test_a_name_that_the_pack_does_not_have_gets_a_suggestion():
    with pytest.raises(PackError) as caught:
        load_pack("en", campaign([("knock_it_of", ("stop",))]))

    assert "Did you mean knock_it_off?" in str(caught.value)


def test_a_teams_phrase_must_not_mean_two_things():
    with pytest.raises(PackError) as caught:
        load_pack("en", campaign([("knock_it_off", ("buffet",))]))

    assert "buffet" in str(caught.value) and "one meaning" in str(caught.value)


def test_flaps_in_words_get_this_aircrafts_degrees():
    pack = load_pack("en", campaign(flaps=(10, 20, 40)))
    values = {" ".join(c.words): c.value for c in legal_calls(pack) if c.name == "flap"}

    assert (values["half flaps"], values["full flaps"], values["first notch"]) == (20.0, 40.0, 10.0)
    plain = {" ".join(c.words): c.value for c in legal_calls(load_pack("en")) if c.name == "flap"}
    assert (plain["half flaps"], plain["full flaps"]) == ("half", "full"), "without an aircraft nothing is guessed"


FAULTS = {
    "no version": ({"pack": {"name": "x", "language": "x"}}, "pack.version"),
    "an unknown key": ({"evnt": []}, "Did you mean event?"),
    "an unknown number": ({"event": [{"name": "x", "say": ["<unt> bum"]}]}, "Did you mean <unit>?"),
    "a number of itself": (
        {"number": SMALL["number"] | {"unit": {"rules": [{"say": "<unit>"}]}}},
        "do not refer to themselves",
    ),
    "a hole in the range": ({"airspeed": {"low": 1, "high": 9, "say": ["<speed>"]}}, "no way to say 4, 5, 6, 7, 8"),
    "range upside down": ({"airspeed": {"low": 5, "high": 2, "say": ["<speed>"]}}, "low below high"),
    "two meanings": ({"event": [{"name": "x", "say": ["du"]}]}, "which also means airspeed ias"),
    "a bad phone": ({"pronounce": SMALL["pronounce"] | {"du": "D YY"}}, "YY"),
    "a bad name": ({"event": [{"name": "Big Buffet", "say": ["bum"]}]}, "lower case"),
    "no phrase": ({"event": [{"name": "x", "say": []}]}, "at least one phrase"),
    "phrases not listed": ({"event": [{"name": "x", "say": "bum"}]}, "a list of phrases"),
    "two kinds of value": ({"event": [{"name": "x", "value": 3, "say": ["bum <unit>"]}]}, "one or the other"),
    "a truth value": ({"airspeed": {"low": True, "high": 3, "say": ["<speed>"]}}, "airspeed.low"),
    "no table": ({"event": {"name": "x"}}, "[[event]]"),
    "bad shorthand": ({"airspeed": SMALL["airspeed"] | {"shorthand": "units"}}, "airspeed.shorthand"),
}


@pytest.mark.parametrize("what", FAULTS)
def test_a_faulty_pack_is_refused_with_file_place_and_reason(what):
    changes, expected = FAULTS[what]
    with pytest.raises(PackError) as caught:
        small(**changes)

    assert "small.toml" in str(caught.value) and expected in str(caught.value)


def test_all_faults_come_at_once():
    with pytest.raises(PackError) as caught:
        small(pack={"name": "x"}, event=[{"name": "x", "say": ["(bum"]}, {"name": "y", "say": ["gurk"]}])

    text = str(caught.value)
    assert all(part in text for part in ("pack.language", "pack.version", "brackets", "gurk"))


def test_a_pack_that_is_not_there(tmp_path):
    with pytest.raises(PackError, match="expected one of .*en"):
        load_pack("klingon")


def test_a_pack_file_that_is_no_toml(tmp_path):
    (tmp_path / "callouts.toml").write_text("[pack\n")
    with pytest.raises(PackError, match="callouts.toml"):
        load_pack(str(tmp_path))


def test_a_damaged_dictionary_is_named(tmp_path):
    english = tomllib.loads((Path(__file__).parents[3] / "grammar/en/callouts.toml").read_text("utf-8"))
    assert english["pack"]["dictionary"] == "cmudict.dict.gz"
    (tmp_path / "callouts.toml").write_text('[pack]\nname="x"\nlanguage="x"\nversion="1"\ndictionary="d.gz"\n')
    (tmp_path / "d.gz").write_bytes(b"\x1f\x8b\x08broken")
    with pytest.raises(PackError, match="d.gz"):
        load_pack(str(tmp_path))


def test_a_dictionary_that_was_changed_is_read_again_by_a_program_that_runs(tmp_path):
    (tmp_path / "callouts.toml").write_text(
        '[pack]\nname = "x"\nlanguage = "x"\nversion = "1"\ndictionary = "d.txt"\n[number.n.words]\nzehn = 10\nelf = 11\n'
        '[airspeed]\nlow = 10\nhigh = 11\nsay = ["<n>"]\n'
    )
    (tmp_path / "d.txt").write_text("elf EH L F\nzehn T S EY N\n")
    before = load_pack(str(tmp_path))
    (tmp_path / "d.txt").write_text("elf EH L F\nzehn S EY N\n")
    after = load_pack(str(tmp_path))

    assert (before.pronunciations("zehn"), after.pronunciations("zehn")) == (("T S EY N",), ("S EY N",))
    assert load_pack(str(tmp_path)) is after


def test_sound_is_heard_only_as_flap_settings_and_cards_that_there_are():

    root = Path(__file__).resolve().parents[3]
    campaign = read_campaign(root / "demo_sessions" / "sparrow_cuffs" / "inputs")
    pack = load_pack("en", campaign)

    heard = {call.value for call in legal_calls(pack) if call.name == "flap"}
    read = {call.value for call in legal_calls(pack, all_values=True) if call.name == "flap"}

    assert {v for v in heard if isinstance(v, float)} == {0.0, 15.0, 30.0}
    assert 40.0 in read
    cards = {call.value for call in legal_calls(pack) if call.name == "card"}
    assert cards == {"A", "A1", "A2", "A3", "B", "B1", 1.0, 2.0, 3.0}, "its cards and points, or a number on a card"
    assert "D1" in {call.value for call in legal_calls(pack, all_values=True) if call.name == "card"}, "a text is read"


@pytest.mark.parametrize(
    "said, command",
    [
        ("abort", "knock_it_off"),
        ("abort the run", "knock_it_off"),
        ("stop stop stop", "knock_it_off"),
        ("skip this card", "next_card"),
        ("skip this point", "next_card"),
    ],
)
def test_words_that_teams_use_for_ending_and_skipping_are_commands_without_being_listed_by_a_team(said, command):
    calls = parse_words(said.split(), load_pack("en"))

    assert [(call.kind, call.name) for call in calls] == [(CallKind.COMMAND, command)]


def test_a_teams_own_words_for_stopping_leave_the_common_ones_in_place():
    def named(said, *words):
        return [call.name for call in parse_words(said.split(), load_pack("en", campaign(words=words)))]

    own = ("knock_it_off", ("terminate the test",))

    assert named("terminate the test", own) == named("abort", own) == named("stop stop stop", own) == ["knock_it_off"]
    assert named("abort", own, ("scratch_that", ("abort",))) == ["scratch_that"]  # the team has another use for it
    assert named("next point", ("next_card", ("next please",))) == []  # other words are replaced


@pytest.mark.parametrize("language", ["en", "de"])
def test_what_people_say_for_a_name_is_words_and_no_pattern(language):
    """The review showed "{it} pitching down"."""
    said = spoken_names(SimpleNamespace(language=language, team=SimpleNamespace(words=())))

    assert len(said) > 20 and not [words for words in said.values() if set("{}<>()[]|") & set(words)]
    assert language == "de" or (said["buffet"], said["nose_drop"]) == ("buffet", "nose drop")

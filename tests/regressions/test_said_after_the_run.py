"""Out of a trial with transcripts spoken as people do: what was said too late, or in a sentence, is asked about."""

from logger_app.__main__ import main
from logger_app.review.items import Item
from logger_app.workflows.review import ReviewWorkflow
from tests.regressions.test_runs_in_their_place import CAMPAIGN

SPEEDS = "64 62 61 59 58 56 55 53 52 51"


def heard(folder, *parts):
    """A flight heard from (time in seconds, words); words that are numbers come one every 1.6 s."""
    (folder / "campaign.toml").write_text(CAMPAIGN, "utf-8")
    lines = ["start_s,words"]
    for at_s, words in parts:
        each = words.split() if words[0].isdecimal() else [words]
        lines += [f'{at_s + 1.6 * k:.1f},"{word}"' for k, word in enumerate(each)]
    (folder / "said.csv").write_text("\n".join(lines), "utf-8")
    into = folder / "flights" / "d1"
    words = ["hear", str(folder / "said.csv"), "--into", str(into), "--campaign", str(folder)]
    assert main([*words, "--configuration", "base"]) == 0
    return ReviewWorkflow(into, "anna").load()


def approach(at_s):
    return [(at_s, "on condition"), (at_s + 3, SPEEDS), (at_s + 19, "break"), (at_s + 22, "recovered")]


def test_a_remark_on_the_run_before_asks_whether_it_was_meant_for_it(tmp_path):
    """ "That one was with flaps twenty by the way": the run stood at the other flap, and only the words were queued."""
    said = [(5, "power idle"), (8, "flaps up"), (11, "wings level"), *approach(20), *approach(70)]
    now = heard(tmp_path, *said, (100, "that one was with flaps twenty by the way"), *approach(130))
    (item,) = [item for item in now.queue.items if item.item is Item.POINT]

    assert (item.runs, item.proposed) == ((now.runs.runs[1].id,), "A2")
    assert item.why[0].startswith("flap 20 was said in a sentence 9 s after run 2: was it meant for that run?")
    assert [run.point for run in now.runs.runs] == ["A1"] * 3


def test_a_sentence_that_agrees_with_what_is_set_asks_nothing(tmp_path):
    said = [(5, "power idle"), (8, "flaps up"), (11, "wings level"), *approach(20)]
    now = heard(tmp_path, *said, (60, "so we are at power idle still"), *approach(70), *approach(120))

    assert [item for item in now.queue.items if item.item is Item.CALL] == []


def test_more_runs_than_wanted_propose_no_other_point_by_themselves(tmp_path):
    """One key would have moved four right runs to a point that nothing spoke for."""
    said = [(5, "power idle"), (8, "flaps up"), (11, "wings level")]
    now = heard(tmp_path, *said, *(part for k in range(5) for part in approach(20 + 50 * k)))
    (item,) = [item for item in now.queue.items if item.item is Item.POINT]

    assert "5 runs in a row where" in item.why[0] and item.proposed is None

"""Links and pipes in a campaign that somebody sent destroyed files of the reader, or made a verb wait for ever."""

import os
import shutil

import pytest

from logger_app.__main__ import main
from logger_app.errors import FileRefused
from logger_app.io.files import complete_file, open_file, read_bytes, refuse_links, write_text
from logger_app.logstore.lock_io import LOCK_FILE, WriterLock
from tests.made_campaign import make_campaign

FLIGHT = "day1_baseline"
pytestmark = pytest.mark.skipif(os.name == "nt", reason="links need a right of their own on Windows")


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    return make_campaign(tmp_path_factory.mktemp("made") / "c", sound_s=5)


@pytest.fixture
def campaign(made, tmp_path):
    return shutil.copytree(made, tmp_path / "c")


@pytest.fixture
def private(tmp_path):
    """Files of the reader that nothing may touch."""
    folder = tmp_path / "private"
    folder.mkdir()
    (folder / "0000.wav").write_bytes(b"a letter")
    (folder / "letter.txt").write_bytes(b"a letter")
    return folder


def contents(folder):
    return {path.name: path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_a_lock_that_is_a_link_truncates_nothing(campaign, private, capsys):
    lock = campaign / "flights" / FLIGHT / LOCK_FILE
    lock.unlink(missing_ok=True)
    lock.symlink_to(private / "letter.txt")
    before = contents(private)

    assert main(["review", str(lock.parent), "--reject", "call-0003"]) == 1
    assert main(["store", "compress", str(lock.parent)]) == 1
    assert "link" in capsys.readouterr().err
    assert contents(private) == before


def test_a_lock_with_a_second_name_is_held_but_not_written(tmp_path):
    other = tmp_path / "other.txt"
    other.write_bytes(b"a letter")
    os.link(other, tmp_path / LOCK_FILE)
    lock = WriterLock(tmp_path)
    lock.release()

    assert other.read_bytes() == b"a letter"


@pytest.mark.parametrize("what", ["folder", "file"])
def test_forgetting_the_sound_removes_nothing_through_a_link(campaign, private, capsys, what):
    audio = campaign / "flights" / FLIGHT / "audio"
    if what == "folder":
        shutil.rmtree(audio)
        audio.symlink_to(private)
    else:
        (audio / "0000.wav").unlink()
        (audio / "0000.wav").symlink_to(private / "letter.txt")
    before = contents(private)
    code = main(["store", "forget-sound", str(audio.parent)])

    assert contents(private) == before
    assert code == (1 if what == "folder" else 0)
    if what == "folder":
        assert "is a link" in capsys.readouterr().err
    else:
        assert not (audio / "0000.wav").is_symlink()


@pytest.mark.parametrize("end", ["", "-wal", "-shm", "-journal"])
def test_sqlite_follows_no_link(campaign, private, capsys, end):
    path = campaign / "flights" / FLIGHT / f"flight.sqlite{end}"
    path.unlink(missing_ok=True)
    path.symlink_to(private / "letter.txt")
    before = contents(private)

    for words in (
        ["review", str(path.parent), "--list"],
        ["hear", str(campaign / "campaign.toml"), "--into", str(path.parent)],
    ):
        assert main(words) == 1
    assert contents(private) == before and "Traceback" not in capsys.readouterr().err


def test_a_log_that_is_a_link_is_named_and_the_rest_is_saved(campaign, private, capsys):
    path = campaign / "flights" / FLIGHT / "flight.sqlite-wal"
    path.unlink(missing_ok=True)
    path.symlink_to(private / "letter.txt")
    before = contents(private)

    assert main(["store", "verify", str(campaign)]) == 1
    assert "flight.sqlite-wal" in capsys.readouterr().err
    assert main(["store", "rescue", str(path.parent)]) == 0
    assert main(["store", "verify", f"{path.parent}_rescued"]) == 0
    assert contents(private) == before


def test_a_log_of_gigabytes_is_refused_and_not_read(campaign, capsys):
    path = campaign / "flights" / FLIGHT / "flight.sqlite-wal"
    with path.open("wb") as file:
        file.truncate(8_000_000_000)  # a hole: it costs no disk

    assert main(["review", str(path.parent), "--list"]) == 1
    assert "at most" in capsys.readouterr().err


@pytest.mark.parametrize("where", ["results", "results/report", "results/report/subtitles", "flights"])
def test_results_are_not_written_elsewhere(campaign, tmp_path, capsys, where):
    outside = tmp_path / "outside"
    outside.mkdir()
    main(["report", str(campaign)])
    path = campaign / where
    shutil.rmtree(path)
    path.symlink_to(outside)
    (campaign / "flights").is_symlink() or main(["reduce", str(campaign)])
    main(["report", str(campaign)])

    assert list(outside.rglob("*")) == []
    assert "is a link" in capsys.readouterr().err


def test_a_list_of_files_in_an_old_report_removes_nothing_outside(campaign, private):
    out = campaign / "results" / "report"
    main(["report", str(campaign)])
    manifest = (out / "versions.json").read_text()
    (out / "versions.json").write_text(
        manifest.replace('"files_sha256": {', '"files_sha256": {"more/letter.txt": "0",')
    )
    (out / "more").symlink_to(private)
    before = contents(private)

    assert main(["report", str(campaign)]) == 1
    assert contents(private) == before


def test_a_campaign_reached_through_a_link_of_the_user_works(campaign, tmp_path):
    (tmp_path / "mine").symlink_to(campaign)

    assert main(["reduce", str(tmp_path / "mine")]) == 0
    assert (campaign / "results" / "reduction.json").is_file()


def test_what_is_written_in_a_campaign_replaces_no_link(campaign, private):
    for name in ("results/reduction.json", "campaign.toml"):
        path = campaign / name
        path.parent.mkdir(exist_ok=True)
        path.unlink(missing_ok=True)
        path.symlink_to(private / "letter.txt")
        if name != "campaign.toml":
            with pytest.raises(FileRefused):
                write_text(path, "x")
    with pytest.raises(FileRefused):
        write_text(campaign / "campaign.toml", "x")
    assert (private / "letter.txt").read_bytes() == b"a letter"


def test_a_temporary_file_is_never_one_that_is_there(tmp_path, private):
    """Somebody who knows the process number puts a link where the temporary file will be."""
    import threading

    part = tmp_path / f".a.{os.getpid()}-{threading.get_native_id()}.part.txt"
    part.symlink_to(private / "letter.txt")
    with pytest.raises(FileExistsError), complete_file(tmp_path / "a.txt"):
        pass
    assert (private / "letter.txt").read_bytes() == b"a letter"


def test_only_ordinary_files_are_read(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "long.txt").write_bytes(b"x" * 2000)

    for path in (tmp_path / "pipe", "/dev/zero", tmp_path):
        with pytest.raises(FileRefused):
            open_file(path)
    with pytest.raises(FileRefused):
        read_bytes(tmp_path / "long.txt", 1999)
    assert len(read_bytes(tmp_path / "long.txt", 2000)) == 2000


def test_a_link_is_refused_below_a_campaign_and_not_elsewhere(tmp_path):
    (tmp_path / "c").mkdir()
    (tmp_path / "c" / "campaign.toml").touch()
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere" / "campaign.toml").touch()
    (tmp_path / "c" / "results").symlink_to(tmp_path / "elsewhere")
    (tmp_path / "link").symlink_to(tmp_path / "elsewhere")

    with pytest.raises(FileRefused):
        refuse_links(tmp_path / "c" / "results" / "a.txt")
    refuse_links(tmp_path / "link" / "a.txt")
    refuse_links(tmp_path / "c" / "not" / "there")


PIPED = {
    "trace": ("flights/day1_baseline/traces/efis.csv", ["reduce", "."]),
    "still": ("results/compare/x.png", ["report", "."]),
    "campaign": ("campaign.toml", ["plan", "."]),
    "journal": ("flights/day1_baseline/flight.sqlite", ["reduce", "."]),
    "log": ("flights/day1_baseline/flight.sqlite-wal", ["review", "flights/day1_baseline", "--list"]),
    "lock": ("flights/day1_baseline/flight.lock", ["review", "flights/day1_baseline", "--reject", "call-0003"]),
    "sound": ("flights/day1_baseline/audio/0000.wav", ["report", "."]),
    "verify": ("flights/day1_baseline/audio/0000.wav", ["store", "verify", "."]),
    "table": ("calls.csv", ["review", "flights/day1_baseline", "--import", "calls.csv"]),
    "camera": ("wing.mp4", ["sync", "flights/day1_baseline", "wing.mp4"]),
    "legs": ("legs.csv", ["calibrate", "legs.csv"]),
    "recording": ("tape.wav", ["hear", "tape.wav"]),
    "tape to fly on": (
        "tape.wav",
        ["fly", ".", "--no-screen", "--flight", "x", "--configuration", "baseline", "--audio", "tape.wav"],
    ),
    "tape of a rehearsal": ("tape.wav", ["preflight", ".", "--no-screen", "--audio", "tape.wav"]),
    "package": ("r.zip", ["store", "verify", "r.zip"]),
    "transcript": ("tape.csv", ["hear", "tape.csv"]),
    "pack": ("pack.toml", ["hear", "campaign.toml", "--pack", "pack.toml"]),
    "briefing": ("results/preflight.json", ["preflight", ".", "--no-screen"]),
    "manifest": ("results/report/versions.json", ["report", "."]),
}


@pytest.mark.parametrize("name", PIPED)
@pytest.mark.timeout(120)  # a verb that waits for the pipe would wait for ever
def test_a_pipe_in_the_place_of_a_file_makes_nothing_wait(campaign, capsys, monkeypatch, name):
    file, words = PIPED[name]
    path = campaign / file
    path.parent.mkdir(parents=True, exist_ok=True)
    path.unlink(missing_ok=True)
    os.mkfifo(path)
    monkeypatch.chdir(campaign)
    monkeypatch.setenv("KNEECALL_HOME", str(campaign.parent / "home"))
    code = main(words)

    assert "Traceback" not in capsys.readouterr().err
    assert code == 1 or (code == 0 and name in ("trace", "still", "sound", "briefing"))


ENDLESS = (
    ["hear", "/dev/zero"],
    ["hear", "endless.csv"],
    ["hear", "campaign.toml", "--pack", "endless.toml"],
    ["sync", "flights/day1_baseline", "/dev/zero"],
    ["calibrate", "endless.csv"],
    ["reduce", ".", "--trace", "day1_baseline=endless.csv"],
    ["review", "flights/day1_baseline", "--import", "endless.csv"],
    ["plan", "endless.toml"],
    ["fly", ".", "--no-screen", "--flight", "x", "--configuration", "baseline", "--audio", "/dev/zero"],
)


@pytest.mark.parametrize("words", ENDLESS, ids=" ".join)
def test_an_endless_file_is_refused_in_a_sentence(campaign, capsys, monkeypatch, words):
    """A link that the user made himself, outside the campaign, to a device that never ends."""
    monkeypatch.chdir(campaign)
    outside = campaign.parent
    for name in ("endless.csv", "endless.toml"):
        (outside / name).symlink_to("/dev/zero")
    code = main(
        [
            str(outside / word) if word.startswith("endless") else word.replace("=endless", f"={outside}/endless")
            for word in words
        ]
    )
    said = capsys.readouterr().err

    assert code == 1 and said.startswith("kneecall: ") and "Traceback" not in said

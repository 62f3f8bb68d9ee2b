"""What fuzzing found once, and files that are right, read again under the fuzzer's own rules (`tests/bench/fuzz.py`)."""

import os
import shutil

import fuzz
import pytest


@pytest.mark.timeout(200)
@pytest.mark.parametrize("name", fuzz.READERS)
def test_every_reader_keeps_the_rules(name, tmp_path, monkeypatch):
    monkeypatch.setenv("KNEECALL_HOME", str(tmp_path / "given" / "home"))
    reader = fuzz.READERS[name]
    seeds = reader.seeds()
    for data in seeds:  # loads what the reader needs; what that opens is not the file's doing
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(fuzz, "MAX_GROWTH", 10**12)
            patch.setattr(fuzz, "MAX_S", 1000.0)
            try:
                fuzz.attempt(reader, data, tmp_path)
            except fuzz.Finding:
                shutil.rmtree(tmp_path / "given", ignore_errors=True)
    for data in [*seeds, *(path.read_bytes() for path in fuzz.saved(name))]:
        fuzz.attempt(reader, data, tmp_path)


def test_every_file_of_the_corpus_belongs_to_a_reader():
    known = {name.replace(" ", "_") for name in fuzz.READERS}

    assert {path.name for path in fuzz.CORPUS.iterdir()} <= known
    assert sum(path.stat().st_size for path in fuzz.CORPUS.rglob("*") if path.is_file()) < 64_000


@pytest.mark.parametrize("name", ["campaign", "pack", "trace csv", "transcript srt", "legs", "review table", "rows"])
def test_what_it_begins_with_is_read(name, tmp_path):
    """A seed that is refused at once would teach the fuzzer nothing."""
    reader = fuzz.READERS[name]
    for k, data in enumerate(reader.seeds()):
        folder = tmp_path / str(k)
        folder.mkdir()
        (folder / reader.file).write_bytes(data)
        reader.read(folder / reader.file)


@pytest.mark.parametrize(
    ("does", "said"),
    [
        (lambda path: path.with_name("left").write_text("a"), "left behind"),
        (lambda path: open("/etc/passwd").close(), "outside its folder"),
        (lambda path: (path.parents[2] / "out.txt").write_text("a"), "outside its folder"),
        (lambda path: os.system("true"), "outside its folder"),
        (lambda path: fuzz.check_message("a\x1b[2J"), "the message holds"),
        (lambda path: fuzz.check_message(" "), "says nothing"),
        (lambda path: fuzz.check_message("a" * 50_000), "a message of"),
        (lambda path: __import__("socket").socket().close(), "outside its folder"),
        (lambda path: [k * k for k in range(10**5)], "processor time"),
    ],
)
def test_the_rules_are_felt(does, said, tmp_path, monkeypatch):
    if said == "processor time":
        monkeypatch.setattr(fuzz, "MAX_S", 1e-3)
    with pytest.raises(fuzz.Finding, match=said):
        fuzz.attempt(fuzz.Reader("a.txt", does, list), b"a", tmp_path)
    assert not (tmp_path / "given").exists()

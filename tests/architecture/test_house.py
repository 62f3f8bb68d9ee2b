"""The house as a whole: who may import whom, what lies at the top, what each verb answers."""

import contextlib
import io
import re
import subprocess
import sys
from pathlib import Path

import pytest
from importlinter.cli import lint_imports

from logger_app.__main__ import VERBS, main

ROOT = Path(__file__).resolve().parents[2]
TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "LICENSE",
    "logger_app",
    "grammar",
    "tests",
    "demo_sessions",
}


def test_rooms_keep_their_import_contracts(monkeypatch):
    monkeypatch.chdir(ROOT)
    said = io.StringIO()

    with contextlib.redirect_stdout(said):
        code = lint_imports(config_filename=str(ROOT / "pyproject.toml"), no_cache=True)

    assert code == 0, said.getvalue()


# Modules that open files by themselves, and why they may: everybody else goes through `io.files`, which follows no link
# inside a campaign and waits for no pipe.
OPENS_BY_ITSELF = {
    "io/files.py": "the one place",
    "io/process.py": "the null device",
    "__main__.py": "the null device",
    "logstore/lock_io.py": "checks what it opened",
    "logstore/recover.py": "the folder that it builds, and journals whose kind was checked",
    "logstore/store.py": "journals whose kind was checked",
    "logstore/audio_io.py": "a temporary file of its own",
    "report/page.py": "templates that travel with the program",
    "report/pdf_io.py": "the folder in the making",
    "report/report_io.py": "the folder in the making",
    "report/tables_io.py": "the folder in the making",
    "reduce/results_io.py": "a temporary file of its own",
    "workflows/package.py": "a temporary folder of its own",
    "workflows/demo.py": "data that travels with the program",
    "workflows/preflight.py": "the system's own files about batteries",
}
OPENING = re.compile(
    r"(?<!files_io)\.(?:read_text|read_bytes|write_bytes|write_text)\(|(?<![\w.])open\(|\.open\(\s*\"[rwxa]|np\.load\(path|os\.open\("
)


def test_files_are_opened_in_one_place():
    found = set()
    for path in sorted((ROOT / "logger_app").rglob("*.py")):
        code = re.sub(r"def \w+\(|workflow\.write_text\(", "", path.read_text(encoding="utf-8"))
        if OPENING.search(code):
            found.add(path.relative_to(ROOT / "logger_app").as_posix())

    assert found <= set(OPENS_BY_ITSELF), "use logger_app.io.files (open_file, read_text, write_text, create_file)"


@pytest.mark.parametrize("layer", ["domain", "workflows"])
def test_each_module_is_in_the_table_of_its_layer(layer):
    folder = ROOT / "logger_app" / layer
    named = set(re.findall(r"`(\w+)/?`", (folder / "README.md").read_text(encoding="utf-8")))

    assert named == {
        path.stem for path in folder.iterdir() if (path / "__init__.py").is_file() or path.suffix == ".py"
    } - {"__init__"}


def test_nothing_else_lies_at_the_top():
    tracked = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True).stdout.split(
        "\n"
    )
    top = {name.split("/")[0] for name in tracked if name and not name.startswith(".")}

    assert top - TOP_LEVEL == set()


def test_importing_the_package_needs_no_native_library():
    code = "import sys, logger_app, logger_app.workflows.campaign, logger_app.__main__; print(sorted(sys.modules))"
    loaded = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True).stdout

    assert not re.findall(r"'(kivy|sounddevice|av|vosk|pandas|scipy|numpy)'", loaded)


@pytest.mark.parametrize("verb", VERBS)
def test_every_verb_has_help_with_an_example(verb, capsys):
    with pytest.raises(SystemExit) as stop:
        main([verb, "--help"])

    said = capsys.readouterr().out
    assert stop.value.code == 0
    assert f"example: kneecall {verb}" in " ".join(said.split())


@pytest.mark.parametrize("verb", VERBS)
def test_every_verb_is_in_the_documents(verb):
    assert f"kneecall {verb}" in (ROOT / "README.md").read_text("utf-8")


@pytest.mark.parametrize("words", [["nosuchverb"], ["hear", "--nosuchoption"], ["reduce"]])
def test_wrong_usage_is_2(words, capsys):
    with pytest.raises(SystemExit) as stop:
        main(words)

    assert stop.value.code == 2
    assert capsys.readouterr().out == ""


@pytest.mark.parametrize(
    "words",
    [
        ["hear", "nothing-here.wav"],
        ["reduce", "nothing-here"],
        ["report", "nothing-here", "-o", "nowhere"],
        ["plan", "nothing-here"],
        ["review", "nothing-here", "--list"],
        ["store", "verify", "nothing-here"],
        ["sync", "nothing-here", "video.mp4"],
        ["fly", "nothing-here", "--no-screen"],
        ["calibrate", "nothing-here.csv"],
    ],
)
def test_wrong_input_is_1_with_one_sentence_and_no_traceback(words, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    code = main(words)

    said = capsys.readouterr()
    assert code == 1
    assert said.out == ""
    assert "nothing-here" in said.err and "Traceback" not in said.err
    assert list(tmp_path.iterdir()) == []

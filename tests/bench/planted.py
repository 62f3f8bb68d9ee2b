"""A campaign with something planted in it: flips in page headers, links and pipes in the place of files. Part of `faults.py`.

    python tests/bench/planted.py flips CAMPAIGN SEED COUNT      so many flips in one process; prints what was wrong as JSON

Which paths a verb opens is not listed here but seen: `touched` runs it under strace, which sees SQLite and FFmpeg as well.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import random
import re
import shutil
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

PAGE = 4096
FILE_HEADER, PAGE_HEADER = 100, 12
_CALL = re.compile(r"(?:^|\s)(\w+)\((.*)\)\s+= (-?\d+)")
_PATH = re.compile(r'(AT_FDCWD(?:<[^>]*>)?|\d+<[^>]*>)?,? ?"((?:[^"\\]|\\.)*)"')
# Names with the number of a process or with chance in them: nobody can put a link there before.
_OF_THE_MOMENT = re.compile(r"\.part\b|^\.report-|^\.old-|^etilqs_|^tmp|^reading-")
WRITING = re.compile(r"O_WRONLY|O_RDWR|O_CREAT|O_TRUNC")


def touched(trace: Path, under: Path, cwd: Path) -> tuple[list[Path], list[Path]]:
    """Paths below a folder that a traced program opened for writing, made, renamed or removed; and those it read.

    Parameters
    ----------
    trace : Path
        Written by ``strace -f -y -s 4096 -e trace=file``.
    """
    written: dict[Path, None] = {}
    read: dict[Path, None] = {}
    for line in trace.read_text("utf-8", "replace").splitlines():
        if not (call := _CALL.search(line)):
            continue
        name, words = call[1], call[2]
        for place, text in _PATH.findall(words):
            folder = re.sub(r"^[^<]*<|>$", "", place) if "<" in place else str(cwd)
            path = Path(os.path.normpath(Path(folder) / text))
            if not path.is_relative_to(under) or path == under:
                continue
            if name in (
                "mkdir",
                "mkdirat",
                "rename",
                "renameat",
                "renameat2",
                "unlink",
                "unlinkat",
                "link",
                "truncate",
            ):
                written[path] = None
            elif name in ("open", "openat", "creat") and "O_DIRECTORY" not in words:
                (written if WRITING.search(words) or name == "creat" else read)[path] = None
    return list(written), list(read)


def traced(words: list[str], trace: Path) -> list[str]:
    """A command line that writes down which files it touches."""
    return ["strace", "-f", "-y", "-s", "4096", "-e", "trace=file", "-o", str(trace), *words]


def plant_link(path: Path, outside: Path) -> bool:
    """Put a link to a private file or folder in a path's place; what lies there goes outside. False where it cannot be."""
    outside.parent.mkdir(parents=True, exist_ok=True)
    if path.is_symlink():
        return False
    if path.exists():
        shutil.move(path, outside)
    elif path.suffix or path.name.startswith("."):
        outside.write_bytes(b"a letter")
    else:
        outside.mkdir()
        (outside / "letter.txt").write_bytes(b"a letter")
    path.parent.mkdir(parents=True, exist_ok=True)
    path.symlink_to(outside)
    return True


def plant_pipe(path: Path) -> bool:
    """Put a pipe that nobody writes to in a file's place."""
    if not path.is_file() or path.is_symlink():
        return False
    path.unlink()
    os.mkfifo(path)
    return True


# ---- flips ---------------------------------------------------------------------------------------------


def flips(campaign: Path, seed: str, count: int) -> list[str]:
    """What was read otherwise, without a word, after one bit of a page's header was flipped: the rows, and a verb drawn."""
    from logger_app.logstore.recover import readable_rows
    from logger_app.logstore.schema import JOURNAL_FILE

    chance, wrong = random.Random(seed), []
    flight = next(path for path in sorted((campaign / "flights").iterdir()) if path.is_dir())
    path = flight / JOURNAL_FILE
    data = path.read_bytes()
    words = campaign / "more.csv"
    words.write_text("start_s,words\n55,sixty one\n", encoding="utf-8")
    verbs = {
        "reduce": ["reduce", campaign, "--json"],
        "review": ["review", flight, "--list", "--json"],
        "list": ["store", "list", campaign, "--json"],
        "plan": ["plan", campaign, "--json"],
        "hear": ["hear", words, "--into", flight],
        "reject": ["review", flight, "--who", "a pilot", "--reject", "call-0005"],
        "compress": ["store", "compress", flight],
        "report": ["report", campaign, "-o", campaign / "out"],
        "merge": ["store", "merge", flight, campaign / "copy"],
    }
    changing = ("hear", "reject", "compress", "merge")
    shutil.copytree(flight, campaign / "kept")
    shutil.copytree(flight, campaign / "copy")

    def fresh(damaged: bytes) -> None:
        shutil.rmtree(flight)
        shutil.copytree(campaign / "kept", flight)
        path.write_bytes(damaged)

    undisturbed = {}
    for name, line in verbs.items():
        fresh(data)
        undisturbed[name] = _run(line, campaign)
    rows = {row.id: row for row in readable_rows(campaign / "kept")[0]}
    for _ in range(count):
        page = chance.randrange(len(data) // PAGE)
        head = (0, FILE_HEADER + PAGE_HEADER) if page == 0 else (page * PAGE, page * PAGE + PAGE_HEADER)
        place, bit = chance.randrange(*head), chance.randrange(8)
        damaged = bytearray(data)
        damaged[place] ^= 1 << bit
        fresh(bytes(damaged))
        if (silent := _silently(flight, rows)) is not None:
            wrong.append(f"bit {bit} of byte {place}: {silent}")
        name = chance.choice([*verbs, *(name for name in verbs if name != "report")])
        code, out, said = _run(verbs[name], campaign)
        where = f"bit {bit} of byte {place}, {name}"
        if "Traceback" in said or code not in (0, 1):
            wrong.append(f"{where}: exit code {code}: {said[-300:]}")
        elif code == 1 and not said.startswith("kneecall: "):
            wrong.append(f"{where}: no sentence: {said[-200:]}")
        elif code == 0 and name in changing:
            after = {row.id: row for row in readable_rows(flight)[0]}
            if any(after.get(id) != row for id, row in rows.items()):
                wrong.append(f"{where}: done, and rows are gone")
        elif code == 0 and out != undisturbed[name][1] and JOURNAL_FILE not in out + said:
            wrong.append(f"{where}: another result and no word")
    return wrong


def _silently(flight: Path, rows: dict) -> str | None:
    """What every verb begins with: the rows as the journal gives them, or a refusal."""
    from logger_app.errors import LoggerError
    from logger_app.logstore.store import Journal

    try:
        with Journal.open(flight, read_only=True) as journal:
            return None if {row.id: row for row in journal.rows()} == rows else "other rows and no word"
    except LoggerError:
        return None


def _run(words: list, campaign: Path) -> tuple[int, str, str]:
    from logger_app.__main__ import main

    out, said = io.StringIO(), io.StringIO()
    shutil.rmtree(campaign / "out", ignore_errors=True)
    shutil.rmtree(campaign / "results", ignore_errors=True)
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(said):
        code = main([str(word) for word in words])
    text = re.sub(r'"(made_utc|utc|made_by|report|bytes)": [^\n]*', "", out.getvalue())
    return code, text, "\n".join(line for line in said.getvalue().splitlines() if "[####" not in line)


def each(paths: list[Path]) -> list[Path]:
    """Paths relative to a campaign and the folders that they lie in, but those that have another name each time."""
    named = [path for path in paths if not any(_OF_THE_MOMENT.search(part) for part in path.parts)]
    folders = {folder for path in named for folder in path.parents if folder != Path()}
    return [*sorted(folders), *(path for path in named if path not in folders)]


if __name__ == "__main__":
    print(json.dumps(flips(Path(sys.argv[2]), sys.argv[3], int(sys.argv[4]))))

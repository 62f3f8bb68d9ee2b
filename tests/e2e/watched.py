"""Runs a verb in a fresh process under Python's audit events: what it opens a socket to, and what it writes.

A library's attempt counts too. Beside the events, `home` and `elsewhere` in the answer list the files that lie there
afterwards, which shows what native code wrote as well: HOME and the temporary folder of the process are empty folders.
"""

import json
import os
import subprocess
import sys
from pathlib import Path

CODE = """
import json, os, sys, threading
seen = {"sockets": [], "written": [], "begun": []}
writing = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND
def watch(event, args):
    if event in ("socket.connect", "socket.bind", "socket.getaddrinfo", "socket.gethostbyname", "socket.sendto", "socket.sendmsg", "urllib.Request"):
        seen["sockets"].append(event + repr(args[1:]))
    elif event in ("subprocess.Popen", "os.system", "os.exec", "os.posix_spawn", "webbrowser.open"):
        # The standard library asks these where a shared library lies.
        if os.path.basename(str(args[0])) not in ("ldconfig", "gcc", "cc", "ld", "uname"):
            seen["begun"].append(event + repr(args[:2]))
    elif event == "open" and isinstance(args[0], (str, bytes)):
        mode, flags = args[1] or "", args[2] or 0
        if any(c in mode for c in "wax+") or flags & writing:
            seen["written"].append(os.path.abspath(os.fsdecode(args[0])))
    elif event in ("os.mkdir", "os.rename", "os.link", "os.symlink", "sqlite3.connect"):
        name = args[1] if event in ("os.rename", "os.link", "os.symlink") else args[0]
        if isinstance(name, (str, bytes)) and not os.fsdecode(name).startswith("file:"):
            seen["written"].append(os.path.abspath(os.fsdecode(name)))
sys.addaudithook(watch)
close_after_s = float(sys.argv[2])
if close_after_s:
    def close():
        app = sys.modules.get("kivy.app")
        running = app and app.App.get_running_app()
        if running is None or running.root is None:
            threading.Timer(0.2, close).start()
        else:
            seen["window"] = type(running).__name__
            sys.modules["kivy.clock"].Clock.schedule_once(lambda _: running.stop(), close_after_s)
    threading.Timer(0.2, close).start()
from logger_app.__main__ import main
try:
    code = main(sys.argv[3:])
except SystemExit as stop:
    code = stop.code
with open(sys.argv[1], "w") as out:
    json.dump(seen | {"code": code}, out)
"""


def watch(words, work: Path, base: Path, close_after_s: float = 0.0) -> dict:
    """Run a verb.

    Parameters
    ----------
    words : sequence of str
        The command line, without the program.
    work : Path
        Where it runs; what it writes belongs here, or into the user's data folder, `base/data`.
    base : Path
        Folder for its HOME, its temporary files and its data.
    close_after_s : float
        So long after a window is there it is closed as its user would; 0 for verbs without one.

    Returns
    -------
    dict
        `code`, `stdout`, `stderr`, `sockets`, `begun`, `written`; `outside`, what of it lies outside; `home`, files in HOME.
    """
    home, temporary, data, answer = base / "home", base / "tmp", base / "data", base / "seen.json"
    for folder in (home, temporary):
        folder.mkdir(parents=True, exist_ok=True)
    env = {key: value for key, value in os.environ.items() if not key.startswith(("KIVY", "XDG_"))}
    env |= {"KNEECALL_HOME": str(data), "HOME": str(home), "TMPDIR": str(temporary), "PYTHONDONTWRITEBYTECODE": "1"}
    command = [sys.executable, "-c", CODE, str(answer), str(close_after_s), *map(str, words)]
    done = subprocess.run(command, cwd=work, env=env, capture_output=True, text=True)
    assert answer.exists(), done.stderr
    seen = json.loads(answer.read_text())
    answer.unlink()
    ours = tuple(str(folder) + os.sep for folder in (work, data, temporary)) + ("/dev/", "/proc/")
    outside = [path for path in seen["written"] if not f"{path}{os.sep}".startswith(ours) and path != str(answer)]
    # PulseAudio's library keeps the way to its server there, where the system gives it no better place.
    temporaries = sorted(path.name for path in temporary.iterdir() if not path.name.startswith("pulse-"))
    left = [str(path.relative_to(home)) for path in home.rglob("*") if path.is_file()]
    return seen | {
        "stdout": done.stdout,
        "stderr": done.stderr,
        "outside": outside,
        "home": left,
        "temporary": temporaries,
    }

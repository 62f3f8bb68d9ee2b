"""A one-folder bundle for people without Python, made by PyInstaller; then started, and the demo run in it.

    python tests/bench/bundle.py [--out DIR] [--json]

Needs `pip install pyinstaller` and, for the window, a display (`xvfb-run`). Prints the size of the folder, the time to `--help`,
the time of the demo, and the time until the app's first page is drawn. On Windows the same command makes `kneecall.exe`; there it
has not been tried by us.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
ENTRY = "import sys\nfrom logger_app.__main__ import main\nsys.exit(main())\n"
# Imported by name only: the verbs, and the recogniser's and the sound's own libraries.
COLLECT = ("logger_app",)
DATA = ("logger_app", "vosk", "reportlab", "pyarrow")
LEFT_OUT = ("cv2", "gi", "tkinter", "matplotlib", "IPython", "pytest", "torch")


def build(out: Path) -> Path:
    """Make the folder; gives the program in it."""
    entry = out / "kneecall_entry.py"
    entry.write_text(ENTRY, "utf-8")
    command = [
        sys.executable,
        "-m",
        "PyInstaller",
        "--noconfirm",
        "--onedir",
        "--name",
        "kneecall",
        "--log-level",
        "ERROR",
    ]
    command += ["--distpath", str(out / "dist"), "--workpath", str(out / "work"), "--specpath", str(out)]
    command += ["--paths", str(ROOT), "--icon", str(ROOT / "logger_app" / "ui" / "icon" / "kneecall.png")]
    for name in ("grammar", "demo_sessions"):
        command += ["--add-data", f"{ROOT / name}{os.pathsep}logger_app/_data/{name}"]
    for name in COLLECT:
        command += ["--collect-submodules", name]
    for name in DATA:
        command += ["--collect-data", name]
    command += ["--collect-binaries", "vosk"]
    for name in LEFT_OUT:
        command += ["--exclude-module", name]
    subprocess.run([*command, str(entry)], check=True, env=os.environ | {"KIVY_NO_ARGS": "1"})
    program = out / "dist" / "kneecall" / ("kneecall.exe" if sys.platform == "win32" else "kneecall")
    assert program.is_file(), program
    return program


def size_mb(folder: Path) -> float:
    """Everything in it."""
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file() and not path.is_symlink()) / 1e6


def timed(command: list[str], env: dict[str, str]) -> tuple[float, subprocess.CompletedProcess]:
    """Run it to its end."""
    began_s = time.monotonic()
    done = subprocess.run(command, env=env, capture_output=True, text=True, check=False, timeout=600)
    return time.monotonic() - began_s, done


def first_page_s(program: Path, env: dict[str, str]) -> float | None:
    """Until something is drawn in the app's window; None without a display."""
    if not env.get("DISPLAY"):
        return None
    from PIL import ImageGrab

    began_s = time.monotonic()
    running = subprocess.Popen([str(program)], env=env)
    try:
        while time.monotonic() - began_s < 60:
            picture = ImageGrab.grab(xdisplay=env["DISPLAY"]).convert("RGB")
            if len(picture.getcolors(1 << 20) or ()) > 40:
                return time.monotonic() - began_s
            time.sleep(0.1)
        raise SystemExit("the app's window stayed empty for a minute")
    finally:
        running.terminate()
        running.wait()


def main() -> int:
    """Build, start, measure."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, help="where to build (default: a temporary folder, removed)")
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        out = args.out or Path(temporary)
        out.mkdir(parents=True, exist_ok=True)
        build_s = time.monotonic()
        program = build(out)
        build_s = time.monotonic() - build_s
        # As on a machine without Python: none of ours is found.
        env = {
            name: value for name, value in os.environ.items() if not name.startswith(("PYTHON", "VIRTUAL_ENV", "KIVY"))
        }
        env |= {"KNEECALL_HOME": str(out / "home"), "PATH": "/usr/bin:/bin"} if sys.platform != "win32" else {}
        help_s, shown = timed([str(program), "--help"], env)
        assert shown.returncode == 0 and "VERB" in shown.stdout, shown.stderr
        demo_s, demo = timed([str(program), "demo", "-o", str(out / "demo"), "--json"], env)
        assert demo.returncode == 0, demo.stderr
        calls = json.loads(demo.stdout)["calls"]
        result = {
            "size_mb": round(size_mb(program.parent)),
            "build_s": round(build_s),
            "help_s": round(help_s, 2),
            "demo_s": round(demo_s, 1),
            "calls": calls,
            "first_page_s": first_page_s(program, env),
        }
    print(
        json.dumps(result, indent=1) if args.json else "\n".join(f"{key:14} {value}" for key, value in result.items())
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())

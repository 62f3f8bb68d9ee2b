"""The quick tests with exactly the lowest versions that `pyproject.toml` allows.

    python tests/bench/lower_bounds.py [--venv DIR] [--keep] [PYTEST ARGUMENTS]

Makes a fresh environment, installs every requirement of the program and of its tests at its lower bound (a
requirement without one is an error, and so is a bound that was never released), and runs `pytest -m "not slow"`
there. Needs the package index, some 1.5 GB of disk and a quarter of an hour. The exit code is that of the tests.
"""

from __future__ import annotations

import argparse
import re
import subprocess
import sys
import tempfile
import tomllib
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def requirements(extra: str = "") -> list[str]:
    """Requirements of the program, or of one of its extras, as `pyproject.toml` has them."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    return project["optional-dependencies"][extra] if extra else project["dependencies"]


def lowest(requirement: str) -> str:
    """A requirement at its lower bound.

    Parameters
    ----------
    requirement : str
        Such as ``av>=14`` or ``kivy==2.3.*``.

    Returns
    -------
    str
        Such as ``av==14``.

    Raises
    ------
    ValueError
        It has no lower bound.

    Examples
    --------
    >>> lowest("av>=14"), lowest("kivy==2.3.*"), lowest("pandas>=2.1,<4")
    ('av==14', 'kivy==2.3.0', 'pandas==2.1')
    """
    match = re.fullmatch(r"([A-Za-z0-9_.-]+)(?:>=|~=|==)([0-9][0-9.]*?)(\.\*)?(?:,.*)?", requirement.replace(" ", ""))
    if match is None:
        raise ValueError(f"{requirement}: got no lower bound; expected name>=version")
    return f"{match[1]}=={match[2]}{'.0' if match[3] else ''}"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--venv", type=Path, help="make the environment there (default: a temporary folder)")
    parser.add_argument("--keep", action="store_true", help="with --venv: use it as it is, if it is there")
    args, more = parser.parse_known_args()
    with tempfile.TemporaryDirectory(prefix="lower-bounds-") as scratch:
        home = args.venv or Path(scratch) / "venv"
        python = home / ("Scripts" if sys.platform == "win32" else "bin") / "python"
        if not (args.keep and python.exists()):
            pinned = [lowest(text) for text in [*requirements(), *requirements("test")]]
            print("\n".join(pinned), flush=True)
            venv.create(home, with_pip=True, clear=True)
            native = ",".join(text.split("==")[0] for text in pinned[: len(requirements())])
            # A bound without a wheel for this Python would be built from source for an hour, or fail on the way.
            install = [
                str(python),
                "-m",
                "pip",
                "install",
                "-q",
                "--only-binary",
                native,
                "-e",
                f"{ROOT}[test]",
                *pinned,
            ]
            if code := subprocess.run(install).returncode:
                return code
        return subprocess.run([str(python), "-m", "pytest", "-m", "not slow", *more], cwd=ROOT).returncode


if __name__ == "__main__":
    sys.exit(main())

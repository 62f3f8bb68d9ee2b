"""Every dependency has a lower bound, a reason and a licence in DEVELOPERS.md; and what we import is declared."""

import ast
import re
import sys
import tomllib
from importlib.metadata import PackageNotFoundError, distribution, packages_distributions
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.version import Version

ROOT = Path(__file__).resolve().parents[2]


def declared() -> dict[str, str]:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    return {re.split(r"[<>=!~\[ ]", text)[0]: text for text in project["dependencies"]}


def test_every_dependency_has_a_lower_bound_a_reason_and_a_licence():
    guide = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    section = guide.split("## Dependencies")[1].split("\n## ")[0]
    reasons, licences = section.split("**Licences**")
    for name, text in declared().items():
        assert re.search(r">=|==", text), text
        assert name in reasons, name
        assert re.search(rf"^\|[^|]*\b{name}\b[^|]*\|[^|]*(MIT|BSD|Apache)", licences, re.M), name
    assert "pip-audit" in section
    assert "--no-index" in section


def test_what_the_program_imports_is_declared():
    known = packages_distributions()
    used = set()
    for path in (ROOT / "logger_app").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom) and not node.level and node.module:
                names = [node.module]
            used |= {name.split(".")[0] for name in names}
    foreign = {known[name][0].lower() for name in used if name in known and name not in sys.stdlib_module_names} - {
        "kneecall"
    }

    assert foreign - set(declared()) <= {"markupsafe", "jnius", "android", "pyjnius"}


def carried() -> set[str]:
    """What the program's requirements bring along on this system, through all levels."""
    found: set[str] = set()
    waiting = list(declared())
    while waiting:
        name = waiting.pop()
        if name in found:
            continue
        found.add(name)
        for text in distribution(name).requires or ():
            wanted = Requirement(text)
            if wanted.marker is None or wanted.marker.evaluate({"extra": ""}):
                waiting.append(re.sub(r"[-_.]+", "-", wanted.name).lower())
    return found


def test_what_is_brought_along_has_its_licence_told_as_well():
    """Whoever passes on a wheelhouse passes on all of it."""
    licences = (ROOT / "DEVELOPERS.md").read_text("utf-8").split("**Licences**")[1].split("\n**")[0]
    named = {re.sub(r"[-_.]+", "-", word).lower() for word in re.findall(r"[A-Za-z][\w.-]+", licences)}

    assert {"numpy", "markupsafe", "cffi"} <= carried()
    assert carried() <= named


def lower_bounds():
    from bench import lower_bounds

    return lower_bounds


@pytest.mark.parametrize("extra", ["", "test", "train", "fuzz"])
def test_every_requirement_can_be_pinned_to_its_lower_bound(extra):
    bounds = lower_bounds()
    for text in bounds.requirements(extra):
        pinned = Requirement(bounds.lowest(text))
        (exactly,) = pinned.specifier

        assert pinned.name == Requirement(text).name and exactly.operator == "=="
        assert Requirement(text).specifier.contains(Version(exactly.version)), text
        try:  # what the tests run with here is not under the bound
            assert Version(distribution(pinned.name).version) >= Version(exactly.version)
        except PackageNotFoundError:
            assert extra in ("train", "fuzz")


@pytest.mark.parametrize("text", ["av", "av<20", "av!=14", "av @ https://example.org/av.whl"])
def test_a_requirement_without_a_lower_bound_is_an_error(text):
    with pytest.raises(ValueError, match="lower bound"):
        lower_bounds().lowest(text)


def test_no_reader_runs_what_it_reads():
    """Formats that can carry code, and Parquet and archives, which unpack to any size, are written at most, never read."""
    refused = {"pickle", "marshal", "shelve", "dill", "joblib", "zipfile", "tarfile", "yaml", "runpy", "code"}
    calls = {
        "eval",
        "exec",
        "compile",
        "read_parquet",
        "read_table",
        "ParquetFile",
        "read_pickle",
        "system",
        "popen",
        "unpack_archive",
        "__import__",
    }
    # A package of the report is checked in place: its sizes are bounded first, nothing is unpacked to disk.
    bounded = {"package.py": {"zipfile"}}
    for path in (ROOT / "logger_app").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            names = {alias.name.split(".")[0] for alias in node.names} if isinstance(node, ast.Import) else set()
            names |= (
                {node.module.split(".")[0]}
                if isinstance(node, ast.ImportFrom) and not node.level and node.module
                else set()
            )
            assert not names & refused - bounded.get(path.name, set()), path
            if isinstance(node, ast.Call):
                at_re = (
                    isinstance(node.func, ast.Attribute)
                    and isinstance(node.func.value, ast.Name)
                    and node.func.value.id == "re"
                )
                called = getattr(node.func, "attr", getattr(node.func, "id", ""))
                assert called not in calls or at_re, (path, node.lineno, called)
                keywords = {key.arg: ast.unparse(key.value) for key in node.keywords}
                assert keywords.get("allow_pickle") != "True" and keywords.get("shell") != "True", (path, node.lineno)

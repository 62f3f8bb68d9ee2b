"""Every dependency has a lower bound, a reason and a licence in DEVELOPERS.md; and what we import is declared."""

import ast
import re
import sys
import tomllib
from importlib.metadata import packages_distributions
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
# Comes with reportlab, whose own lower bound goes for it.
CARRIED = {"pillow"}


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
    foreign = {known[name][0].lower() for name in used if name in known and name not in sys.stdlib_module_names} - {"kneecall"}

    assert foreign - CARRIED - set(declared()) <= {"markupsafe", "jnius", "android", "pyjnius"}

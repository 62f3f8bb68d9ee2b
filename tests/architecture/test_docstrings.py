"""Docstrings are checkable data: documented parameters exist, units agree with names, sources resolve.

A room joins by adding its package to `CHECKED`.
"""

import importlib
import inspect
import pkgutil
import re
from pathlib import Path

import pytest

CHECKED = ("logger_app.reduce", "logger_app.domain", "logger_app.plan", "logger_app.report", "logger_app.units")
SOURCES = Path(importlib.import_module("logger_app.reduce").__file__).with_name("SOURCES.md")
# Longest suffix first; what the bracket must say.
SUFFIX_UNITS = {
    "_kt_per_s": "kt/s",
    "_kg_per_l": "kg/l",
    "_kg_per_m3": "kg/m3",
    "_l_per_h": "l/h",
    "_degc": "degC",
    "_deg": "deg",
    "_kt": "kt",
    "_ft": "ft",
    "_kg": "kg",
    "_mm": "mm",
    "_m2": "m2",
    "_hpa": "hPa",
    "_ns": "ns",
    "_s": "s",
    "_l": "l",
    "_pct": "%",
}
HEADINGS = ("Parameters", "Returns", "Yields", "Raises", "Notes", "References", "Examples", "See Also")


def modules():
    for name in CHECKED:
        module = importlib.import_module(name)
        yield module
        for info in pkgutil.iter_modules(getattr(module, "__path__", []), name + "."):
            yield importlib.import_module(info.name)


def public_functions():
    return [
        pytest.param(function, id=f"{module.__name__}.{name}")
        for module in modules()
        for name, function in vars(module).items()
        if inspect.isfunction(function) and not name.startswith("_") and function.__module__ == module.__name__
    ]


def formulas():
    """Functions of `reduce` and `units` that document their parameters."""
    return [
        one
        for one in public_functions()
        if one.values[0].__module__.startswith(("logger_app.reduce", "logger_app.units"))
        and sections(one.values[0]).get("Parameters")
    ]


def sections(function):
    """Text under each numpydoc heading."""
    found, current = {"": []}, ""
    lines = inspect.cleandoc(function.__doc__ or "").splitlines()
    for line, under in zip(lines, lines[1:] + [""]):
        if line in HEADINGS and set(under) == {"-"}:
            current = line
            found[current] = []
        elif set(line) != {"-"} or not line:
            found[current].append(line)
    return {name: "\n".join(text).strip("\n") for name, text in found.items()}


def entries(text):
    """(first line, description) of each unindented entry of a section."""
    parts = re.split(r"^(?=\S)", text, flags=re.MULTILINE)
    return [(p.splitlines()[0], " ".join(p.splitlines()[1:])) for p in parts if p.strip()]


def expected_unit(name):
    return next((unit for suffix, unit in SUFFIX_UNITS.items() if name.endswith(suffix)), None)


@pytest.mark.parametrize("function", public_functions())
def test_a_documented_parameter_exists(function):
    documented = [first.split(" : ")[0] for first, _ in entries(sections(function).get("Parameters", ""))]
    names = [name.strip(" *") for one in documented for name in one.split(",")]

    assert set(names) <= set(inspect.signature(function).parameters)


@pytest.mark.parametrize("function", public_functions())
def test_a_unit_in_brackets_agrees_with_the_name(function):
    for first, description in entries(sections(function).get("Parameters", "")):
        name = first.split(" : ")[0]
        unit = re.search(r"\[([^\]\s]+)\]", description)

        assert unit is None or unit.group(1) == (expected_unit(name) or unit.group(1)), name
    assert "[-]" not in (function.__doc__ or ""), "no unit is no bracket"


@pytest.mark.parametrize("function", formulas())
def test_a_formula_describes_each_quantity_with_its_unit(function):
    """In a function with a Parameters section each parameter with a unit in its name has an entry that repeats the unit."""
    described = {
        name.strip(" *"): description
        for first, description in entries(sections(function).get("Parameters", ""))
        for name in first.split(" : ")[0].split(",")
    }
    for name in inspect.signature(function).parameters:
        if unit := expected_unit(name):
            assert f"[{unit}]" in described.get(name, ""), name


@pytest.mark.parametrize("function", public_functions())
def test_what_is_returned_has_a_unit_that_agrees_with_the_function(function):
    returns = sections(function).get("Returns", "")
    units = re.findall(r"\[([^\]\s]+)\]", " ".join(description for _, description in entries(returns)))

    expected = expected_unit(function.__name__)
    if returns and expected and not function.__name__.startswith("from_"):
        assert units[:1] == [expected]


def test_every_source_key_resolves():
    known = set(re.findall(r"^## (\S+)$", SOURCES.read_text(encoding="utf-8"), flags=re.MULTILINE))
    cited = {}
    for module in modules():
        # Whole source: constants cite keys in comments too. A key is upper case, two letters or more.
        for key in re.findall(r"\[([A-Z][A-Z0-9][A-Z0-9.\-]*)\]", inspect.getsource(module)):
            cited.setdefault(key, module.__name__)

    assert {key: where for key, where in cited.items() if key not in known} == {}
    assert sorted(known - set(cited)) == [], "in SOURCES.md but cited nowhere"


def test_the_check_sees_functions_at_all():
    assert len(public_functions()) > 40

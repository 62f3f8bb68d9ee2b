"""The mutation bench: which faults it makes, and that it tells noticed from unnoticed ones, on a toy package."""

import json
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

BENCH = Path(__file__).resolve().parents[2] / "bench" / "mutants.py"


@pytest.fixture(scope="module")
def bench():
    from bench import mutants

    return mutants


def changes(bench, source):
    return [mutant.change for mutant in bench.mutants_of("toy", source)[1]]


@pytest.mark.parametrize(
    "body, expected",
    [
        ("return a + b", ["return a + b -> return None", "a + b -> a - b"]),
        ("return 'x' + b", ["return 'x' + b -> return None"]),
        (
            "return a < 2",
            ["return a < 2 -> return None", "a < 2 -> a <= 2", "a < 2 -> a >= 2", "a < 2 -> a < 3", "a < 2 -> a < 1"],
        ),
        ("return not a", ["return not a -> return None", "not a -> a"]),
        ("return f(a, b)", ["return f(a, b) -> return None", "f(a, b) -> f(b, a)"]),
        ("return max(a, b)", ["return max(a, b) -> return None", "max(a, b) -> min(a, b)"]),
        ("a += 1.5", ["a += 1.5 -> (removed)", "1.5 -> 1.6500000000000001", "1.5 -> -1.5"]),
        ("if a: b()", ["a -> not a", "b() -> (removed)"]),
        ("raise ValueError(f'{a + 1}')", ["raise ValueError(f'{a + 1}') -> (removed)"]),
        ("return a[:b]", ["return a[:b] -> return None", "a[:b] -> a[:b + 1]"]),
    ],
)
def test_the_faults_made_of_a_statement(bench, body, expected):
    assert changes(bench, f"def g(a, b):\n    {body}\n") == expected


def test_defaults_are_changed_and_annotations_decorators_and_texts_are_not(bench):
    source = '@d(1)\ndef g(a: "int" = 2) -> T[1]:\n    """3"""\n    return None\n'

    assert changes(bench, source) == ["a: 'int'=2 -> a: 'int'=3", "a: 'int'=2 -> a: 'int'=1"]


def test_making_faults_leaves_the_tree_as_it_was(bench):
    import ast

    source = BENCH.read_text("utf-8")

    assert ast.dump(bench.mutants_of("toy", source)[0]) == ast.dump(ast.parse(source))


def test_equal_changes_in_a_function_have_keys_of_their_own(bench):
    keys = [mutant.key for mutant in bench.mutants_of("toy", "def g(a):\n    a += 1\n    a += 1\n")[1]]

    assert len(set(keys)) == len(keys)


def test_a_sample_is_seeded_and_keeps_its_order(bench):
    every = bench.mutants_of("toy", "def g(a):\n" + "".join(f"    a[{k}] = {k}\n" for k in range(30)))[1]
    few = bench.sample(every, 10, 1)

    assert (
        [m.key for m in few]
        == [m.key for m in bench.sample(every, 10, 1)]
        != [m.key for m in bench.sample(every, 10, 2)]
    )
    assert len(few) == 10 and few == [m for m in every if m in few]


def test_every_explanation_is_a_sentence_and_no_fault_is_explained_twice(bench):
    groups = tomllib.loads(bench.EXPLAINED.read_text("utf-8")).get("group", [])
    keys = [key for group in groups for key in group["mutants"]]

    assert all(len(group["why"]) > 10 for group in groups)
    assert len(set(keys)) == len(keys)


def test_a_module_that_is_not_there_is_wrong_usage(bench, capsys):
    with pytest.raises(SystemExit) as stop:
        bench.main(["--module", "reduce/alchemy"])

    assert stop.value.code == 2 and "no module reduce/alchemy" in capsys.readouterr().err


TOY = """
LIMIT = 10
def clamp(x, low=0):
    if x > LIMIT:
        return LIMIT
    return max(x, low)
def forever(n):
    while n > 0:
        n -= 1
    return n
def untested(x):
    return x + 1
"""
TESTS = """
from toy.calc import clamp, forever
def test_clamp():
    assert clamp(11) == 10 and clamp(-5) == 0 and clamp(4) == 4
def test_forever():
    assert forever(3) == 0
"""
INI = "[pytest]\naddopts = --import-mode=importlib\n"
RUN = """
import importlib.util, json, sys
from pathlib import Path
spec = importlib.util.spec_from_file_location("mutants", sys.argv[1])
bench = importlib.util.module_from_spec(spec)
sys.modules["mutants"] = bench
spec.loader.exec_module(bench)
bench.SECONDS_MORE = 4.0
root = Path(sys.argv[2])
sys.path.insert(0, str(root))
target = bench.Target.of(root / "toy" / "calc.py", root)
bench.try_mutants([target], target.mutants, ["tests"], package="toy", rootdir=root, say=lambda text: None)
print(json.dumps({m.key.removeprefix("toy/calc "): m.outcome for m in target.mutants}))
"""


def test_noticed_unnoticed_and_endless_faults_of_a_toy_package(tmp_path):
    for name, text in {
        "toy/__init__.py": "",
        "toy/calc.py": TOY,
        "tests/test_calc.py": TESTS,
        "pytest.ini": INI,
    }.items():
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text(text, "utf-8")

    done = subprocess.run(
        [sys.executable, "-c", RUN, BENCH, tmp_path], check=False, capture_output=True, text=True, timeout=120
    )
    outcome = json.loads(done.stdout.splitlines()[-1])

    assert outcome.pop("forever: n -= 1 -> (removed)") == "timed out"
    survived = {key for key, what in outcome.items() if what == "survived"}
    assert survived == {
        "clamp: x > LIMIT -> x >= LIMIT",  # equal to what is returned: equivalent
        "untested: return x + 1 -> return None",
        "untested: x + 1 -> x - 1",
        "untested: x + 1 -> x + 2",
        "untested: x + 1 -> x + 0",
    } | {key for key in survived if key.startswith("forever: n > 0 -> n > ")}
    # Outside a function and in a default as well:
    assert outcome["<module>: 10 -> 11"] == outcome["<module>: 10 -> 9"] == "killed"
    assert outcome["clamp: x, low=0 -> x, low=1"] == outcome["clamp: max(x, low) -> min(x, low)"] == "killed"

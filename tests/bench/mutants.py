"""Mutation testing: small faults put into the code on purpose, and whether a test notices.

    python tests/bench/mutants.py --all --per-module 60          a seeded sample of every module
    python tests/bench/mutants.py --module reduce/airspeed       all mutants of one module
    python tests/bench/mutants.py --module review --per-module 40 --seconds 500

Faults: arithmetic, comparison and its boundary, constants (whole numbers +-1, others +10 % and the other
sign, True/False), and/or, conditions turned round, `not` and minus removed, `return None`, a statement
removed, neighbouring arguments swapped, default arguments, slice bounds +1, min/max, any/all, floor/ceil,
`abs` removed. Strings, annotations, decorators and what stands in a `raise` are left alone: words for
people are not arithmetic.

How it is quick: pytest collects the tests of a room once; a process of its own traces which test runs
which line; then each fault gets a fork of the warm process in which the code object of the function is
exchanged, the tests that run the line follow (quickest first) and the first failure ends it. A fault
outside a function (a constant, a field's default) needs a new import: the fork forgets the package and
the tests and collects anew with the faulty module. Hypothesis draws the same examples each time.

A fault that no test notices survives. `data/mutants_explained.toml` says why some may; what it lists is
counted as explained and not printed again. Score: killed (timed out included) of all that are not explained.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import gc
import hashlib
import importlib
import importlib.abc
import importlib.util
import inspect
import json
import os
import re
import resource
import shutil
import signal
import sys
import tempfile
import time
import tomllib
import types
from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import _lru_cache_wrapper
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

ROOT = Path(__file__).resolve().parents[2]
EXPLAINED = Path(__file__).parent / "data" / "mutants_explained.toml"
# Room -> its modules, and the tests that are asked: those that have to do with it and are quick.
ROOMS: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "reduce": (
        ("reduce/*.py",),
        (
            "logger_app/reduce",
            "tests/unit/reduce",
            "tests/published/test_airspeed.py",
            "tests/published/test_atmosphere.py",
            "tests/published/test_calibration_chain.py",
            "tests/published/test_gps_calibration.py",
            "tests/published/test_load_factor.py",
            "tests/published/test_regulations.py",
            "tests/published/test_statistics.py",
            "tests/published/test_weight_and_lift.py",
            "tests/property/test_reduce_airdata.py",
            "tests/property/test_reduce_approach.py",
            "tests/regressions/test_stall_words_in_review.py",
        ),
    ),
    "records": (
        ("records/*.py",),
        (
            "logger_app/records",
            "tests/unit/records",
            "tests/unit/review",
            "tests/unit/plan/test_planted_mistakes.py",
            "tests/unit/plan/test_loading.py",
            "tests/unit/fly/test_verdict.py",
            "tests/regressions/test_stall_words_in_review.py",
        ),
    ),
    "review": (
        ("review/*.py",),
        (
            "logger_app/review",
            "tests/unit/review",
            "tests/unit/ui/test_review_presenter.py",
            "tests/property/test_review_fold.py",
            "tests/regressions/test_stall_words_in_review.py",
        ),
    ),
    "fly": (
        (
            "fly/flight_state.py",
            "fly/flight_records.py",
            "fly/verdict.py",
            "domain/settings.py",
            "domain/points.py",
            "domain/runs.py",
            "domain/run_bounds.py",
            "domain/run_corrections.py",
        ),
        (
            "logger_app/fly/flight_state.py",
            "tests/unit/fly/test_flight_state.py",
            "tests/unit/fly/test_verdict.py",
            "tests/unit/fly/test_settings.py",
            "tests/unit/ui/test_fly_presenter.py",
            "tests/property/test_flight_state.py",
            "tests/regressions/test_stall_words_in_review.py",
        ),
    ),
}
# A test may take this many times as long as it did, and this much more, before it counts as hanging.
TIMES_AS_LONG, SECONDS_MORE = 8.0, 8.0
LAST_SECONDS = 15.0
MEMORY_BYTES = 6 << 30
KILLED, SURVIVED, TIMED_OUT, NOT_TRIED = "killed", "survived", "timed out", "not tried"


# ---------------------------------------------------------------------------------------- the faults

_OPERATORS = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Mult,
    ast.Pow: ast.Mult,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
    ast.LShift: ast.RShift,
    ast.RShift: ast.LShift,
}
_COMPARISONS = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}
_NAMES = {
    "min": "max",
    "max": "min",
    "any": "all",
    "all": "any",
    "floor": "ceil",
    "ceil": "floor",
    "minimum": "maximum",
    "maximum": "minimum",
    "nanmin": "nanmax",
    "nanmax": "nanmin",
    "argmin": "argmax",
    "argmax": "argmin",
}
_FUNCTIONS = (ast.FunctionDef, ast.AsyncFunctionDef)


@dataclass
class Mutant:
    """One fault: `put` and `take_out` change the tree; lines are those whose tests must notice it."""

    module: str
    function: str
    line: int
    change: str
    put: Callable[[], None]
    take_out: Callable[[], None]
    lines: range
    outer: str | None  # qualified name of the outermost function that holds it; None at import time
    in_default: bool = False
    names: frozenset[str] = frozenset()
    key: str = ""
    outcome: str = ""
    tests: int = 0


def mutants_of(module: str, source: str) -> tuple[ast.Module, list[Mutant]]:
    """The tree of a module's source, and every fault that can be put into it, in order."""
    tree = ast.parse(source)
    found: list[Mutant] = []
    _walk(tree, tree, None, _Place(module), found)
    seen: dict[str, int] = defaultdict(int)
    for mutant in found:
        key = f"{module} {mutant.function}: {mutant.change}"
        seen[key] += 1
        mutant.key = key if seen[key] == 1 else f"{key} #{seen[key]}"
    return tree, found


@dataclass(frozen=True)
class _Place:
    module: str
    function: str = "<module>"
    outer: str | None = None
    lines: range = range(0)
    names: frozenset[str] = frozenset()
    in_default: bool = False


def _walk(node: ast.AST, parent: ast.AST, shown: ast.AST | None, place: _Place, found: list[Mutant]) -> None:
    """Every fault below `node`; `shown` is the expression around it that tells a reader where it is."""
    if isinstance(node, ast.stmt):
        shown = None
    for name, value in ast.iter_fields(node):
        if _left_alone(node, name):
            continue
        for index, child in enumerate(value) if isinstance(value, list) else ((None, value),):
            if not isinstance(child, ast.AST):
                continue
            inner = place
            if isinstance(node, (ast.FunctionDef, ast.ClassDef, ast.AsyncFunctionDef)):
                qualified = node.name if place.function == "<module>" else f"{place.function}.{node.name}"
                inner = _with(place, function=qualified)
                if isinstance(node, _FUNCTIONS):
                    outer = place.outer or qualified
                    in_default = name == "args" and place.outer is None
                    lines = range(node.body[0].lineno, node.end_lineno + 1) if name == "args" else place.lines
                    inner = _with(inner, outer=outer, in_default=in_default, lines=lines)
            if isinstance(child, ast.stmt):
                inner = _with(
                    inner, lines=_own_lines(child), names=_named(child) if inner.outer is None else inner.names
                )
            for new in _changes(child, node, name):
                found.append(_mutant(node, name, index, child, new, shown or child, inner))
            _walk(child, node, child if shown is None or not _small(child) else shown, inner, found)


def _own_lines(node: ast.stmt) -> range:
    """A statement's lines; of one that holds others its head only."""
    held = getattr(node, "body", None)
    return range(node.lineno, max(held[0].lineno - 1 if held else node.end_lineno, node.lineno) + 1)


def _named(node: ast.stmt) -> frozenset[str]:
    return frozenset(n.id for n in ast.walk(node) if isinstance(n, ast.Name) and isinstance(n.ctx, ast.Store))


def _with(place: _Place, **over) -> _Place:
    return _Place(**{**place.__dict__, **over})


def _small(node: ast.AST) -> bool:
    return isinstance(node, (ast.Constant, ast.Name, ast.operator, ast.cmpop, ast.boolop, ast.unaryop)) or (
        isinstance(node, ast.UnaryOp) and isinstance(node.operand, ast.Constant)
    )


def _left_alone(node: ast.AST, name: str) -> bool:
    """Annotations, decorators, bases, texts, and what stands in a raise."""
    return (
        name
        in ("annotation", "returns", "decorator_list", "bases", "keywords" if isinstance(node, ast.ClassDef) else "-")
        or name == "format_spec"
        or isinstance(node, (ast.Raise, ast.Import, ast.ImportFrom))
        or (isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING")
    )


def _changes(node: ast.AST, parent: ast.AST, name: str) -> Iterator[ast.AST]:
    """What may stand in the place of `node`."""
    match node:
        case ast.BinOp() if type(node.op) in _OPERATORS and not _is_text(node):
            yield ast.BinOp(node.left, _OPERATORS[type(node.op)](), node.right)
        case ast.Compare():
            for at, op in enumerate(node.ops):
                for other in _COMPARISONS[type(op)]:
                    yield ast.Compare(node.left, [*node.ops[:at], other(), *node.ops[at + 1 :]], node.comparators)
        case ast.BoolOp():
            yield ast.BoolOp(ast.And() if isinstance(node.op, ast.Or) else ast.Or(), node.values)
        case ast.UnaryOp(op=ast.Not() | ast.USub()):
            yield node.operand
        case ast.Constant(value=bool()):
            yield ast.Constant(not node.value)
        case ast.Constant(value=int()):
            yield ast.Constant(node.value + 1)
            yield ast.Constant(node.value - 1)
        case ast.Constant(value=float()):
            yield ast.Constant(node.value * 1.1 if node.value else 0.1)
            if node.value:
                yield ast.Constant(-node.value)
        case ast.Call():
            called = node.func
            if isinstance(called, ast.Name) and called.id in _NAMES:
                yield ast.Call(ast.Name(_NAMES[called.id], ast.Load()), node.args, node.keywords)
            elif isinstance(called, ast.Attribute) and called.attr in _NAMES:
                other = ast.Attribute(called.value, _NAMES[called.attr], ast.Load())
                yield ast.Call(other, node.args, node.keywords)
            elif isinstance(called, ast.Name) and called.id == "abs":
                yield node.args[0]
            elif len(node.args) > 1 and not any(isinstance(a, ast.Starred) for a in node.args):
                for at in range(len(node.args) - 1):
                    swapped = [*node.args[:at], node.args[at + 1], node.args[at], *node.args[at + 2 :]]
                    yield ast.Call(called, swapped, node.keywords)
        case ast.Slice():
            for bound in ("lower", "upper"):
                value = getattr(node, bound)
                if value is not None and not _is_number(value):
                    later = ast.BinOp(value, ast.Add(), ast.Constant(1))
                    yield ast.Slice(**{"lower": node.lower, "upper": node.upper, "step": node.step, bound: later})
        case ast.Return() if node.value is not None and not _is_none(node.value):
            yield ast.Return(ast.Constant(None))
        case ast.AugAssign() | ast.Raise() | ast.Continue() | ast.Break():
            yield ast.Pass()
        case ast.Expr() if not isinstance(node.value, ast.Constant):
            yield ast.Pass()
        case ast.Assign() if any(isinstance(target, (ast.Attribute, ast.Subscript)) for target in node.targets):
            yield ast.Pass()
    turned = (name == "test" and isinstance(parent, (ast.If, ast.While, ast.IfExp))) or name == "ifs"
    if turned and isinstance(node, (ast.Name, ast.Attribute, ast.Call, ast.BoolOp, ast.Subscript, ast.NamedExpr)):
        yield ast.UnaryOp(ast.Not(), node)


def _is_text(node: ast.AST) -> bool:
    return any(
        isinstance(side, ast.JoinedStr) or (isinstance(side, ast.Constant) and isinstance(side.value, str))
        for side in (node.left, node.right)
    )


def _is_number(node: ast.AST) -> bool:
    return isinstance(node.operand if isinstance(node, ast.UnaryOp) else node, ast.Constant)


def _is_none(node: ast.AST) -> bool:
    return isinstance(node, ast.Constant) and node.value is None


def _mutant(parent, name, index, old, new, shown, place: _Place) -> Mutant:
    ast.copy_location(new, old)
    ast.fix_missing_locations(new)

    def put(node=new):
        if index is None:
            setattr(parent, name, node)
        else:
            getattr(parent, name)[index] = node

    before = _short(shown)
    put()
    after = "(removed)" if isinstance(new, ast.Pass) else _short(new if shown is old else shown)
    put(old)
    return Mutant(
        module=place.module,
        function=place.function,
        line=getattr(old, "lineno", place.lines.start),
        change=f"{before} -> {after}",
        put=put,
        take_out=lambda: put(old),
        lines=place.lines,
        outer=place.outer,
        in_default=place.in_default,
        names=place.names,
    )


def _short(node: ast.AST) -> str:
    if isinstance(node, ast.Slice):
        node = ast.Subscript(ast.Name("_", ast.Load()), node, ast.Load())
    text = " ".join(ast.unparse(node).split())
    return text if len(text) <= 150 else f"{text[:110]} ... {text[-35:]}"


# ---------------------------------------------------------------------------------- a fault, in a fork


@dataclass
class Target:
    """A module under test: its tree, its faults, its functions as they stand in memory."""

    module: str
    path: Path
    name: str
    tree: ast.Module
    mutants: list[Mutant]
    functions: dict[str, list[types.FunctionType]] = field(default_factory=dict)

    @classmethod
    def of(cls, path: Path, root: Path) -> Target:
        module = path.relative_to(root).with_suffix("").as_posix()
        tree, mutants = mutants_of(module.removeprefix("logger_app/"), path.read_text("utf-8"))
        return cls(module.removeprefix("logger_app/"), path, module.replace("/", "."), tree, mutants)

    def find_functions(self) -> None:
        for thing in gc.get_objects():
            if isinstance(thing, types.FunctionType) and thing.__code__.co_filename == str(self.path):
                self.functions.setdefault(thing.__code__.co_qualname, []).append(thing)

    def exchange(self, mutant: Mutant) -> bool:
        """The faulty code object into the living function; False where only a new import will do."""
        functions = self.functions.get(mutant.outer or "")
        if not functions or len({f.__code__.co_firstlineno for f in functions}) != 1:
            return False
        mutant.put()
        try:
            code = compile(self.tree, str(self.path), "exec")
            if mutant.in_default:
                return self._exchange_defaults(mutant, functions)
        finally:
            mutant.take_out()
        new = [c for c in _codes(code) if c.co_qualname == mutant.outer]
        if len(new) != 1 or any(f.__code__.co_freevars != new[0].co_freevars for f in functions):
            return False
        for function in functions:
            function.__code__ = new[0]
        return True

    def _exchange_defaults(self, mutant: Mutant, functions) -> bool:
        first = functions[0].__code__.co_firstlineno
        for node in ast.walk(self.tree):
            if isinstance(node, _FUNCTIONS) and first in (node.lineno, *(d.lineno for d in node.decorator_list)):
                defaults = tuple(self._value(d, functions[0]) for d in node.args.defaults)
                named = {
                    a.arg: self._value(d, functions[0])
                    for a, d in zip(node.args.kwonlyargs, node.args.kw_defaults)
                    if d
                }
                for function in functions:
                    function.__defaults__, function.__kwdefaults__ = defaults or None, named or None
                return True
        return False

    def _value(self, node: ast.expr, function):
        return eval(compile(ast.Expression(node), str(self.path), "eval"), function.__globals__)

    def faulty_code(self, mutant: Mutant) -> types.CodeType:
        mutant.put()
        try:
            return compile(self.tree, str(self.path), "exec")
        finally:
            mutant.take_out()


def _codes(code: types.CodeType) -> Iterator[types.CodeType]:
    for constant in code.co_consts:
        if isinstance(constant, types.CodeType):
            yield constant
            yield from _codes(constant)


class _FaultyImport(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    def __init__(self, name: str, path: Path, code: types.CodeType):
        self.name, self.path, self.code = name, path, code

    def find_spec(self, fullname, path=None, target=None):
        if fullname == self.name:
            return importlib.util.spec_from_file_location(fullname, self.path, loader=self)
        return None

    def create_module(self, spec):
        return None

    def exec_module(self, module):
        module.__file__ = str(self.path)
        exec(self.code, module.__dict__)


class Session:
    """The pytest plug-in: takes over once the tests of a room are collected."""

    def __init__(self, targets: list[Target], chosen: list[Mutant], jobs: int, until_s: float, package: str, say=print):
        self.targets = {target.module: target for target in targets}
        self.chosen, self.jobs, self.until_s, self.package, self.say = chosen, jobs, until_s, package, say
        self.failed = False
        self.spans: dict[int, float] = {}
        self.covered: dict[tuple[str, int], set[int]] = defaultdict(set)

    def pytest_runtestloop(self, session):
        self.items = session.items
        self.sources = [_source(item) for item in self.items]
        for target in self.targets.values():
            target.find_functions()
        self._gather()
        self._run_all()
        return True

    # which test runs which line

    def _gather(self) -> None:
        started_s = time.monotonic()
        shares = [list(range(k, len(self.items), self.jobs)) for k in range(self.jobs)]
        files = []
        pids = []
        for share in shares:
            handle, name = tempfile.mkstemp()
            os.close(handle)
            pids.append(self._fork(lambda share=share, name=name: self._trace(share, name)))
            files.append(name)
        for (pid, folder), name in zip(pids, files):
            _, status = os.waitpid(pid, 0)
            shutil.rmtree(folder, ignore_errors=True)
            if os.waitstatus_to_exitcode(status) != 0:
                raise SystemExit("mutants: a test fails without any fault; mend it first (run pytest)")
            told = json.loads(Path(name).read_text("utf-8"))
            os.unlink(name)
            self.spans.update({int(k): v for k, v in told["spans"].items()})
            for module, line, index in told["lines"]:
                self.covered[module, line].add(index)
            for library in told["libraries"]:  # loaded once here, not in every fork
                if library not in sys.modules:
                    with contextlib.suppress(Exception):
                        importlib.import_module(library)
        gc.collect()
        gc.freeze()
        self.say(f"# {len(self.items)} tests traced in {time.monotonic() - started_s:.0f} s")

    def _trace(self, share: list[int], name: str) -> int:
        modules = {str(target.path): target.module for target in self.targets.values()}
        lines: set[tuple[str, int, int]] = set()
        spans = {}

        def local(frame, event, arg):
            lines.add((modules[frame.f_code.co_filename], frame.f_lineno, current))
            return local

        def on_call(frame, event, arg):
            return local(frame, event, arg) if frame.f_code.co_filename in modules else None

        for current in share:
            _clear_caches(self.package)
            started_s = time.perf_counter()
            sys.settrace(on_call)
            ok = self._passes(current)
            sys.settrace(None)
            spans[current] = time.perf_counter() - started_s
            if not ok:
                sys.__stderr__.write(f"fails without a fault: {self.items[current].nodeid}\n")
                sys.__stderr__.flush()
                return 1
        libraries = sorted(n for n in sys.modules if n.split(".")[0] not in (self.package, "tests", "test"))
        Path(name).write_text(json.dumps({"spans": spans, "lines": sorted(lines), "libraries": libraries}), "utf-8")
        return 0

    def _passes(self, index: int) -> bool:
        self.failed = False
        item = self.items[index]
        item.ihook.pytest_runtest_protocol(item=item, nextitem=None)
        return not self.failed

    def pytest_runtest_logreport(self, report):
        self.failed = self.failed or report.failed

    def _fork(self, work: Callable[[], int]) -> tuple[int, str]:
        folder = tempfile.mkdtemp(prefix="mutant")
        pid = os.fork()
        if pid:
            return pid, folder
        code = 1
        try:
            os.environ["PYTEST_DEBUG_TEMPROOT"] = os.environ["TMPDIR"] = tempfile.tempdir = folder
            resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
            quiet = os.open(os.devnull, os.O_RDWR)
            keep = os.dup(2)
            os.dup2(quiet, 0), os.dup2(quiet, 1), os.dup2(quiet, 2)
            sys.__stderr__ = os.fdopen(keep, "w")
            code = work()
        except BaseException:
            code = 1
        finally:
            os._exit(code)

    # each fault

    def _tests_for(self, mutant: Mutant) -> list[int]:
        module = mutant.module
        if mutant.outer is not None:
            chosen = set().union(*(self.covered.get((module, line), ()) for line in mutant.lines))
        else:
            chosen = self._tests_of_names(mutant)
        return sorted(chosen, key=lambda index: self.spans[index])

    def _tests_of_names(self, mutant: Mutant) -> set[int]:
        """Outside functions: the tests of every function that speaks of the name, or that speak of it themselves."""
        names = set(mutant.names)
        names |= {mutant.function.split(".")[-1]} if mutant.function != "<module>" else set()
        word = re.compile(rf"\b({'|'.join(map(re.escape, names)) or '-'})\b")
        chosen = {index for index, source in enumerate(self.sources) if word.search(source)}
        for target in self.targets.values():
            for node in ast.walk(target.tree):
                if isinstance(node, _FUNCTIONS) and word.search(ast.unparse(node)):
                    for line in range(node.body[0].lineno, node.end_lineno + 1):
                        chosen |= self.covered.get((target.module, line), set())
        return chosen

    def _run_all(self) -> None:
        waiting, running = list(reversed(self.chosen)), {}
        done = 0
        while waiting or running:
            while waiting and len(running) < self.jobs and time.monotonic() < self.until_s:
                mutant = waiting.pop()
                tests = self._tests_for(mutant)
                mutant.tests = len(tests)
                if not tests:
                    mutant.outcome = SURVIVED
                    continue
                limit_s = SECONDS_MORE + TIMES_AS_LONG * sum(self.spans[index] for index in tests)
                pid, folder = self._fork(lambda mutant=mutant, tests=tests: self._try(mutant, tests))
                running[pid] = (mutant, folder, time.monotonic() + limit_s)
            if not running:
                break
            pid, status = os.waitpid(-1, os.WNOHANG)
            if pid in running:
                mutant, folder, _ = running.pop(pid)
                code = os.waitstatus_to_exitcode(status)
                mutant.outcome = mutant.outcome or (SURVIVED if code == 0 else KILLED)
                shutil.rmtree(folder, ignore_errors=True)
                done += 1
                if done % 100 == 0:
                    self.say(f"# {done} of {len(self.chosen)}")
            else:
                time.sleep(0.004)
            now_s = time.monotonic()
            for pid, (mutant, _, end_s) in running.items():
                if now_s > end_s and not mutant.outcome:
                    mutant.outcome = TIMED_OUT
                    os.kill(pid, signal.SIGKILL)
                elif now_s > self.until_s + LAST_SECONDS:
                    mutant.outcome = NOT_TRIED
                    os.kill(pid, signal.SIGKILL)

    def _try(self, mutant: Mutant, tests: list[int]) -> int:
        _clear_caches(self.package)
        target = self.targets[mutant.module]
        if mutant.outer is not None and target.exchange(mutant):
            return int(not all(self._passes(index) for index in tests))
        return self._try_anew(target, mutant, tests)

    def _try_anew(self, target: Target, mutant: Mutant, tests: list[int]) -> int:
        import pytest

        root = Path(self.items[0].config.rootpath)
        for name in list(sys.modules):
            if name.split(".")[0] in (self.package, "tests"):
                del sys.modules[name]
        # Imported here: pytest puts a finder of its own before ours.
        sys.meta_path.insert(0, _FaultyImport(target.name, target.path, target.faulty_code(mutant)))
        importlib.import_module(target.name)
        nodes = [self.items[index].nodeid for index in tests]
        os.chdir(root)
        return int(pytest.main([*_PYTEST, "-x", f"--basetemp={tempfile.mkdtemp()}/t", *nodes]) != 0)


_PYTEST = ("-q", "-s", "-p", "no:cacheprovider", "--durations=0", "-m", "not slow and not window and not device")


def _source(item) -> str:
    try:
        return inspect.getsource(item.function)
    except (AttributeError, OSError, TypeError):
        return ""


def _clear_caches(package: str) -> None:
    for name, module in list(sys.modules.items()):
        if name.split(".")[0] in (package, "tests"):
            for thing in list(vars(module).values()):
                if isinstance(thing, _lru_cache_wrapper):
                    thing.cache_clear()


# ------------------------------------------------------------------------------------------- the bench


def explained(path: Path = EXPLAINED) -> dict[str, str]:
    """Key of a fault -> why it may survive."""
    if not path.exists():
        return {}
    groups = tomllib.loads(path.read_text("utf-8")).get("group", [])
    return {key: group["why"] for group in groups for key in group["mutants"]}


def sample(mutants: list[Mutant], n: int | None, seed: int) -> list[Mutant]:
    """A seeded choice that an edit elsewhere in the module does not reshuffle."""
    order = sorted(mutants, key=lambda m: hashlib.sha256(f"{seed} {m.key}".encode()).digest())
    chosen = set(map(id, order if n is None else order[:n]))
    return [mutant for mutant in mutants if id(mutant) in chosen]


def try_mutants(targets, chosen, tests, *, jobs=2, until_s=float("inf"), package="logger_app", say=print, rootdir=None):
    """Every chosen fault against the tests; `outcome` is filled in.

    Parameters
    ----------
    until_s : float
        `time.monotonic` when no new one is begun [s].
    package : str
        Top package, imported anew for faults outside functions.
    rootdir : Path, optional
        Folder of the package and its tests; this repository when not given.
    """
    import hypothesis
    import pytest

    phases = (hypothesis.Phase.explicit, hypothesis.Phase.generate)
    hypothesis.settings.register_profile(
        "mutants",
        phases=phases,
        derandomize=True,
        database=None,
        deadline=None,
        suppress_health_check=list(hypothesis.HealthCheck),
    )
    hypothesis.settings.load_profile("mutants")
    plug_in = Session(targets, chosen, jobs, until_s, package, say)
    os.chdir(rootdir or ROOT)
    with open(os.devnull, "w") as quiet:
        kept, sys.stdout = sys.stdout, quiet
        plug_in.say = lambda text: say(text, file=kept) if say is print else say(text)
        try:
            code = pytest.main([*_PYTEST, *(["--rootdir", str(rootdir)] if rootdir else []), *tests], plugins=[plug_in])
        finally:
            sys.stdout = kept
    if code not in (0, 5):
        raise SystemExit(f"mutants: pytest ended with {code}; the tests must pass without any fault")


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--module", action="append", default=[], help="room or room/module; may be repeated")
    parser.add_argument("--all", action="store_true", help="every room")
    parser.add_argument("--per-module", type=int, help="a seeded sample of this many a module; all when not given")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--seconds", type=float, default=float("inf"), help="begin no new fault after this long")
    parser.add_argument("--keys", type=Path, help="only the faults named in this file, one a line")
    parser.add_argument("--show-explained", action="store_true", help="print the explained survivors too")
    parser.add_argument("--json", type=Path, help="write the outcomes here as well")
    args = parser.parse_args(argv)
    if not args.all and not args.module:
        parser.error("--all, or --module")
    paths = {
        room: [path for pattern in patterns for path in sorted((ROOT / "logger_app").glob(pattern))]
        for room, (patterns, _) in ROOMS.items()
    }
    names = {f"{path.parent.name}/{path.stem}" for of_room in paths.values() for path in of_room} | set(ROOMS)
    if not set(args.module) <= names:
        parser.error(
            f"no module {', '.join(set(args.module) - names)}; rooms are {', '.join(ROOMS)}, modules such as reduce/airspeed"
        )
    known = explained()
    keys = set(args.keys.read_text("utf-8").splitlines()) if args.keys else None
    sys.path.insert(0, str(ROOT))
    until_s = time.monotonic() + args.seconds
    results: list[tuple[Target, list[Mutant]]] = []
    for room, (_, tests) in ROOMS.items():
        if not (args.all or any(name.split("/")[0] == room for name in args.module)):
            continue
        targets = [Target.of(path, ROOT) for path in paths[room]]
        wanted = [t for t in targets if t.mutants and (args.all or room in args.module or t.module in args.module)]
        picked = []
        for target in wanted:
            few = sample(target.mutants, args.per_module, args.seed)
            few = [m for m in few if keys is None or m.key in keys]
            picked.append((target, few))
        chosen = [mutant for _, few in picked for mutant in few]
        if not chosen:
            continue
        # A process a room: each begins with nothing of the package imported.
        _in_a_process(targets, chosen, [t for t in tests if (ROOT / t).exists()], args.jobs, until_s)
        results += picked
    _print(results, known, args.show_explained)
    if args.json:
        every = {m.key: m.outcome for _, few in results for m in few}
        args.json.write_text(json.dumps(every, indent=1), "utf-8")
    return 0


def _in_a_process(targets, chosen, tests, jobs, until_s) -> None:
    into, out = os.pipe()
    sys.stdout.flush()
    pid = os.fork()
    if not pid:
        code = 1
        try:
            os.close(into)
            try_mutants(targets, chosen, tests, jobs=jobs, until_s=until_s)
            with os.fdopen(out, "w") as pipe:
                json.dump([(m.outcome, m.tests) for m in chosen], pipe)
            code = 0
        except SystemExit as stop:
            print(stop, file=sys.stderr)
        finally:
            sys.stdout.flush()
            os._exit(code)
    os.close(out)
    with os.fdopen(into) as pipe:
        told = pipe.read()
    os.waitpid(pid, 0)
    if not told:
        raise SystemExit(1)
    for mutant, (outcome, failing) in zip(chosen, json.loads(told)):
        mutant.outcome, mutant.tests = outcome, failing


def _print(results, known: dict[str, str], show_explained: bool) -> None:
    head = f"{'module':28}{'mutants':>8}{'killed':>8}{'survived':>9}{'timed out':>10}{'explained':>10}{'score':>8}"
    print(head)
    total = [0] * 5
    for target, few in results:
        tried = [m for m in few if m.outcome not in ("", NOT_TRIED)]
        killed = sum(m.outcome == KILLED for m in tried)
        slow = sum(m.outcome == TIMED_OUT for m in tried)
        alive = [m for m in tried if m.outcome == SURVIVED]
        why = sum(m.key in known for m in alive)
        row = [len(tried), killed, len(alive) - why, slow, why]
        total = [a + b for a, b in zip(total, row)]
        print(_row(target.module, row) + ("" if len(tried) == len(few) else f"  ({len(few) - len(tried)} not tried)"))
    print(_row("all", total))
    alive = [m for _, few in results for m in few if m.outcome == SURVIVED]
    for mutant in alive:
        if mutant.key not in known:
            print(f"survived: line {mutant.line} ({mutant.tests} tests) {mutant.key}")
        elif show_explained:
            print(f"explained: line {mutant.line} {mutant.key} [{known[mutant.key]}]")
    for mutant in (m for _, few in results for m in few if m.outcome in (KILLED, TIMED_OUT) and m.key in known):
        print(f"explained but {mutant.outcome}; take it off the list: {mutant.key}")
    for target in (target for target, _ in results):
        here = {mutant.key for mutant in target.mutants}
        for key in (key for key in known if key.split(" ")[0] == target.module and key not in here):
            print(f"explained but no fault of that name is made any more; take it off the list: {key}")


def _row(name: str, row: list[int]) -> str:
    counted = row[0] - row[4]
    score = f"{100 * (row[1] + row[3]) / counted:.1f} %" if counted else "-"
    return f"{name:28}{row[0]:8}{row[1]:8}{row[2]:9}{row[3]:10}{row[4]:10}{score:>8}"


if __name__ == "__main__":
    sys.exit(main())

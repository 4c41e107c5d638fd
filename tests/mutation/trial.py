"""Each mutant against the tests that reach it, in a fork of one process that has collected all tests.

In the fork functions get the changed code, and the tests run at once: nothing is imported again. Only where the change
is in what runs at import (a constant, a default, a field) are package and tests imported anew.
"""

from __future__ import annotations

import ast
import functools
import gc
import importlib
import importlib.machinery
import importlib.util
import os
import re
import resource
import signal
import sys
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import CodeType, FunctionType, MappingProxyType, ModuleType
from typing import Final, Literal

import pytest
from hypothesis import Phase, settings

from tests.mutation.mutants import Mutant, Spans
from tests.mutation.reach import ROOT, Reach

Fate = Literal["killed", "survived", "not reached"]
#: A test that takes three times as long as usual, and ten seconds, has noticed something.
PATIENCE: Final = 3.0
START: Final = 10.0
MEMORY: Final = 8 << 30
#: Status of a process with a failure that is not said whose.
UNTOLD: Final = 255


@dataclass(frozen=True)
class Trial:
    """What came of a mutant."""

    mutant: Mutant
    fate: Fate
    tests: int  # that were asked
    seconds: float


def reaching(mutant: Mutant, reach: Reach, killed: Mapping[str, int] = MappingProxyType({})) -> list[str]:
    """The tests that run the changed statement; of what is run at import, those that use or name what it defines.

    Quick ones first, and those that have killed before; the second case of a test function counts twice its time.
    """
    spans = Spans((ROOT / mutant.file).read_text(encoding="utf-8"))
    around, lines = spans.statement(mutant.line)
    reached = reach.tests.get(mutant.file, {})
    found = frozenset[str]().union(*(reached.get(line, frozenset()) for line in lines))
    named: set[str] = set()
    if not found:  # a default or a field: all of its function or class; a constant: wherever it is named
        places = {mutant.file: set(range(around[0].lineno, (around[0].end_lineno or 0) + 1))}
        if isinstance(around[0], ast.Assign | ast.AnnAssign):
            inside = [node for node in ast.walk(around[0]) if isinstance(node, ast.Name)]
            word = re.compile(rf"\b({'|'.join(node.id for node in inside if isinstance(node.ctx, ast.Store))})\b")
            texts = {file: (ROOT / file).read_text(encoding="utf-8").split("\n") for file in reach.tests}
            places = {file: {n for n, text in enumerate(all_, 1) if word.search(text)} for file, all_ in texts.items()}
            named = {test for test in reach.seconds if word.search(_text(test))}
        found = frozenset[str]().union(
            named, *(reach.tests.get(file, {}).get(n, frozenset()) for file, all_ in places.items() for n in all_)
        )
    turn: Counter[str] = Counter()
    rank = {}
    for test in sorted(found, key=lambda test: (reach.seconds[test], test)):
        function = test.split("[")[0]
        turn[function] += 1
        rank[test] = turn[function] * reach.seconds[test] / (1 + killed.get(test, 0))
    return sorted(rank, key=lambda test: (rank[test], test))


def _text(test: str) -> str:
    """Of a test's function."""
    file, _, name = test.partition("::")
    return _functions_of(file).get(name.split("[")[0], "")


@functools.cache
def _functions_of(file: str) -> dict[str, str]:
    """Texts of the functions of a file, by name."""
    path = ROOT / file
    text = path.read_text(encoding="utf-8") if path.exists() else ""
    functions = [node for node in ast.parse(text).body if isinstance(node, ast.FunctionDef)]
    return {node.name: ast.get_source_segment(text, node) or "" for node in functions}


def within(tests: Iterable[str], reach: Reach, seconds: float) -> list[str]:
    """The first of these tests, for so many seconds; at least one."""
    chosen: list[str] = []
    for test in tests:
        seconds -= reach.seconds[test]
        if chosen and seconds < 0:
            break
        chosen.append(test)
    return chosen


class _Changed(importlib.machinery.SourceFileLoader):
    """Loads a module from another text than its file's."""

    def __init__(self, name: str, path: str, code: CodeType) -> None:
        super().__init__(name, path)
        self.code = code

    def get_code(self, fullname: str) -> CodeType:  # noqa: ARG002  # it has one alone
        return self.code

    def find_spec(self, fullname: str, *_: object) -> importlib.machinery.ModuleSpec | None:
        """Of this module alone, so that it can stand in `sys.meta_path`."""
        return importlib.util.spec_from_loader(fullname, self) if fullname == self.name else None


def _functions(code: CodeType) -> Iterator[CodeType]:
    """All code inside, outermost first."""
    for inner in code.co_consts:
        if isinstance(inner, CodeType):
            yield inner
            yield from _functions(inner)


def _place(code: CodeType) -> tuple[str, int]:
    return code.co_qualname, code.co_firstlineno


def _without_functions(code: CodeType) -> tuple[object, ...]:
    """What runs at import: the module's own code, and that of its classes."""
    inner = [_without_functions(one) for one in code.co_consts if isinstance(one, CodeType) and _is_class(one)]
    plain = [one for one in code.co_consts if not isinstance(one, CodeType)]
    return code.co_code, code.co_names, tuple(map(repr, plain)), tuple(inner)


def _is_class(code: CodeType) -> bool:
    return "__module__" in code.co_names and "__qualname__" in code.co_names


def put_in_place(before: CodeType, after: CodeType, name: str) -> bool:
    """Give the functions of a loaded module the code of another compilation; False if that does not show all of it."""
    if _without_functions(before) != _without_functions(after):
        return False
    old, new = list(_functions(before)), list(_functions(after))
    if [_place(one) for one in old] != [_place(one) for one in new]:
        return False
    changed = {_place(code): code for code, was in zip(new, old, strict=True) if code != was and not _is_class(code)}
    for function in [one for one in gc.get_objects() if isinstance(one, FunctionType) and one.__module__ == name]:
        code = changed.get(_place(function.__code__))
        if code is not None and function.__code__.co_filename == code.co_filename:
            function.__code__ = code
    return True


class Judge:
    """A plugin of pytest that runs no tests itself, but those that are asked for in forks."""

    def __init__(self, chosen: Iterable[Mutant], reach: Reach, budget: float, tell: Callable[[Trial], object]) -> None:
        self.chosen, self.reach, self.budget, self.tell = chosen, reach, budget, tell
        self.failed = False
        self.killed: Counter[str] = Counter()  # mutants, by the test that told

    @pytest.hookimpl(tryfirst=True)
    def pytest_collection(self) -> None:
        """One example that fails is enough; a simpler one would take its time."""
        usual = settings.get_profile("ellipsefit")
        settings.register_profile("mutants", usual, phases=(Phase.explicit, Phase.generate), report_multiple_bugs=False)
        settings.load_profile("mutants")

    @pytest.hookimpl
    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """All mutants, in the place of all tests."""
        items = {item.nodeid: item for item in session.items}
        for mutant in self.chosen:
            self.tell(self.judge(mutant, items))
        return True

    @pytest.hookimpl
    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """One failure is enough."""
        self.failed |= report.failed

    def judge(self, mutant: Mutant, items: dict[str, pytest.Item]) -> Trial:
        """Ask the tests that reach a mutant, those that fit into the budget."""
        found = [test for test in reaching(mutant, self.reach, self.killed) if test in items]
        tests = within(found, self.reach, self.budget)
        if not tests:
            return Trial(mutant, "not reached", 0, 0.0)
        seconds = sum(self.reach.seconds[test] for test in tests)
        began = time.monotonic()
        sys.stdout.flush()
        child = os.fork()
        if child == 0:
            status = UNTOLD
            try:
                _limit(seconds * PATIENCE + START)
                status = self._failing(mutant, [items[test] for test in tests])
            except BaseException:  # noqa: BLE001  # whatever it is, it is the mutant's end
                traceback.print_exc()
            finally:
                os._exit(status)
        status = _wait(child, 10 * (seconds * PATIENCE + START))
        if 0 < status < UNTOLD:
            self.killed[tests[status - 1]] += 1
        return Trial(mutant, "survived" if status == 0 else "killed", len(tests), round(time.monotonic() - began, 2))

    def _failing(self, mutant: Mutant, tests: list[pytest.Item]) -> int:
        """Which test fails, from 1; 0: none; `UNTOLD`: one."""
        path, name = str(ROOT / mutant.file), mutant.file.removesuffix(".py").replace("/", ".")
        before = compile(Path(path).read_text(encoding="utf-8"), path, "exec", dont_inherit=True)
        after = compile(mutant.text(ROOT), path, "exec", dont_inherit=True)
        if not put_in_place(before, after, name):
            for loaded in [loaded for loaded, module in sys.modules.items() if _is_ours(module)]:
                del sys.modules[loaded]
            sys.meta_path.insert(0, _Changed(name, path, after))
            return UNTOLD if pytest.main([*(test.nodeid for test in tests), "-x", *QUIET]) else 0
        for place, (test, following) in enumerate(zip(tests, [*tests[1:], None], strict=True), 1):
            test.config.hook.pytest_runtest_protocol(item=test, nextitem=following)
            if self.failed:
                return min(place, UNTOLD)
        return 0


def _is_ours(module: ModuleType) -> bool:
    """Whether it is one of the package or of the tests, under whatever name these were imported."""
    file = getattr(module, "__file__", None)
    return file is not None and Path(file).is_relative_to(ROOT) and module.__name__ != "__main__"


#: Plugins are loaded already; nothing is written but what tests write, and that only where it failed.
QUIET: Final = (
    "-W", "ignore::pytest.PytestAssertRewriteWarning", "-p", "no:cacheprovider", "-s",
    "-o", "tmp_path_retention_policy=failed",
)  # fmt: skip


def judge_all(chosen: Iterable[Mutant], reach: Reach, budget: float, tell: Callable[[Trial], object]) -> None:
    """Judge mutants one after the other, and tell each."""
    files = [file for file in dict.fromkeys(test.split("::")[0] for test in reach.seconds) if (ROOT / file).exists()]
    os.chdir(ROOT)
    pytest.main([*files, *QUIET, "--no-header", "--no-summary"], plugins=[Judge(chosen, reach, budget, tell)])


def _limit(seconds: float) -> None:
    os.setsid()
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.dup2(nowhere, 2)
    spent = resource.getrusage(resource.RUSAGE_SELF)
    limit = int(spent.ru_utime + spent.ru_stime + seconds) + 1
    resource.setrlimit(resource.RLIMIT_CPU, (limit, limit + 5))
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))


def _wait(child: int, seconds: float) -> int:
    """The child's status, or that of one who had to be stopped."""
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status)
        time.sleep(0.02)
    os.killpg(child, signal.SIGKILL)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])

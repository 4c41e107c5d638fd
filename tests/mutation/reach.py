"""Which test reaches which line, and how long it takes: `python -m tests.mutation.reach FILE [pytest's arguments]`.

What is computed once and used by many (fixtures of a module, cached functions) is measured for itself and counted for
all that use it, not for the test that happened to come first.
"""

from __future__ import annotations

import functools
import json
import subprocess
import sys
import time
from collections import defaultdict
from collections.abc import Callable, Generator, Hashable, Mapping
from dataclasses import dataclass
from difflib import SequenceMatcher
from pathlib import Path
from typing import Any, Final

import coverage
import pytest

ROOT: Final = Path(__file__).parents[2]
#: What is to be tested this way, as paths from the root.
SOURCES: Final = tuple(
    str(path.relative_to(ROOT))
    for pattern in ("ellipse.py", "fit/*.py", "align/*.py")
    for path in sorted((ROOT / "ellipsefit").glob(pattern))
)


@dataclass(frozen=True)
class Reach:
    """What each test takes and reaches."""

    seconds: dict[str, float]  # of the processor, by test
    tests: dict[str, dict[int, frozenset[str]]]  # by file and line

    @classmethod
    def read(cls, path: Path) -> Reach:
        """What `main` has written, of the sources as they are now."""
        told = followed(json.loads(path.read_text(encoding="utf-8")), sources())
        names = list(told["seconds"])
        tests = {
            file: {int(line): frozenset(names[number] for number in numbers) for line, numbers in lines.items()}
            for file, lines in told["lines"].items()
        }
        return cls(told["seconds"], tests)


class Stopwatch:
    """Tells coverage and a clock what is being done: a test, or something that tests share."""

    def __init__(self, measured: coverage.Coverage) -> None:
        self.measured = measured
        self.seconds: dict[str, float] = defaultdict(float)
        self.uses: dict[str, set[str]] = defaultdict(set)
        self.passed: set[str] = set()
        self.doing = [""]
        self.since = time.process_time()

    def _lap(self) -> None:
        now = time.process_time()
        self.seconds[self.doing[-1]] += now - self.since
        self.since = now

    def begin(self, what: str) -> None:
        """From here on it is this."""
        self._lap()
        self.doing.append(what)
        self.measured.switch_context(what)

    def end(self) -> None:
        """Back to what was done before."""
        self._lap()
        self.doing.pop()
        self.measured.switch_context(self.doing[-1])

    def cache(self, function: Callable[..., Any]) -> Callable[..., Any]:
        """`functools.cache`, measured."""
        kept: dict[Hashable, Any] = {}
        name = f"{function.__module__}.{function.__qualname__}"

        @functools.wraps(function)
        def cached(*arguments: Any, **named: Any) -> Any:
            key = (arguments, tuple(sorted(named.items())))
            what = f"{name}{key}"
            self.uses[self.doing[-1]].add(what)
            if key not in kept:
                self.begin(what)
                try:
                    kept[key] = function(*arguments, **named)
                finally:
                    self.end()
            return kept[key]

        cached.cache_clear = kept.clear  # type: ignore[attr-defined]  # as functools' own has it
        return cached

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Generator[None, object, object]:
        """A test."""
        self.begin(item.nodeid)
        try:
            return (yield)
        finally:
            self.end()

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: pytest.FixtureDef[Any]) -> Generator[None, object, object]:
        """What the tests of a module share."""
        if fixturedef.scope == "function":
            return (yield)
        self.begin(self._name(fixturedef))
        try:
            return (yield)
        finally:
            self.end()

    @pytest.hookimpl
    def pytest_runtest_teardown(self, item: pytest.Item) -> None:
        """What it used is known when it ends."""
        known = getattr(item, "_fixtureinfo", None)
        for several in known.name2fixturedefs.values() if known else ():
            self.uses[item.nodeid] |= {self._name(one) for one in several if one.scope != "function"}

    @pytest.hookimpl
    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """One that was skipped shows nothing."""
        if report.when == "call" and report.passed:
            self.passed.add(report.nodeid)

    @staticmethod
    def _name(fixture: pytest.FixtureDef[Any]) -> str:
        return f"{fixture.baseid}::{fixture.argname}"

    def all_of(self, what: str, seen: frozenset[str] = frozenset()) -> frozenset[str]:
        """It and all it uses."""
        seen |= {what}
        for one in sorted(self.uses[what] - seen):
            seen |= self.all_of(one, seen)
        return seen


def measure(arguments: list[str]) -> dict[str, Any]:
    """Run tests; what `Reach` holds."""
    files = [str(ROOT / file) for file in SOURCES]
    measured = coverage.Coverage(data_file=None, include=files, config_file=False, messages=False)
    watch = Stopwatch(measured)
    functools.cache = watch.cache  # type: ignore[assignment]  # before any test is imported
    measured.start()
    pytest.main([*arguments, "-p", "no:cacheprovider"], plugins=[watch])
    measured.stop()
    data = measured.get_data()
    tests = sorted(watch.passed)
    parts = {test: watch.all_of(test) for test in tests}
    users: dict[str, list[int]] = defaultdict(list)
    for number, test in enumerate(tests):
        for part in parts[test]:
            users[part].append(number)
    lines = {
        str(Path(file).relative_to(ROOT)): {
            line: sorted({number for context in contexts for number in users[context]})
            for line, contexts in data.contexts_by_lineno(file).items()
        }
        for file in data.measured_files()
    }
    return {
        "seconds": {test: round(sum(watch.seconds[part] for part in parts[test]), 4) for test in tests},
        "lines": lines,
        "sources": sources(),
    }


def sources() -> dict[str, str]:
    """What is to be tested, by path from the root."""
    return {file: (ROOT / file).read_text(encoding="utf-8") for file in SOURCES}


def followed(told: dict[str, Any], now: Mapping[str, str]) -> dict[str, Any]:
    """What was measured, by the lines as they are now; new ones are reached by who reaches their neighbours."""
    measured = told.get("sources", now)
    lines: dict[str, dict[int, list[int]]] = {}
    for file in told["lines"].keys() & now.keys():
        was = {int(line): tests for line, tests in told["lines"][file].items()}
        before, after = (text.split("\n") for text in (measured[file], now[file]))
        found = lines[file] = {}
        for what, a, b, c, d in SequenceMatcher(None, before, after, autojunk=False).get_opcodes():
            near = sorted({test for line in range(a, b + 2) for test in was.get(line, [])})
            for place in range(c, d):  # counted from 0, lines from 1
                found[place + 1] = was.get(place - c + a + 1, []) if what == "equal" else near
    return {"seconds": told["seconds"], "lines": lines, "sources": dict(now)}


def joined(old: dict[str, Any], new: dict[str, Any]) -> dict[str, Any]:
    """What was known, but for the tests that were run now."""
    old = followed(old, new["sources"])
    names = list(dict.fromkeys([*old["seconds"], *new["seconds"]]))
    number = {name: place for place, name in enumerate(names)}
    lines: dict[str, dict[str, set[int]]] = defaultdict(lambda: defaultdict(set))
    for told, kept in ((old, set(old["seconds"]) - set(new["seconds"])), (new, set(new["seconds"]))):
        own = list(told["seconds"])
        for file, reached in told["lines"].items():
            for line, tests in reached.items():
                lines[file][str(line)] |= {number[own[test]] for test in tests if own[test] in kept}
    return {
        "seconds": old["seconds"] | new["seconds"],
        "lines": {file: {line: sorted(tests) for line, tests in reached.items()} for file, reached in lines.items()},
        "sources": new["sources"],
    }


def measure_apart(path: Path) -> None:
    """Measure in a process of its own, for tests can be imported only once."""
    subprocess.run([sys.executable, "-m", "tests.mutation.reach", str(path)], cwd=ROOT, check=True)


def main() -> None:
    """Measure and write it down; where something is known, put this beside it."""
    path = Path(sys.argv[1])
    told = measure(sys.argv[2:])
    if path.exists():
        told = joined(json.loads(path.read_text(encoding="utf-8")), told)
    path.parent.mkdir(exist_ok=True)
    path.write_text(json.dumps(told), encoding="utf-8")


if __name__ == "__main__":
    main()

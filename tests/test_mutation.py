"""The runner of mutants: what it changes, what it leaves alone, and that it tells a fault from what is none."""

from __future__ import annotations

import importlib.util
import json
import subprocess
import sys
from pathlib import Path

import pytest

if importlib.util.find_spec("cosmic_ray") is None or importlib.util.find_spec("coverage") is None:
    pytest.skip("mutants are made by an extra: pip install -e '.[mutation]'", allow_module_level=True)

from tests.mutation.__main__ import survivors, table
from tests.mutation.mutants import Mutant, mutants
from tests.mutation.reach import ROOT, Reach, followed, joined
from tests.mutation.trial import Trial, reaching, within

SOURCE = '''"""Words, 1 + 1."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    WIDE = 1 + 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    first: tuple[int, int] | None
    second: float = 2.0


def total(values: dict[int, float] | None, *, scale: float = 3) -> float | None:
    if len(values) < 4:
        return None
    mask = [a < b for a, b in zip(values, values, strict=True)]
    named = {**values, 1e30: invert(mask, overwrite_a=True)}
    return -sum(*values) * scale
'''


def test_mutants_are_what_a_program_computes_and_nothing_else(tmp_path: Path) -> None:
    """Each expected one was read off the source by hand: two for a number, one for a sign or an operator."""
    (tmp_path / "some.py").write_text(SOURCE, encoding="utf-8")
    changes = sorted(one.change(tmp_path)[1] for one in mutants(tmp_path, "some.py"))
    assert changes == sorted([
        "second: float = 3.0",
        "second: float = 1.0",
        "def total(values: dict[int, float] | None, *, scale: float = 4) -> float | None:",
        "def total(values: dict[int, float] | None, *, scale: float = 2) -> float | None:",
        "if not len(values) < 4:",
        "if len(values) <= 4:",
        "if len(values) < 5:",
        "if len(values) < 3:",
        "mask = [a <= b for a, b in zip(values, values, strict=True)]",
        "mask = [a >= b for a, b in zip(values, values, strict=True)]",
        "return sum(*values) * scale",
        "return -sum(*values) / scale",
    ])  # fmt: skip


def reach_of(tests: dict[str, float], file: str, lines: dict[int, list[str]]) -> Reach:
    return Reach(tests, {file: {line: frozenset(names) for line, names in lines.items()}})


def test_tests_are_those_that_run_the_statement_and_of_each_function_one_case_first() -> None:
    """A comparison on the second line of a statement is reached by who runs its first."""
    file = "ellipsefit/ellipse.py"
    text = (ROOT / file).read_text(encoding="utf-8").split("\n")
    first = next(n for n, line in enumerate(text, 1) if line.strip() == "return Partials(")
    seconds = {"t::a[1]": 0.1, "t::a[2]": 0.2, "t::b": 0.3, "t::c": 0.01}  # a[2] counts 0.4
    reach = reach_of(seconds, file, {first: ["t::a[1]", "t::a[2]", "t::b"], first - 1: ["t::c"]})
    found = reaching(Mutant(file, first + 1, 0, "", 0), reach)
    assert found == ["t::a[1]", "t::b", "t::a[2]"]
    assert reaching(Mutant(file, first + 1, 0, "", 0), reach, {"t::b": 3})[0] == "t::b"  # counts a quarter
    assert within(found, reach, 0.45) == ["t::a[1]", "t::b"]
    assert within(found, reach, 0.0) == ["t::a[1]"]  # never none


def test_a_constant_is_asked_of_all_who_use_it() -> None:
    """What is run at import is reached by no test."""
    file = "ellipsefit/fit/solver.py"
    text = (ROOT / file).read_text(encoding="utf-8").split("\n")
    named = next(n for n, line in enumerate(text, 1) if line.startswith("CONVERGED_OFFSET"))
    used = next(n for n, line in enumerate(text, 1) if "CONVERGED_OFFSET" in line and n != named)
    reach = reach_of({"t::user": 1.0, "t::other": 1.0}, file, {used: ["t::user"], used + 1: ["t::other"]})
    assert reaching(Mutant(file, named, 20, "", 0), reach) == ["t::user"]


def test_a_constant_is_asked_of_a_test_that_names_it() -> None:
    """It may be held against a published value where no line of the package runs; a case counts as its function."""
    file = "ellipsefit/fit/effects.py"
    text = (ROOT / file).read_text(encoding="utf-8").split("\n")
    line = next(n for n, words in enumerate(text, 1) if words.startswith("FORM_EVIDENCE"))
    tests = [
        "tests/test_fit_model.py::test_evidence_for_form_is_the_five_percent_point",
        "tests/test_fit_model.py::test_known_variances_need_no_factor",
        "tests/test_gone.py::test_form",
    ]
    reach = reach_of(dict.fromkeys(tests, 1.0), file, {})
    assert reaching(Mutant(file, line, 23, "", 0), reach) == tests[:1]
    named = reach_of({f"{tests[0]}[case]": 1.0}, file, {})
    assert reaching(Mutant(file, line, 23, "", 0), named) == [f"{tests[0]}[case]"]


def test_what_is_measured_again_takes_the_place_of_what_was_known() -> None:
    text = {"f": "x\ny\nz"}
    old = {"seconds": {"a": 1.0, "b": 2.0}, "lines": {"f": {"1": [0, 1], "2": [1]}}, "sources": text}
    new = {"seconds": {"b": 3.0, "c": 4.0}, "lines": {"f": {3: [0], 1: [1]}}, "sources": text}
    both = joined(old, new)
    assert both["seconds"] == {"a": 1.0, "b": 3.0, "c": 4.0}
    assert both["lines"] == {"f": {"1": [0, 2], "2": [], "3": [1]}}


def test_lines_that_moved_are_followed() -> None:
    """A line put in and one changed are reached by who reaches those beside them; a file that has gone is forgotten."""
    lines = {"f": {"1": [0], "2": [1], "3": [2]}, "gone": {"1": [0]}}
    told = {"seconds": dict.fromkeys("abc", 1.0), "lines": lines, "sources": {"f": "x\ny\nz", "gone": "u"}}
    after = followed(told, {"f": "x\nnew\ny\nZ", "other": "v"})
    assert after["lines"] == {"f": {1: [0], 2: [0, 1], 3: [1], 4: [1, 2]}}
    assert followed(told, told["sources"])["lines"]["f"] == {1: [0], 2: [1], 3: [2]}  # type: ignore[arg-type]  # of the same file


def test_a_rate_comes_with_its_interval(tmp_path: Path) -> None:
    """Wilson's interval for 85 of 100 is 0.7672 to 0.9069: E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209-212,
    (p + z2/2n -+ z sqrt(pq/n + z2/4n2)) / (1 + z2/n) with z = 1.96, by hand."""
    mutant = Mutant("m.py", 1, 0, "AddNot", 0)
    trials = [Trial(mutant, "killed" if n < 85 else "survived", 1, 0.1) for n in range(100)]
    assert "85 of 100 killed, 85.0% (95 %: 76.7% to 90.7%)" in table(trials)
    kept = tmp_path / "kept"
    kept.write_text("".join(json.dumps({"mutant": vars(t.mutant), "fate": t.fate}) + "\n" for t in trials[84:86]))
    assert survivors(kept) == [mutant]


JUDGE = """
from tests.mutation.mutants import mutants
from tests.mutation.reach import ROOT, Reach
from tests.mutation.trial import judge_all
tests = {
    "ellipsefit/ellipse.py": "tests/test_ellipse.py::test_axes_lead_back_to_the_ellipse",
    "ellipsefit/align/diagnosis.py": "tests/test_plan_exact.py::test_how_often_mistakes_happen",
}
reach = Reach(
    dict.fromkeys(tests.values(), 0.3),
    {file: {n: frozenset([test]) for n in range(1, 400)} for file, test in tests.items()},
)
words = ("hypot(p - q, 2", "if not value > 0", '"not moved": 3e-3')
near = [
    one for file in tests for one in mutants(ROOT, file)
    if any(word in (ROOT / file).read_text(encoding="utf-8").split("\\n")[one.line - 1] for word in words)
]
ends = ("(p + q, 2 * np.sqrt(p * q) * np.cos(self.theta)) / 2", "not value >= 0:", "not not value > 0:", "-0.997,")
chosen = [one for one in near if one.change(ROOT)[1].endswith(ends)]
judge_all(chosen, reach, 1.0, lambda trial: print("|", trial.fate, trial.mutant.change(ROOT)[1]))
"""


def test_a_fault_is_killed_and_what_a_test_cannot_see_survives() -> None:
    """The half distance of the foci decides where the pole lies, and a rate (told at import) is none below zero;
    that parameters are refused is another test's."""
    done = subprocess.run([sys.executable, "-c", JUDGE], cwd=ROOT, capture_output=True, text=True, check=True)
    told = [line.split(" ", 2)[1:] for line in done.stdout.splitlines() if line.startswith("|")]
    fates = {after: fate for fate, after in told}
    assert fates["c = np.hypot(p + q, 2 * np.sqrt(p * q) * np.cos(self.theta)) / 2"] == "killed"
    assert fates["if not value >= 0:"] == "survived"
    assert fates["if not not value > 0:"] == "killed"
    assert fates['"not moved": -0.997,'] == "killed"

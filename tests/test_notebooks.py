"""Notebooks carry no outputs, and every cell of them runs."""

from __future__ import annotations

import ast
import json
from pathlib import Path
from typing import Any

import matplotlib.pyplot as plt
import pytest

NOTEBOOKS = sorted((Path(__file__).parents[1] / "notebooks").glob("*.ipynb"))


def cells_of(path: Path) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = json.loads(path.read_text(encoding="utf-8"))["cells"]
    return found


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_carries_no_outputs(path: Path) -> None:
    for cell in cells_of(path):
        if cell["cell_type"] == "code":
            assert cell["outputs"] == []
            assert cell["execution_count"] is None


def executed(path: Path, folder: Path) -> dict[str, Any]:
    """Names after all cells ran as a kernel runs them; what a cell ends with is shown as a notebook shows it."""
    plt.switch_backend("agg")
    space: dict[str, Any] = {"__name__": "__main__"}
    for number, cell in enumerate(cells_of(path)):
        if cell["cell_type"] != "code":
            continue
        name = f"{path.name}, cell {number}"
        tree = ast.parse("".join(cell["source"]), name)
        last = tree.body.pop() if isinstance(tree.body[-1], ast.Expr) else None
        exec(compile(tree, name, "exec"), space)
        if not isinstance(last, ast.Expr):
            continue
        value: Any = eval(compile(ast.Expression(last.value), name, "eval"), space)
        if hasattr(value, "savefig"):
            value.savefig(folder / "figure.png")
        elif hasattr(value, "_repr_html_"):
            assert value._repr_html_()
    plt.close("all")
    return space


ENDINGS = ("engineer", "metrology_lab")  # those whose end is looked at, below


@pytest.mark.parametrize("path", [path for path in NOTEBOOKS if path.stem not in ENDINGS], ids=lambda path: path.stem)
def test_every_cell_of_a_notebook_runs(path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    executed(path, tmp_path)


def test_the_engineer_ends_within_tolerance_and_finds_the_wrong_hand(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    names = executed(next(path for path in NOTEBOOKS if path.stem == "engineer"), tmp_path)
    assert names["height"] <= 2e-6
    assert names["tilt"] <= 10e-6
    assert names["hidden"] == names["found"]
    assert len(names["hidden"]) == 1


def test_the_lab_settles_the_parabola_by_flips_and_states_what_is_true(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Both errors are within 3.3 stated standard uncertainties (one notebook in a thousand would not be); with flips
    the statement is at least 20 times smaller: the guide's parabola is open without, noise alone is left with them."""
    monkeypatch.chdir(tmp_path)
    names = executed(next(path for path in NOTEBOOKS if path.stem == "metrology_lab"), tmp_path)
    (alone, stated_alone), (flipped, stated_flipped) = names["sags"].values()
    assert abs(alone) < 3.3 * stated_alone
    assert abs(flipped) < 3.3 * stated_flipped
    assert stated_flipped < stated_alone / 20
    assert any("parabola" in item.function for item in names["plain"].undetermined)
    assert not any("parabola" in item.function for item in names["turned"].undetermined)


def test_every_user_has_a_notebook() -> None:
    assert {"engineer", "metrology_lab", "physicist", "carrier_and_seasons"} == {path.stem for path in NOTEBOOKS}

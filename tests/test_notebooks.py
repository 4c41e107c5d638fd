"""The notebooks run from top to bottom, and carry no outputs."""

import json
from pathlib import Path
from typing import Any

import matplotlib as mpl
import pytest

FOLDER = Path(__file__).parents[1] / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))


def cells(path: Path, kind: str) -> list[dict[str, Any]]:
    return [cell for cell in json.loads(path.read_text(encoding="utf-8"))["cells"] if cell["cell_type"] == kind]


def test_there_are_notebooks() -> None:
    assert FOLDER / "engineer.ipynb" in NOTEBOOKS


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_no_outputs_are_kept(path: Path) -> None:
    assert all(cell["outputs"] == [] and cell["execution_count"] is None for cell in cells(path, "code"))


def executed(path: Path) -> dict[str, Any]:
    """Names after all code cells ran, one after the other."""
    names: dict[str, Any] = {"__name__": "__main__"}
    with mpl.rc_context({"backend": "agg"}):
        for cell in cells(path, "code"):
            exec(compile("".join(cell["source"]), f"{path.name}, {cell['id']}", "exec"), names)
    return names


def test_the_engineer_ends_within_tolerance_and_finds_the_wrong_hand(capsys: pytest.CaptureFixture[str]) -> None:
    names = executed(FOLDER / "engineer.ipynb")
    assert names["height"] <= 2e-6
    assert names["tilt"] <= 10e-6
    assert names["hidden"] == names["found"]
    assert len(names["hidden"]) == 1
    assert capsys.readouterr().out.startswith("left: ")

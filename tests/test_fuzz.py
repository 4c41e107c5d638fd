"""Whatever a file holds, its reader either reads it or says in one line what is wrong with it.

No exception but ours, no hang of 10 s, no gigabyte, nothing written: `tests.fuzz` tells how that is watched.
"""

from __future__ import annotations

import importlib.util
import json
import random
import subprocess
import sys
from pathlib import Path
from typing import Any, Final

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.fuzz.campaign import attacked
from tests.fuzz.judge import Finding, judge
from tests.fuzz.mutations import Mutator
from tests.fuzz.targets import AWKWARD, TARGETS, Target

pytestmark = pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="limits of memory are those of Linux")
ROOT: Final = Path(__file__).parents[1]
KEPT: Final = sorted((Path(__file__).parent / "data" / "fuzz").iterdir())
#: Files for each reader in a campaign, for both ways of damage together; 1,000,000 in all.
CAMPAIGN: Final = {target.name: 8_000 if target.form == "hdf5" else 64_000 for target in TARGETS.values()}


def prepared(target: Target, folder: Path) -> Path:
    for name, data in target.beside().items():
        (folder / name).write_bytes(data)
    return folder


@pytest.mark.parametrize("name", TARGETS)
def test_the_files_that_are_damaged_are_read_well(name: str, tmp_path: Path) -> None:
    """Damage to what is wrong already would reach nothing."""
    target = TARGETS[name]
    for data in target.seeds():
        path = target.file_in(prepared(target, tmp_path))
        path.write_bytes(data)
        assert judge(target, data, tmp_path) is None
        if name not in ("record", "learned"):  # of a mirror that has been moved since
            target.read(path)


@pytest.mark.parametrize(("hdf5", "count"), [(False, 100), (True, 20)])
def test_damaged_files_for_each_reader(hdf5: bool, count: int, tmp_path: Path) -> None:
    """In one process, confined to a gigabyte; the campaign below gives a million."""
    names = [name for name, target in TARGETS.items() if (target.form == "hdf5") == hdf5]
    command = [sys.executable, "-m", "tests.fuzz.run", str(tmp_path), str(count), "5", *names]
    done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, check=False)
    assert done.returncode == 0, done.stderr[-3000:]
    for name in names:
        told = json.loads((tmp_path / name / "progress").read_text(encoding="utf-8"))
        assert told["count"] == count
        assert told["found"] == []


@pytest.mark.parametrize("path", KEPT, ids=lambda path: path.name)
def test_files_that_once_showed_a_fault(path: Path, tmp_path: Path) -> None:
    target = TARGETS[path.name.split("-")[0]]
    assert judge(target, path.read_bytes(), prepared(target, tmp_path)) is None


MARKS = st.sampled_from([",", ";", "\t", " "])
CELLS = st.one_of(st.floats().map(str), st.sampled_from(AWKWARD), st.sampled_from(["S01", "T1", "1", "2,5", "-3.5"]))
NAMES = """x [mm]|y [mm]|z [m]|height [um]|slope [urad]|sigma [um]|segment|mask|carriage [mm]|time [s]|date|x []|x [kg]|
temperature [degC]|target|station|sigma_x [um]|correlation_xy|moved|at|value|uncertainty|adjuster|from [um]|to [um]|
check|reading [um]"""
HEADS = st.sampled_from([name.strip() for name in NAMES.split("|")])


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
@pytest.mark.parametrize("name", [target.name for target in TARGETS.values() if target.form == "text"])
def test_tables_of_any_columns_and_cells(name: str, tmp_path: Path, data: st.DataObject) -> None:
    mark, heads = data.draw(MARKS), data.draw(st.lists(HEADS, min_size=1, max_size=6))
    rows = data.draw(st.lists(st.lists(CELLS, min_size=len(heads), max_size=len(heads)), max_size=7))
    text = "\n".join([mark.join(heads), *(mark.join(row) for row in rows)])
    assert judge(TARGETS[name], text.encode("utf-8", errors="surrogatepass"), tmp_path) is None


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=5,
)


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
@pytest.mark.parametrize("name", [target.name for target in TARGETS.values() if target.form == "json"])
def test_answers_with_anything_in_any_place(name: str, tmp_path: Path, data: st.DataObject) -> None:
    target = TARGETS[name]
    whole = json.loads(data.draw(st.sampled_from(target.seeds())))
    node: Any = whole
    while True:
        keys = list(node) if isinstance(node, dict) else list(range(len(node)))
        key = data.draw(st.sampled_from(keys))
        if not (isinstance(node[key], dict | list) and node[key]) or data.draw(st.booleans()):
            node[key] = data.draw(JSON)
            break
        node = node[key]
    assert judge(target, json.dumps(whole).encode(), prepared(target, tmp_path)) is None


def test_the_judge_sees_what_it_is_to_see(tmp_path: Path) -> None:
    """An exception of another kind, a file that is written, one that is changed, two lines, too much memory."""

    def finding(read: Any) -> Finding:
        found = judge(Target(name="t", form="text", suffix=".x", seeds=tuple, read=read), b"abc", tmp_path)
        assert found is not None
        return found

    assert finding(lambda path: path.read_bytes()[9]).what.startswith("IndexError")
    assert finding(lambda path: path.with_name("new").write_text("a", encoding="utf-8")).what.startswith("Written")
    assert finding(lambda path: path.unlink()).what.startswith("Written")
    assert finding(lambda _: (tmp_path / "dir").mkdir()).what.startswith("Written")
    code = (
        "from pathlib import Path\nfrom tests.fuzz.judge import confined, judge\n"
        "from tests.fuzz.targets import Target\nimport numpy as np, sys\nconfined()\n"
        "one = Target(name='t', form='text', suffix='.x', seeds=tuple, read=lambda path: np.ones(200_000_000))\n"
        "print(judge(one, b'', Path(sys.argv[1])).what)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path)], capture_output=True, text=True, cwd=ROOT, check=True
    )
    assert "MemoryError" in done.stdout


def test_damage_is_the_same_for_the_same_seed() -> None:
    mutator = Mutator(TARGETS["mirror"])
    first, second = ([mutator.draw(rng) for _ in range(20)] for rng in (random.Random(3), random.Random(3)))
    assert first == second
    assert len(set(first)) == 20


@pytest.mark.campaign
@pytest.mark.parametrize("name", TARGETS)
@pytest.mark.parametrize("engine", ["run", "covered"])
def test_a_million_damaged_files(name: str, engine: str) -> None:
    """With coverage, HDF5 is read in the process itself, and about one in a thousand kills that or hangs."""
    if engine == "covered" and importlib.util.find_spec("atheris") is None:
        pytest.skip("atheris is not installed: pip install -e '.[fuzz]'")
    outcome = attacked(name, CAMPAIGN[name] // 2, 11, engine)
    sys.stdout.write(f"\n{outcome}\n")
    deaths = ("signal", "hung") if engine == "covered" and TARGETS[name].form in ("hdf5", "binary") else ()
    assert not {what for what in outcome.found if not what.startswith(deaths)}

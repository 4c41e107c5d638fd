"""The check of speed can fail: ratios that fell, are missing or are new are told."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.bench import __main__ as bench
from tests.bench.ratios import BASELINE, Ratio, fallen, in_document, spent, table

ROOT = Path(__file__).parents[1]


def ratio(value: float, name: str = "fit") -> Ratio:
    return Ratio(name, "plainly", value, 1.0, 0.1)


@pytest.mark.parametrize("value", [50.0, 30.0, 25.0])
def test_a_ratio_above_half_of_the_usual_passes(value: float) -> None:
    assert fallen([ratio(value)], {"fit": 50.0}) == []


@pytest.mark.parametrize("value", [24.9, 0.0, float("nan")])
def test_a_ratio_that_fell_by_more_than_half_is_told(value: float) -> None:
    (fault,) = fallen([ratio(value)], {"fit": 50.0})
    assert "'fit'" in fault
    assert "expected at least half of the usual 50" in fault


def test_a_ratio_that_is_missing_or_new_is_told() -> None:
    missing, new = fallen([ratio(3.0, "trace")], {"fit": 50.0})
    assert missing == "'fit' was not measured; expected a ratio of about 50"
    assert "'trace' has no usual ratio" in new


@pytest.mark.parametrize(("share", "status"), [(0.6, 0), (0.4, 1)])
def test_the_check_of_every_change_fails_where_a_ratio_fell(
    share: float, status: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """`python -m tests.bench --check` with one measured ratio falsified."""
    usual = json.loads(BASELINE.read_text(encoding="utf-8"))
    first = next(iter(usual))
    measured = [ratio(value * (share if name == first else 1.0), name) for name, value in usual.items()]
    monkeypatch.setattr(bench, "measure", lambda _: (0, measured))
    monkeypatch.setattr(sys, "argv", ["bench", "--check"])
    assert bench.main() == status
    assert ("SLOWER: " in capsys.readouterr().out) == bool(status)


@pytest.mark.skipif(not (ROOT / ".ci").is_dir(), reason="what is unpacked from an sdist has no .ci")
def test_the_check_is_part_of_what_every_change_must_pass() -> None:
    assert "python -m tests.bench --check" in (ROOT / ".ci" / "run").read_text(encoding="utf-8")


def test_the_document_has_a_place_for_the_table_and_holds_every_usual_ratio() -> None:
    text = bench.DOCUMENT.read_text(encoding="utf-8")
    for name in json.loads(BASELINE.read_text(encoding="utf-8")):
        assert f"| {name} |" in text
    new = in_document(text, table([ratio(1234.0)]))
    assert "| fit | 0.1 | plainly | 1.23e3 | 1 |" in new
    assert in_document(new, table([ratio(1234.0)])) == new
    assert new.split("<!-- end of ratios -->")[1] == text.split("<!-- end of ratios -->")[1]
    with pytest.raises(ValueError, match="no place for the table"):
        in_document("nothing", "")


def test_time_of_threads_and_children_counts() -> None:
    """A child that works for 0.3 s of processor time costs that much, and sleeping costs nothing."""
    work = "import time\nwhile time.process_time() < 0.3: pass"
    assert spent(lambda: subprocess.run([sys.executable, "-c", work], check=True), rounds=1) >= 0.3
    assert spent(lambda: time.sleep(0.05), rounds=2) < 0.04

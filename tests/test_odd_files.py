"""What stands where a file is expected, and is none that can be read: one sentence from every reader."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Final

import pytest

from ellipsefit.cli import main
from ellipsefit.errors import EllipsefitError, FileMissingError
from ellipsefit.files.safe import check_target
from tests.fuzz.targets import TARGETS

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pipes, devices and links as on Unix")


def link(path: Path, to: Path) -> None:
    path.symlink_to(to)


ODD: Final[dict[str, tuple[Callable[[Path], object], str]]] = {
    "absent": (lambda _: None, "no such file"),
    "a folder": (Path.mkdir, "is a folder; expected a file"),
    "a pipe": (os.mkfifo, "is a device or a pipe; expected a file, save it as one first"),
    "a device": (lambda path: link(path, Path("/dev/zero")), "is a device or a pipe; expected a file"),
    "a terminal": (lambda path: link(path, Path("/dev/tty")), "is a device or a pipe; expected a file"),
    "a link to itself": (lambda path: link(path, path), "cannot be opened: too many levels of symbolic links"),
    "a link to nowhere": (lambda path: link(path, path.with_name("absent")), "no such file"),
    "empty": (Path.touch, ""),
}


@pytest.mark.parametrize("odd", ODD)
@pytest.mark.parametrize("name", [name for name in TARGETS if name not in ("fit_json", "practice")])  # found by others
def test_every_reader_tells_it(name: str, odd: str, tmp_path: Path) -> None:
    make, said = ODD[odd]
    path = TARGETS[name].file_in(tmp_path)
    make(path)
    if odd == "empty" and name in ("sheet", "x3p", "sdf", "inspect"):
        return  # a sheet without readings; inspect tells it as what it found
    with pytest.raises(EllipsefitError) as told:
        TARGETS[name].read(path)
    assert said in str(told.value)
    assert len(str(told.value).splitlines()) == 1


@pytest.mark.parametrize("odd", ["a pipe", "a link to itself", "a device"])
@pytest.mark.parametrize(
    "command",
    [
        ["inspect", "ODD"],
        ["fit", "ODD", "p.csv"],
        ["stitch", "m.toml", "ODD", "-o", "o.h5"],
        ["history", "ODD"],
        ["sheet", "ODD", "-o", "s.html"],
        ["convert", "ODD", "o.csv"],
        ["batch", "ODD", "-o", "out"],
        ["rehearse", "P", "--mirror", "ODD"],
        ["audit", "ODD"],
        ["convert", "p.csv", "ODD.csv", "--force"],
    ],
    ids=lambda command: " ".join(command[:2]),
)
def test_commands_tell_it(
    command: list[str],
    odd: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("m.toml").write_text("", encoding="utf-8")
    Path("p.csv").write_text("x [mm],height [um]\n0,1\n1,2\n2,2\n", encoding="utf-8")
    for name in ("ODD", "ODD.csv"):
        ODD[odd][0](Path(name))
    before = sorted(Path.cwd().iterdir())
    with pytest.raises(SystemExit) as left:
        main(command)
    out, err = capsys.readouterr()
    assert left.value.code == 2
    assert out == ""
    assert err.startswith("ellipsefit: ")
    assert len(err.splitlines()) == 1
    assert sorted(Path.cwd().iterdir()) == before


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="who is root reads everything")
def test_a_file_of_another_user_is_told(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.touch(mode=0)
    with pytest.raises(FileMissingError, match="cannot be opened: permission denied"):
        TARGETS["profile_text"].read(path)


def test_no_answer_goes_where_a_link_leads_in_a_circle(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.symlink_to(path)
    with pytest.raises(FileMissingError, match="is a link that leads in a circle"):
        check_target(path, force=True)

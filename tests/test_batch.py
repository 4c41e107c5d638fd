"""Many mirrors in a batch: the same bits whoever works, faults that stop nobody, and going on after a stop."""

from __future__ import annotations

import csv
import json
import multiprocessing
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import ellipsefit.batch as batch_room
from ellipsefit.batch import AHEAD, BatchSettings, Keep, run_batch
from ellipsefit.cli import main
from ellipsefit.errors import EllipsefitError, FileExistsAlreadyError, FileFormatError, FileMissingError, ParameterError
from ellipsefit.files import (
    BatchItem,
    read_batch,
    read_mirror,
    read_profile,
    write_carrier,
    write_mirror,
    write_profile,
    write_survey,
)
from ellipsefit.files.batch import JOURNAL, Journal
from ellipsefit.files.record import read_record, read_record_summary
from ellipsefit.fit import fit_ellipse
from ellipsefit.halls import demo_halls
from ellipsefit.job import evaluate, place_surveyed
from ellipsefit.simulate import hidden_state, invented_mirror, simulate_profile
from ellipsefit.summary import MirrorLine, Summary

WHEN = datetime(2026, 3, 4, 5, 6, 7, tzinfo=UTC)
LINE = BatchSettings(when=WHEN, keep="summary")
RECORD = BatchSettings(when=WHEN, keep="record")
COUNT = 5


@pytest.fixture(scope="module")
def mirrors(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder with a folder for each of a few small mirrors; travel does not suffice for the last."""
    folder = tmp_path_factory.mktemp("mirrors")
    for number in range(COUNT):
        rng = np.random.default_rng([5, number])
        travel = 2e-6 if number == COUNT - 1 else 150e-6
        mirror = invented_mirror(name=f"Wren {number}", segments=4, length=2.0, travel=travel)
        place = folder / f"wren-{number}"
        place.mkdir()
        write_mirror(mirror, place / "mirror.toml")
        profile = simulate_profile(mirror, hidden_state(mirror, rng, spread_height=8e-6), rng, step=5e-3)
        write_profile(profile, place / "profile.h5")
    return folder


class Shuffled(Executor):
    """Works on what is handed out in an order drawn at random, one at a time, in a thread of its own."""

    def __init__(self, seed: int) -> None:
        self._max_workers = 2
        self._rng = np.random.default_rng(seed)
        self._waiting: list[tuple[Future[Any], Callable[[], Any]]] = []
        self._more = threading.Condition()
        self._thread = threading.Thread(target=self._work, daemon=True)
        self._thread.start()

    def submit(self, function: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        future: Future[Any] = Future()
        with self._more:
            self._waiting.append((future, lambda: function(*args, **kwargs)))
            self._more.notify()
        return future

    def _work(self) -> None:
        while True:
            with self._more:
                self._more.wait_for(lambda: bool(self._waiting))
            time.sleep(0.02)  # let all be handed out that will be
            with self._more:
                future, work = self._waiting.pop(int(self._rng.integers(len(self._waiting))))
            future.set_result(work())


def answers(folder: Path) -> tuple[bytes, bytes]:
    return (folder / "summary.json").read_bytes(), (folder / "summary.csv").read_bytes()


def rounds_in(folder: Path) -> dict[str, int]:
    return {place.parent.name: len(read_record_summary(place).rounds) for place in sorted(folder.glob("*/record.h5"))}


def journal_lines(folder: Path) -> list[str]:
    """Names in the journal, in the order in which mirrors were done."""
    lines = (folder / JOURNAL).read_text(encoding="utf-8").splitlines()[1:]
    return [json.loads(line)["line"]["name"] for line in lines]


def test_results_do_not_depend_on_who_works_nor_on_the_order(mirrors: Path, tmp_path: Path) -> None:
    """Bit by bit: summaries of one, two and three workers, and of two random orders."""
    items = read_batch([mirrors])
    found = []
    for workers in (1, 2, 3):
        run_batch(items, tmp_path / str(workers), LINE, workers=workers)
        found.append(answers(tmp_path / str(workers)))
    for seed in (1, 2):
        run_batch(items, tmp_path / f"shuffled-{seed}", LINE, executor=Shuffled(seed))
        found.append(answers(tmp_path / f"shuffled-{seed}"))
    orders = {tuple(journal_lines(tmp_path / f"shuffled-{seed}")) for seed in (1, 2)}
    assert len(orders | {tuple(item.name for item in items)}) == 3  # they were shuffled
    assert len(set(found)) == 1


def test_a_line_holds_what_the_mirror_alone_gives(mirrors: Path, tmp_path: Path) -> None:
    """Oracle: fit and plan of each mirror alone; share of the tolerance by its definition."""
    result = run_batch(read_batch([mirrors]), tmp_path / "out", LINE)
    for item, line in zip(read_batch([mirrors]), result.summary.lines, strict=True):
        alone = evaluate(item.mirror, item.scans)
        assert (line.name, line.mirror) == (item.name, alone.fit.mirror.name)
        assert line.verdict == ("feasible" if alone.plan.feasible else "not feasible")
        assert (line.p, line.q, line.theta) == (alone.fit.ellipse.p, alone.fit.ellipse.q, alone.fit.ellipse.theta)
        assert line.image_across == alone.fit.focus.image_across
        assert line.height_max == alone.plan.remaining.height_max
        assert line.share_of_tolerance == max(
            max(abs(rest.height or 0) / 2e-6, abs(rest.tilt) / 10e-6) for rest in alone.plan.segments
        )
    assert [line.verdict for line in result.summary.lines].count("not feasible") == 1
    assert result.summary.worst_first()[0].name == f"wren-{COUNT - 1}"
    assert not result.summary.acceptable


def test_lines_are_the_same_in_all_files(mirrors: Path, tmp_path: Path) -> None:
    result = run_batch(read_batch([mirrors]), tmp_path, LINE)
    answer = json.loads((tmp_path / "summary.json").read_text(encoding="utf-8"))
    assert tuple(MirrorLine.from_dict(line) for line in answer["results"]) == result.summary.lines
    with (tmp_path / "summary.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    for row, line in zip(rows, result.summary.lines, strict=True):
        assert line.height_max is not None
        assert row["name"] == line.name
        np.testing.assert_allclose(float(row["height left [um]"]) * 1e-6, line.height_max, rtol=5e-9)  # nine digits
        assert row["stderr of p [mm]"] == ("" if line.p_stderr is None else f"{line.p_stderr * 1e3:.9g}")


def test_a_faulty_mirror_stops_nobody(mirrors: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sound = (mirrors / "wren-0" / "mirror.toml").read_text(encoding="utf-8")
    (tmp_path / "faulty.toml").write_text(sound.replace("grazing_angle", "grazing_angel", 1), encoding="utf-8")
    (tmp_path / "list.csv").write_text(
        "# what was measured this week\nname,mirror,scans\n"
        f"missing,{mirrors}/wren-0/mirror.toml,{tmp_path}/nothing_*.h5\n"
        f"fine,{mirrors}/wren-1/mirror.toml,{mirrors}/wren-1/prof*.h5\n"
        f"faulty,faulty.toml,{mirrors}/wren-0/profile.h5\n",
        encoding="utf-8",
    )
    with pytest.raises(SystemExit) as leaving:
        main(["batch", str(tmp_path / "list.csv"), "-o", str(tmp_path / "out"), "--workers", "2", "--keep", "record"])
    assert leaving.value.code == 2
    out, err = capsys.readouterr()
    assert err == f"ellipsefit: 2 of 3 mirrors have no result; {tmp_path}/out/summary.csv says why\n"
    lines = {line["name"]: line for line in json.loads((tmp_path / "out/summary.json").read_text())["results"]}
    assert [lines[name]["verdict"] for name in ("missing", "fine", "faulty")] == ["failed", "feasible", "failed"]
    assert lines["missing"]["reason"] == f"{tmp_path}/nothing_*.h5: no such file"
    assert "the nearest known key is 'grazing_angle'" in lines["faulty"]["reason"]
    assert lines["missing"]["reason"] in out
    assert out.startswith("Batch of 3 mirrors: 1 feasible, 2 FAILED\n")
    # of what failed nothing is left, half or whole
    kept = sorted(path.name for path in (tmp_path / "out").iterdir())
    assert kept == ["batch.jsonl", "fine", "summary.csv", "summary.html", "summary.json"]


def test_what_is_done_is_not_done_again(mirrors: Path, tmp_path: Path) -> None:
    """Failed ones are tried again, and what has changed; records get a round for each time, and no more."""
    inputs = tmp_path / "in"
    for number in range(2):
        (inputs / f"w{number}").mkdir(parents=True)
        for name in ("mirror.toml", "profile.h5"):
            (inputs / f"w{number}" / name).write_bytes((mirrors / f"wren-{number}" / name).read_bytes())
    profile = inputs / "w1" / "profile.h5"
    away = profile.rename(inputs / "away.h5")
    out = tmp_path / "out"
    first = run_batch(read_batch([inputs]), out, RECORD)
    assert [line.verdict for line in first.summary.lines] == ["feasible", "failed"]
    assert "w1: expected files whose names begin with 'scan'" in first.summary.lines[1].reason
    away.rename(profile)
    second = run_batch(read_batch([inputs]), out, RECORD, workers=2)
    assert second.done_before == 1
    assert rounds_in(out) == {"w0": 1, "w1": 1}
    before = answers(out)
    third = run_batch(read_batch([inputs]), out, RECORD, executor=ThreadPoolExecutor(2))
    assert third.done_before == 2
    assert rounds_in(out) == {"w0": 1, "w1": 1}
    assert answers(out) == before
    profile.write_bytes((mirrors / "wren-2" / "profile.h5").read_bytes())
    assert run_batch(read_batch([inputs]), out, RECORD).done_before == 1
    assert rounds_in(out) == {"w0": 1, "w1": 2}
    forced = run_batch(read_batch([inputs]), out, RECORD, force=True)
    assert forced.done_before == 0
    assert rounds_in(out) == {"w0": 2, "w1": 3}
    assert [line.round for line in forced.summary.lines] == [2, 3]


def test_a_killed_batch_goes_on(mirrors: Path, tmp_path: Path) -> None:
    """Killed once the first mirror is in the journal; afterwards each record has one round, and all is as if never."""
    out = tmp_path / "out"
    command = [sys.executable, "-m", "ellipsefit", "batch", str(mirrors), "-o", str(out), "--keep", "record"]
    process = subprocess.Popen(
        [*command, "--workers", "2"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True
    )
    journal = out / JOURNAL
    while process.poll() is None and not (journal.exists() and journal.read_bytes().count(b"\n") > 1):
        time.sleep(0.01)
    process.kill()
    process.wait()
    # its workers end by themselves, and leave the folder
    result = None
    for _ in range(600):
        try:
            result = run_batch(read_batch([mirrors]), out, RECORD, workers=2)
            break
        except FileMissingError as fault:
            assert "at work in this folder" in str(fault)  # noqa: PT017 - all other faults are failures
            time.sleep(0.05)
    assert result is not None
    assert result.done_before >= 1
    assert rounds_in(out) == {f"wren-{number}": 1 for number in range(COUNT)}
    run_batch(read_batch([mirrors]), tmp_path / "never", RECORD)
    assert answers(out) == answers(tmp_path / "never")
    assert not list(out.glob(".unfinished*"))


def test_a_mirror_finished_but_not_in_the_journal_is_not_done_twice(
    mirrors: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    items = read_batch([mirrors])[:2]

    def interrupted(self: Journal, entry: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(Journal, "write", interrupted)
        with pytest.raises(KeyboardInterrupt):
            run_batch(items, tmp_path, RECORD)
    assert rounds_in(tmp_path) == {"wren-0": 1}
    result = run_batch(items, tmp_path, RECORD)
    assert rounds_in(tmp_path) == {"wren-0": 1, "wren-1": 1}
    assert [line.round for line in result.summary.lines] == [1, 1]
    assert not list(tmp_path.glob(".unfinished*"))


def test_a_journal_that_a_crash_cut_off_is_mended(mirrors: Path, tmp_path: Path) -> None:
    items = read_batch([mirrors])[:2]
    run_batch(items, tmp_path, LINE)
    before, journal = answers(tmp_path), tmp_path / JOURNAL
    whole = journal.read_bytes()
    for kept in (len(whole) - 30, len(whole.splitlines()[0]) - 5, 0):
        journal.write_bytes(whole[:kept])
        result = run_batch(items, tmp_path, LINE)
        assert result.done_before == whole[:kept].count(b"\n") - (kept > 1000)
        assert answers(tmp_path) == before
        assert journal.read_bytes() == whole


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"my own notes\n", "line 1: is not what a batch writes"),
        (b"my own notes", "is no journal of a batch"),
        (b'{"batch": 1, "options": {}}\n', "was begun with program = None"),
        (b"[1]\n", "line 1: is not what a batch writes"),
    ],
)
def test_a_strange_journal_is_left_alone(mirrors: Path, tmp_path: Path, content: bytes, words: str) -> None:
    (tmp_path / JOURNAL).write_bytes(content)
    with pytest.raises(FileFormatError, match=words):
        run_batch(read_batch([mirrors]), tmp_path, LINE)
    assert (tmp_path / JOURNAL).read_bytes() == content


def test_other_options_are_refused(mirrors: Path, tmp_path: Path) -> None:
    items = read_batch([mirrors])[:1]
    run_batch(items, tmp_path, LINE)
    white = replace(LINE, fit={"residual": "white"})
    with pytest.raises(FileFormatError, match="was begun with residual = None, now it is white"):
        run_batch(items, tmp_path, white)
    assert run_batch(items, tmp_path, white, force=True).done_before == 0


def test_one_batch_at_a_time_in_a_folder(mirrors: Path, tmp_path: Path) -> None:
    items = read_batch([mirrors])[:2]

    def also(_: str) -> None:
        with pytest.raises(FileMissingError, match="another batch is at work in this folder"):
            run_batch(items, tmp_path, LINE)

    assert len(run_batch(items, tmp_path, LINE, progress=also).summary.lines) == 2


def test_a_summary_of_somebody_else_is_not_overwritten(mirrors: Path, tmp_path: Path) -> None:
    (tmp_path / "summary.csv").write_text("mine", encoding="utf-8")
    with pytest.raises(FileExistsAlreadyError, match=r"summary\.csv: exists already, without the journal"):
        run_batch(read_batch([mirrors]), tmp_path, LINE)
    assert (tmp_path / "summary.csv").read_text(encoding="utf-8") == "mine"
    assert not (tmp_path / JOURNAL).exists()


def test_a_record_of_another_mirror_and_a_strange_report_fail(mirrors: Path, tmp_path: Path) -> None:
    items = read_batch([mirrors])[:2]
    run_batch(items, tmp_path / "out", RECORD)
    (tmp_path / "out/wren-1/record.h5").rename(tmp_path / "out/wren-0/record.h5")
    (tmp_path / "out/wren-1/report.html").write_text("mine", encoding="utf-8")
    (tmp_path / "out" / JOURNAL).unlink()
    for name in ("csv", "json", "html"):
        (tmp_path / f"out/summary.{name}").unlink()
    result = run_batch(items, tmp_path / "out", replace(RECORD, keep="report"))
    first, second = (line.reason for line in result.summary.lines)
    assert (
        first == f"{tmp_path}/out/wren-0/record.h5: is the record of mirror 'Wren 1'; expected one of mirror 'Wren 0'"
    )
    assert second.startswith(f"{tmp_path}/out/wren-1/report.html: exists already without a record")
    assert (tmp_path / "out/wren-1/report.html").read_text(encoding="utf-8") == "mine"


def test_reports_are_kept_as_run_keeps_them(mirrors: Path, tmp_path: Path) -> None:
    """Another round leaves the report of the last one under its number; the page leads to each report."""
    items = read_batch([mirrors])[:1]
    settings = replace(LINE, keep="report")
    run_batch(items, tmp_path, settings)
    first = (tmp_path / "wren-0/report.html").read_bytes()
    run_batch(items, tmp_path, settings, force=True)
    kept = sorted(path.name for path in (tmp_path / "wren-0").iterdir())
    assert kept == ["record.h5", "report-1.html", "report.html"]
    assert (tmp_path / "wren-0/report-1.html").read_bytes() == first
    page = (tmp_path / "summary.html").read_text(encoding="utf-8")
    second = (tmp_path / "wren-0/report.html").read_bytes()
    run_batch(items, tmp_path, RECORD, force=True)
    assert sorted(path.name for path in (tmp_path / "wren-0").iterdir()) == [
        "record.h5",
        "report-1.html",
        "report-2.html",
    ]
    assert (tmp_path / "wren-0/report-2.html").read_bytes() == second
    assert '<a href="wren-0/report.html">wren-0</a>' in page


def test_only_so_many_are_handed_out_at_a_time(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """However long the batch is: AHEAD for each of two workers; and items are taken as they are needed."""
    taken = 0

    class Counted(tuple[BatchItem, ...]):
        __slots__ = ()

        def __iter__(self) -> Iterator[BatchItem]:
            nonlocal taken
            for item in super().__iter__():
                taken += 1
                yield item

    done = 0

    def quick(task: Any) -> Any:
        nonlocal done
        assert taken - done <= AHEAD * 2 + 1
        done += 1
        return batch_room._Outcome(MirrorLine(name=task.item.name, verdict="feasible"), "x")

    monkeypatch.setattr(batch_room, "work_on", quick)
    items = Counted(BatchItem(name=f"m{number}", mirror=Path("m"), scans=(Path("s"),)) for number in range(200))
    executor = ThreadPoolExecutor(2)
    result = run_batch(items, tmp_path, LINE, executor=executor)
    assert done == len(result.summary.lines) == 200


@pytest.mark.skipif(multiprocessing.get_start_method() != "fork", reason="the fault is set up before the fork")
def test_a_worker_that_dies_takes_nobody_with_it(
    mirrors: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As when memory runs out: the mirror at which it died has no result, the others do."""

    def deadly(mirror: Path, *args: Any, **options: Any) -> Any:
        if mirror.parent.name == "wren-2":
            os.kill(os.getpid(), signal.SIGKILL)
        return evaluate(mirror, *args, **options)

    monkeypatch.setattr(batch_room, "evaluate", deadly)
    result = run_batch(read_batch([mirrors]), tmp_path, LINE, workers=2)
    failed = [line for line in result.summary.lines if line.verdict == "failed"]
    assert [line.name for line in failed] == ["wren-2"]
    assert failed[0].reason.startswith("the process that worked on it was ended from outside")


def test_a_fault_of_the_program_is_named(mirrors: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def faulty(*args: Any, **options: Any) -> Any:
        raise ZeroDivisionError("division by zero")

    monkeypatch.setattr(batch_room, "evaluate", faulty)
    (line,) = run_batch(read_batch([mirrors])[:1], tmp_path, LINE).summary.lines
    assert line.reason == "unexpected ZeroDivisionError: division by zero; 'run' on this mirror alone shows where"


def test_lists_and_folders_name_the_same(mirrors: Path, tmp_path: Path) -> None:
    """A folder of folders, folders, CSV with each delimiter, and TOML; scans by patterns in order of their names."""
    whole = read_batch([mirrors])
    assert [item.name for item in whole] == [f"wren-{number}" for number in range(COUNT)]
    assert read_batch([mirrors / item.name for item in whole]) == whole
    for mark in ",;\t":
        path = mirrors / f"list{ord(mark)}.csv"
        lines = [mark.join((f"{item.name}/mirror.toml", f"{item.name}/profile.h5")) for item in whole]
        path.write_text("\ufeff" + "\r\n".join([mark.join(("Mirror", " scans ")), *lines, ""]), encoding="utf-8")
        assert read_batch([path]) == whole
    (tmp_path / "scans").mkdir()
    for name in ("scan_b.h5", "scan_a.h5", "other [1].h5"):
        (tmp_path / "scans" / name).touch()
    for name in ("survey_2.csv", "survey_1.csv"):
        (tmp_path / name).touch()
    (tmp_path / "list.toml").write_text(
        '[[mirror]]\nfile = "heron.toml"\nscans = ["scans/scan_*.h5", "scans/other [1].h5"]\nbeam = "light.toml"\n'
        '[[mirror]]\nname = "again"\nfile = "heron.toml"\nscans = "one.csv"\nprevious = "last.h5"\n'
        'carrier = "carrier.toml"\nsurvey = ["survey_*.csv", "late.csv"]\n',
        encoding="utf-8",
    )
    first, second = read_batch([tmp_path / "list.toml"])
    assert (first.name, second.name) == ("heron", "again")
    assert [path.name for path in first.scans] == ["scan_a.h5", "scan_b.h5", "other [1].h5"]
    assert first.beam == tmp_path / "light.toml"
    assert second.previous == tmp_path / "last.h5"
    assert (first.carrier, first.surveys) == (None, ())
    assert second.carrier == tmp_path / "carrier.toml"
    assert [path.name for path in second.surveys] == ["survey_1.csv", "survey_2.csv", "late.csv"]
    (tmp_path / "list.csv").write_text(
        "name,mirror,scans,beam,previous,carrier,survey\n"
        "heron,heron.toml,scans/scan_*.h5|scans/other [1].h5,light.toml,,,\n"
        "again,heron.toml,one.csv,,last.h5,carrier.toml,survey_*.csv|late.csv\n",
        encoding="utf-8",
    )
    assert read_batch([tmp_path / "list.csv"]) == (first, second)


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("a.csv", "", "names no mirror"),
        ("a.csv", "mirror,scan\nm,s\n", "line 1: no column 'scans' in the header"),
        ("a.csv", "mirror,scans,bream\nm,s,b\n", "line 1: column 'bream' is not known"),
        ("a.csv", "mirror,scans,scans\nm,s,b\n", "line 1: column 'scans' stands twice"),
        ("a.csv", "mirror,scans\n", "no mirror follows the header"),
        ("a.csv", "mirror,scans\n\nm,s,t\n", "line 3: expected 2 columns as in the header; got 3"),
        ("a.csv", "mirror,scans\nm,\n", "line 2: expected a mirror file"),
        ("a.csv", "mirror,scans\nm,a||b\n", "line 2: expected a mirror file"),
        ("a.csv", "mirror,scans,survey\nm,a,s||t\n", "line 2: expected a file of a survey"),
        ("a.csv", "mirror,scans\nm,a\nm,b\n", r"line 3: has the name 'm', as has .*line 2"),
        ("a.csv", "mirror,scans,name\nm,a,../b\n", r"line 2: the name '\.\./b' can't be that of a folder"),
        ("a.csv", "mirror,scans,name\nm,a,Summary.csv\n", "line 2: the name 'Summary.csv' can't be"),
        ("a.toml", '[[mirror]]\nfile = "m"\n', "the key 'scans' is missing"),
        ("a.toml", '[[mirror]]\nfile = "m"\nscan = "s"\n', "unknown key 'scan'; the nearest known key is 'scans'"),
        ("a.toml", '[[mirror]]\nfile = "m"\nscans = 3\n', "got '3'; expected a file of scans"),
        ("a.toml", "mirror = 3\n", "expected a list of tables"),
    ],
)
def test_faulty_lists_are_refused_in_one_sentence(tmp_path: Path, name: str, content: str, words: str) -> None:
    (tmp_path / name).write_text(content, encoding="utf-8")
    with pytest.raises(EllipsefitError, match=words) as caught:
        read_batch([tmp_path / name])
    assert str(caught.value).startswith(str(tmp_path / name))
    assert "\n" not in str(caught.value)


def test_other_things_than_lists_are_refused(tmp_path: Path) -> None:
    (tmp_path / "latin.csv").write_bytes(b"mirror,scans\nm\xfc,s\n")
    with pytest.raises(FileFormatError, match="line 2: is no text in UTF-8"):
        read_batch([tmp_path / "latin.csv"])
    with pytest.raises(FileMissingError, match=r"holds a mirror\.toml"):
        read_batch([tmp_path])
    with pytest.raises(FileMissingError, match="no such file"):
        read_batch([tmp_path / "nothing"])
    with pytest.raises(ParameterError, match="no mirror is named"):
        read_batch([])
    with pytest.raises(ParameterError, match="workers must be at least 1"):
        run_batch((), tmp_path, LINE, workers=0)
    with pytest.raises(ParameterError, match="keep must be one of"):
        BatchSettings(when=WHEN, keep="all")  # type: ignore[arg-type]  # as a notebook might


@pytest.fixture
def surveyed(mirrors: Path, tmp_path: Path) -> Path:
    """Three mirrors, of which one has a carrier with a survey, and one a carrier alone."""
    folder = tmp_path / "in"
    for number in range(3):
        shutil.copytree(mirrors / f"wren-{number}", folder / f"wren-{number}")
    carriers, surveys = demo_halls()
    write_survey(surveys[0][0], folder / "wren-1" / "survey_1.csv")
    for number in (1, 2):
        write_carrier(carriers[0], folder / f"wren-{number}" / "carrier.toml")
    return folder


@pytest.mark.parametrize("keep", ["record", "summary"])
def test_a_surveyed_carrier_is_placed_as_well(surveyed: Path, tmp_path: Path, keep: Keep) -> None:
    """Oracle: the placement alone. A carrier without a survey is a fault of its mirror; a new survey is new work."""
    settings = BatchSettings(when=WHEN, keep=keep)
    result = run_batch(read_batch([surveyed]), tmp_path / "out", settings)
    plain, placed, lonely = result.summary.lines
    alone, _ = place_surveyed(surveyed / "wren-1" / "carrier.toml", [surveyed / "wren-1" / "survey_1.csv"])
    assert placed.image_in_hall == np.linalg.norm(alone.image.shift)
    assert set(alone.warnings) <= set(placed.warnings)
    assert plain.image_in_hall is None
    assert (lonely.verdict, "carrier and survey belong together" in lonely.reason) == ("failed", True)
    assert "in the hall" in str(result)
    write_survey(demo_halls()[1][0][1], surveyed / "wren-1" / "survey_1.csv", force=True)
    again = run_batch(read_batch([surveyed]), tmp_path / "out", settings)
    assert again.done_before == 1
    assert again.summary.lines[1].image_in_hall != placed.image_in_hall
    if keep == "record":
        assert read_record(tmp_path / "out" / "wren-1" / "record.h5").surveys


def test_the_worst_come_first_and_a_screen_shows_some() -> None:
    """Order by definition: verdict, then share of the tolerance, then height left; the rest as listed."""
    lines = [
        MirrorLine(name="fine", verdict="feasible", share_of_tolerance=0.2, height_max=1e-6),
        MirrorLine(name="bad", verdict="not feasible", share_of_tolerance=1.5, height_max=3e-6, travel_missing=4e-6),
        MirrorLine(name="dark", verdict="throughput missed", share_of_tolerance=0.1, throughput=0.5),
        MirrorLine(name="worse", verdict="not feasible", share_of_tolerance=25.0, height_max=50e-6),
        MirrorLine(name="none", verdict="failed", reason="none.h5: no such file"),
        MirrorLine(name="lost", verdict="not converged"),
        *(MirrorLine(name=f"m{number}", verdict="feasible", share_of_tolerance=0.1) for number in range(30)),
    ]
    summary = Summary(lines=tuple(lines))
    order = [line.name for line in summary.worst_first()]
    assert order[:6] == ["none", "lost", "worse", "bad", "dark", "fine"]
    assert order[6:] == [f"m{number}" for number in range(30)]
    text = str(summary)
    assert text.splitlines()[0] == (
        "Batch of 36 mirrors: 31 feasible, 1 THROUGHPUT MISSED, 2 NOT FEASIBLE, 1 NOT CONVERGED, 1 FAILED"
    )
    assert "  none  none.h5: no such file\n" in text
    assert "25 times" in text
    assert "… and 15 more." in text
    assert "m29" not in text
    assert "m29" in str(replace(summary, every=True))
    assert "<td>NOT FEASIBLE</td>" in summary._repr_html_()


def test_the_command_says_what_is_acceptable(mirrors: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Status 0, 1 for what is not feasible; wrong words are 2, in one sentence, and nothing is made."""

    def status(*arguments: object) -> int:
        with pytest.raises(SystemExit) as leaving:
            main(["batch", *(str(argument) for argument in arguments), "--workers", "1", "--keep", "summary"])
        assert isinstance(leaving.value.code, int)
        return leaving.value.code

    assert status(mirrors / "wren-0", "-o", tmp_path / "a", "--json", "-") == 0
    answer = json.loads(capsys.readouterr().out)
    assert (answer["mirrors"], answer["acceptable"], answer["done_before"]) == (1, True, 0)
    assert status(mirrors / f"wren-{COUNT - 1}", "-o", tmp_path / "b") == 1
    for wrong in (("--workers", -1), ("--keep", "all"), ("--segments", "some"), ("--residual", "red")):
        with pytest.raises(SystemExit) as leaving:
            main(["batch", str(mirrors), "-o", str(tmp_path / "c"), *(str(part) for part in wrong)])
        assert leaving.value.code == 2
        assert capsys.readouterr().err.startswith(f"ellipsefit: {wrong[0]}: got")
    assert not (tmp_path / "c").exists()


def test_a_stated_option_reaches_the_fit(mirrors: Path, tmp_path: Path) -> None:
    (line,) = run_batch(read_batch([mirrors])[:1], tmp_path, replace(LINE, fit={"vary": ("q",)})).summary.lines
    place = mirrors / "wren-0"
    alone = fit_ellipse(read_profile(place / "profile.h5"), read_mirror(place / "mirror.toml"), vary=("q",))
    assert (line.p, line.q) == (alone.ellipse.p, alone.ellipse.q)

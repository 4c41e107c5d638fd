"""The guide and the README: what they say exists, all that exists is said, links lead somewhere, commands run."""

from __future__ import annotations

import json
import re
import shlex
import tomllib
from collections.abc import Iterator
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path
from typing import Any, get_args

import pytest
import typer

import ellipsefit
from ellipsefit.cli import main, whole_app
from ellipsefit.cli.guide import text_of
from ellipsefit.files import read_beam, read_mirror
from ellipsefit.files.beam import BeamTable
from ellipsefit.files.carrier import CarrierTable
from ellipsefit.files.mirror import MirrorTable
from ellipsefit.files.plan import PlanAnswer
from ellipsefit.files.response import ResponseTable, read_response
from ellipsefit.files.toml import Table
from ellipsefit.guide import TOPICS, anchor, page
from tests import test_results as results

ROOT = Path(__file__).parents[1]
GUIDE = Path(ellipsefit.__file__).parent / "guide"
TEXTS = {topic: text_of(topic) for topic in TOPICS}
WHEN = datetime(2026, 4, 14, tzinfo=UTC)


def run(*arguments: object) -> int:
    with pytest.raises(SystemExit) as leaving:
        main([str(argument) for argument in arguments])
    assert isinstance(leaving.value.code, int)
    return leaving.value.code


def blocks(text: str, language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", text, re.DOTALL)


def sections(text: str) -> dict[str, str]:
    parts = re.split(r"(?m)^## (.*)$", text)
    return dict(zip(parts[1::2], parts[2::2], strict=True))


# commands


def all_commands() -> dict[str, Any]:
    found: dict[str, Any] = typer.main.get_command(whole_app()).commands  # type: ignore[attr-defined]  # a group
    return found


def options_of(command: Any) -> set[str]:
    return {word for one in command.params for word in (*one.opts, *one.secondary_opts) if word.startswith("--")}


@pytest.mark.parametrize("name", all_commands())
def test_the_reference_has_each_command_with_all_its_options(name: str) -> None:
    told = set(re.findall(r"--[a-z][\w-]*", sections(TEXTS["commands"])[name]))
    shared = {"--json", "--force", "--quiet", "--verbose"}
    assert told | shared == options_of(all_commands()[name]) | shared
    assert shared <= options_of(all_commands()[name])
    assert f"`ellipsefit {name}" in (ROOT / "README.md").read_text("utf-8")


def test_commands_come_in_one_order() -> None:
    """That of the README: as they are met, from the demo to the years."""
    told = re.findall(r"(?m)^\| `ellipsefit ([a-z-]+)", (ROOT / "README.md").read_text("utf-8"))
    assert list(all_commands()) == told


def test_the_same_option_reads_the_same_everywhere() -> None:
    """But for what an option of that name is of: where files go, and what a simulated mirror is like."""
    of_the_command = {"--output", "--mirror", "--step", "--noise", "--figure", "--spread-height", "--spread-tilt"}
    of_the_command |= {"--next", "--html", "--record", "--guide-straightness", "--approach", "--backlash"}
    seen: dict[str, tuple[str, Any]] = {}
    for name, command in all_commands().items():
        for one in command.params:
            if one.param_type_name != "option" or one.opts[0] in of_the_command:
                continue
            what = (tuple(one.opts), one.metavar, one.help)
            first, before = seen.setdefault(one.opts[0], (name, what))
            assert what == before, f"{one.opts[0]} of {name} and of {first}"


def test_help_fits_a_narrow_screen(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("TERMINAL_WIDTH", "80")
    for arguments in ([], *([name, "--help"] for name in all_commands())):
        assert run(*arguments) == 0
        for line in capsys.readouterr().out.splitlines():
            assert len(line) <= 80, line


def commands_in(text: str) -> Iterator[list[str]]:
    """Lines of shell blocks and of code in the text that call the program."""
    for block in blocks(text, "sh"):
        for line in block.splitlines():
            if line.startswith("ellipsefit "):
                yield shlex.split(line, comments=True)
    for code in re.findall(r"`((?:ellipsefit )?[a-z][a-z-]+ [^`\n]*--[^`\n]*)`", text):
        words = code.split()
        yield words if words[0] == "ellipsefit" else ["ellipsefit", *words]


@pytest.mark.parametrize("topic", [*TOPICS, "README"])
def test_every_command_that_is_shown_exists(topic: str) -> None:
    text = (ROOT / "README.md").read_text("utf-8") if topic == "README" else TEXTS[topic]
    commands, every = all_commands(), {"--help", "--version", "--install-completion"}
    for words in commands_in(text):
        if words[1].startswith("-"):
            assert set(words[1:]) <= every
            continue
        if words[1] == "COMMAND":
            continue
        assert words[1] in commands, words
        told = {word for word in words if word.startswith("--")}
        assert told <= options_of(commands[words[1]]) | every, words
    known = every | set().union(*(options_of(command) for command in commands.values()))
    assert set(re.findall(r"`(--[\w-]+)", text)) <= known


# files


def keys_of(table: type[Table]) -> set[str]:
    """Keys of a table of a file and of the tables in it."""
    found = set()
    for name, about in table.model_fields.items():
        found.add(about.alias or name)
        for kind in (about.annotation, *get_args(about.annotation)):
            if isinstance(kind, type) and issubclass(kind, Table):
                found |= keys_of(kind)
    return found


@pytest.mark.parametrize(
    ("section", "table"),
    [
        ("The mirror file", MirrorTable),
        ("The beam file", BeamTable),
        ("The carrier file", CarrierTable),
        ("The influence matrix", ResponseTable),
    ],
)
def test_every_key_of_a_file_is_described(section: str, table: type[Table]) -> None:
    text = sections(TEXTS["files"])[section]
    told = set(re.findall(r"(?m)^ *(\w+) *=", text)) | set(re.findall(r"`(\w+)`", text))
    told |= {word for name in re.findall(r"\[+([\w.]+)\]+", text) for word in name.split(".")}
    assert keys_of(table) <= told


def test_every_file_that_is_shown_can_be_read(tmp_path: Path) -> None:
    """An unknown key is an error of the readers, so what is shown exists."""
    found = sections(TEXTS["files"])
    path = tmp_path / "shown.toml"
    path.write_text(blocks(found["The mirror file"], "toml")[0], "utf-8")
    mirror = read_mirror(path)
    for text in blocks(found["The beam file"], "toml"):
        path.write_text(text, "utf-8")
        read_beam(path)
    path.write_text(blocks(found["The influence matrix"], "toml")[0], "utf-8")
    ResponseTable.model_validate(tomllib.loads(path.read_text("utf-8")))
    assert mirror.segments[0].adjusters
    carrier = tomllib.loads(blocks(found["The carrier file"], "toml")[0])
    for name, value in walk_keys(carrier):
        assert name in keys_of(CarrierTable), value
    for match in re.findall(r"(?m)^\| .*$", found["The mirror file"])[2:]:
        for key in re.findall(r"`(\w+)`", match.split("|")[2]):
            assert key in keys_of(MirrorTable), key
    assert callable(read_response)


def walk_keys(table: Any) -> Iterator[tuple[str, Any]]:
    for key, value in table.items():
        yield key, value
        for inner in value if isinstance(value, list) else [value]:
            if isinstance(inner, dict):
                yield from walk_keys(inner)


# answers


def paths(value: Any, before: str = "") -> set[str]:
    """Where the values of an answer are, lists of objects with []."""
    if isinstance(value, dict) and value:
        return set().union(*(paths(inner, f"{before}.{key}" if before else key) for key, inner in value.items()))
    if isinstance(value, list) and value and isinstance(value[0], dict):
        return set().union(*(paths(inner, f"{before}[]") for inner in value))
    return {before}


def answer_of(name: str, folder: Path) -> Any:
    """One answer of a command, with all that options add."""
    if name == "correct":
        plan = results.plan()
        whole = PlanAnswer(plan=plan, when=WHEN, trade=plan.trade_off()).to_dict()
        return whole | {"direction_unknown": []}
    if name == "focus":
        return results.SAMPLES["FocusResult"](folder).to_dict() | {
            "tolerances": results.SAMPLES["Tolerances"](folder).to_dict()
        }
    if name == "place":
        pair, change = results.SAMPLES["Pair"](folder), results.SAMPLES["EpochChange"](folder)
        return results.SAMPLES["Placement"](folder).to_dict() | {"pair": pair.to_dict(), "change": change.to_dict()}
    if name == "sheet":
        write_plan = PlanAnswer(plan=results.plan(), when=WHEN).to_dict()
        (folder / "plan.json").write_text(json.dumps(write_plan), "utf-8")
        target = folder / "answer.json"
        assert run("sheet", folder / "plan.json", "-o", folder / "sheet.csv", "--json", target, "-q") == 0
        return json.loads(target.read_text("utf-8"))
    if name == "rehearse":
        return results.SAMPLES["PracticeFolder"](folder).to_dict() | {"hidden": {}}
    kind = {
        "stitch": "Stitched",
        "plan-scans": "ScanPlan",
        "fit": "EllipseFit",
        "compare": "Comparison",
        "drift": "SeasonForecast",
        "audit": "Audit",
        "inspect": "Inspection",
        "run and demo": "JobResult",
        "convert": "Conversion",
        "batch": "BatchResult",
        "history": "RecordHistory",
    }[name]
    return results.SAMPLES[kind](folder).to_dict()


ANSWERS = ("stitch", "plan-scans", "fit", "correct", "focus", "run and demo", "compare", "place", "drift", "audit")


@pytest.mark.parametrize("name", [*ANSWERS, "inspect", "rehearse", "sheet", "convert", "batch", "history"])
def test_the_keys_of_an_answer_are_all_described_and_no_others(name: str, tmp_path: Path) -> None:
    rows = re.findall(r"(?m)^\| (`.*?) \|", sections(TEXTS["answers"])[name])
    told = {key for row in rows for key in re.findall(r"`([^`]+)`", row)}
    found = paths(json.loads(json.dumps(answer_of(name, tmp_path))))

    def covers(key: str, path: str) -> bool:
        return path == key or path.startswith((f"{key}.", f"{key}["))

    assert {path for path in found if not any(covers(key, path) for key in told)} == set()
    # an empty list of this sample says nothing of what its objects hold
    held = {path for path in found if "[]" not in path}
    idle = {key for key in told if not any(covers(key, path) for path in found)}
    assert {key for key in idle if "[]" not in key or key.partition("[]")[0] not in held} == set()


def test_the_answer_of_every_command_is_described() -> None:
    told = {name for heading in sections(TEXTS["answers"]) for name in heading.split(" and ")}
    assert told == set(all_commands())


# links and pages


@pytest.mark.parametrize("path", [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted(GUIDE.glob("*.md"))], ids=str)
def test_every_link_leads_somewhere(path: Path) -> None:
    text = path.read_text("utf-8")
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        assert not re.match(r"\w+:", target), f"{target}: the guide is read offline"
        file, _, heading = target.partition("#")
        found = (path.parent / file).resolve() if file else path
        if found.is_relative_to(ROOT / "ellipsefit"):  # wherever the package is that is tested
            found = GUIDE.parents[1] / found.relative_to(ROOT)
        assert found.is_file(), target
        if heading:
            headings = re.findall(r"(?m)^#+ (.*)$", found.read_text("utf-8"))
            assert heading in {anchor(one) for one in headings}, target
    for name in re.findall(r"`(?:notebooks/)?(\w+\.ipynb)`", text):
        assert (ROOT / "notebooks" / name).is_file(), name


class Page(HTMLParser):
    """Links, places and open tags of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.links: list[str] = []
        self.places: list[str] = []
        self.open: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in ("meta", "br", "hr"):
            self.open.append(tag)
        self.links += [value or "" for name, value in attrs if name in ("href", "src")]
        self.places += [value or "" for name, value in attrs if name == "id"]

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_the_page_is_complete_in_itself() -> None:
    found = Page(page(TEXTS))
    assert found.open == []
    assert len(set(found.places)) == len(found.places)
    for link in found.links:
        assert link.startswith("#"), link
        assert link[1:] in found.places, link


def test_the_guide_is_listed_read_and_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("guide") == 0
    listed = capsys.readouterr().out
    assert all(topic in listed for topic in TOPICS)
    assert run("guide", "theory") == 0
    assert capsys.readouterr().out == TEXTS["theory"]  # piped: as it is
    assert run("guide", "--html", tmp_path / "guide.html") == 0
    assert (tmp_path / "guide.html").read_text("utf-8") == page(TEXTS)
    assert run("guide", "--html", tmp_path / "guide.html") == 2
    capsys.readouterr()
    assert run("guide", "glossary", "--json", "-") == 0
    written = capsys.readouterr()
    assert json.loads(written.out) == {"topics": {"glossary": TEXTS["glossary"]}}
    assert run("guide", "tutorail") == 2
    assert "did you mean 'tutorial'" in capsys.readouterr().err


# the tutorial


def test_a_newcomer_who_types_the_tutorial_gets_through(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """All its commands in order, on its own mirror file, but for the demo, which has a test of its own.

    As it says, the comparison finds the screw of the practice mirror that turns the wrong way.
    """
    monkeypatch.chdir(tmp_path)
    Path("mirror.toml").write_text(blocks(TEXTS["tutorial"], "toml")[0], "utf-8")
    done = []
    for words in commands_in(TEXTS["tutorial"]):
        if "demo" in words:
            continue
        assert run(*words[1:]) == (1 if words[1] == "compare" else 0), words
        done.append(words[1])
    assert done == [
        *("rehearse", "convert", "inspect", "run", "correct", "sheet", "rehearse", "convert", "compare", "correct")
    ]
    findings = json.loads(Path("learned.json").read_text("utf-8"))["findings"]
    assert [one["kind"] for one in findings] == ["wrong-handed"]
    for name in ("lark/report.html", "lark/record.h5", "sheet.html", "sheet.csv", "learned.json", "plan-2.json"):
        assert Path(name).stat().st_size > 0


def test_the_two_commands_of_the_readme_stand_where_they_are_looked_for() -> None:
    lines = (ROOT / "README.md").read_text("utf-8").splitlines()
    for word, start in (("ellipsefit demo", "python3 -m venv .venv && "), ("pytest", "python3 -m venv .venv && ")):
        assert next(line for line in lines if word in line).startswith(start)

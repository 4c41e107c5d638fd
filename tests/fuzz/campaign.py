"""Readers under attack, process after process: `python -m tests.fuzz.campaign COUNT [TARGET...]`.

A process that a file kills is followed by another. What was found is kept in the folder `--keep`.
"""

from __future__ import annotations

import argparse
import json
import re
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.fuzz.targets import TARGETS

ROOT = Path(__file__).parents[2]


@dataclass
class Outcome:
    """What came of one target."""

    target: str
    count: int = 0  # files given
    seconds: float = 0.0  # of the processor
    found: dict[str, bytes] = field(default_factory=dict)  # what went wrong, and a file that shows it
    told: dict[str, str] = field(default_factory=dict)
    killed: int = 0

    def __str__(self) -> str:
        head = f"{self.target}: {self.count} files in {self.seconds:.0f} s, {self.killed} killed the process"
        lines = [f"    {what} ({len(data)} bytes): {self.told[what][-300:]}" for what, data in self.found.items()]
        return "\n".join([head, *lines])


def attacked(name: str, count: int, seed: int, engine: str = "run") -> Outcome:
    """Give one target so many files, in as many processes as it takes."""
    outcome = Outcome(name)
    place = "/dev/shm" if Path("/dev/shm").is_dir() else None
    with TemporaryDirectory(dir=place) as folder:
        while outcome.count < count:
            left = count - outcome.count
            command = [sys.executable, "-m", f"tests.fuzz.{engine}", folder, str(left), str(seed), name]
            done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, check=False, errors="replace")
            own = Path(folder) / name
            if not (own / "progress").exists():
                raise RuntimeError(f"{name}: the process ended with {done.returncode}: {done.stderr[-2000:]}")
            progress = json.loads((own / "progress").read_text())
            outcome.count += max(progress["count"], 1)  # told every hundred files
            outcome.seconds += progress["seconds"]
            for number, one in enumerate(progress["found"]):
                _keep(outcome, one["what"], one["detail"], (own / f"found-{number}").read_bytes())
            if progress["count"] >= left:
                break
            seed += 1_000_003
            outcome.killed += 1
            _keep(outcome, _epitaph(done), done.stderr[-2000:], TARGETS[name].file_in(own / "files").read_bytes())
    return outcome


def _keep(outcome: Outcome, what: str, detail: str, data: bytes) -> None:
    if what not in outcome.found or len(data) < len(outcome.found[what]):
        outcome.found[what], outcome.told[what] = data, detail


def _epitaph(done: subprocess.CompletedProcess[str]) -> str:
    """How a process died, and where the package was."""
    where = re.search(r'File "[^"]*/ellipsefit/([^"]*)", line (\d+) in (\w+)', done.stderr)
    how = "hung" if "Timeout (" in done.stderr else f"signal {-done.returncode}" if done.returncode < 0 else "died"
    return f"{how} in {f'{where[1]}:{where[3]}:{where[2]}' if where else 'no line of ours'}"


def main() -> None:
    """Run it from a terminal."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("count", type=int)
    parser.add_argument("target", nargs="*", default=list(TARGETS))
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--engine", choices=("run", "covered"), default="run")
    parser.add_argument("--keep", type=Path)
    options = parser.parse_args()
    for name in options.target:
        outcome = attacked(name, options.count, options.seed, options.engine)
        print(outcome, flush=True)
        if options.keep is not None:
            options.keep.mkdir(exist_ok=True)
            for number, (what, data) in enumerate(outcome.found.items()):
                (options.keep / f"{name}-{number}").write_bytes(data)
                (options.keep / f"{name}-{number}.txt").write_text(f"{what}\n{outcome.told[what]}")


if __name__ == "__main__":
    main()

"""Do the tests notice a small change of the source? `python -m tests.mutation [--sample N --seed S] [FILE...]`.

Which tests reach which line is measured first and kept in `.mutation/`. After a change of tests measure these again:
`python -m tests.mutation.reach .mutation/reach.json tests/test_x.py`; lines of the source that moved are followed.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import asdict
from pathlib import Path
from typing import Final

from scipy.stats import binomtest

from tests.mutation.mutants import Mutant, mutants
from tests.mutation.reach import ROOT, SOURCES, Reach, measure_apart
from tests.mutation.trial import Trial, judge_all

FOLDER: Final = ROOT / ".mutation"


def sample(files: Iterable[str], number: int | None, seed: int) -> list[Mutant]:
    """So many mutants of these files, or all, in an order drawn by lot: what is stopped on the way is a sample, too."""
    found = [one for file in files for one in mutants(ROOT, file)]
    return random.Random(seed).sample(found, len(found) if number is None else min(number, len(found)))


def survivors(path: Path) -> list[Mutant]:
    """Those who were not killed, as `--keep` wrote them."""
    told = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
    return [Mutant(**one["mutant"]) for one in told if one["fate"] != "killed"]


def table(trials: Iterable[Trial]) -> str:
    """By module, and the rate of all with its 95 % interval (Wilson)."""
    fates: dict[str, Counter[str]] = defaultdict(Counter)
    for trial in trials:
        fates[trial.mutant.file][trial.fate] += 1
    lines = ["| module | mutants | killed | survived | not reached |", "| --- | ---: | ---: | ---: | ---: |"]
    for file, counted in sorted(fates.items()):
        columns = (counted.total(), counted["killed"], counted["survived"], counted["not reached"])
        lines.append(f"| {file} | {' | '.join(map(str, columns))} |")
    all_ = sum(fates.values(), Counter())
    interval = binomtest(all_["killed"], all_.total()).proportion_ci(method="wilson")
    rate = f"{all_['killed']} of {all_.total()} killed, {all_['killed'] / all_.total():.1%}"
    return "\n".join([*lines, "", f"{rate} (95 %: {interval.low:.1%} to {interval.high:.1%})"])


def main() -> int:
    """Run it from a terminal."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__)
    parser.add_argument(
        "files", nargs="*", default=SOURCES, help="of the package; ellipse, fit and align if none is named"
    )
    parser.add_argument("--sample", type=int, help="so many, drawn at random; all if it is not given")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--budget", type=float, default=20.0, help="seconds of tests for each mutant, quick ones first")
    parser.add_argument("--keep", type=Path, help="write what came of each, one a line")
    parser.add_argument("--again", type=Path, help="instead, those that survived in such a file")
    options = parser.parse_args()
    measured = FOLDER / "reach.json"
    if not measured.exists():
        measure_apart(measured)
    reach = Reach.read(measured)
    chosen = survivors(options.again) if options.again else sample(options.files, options.sample, options.seed)
    trials: list[Trial] = []

    def tell(trial: Trial) -> None:
        trials.append(trial)
        if trial.fate != "killed":
            before, after = trial.mutant.change(ROOT)
            print(f"{trial.fate}: {trial.mutant} ({trial.tests} tests)\n    {before}\n    {after}", flush=True)
        if len(trials) % 25 == 0:
            print(f"{len(trials)} of {len(chosen)}", file=sys.stderr, flush=True)
        if options.keep:
            with options.keep.open("a", encoding="utf-8") as stream:
                stream.write(json.dumps(asdict(trial)) + "\n")

    judge_all(chosen, reach, options.budget, tell)
    print(table(trials))
    return 0


if __name__ == "__main__":
    sys.exit(main())

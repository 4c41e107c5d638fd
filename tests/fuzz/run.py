"""Give a reader damaged files, in a process of its own: `python -m tests.fuzz.run FOLDER COUNT SEED TARGET...`."""

from __future__ import annotations

import random
import sys
from pathlib import Path

from tests.fuzz.judge import judge
from tests.fuzz.mutations import Mutator
from tests.fuzz.progress import Progress
from tests.fuzz.targets import TARGETS


def attack(name: str, count: int, seed: int, folder: Path) -> None:
    """So many damaged files; what was found stands in the folder, too."""
    target, rng = TARGETS[name], random.Random(seed)
    mutator, progress = Mutator(target), Progress(folder, target, count)
    for _ in range(count):
        progress.note(judge(target, mutator.draw(rng), progress.place))


if __name__ == "__main__":
    for each in sys.argv[4:]:
        attack(each, int(sys.argv[2]), int(sys.argv[3]), Path(sys.argv[1]))

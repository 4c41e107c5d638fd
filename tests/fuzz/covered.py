"""As `run`, but files that reach new lines of the package are damaged further: needs atheris (libFuzzer for Python)."""

from __future__ import annotations

import random
import sys
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["ellipsefit"]):
    import ellipsefit.files.apart
    import ellipsefit.files.inspect
    import ellipsefit.files.nexus
    import ellipsefit.files.record
    import ellipsefit.files.registry
    from tests.fuzz.judge import judge
    from tests.fuzz.mutations import Mutator
    from tests.fuzz.progress import Progress
    from tests.fuzz.targets import TARGETS


def attack(name: str, count: int, seed: int, folder: Path) -> None:
    """So many files, those of the seeds among them; half of the damage is ours, half libFuzzer's."""
    target = TARGETS[name]
    mutator, corpus = Mutator(target), folder / target.name / "corpus"
    corpus.mkdir(parents=True, exist_ok=True)
    if not any(corpus.iterdir()):
        for number, data in enumerate(mutator.seeds):
            (corpus / f"seed-{number}").write_bytes(data)
    progress = Progress(folder, target, count)
    ellipsefit.files.apart._apart = True  # lines that are reached in another process would not be seen

    def one(data: bytes) -> None:
        progress.note(judge(target, data, progress.place))

    def damage(data: bytes, longest: int, number: int) -> bytes:
        if number % 2:
            return bytes(atheris.Mutate(data, longest))
        return mutator.damaged(data, random.Random(number))[:longest]

    options = [
        f"-runs={count + 100}",
        f"-seed={seed}",
        "-max_len=80000",
        "-timeout=0",
        "-rss_limit_mb=0",
        "-verbosity=0",
    ]
    options += [f"-handle_{signal}=0" for signal in ("segv", "bus", "abrt", "ill", "fpe", "term", "int")]
    atheris.Setup([sys.argv[0], *options, str(corpus)], one, custom_mutator=damage)
    atheris.Fuzz()


if __name__ == "__main__":
    attack(sys.argv[4], int(sys.argv[2]), int(sys.argv[3]), Path(sys.argv[1]))

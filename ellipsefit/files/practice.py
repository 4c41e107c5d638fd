"""A mirror to practise on, kept in a folder: what is known of it in the open, what is hidden in one JSON file."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from ellipsefit.align.diagnosis import name_of
from ellipsefit.align.orders import Orders, adjusters_of
from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import EllipsefitError, FileExistsAlreadyError, FileFormatError, FileMissingError, ParameterError
from ellipsefit.files.mirror import mirror_from_text, mirror_text, write_mirror
from ellipsefit.files.nexus import write_profile
from ellipsefit.files.safe import new_file, read_bytes
from ellipsefit.mirror import Mirror
from ellipsefit.practice import Faults, PracticeMirror, Slip
from ellipsefit.results import Result
from ellipsefit.rows import Table, number
from ellipsefit.simulate import HiddenState

#: What the folder holds besides the measurements.
HIDDEN = "hidden.json"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PracticeFolder(Result):
    """A practice mirror after so many rounds, and the files that an engineer sees."""

    folder: Path
    practice: PracticeMirror
    rounds: int
    noise: float  # of a point [m]
    seed: int
    revealed: bool = False

    @property
    def measured(self) -> Path:
        """The latest measurement."""
        return self.folder / f"measured-{self.rounds}.h5"

    def to_dict(self) -> dict[str, Any]:
        """The machine-readable answer; what is hidden only where it was asked for."""
        answer: dict[str, Any] = {
            "mirror": self.practice.mirror.name,
            "round": self.rounds,
            "mirror_file": str(self.folder / "mirror.toml"),
            "measured": str(self.measured),
        }
        if self.revealed:
            height, tilt = self.practice.worst()
            faults = self.practice.faults
            answer["hidden"] = {
                "height_max": height,
                "tilt_max": tilt,
                "wrong_handed": [list(key) for key in self._wrong_handed()],
                "matrix": faults.matrix.tolist(),
                "backlash": faults.backlash.tolist(),
            }
        return answer

    def _wrong_handed(self) -> list[tuple[str, str]]:
        keys = list(adjusters_of(self.practice.mirror))
        return [keys[place] for place in self.practice.faults.wrong_handed]

    def rows(self) -> list[Table]:
        """Tables, as shown on screens."""
        cells = [("mirror file", str(self.folder / "mirror.toml")), ("latest measurement", str(self.measured))]
        tables = [
            Table(
                title=f"Practice mirror {self.practice.mirror.name} after {self.rounds} "
                f"round{'s' * (self.rounds != 1)} of moves",
                cells=tuple(cells),
            )
        ]
        if self.revealed:
            height, tilt = self.practice.worst()
            wrong = ", ".join(name_of(key) for key in self._wrong_handed())
            hidden = (
                ("largest height of a segment, carrier at its best", number(height, "length")),
                ("largest tilt of a segment", number(tilt, "angle")),
                ("wrong-handed screws", wrong or "none"),
            )
            tables.append(Table(title="What is hidden", cells=hidden))
        return tables


def start_practice(
    folder: str | os.PathLike[str], practice: PracticeMirror, *, seed: int, noise: float = 100e-9
) -> PracticeFolder:
    """Make a folder with a practice mirror: its file, a first measurement, and what is hidden.

    Raises
    ------
    FileExistsAlreadyError
        If the folder holds one already.
    FileMissingError
        If it cannot be made or written to.
    """
    place = Path(folder)
    for name in (HIDDEN, "mirror.toml", "measured-0.h5"):
        if (place / name).exists():
            raise FileExistsAlreadyError(f"{place / name}: exists already; expected a folder without a practice mirror")
    try:
        place.mkdir(exist_ok=True)
    except OSError as fault:
        raise FileMissingError(f"{place}: the folder cannot be made: {(fault.strerror or '').lower()}") from None
    found = PracticeFolder(folder=place, practice=practice, rounds=0, noise=noise, seed=seed)
    write_mirror(practice.mirror, place / "mirror.toml")
    _keep(found)
    return found


def carry_out(
    folder: str | os.PathLike[str],
    orders: Orders,
    *,
    slips: dict[tuple[str, str], Slip] | None = None,
    wait: float = 0.0,
) -> PracticeFolder:
    """Carry out a round of moves on the practice mirror of a folder, wait, and measure again.

    Raises
    ------
    ParameterError
        If the orders are not for the mirror as it stands.
    FileMissingError, FileFormatError
        If the folder holds no practice mirror.
    """
    old = open_practice(folder)
    if orders.mirror.name != old.practice.mirror.name:
        raise ParameterError(
            f"the plan is for mirror '{orders.mirror.name}'; expected one for '{old.practice.mirror.name}'"
        )
    for key in slips or {}:
        if orders.order(*key) is None:
            raise ParameterError(f"--slip: the plan has no move of '{name_of(key)}'")
    after = old.practice.moved(orders, slips=slips).waited(wait)
    found = PracticeFolder(folder=old.folder, practice=after, rounds=old.rounds + 1, noise=old.noise, seed=old.seed)
    if found.measured.exists():
        raise FileExistsAlreadyError(f"{found.measured}: exists already; expected to write the measurement there")
    _keep(found)
    return found


def _keep(state: PracticeFolder) -> None:
    profile = state.practice.measure(np.random.default_rng((state.seed, state.rounds)), noise=state.noise)
    write_profile(profile, state.measured)
    with new_file(state.folder / HIDDEN, force=True) as temporary:
        temporary.write_text(json.dumps(_hidden(state), allow_nan=False), encoding="utf-8")


def _hidden(state: PracticeFolder) -> dict[str, Any]:
    practice, faults, ellipse = state.practice, state.practice.faults, state.practice.state.ellipse
    return {
        "note": "How the practice mirror really is: do not look before the end.",
        "mirror": mirror_text(practice.mirror),
        "rounds": state.rounds,
        "noise": state.noise,
        "seed": state.seed,
        "state": {
            "ellipse": [ellipse.p, ellipse.q, ellipse.theta],
            "height": practice.state.height,
            "tilt": practice.state.tilt,
            "segment_height": list(practice.state.segment_height),
            "segment_tilt": list(practice.state.segment_tilt),
        },
        "faults": {
            "matrix": faults.matrix.tolist(),
            "backlash": faults.backlash.tolist(),
            "offset": faults.offset.tolist(),
            "creep": faults.creep,
            "creep_time": faults.creep_time,
        },
        "slack": practice.slack.tolist(),
        "travelled": practice.travelled.tolist(),
        "late": practice.late.tolist(),
        "figure": practice.figure,
        "correlation_length": practice.correlation_length,
        "surface": practice.seed,
    }


def open_practice(folder: str | os.PathLike[str]) -> PracticeFolder:
    """The practice mirror of a folder.

    Raises
    ------
    FileMissingError, FileFormatError
        If there is none, or its hidden file is faulty.
    """
    path = Path(folder) / HIDDEN
    if not path.exists():
        raise FileMissingError(f"{folder}: holds no practice mirror; expected a folder that `rehearse` made")
    try:
        table = json.loads(read_bytes(path))
        if not isinstance(table["mirror"], str):
            raise TypeError("the mirror is no text")
        mirror: Mirror = mirror_from_text(table["mirror"], str(path))
        state, faults = table["state"], table["faults"]
        practice = PracticeMirror(
            mirror=mirror,
            state=HiddenState(
                ellipse=Ellipse(*state["ellipse"]),
                height=state["height"],
                tilt=state["tilt"],
                segment_height=tuple(state["segment_height"]),
                segment_tilt=tuple(state["segment_tilt"]),
            ),
            faults=Faults(
                matrix=np.array(faults["matrix"], dtype=np.float64).reshape((len(faults["backlash"]),) * 2),
                backlash=np.array(faults["backlash"]),
                offset=np.array(faults["offset"]),
                creep=faults["creep"],
                creep_time=faults["creep_time"],
            ),
            slack=np.array(table["slack"]),
            travelled=np.array(table["travelled"]),
            late=np.array(table["late"]),
            figure=table["figure"],
            correlation_length=table["correlation_length"],
            seed=table["surface"],
        )
        return PracticeFolder(
            folder=Path(folder), practice=practice, rounds=table["rounds"], noise=table["noise"], seed=table["seed"]
        )
    except EllipsefitError:
        raise
    except (KeyError, TypeError, ValueError) as fault:
        text = str(fault).splitlines()[0]
        raise FileFormatError(f"{path}: is faulty: {text}; expected it as `rehearse` wrote it") from None

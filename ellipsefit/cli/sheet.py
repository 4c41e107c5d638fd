"""`sheet`: the moves of a plan on paper."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ellipsefit.cli.app import command
from ellipsefit.cli.options import OwnMirror, PlanFile, RoundNumber
from ellipsefit.cli.show import Output
from ellipsefit.errors import ParameterError

if TYPE_CHECKING:
    from ellipsefit.align.orders import Orders


@dataclass(frozen=True, slots=True)
class _Answer:
    """What stands on the sheet, for a program."""

    orders: Orders
    files: list[Path]

    def to_dict(self) -> dict[str, Any]:
        """The machine-readable answer, SI."""
        return {
            "files": [str(file) for file in self.files],
            "moves": [
                {
                    "segment": order.segment,
                    "adjuster": order.adjuster,
                    "from": order.start,
                    "to": order.stop,
                    "move": order.move,
                }
                for order in self.orders.moves
            ],
        }


@command("Print the moves of a plan as a sheet to take to the mirror.")
def sheet(
    plan: PlanFile,
    *,
    files: Annotated[
        list[Path], typer.Option("--output", "-o", metavar="FILE", help="Sheet to write: .html or .csv. Repeatable.")
    ],
    mirror: OwnMirror = None,
    round_number: RoundNumber = None,
    output: Output,
) -> None:
    """Print the moves of a plan as a sheet to take to the mirror.

    A line for each move: from, to, turns and direction in words, approach side, a check digit, room for the reading
    and initials; and the cautions. A filled-in CSV can be given to compare.
    """
    import ellipsefit as ef
    from ellipsefit.cli.recording import warn_of_plan
    from ellipsefit.files.orders import read_orders
    from ellipsefit.files.sheet import write_sheet
    from ellipsefit.report.cautions import CAUTIONS
    from ellipsefit.report.sheet import write_sheet_page

    output.check(*files, reads=(plan, mirror))
    for file in files:
        if file.suffix.lower() not in (".html", ".csv"):
            raise ParameterError(f"{file}: the name of a sheet must end in .html or .csv")
    orders = read_orders(plan, None if mirror is None else ef.read_mirror(mirror), number=round_number)
    warn_of_plan(output, plan, round_number)
    for file in files:
        if file.suffix.lower() == ".csv":
            write_sheet(orders, file, cautions=CAUTIONS, force=output.force)
        else:
            write_sheet_page(orders, file, force=output.force)
    count = sum(1 for order in orders.moves if order.move)
    output.text(f"{count} move{'s' * (count != 1)} on {', '.join(str(file) for file in files)}", *orders.doubts)
    output.answer(_Answer(orders, files))

"""`rehearse`: an invented mirror with hidden faults, to try the whole alignment on."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Annotated, cast

import typer

from ellipsefit.cli.app import command
from ellipsefit.cli.options import Seed, above_zero, quantity
from ellipsefit.cli.show import Output
from ellipsefit.errors import ParameterError


@command("Practise the alignment on a simulated mirror with hidden faults.")
def rehearse(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Where the practice mirror is, or is to be made.")],
    *,
    carry_out: Annotated[
        Path | None,
        typer.Option(metavar="PLAN", help="Carry out a plan, JSON answer of correct or a record, and measure again."),
    ] = None,
    slip: Annotated[
        list[str] | None,
        typer.Option(
            metavar="TEXT",
            help="Do a move otherwise: 'S03/U=not moved', 'S03/U=wrong way' or 'S03/U=S03/D'. Repeatable.",
        ),
    ] = None,
    wait: Annotated[str, typer.Option(metavar="TIME", help="Before measuring again, while creep goes on.")] = "0 s",
    reveal: Annotated[bool, typer.Option("--reveal", help="Say what is hidden.")] = False,
    mirror: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Practise on your own mirror, with invented faults.")
    ] = None,
    seed: Seed = 1,
    wrong_handed: Annotated[int, typer.Option(metavar="N", help="How many screws go the wrong way.")] = 1,
    gain_error: Annotated[float, typer.Option(metavar="SHARE", help="Standard deviation of the gains.")] = 0.1,
    coupling: Annotated[float, typer.Option(metavar="SHARE", help="Standard deviation within a segment.")] = 0.05,
    backlash: Annotated[str, typer.Option(metavar="LENGTH", help="Of every adjuster.")] = "2 um",
    creep: Annotated[float, typer.Option(metavar="SHARE", help="Of a move that comes late, within an hour.")] = 0.02,
    noise: Annotated[str, typer.Option(metavar="LENGTH", help="White noise of a measured point.")] = "100 nm",
    output: Output,
) -> None:
    """Practise the alignment on a simulated mirror with hidden faults.

    Without --carry-out, DIR gets mirror.toml, measured-0.h5 and hidden.json; each plan carried out adds a measurement.
    """
    import numpy as np

    import ellipsefit as ef
    from ellipsefit.cli.recording import warn_of_plan
    from ellipsefit.files.orders import read_orders
    from ellipsefit.files.practice import carry_out as do
    from ellipsefit.files.practice import open_practice, start_practice
    from ellipsefit.practice import Slip, draw_faults, practice_mirror
    from ellipsefit.simulate import invented_mirror

    output.check(folder=folder, reads=(carry_out, mirror))
    if carry_out is not None:
        warn_of_plan(output, carry_out)
        slips = dict(_slip(text) for text in slip or ())
        result = do(folder, read_orders(carry_out), slips=cast("dict[tuple[str, str], Slip]", slips), wait=_time(wait))
    elif reveal and folder.exists():
        result = open_practice(folder)
    else:
        for name, value in (("--gain-error", gain_error), ("--coupling", coupling), ("--creep", creep)):
            if not 0 <= value < 1:
                raise ParameterError(f"{name}: got {value!r}; expected a share from 0 to below 1")
        if seed < 0:
            raise ParameterError(f"--seed: got {seed}; expected a whole number from 0")
        rng = np.random.default_rng(seed)
        design = invented_mirror() if mirror is None else ef.read_mirror(mirror)
        faults = draw_faults(
            design,
            rng,
            gain_error=gain_error,
            coupling=coupling,
            backlash=abs(quantity(backlash, "--backlash")),
            wrong_handed=wrong_handed,
            creep=creep,
        )
        practice = practice_mirror(rng, mirror=design, faults=faults)
        result = start_practice(folder, practice, seed=seed, noise=above_zero(noise, "--noise"))
    result = replace(result, revealed=reveal)
    output.text(result)
    output.answer(result)


def _time(text: str) -> float:
    value = quantity(text, "--wait", "time")
    if value < 0:
        raise ParameterError(f"--wait: got '{text}'; expected no less than zero")
    return value


def _slip(text: str) -> tuple[tuple[str, str], str | tuple[str, str]]:
    name, _, what = (part.strip() for part in text.partition("="))
    segment, _, adjuster = name.rpartition("/")
    other = what.rpartition("/")
    if not (segment and adjuster) or not (what in ("not moved", "wrong way") or (other[0] and other[2])):
        raise ParameterError(f"--slip: got '{text}'; expected such as 'S03/U=not moved' or 'S03/U=S03/D'")
    return (segment, adjuster), what if what in ("not moved", "wrong way") else (other[0], other[2])

"""Mirror, beam and carrier files: what is there by design."""

from __future__ import annotations

import os

from ellipsefit import rows
from ellipsefit.checks.design import check_mirror
from ellipsefit.errors import FileFormatError
from ellipsefit.files.beam import beam_faults, is_beam_file, read_beam
from ellipsefit.files.carrier import carrier_faults, looks_like_carrier, read_carrier
from ellipsefit.files.inspect.content import Fact, FileContent
from ellipsefit.files.inspect.words import span
from ellipsefit.files.mirror import mirror_faults, read_mirror
from ellipsefit.files.toml import load_toml
from ellipsefit.mirror import Mirror


def inspect_toml(path: str | os.PathLike[str]) -> FileContent:
    """A mirror, beam or carrier file."""
    if looks_like_carrier(path):
        return _inspect_carrier(path)
    try:
        beam = is_beam_file(load_toml(path))
    except FileFormatError:
        beam = False  # which it was to be cannot be told; the fault is the same
    return _inspect_beam(path) if beam else _inspect_mirror(path)


def _inspect_mirror(path: str | os.PathLike[str]) -> FileContent:
    faults = mirror_faults(path)
    if faults:
        return FileContent(kind="mirror", path=os.fspath(path), faults=faults)
    mirror = read_mirror(path)
    doubts = tuple(str(item) for item in check_mirror(mirror))
    return FileContent(
        kind="mirror", path=os.fspath(path), facts=_mirror_facts(mirror), warnings=doubts, content=mirror
    )


def _mirror_facts(mirror: Mirror) -> tuple[Fact, ...]:
    nominal = mirror.nominal
    adjusters = sum(len(segment.adjusters) for segment in mirror.segments)
    return (
        Fact("name", mirror.name, mirror.name),
        Fact("source distance p", rows.with_uncertainty(nominal.p, 0.0, "length"), nominal.p),
        Fact("image distance q", rows.with_uncertainty(nominal.q, 0.0, "length"), nominal.q),
        Fact("grazing angle", rows.with_uncertainty(nominal.theta, 0.0, "angle"), nominal.theta),
        Fact("segments", str(len(mirror.segments)), len(mirror.segments)),
        Fact("adjusters", str(adjusters), adjusters),
        Fact("span", span(*mirror.span), list(mirror.span)),
    )


def _inspect_beam(path: str | os.PathLike[str]) -> FileContent:
    faults = beam_faults(path)
    if faults:
        return FileContent(kind="beam", path=os.fspath(path), faults=faults)
    beam = read_beam(path)
    shortest, longest = (f"{wave * 1e10:.6g}" for wave in beam.wavelength)
    band = shortest if shortest == longest else f"{shortest} to {longest}"
    facts = (
        Fact("kind", beam.kind, beam.kind),
        Fact("wavelength", f"{band} angstrom", list(beam.wavelength)),
        Fact("source, rms", rows.number(beam.source.std, "length"), beam.source.std),
        Fact("aperture", "none" if beam.aperture is None else rows.number(beam.aperture, "length"), beam.aperture),
    )
    return FileContent(kind="beam", path=os.fspath(path), facts=facts)


def _inspect_carrier(path: str | os.PathLike[str]) -> FileContent:
    faults = carrier_faults(path)
    if faults:
        return FileContent(kind="carrier", path=os.fspath(path), faults=faults)
    carrier = read_carrier(path)
    mount = carrier.mount
    measured = carrier.mirror.measured
    facts = [
        Fact("name", carrier.name, carrier.name),
        Fact("targets", str(len(carrier.targets)), len(carrier.targets)),
        Fact("reference points", str(len(carrier.references)), len(carrier.references)),
        Fact("foci", "nominal" if measured is None else measured.origin, None if measured is None else measured.origin),
        Fact("tolerances", "stated" if carrier.tolerance.stated else "none", carrier.tolerance.stated),
    ]
    if mount is not None:
        wheels = int(mount.movable.sum())
        facts.append(Fact("mount", f"6 contacts, {wheels} of them with wheels", wheels))
        facts.append(Fact("condition of the mount", f"{mount.condition:.1f}", mount.condition))
        facts.append(Fact("weakest motion", mount.weakest_motion(), mount.weakest_motion()))
    from ellipsefit.files.record.provenance import stale_carriers  # with the fit, which takes its time to load

    doubts = stale_carriers(path) if measured is not None else ()
    return FileContent(kind="carrier", path=os.fspath(path), facts=tuple(facts), warnings=doubts)

"""The beam file: what it says is what is traced, and every fault names file, key and what was expected."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from ellipsefit.errors import FileFormatError, FileMissingError
from ellipsefit.files import inspect_file, read_beam
from ellipsefit.files.beam import beam_faults

FULL = """
kind = "neutron"
wavelength = ["3 angstrom", "0.5 nm"]
source_size = "2 mm"
source_profile = "gaussian"
source_position = ["10 mm", "-0.5 mm"]
divergence = "12 mrad"
aperture = ["200 um", "-50 um"]
plane = "5 mm"
required_throughput = 0.6
gravity = false
height = "20 mm"

[coating]
m = 4.0
reflectivity = 0.98
critical_q = "0.0219 / angstrom"
slope = "4 angstrom"
width = "0.004 / angstrom"
roughness = "5 angstrom"
"""
LEAST = 'kind = "x-ray"\nwavelength = "1 angstrom"\n'


def written(folder: Path, text: str) -> Path:
    path = folder / "beam.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_full_file_is_read_in_si(tmp_path: Path) -> None:
    beam = read_beam(written(tmp_path, FULL))
    assert beam.kind == "neutron"
    assert_allclose(beam.wavelength, [3e-10, 5e-10], rtol=1e-14)
    assert (beam.source.shape, beam.source.width) == ("gaussian", 2e-3)
    assert (beam.source_along, beam.source_across) == (0.01, -0.0005)
    assert beam.divergence is not None
    assert_allclose(beam.divergence.width, 12e-3, rtol=1e-14)
    assert (beam.aperture, beam.aperture_offset, beam.plane) == (2e-4, -5e-5, 5e-3)
    assert (beam.required_throughput, beam.gravity, beam.height) == (0.6, False, 0.02)
    assert_allclose(beam.coating.critical_q, 0.0219e10, rtol=1e-12)
    assert_allclose([beam.coating.slope, beam.coating.roughness], [4e-10, 5e-10], rtol=1e-12)


def test_the_least_file_means_a_point_at_the_focus_that_fills_the_mirror(tmp_path: Path) -> None:
    beam = read_beam(written(tmp_path, LEAST))
    assert beam.source.is_point
    assert beam.divergence is None
    assert beam.aperture is None
    assert beam.wavelength[0] == beam.wavelength[1]


@pytest.mark.parametrize(
    ("line", "aperture"),
    [
        ('aperture = "200 um"', (2e-4, 0.0)),
        ('aperture = ["200 um"]', (2e-4, 0.0)),
        ('aperture = ["200 um", "10 um"]', (2e-4, 1e-5)),
        ('aperture = { width = "200 um", offset = "10 um" }', (2e-4, 1e-5)),
        ('aperture = { width = "200 um" }', (2e-4, 0.0)),
    ],
)
def test_pairs_may_be_lists_or_tables(tmp_path: Path, line: str, aperture: tuple[float, float]) -> None:
    beam = read_beam(written(tmp_path, LEAST + line + "\n"))
    assert (beam.aperture, beam.aperture_offset) == aperture
    place = 'source_position = { along = "1 mm", across = "2 mm" }\n'
    beam = read_beam(written(tmp_path, LEAST + place))
    assert (beam.source_along, beam.source_across) == (1e-3, 2e-3)


def test_a_source_of_given_distribution(tmp_path: Path) -> None:
    text = LEAST + '[source_distribution]\nplaces = ["-1 mm", "0 mm", "1 mm"]\nweights = [0, 1, 0.0]\n'
    assert_allclose(read_beam(written(tmp_path, text)).source.std, 1e-3 / 6**0.5, rtol=1e-12)


@pytest.mark.parametrize(
    ("text", "key", "expected"),
    [
        (LEAST.replace('"1 angstrom"', '"0 angstrom"'), "wavelength", "above 0"),
        (LEAST.replace('"1 angstrom"', '"-1 angstrom"'), "wavelength", "above 0"),
        (LEAST.replace('"1 angstrom"', "1.0"), "wavelength", "a length such as"),
        (LEAST.replace('"1 angstrom"', '"1 mrad"'), "wavelength", "no unit of length"),
        (LEAST.replace('"1 angstrom"', '["5 angstrom", "3 angstrom"]'), "wavelength", "from the shorter"),
        (LEAST.replace("x-ray", "light"), "kind", '"neutron" or "x-ray"'),
        (LEAST + 'aperture = "0 um"', "aperture", "wider than 0"),
        (LEAST + 'aperture = "-5 um"', "aperture", "wider than 0"),
        (LEAST + 'aperture = ["1 um", "1 um", "1 um"]', "aperture", "a width such as"),
        (LEAST + "aperture = { size = '1 mm' }", "aperture", "a width such as"),
        (LEAST + 'source_position = "1 mm"', "source_position", "two lengths"),
        (LEAST + 'source_size = "-1 mm"', "source_size", "not be negative"),
        (LEAST + 'divergence = "0 mrad"', "divergence", "above 0"),
        (LEAST + "required_throughput = 60.0", "required_throughput", "at most 1"),
        (LEAST + 'required_throughput = "60 %"', "required_throughput", "bare number"),
        (LEAST + "gravity = 1", "gravity", "true or false"),
        (LEAST + "[coating]\nm = 0.0", "coating", "m must be above 0"),
        (LEAST + "[coating]\nm = -2.0", "coating", "m must be above 0"),
        (LEAST + '[coating]\ncritical_q = "0.02 angstrom"', "coating.critical_q", "wave number"),
        (LEAST + 'wavelenght = "1 nm"', "wavelenght", "nearest known key is 'wavelength'"),
        ('kind = "x-ray"\n', "wavelength", "is missing"),
        (
            LEAST + '[source_distribution]\nplaces = ["0 mm"]\nweights = [1.0]',
            "source_distribution.places",
            "two or more",
        ),
    ],
)
def test_a_fault_names_file_key_and_expectation(tmp_path: Path, text: str, key: str, expected: str) -> None:
    path = written(tmp_path, text)
    with pytest.raises(FileFormatError) as caught:
        read_beam(path)
    message = str(caught.value)
    assert message.startswith(f"{path}: ")
    assert key in message
    assert expected in message
    assert "\n" not in message
    assert beam_faults(path)


def test_inspect_knows_a_beam_file(tmp_path: Path) -> None:
    found = inspect_file(written(tmp_path, FULL))
    assert (found.kind, found.faults) == ("beam", ())
    faulty = inspect_file(written(tmp_path, LEAST + 'aperture = "0 um"'))
    assert (faulty.kind, len(faulty.faults)) == ("beam", 1)


def test_a_missing_file_is_said(tmp_path: Path) -> None:
    with pytest.raises(FileMissingError, match="no such file"):
        read_beam(tmp_path / "none.toml")


@settings(max_examples=60, deadline=None)
@given(st.text(max_size=80))
def test_nonsense_is_a_sentence_and_never_a_traceback(text: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "beam.toml"
        path.write_bytes((LEAST + f"aperture = {text!r}\n").encode("utf-8", errors="replace"))
        faults = beam_faults(path)
        assert all(str(path) in fault for fault in faults)

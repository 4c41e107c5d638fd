"""Our HDF5 opens and plots by default in independent readers of the NeXus standard: nexusformat and silx."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from ellipsefit.files import write_mirror, write_profile, write_scans, write_text_profile
from ellipsefit.files.record import write_fit
from ellipsefit.fit import fit_ellipse
from ellipsefit.job import run_job
from ellipsefit.profile import Profile
from ellipsefit.scan import Scan
from ellipsefit.simulate import hidden_state, invented_mirror, simulate_profile

with np.printoptions():  # which it sets for all
    nexusformat = pytest.importorskip("nexusformat.nexus")
silx_io = pytest.importorskip("silx.io")
silx_nxdata = pytest.importorskip("silx.io.nxdata")

WHEN = datetime(2026, 3, 4, 5, 6, 7, tzinfo=UTC)
FILES = ("record", "fit", "profile", "scans")
Plotted = tuple[str, np.ndarray[tuple[int], np.dtype[np.float64]], np.ndarray[tuple[int], np.dtype[np.float64]]]


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[Path, Plotted]]:
    """Each kind of file, with the name of its default signal, its x and its values."""
    folder = tmp_path_factory.mktemp("nexus")
    rng = np.random.default_rng(5)
    mirror = invented_mirror(name="Heron", segments=5, length=2.5)
    profile = simulate_profile(mirror, hidden_state(mirror, rng), rng, step=5e-3)
    write_mirror(mirror, folder / "mirror.toml")
    write_text_profile(profile, folder / "profile.csv")
    result = run_job(folder / "mirror.toml", [folder / "profile.csv"], folder / "out", when=WHEN)
    run_job(folder / "mirror.toml", [folder / "profile.csv"], folder / "out", when=WHEN)
    fit = fit_ellipse(profile, mirror)
    write_fit(fit, folder / "fit.h5")
    mask = np.zeros(len(profile.x), dtype=bool)
    mask[10:12] = True
    write_profile(
        Profile(
            name="p",
            quantity="height",
            x=profile.x,
            values=profile.values,
            sigma=np.full(len(profile.x), 1e-8),
            mask=mask,
            mask_reason=np.where(mask, "spike", ""),
        ),
        folder / "profile.h5",
    )
    scans = [
        Scan(name=f"scan_{n}", quantity="slope", x=profile.x[:50] + 0.01 * n, values=profile.values[:50] * 0 + n * 1e-6)
        for n in range(3)
    ]
    write_scans(scans, folder / "scans.h5")
    error = ("height_error", fit.placed.x, fit.figure.height_error)
    return {
        "record": (result.record, ("height_error", result.fit.placed.x, result.fit.figure.height_error)),
        "fit": (folder / "fit.h5", error),
        "profile": (folder / "profile.h5", ("height", profile.x, profile.values)),
        "scans": (folder / "scans.h5", ("slope", scans[0].x, scans[0].values)),
    }


@pytest.mark.parametrize("kind", FILES)
def test_nexusformat_plots_it(kind: str, files: dict[str, tuple[Path, Plotted]]) -> None:
    path, (name, x, values) = files[kind]
    with nexusformat.nxload(str(path), mode="r") as root:
        data = root.plottable_data
        assert data.nxsignal.nxname == name
        assert [axis.nxname for axis in data.nxaxes] == ["x"]
        assert_array_equal(data.nxsignal.nxdata, values)
        assert_array_equal(data.nxaxes[0].nxdata, x)
        assert data.nxsignal.attrs["units"] == ("rad" if name == "slope" else "m")


@pytest.mark.parametrize("kind", FILES)
def test_silx_plots_it(kind: str, files: dict[str, tuple[Path, Plotted]]) -> None:
    path, (name, x, values) = files[kind]
    with silx_io.open(str(path)) as file:
        data = silx_nxdata.get_default(file)
        assert data is not None
        assert data.is_valid, data.issues
        assert data.is_curve
        assert data.signal_dataset_name == name
        assert data.signal.attrs["units"] == ("rad" if name == "slope" else "m")
        assert data.axes_dataset_names == ["x"]
        assert_array_equal(data.signal[()], values)
        assert_array_equal(data.axes[0][()], x)


@pytest.mark.parametrize("kind", FILES)
def test_silx_finds_nothing_invalid_anywhere(kind: str, files: dict[str, tuple[Path, Plotted]]) -> None:
    """Every NXdata of the file is one by the standard, not only the default."""
    path, _ = files[kind]
    found = 0
    with silx_io.open(str(path)) as file:
        for entry in file.values():
            for group in entry.values():
                if group.attrs.get("NX_class") == "NXdata":
                    data = silx_nxdata.NXdata(group)
                    assert data.is_valid, (group.name, data.issues)
                    found += 1
    assert found

"""Every reader of a file, with small files that it reads well and the words of its format."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final, Literal

import h5py
import numpy as np

from ellipsefit.align import CorrectionPlan, plan_corrections
from ellipsefit.align.comparison import Comparison, compare_round
from ellipsefit.align.orders import Orders, orders_of
from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import EllipsefitError
from ellipsefit.files import (
    inspect_file,
    inspect_files,
    open_measured,
    read_beam,
    read_carrier,
    read_measured,
    read_mirror,
    read_profile,
    read_scans,
    read_survey,
    read_surveys,
)
from ellipsefit.files.carrier import carrier_text
from ellipsefit.files.mirror import mirror_text
from ellipsefit.files.nexus import write_profile, write_scans
from ellipsefit.files.orders import given_response, learned_response, read_history, read_orders
from ellipsefit.files.plan import PlanAnswer
from ellipsefit.files.practice import HIDDEN, open_practice, start_practice
from ellipsefit.files.record import (
    append_comparison,
    append_round,
    read_comparison,
    read_fit_answer,
    read_previous,
    read_record_summary,
    read_round,
    write_fit,
)
from ellipsefit.files.response import read_response
from ellipsefit.files.sdf import write_sdf
from ellipsefit.files.sheet import read_sheet, write_sheet
from ellipsefit.files.survey import read_temperatures, survey_text, write_surveys
from ellipsefit.files.text import read_text_measured, read_text_profile, read_text_scan, write_text_profile
from ellipsefit.files.x3p import write_x3p
from ellipsefit.fit import EllipseFit, fit_ellipse
from ellipsefit.halls import demo_halls
from ellipsefit.mirror import Mirror
from ellipsefit.practice import practice_mirror
from ellipsefit.profile import Profile, place_profile
from ellipsefit.scan import Scan
from ellipsefit.simulate import hidden_state, invented_mirror, simulate_profile

DATA: Final = Path(__file__).parents[1] / "data"
WHEN: Final = datetime(2026, 4, 14, 9, 30, tzinfo=UTC)

Form = Literal["text", "toml", "json", "hdf5", "binary"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """One reader: what it is called, what it reads well, and how it is asked."""

    name: str
    form: Form
    suffix: str
    seeds: Callable[[], Sequence[bytes]]
    read: Callable[[Path], object]
    beside: Callable[[], Mapping[str, bytes]] = dict  # other files in the folder

    def file_in(self, folder: Path) -> Path:
        """Where an input is put."""
        return folder / (HIDDEN if self.name == "practice" else f"input{self.suffix}")


#: Numbers and texts that are awkward anywhere.
AWKWARD: Final = (
    "nan", "inf", "-inf", "1e400", "-0.0", "1_000", "0", "-1", "1e-320", "99999999999999999999", "1e308", "٣", "½",
    "\u200b", "\ufeff", "\x00", "\x1b[31m", '"', "'", "\\", ",", ";", "\t", "#", "[", "]", "[[", "=", "\r", "\r\n",
    "\x0b", "\x85", "\u2028", "{", "}", ":", "null", "true", "[]", "{}", "%s", "{0}", "../", "/", ".", "round_1",
    "µm", "um", "km", "degC", "m^2", "um/0", "1e9999 m", "nan m", "inf mm", "9**9**9 m", "(1) m", "1 m m", "m", "'''",
    '"""', "é", "\U0001f600",
)  # fmt: skip


@cache
def small_mirror() -> Mirror:
    return invented_mirror(name="Hazel", nominal=Ellipse(12.0, 8.0, 20e-3), segments=2, length=1.0, gap=5e-3)


def _profile(mirror: Mirror, seed: int) -> Profile:
    rng = np.random.default_rng(seed)
    return simulate_profile(mirror, hidden_state(mirror, rng), rng, step=0.04)


@cache
def small_fit(seed: int = 1) -> EllipseFit:
    return fit_ellipse(place_profile(_profile(small_mirror(), seed), small_mirror()), segments="free", residual="white")


def _scans() -> tuple[Scan, ...]:
    x = np.linspace(-0.4, 0.4, 9)
    full = Scan(
        name="one",
        quantity="height",
        x=x,
        values=1e-3 * x**2,
        sigma=np.full(9, 6e-8),
        carriage=x + 1.0,
        time=np.arange(9.0),
        temperature=np.full(9, 293.0),
        segment=np.array(["S01"] * 9),
        direction="forward",
        orientation="end_for_end",
        angle=1e-5,
        angle_stderr=1e-6,
    )
    return full, Scan(name="two", quantity="slope", x=x, values=2e-3 * x, carriage=x, time=np.arange(9.0))


def _rich_profile() -> Profile:
    plain = _profile(small_mirror(), 1)
    count = len(plain.x)
    return replace(
        plain,
        sigma=np.full(count, 6e-8),
        mask=np.arange(count) % 5 == 0,
        mask_reason=np.where(np.arange(count) % 5 == 0, "edge", ""),
        covariance_factor=np.full((count, 2), 1e-8),
        frame="mirror",
    )


def _written(*writers: Callable[[Path], object]) -> tuple[bytes, ...]:
    found = []
    with TemporaryDirectory() as folder:
        for number, write in enumerate(writers):
            path = Path(folder) / f"seed_{number}.h5"
            write(path)
            found.append(path.read_bytes())
    return tuple(found)


@cache
def small_orders() -> Orders:
    return orders_of(_plan(), WHEN)


@cache
def _plan() -> CorrectionPlan:
    return plan_corrections(small_fit(), small_mirror())


@cache
def _comparison() -> Comparison:
    return compare_round(small_orders(), small_fit(1).placed, small_fit(2).placed)


def _plan_json() -> tuple[bytes, ...]:
    answer = PlanAnswer(plan=_plan(), when=WHEN).to_dict()
    return (json.dumps(answer).encode(), json.dumps({"correct": answer, "mirror": answer["mirror"]}).encode())


def _mirror_file(folder: Path) -> Path:
    path = folder / "mirror.toml"
    path.write_text(mirror_text(small_mirror()), encoding="utf-8")
    return path


def _record(path: Path) -> None:
    with TemporaryDirectory() as folder:
        append_round(path, small_fit(), _plan(), inputs=[_mirror_file(Path(folder))], when=WHEN)
    append_comparison(path, _comparison())


def _sheet_seeds() -> tuple[bytes, ...]:
    (plain,) = _written(lambda path: write_sheet(small_orders(), path))
    lines = plain.decode("utf-8-sig").splitlines()
    filled = [line.removesuffix(",,") + ",12.5,AB" if line[:1].isdigit() else line for line in lines]
    return plain, "\n".join(filled).encode()


def _temperature_log() -> bytes:
    days = "".join(f"2026-04-{day:02d}T06:00+02:00;{20.5 + 0.1 * day:.1f}\n" for day in range(1, 7))
    return f"# hall\ndate;temperature [degC]\n{days}".encode()


def _practice_seed() -> bytes:
    practice = practice_mirror(np.random.default_rng(3), mirror=small_mirror())
    with TemporaryDirectory() as folder:
        start_practice(folder, practice, seed=3)
        return (Path(folder) / HIDDEN).read_bytes()


def _learned_json() -> bytes:
    return json.dumps(_comparison().to_dict()).encode()


def _response_csv() -> bytes:
    return b"moved,at,value,uncertainty\nS01/U,S01/D,0.05,0.01\nS02/U,S02/U,0.95,0.02\n"


RESPONSE_TOML: Final = b"""[[entry]]
moved = "S01/U"
at = "S01/D"
value = 0.05
uncertainty = 0.01
[[entry]]
moved = "S02/U"
at = "S02/U"
value = 1
"""

BEAM: Final = (
    b"""kind = "neutron"
wavelength = ["3 angstrom", "5 angstrom"]
source_size = "0.3 mm"
source_profile = "gaussian"
divergence = "2 mrad"
source_position = ["0 mm", "0.2 mm"]
aperture = ["200 um", "-50 um"]
plane = "1 mm"
required_throughput = 0.8
gravity = true
[coating]
m = 4.0
critical_q = "0.0217 / angstrom"
roughness = "0.3 nm"
""",
    b"""kind = "x-ray"
wavelength = {shortest = "1 angstrom", longest = "1.2 angstrom"}
coherence = "full"
height = "5 mm"
[source_distribution]
places = ["-10 um", "0 um", "10 um"]
weights = [1.0, 2.0, 1.0]
""",
)


def _carriers() -> tuple[bytes, ...]:
    return (*(carrier_text(carrier).encode() for carrier in demo_halls(years=1)[0]), _carrier_naming("fit.json"))


def _surveys() -> tuple[bytes, ...]:
    surveys = demo_halls(years=1)[1][0][:2]
    plain = b"target;station;x [mm];y [mm];z [mm];sigma [um]\nT1;A;1,5;0;300,25;20\nT2;A;2;-4,5;100;20\n"
    return (*(survey_text(survey).encode() for survey in surveys), plain)


def _survey_files() -> tuple[bytes, ...]:
    surveys = demo_halls(years=1)[1][0][:2]
    related = replace(surveys[0], covariance=np.asarray(surveys[0].covariance) + 1e-12)
    return _written(lambda path: write_surveys(surveys, path), lambda path: write_surveys([related], path))


def _profile_texts() -> tuple[bytes, ...]:
    (written,) = _written(lambda path: write_text_profile(_profile(small_mirror(), 1), path))
    return (
        b"\n".join(written.splitlines()[:8]) + b"\n",
        b"# notes\nx [mm];height [um];segment;sigma [um];mask\n"
        b"-100,5;1,25;S01;0,06;0\n0;-3e-2;S01;0,06;1\n7;2;S02;0,06;0\n",
        b"x [mm]\tslope [urad]\ty [mm]\r\n0.0\t1.5\t0\r\n1.0\t1.7\t0\r\n",
        b'"x [m]", "height [nm]", "segment"\n0.1, 12, "S, 1"\n0.2, 13, "S02"\n',
        b"x [mm] height [um] sigma [um]\n1 2 0.1\n2 3 0.1\n",
    )


def _scan_texts() -> tuple[bytes, ...]:
    return (
        b"x [mm],height [um],carriage [mm],time [s],temperature [degC],mask\n"
        b"0,1,5,0,20.1,0\n1,nan,6,0.1,20.1,1\n2,3,7,1,20,0\n3,3,8,2,20,0\n4,3,9,3,20,0\n",
        b"x [mm];slope [urad];time [min];segment\n0;1,5;0;S01\n1;2,5;0,1;S01\n2;2;1;S01\n3;2;2;S01\n4;2;3;S01\n",
    )


def _profiles() -> tuple[bytes, ...]:
    def plain(path: Path) -> None:
        write_profile(_profile(small_mirror(), 1), path)

    return _written(plain, lambda path: write_profile(_rich_profile(), path), lambda path: _older(plain, path))


def _scan_files() -> tuple[bytes, ...]:
    def both(path: Path) -> None:
        write_scans(_scans(), path)

    return _written(both, lambda path: _older(both, path))


def _older(write: Callable[[Path], object], path: Path) -> None:
    """A file of the older NeXus style: fields say what they are, not their groups."""
    write(path)
    with h5py.File(path, "a") as file:
        for number, entry in enumerate(file.values()):
            data = entry["data"]
            signal = data[data.attrs.pop("signal")]
            signal.attrs["signal"] = 1 + 0 * data.attrs.pop("x_indices")
            del data.attrs["axes"]
            if number == 0:
                signal.attrs["axes"] = "[x]"
            data["x"].attrs.update({"axis": "1", "primary": 1})


def _records() -> tuple[bytes, ...]:
    return _written(_record)


def _fits() -> tuple[bytes, ...]:
    return _written(lambda path: write_fit(small_fit(), path, plan=_plan()))


def _mirrors() -> tuple[bytes, ...]:
    full = (DATA / "dogwood" / "mirror.toml").read_bytes()
    head = full.split(b"[[segment]]")[0] + b"[[segment]]" + full.split(b"[[segment]]")[1]
    return mirror_text(small_mirror()).encode(), head, full


def _read_large(path: Path) -> None:
    """As a command reads it: in parts if it is large."""
    with_parts = open_measured(path)
    if not isinstance(with_parts, tuple):
        for start in range(0, len(with_parts), 1 << 17):
            with_parts.part(start, min(start + (1 << 17), len(with_parts)))


def _every(*readers: Callable[[Path], object]) -> Callable[[Path], object]:
    """Ask all of them; a fault that one tells does not keep the others from reading."""

    def read(path: Path) -> None:
        told: EllipsefitError | None = None
        for reader in readers:
            try:
                reader(path)
            except EllipsefitError as error:
                told = error
        if told is not None:
            raise told

    return read


def _fit_json() -> bytes:
    return json.dumps(small_fit().to_dict()).encode()


def _carrier_naming(fit: str) -> bytes:
    return carrier_text(demo_halls(years=1)[0][0]).replace("[mirror]", f'[mirror]\nfit = "{fit}"', 1).encode()


def _even() -> Profile:
    x = np.linspace(-0.4, 0.4, 9)
    return Profile(name="even", quantity="height", x=x, values=1e-3 * x**2, mask=np.arange(9) == 4)


def _x3p_seeds() -> tuple[bytes, ...]:
    return _written(lambda path: write_x3p(_even(), path), lambda path: write_x3p(_even(), path, stored="int16"))


def _sdf_seeds() -> tuple[bytes, ...]:
    return _written(
        lambda path: write_sdf(_even(), path, when=WHEN), lambda path: write_sdf(_even(), path, ascii=True, when=WHEN)
    )


def _all_seeds() -> tuple[bytes, ...]:
    return tuple(seed for target in READERS for seed in target.seeds()[:2])


READERS: Final = (
    Target(
        name="profile_text",
        form="text",
        suffix=".csv",
        seeds=_profile_texts,
        read=_every(read_text_profile, read_text_measured, inspect_file),
    ),
    Target(
        name="scan_text",
        form="text",
        suffix=".csv",
        seeds=_scan_texts,
        read=_every(read_text_scan, read_scans, read_measured),
    ),
    Target(name="profile_hdf5", form="hdf5", suffix=".h5", seeds=_profiles, read=_every(read_profile, _read_large)),
    Target(name="scans_hdf5", form="hdf5", suffix=".h5", seeds=_scan_files, read=_every(read_scans, inspect_file)),
    Target(
        name="record",
        form="hdf5",
        suffix=".h5",
        seeds=_records,
        read=_every(
            read_record_summary,
            read_round,
            read_fit_answer,
            read_comparison,
            lambda path: read_previous(path, small_mirror()),
            read_orders,
            read_history,
            lambda path: learned_response(path, small_mirror()),
        ),
    ),
    Target(
        name="fit_hdf5",
        form="hdf5",
        suffix=".h5",
        seeds=_fits,
        read=_every(read_fit_answer, lambda path: read_previous(path, small_mirror()), inspect_file),
    ),
    Target(name="mirror", form="toml", suffix=".toml", seeds=_mirrors, read=_every(read_mirror, inspect_file)),
    Target(name="beam", form="toml", suffix=".toml", seeds=lambda: BEAM, read=_every(read_beam, inspect_file)),
    Target(
        name="carrier",
        form="toml",
        suffix=".toml",
        seeds=_carriers,
        read=_every(read_carrier, inspect_file),
        beside=lambda: {"fit.json": _fit_json()},
    ),
    Target(
        name="survey_text",
        form="text",
        suffix=".csv",
        seeds=_surveys,
        read=_every(read_surveys, read_survey, inspect_file),
    ),
    Target(name="survey_hdf5", form="hdf5", suffix=".h5", seeds=_survey_files, read=_every(read_surveys, inspect_file)),
    Target(
        name="response_csv",
        form="text",
        suffix=".csv",
        seeds=lambda: (_response_csv(),),
        read=_every(
            lambda path: read_response(path, small_mirror()), lambda path: given_response(path, small_mirror())
        ),
    ),
    Target(
        name="response_toml",
        form="toml",
        suffix=".toml",
        seeds=lambda: (RESPONSE_TOML,),
        read=lambda path: read_response(path, small_mirror()),
    ),
    Target(
        name="plan",
        form="json",
        suffix=".json",
        seeds=_plan_json,
        read=_every(read_orders, lambda path: read_orders(path, small_mirror())),
    ),
    Target(
        name="sheet", form="text", suffix=".csv", seeds=_sheet_seeds, read=lambda path: read_sheet(path, small_orders())
    ),
    Target(
        name="temperatures", form="text", suffix=".csv", seeds=lambda: (_temperature_log(),), read=read_temperatures
    ),
    Target(
        name="learned",
        form="json",
        suffix=".json",
        seeds=lambda: (_learned_json(),),
        read=_every(read_history, lambda path: learned_response(path, small_mirror())),
    ),
    Target(
        name="practice",
        form="json",
        suffix=".json",
        seeds=lambda: (_practice_seed(),),
        read=lambda path: open_practice(path.parent),
    ),
    Target(name="x3p", form="binary", suffix=".x3p", seeds=_x3p_seeds, read=_every(read_measured, inspect_file)),
    Target(name="sdf", form="binary", suffix=".sdf", seeds=_sdf_seeds, read=_every(read_measured, inspect_file)),
    Target(
        name="fit_json",
        form="json",
        suffix=".json",
        seeds=lambda: (_fit_json(),),
        read=lambda path: read_carrier(path.with_name("carrier.toml")),
        beside=lambda: {"carrier.toml": _carrier_naming("input.json")},
    ),
)

INSPECT: Final = Target(
    name="inspect",
    form="binary",
    suffix=".dat",
    seeds=_all_seeds,
    read=lambda path: inspect_files([path, DATA / "cedar" / "mirror.toml"]).rows(),
)

TARGETS: Final = {target.name: target for target in (*READERS, INSPECT)}

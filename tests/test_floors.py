"""The house keeps its floors, and what is heavy is loaded when it is needed."""

import subprocess
import sys

from importlinter.cli import lint_imports


def test_a_room_imports_only_from_the_floors_below_it() -> None:
    """The contracts stand in pyproject.toml; oracle: import-linter."""
    assert lint_imports(config_filename="pyproject.toml") == 0


def test_importing_the_package_loads_nothing_heavy() -> None:
    code = (
        "import sys, ellipsefit\n"
        "heavy = {'matplotlib', 'h5py', 'lmfit', 'pint', 'pydantic', 'scipy', 'jinja2'} & set(sys.modules)\n"
        "sys.exit(', '.join(sorted(heavy)) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")


def test_help_loads_no_numerics() -> None:
    code = (
        "import sys\n"
        "from ellipsefit.cli import main\n"
        "try:\n    main(['--help'])\n"
        "except SystemExit as leave:\n    assert leave.code == 0\n"
        "heavy = {'matplotlib', 'h5py', 'lmfit', 'pint', 'pydantic', 'scipy', 'jinja2'} & set(sys.modules)\n"
        "sys.exit(', '.join(sorted(heavy)) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")

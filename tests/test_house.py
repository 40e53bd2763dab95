"""The package keeps its own rules: floors, light imports, and everything it needs in the wheel."""

from __future__ import annotations

import shutil
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

ROOT = Path(__file__).parent.parent
SOURCE = ROOT / "src" / "benchwright"
HEAVY = ("numpy", "scipy", "click", "rich", "tomlkit", "platformdirs")


def _run(*command: str, cwd: Path = ROOT) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, *command], cwd=cwd, capture_output=True, text=True, check=False)


def _lint_imports(cwd: Path, source: Path) -> subprocess.CompletedProcess[str]:
    path_first = f"import sys; sys.path.insert(0, {str(source)!r})"
    code = f"{path_first}; from importlinter import cli; cli.lint_imports_command()"
    return _run("-c", code, cwd=cwd)


def test_imports_point_downwards_only():
    """No room imports from a room above it, and every room has its floor."""
    done = _lint_imports(ROOT, SOURCE.parent)
    assert done.returncode == 0, done.stdout + done.stderr


def test_an_import_that_points_upwards_is_caught(tmp_path):
    """The floors contract refuses an engine that reaches up into the face."""
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    house = tmp_path / "benchwright"
    for path in SOURCE.iterdir():
        if path.stem != "__init__" and (path.suffix == ".py" or (path / "__init__.py").exists()):
            (house / path.stem).mkdir(parents=True)
            (house / path.stem / "__init__.py").touch()
    (house / "__init__.py").touch()
    assert _lint_imports(tmp_path, tmp_path).returncode == 0
    (house / "faults" / "__init__.py").write_text("from .. import cli\n")
    done = _lint_imports(tmp_path, tmp_path)
    assert done.returncode == 1
    assert "benchwright.faults -> benchwright.cli" in done.stdout


def test_importing_the_package_loads_nothing_heavy():
    """`import benchwright` brings in no library: names load when first used."""
    told = _run(
        "-c",
        f"import sys, benchwright; print([name for name in {HEAVY} if name in sys.modules])",
    )
    assert told.stdout.strip() == "[]", told.stdout + told.stderr


def test_asking_for_help_loads_no_engine():
    """`benchwright --help` starts without the libraries that only the work itself needs."""
    code = f"""
import sys
from benchwright.cli.main import main
try:
    main(["--help"])
except SystemExit as left:
    assert left.code == 0
print("loaded:", [name for name in {HEAVY} if name in sys.modules and name != "click"])
"""
    told = _run("-c", code)
    assert "Usage: benchwright" in told.stdout, told.stderr
    assert told.stdout.splitlines()[-1] == "loaded: []"


def test_every_public_name_can_be_reached():
    """Each name in `benchwright.__all__` loads from its room."""
    told = _run("-c", "from benchwright import *; import benchwright as b; print(len(b.__all__))")
    assert told.returncode == 0, told.stderr


def test_the_wheel_carries_every_data_file(tmp_path):
    """What the code reads beside itself (tables, the demo's files, py.typed) is in the built wheel."""
    done = _run("-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path))
    assert done.returncode == 0, done.stdout + done.stderr
    (wheel,) = tmp_path.glob("*.whl")
    inside = set(zipfile.ZipFile(wheel).namelist())
    wanted = {
        f"benchwright/{path.relative_to(SOURCE).as_posix()}"
        for path in SOURCE.rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    assert "benchwright/py.typed" in wanted
    assert wanted <= inside, sorted(wanted - inside)


def test_the_lock_pins_what_the_package_needs():
    """Each runtime and development requirement stands in the lock with at least one hash."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    needed = [*project["project"]["dependencies"], *project["dependency-groups"]["dev"]]
    names = {requirement.split(">=")[0].partition("[")[0].strip() for requirement in needed}
    blocks = (ROOT / "requirements.lock").read_text(encoding="utf-8").replace("\\\n", " ").splitlines()
    pinned = {
        line.split("==")[0].partition("[")[0] for line in blocks if "==" in line and "--hash=sha256:" in line
    }
    assert names <= pinned, sorted(names - pinned)
    assert all("--hash=sha256:" in line for line in blocks if "==" in line)

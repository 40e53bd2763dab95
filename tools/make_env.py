"""Make the project's own environment from the lock: what `make` calls first.

Uses the standard library only, and nothing newer than Python 3.6 before it has looked at the version, so
that an old Python gets a sentence and not a traceback.
"""

import argparse
import os
import subprocess
import sys
from pathlib import Path

OLDEST = (3, 11)
ROOT = Path(__file__).resolve().parent.parent


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "folder", nargs="?", default=".venv", help="where the environment stands or is to stand"
    )
    folder = ROOT / parser.parse_args().folder
    python = folder / ("Scripts/python.exe" if os.name == "nt" else "bin/python")

    if python.exists():
        told = subprocess.run(
            [str(python), "-c", "import sys; print(*sys.version_info[:2])"],
            stdout=subprocess.PIPE,
            check=False,
        )
        if told.returncode:
            sys.exit(f"The environment in {folder} does not run any more: remove that folder and try again.")
        stop_unless_new_enough(python, tuple(int(number) for number in told.stdout.split()))
    else:
        stop_unless_new_enough(sys.executable, sys.version_info)
        make(folder, python)

    if subprocess.run(
        [str(python), "-m", "pip", "--version"], stdout=subprocess.DEVNULL, check=False
    ).returncode:
        run([str(python), "-m", "ensurepip"])  # an environment made by other means may lack pip
    pip = [str(python), "-m", "pip", "install", "--quiet"]
    run([*pip, "--require-hashes", "--requirement", str(ROOT / "requirements.lock")])
    run([*pip, "--no-deps", "--no-build-isolation", "--editable", str(ROOT)])


def make(folder, python):
    print(f"Making the environment in {folder} (a minute or two) ...", flush=True)
    try:
        import ensurepip  # noqa: F401
        import venv  # noqa: F401
    except ImportError:
        sys.exit(
            "This Python was installed without the parts that make environments (venv, ensurepip).\n"
            "On Debian and its relatives: apt-get install python3-venv. Then run make again."
        )
    if (
        subprocess.run([sys.executable, "-m", "venv", str(folder)], check=False).returncode
        or not python.exists()
    ):
        sys.exit(f"The environment could not be made in {folder}: see the message above.")


def stop_unless_new_enough(python, version):
    if tuple(version[:2]) < OLDEST:
        sys.exit(
            f"{python} is Python {version[0]}.{version[1]}; "
            f"Benchwright needs {OLDEST[0]}.{OLDEST[1]} or newer.\n"
            "Remove .venv if it is older, and name a newer Python: make PYTHON=python3.12 test"
        )


def run(command):
    if subprocess.run(command, check=False).returncode:
        sys.exit(
            f"Setting up stopped at: {' '.join(command)}\n"
            "The message above says why. Packages come over the network the first time."
        )


if __name__ == "__main__":
    main()

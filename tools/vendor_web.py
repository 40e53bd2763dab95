"""Copy what the web app carries with it out of the npm registry, by version, with licences and hashes.

Run it after changing web/package.json: `.venv/bin/python tools/vendor_web.py`. Needs npm and a network.
What it writes is committed, so that installing and running need neither.
"""

import hashlib
import json
import re
import shutil
import subprocess
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
NEEDS = ROOT / "web"
INTO = ROOT / "src" / "benchwright" / "web" / "static" / "vendor"
FOR_TESTS = ROOT / "tests" / "web" / "vendor"

FILES = {
    "htmx.org": {"dist/htmx.min.js": "htmx.js", "LICENSE": "htmx.LICENSE.txt"},
    "flatbush": {"index.js": "flatbush.js", "LICENSE": "flatbush.LICENSE.txt"},
    "flatqueue": {"index.js": "flatqueue.js", "LICENSE": "flatqueue.LICENSE.txt"},
    "uplot": {
        "dist/uPlot.esm.js": "uplot.js",
        "dist/uPlot.min.css": "uplot.css",
        "LICENSE": "uplot.LICENSE.txt",
    },
    "@fontsource-variable/atkinson-hyperlegible-next": {
        "files/atkinson-hyperlegible-next-latin-wght-normal.woff2": "atkinson-latin.woff2",
        "files/atkinson-hyperlegible-next-latin-ext-wght-normal.woff2": "atkinson-latin-ext.woff2",
        "LICENSE": "atkinson.LICENSE.txt",
    },
}
TEST_FILES = {"axe-core": {"axe.min.js": "axe.js", "LICENSE": "axe.LICENSE.txt"}}


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        work = Path(folder)
        for name in ("package.json", "package-lock.json"):
            if (NEEDS / name).exists():
                shutil.copy(NEEDS / name, work)
        command = ["npm", "install", "--ignore-scripts", "--no-audit", "--no-fund"]
        subprocess.run(command, cwd=work, check=True)
        shutil.copy(work / "package-lock.json", NEEDS)
        copy(work / "node_modules", FILES, INTO)
        copy(work / "node_modules", TEST_FILES, FOR_TESTS)


def copy(modules: Path, packages: dict[str, dict[str, str]], into: Path) -> None:
    """Copy files, and write down what each is, whose licence it has and its SHA-256."""
    into.mkdir(parents=True, exist_ok=True)
    manifest = {}
    for package, files in packages.items():
        about = json.loads((modules / package / "package.json").read_text("utf-8"))
        for source, name in files.items():
            data = (modules / package / source).read_bytes()
            if name.endswith(".js"):
                data = served_alone(data.decode("utf-8")).encode("utf-8")
            (into / name).write_bytes(data)
            manifest[name] = {
                "package": package,
                "version": about["version"],
                "licence": about["license"],
                "file": source,
                "sha256": hashlib.sha256(data).hexdigest(),
            }
    text = json.dumps(manifest, indent=2, sort_keys=True) + "\n"
    (into / "manifest.json").write_text(text, encoding="utf-8")


def served_alone(script: str) -> str:
    """Imports by a package's name lead to the file beside it; maps are not carried along."""
    script = re.sub(r"from (['\"])(flatqueue)\1", r"from './\2.js'", script)
    return re.sub(r"\n?//# sourceMappingURL=\S+\s*$", "\n", script)


if __name__ == "__main__":
    main()

"""What is installed holds every file that the code reads."""

import subprocess
import sys
import zipfile
from pathlib import Path

ROOT = Path(__file__).parent.parent
NOT_SHIPPED = {".py", ".pyc"}


def test_wheel_holds_every_data_file(tmp_path):
    command = [sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "-w", str(tmp_path), "."]
    subprocess.run(command, cwd=ROOT, check=True, capture_output=True)
    wheel = next(tmp_path.glob("*.whl"))
    inside = set(zipfile.ZipFile(wheel).namelist())
    needed = {
        file.relative_to(ROOT).as_posix()
        for file in (ROOT / "routekit").rglob("*")
        if file.is_file() and file.suffix not in NOT_SHIPPED
    }
    needed |= {
        f"routekit/sample/{name}"
        for name in ("district.gpkg", "terrain.tif", "canopy.tif", "built.gpkg", "study.toml")
    }
    code = {file.relative_to(ROOT).as_posix() for file in (ROOT / "routekit").rglob("*.py")}
    assert needed | code <= inside

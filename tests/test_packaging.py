"""The wheel holds what a user needs, and works with the checkout out of reach."""

from __future__ import annotations

import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel, built by way of the source distribution."""
    folder = tmp_path_factory.mktemp("dist")
    command = [sys.executable, "-m", "build", "--no-isolation", "--outdir", str(folder), str(ROOT)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return next(folder.glob("*.whl"))


def tracked(folder: str) -> set[str]:
    listed = subprocess.run(["git", "ls-files", folder], cwd=ROOT, capture_output=True, text=True, check=True)
    return set(listed.stdout.split())


def test_wheel_holds_the_tracked_files_and_no_other(wheel: Path) -> None:
    """Data in the wheel is exactly what git tracks: nothing ignored slips in, nothing is missing."""
    names = {name for name in zipfile.ZipFile(wheel).namelist() if ".dist-info/" not in name}
    data = {f"voicer/_data/{name}" for name in tracked("presets") | tracked("assets")}
    assert names == tracked("voicer") | data


def test_voicings_load_from_the_wheel_alone(wheel: Path, tmp_path: Path) -> None:
    """Unpacked elsewhere, with no checkout on the path, the shipped voicings and the map are found."""
    zipfile.ZipFile(wheel).extractall(tmp_path)
    code = (
        "import voicer, voicer.library as l; from voicer.control.map_files import load_maps; load_maps(None);"
        "print(voicer.__file__, len(l.listing()), voicer.load('harbour-dusk').name)"
    )
    environment = {"PYTHONPATH": str(tmp_path), "VOICER_HOME": str(tmp_path / "home"), "PATH": ""}
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path, env=environment, capture_output=True, text=True, check=False
    )
    assert done.stderr == ""
    assert done.stdout.split()[0].startswith(str(tmp_path))
    assert done.stdout.strip().endswith(" 9 Harbour Dusk")


def test_entry_points_name_the_command_and_the_units(wheel: Path) -> None:
    """The wheel declares the `voicer` command and the two shipped units."""
    packed = zipfile.ZipFile(wheel)
    text = packed.read(next(name for name in packed.namelist() if name.endswith("entry_points.txt"))).decode()
    assert "voicer = voicer.__main__:main" in text

"""Who may import whom, and what a light import may cost."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import voicer

ROOT = Path(__file__).parent.parent.parent
PACKAGE = ROOT / "voicer"
ORDER = (
    ("errors",),
    ("files",),
    ("voicing",),
    ("drawing", "library"),
    ("circuit",),
    ("board",),
    ("dsp",),
    ("measure",),
    ("compare", "explain", "sheet"),
    ("devices",),
    ("control", "engine"),
    ("play",),
    ("cli",),
    ("__init__", "__main__"),
)
"""From the vocabulary up. An import may go to a lower level, or stay in its room; never between rooms of one level."""

LEVELS = {room: level for level, rooms in enumerate(ORDER) for room in rooms}
ONLY = {
    "pyo": {"engine"}, "jack": {"devices"}, "sounddevice": {"devices", "engine"},
    "rtmidi": {"devices"}, "mido": {"control"}, "numba": {"dsp"},
}  # fmt: skip
MODULES = sorted(PACKAGE.rglob("*.py"))


def room_of(path: Path) -> str:
    first = path.relative_to(PACKAGE).parts[0]
    return first.removesuffix(".py")


def imported(path: Path) -> list[str]:
    names = []
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            names += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module:
            names += [f"voicer.{alias.name}" for alias in node.names] if node.module == "voicer" else [node.module]
    return names


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_go_down(path: Path) -> None:
    """Faces, session, live, work, sound, electronics, vocabulary: an arrow goes down that list or stays inside."""
    room = room_of(path)
    for name in imported(path):
        parts = name.split(".")
        if parts[0] in ONLY:
            assert room in ONLY[parts[0]], f"{name} in {path}"
        if parts[0] == "voicer" and len(parts) > 1 and parts[1] in LEVELS and room != "__init__":
            inside = parts[1] == room
            assert inside or LEVELS[parts[1]] < LEVELS[room], f"{name} in {path}"


def test_every_room_has_its_level() -> None:
    """A new folder must be given its place before anything may import it; beside the vocabulary no module is loose."""
    assert {room_of(path) for path in MODULES} == set(LEVELS)


def test_no_import_goes_round_the_check() -> None:
    """Inside the package nothing is imported relatively, through the front door, or by a name put together."""
    found = []
    for path in MODULES:
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.ImportFrom):
                through_the_door = node.module == "voicer" and any(
                    alias.name not in LEVELS and alias.name != "__version__" for alias in node.names
                )
                if node.level or through_the_door:
                    found.append(f"{path.name}:{node.lineno}")
            if isinstance(node, ast.Import) and room_of(path) not in ("cli", "play", "__main__"):
                found += [f"{path.name}:{node.lineno}" for alias in node.names if alias.name == "voicer"]
            if isinstance(node, ast.Name) and node.id == "__import__":
                found.append(f"{path.name}:{node.lineno}")
    assert found == []


def test_a_light_import_loads_no_heavy_package() -> None:
    """`import voicer` in a fresh interpreter brings neither sound, MIDI, compiler, models nor plots."""
    heavy = ["numba", "pyo", "rtmidi", "mido", "jack", "sounddevice", "scipy", "matplotlib", "numpy", "soundfile", "pydantic"]
    code = f"import sys, voicer; print([name for name in {heavy} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_the_door_shows_seven_names() -> None:
    """What `import voicer` promises, and that each is there."""
    expected = ["Circuit", "VoicerError", "Voicing", "design", "load", "render", "save"]
    assert sorted(voicer.__all__) == expected
    assert all(getattr(voicer, name) for name in expected)
    with pytest.raises(AttributeError, match="nothing"):
        _ = voicer.nothing


def test_no_name_hides_a_module() -> None:
    """A module defines nothing of its own name, and a folder's front door binds no name that one of its modules has."""
    found = []
    for path in MODULES:
        names = defined_names(path)
        if path.name == "__init__.py":
            modules = {one.stem for one in path.parent.iterdir() if one.suffix == ".py" or (one / "__init__.py").exists()}
            found += [f"{path.relative_to(PACKAGE)}: {name}" for name in sorted(names & modules)]
        elif path.stem in names:
            found.append(f"{path.relative_to(PACKAGE)}: {path.stem}")
    assert found == []


def defined_names(path: Path) -> set[str]:
    """Names bound at the top of a module: functions, classes, variables and what it imports from modules."""
    names: set[str] = set()
    for node in ast.parse(path.read_text()).body:
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            names.add(node.name)
        elif isinstance(node, ast.Assign):
            names |= {target.id for target in node.targets if isinstance(target, ast.Name)}
        elif isinstance(node, ast.ImportFrom) and not (PACKAGE.parent / str(node.module).replace(".", "/")).is_dir():
            names |= {alias.asname or alias.name for alias in node.names}
    return names


def test_every_test_states_its_rule() -> None:
    """Each test function has a docstring."""
    silent = [
        f"{path.name}:{node.name}"
        for path in sorted((ROOT / "tests").rglob("test_*.py"))
        for node in ast.walk(ast.parse(path.read_text()))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and node.name.startswith("test_") and not ast.get_docstring(node)
    ]
    assert silent == []


def test_every_module_says_what_it_is() -> None:
    """Each module of the package begins with a docstring."""
    assert [str(path) for path in MODULES if not ast.get_docstring(ast.parse(path.read_text()))] == []

"""Data flows one way: each room imports only from the rooms before it."""

import ast
from pathlib import Path

import pytest

import scalemodel

ROOT = Path(scalemodel.__file__).parent
ROOMS = ["data", "model", "answers", "views", "cli"]
FILES = [p for room in ROOMS for p in sorted((ROOT / room).rglob("*.py"))]


def imported_modules(path: Path) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            module = node.module or ""
            found |= {module} | {f"{module}.{alias.name}" for alias in node.names}
    return found


def room_of(module: str) -> str | None:
    parts = module.split(".")
    return parts[1] if parts[0] == "scalemodel" and len(parts) > 1 and parts[1] in ROOMS else None


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(ROOT)))
def test_rooms_import_only_from_rooms_before_them(path: Path) -> None:
    own = ROOMS.index(path.relative_to(ROOT).parts[0])
    for module in imported_modules(path):
        room = room_of(module)
        assert room is None or ROOMS.index(room) <= own, f"{path.name} imports {module}"


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(ROOT)))
def test_each_room_keeps_to_its_libraries(path: Path) -> None:
    room = path.relative_to(ROOT).parts[0]
    tops = {module.split(".")[0] for module in imported_modules(path)}
    if room != "views":
        assert "matplotlib" not in tops
    if room == "model":
        assert not tops & {"pandas", "pathlib", "io", "os", "matplotlib", "click", "rich"}
        assert not any(room_of(m) not in (None, "model") for m in imported_modules(path))

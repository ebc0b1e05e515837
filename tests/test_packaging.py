"""What the wheel carries, and that names and versions are said once."""

import re
import subprocess
import sys
import tomllib
import zipfile
from email import message_from_bytes
from email.message import Message
from importlib.metadata import version
from pathlib import Path

import pytest

import scalemodel
from scalemodel.version import VERSION

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
DEVELOPMENT = {
    "pytest",
    "hypothesis",
    "ruff",
    "mypy",
    "hatchling",
    "nbclient",
    "ipykernel",
    "mkdocs",
}


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> zipfile.ZipFile:
    pytest.importorskip("hatchling")
    folder = tmp_path_factory.mktemp("dist")
    build = [sys.executable, "-m", "hatchling", "build", "--target", "wheel"]
    subprocess.run(
        [*build, "--directory", str(folder)], cwd=ROOT, check=True, capture_output=True, timeout=120
    )
    (path,) = folder.glob("*.whl")
    return zipfile.ZipFile(path)


def metadata(wheel: zipfile.ZipFile) -> Message:
    (name,) = (n for n in wheel.namelist() if n.endswith(".dist-info/METADATA"))
    return message_from_bytes(wheel.read(name))


def test_the_wheel_carries_the_demo_bench(wheel: zipfile.ZipFile) -> None:
    names = set(wheel.namelist())
    for name in ("cards.csv", "platforms.csv", "results.csv", "specs.csv", "frames.csv"):
        assert f"scalemodel/demo/{name}" in names
        assert (
            wheel.read(f"scalemodel/demo/{name}")
            == (ROOT / "scalemodel" / "demo" / name).read_bytes()
        )
    logs = [path.name for path in (ROOT / "scalemodel" / "demo" / "frames").iterdir()]
    assert {f"scalemodel/demo/frames/{log}" for log in logs} <= names


def test_the_wheel_carries_every_module_and_the_mark_of_a_typed_package(
    wheel: zipfile.ZipFile,
) -> None:
    package = ROOT / "scalemodel"
    modules = {path.relative_to(ROOT).as_posix() for path in package.rglob("*.py")}
    assert modules | {"scalemodel/py.typed"} <= set(wheel.namelist())


def test_the_wheel_carries_what_the_report_is_written_with(wheel: zipfile.ZipFile) -> None:
    folder = ROOT / "scalemodel" / "views" / "report"
    parts = [*(folder / "templates").iterdir(), *(folder / "assets").iterdir()]
    assert len(parts) >= 4
    assert {path.relative_to(ROOT).as_posix() for path in parts} <= set(wheel.namelist())


def test_the_wheel_carries_nothing_else(wheel: zipfile.ZipFile) -> None:
    tops = {name.split("/")[0] for name in wheel.namelist()}
    assert tops == {"scalemodel", f"scalemodel-{VERSION}.dist-info"}
    assert not [n for n in wheel.namelist() if "truth" in n or ".scalemodel" in n or "__pyc" in n]


def test_the_version_is_said_once_more_and_the_same(wheel: zipfile.ZipFile) -> None:
    assert PROJECT.get("version", VERSION) == VERSION
    assert metadata(wheel)["Version"] == VERSION
    assert version("scalemodel") == VERSION
    changelog = (ROOT / "docs" / "changelog.md").read_text(encoding="utf-8")
    newest = re.search(r"^## (\S+?)(?:,|\s|$)", changelog, re.MULTILINE)
    assert newest is not None
    assert newest[1] == VERSION


def test_users_need_no_development_package(wheel: zipfile.ZipFile) -> None:
    needed = {
        re.split(r"[^\w-]", line)[0].lower()
        for line in metadata(wheel).get_all("Requires-Dist", [])
        if "extra ==" not in line
    }
    assert needed == {re.split(r"[^\w-]", line)[0].lower() for line in PROJECT["dependencies"]}
    assert not needed & DEVELOPMENT


def test_every_public_name_can_be_had() -> None:
    for name in scalemodel.__all__:
        assert getattr(scalemodel, name).__module__.startswith("scalemodel")

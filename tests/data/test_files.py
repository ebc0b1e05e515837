import os
from pathlib import Path

import pytest

from scalemodel.data.files import ABANDONED_S, write_atomic, write_new


def test_text_and_bytes(tmp_path: Path) -> None:
    write_atomic(tmp_path / "a.txt", "é\n")
    write_atomic(str(tmp_path / "b.bin"), b"\0\r\n")
    assert (tmp_path / "a.txt").read_bytes() == b"\xc3\xa9\n"
    assert (tmp_path / "b.bin").read_bytes() == b"\0\r\n"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.txt", "b.bin"]


def test_what_was_there_survives_a_failure(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.txt"
    write_atomic(path, "old")

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        write_atomic(path, "new")
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["a.txt"]


def test_an_existing_file_is_kept_on_request(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    write_atomic(path, "old", overwrite=False)
    with pytest.raises(FileExistsError):
        write_atomic(path, "new", overwrite=False)
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["a.txt"]


def test_without_hard_links(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(Path, "hardlink_to", refuse)
    path = tmp_path / "a.txt"
    write_atomic(path, "old", overwrite=False)
    with pytest.raises(FileExistsError):
        write_atomic(path, "new", overwrite=False)
    assert path.read_text() == "old"


@pytest.mark.skipif(os.name != "posix", reason="modes and links as POSIX has them")
def test_mode_and_link_are_kept(tmp_path: Path) -> None:
    path, link, fresh = tmp_path / "a.txt", tmp_path / "link", tmp_path / "b.txt"
    path.touch()
    path.chmod(0o640)
    link.symlink_to(path)
    write_atomic(link, "new")
    assert link.is_symlink()
    assert path.read_text() == "new"
    assert path.stat().st_mode & 0o777 == 0o640
    write_atomic(fresh, "x")
    (tmp_path / "c.txt").touch()
    assert fresh.stat().st_mode == (tmp_path / "c.txt").stat().st_mode


@pytest.mark.skipif(not Path("/dev/null").exists(), reason="needs a device")
def test_a_device_stays_a_device() -> None:
    write_atomic("/dev/null", "gone")
    assert not Path("/dev/null").is_file()


def test_missing_folder(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        write_atomic(tmp_path / "no" / "a.txt", "x")


def abandoned(folder: Path, name: str) -> Path:
    """Make what a process that was killed long ago left."""
    path = folder / name
    path.touch()
    then = path.stat().st_mtime - ABANDONED_S - 1
    os.utime(path, (then, then))
    return path


def test_what_a_killed_process_left_of_the_same_file_goes(tmp_path: Path) -> None:
    stale = abandoned(tmp_path, f".a.txt-{'0' * 16}.tmp")
    kept = {
        abandoned(tmp_path, name)
        for name in (f".b.txt-{'0' * 16}.tmp", ".a.txt-1.tmp", f"a.txt-{'0' * 16}.tmp", ".a.txt")
    }
    fresh = tmp_path / f".a.txt-{'1' * 16}.tmp"
    fresh.touch()
    write_atomic(tmp_path / "a.txt", "x")
    assert not stale.exists()
    assert all(path.exists() for path in (*kept, fresh))


def test_a_new_folder_appears_with_all_its_files(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen = []
    real = os.fsync

    def look(handle: int) -> None:
        seen.append((tmp_path / "new").exists())
        real(handle)

    monkeypatch.setattr(os, "fsync", look)
    write_new(tmp_path / "new", {"a": "1", "b": b"2"})
    assert seen == [False, False]
    assert {path.name: path.read_text() for path in (tmp_path / "new").iterdir()} == {
        "a": "1",
        "b": "2",
    }
    assert [path.name for path in tmp_path.iterdir()] == ["new"]


def test_a_new_folder_that_cannot_be_filled_does_not_appear(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        write_new(tmp_path / "new", {"a": "1"})
    assert list(tmp_path.iterdir()) == []


def test_a_file_in_the_place_of_a_new_folder(tmp_path: Path) -> None:
    (tmp_path / "new").touch()
    with pytest.raises(FileExistsError):
        write_new(tmp_path / "new", {"a": "1"})

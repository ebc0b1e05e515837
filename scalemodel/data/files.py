"""Write files so that a reader never sees half of one, and read those a stranger may have left."""

import contextlib
import errno
import os
import re
import secrets
import shutil
import stat
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

ABANDONED_S = 3600
"""Seconds after which a temporary file can only be left over from a killed process."""

_UNFOLLOWED = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)


def write_atomic(
    path: str | os.PathLike[str],
    content: bytes | str,
    *,
    overwrite: bool = True,
    follow: bool = True,
) -> None:
    """Write a whole file, or leave what was there before.

    Text is written as UTF-8 with the line ends it has. The content goes to a temporary file in
    the same folder, which then takes the name in one step. With ``overwrite=False`` a file that
    is already there is kept. A link is followed, or with ``follow=False`` replaced; a device or
    pipe is written to directly. What a killed process left of the same file goes.

    Raises:
        FileExistsError: ``overwrite`` is false and ``path`` exists.
        OSError: the folder is missing, full or may not be written to.
    """
    target = Path(path).resolve() if follow else Path(path).absolute()
    data = content.encode("utf-8") if isinstance(content, str) else content
    if overwrite and follow and target.exists() and not target.is_file():
        target.write_bytes(data)
        return
    temporary = _temporary(target)
    try:
        with temporary.open("xb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        if overwrite:
            with contextlib.suppress(OSError):  # a new file has the usual mode already
                temporary.chmod(target.stat().st_mode & 0o777)
            temporary.replace(target)
        else:
            _take_free_name(temporary, target)
    finally:
        temporary.unlink(missing_ok=True)
    _remove_abandoned(target)


@contextmanager
def new_file(path: Path) -> Iterator[Path]:
    """Give a name in the same folder to write a new file to, which gets its own when it is whole.

    Raises:
        FileExistsError: ``path`` exists.
        OSError: the folder may not be written to.
    """
    temporary = _temporary(path)
    try:
        yield temporary
        _take_free_name(temporary, path)
    finally:
        temporary.unlink(missing_ok=True)
    _remove_abandoned(path)


def write_new(folder: Path, files: Mapping[str, bytes | str]) -> None:
    """Write every one of some new files into a folder, or none of them.

    A folder that is not there yet is made, and appears with all of them at once.

    Raises:
        FileExistsError: one of them is there, or the folder is a file.
        OSError: one cannot be written.
    """
    if folder.exists() and not folder.is_dir():
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST))
    if not folder.exists():
        folder.parent.mkdir(parents=True, exist_ok=True)
        _write_folder(folder.resolve(), files)
        return
    written: list[Path] = []
    try:
        for name, content in files.items():
            write_atomic(folder / name, content, overwrite=False)
            written.append(folder / name)
    except BaseException:
        for path in written:
            path.unlink(missing_ok=True)
        raise


def read_unfollowed(path: Path) -> bytes:
    """Read a plain file, but nothing that a link leads to, nor a pipe that would never end.

    Raises:
        OSError: it is not there, cannot be read, or is no plain file.
    """
    with open(os.open(path, os.O_RDONLY | _UNFOLLOWED), "rb") as stream:  # noqa: PTH123
        if path.is_symlink() or not stat.S_ISREG(os.fstat(stream.fileno()).st_mode):
            raise OSError("not a plain file")
        return stream.read()


def _write_folder(folder: Path, files: Mapping[str, bytes | str]) -> None:
    temporary = _temporary(folder)
    try:
        temporary.mkdir()
        for name, content in files.items():
            write_atomic(temporary / name, content)
        temporary.rename(folder)
    finally:
        shutil.rmtree(temporary, ignore_errors=True)
    _remove_abandoned(folder)


def _temporary(target: Path) -> Path:
    return target.with_name(f".{target.name[:40]}-{secrets.token_hex(8)}.tmp")


def _remove_abandoned(target: Path) -> None:
    """Remove what killed processes left beside a file or folder of this name."""
    name = re.compile(rf"\.{re.escape(target.name[:40])}-[0-9a-f]{{16}}\.tmp")
    with contextlib.suppress(OSError):
        for entry in os.scandir(target.parent):
            if name.fullmatch(entry.name):
                path, status = Path(entry.path), entry.stat(follow_symlinks=False)
                if status.st_mtime < time.time() - ABANDONED_S:
                    shutil.rmtree(path) if entry.is_dir(follow_symlinks=False) else path.unlink()


def _take_free_name(temporary: Path, target: Path) -> None:
    """Give the temporary file its name unless another file has it, also against a race."""
    try:
        target.hardlink_to(temporary)
    except FileExistsError:
        raise
    except OSError:  # a file system without hard links
        with temporary.open("rb") as content, target.open("xb") as stream:
            shutil.copyfileobj(content, stream)

"""Write files so that a reader never sees half of one."""

import contextlib
import os
import secrets
import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path


def write_atomic(
    path: str | os.PathLike[str], content: bytes | str, *, overwrite: bool = True
) -> None:
    """Write a whole file, or leave what was there before.

    Text is written as UTF-8 with the line ends it has. The content goes to a temporary file in
    the same folder, which then takes the name in one step. With ``overwrite=False`` a file that
    is already there is kept. A link is followed; a device or pipe is written to directly.

    Raises:
        FileExistsError: ``overwrite`` is false and ``path`` exists.
        OSError: the folder is missing, full or may not be written to.
    """
    target = Path(path).resolve()
    data = content.encode("utf-8") if isinstance(content, str) else content
    if overwrite and target.exists() and not target.is_file():
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


def write_new(files: Mapping[Path, bytes | str]) -> None:
    """Write every one of some new files, or none of them.

    Raises:
        FileExistsError: one of them is there.
        OSError: one cannot be written.
    """
    written: list[Path] = []
    try:
        for path, content in files.items():
            write_atomic(path, content, overwrite=False)
            written.append(path)
    except BaseException:
        for path in written:
            path.unlink(missing_ok=True)
        raise


def _temporary(target: Path) -> Path:
    return target.with_name(f".{target.name[:40]}-{secrets.token_hex(8)}.tmp")


def _take_free_name(temporary: Path, target: Path) -> None:
    """Give the temporary file its name unless another file has it, also against a race."""
    try:
        target.hardlink_to(temporary)
    except FileExistsError:
        raise
    except OSError:  # a file system without hard links
        with temporary.open("rb") as content, target.open("xb") as stream:
            shutil.copyfileobj(content, stream)

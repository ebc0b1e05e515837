"""Write files so that a reader never sees half of one."""

import contextlib
import os
import tempfile
from pathlib import Path


def write_atomic(
    path: str | os.PathLike[str], content: bytes | str, *, overwrite: bool = True
) -> None:
    """Write a whole file, or leave what was there before.

    Text is written as UTF-8 with the line ends it has. The content goes to a temporary file in
    the same folder, which then takes the name in one step. With ``overwrite=False`` a file that
    is already there is kept.

    Raises:
        FileExistsError: ``overwrite`` is false and ``path`` exists.
        OSError: the folder is missing, full or may not be written to.
    """
    target = Path(path)
    data = content.encode("utf-8") if isinstance(content, str) else content
    handle, name = tempfile.mkstemp(
        prefix=f".{target.name[:40]}-", suffix=".tmp", dir=target.parent
    )
    temporary = Path(name)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        temporary.chmod(_usual_mode(target))
        if overwrite:
            os.replace(temporary, target)  # noqa: PTH105 - the name the promise is known by
        else:
            _take_free_name(temporary, target, data)
    finally:
        with contextlib.suppress(FileNotFoundError):
            temporary.unlink()


def _usual_mode(target: Path) -> int:
    """Give the mode the file has, or the one a newly created file would get."""
    with contextlib.suppress(OSError):
        return target.stat().st_mode & 0o777
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask


def _take_free_name(temporary: Path, target: Path, data: bytes) -> None:
    """Give the temporary file its name unless another file has it, also against a race."""
    try:
        target.hardlink_to(temporary)
    except FileExistsError:
        raise
    except OSError:  # a file system without hard links
        with target.open("xb") as stream:
            stream.write(data)

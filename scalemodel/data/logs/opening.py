"""Logs as bytes: plain or packed with gzip, text or Parquet, told by their first bytes."""

import gzip
import hashlib
import io
import shutil
import tempfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from scalemodel.data.rows import UnreadableError

PACKED_ERRORS = (EOFError, gzip.BadGzipFile, zlib.error)


def digest_of(path: Path) -> str:
    """Give the sha256 of a file as it is stored."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def fingerprint(path: Path) -> tuple[int, int]:
    """Give size and time of a file, which change when it is written to."""
    status = path.stat()
    return status.st_size, status.st_mtime_ns


@contextmanager
def open_log(path: Path) -> Iterator[tuple[IO[bytes], bool]]:
    """Open a log; give its bytes, unpacked, and whether they are Parquet.

    Raises:
        UnreadableError: it is cut off or damaged.
        OSError: it cannot be opened.
    """
    try:
        with path.open("rb") as raw:
            packed = raw.read(2) == b"\x1f\x8b"
            raw.seek(0)
            if not packed:
                parquet = raw.read(4) == b"PAR1"
                raw.seek(0)
                yield raw, parquet
                return
            with gzip.GzipFile(fileobj=raw) as stream:
                if stream.peek(4)[:4] != b"PAR1":  # what is packed is read once, from the start
                    yield stream, False  # type: ignore[misc]
                    return
                with tempfile.TemporaryFile() as unpacked:
                    shutil.copyfileobj(stream, unpacked, 1 << 20)
                    unpacked.seek(0)
                    yield unpacked, True
    except PACKED_ERRORS as error:
        what = f"the gzip file is cut off or damaged ({str(error).splitlines()[0]})"
        raise UnreadableError(what, "a whole file", "copy or save the log again") from None


def rewound(stream: IO[bytes]) -> IO[bytes]:
    """Go back to the start of an open log."""
    stream.seek(0, io.SEEK_SET)
    return stream

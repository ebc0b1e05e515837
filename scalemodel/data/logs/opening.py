"""Logs as bytes: plain or packed with gzip, text or Parquet, told by their first bytes."""

import gzip
import hashlib
import io
import os
import shutil
import tempfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from scalemodel.data.rows import MOST_PACKED, SMALL, UnreadableError

PACKED_ERRORS = (EOFError, gzip.BadGzipFile, zlib.error)


def digest_of(path: Path) -> str:
    """Give the sha256 of a file as it is stored."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def fingerprint(path: Path) -> tuple[int, int, int]:
    """Give place, size and time of a file: one changes when it is written to or replaced."""
    status = path.stat()
    return status.st_ino, status.st_size, status.st_mtime_ns


class _Unpacked(gzip.GzipFile):
    """A packed log, up to more than any log unpacks to."""

    def read(self, size: int | None = -1) -> bytes:
        """Read on; everything that reads comes by here."""
        content = super().read(size)
        assert isinstance(self.fileobj, io.BufferedReader)
        packed = os.fstat(self.fileobj.fileno()).st_size
        if self.tell() > max(SMALL, MOST_PACKED * packed):
            what = f"the log unpacks to more than {MOST_PACKED} times its size"
            raise UnreadableError(what, "a log of frame times", "unpack it and look at it")
        return content


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
            with _Unpacked(fileobj=raw) as stream:
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

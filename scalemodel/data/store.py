"""Keep arrays beside a bench from one command to the next.

A file of the store is one line with a sha256, then an npz archive without pickled objects. The
digest covers the key and the archive, so a damaged or renamed file is never unpacked. It is no
seal: a file that somebody forged is read as data, which never run, or is as good as none. Links are
not followed, neither to read nor to write.
"""

import contextlib
import hashlib
import io
import json
import re
import time
import zipfile
from collections.abc import Mapping
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from scalemodel.data.files import ABANDONED_S, read_unfollowed, write_atomic

FOLDER = ".scalemodel"
KEPT = 8
"""Files kept in a store; the oldest beyond these are removed."""

_META = "meta.json"
_KEY = re.compile(r"[0-9A-Za-z_-]{1,100}")

Arrays = Mapping[str, NDArray[np.generic]]


def save_arrays(
    folder: Path,
    key: str,
    arrays: Arrays,
    meta: Mapping[str, object],
    *,
    kept: int = KEPT,
    kind: str = "fit",
) -> bool:
    """Store arrays and a JSON-able mapping under a key; False where nothing can be written.

    Args:
        folder: folder of the bench; the store is its subfolder ``.scalemodel``.
        key: letters, digits, ``_`` and ``-``, at most 100.
        arrays: any shapes, of numbers, booleans or fixed-width text.
        meta: goes through JSON.
        kept: files of this kind the store may hold, this one included.
        kind: what is stored; the ending of its file.

    Raises:
        ValueError: the key or an array name is not legal, or an array holds objects.
        TypeError: ``meta`` cannot be written as JSON.
    """
    content = _packed(key, arrays, meta)
    store = folder / FOLDER
    try:
        make_store(store)
        write_atomic(_path(folder, key, kind), content, follow=False)
    except OSError:
        return False
    _tidy(store, kept, kind)
    return True


def make_store(store: Path) -> None:
    """Make a folder to keep files in, unless it is there.

    Raises:
        OSError: it cannot be made, or it is a link, which may lead anywhere.
    """
    store.mkdir(exist_ok=True)
    if store.is_symlink():
        raise OSError("a link")


def load_arrays(
    folder: Path, key: str, *, kind: str = "fit"
) -> tuple[dict[str, NDArray[np.generic]], dict[str, object]] | None:
    """Give what was stored under a key; None if it is not there or not as it was written.

    The arrays are read-only.

    Raises:
        ValueError: the key is not legal.
    """
    try:
        digest, _, archive = read_unfollowed(_path(folder, key, kind)).partition(b"\n")
    except OSError:
        return None
    if digest != _digest(key, archive):
        return None
    try:
        arrays, meta = _unpacked(archive)
    except Exception:  # a forged archive leads to many kinds of error
        return None
    for array in arrays.values():
        array.flags.writeable = False
    return arrays, meta


def _unpacked(archive: bytes) -> tuple[dict[str, NDArray[np.generic]], dict[str, object]]:
    """Take an archive apart; one that is packed, as none of ours is, could unpack to anything.

    Raises:
        Exception: it is not one that `save_arrays` wrote.
    """
    with zipfile.ZipFile(io.BytesIO(archive)) as parts:
        if any(part.compress_type != zipfile.ZIP_STORED for part in parts.infolist()):
            raise ValueError("packed")
    with np.load(io.BytesIO(archive), allow_pickle=False) as npz:
        arrays = {name: npz[name] for name in npz.files}
    meta = json.loads(arrays.pop(_META).tobytes())
    if not isinstance(meta, dict):
        raise TypeError("no mapping")
    return arrays, meta


def code_digest() -> str:
    """Give the sha256 of the program's own source, so that a fit never outlives its code."""
    root = Path(__file__).parents[1]
    digest = hashlib.sha256()
    for room in ("data", "model", "answers"):
        for path in sorted((root / room).rglob("*.py")):
            digest.update(path.read_bytes())
    return digest.hexdigest()


def _packed(key: str, arrays: Arrays, meta: Mapping[str, object]) -> bytes:
    for name, array in arrays.items():
        if array.dtype.hasobject:
            raise ValueError(f'array "{name}" holds objects; store numbers or fixed-width text')
        if name == _META or not name.isidentifier():
            raise ValueError(f'"{name}" cannot name an array of the store')
    text = json.dumps(dict(meta), sort_keys=True, allow_nan=True).encode()
    stream = io.BytesIO()
    members: dict[str, NDArray[np.generic]] = {**arrays, _META: np.frombuffer(text, dtype=np.uint8)}
    np.savez(stream, **members)  # type: ignore[arg-type]
    return _digest(key, stream.getvalue()) + b"\n" + stream.getvalue()


def _digest(key: str, archive: bytes) -> bytes:
    return hashlib.sha256(key.encode() + b"\n" + archive).hexdigest().encode()


def _path(folder: Path, key: str, kind: str) -> Path:
    if not _KEY.fullmatch(key):
        raise ValueError(f'"{key}" cannot be a key of the store')
    return folder / FOLDER / f"{key}.{kind}"


def _tidy(store: Path, kept: int, kind: str) -> None:
    """Remove the oldest files of a kind beyond those kept, and what killed processes left."""
    with contextlib.suppress(OSError):
        ages = [(path.stat().st_mtime_ns, path) for path in store.glob(f"*.{kind}")]
        for _, path in sorted(ages, reverse=True)[kept:]:
            path.unlink(missing_ok=True)
        for path in store.glob(".*.tmp"):
            if path.stat().st_mtime < time.time() - ABANDONED_S:
                path.unlink(missing_ok=True)

"""What logs came to, kept beside the bench, so that unchanged logs are not reduced again.

One JSON file a log and set of settings: a sha256 of the rest in the first line, then the digest
of the log and the answer. A damaged or foreign file is as good as none.
"""

import contextlib
import hashlib
import json
from collections.abc import Mapping
from pathlib import Path

from scalemodel.data.files import read_unfollowed, write_atomic
from scalemodel.data.store import FOLDER, make_store

SUBFOLDER = "logs"
EACH, FEWEST_KEPT = 4, 1000
"""Files kept a log, and at least."""


def key_of(settings: Mapping[str, object]) -> str:
    """Give the key of a log: its place, the settings and the code."""
    text = json.dumps(dict(settings), sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:32]


def has_kept(folder: Path, key: str) -> bool:
    """Tell whether something is kept under a key, for whatever state of the log."""
    return _path(folder, key).is_file()


def load_kept(folder: Path, key: str, digest: str) -> dict[str, object] | None:
    """Give what is kept for a log of this digest; None if there is nothing sound."""
    try:
        content = read_unfollowed(_path(folder, key)).decode("utf-8")
        check, _, text = content.partition("\n")
        if check != _check(key, text):
            return None
        kept = json.loads(text)
    except (OSError, ValueError, RecursionError):
        return None
    if not isinstance(kept, dict) or kept.get("digest") != digest:
        return None
    answer = kept.get("answer")
    return answer if isinstance(answer, dict) else None


def save_kept(folder: Path, key: str, digest: str, answer: Mapping[str, object]) -> None:
    """Keep what a log came to; where nothing can be written, nothing is kept."""
    text = json.dumps({"digest": digest, "answer": dict(answer)}, sort_keys=True)
    path = _path(folder, key)
    with contextlib.suppress(OSError):
        make_store(path.parents[1])
        make_store(path.parent)
        write_atomic(path, f"{_check(key, text)}\n{text}", follow=False)


def _check(key: str, text: str) -> str:
    return hashlib.sha256(f"{key}\n{text}".encode()).hexdigest()


def _path(folder: Path, key: str) -> Path:
    return folder / FOLDER / SUBFOLDER / f"{key}.json"


def tidy(folder: Path, logs: int) -> None:
    """Remove the oldest files beyond some for each log, left by other settings and versions."""
    with contextlib.suppress(OSError):
        ages = [(p.stat().st_mtime_ns, p) for p in (folder / FOLDER / SUBFOLDER).glob("*.json")]
        for _, path in sorted(ages, reverse=True)[max(FEWEST_KEPT, EACH * logs) :]:
            path.unlink(missing_ok=True)

"""Scores kept beside a bench: scoring takes minutes, and the same question has the same answer."""

import hashlib
import json
from collections.abc import Callable
from dataclasses import fields
from typing import TYPE_CHECKING

import pandas as pd

from scalemodel.answers.score import Score
from scalemodel.data.kept_tables import load_tables, save_tables
from scalemodel.data.store import code_digest

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit
    from scalemodel.answers.workers import Workers

KIND = "score"


def score_cached(
    fit: "Fit",
    level: float,
    held_out: str,
    scene: str,
    workers: "Workers | None" = None,
    progress: Callable[[int, int], None] | None = None,
    by: str = "",
) -> Score:
    """Score as `Fit.score` does, or take what an earlier call with the same settings kept.

    Kept beside the bench, keyed as its fit is and by level, held_out, scene and by.
    """
    kept = kept_score(fit, level, held_out, scene, by)
    if kept is not None:
        return kept
    answer = fit.score(level, held_out, scene=scene, by=by, workers=workers, progress=progress)
    folder = fit.bench.folder
    if folder.is_dir():
        parts = {one.name: getattr(answer, one.name) for one in fields(Score)}
        tables = {name: part for name, part in parts.items() if isinstance(part, pd.DataFrame)}
        about = {name: part for name, part in parts.items() if name not in tables}
        save_tables(folder, _key(fit, level, held_out, scene, by), tables, about, KIND)
    return answer


def kept_score(
    fit: "Fit", level: float, held_out: str = "each", scene: str = "", by: str = ""
) -> Score | None:
    """Return the score that `score_cached` kept for a fit; None if there is none."""
    found = load_tables(fit.bench.folder, _key(fit, level, held_out, scene, by), KIND)
    if found is None:
        return None
    tables, about = found
    if about != {"level": level, "held_out": held_out, "scene": scene}:
        return None
    try:
        answer = Score(**tables, level=level, held_out=held_out, scene=scene)
        str(answer)  # in forged tables columns may be missing
    except (TypeError, KeyError, ValueError, AttributeError, IndexError):
        return None
    return answer


def _key(fit: "Fit", level: float, held_out: str, scene: str, by: str) -> str:
    asked = {"level": level, "held_out": held_out, "scene": scene, "by": by}
    text = json.dumps({**fit.settings, **asked, "code": code_digest()}, sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:32]

"""Benches whose runs, sessions and changes are drawn with a known truth."""

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pandas as pd

from scalemodel.data.bench import Bench, read_bench
from tests.answers.small_lab import sheets

CARDS = tuple(sheets()["card"][:8])
SD = 0.005

Key = int | tuple[str, int]


def bench(
    folder: Path,
    *,
    runs: int = 2,
    sessions: int = 1,
    session_sd: float = 0.0,
    shift: Mapping[Key, float] | None = None,
    skip: tuple[str, ...] = (),
    factor: Mapping[int, float] | None = None,
    seed: int = 3,
) -> Bench:
    """Write and read a bench of eight cards, four games and two resolutions.

    Args:
        folder: where to.
        runs: a session.
        sessions: of each cell, a month apart; from the second on, with version 1.1 if `shift`.
        session_sd: of the log rate.
        shift: what version 1.1 changed, by game, or by card and game.
        skip: cards without the later sessions.
        factor: on the rate of single rows.
        seed: of all that is drawn.
    """
    rng = np.random.default_rng(seed)
    rows = []
    for c, card in enumerate(CARDS):
        for game in range(4):
            for size, fast in (("1920x1080", 1.7), ("2560x1440", 1.0)):
                for session in range(sessions):
                    level = 60 * (1 + 0.2 * c) * (1 + 0.1 * game) * fast
                    level *= np.exp(session_sd * rng.standard_normal())
                    version = "1.1" if shift is not None and session else "1.0"
                    if shift is not None and session:
                        level *= 1 + shift.get((card, game), shift.get(game, 0.0))
                    for run in range(runs):
                        rate = level * np.exp(SD * rng.standard_normal())
                        if session and card in skip:
                            continue
                        place = (card, "P", f"Game {game}", "High", size)
                        number = session * runs + run + 1
                        rows.append((*place, number, rate, f"2026-0{session + 1}-01", version))
    names = ["card", "platform", "game", "preset", "resolution", "run", "avg_fps", "date"]
    table = pd.DataFrame(rows, columns=[*names, "game_version"])
    for row, times in (factor or {}).items():
        table.loc[row, "avg_fps"] *= times
    folder.mkdir(parents=True, exist_ok=True)
    sheets().to_csv(folder / "cards.csv", index=False)
    table.round({"avg_fps": 3}).to_csv(folder / "results.csv", index=False)
    return read_bench(folder)

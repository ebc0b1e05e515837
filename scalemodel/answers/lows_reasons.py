"""What may be behind lows that are out of step: memory capacity, or something else."""

import numpy as np
import pandas as pd


def memory_hint(places: pd.DataFrame, memory: "pd.Series[float]") -> list[str]:
    """Say of each card and scene with lows too low whether memory could be the cause.

    It could if every card with no more memory is out of step in that scene too, and cards with
    more are in step. Where a card with no more memory is in step, it is something else.

    Args:
        places: platform, card, game, preset, apart and out_of_step, one row a card and scene.
        memory: memory in GB by card.
    """
    size = places["card"].map(memory).to_numpy(dtype=float)
    low = places["out_of_step"].to_numpy(dtype=bool) & (places["apart"] < 0).to_numpy()
    scene = places.groupby(["platform", "game", "preset"], sort=False).ngroup().to_numpy()
    words = []
    for i in range(len(places)):
        if not low[i]:
            words.append("")
            continue
        others = (scene == scene[i]) & (np.arange(len(places)) != i)
        small, large = others & (size <= size[i]), others & (size > size[i])
        if (small & ~low).any():
            words.append("cards with no more memory are in step: not its memory")
        elif (large & ~low).any():
            words.append(f"{size[i]:g} GB of memory may not suffice")
        else:
            words.append("")
    return words

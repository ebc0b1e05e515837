"""What is true of the demo: planted faults, order flips and their causes."""

from itertools import permutations

import numpy as np
import pandas as pd

from datasets.demo import latency
from datasets.demo.bench import BAD_RUNS, EXTRA_ROWS, FRAMES, STALE
from datasets.labsim.cards import Array
from datasets.labsim.gpu import ALL_CAUSES, Causes
from datasets.labsim.world import World, true_stats

CAUSES = {
    "ceiling": Causes(ceiling=False),
    "bandwidth": Causes(bandwidth=False),
    "fill": Causes(fill=False),
    "memory": Causes(memory=False),
}
AHEAD, LEVEL, SHARE, MOST = 0.03, 0.005, 0.5, 12
"""A flip: at least 3 % ahead at the highest resolution, at most 0.5 % ahead at the lowest; a cause
is dominant if switching it off removes at least half of the change; at most 12 flips a cause."""


def log_rates(world: World, seed: int, causes: Causes) -> Array:
    """Return true log rates on the first platform, cards x scenes x resolutions."""
    stats, _ = true_stats(world, seed, FRAMES, causes)
    shape = (len(world.cards) + 1, len(world.resolutions), len(world.platforms))
    rates = np.stack([s.average.reshape(shape)[:-1, :, 0] for s in stats], axis=1)
    return np.asarray(np.log(rates))


def flips(world: World, seed: int, results: pd.DataFrame) -> pd.DataFrame:
    """Return pairs of cards whose order differs between the lowest and the highest resolution.

    The dominant cause is the one whose switching off takes most away from the change of the log
    lead between the two resolutions.
    """
    base = log_rates(world, seed, ALL_CAUSES)
    off = {name: log_rates(world, seed, causes) for name, causes in CAUSES.items()}
    cards = world.cards.sheet["card"].to_numpy(dtype=object)
    first = results[results["platform"] == world.platforms[0]]
    keys = ["card", "game", "preset", "resolution"]
    tested = set(first[keys].itertuples(index=False, name=None))
    rows = []
    for s, (game, preset) in enumerate(zip(world.scenes.game, world.scenes.preset, strict=True)):
        seen = [
            c
            for c in range(int(world.tested.sum()))
            if all((cards[c], game, preset, world.resolutions[r]) in tested for r in (0, -1))
        ]
        for a, b in permutations(seen, 2):
            low, high = (float(base[a, s, r] - base[b, s, r]) for r in (0, -1))
            if np.expm1(high) < AHEAD or np.expm1(low) > LEVEL:
                continue
            left = {
                f"change_without_{name}": round(float(_change(x, a, b, s)), 5)
                for name, x in off.items()
            }
            cause = min(CAUSES, key=lambda name: left[f"change_without_{name}"])
            names = {"a": cards[a], "b": cards[b], "platform": world.platforms[0]}
            leads = {"lead_2160p": round(np.expm1(high), 5), "lead_1080p": round(np.expm1(low), 5)}
            scene = {"game": game, "preset": preset}
            change = {"cause": cause, "change": round(high - low, 5)}
            rows.append({**names, **scene, **leads, **change, **left})
    return _chief(pd.DataFrame(rows))


def _change(x: Array, a: int, b: int, s: int) -> float:
    """Return the change of the log lead from the lowest to the highest resolution."""
    return float((x[a, s, -1] - x[b, s, -1]) - (x[a, s, 0] - x[b, s, 0]))


def _chief(table: pd.DataFrame) -> pd.DataFrame:
    """Keep flips with one dominant cause, the largest changes of each."""
    left = table[[f"change_without_{name}" for name in CAUSES]].min(axis=1)
    clear = table[left <= (1 - SHARE) * table["change"]]
    clear = clear.sort_values("change", ascending=False, kind="stable")
    return clear.groupby("cause").head(MOST).sort_index().reset_index(drop=True)


def faults(world: World, truth: pd.DataFrame, results: pd.DataFrame) -> pd.DataFrame:
    """Return everything that was planted, one row each (see datasets/README.md)."""
    rows = [
        {
            "fault": plant.fault,
            "card": plant.card,
            "platform": world.platforms[0],
            "game": plant.game,
            "preset": plant.preset,
            "resolution": plant.resolution,
            "run": plant.run or "",
            "value": plant.factor,
            "note": plant.note,
        }
        for plant in (*BAD_RUNS, STALE, *EXTRA_ROWS)
    ]
    keys = ["card", "platform", "game", "preset", "resolution"]
    fallen = truth[truth["over_memory"]].merge(results[keys].drop_duplicates(), on=keys)
    for cell in fallen.to_dict("records"):
        stretched = round(cell["gpu_fps"], 3)
        kept = {key: cell[key] for key in keys}
        rows.append({"fault": "memory_cliff", **kept, "run": "", "value": stretched, "note": ""})
    capped = ~np.isnan(world.scenes.cap_fps)
    for s in np.flatnonzero(capped):
        scene = {"game": world.scenes.game[s], "preset": world.scenes.preset[s]}
        rows.append({"fault": "engine_cap", **scene, "value": float(world.scenes.cap_fps[s])})
    rows += latency.faults(world.platforms[0])
    return pd.concat([pd.DataFrame(rows), equal_tops(world, truth, results)]).fillna("")


def equal_tops(world: World, truth: pd.DataFrame, results: pd.DataFrame) -> pd.DataFrame:
    """Return charts whose three fastest cards are level at 1440p and far apart at 2160p."""
    middle, high = world.resolutions[1:]
    keys = ["card", "platform", "game", "preset", "resolution"]
    seen = truth.merge(results[keys].drop_duplicates(), on=keys)
    seen = seen[seen["platform"] == world.platforms[0]]
    rows = []
    for (game, preset), scene in seen.groupby(["game", "preset"], sort=False):
        rates = scene.pivot_table(index="card", columns="resolution", values="true_fps")
        if not {middle, high} <= set(rates.columns):
            continue
        top = rates.nlargest(3, middle)
        lead = top[high].max() / top[high].min() - 1
        if top[middle].max() / top[middle].min() - 1 < 0.01 and lead > 0.3:
            chart = {"platform": world.platforms[0], "game": game, "preset": preset}
            chart |= {"card": top[high].idxmax(), "resolution": middle, "value": round(lead, 4)}
            rows.append({"fault": "equal_top", **chart, "note": top[high].idxmin()})
    return pd.DataFrame(rows)

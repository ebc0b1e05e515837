"""The demo's invented market: cards, architectures and games, hidden sides included."""

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from datasets.labsim.cards import SHEET_COLUMNS, Architectures, Array, with_boards
from datasets.labsim.games import Scenes, draw_scenes, stage_work
from datasets.labsim.lab import RESOLUTIONS
from datasets.labsim.world import World, draw_arch_scene

# name, vendor, arithmetic, traffic, raster, tracing, fill threads, request bytes, driver overhead
ARCHITECTURES = (
    ("Cairn", "Ostrel", 0.93, 0.95, 1.00, 0.75, 18.0, 0.065, 0.004),
    ("Weft", "Kivand", 1.12, 1.00, 1.05, 0.55, 16.0, 0.060, 0.014),
    ("Fjeld", "Ostrel", 1.00, 1.00, 1.00, 1.00, 20.0, 0.065, 0.004),
    ("Sorrel", "Tumarin", 0.88, 0.94, 0.90, 0.85, 50.0, 0.060, 0.020),
    ("Tarn", "Ostrel", 1.05, 1.02, 1.05, 1.20, 21.0, 0.065, 0.004),
    ("Loom", "Kivand", 1.08, 1.03, 1.05, 1.00, 18.0, 0.060, 0.014),
)
# card, architecture, shaders, boost MHz, memory GB, bus bits, memory Gb/s, cache MB, rops,
# ray-tracing units, board W, price EUR, release
CARDS = (
    ("Ostrel C30", "Cairn", 2560, 1800, 8, 128, 14.0, 2, 40, 20, 125, 199, "2021-02-18"),
    ("Ostrel C50", "Cairn", 3840, 1770, 8, 256, 14.0, 4, 64, 30, 200, 319, "2020-12-03"),
    ("Ostrel C60", "Cairn", 5120, 1750, 10, 320, 15.0, 5, 80, 40, 270, 479, "2020-10-15"),
    ("Ostrel C80", "Cairn", 6656, 1730, 12, 384, 16.0, 6, 96, 52, 340, 749, "2020-10-15"),
    ("Kivand W140", "Weft", 2048, 2300, 8, 128, 16.0, 32, 64, 16, 130, 219, "2021-08-12"),
    ("Kivand W180", "Weft", 3072, 2250, 12, 192, 16.0, 64, 64, 24, 205, 359, "2021-03-25"),
    ("Kivand W220", "Weft", 4608, 2200, 16, 256, 16.0, 96, 96, 36, 290, 599, "2020-11-19"),
    ("Ostrel F30", "Fjeld", 3072, 2460, 8, 128, 17.0, 24, 48, 24, 115, 279, "2023-06-22"),
    ("Ostrel F50 8G", "Fjeld", 4352, 2535, 8, 128, 18.0, 32, 48, 34, 160, 369, "2023-05-18"),
    ("Ostrel F50 16G", "Fjeld", 4352, 2535, 16, 128, 18.0, 32, 48, 34, 165, 429, "2023-07-20"),
    ("Ostrel F70", "Fjeld", 5888, 2475, 12, 192, 21.0, 36, 64, 46, 200, 579, "2023-04-13"),
    ("Ostrel F90", "Fjeld", 8448, 2500, 16, 256, 22.5, 56, 96, 66, 285, 949, "2022-11-17"),
    ("Tumarin S3", "Sorrel", 3072, 2050, 8, 256, 16.0, 4, 64, 24, 175, 249, "2022-10-06"),
    ("Tumarin S5", "Sorrel", 4608, 2080, 16, 256, 17.5, 8, 96, 36, 215, 329, "2022-10-06"),
    ("Tumarin S7", "Sorrel", 6144, 2050, 16, 256, 20.0, 10, 96, 48, 260, 449, "2023-02-09"),
    ("Tumarin S7X", "Sorrel", 7680, 2100, 20, 320, 20.0, 12, 128, 60, 310, 549, "2023-09-14"),
    ("Ostrel T30", "Tarn", 3840, 2600, 8, 128, 26.0, 28, 48, 30, 145, 299, "2025-05-22"),
    ("Ostrel T50", "Tarn", 4608, 2570, 16, 128, 28.0, 32, 64, 36, 180, 429, "2025-04-17"),
    ("Ostrel T60", "Tarn", 5888, 2510, 12, 192, 28.0, 40, 80, 46, 225, 579, "2025-03-06"),
    ("Ostrel T80", "Tarn", 8192, 2600, 16, 256, 28.0, 56, 112, 64, 300, 899, "2025-02-20"),
    ("Ostrel T90", "Tarn", 11264, 2550, 24, 384, 28.0, 80, 144, 88, 400, 1599, "2025-01-30"),
    ("Kivand L160", "Loom", 3072, 2750, 8, 128, 20.0, 32, 64, 32, 150, 289, "2025-06-12"),
    ("Kivand L200", "Loom", 5376, 2500, 16, 192, 20.0, 64, 96, 56, 230, 549, "2025-03-13"),
    ("Kivand L240", "Loom", 7168, 2600, 20, 320, 20.0, 96, 128, 72, 300, 749, "2025-03-13"),
)
SPECS = (
    ("Ostrel T65", "Tarn", 7168, 2510, 18, 192, 28.0, 40, 80, 56, 255, 649, "2026-02-12"),
    ("Kivand L210", "Loom", 5760, 2625, 16, 192, 20.0, 64, 96, 60, 250, 579, "2026-03-05"),
    ("Ostrel T95", "Tarn", 15232, 2550, 32, 512, 28.0, 112, 192, 119, 520, 2199, "2026-01-22"),
)
UNRELEASED_KINDS = ("inside", "inside", "beyond")

# game, preset, ray tracing, upscaling, ms of the reference part at 2560x1440, tilt of arithmetic /
# traffic / raster, ceiling on the first platform (fps), engine cap (fps, 0: none), live bytes a
# pixel, memory needed at 3840x2160 (GB)
SCENE_COLUMNS = "game preset rt upscaled ms a t r ceiling cap live need"
SCENES = (
    ("Saltmarch", "ultra", False, False, 7.2, 1.00, 1.00, 1.0, 240.0, 0, 38, 6.2),
    ("Harrow Line", "high", False, False, 4.6, 0.95, 1.10, 1.2, 365.0, 0, 34, 5.0),
    ("Harrow Line", "high, rays", True, False, 7.4, 1.05, 1.00, 1.0, 300.0, 0, 40, 6.6),
    ("Tidewright", "epic", False, False, 8.8, 1.12, 0.85, 0.9, 220.0, 0, 44, 7.0),
    ("Cindervale", "ultra", False, False, 8.0, 1.05, 0.95, 1.0, 270.0, 0, 42, 6.8),
    ("Cindervale", "ultra, rays", True, False, 13.5, 1.10, 0.95, 1.0, 238.0, 0, 48, 7.5),
    ("Pale Circuit", "competitive", False, False, 3.0, 0.90, 1.00, 1.6, 560.0, 400, 26, 3.2),
    ("Oxbow", "maximum", False, False, 6.0, 0.80, 1.50, 1.0, 300.0, 0, 55, 6.0),
    ("Lanternfall", "high", False, False, 9.2, 1.15, 0.80, 0.8, 208.0, 0, 36, 7.1),
    ("Lanternfall", "high, upscaled", False, True, 9.2, 1.15, 0.80, 0.8, 192.0, 0, 36, 6.4),
    ("Nine Kilns", "ultra", False, False, 5.2, 1.00, 1.15, 1.1, 250.0, 0, 40, 5.4),
    ("Glasswing Rally", "ultra", False, False, 5.0, 0.90, 1.20, 1.2, 270.0, 190, 45, 4.8),
    ("Undertow Station", "ultra", False, False, 7.8, 1.00, 1.10, 1.0, 268.0, 0, 46, 9.6),
    ("Farrow's Keep", "very high", False, False, 6.6, 1.05, 0.95, 1.0, 192.0, 0, 33, 5.9),
    ("Second Meridian", "extreme", False, False, 5.8, 0.95, 1.05, 1.3, 120.0, 0, 35, 5.1),
)
PLATFORMS = ("open bench", "small case")
PLATFORM_TABLE = {
    "platform": PLATFORMS,
    "cpu": ("Brindle 9, 16 threads", "Brindle 5, 12 threads"),
    "memory": ("64 GB at 6000 MT/s", "32 GB at 5200 MT/s"),
    "os": ("desktop build 5120", "desktop build 5120"),
}
MEMORY_STEPS = np.array([0.72, 0.82, 1.0])


def card_sheet() -> pd.DataFrame:
    """Return the sheets of tested and unreleased cards, in the columns of cards.csv."""
    vendor = {row[0]: row[1] for row in ARCHITECTURES}
    rows = []
    for card, arch, *numbers, power, price, date in (*CARDS, *SPECS):
        *most, rt_units = numbers
        values = (card, vendor[arch], arch, *most, most[0] // 32, rt_units, power, price)
        rows.append(dict(zip(SHEET_COLUMNS, (*values, "EUR", date), strict=True)))
    return pd.DataFrame(rows)


def architectures() -> Architectures:
    """Return the six architectures."""
    names, vendors, *hidden = zip(*ARCHITECTURES, strict=True)
    return Architectures(names, vendors, *(np.array(x, dtype=float) for x in hidden))


def scenes(rng: np.random.Generator) -> Scenes:
    """Return the fifteen scenes; what the table leaves open is drawn."""
    table = pd.DataFrame(SCENES, columns=SCENE_COLUMNS.split())
    drawn = draw_scenes(rng, len(table), len(RESOLUTIONS))
    tracing = table["rt"].to_numpy(dtype=bool)
    work = stage_work(rng, table["ms"].to_numpy(dtype=float), tracing)
    tilt = np.array([table[c] for c in "aattrr"] + [np.ones(len(table))]).T
    games = table["game"].factorize()[0]
    # A second preset draws the same world as the first.
    same = np.flatnonzero(np.diff(games) == 0).astype(np.int64) + 1
    work[same] = _like_first(work, same, table["ms"].to_numpy(dtype=float))
    cap = table["cap"].to_numpy(dtype=float)
    platform_game = 1.22 * np.exp(rng.normal(0, 0.05, games.max() + 1))[games]
    cpu_ms = 1e3 / table["ceiling"].to_numpy(dtype=float)
    return replace(
        drawn,
        game=tuple(table["game"]),
        preset=tuple(table["preset"]),
        game_index=games.astype(np.int64),
        ray_tracing=tracing,
        render_scale=np.where(table["upscaled"], 2 / 3, 1.0),
        work=work * tilt[:, None, :],
        live_bytes=table["live"].to_numpy(dtype=float),
        memory_need_gb=table["need"].to_numpy(dtype=float)[:, None] * MEMORY_STEPS,
        cpu_ms=np.stack([cpu_ms, cpu_ms * platform_game], axis=1),
        cap_fps=np.where(cap > 0, cap, np.nan),
    )


def _like_first(work: Array, same: NDArray[np.int64], frame_ms: Array) -> Array:
    """Return the work of second presets: the first one's stages, own rays, scaled to own length."""
    second = work[same - 1] * (frame_ms[same] / frame_ms[same - 1])[:, None, None]
    tracing = work[same, -1].sum(axis=-1) > 0
    second[tracing] /= 1.35
    second[:, -1] = work[same, -1]
    return np.asarray(second)


def world(seed: int) -> World:
    """Return the demo's world."""
    rng = np.random.default_rng([seed, 11])
    sheet, archs = card_sheet(), architectures()
    index = np.array([archs.names.index(name) for name in sheet["architecture"]])
    widths, heights = zip(*RESOLUTIONS, strict=True)
    return World(
        architectures=archs,
        cards=with_boards(rng, sheet, index),
        kinds=("tested",) * len(CARDS) + UNRELEASED_KINDS,
        scenes=scenes(rng),
        arch_scene=draw_arch_scene(rng, len(archs.names), len(SCENES)),
        widths=widths,
        heights=heights,
        platforms=PLATFORMS,
    )

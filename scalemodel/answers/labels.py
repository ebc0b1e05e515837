"""Names to indices and back: what the model counts, in the bench's own words."""

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from scalemodel.data.problems import near_names
from scalemodel.data.schema import CHART_COLUMNS
from scalemodel.errors import ScalemodelError
from scalemodel.model.arrays import FloatArray, IntArray
from scalemodel.model.inputs import CardSpecs, Observed, Rows

#: Resolution that pixels are measured from, in pixels.
REFERENCE_PIXELS = 2560 * 1440
#: Years after the newest tested architecture in which one without a date is taken to come out.
NEXT_GENERATION = 1.0


@dataclass(frozen=True)
class Labels:
    """The names behind the indices of a fit.

    Attributes:
        cards, architectures, vendors, platforms: names, in the order of their indices.
        scenes: (game, preset) of each scene.
        games: names of games.
        views: (game, preset, resolution) of each view.
        charts: the charts of the bench: CHART_COLUMNS and pixels, one row a chart.
        stages: the stages of a frame that the sheets inform.
        uses_cache: whether every card's sheet gives its cache.
        releases: year in which each architecture came out; empty unless every sheet has a date.
    """

    cards: tuple[str, ...]
    architectures: tuple[str, ...]
    vendors: tuple[str, ...]
    platforms: tuple[str, ...]
    scenes: tuple[tuple[str, str], ...]
    games: tuple[str, ...]
    views: tuple[tuple[str, str, str], ...]
    charts: pd.DataFrame
    stages: tuple[str, ...]
    uses_cache: bool
    releases: tuple[float, ...]

    @property
    def game_of_scene(self) -> IntArray:
        """(scenes,) index of each scene's game."""
        return np.array([self.games.index(game) for game, _ in self.scenes], dtype=np.intp)

    def card_index(self, card: str) -> int:
        """Return the index of a measured card.

        Raises:
            ScalemodelError: no such card was measured.
        """
        if card not in self.cards:
            raise ScalemodelError(_unknown_card(card, self.cards))
        return self.cards.index(card)

    def places_in(self, other: "Labels") -> dict[str, IntArray]:
        """Return the index in other labels of everything named here; -1 where it is not there."""
        return {
            "card": _indices(self.cards, other.cards),
            "architecture": _indices(self.architectures, other.architectures),
            "vendor": _indices(self.vendors, other.vendors),
            "platform": _indices(self.platforms, other.platforms),
            "game": _indices(self.games, other.games),
            "scene": _indices(self.scenes, other.scenes),
            "view": _indices(self.views, other.views),
        }

    def rows(self, cells: pd.DataFrame, cards: IntArray) -> Rows:
        """Return model rows for cells with CHART_COLUMNS and pixels, of the given cards."""
        views = list(zip(cells["game"], cells["preset"], cells["resolution"], strict=True))
        scenes = [view[:2] for view in views]
        return Rows(
            card=cards,
            scene=_indices(scenes, self.scenes),
            view=_indices(views, self.views),
            platform=_indices(list(cells["platform"]), self.platforms),
            log_pixels=np.log(cells["pixels"].to_numpy(dtype=float) / REFERENCE_PIXELS),
        )

    def specs(self, sheets: pd.DataFrame) -> CardSpecs:
        """Return spec sheets as arrays; sheets must have what the stages need (see `gaps`)."""
        speeds = {
            "arithmetic": sheets["shader_rate"],
            "traffic": sheets["bandwidth_gbs"],
            "raster": sheets["raster_rate"],
        }
        columns = [
            np.log(speeds[s].to_numpy(dtype=float)) if s in speeds else np.zeros(len(sheets))
            for s in self.stages
        ]
        architecture = _known_or_new(list(sheets["architecture"]), self.architectures)
        return CardSpecs(
            stages=self.stages,
            log_speed=np.column_stack(columns),
            log_width=np.log(sheets["shaders"].to_numpy(dtype=float)),
            log_cache=self._log_cache(sheets),
            capacity=np.zeros((len(sheets), 0)),
            memory_gb=sheets["memory_gb"].to_numpy(dtype=float),
            fitted=_indices(list(sheets["card"]), self.cards),
            architecture=architecture,
            vendor=_known_or_new(list(sheets["vendor"]), self.vendors),
            arithmetic=self.stages.index("arithmetic"),
            traffic=self.stages.index("traffic"),
            release=self._release(sheets, architecture) if self.releases else None,
        )

    def _release(self, sheets: pd.DataFrame, architecture: IntArray) -> FloatArray:
        """Return the year each card's architecture came out; a new one without a date is next."""
        known = np.array(self.releases)
        own = sheets["release_year"].fillna(known.max() + NEXT_GENERATION).to_numpy(dtype=float)
        release: FloatArray = np.where(architecture >= 0, known[architecture], own)
        return release

    def _log_cache(self, sheets: pd.DataFrame) -> FloatArray:
        if not self.uses_cache:
            return np.full(len(sheets), -np.inf)
        with np.errstate(divide="ignore"):
            log_cache: FloatArray = np.log(sheets["cache_mb"].to_numpy(dtype=float))
        return log_cache

    def gaps(self, sheet: "pd.Series[Any]") -> list[str]:
        """Return the columns the fit uses that a spec sheet leaves empty."""
        needed = ["raster_rate"] if "raster" in self.stages else []
        needed += ["cache_mb"] if self.uses_cache else []
        return ["rops" if n == "raster_rate" else n for n in needed if np.isnan(sheet[n])]


def make_labels(cards: pd.DataFrame, cells: pd.DataFrame) -> Labels:
    """Name everything that the cells of a bench mention, in a fixed order."""
    measured = set(cells["card"])
    tested = cards[cards["card"].isin(measured)]
    columns = zip(cells["game"], cells["preset"], cells["resolution"], strict=True)
    views = sorted(set(columns))
    charts = cells[[*CHART_COLUMNS, "pixels"]].drop_duplicates()
    charts = charts.sort_values(["platform", "game", "preset", "pixels"]).reset_index(drop=True)
    architectures = tuple(sorted(set(tested["architecture"])))
    years = tested.groupby("architecture")["release_year"].min()
    dated = bool(tested["release_year"].notna().all())
    raster = ("raster",) if tested["raster_rate"].notna().all() else ()
    return Labels(
        cards=tuple(tested["card"]),
        architectures=architectures,
        vendors=tuple(sorted(set(tested["vendor"]))),
        platforms=tuple(sorted(set(cells["platform"]))),
        scenes=tuple(sorted({view[:2] for view in views})),
        games=tuple(sorted({view[0] for view in views})),
        views=tuple(views),
        charts=charts,
        stages=("arithmetic", "traffic", *raster, "fixed"),
        uses_cache=bool(tested["cache_mb"].notna().all()),
        releases=tuple(float(years[name]) for name in architectures) if dated else (),
    )


def observed_cells(labels: Labels, cells: pd.DataFrame) -> Observed:
    """Return measured cells as arrays."""
    cards = _indices(list(cells["card"]), labels.cards)
    return Observed(
        rows=labels.rows(cells, cards),
        log_rate=np.log(cells["rate"].to_numpy(dtype=float)),
        run_variance=np.nan_to_num(cells["se"].to_numpy(dtype=float)) ** 2,
    )


def _indices(values: Sequence[Hashable], known: Sequence[Hashable]) -> IntArray:
    place = {value: k for k, value in enumerate(known)}
    return np.array([place.get(value, -1) for value in values], dtype=np.intp)


def _known_or_new(values: list[str], known: tuple[str, ...]) -> IntArray:
    """Return the index of each name; unknown names get -1, -2, ... in order of appearance."""
    new: dict[str, int] = {}
    return np.array(
        [
            known.index(value) if value in known else new.setdefault(value, -1 - len(new))
            for value in values
        ],
        dtype=np.intp,
    )


def _unknown_card(card: str, cards: tuple[str, ...]) -> str:
    near = near_names(card, cards)
    return f'No measured card is named "{card}". Allowed: a card with results, such as {near}.'

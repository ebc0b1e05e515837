"""A fit that answers from tables made by hand, to test the command line by itself."""

from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from scalemodel.answers.knee import Knee
from scalemodel.answers.repeatability import Repeatability
from scalemodel.answers.standings import Standings
from tests.views import examples, wide_examples


@dataclass(frozen=True)
class FakeAnswer:
    """Any answer: the tables a command may ask for."""

    words: str
    table: pd.DataFrame
    charts: pd.DataFrame = field(default_factory=pd.DataFrame)
    against: pd.DataFrame = field(default_factory=pd.DataFrame)
    ranks: pd.DataFrame = field(default_factory=pd.DataFrame)
    shares: pd.DataFrame = field(default_factory=pd.DataFrame)
    scenes: pd.DataFrame = field(default_factory=pd.DataFrame)
    start: str = "3840x2160"
    end: str = "1920x1080"
    neighbours: pd.DataFrame = field(default_factory=examples.neighbours)
    targets: pd.DataFrame = field(default_factory=examples.plan_targets)
    wasted: pd.DataFrame = field(default_factory=examples.plan_wasted)

    def __str__(self) -> str:
        return self.words


@dataclass
class FakeFit:
    """Keeps what it was asked, and answers from the examples."""

    asked: list[tuple[object, ...]] = field(default_factory=list)
    cards: tuple[str, ...] = ("New $1",)
    status: str = "converged"

    @property
    def settings(self) -> dict[str, object]:
        return {"seed": 0}

    @property
    def table(self) -> pd.DataFrame:
        row = ("sharpness", "all", 1.5, 1.0, 2.0, "number")
        return pd.DataFrame([row], columns=["quantity", "of", "value", "lower", "upper", "unit"])

    @property
    def left_out(self) -> pd.DataFrame:
        return pd.DataFrame({"card": ["Ka"], "reason": ["too little memory"]})

    def __str__(self) -> str:
        return "The fit in words."

    def ceilings(self, *, level: float) -> FakeAnswer:
        self.asked.append(("ceilings", level))
        return FakeAnswer("Ceilings in words.", examples.ceilings(), charts=examples.charts())

    def predict(
        self, specs: pd.DataFrame, *, level: float, against: tuple[str, ...], ranks: bool
    ) -> FakeAnswer:
        self.asked.append(("predict", list(specs["card"]), level, against, ranks))
        none = pd.DataFrame()
        return FakeAnswer(
            "Prediction in words.",
            pd.concat([examples.prediction(card) for card in self.cards], ignore_index=True),
            against=examples.against() if against else none,
            ranks=examples.ranks() if ranks else none,
        )

    def repeatability(self, margin: float = 0.02, level: float = 0.8) -> Repeatability:
        self.asked.append(("repeat", margin, level))
        return examples.repeatability(margin, level)

    def lead(self, a: str, b: str, *, level: float, together: bool = False) -> FakeAnswer:
        self.asked.append(("lead", a, b, level, together))
        return FakeAnswer("Lead in words.", examples.lead())

    @property
    def learned_scenes(self) -> pd.DataFrame:
        return wide_examples.shares()

    def standings(self, *, level: float) -> Standings:
        self.asked.append(("standings", level))
        return wide_examples.standings()

    def knee(self, scenes: tuple[str, ...], *, level: float) -> Knee:
        self.asked.append(("knee", scenes, level))
        return wide_examples.knee()

    def explain(
        self,
        a: str,
        b: str,
        *,
        start: str | None = None,
        end: str | None = None,
        scenes: tuple[str, ...] = (),
        level: float,
    ) -> FakeAnswer:
        self.asked.append(("explain", a, b, start, end, scenes, level))
        return FakeAnswer("Explanation in words.", examples.explanation())

    def order(
        self,
        *,
        start: str | None = None,
        end: str | None = None,
        scenes: tuple[str, ...] = (),
        level: float,
    ) -> FakeAnswer:
        self.asked.append(("order", start, end, scenes, level))
        return FakeAnswer("Order in words.", examples.order(), scenes=examples.order_scenes())

    def plan(self, *times: float, specs: pd.DataFrame | None, **asked: object) -> FakeAnswer:
        cards = None if specs is None else list(specs["card"])
        self.asked.append(("plan", *times, cards, *asked.values()))
        table = examples.plan()
        return FakeAnswer("Plan in words.", table if times[0] > 0.1 else table.iloc[:0])


def write_specs(path: Path) -> Path:
    """Write a spec sheet that can be read."""
    header = "card,vendor,architecture,shaders,boost_clock_mhz,memory_gb,memory_bandwidth_gbs\n"
    path.write_text(header + "New $1,Ostrel,Cairn,2048,2000,8,256\n", encoding="utf-8")
    return path


def write_bench(folder: Path, rate: str = "99") -> Path:
    """Write a bench of one run."""
    folder.mkdir(parents=True, exist_ok=True)
    write_specs(folder / "cards.csv")
    text = "card,platform,game,preset,resolution,run,avg_fps\n"
    text += f"New $1,open bench,Saltmarch,ultra,1920x1080,1,{rate}\n"
    (folder / "results.csv").write_text(text, encoding="utf-8")
    return folder

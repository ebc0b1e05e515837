"""The what-if panel of the report: an imagined card, moved and placed in the page itself."""

import base64
import json
import math
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from numpy.typing import ArrayLike, NDArray

from scalemodel.answers import sheets
from scalemodel.answers.ceilings import MORE_LIKELY
from scalemodel.answers.fitting import Fit
from scalemodel.answers.report import Report
from scalemodel.answers.whatif import RELEASE, WhatIf, what_if
from scalemodel.data.schema import CHART_COLUMNS
from scalemodel.model.imagined import Imagined, SmoothTerm, Term
from scalemodel.model.physics import REQUEST_SHARPNESS
from scalemodel.model.priors import SMOOTH_LENGTH
from scalemodel.views.report.parts import Live, Section
from scalemodel.views.tables import rows_of
from scalemodel.views.words import CAUTION, METRIC_WORDS, level_words, scene_words

ASSETS = Path(__file__).parent / "assets"
DATA_ID = "what-if-data"
"""Id of the element from which the script reads its data."""

SPEC_WORDS = {
    "shaders": ("Shaders", ""),
    "boost_clock_mhz": ("Boost clock", "MHz"),
    "bandwidth_gbs": ("Memory bandwidth", "GB/s"),
    "cache_mb": ("Cache", "MB"),
    "memory_gb": ("Memory", "GB"),
    "rops": ("Raster units", ""),
    RELEASE: ("Architecture out in", ""),
}
"""Name and unit of each spec that can be moved."""

STEPS = {
    "shaders": 64,
    "boost_clock_mhz": 5,
    "bandwidth_gbs": 4,
    "cache_mb": 2,
    "memory_gb": 1,
    "rops": 4,
    RELEASE: 0.25,
}
"""By how much an arrow key moves each of them; the number beside it takes any value."""


def section(report: Report) -> Section:
    """Show the panel, and say what it starts from."""
    answer = what_if(report.fit, report.specs, report.level)
    # Where unreleased cards are predicted, the page has said so already.
    panel = _panel(answer, CAUTION if report.prediction is None else "")
    return Section(
        key="what-if",
        title="What if a card had another sheet?",
        gist=f"Move the specs of {answer.starts['card'].iloc[answer.start]} or of another card, "
        "and see where it would land.",
        words=str(answer),
        parts=(Live(panel.markup),),
        style=panel.style,
        script=panel.script,
        data={DATA_ID: panel.data},
    )


@dataclass(frozen=True)
class WhatIfPanel:
    """The panel, as a page takes it.

    Attributes:
        markup: what there is to see, without data.
        style: its style rules.
        script: what brings it to life.
        data: what the script reads from the element `DATA_ID`, as JSON.
    """

    markup: Markup
    style: str
    script: str
    data: str


def whatif_panel(fit: Fit, specs: pd.DataFrame | None = None, level: float = 0.8) -> WhatIfPanel:
    """Make the panel; the same fit gives the same panel.

    Args:
        fit: the fit.
        specs: sheets of unreleased cards to start from.
        level: level of the ranges.
    """
    return _panel(what_if(fit, specs, level), CAUTION)


def _panel(answer: WhatIf, caution: str) -> WhatIfPanel:
    template = _templates().get_template("whatif.html")
    data = json.dumps(_data(answer), ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return WhatIfPanel(
        markup=Markup(template.render(sliders=_sliders(answer), caution=caution, **_words(answer))),
        style=_asset("whatif.css"),
        script="\n".join(
            _asset(name) for name in ("whatif-model.js", "whatif-draw.js", "whatif.js")
        ),
        data=data,
    )


@cache
def _asset(name: str) -> str:
    return (ASSETS / name).read_text(encoding="utf-8")


def _templates() -> Environment:
    return Environment(
        loader=PackageLoader("scalemodel.views.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _words(answer: WhatIf) -> dict[str, object]:
    return {
        "metric": METRIC_WORDS[answer.metric],
        "level": level_words(answer.level),
        "platforms": answer.charts["platform"].nunique(),
    }


def _sliders(answer: WhatIf) -> list[dict[str, object]]:
    return [
        {
            "spec": row.spec,
            "name": SPEC_WORDS[row.spec][0],
            "unit": SPEC_WORDS[row.spec][1],
            "tested": f"{row.tested_low:,.10g}–{row.tested_high:,.10g}"
            if row.spec != RELEASE
            else f"{row.tested_low:.1f}–{row.tested_high:.1f}",
            "note": "; matters only where it is too little" if row.spec == "memory_gb" else "",
        }
        for row in rows_of(answer.specs)
    ]


def _data(answer: WhatIf) -> dict[str, object]:
    """Gather what the script reads; names are those of the answer and the model."""
    charts = answer.charts
    scenes = list(dict.fromkeys(zip(charts["game"], charts["preset"], strict=True)))
    return {
        "level": answer.level,
        "metric_name": answer.metric,
        "at_ceiling": MORE_LIKELY,
        "slack": sheets.SLACK,
        "farthest": sheets.FARTHEST,
        "spans": [
            {"column": row.spec, "words": sheets.SPEEDS[row.spec], **_span(row)}
            for row in rows_of(answer.spans)
        ],
        "specs": [
            {"spec": row.spec, "unit": SPEC_WORDS[row.spec][1], **_ends(row), **_span(row)}
            for row in rows_of(answer.specs)
        ],
        "kinds": _records(answer.kinds),
        "starts": _records(answer.starts.drop(columns=["architecture", "vendor", "shader_rate"])),
        "start": answer.start,
        "platforms": list(dict.fromkeys(charts["platform"])),
        "scenes": [scene_words(*scene) for scene in scenes],
        "charts": [
            {**row, "scene": scene_words(row["game"], row["preset"])} for row in _records(charts)
        ],
        "measured": _measured(answer),
        "model": _model(answer.imagined),
    }


def _ends(row: Any) -> dict[str, float]:
    """Return the ends of a slider, in whole steps, and its step."""
    step = STEPS[row.spec]
    low = 0.0 if row.low == 0 else max(math.floor(row.low / step), 1) * step
    return {"low": low, "high": math.ceil(row.high / step) * step, "step": step}


def _span(row: Any) -> dict[str, float]:
    return {"tested_low": row.tested_low, "tested_high": row.tested_high}


def _records(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Return rows as JSON can hold them: what is missing is null."""
    rows = table.to_dict(orient="records")
    return [{str(name): _or_null(value) for name, value in row.items()} for row in rows]


def _or_null(value: object) -> object:
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _measured(answer: WhatIf) -> list[dict[str, object]]:
    """Return, for each card, its rate on every chart; null where it was not measured."""
    chart = list(CHART_COLUMNS)
    wide = answer.measured.pivot_table(index="card", columns=chart, values="rate", sort=False)
    wide = wide.reindex(columns=pd.MultiIndex.from_frame(answer.charts[chart]))
    return [
        {"card": card, "rates": [None if math.isnan(r) else _short(r) for r in rates]}
        for card, rates in zip(wide.index, wide.to_numpy(), strict=True)
    ]


def _model(of: Imagined) -> dict[str, object]:
    specs = of.layout.reference
    predictors = of.layout.predictors
    return {
        "draws": of.codes.shape[1],
        "points": of.centers.shape[1],
        "predictors": len(predictors),
        "at": {name: k for k, name in enumerate(predictors) if ":" not in name},
        "stages": [name.split(":")[1] for name in predictors if name.startswith("stage:")],
        "arithmetic": predictors.index("stage:arithmetic"),
        "traffic": predictors.index("stage:traffic"),
        "uses_cache": any(group.predictor == "hit" for group in of.layout.groups),
        "request_sharpness": REQUEST_SHARPNESS,
        "reference": {
            "log_speed": specs.log_speed.tolist(),
            "log_width": specs.log_width,
            "log_cache": specs.log_cache if math.isfinite(specs.log_cache) else None,
            "release": specs.release,
        },
        "log_pixels": of.rows.log_pixels.tolist(),
        "view": of.rows.view.tolist(),
        "terms": [_term(term) for term in of.terms],
        "new": [_term(term) for term in of.new],
        "smooth": _smooth(of.smooth),
        "noise_gpu": of.noise_gpu,
        "noise": of.noise,
        "pairs": of.pairs.tolist(),
        "codes": _packed(ten_bits(of.codes), "u1"),
        "steps": _packed(of.steps, "<f4"),
        "centers": _packed(of.centers, "<f4"),
    }


def _term(term: Term) -> dict[str, object]:
    return {
        "predictor": term.predictor,
        "times": term.times,
        "owner": term.owner,
        "first": term.first,
        "stride": term.stride,
        "index": term.index.tolist(),
    }


def _smooth(smooth: SmoothTerm) -> dict[str, object]:
    prior = smooth.prior
    return {
        "first": smooth.first,
        "own": smooth.own,
        "length": SMOOTH_LENGTH,
        "center": prior.center.tolist(),
        "spread": prior.spread.tolist(),
        "tested": prior.tested.tolist(),
        "plane": smooth.plane.tolist(),
        "precision": _packed(prior.precision, "<f8"),
    }


def ten_bits(codes: NDArray[np.int16]) -> NDArray[np.uint8]:
    """Return whole numbers from -512 to 511, a multiple of four, as five bytes for each four.

    The first four bytes are their lower bits, the fifth their upper two each.
    """
    four = (codes.ravel().astype(np.int32) + 512).reshape(-1, 4)
    upper = ((four >> 8) << np.array([0, 2, 4, 6])).sum(axis=1)
    return np.column_stack([four & 255, upper]).astype(np.uint8)


def _packed(values: ArrayLike, kind: str) -> str:
    """Return an array as base64 of little-endian numbers, row by row."""
    return base64.b64encode(np.ascontiguousarray(values, dtype=kind).tobytes()).decode("ascii")


def _short(rate: float) -> float:
    return round(rate, 3)

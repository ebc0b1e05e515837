"""A fit made ready: the parameters laid out, the likelihood prepared, and where to start from."""

from dataclasses import dataclass

from scalemodel.model.arrays import FloatArray
from scalemodel.model.inputs import CardSpecs, Observed, Reference, Shape
from scalemodel.model.layout import Layout, make_layout
from scalemodel.model.likelihood import CellLikelihood
from scalemodel.model.priors import SCALE_PRIORS, Levels, make_groups
from scalemodel.model.starts import starts


@dataclass(frozen=True)
class FitProblem:
    """Everything a fit needs, prepared."""

    likelihood: CellLikelihood
    layout: Layout
    starts: tuple[FloatArray, ...]

    @property
    def cells(self) -> int:
        """Number of cells."""
        return len(self.likelihood.observed.log_rate)


def prepare(
    observed: Observed, specs: CardSpecs, shape: Shape, levels: Levels | None = None
) -> FitProblem:
    """Lay out the parameters for observed cells and find where to start from.

    `levels` are where the priors expect rates to lie; without, where those observed lie.
    """
    if levels is None:
        levels = Levels.of(observed, shape)
    groups = make_groups(specs, shape, levels)
    layout = make_layout(shape, Reference.of(specs), specs.stages, groups, SCALE_PRIORS)
    likelihood = CellLikelihood.of(observed, specs, layout)
    return FitProblem(likelihood, layout, starts(likelihood))

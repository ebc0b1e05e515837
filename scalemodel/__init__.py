"""A statistical model of where the CPU ceiling sits and how frame rate follows a card's specs.

The names below are loaded when first used, so that ``import scalemodel`` itself is quick.
"""

TYPE_CHECKING = False  # as in typing, which takes longer to load than all of this

if TYPE_CHECKING:
    from scalemodel.answers.comparison import Comparison as Comparison
    from scalemodel.answers.comparison import compare as compare
    from scalemodel.answers.fitting import Fit as Fit
    from scalemodel.answers.fitting import fit as fit
    from scalemodel.answers.latency import Latency as Latency
    from scalemodel.answers.latency import latency as latency
    from scalemodel.answers.reduce import reduce_logs as reduce_logs
    from scalemodel.answers.repeatability import Repeatability as Repeatability
    from scalemodel.answers.repeatability import repeatability as repeatability
    from scalemodel.data.bench import Bench as Bench
    from scalemodel.data.bench import BenchError as BenchError
    from scalemodel.data.bench import check_bench as check_bench
    from scalemodel.data.bench import read_bench as read_bench
    from scalemodel.data.bench import read_specs as read_specs
    from scalemodel.data.export import export_bench as export_bench
    from scalemodel.data.filters import Filter as Filter
    from scalemodel.data.forecast_file import read_forecast as read_forecast
    from scalemodel.data.prices import read_prices as read_prices
    from scalemodel.errors import ScalemodelError as ScalemodelError

_HOMES = {
    "Bench": "scalemodel.data.bench",
    "BenchError": "scalemodel.data.bench",
    "Comparison": "scalemodel.answers.comparison",
    "Filter": "scalemodel.data.filters",
    "Fit": "scalemodel.answers.fitting",
    "Latency": "scalemodel.answers.latency",
    "Repeatability": "scalemodel.answers.repeatability",
    "ScalemodelError": "scalemodel.errors",
    "check_bench": "scalemodel.data.bench",
    "export_bench": "scalemodel.data.export",
    "compare": "scalemodel.answers.comparison",
    "fit": "scalemodel.answers.fitting",
    "latency": "scalemodel.answers.latency",
    "read_bench": "scalemodel.data.bench",
    "read_forecast": "scalemodel.data.forecast_file",
    "read_prices": "scalemodel.data.prices",
    "read_specs": "scalemodel.data.bench",
    "repeatability": "scalemodel.answers.repeatability",
    "reduce_logs": "scalemodel.answers.reduce",
}

__all__ = sorted(_HOMES)  # noqa: PLE0605 - the one list of public names is _HOMES


def __getattr__(name: str) -> object:
    """Load a public name from its home."""
    if name not in _HOMES:
        raise AttributeError(f"module 'scalemodel' has no attribute {name!r}")
    from importlib import import_module  # noqa: PLC0415 - only when a name is asked for

    return getattr(import_module(_HOMES[name]), name)

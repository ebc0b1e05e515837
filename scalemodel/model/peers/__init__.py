"""Plain methods a reviewer could use instead, to compare the model with on the same split.

Every peer is one call: `predict_peer(name, data, question)`. Some state ranges of their own;
`predict_conformal` puts a range around any of them.
"""

from collections.abc import Mapping
from types import MappingProxyType

from scalemodel.errors import ScalemodelError
from scalemodel.model.peers.conformal import HeldOutErrors, held_out_errors, predict_conformal
from scalemodel.model.peers.data import Peer, PeerData, PeerPrediction, Question
from scalemodel.model.peers.per_chart import nearest_card, per_chart_regression
from scalemodel.model.peers.pooled import gaussian_process, gradient_boosting, power_law

PEERS: Mapping[str, Peer] = MappingProxyType(
    {
        "per_chart_regression": per_chart_regression,
        "nearest_card": nearest_card,
        "gradient_boosting": gradient_boosting,
        "gaussian_process": gaussian_process,
        "power_law": power_law,
    }
)


def predict_peer(name: str, data: PeerData, question: Question) -> PeerPrediction:
    """Answer `question` with the peer called `name`, one of `PEERS`.

    Charts on which no card was measured get NaN. Raises ScalemodelError for an unknown name,
    for specs that do not match `data`, and when too few cards were measured to learn from.
    """
    if name not in PEERS:
        raise ScalemodelError(f"no peer is called {name!r}; there are {', '.join(PEERS)}")
    question.check_against(data)
    return PEERS[name](data, question)


__all__ = [
    "PEERS",
    "HeldOutErrors",
    "Peer",
    "PeerData",
    "PeerPrediction",
    "Question",
    "held_out_errors",
    "predict_conformal",
    "predict_peer",
]

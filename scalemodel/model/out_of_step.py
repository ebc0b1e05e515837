"""Which cells, and which cards in a scene, are out of step with their line (lines.py)."""

import numpy as np
from scipy.stats import binom
from scipy.stats import t as student

from scalemodel.model.arrays import FloatArray, IntArray
from scalemodel.model.lines import MAD, Apart, Lines, degrees_of_freedom
from scalemodel.model.outlying import holm


def cells_apart(lines: Lines) -> Apart:
    """Hold every cell against the line of its scene and its card's own part."""
    data = lines.data
    apart = data.y - lines.line - own_part(lines)[data.card]
    sd = np.sqrt(data.known + lines.scatter**2 + lines.line_sd**2)
    chance = 2 * np.asarray(student.sf(np.abs(apart / sd), lines.tail))
    return Apart(apart, sd, np.minimum(1.0, data.families * holm(chance)))


def pairs_apart(lines: Lines) -> tuple[IntArray, Apart]:
    """Hold every card in every scene against its line; return (cells,) the pair, and the pairs.

    Cells of one card and scene stray together more than cells do by themselves. So their mean is
    held against what such means usually are, by their own robust spread. Where test errors are so
    heavy-tailed that one wild cell could make the mean, most cells agreeing tells more: the chance
    that so many are so far on one side. The better of the two counts, doubled for the choice.
    """
    data = lines.data
    pair = np.unique(data.card * data.scenes + data.scene, return_inverse=True)[1].astype(np.intp)
    found = cells_apart(lines)
    weight = 1 / found.sd**2
    total = np.bincount(pair, weight)
    apart = np.bincount(pair, weight * found.apart) / total
    usual = max(MAD * float(np.median(np.abs(apart * np.sqrt(total)))), 1.0)
    sd = usual / np.sqrt(total)
    first = np.unique(pair, return_index=True)[1]
    in_scene = np.bincount(data.scene[first], minlength=data.scenes)[data.scene[first]]
    of_mean = 2 * student.sf(np.abs(apart / sd), degrees_of_freedom(data, in_scene))
    one_sided = np.asarray(student.sf(found.apart / (usual * found.sd), lines.tail))
    of_most = np.array([_chance_of_most(one_sided[pair == i]) for i in range(len(apart))])
    chance = np.minimum(1.0, 2 * np.minimum(of_mean, of_most))
    return pair, Apart(apart, sd, np.minimum(1.0, data.families * holm(chance)))


def _chance_of_most(one_sided: FloatArray) -> float:
    """Return the two-sided chance that most of some cells lie as far on one side as they do."""
    n = len(one_sided)
    most = n // 2 + 1
    ends = (np.sort(side)[most - 1] for side in (one_sided, 1 - one_sided))
    return float(min(1.0, 2 * min(binom.sf(most - 1, n, end) for end in ends)))


def own_part(lines: Lines) -> FloatArray:
    """Return (cards,) each card's own part: shrunken, but whole for cards out of step."""
    part = np.array(lines.fit.coefficients[-lines.data.cards :])
    gone = list(lines.apart_cards)
    part[gone] = lines.cards.apart[gone]
    return part

"""Which cells, and which cards in a scene, are out of step with their line (lines.py)."""

import numpy as np
from scipy.stats import binom, chi2
from scipy.stats import t as student

from scalemodel.model.arrays import FloatArray, IntArray
from scalemodel.model.lines import MAD, Apart, Lines
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

    Cells of one card and scene stray together more than cells do by themselves. So they are held
    against what the means of such cells usually are, by their own robust spread. What each cell
    says by itself, heavy tails and all, is put together by Fisher's method (1925, Statistical
    Methods for Research Workers, 21.1), for each side: one wild cell alone makes no card. A card
    may also be out of step in two scenes, each less surely (see `_in_two_scenes`). The better of
    the two ways counts, doubled for the choice.
    """
    data = lines.data
    pair = np.unique(data.card * data.scenes + data.scene, return_inverse=True)[1].astype(np.intp)
    found = cells_apart(lines)
    weight = 1 / found.sd**2
    total = np.bincount(pair, weight)
    apart = np.bincount(pair, weight * found.apart) / total
    usual = max(MAD * float(np.median(np.abs(apart * np.sqrt(total)))), 1.0)
    z = found.apart / (usual * found.sd)
    above, below = (
        _together(np.asarray(student.logsf(side, lines.tail)), pair) for side in (z, -z)
    )
    card = data.card[np.unique(pair, return_index=True)[1]]
    alone = holm(np.minimum(1.0, 2 * np.minimum(above, below)))
    in_two = 2 * np.minimum(_in_two_scenes(above, card), _in_two_scenes(below, card))
    p = np.minimum(1.0, 2 * data.families * np.minimum(alone, in_two))
    return pair, Apart(apart, usual / np.sqrt(total), p)


def _together(log_chance: FloatArray, pair: IntArray) -> FloatArray:
    """Return (pairs,) the chance of cells whose chances multiply to so little."""
    return np.asarray(chi2.sf(-2 * np.bincount(pair, log_chance), 2 * np.bincount(pair)))


def _in_two_scenes(chance: FloatArray, card: IntArray) -> FloatArray:
    """Return (pairs,) the chance that some card has two scenes so far out; 1 for its others.

    The chance that two of a card's scenes have a chance as small as its second smallest, added up
    over cards (Bonferroni). Only these two scenes of it are meant.
    """
    out = np.ones(len(chance))
    cards = np.unique(card)
    for one in cards:
        here = np.flatnonzero(card == one)
        if len(here) < 2:
            continue
        two = here[np.argsort(chance[here], kind="stable")[:2]]
        out[two] = np.minimum(1.0, len(cards) * binom.sf(1, len(here), chance[two[1]]))
    return out


def own_part(lines: Lines) -> FloatArray:
    """Return (cards,) each card's own part: shrunken, but whole for cards out of step."""
    part = np.array(lines.fit.coefficients[-lines.data.cards :])
    gone = list(lines.apart_cards)
    part[gone] = lines.cards.apart[gone]
    return part

"""What noise that remembers does to a fit.

Problem: neighbouring samples of correlated noise err together. Over many of its memories a fit is worth that
many fewer samples; within one memory the noise mostly lifts the whole curve, which moves a level in full and
a slope hardly at all. Plan: the noise is taken for an autoregression of first order, whose memory follows
from how many samples are worth one; a fit is a weighted sum over nodes, and the variance of such a sum is
worked out exactly by a recursion along the nodes. The recursion is linear, so that it runs over stretches of
1, 2, 4, ... nodes at once. Cost: some ten operations a node, none for white noise.
"""

from __future__ import annotations

import numpy as np

from rig.samples import FloatArray

WHITE = 1 + 1e-9
"""Samples that are worth one, for noise without memory."""


def variance_of_mean(worth: FloatArray, count: FloatArray) -> FloatArray:
    """Return the variance of a mean over consecutive samples, times their number, of noise of variance 1.

    See the notes of `variance_of_sums`, which has the same mean as its nodes.
    """
    phi = (worth - 1) / (worth + 1)
    variance: FloatArray = worth - 2 * phi * (1 - phi**count) / (1 - phi) ** 2 / count
    return variance


def variance_of_sums(pull: FloatArray, count: FloatArray, worth: FloatArray) -> FloatArray:
    """Variances of weighted sums of noise over consecutive nodes.

    Parameters
    ----------
    pull
        Weight of each node's mean in each sum, times the standard deviation of a single sample there, shape
        (sums, rows, nodes).
    count
        Samples in each node, shape (rows, nodes).
    worth
        Consecutive samples that are worth one independent reading, shape (rows,).

    Returns
    -------
    Shape (sums, rows).

    Notes
    -----
    With phi the correlation of neighbours, (1 + phi)/(1 - phi) samples are worth one. The mean of m samples
    has the variance [m (1 + phi)/(1 - phi) - 2 phi (1 - phi^m)/(1 - phi)^2]/m^2; the covariance of two means
    with g samples from the end of one to the begin of the other is phi^g S(m1) S(m2)/(m1 m2), where S(m) =
    (1 - phi^m)/(1 - phi): geometric series of phi^|i - j|.
    """
    phi = ((worth - 1) / (worth + 1))[:, None]
    # the windows of fits hold few of the nodes of a stroke
    used = np.flatnonzero(pull.any(axis=(0, 1)))
    if not len(used):
        return np.zeros(pull.shape[:2])
    window = slice(used[0], used[-1] + 1)
    pull, count = pull[:, :, window], count[:, window]
    forgotten = phi**count
    size = np.maximum(count, 1.0)
    share = (1 - forgotten) / (1 - phi) / size
    own = (count * worth[:, None] - 2 * phi * (1 - forgotten) / (1 - phi) ** 2) / size**2
    total: FloatArray = np.einsum("srj,rj->sr", pull**2, own)
    shared = pull * share
    # what all nodes up to one carry on to the next: carried(j) = forgotten(j) carried(j - 1) + phi shared(j)
    carried = shared * phi
    reach = 1
    while reach < carried.shape[2]:
        carried[:, :, reach:] += forgotten[:, reach:] * carried[:, :, :-reach]
        forgotten[:, reach:] *= forgotten[:, :-reach]
        reach *= 2
    total += 2 * np.einsum("srj,srj->sr", shared[:, :, 1:], carried[:, :, :-1])
    return np.maximum(total, 0.0)

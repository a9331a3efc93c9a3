"""A network of heat capacities and thermal conductances, integrated exactly while both are constant.

Theory of operation. C dT/dt = P - K T with T the rises over ambient, C diagonal, K symmetric and positive
semidefinite. With x = C^1/2 T and A = C^-1/2 K C^-1/2 = V diag(r) V^T each mode decays alone: y_i(t) = y_i(0)
e^(-r_i t) + p_i (1 - e^(-r_i t)) / r_i, where y = V^T x and p = V^T C^-1/2 P. No time step, hence no
stiffness and no step error. Making it costs O(n^3), advancing it O(n^2). What the nodes are is not known
here.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from nightdraw.bank.patterns import Floats

Link = tuple[int, int, float]  # two nodes and the conductance between them, W/K


class ThermalNetwork:
    """Nodes with heat capacities (J/K, above 0), links between them and to an ambient.

    dT/dt = C^-1 (P - K (T - Ta)), K the conductance matrix, made symmetric by the root of C.
    """

    def __init__(
        self, capacities: Sequence[float], links: Sequence[Link], to_ambient: Sequence[float]
    ) -> None:
        self._root = np.sqrt(np.asarray(capacities, dtype=np.float64))
        conductance = np.diag(np.asarray(to_ambient, dtype=np.float64))
        for first, second, w_k in links:
            conductance[first, first] += w_k
            conductance[second, second] += w_k
            conductance[first, second] -= w_k
            conductance[second, first] -= w_k
        rates, vectors = np.linalg.eigh(conductance / np.outer(self._root, self._root))
        # rounding can make the rate of an isolated node slightly negative, and its mode would grow
        self._rates = np.maximum(rates, 0.0)
        self._vectors = vectors

    def advance(self, rises: Floats, watts: Floats, seconds: float) -> Floats:
        """The nodes' rises over ambient (K) after `seconds` of constant powers (W)."""
        modes = self._vectors.T @ (rises * self._root)
        drive = self._vectors.T @ (watts / self._root)
        decay = self._rates * seconds
        share = np.exp(-decay)
        # (1 - e^-x) / x by expm1: the plain form loses all digits for short steps; its limit is 1 for a node
        # that is linked to nothing
        mean = np.where(decay > 1e-12, -np.expm1(-decay) / np.maximum(decay, 1e-12), 1.0)
        after: Floats = self._vectors @ (modes * share + drive * seconds * mean) / self._root
        return after

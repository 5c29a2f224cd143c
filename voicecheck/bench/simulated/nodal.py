"""Circuits of resistors, coils, condensers and coupled coils, solved by their nodes."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voicecheck.records.arrays import Array

Complex = NDArray[np.complexfloating[Any, Any]]


@dataclass(slots=True)
class Circuit:
    """
    Two-terminal branches between numbered nodes, 0 the common one.

    A branch holds its admittance at every frequency; a pair of coupled coils holds four.
    """

    frequency_hz: Array
    _n_nodes: int = 0
    _branches: list[tuple[int, int, int, int, Complex]] = field(default_factory=list)

    @property
    def _turn(self) -> Complex:
        return 2j * np.pi * self.frequency_hz

    def _stamp(self, a: int, b: int, c: int, d: int, siemens: Complex) -> None:
        """Current from a to b by the voltage from c to d."""
        self._branches.append((a, b, c, d, siemens))
        self._n_nodes = max(self._n_nodes, a, b, c, d)

    def branch(self, a: int, b: int, ohm: Complex | float) -> None:
        """Put any impedance between two nodes, shape (n,) or a number."""
        self._stamp(a, b, a, b, 1.0 / (np.asarray(ohm) + np.zeros(len(self.frequency_hz)) + 0j))

    def resistor(self, a: int, b: int, ohm: float) -> None:
        """Put a resistor between two nodes."""
        self.branch(a, b, ohm)

    def condenser(self, a: int, b: int, farad: float, loss: float = 0.0) -> None:
        """Put a condenser between two nodes, with a loss tangent that is the same everywhere."""
        self._stamp(a, b, a, b, self._turn * farad * (1.0 - 1j * loss))

    def coil(self, a: int, b: int, henry: float, ohm: float, loss: float = 0.0) -> None:
        """Put a coil with its winding's resistance and a loss of its iron between two nodes."""
        self.branch(a, b, ohm + self._turn * henry * (1.0 - 1j * loss))

    def coupled(
        self,
        first: tuple[int, int],
        second: tuple[int, int],
        henry: tuple[float, float, float],
        ohm: tuple[float, float],
    ) -> None:
        """Put two coils on one core: own inductances, the mutual one, and resistances."""
        own, other, mutual = (self._turn * one for one in henry)
        near, far = own + ohm[0], other + ohm[1]
        whole = near * far - mutual**2
        self._stamp(*first, *first, far / whole)
        self._stamp(*second, *second, near / whole)
        self._stamp(*first, *second, -mutual / whole)
        self._stamp(*second, *first, -mutual / whole)

    def solve(self, node: int, ohm: float) -> Complex:
        """
        Drive a node through a resistor from 1 V and find all voltages.

        Returns
        -------
        ndarray of complex, shape (n_frequencies, n_nodes + 1)
            The common node's is 0.
        """
        size = self._n_nodes
        matrix = np.zeros((len(self.frequency_hz), size + 1, size + 1), dtype=np.complex128)
        for a, b, c, d, siemens in self._branches:
            for row, sign in ((a, 1.0), (b, -1.0)):
                matrix[:, row, c] += sign * siemens
                matrix[:, row, d] -= sign * siemens
        matrix[:, node, node] += 1.0 / ohm
        driven = np.zeros((len(self.frequency_hz), size, 1), dtype=np.complex128)
        driven[:, node - 1, 0] = 1.0 / ohm
        solved = np.linalg.solve(matrix[:, 1:, 1:], driven)[:, :, 0]
        return np.concatenate([np.zeros((len(solved), 1)), solved], axis=1)

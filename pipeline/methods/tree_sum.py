"""Sums over athletes that come out the same, to the last bit, however the athletes are divided.

A sum of floats depends on its order. Here it follows from the athletes' names alone: the digests of the names are the
leaves of a binary tree, whose branches are told apart by the bits of a digest from the lowest on, and each branch adds
its two. A section of a club is a branch of that tree, so the sums of sections are its sums, and they are added further
up in the same way.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

from pipeline.core.arrays import Array

_BITS = 32


def digest_of(name: str | None) -> int:
    """The digest of a name, of 32 bits; 0 for None."""
    return zlib.crc32((name or "").encode())


def tree_sum(values: Array, names: Iterable[str]) -> Array:
    """The sum over athletes.

    Args:
        values: athletes x anything, in order of name, which matters where two names have one digest.
        names: of the athletes.
    """
    digests = np.array([digest_of(name) for name in names], dtype=np.uint64)
    order = np.argsort(_reversed(digests), kind="stable")
    digests, sums = digests[order], values[order]
    for n_bits in range(_BITS, -1, -1):  # what differs in the bits above is added
        branches = digests & np.uint64((1 << n_bits) - 1)
        begins = np.flatnonzero(np.append(True, branches[1:] != branches[:-1]))
        if len(begins) < len(digests):
            sums, digests = np.add.reduceat(sums, begins, axis=0), digests[begins]
    return np.asarray(sums[0])


def _reversed(digests: npt.NDArray[np.uint64]) -> npt.NDArray[np.uint64]:
    """Each digest with its bits in the opposite order: by it, what shares its lowest bits is next to each other."""
    reverse = np.zeros_like(digests)
    for bit in range(_BITS):
        reverse |= ((digests >> np.uint64(bit)) & np.uint64(1)) << np.uint64(_BITS - 1 - bit)
    return reverse

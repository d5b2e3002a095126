"""Scrambled Sobol points, without what the library of statistics takes to import.

The same points, bit for bit, as ``scipy.stats.qmc.Sobol`` gives for the same generator.
"""

from __future__ import annotations

import numpy as np

from veinfit.vectors import FloatArray, IntArray

BITS = 30
"""Binary digits of each coordinate."""

TABLE = """
1; 3 1; 7 1 3; 11 1 3 1; 13 1 1 1; 19 1 1 3 3; 25 1 3 5 13; 37 1 1 5 5 17; 41 1 1 5 5 5; 47 1 1
7 11 19; 55 1 1 5 1 1; 59 1 1 1 3 11; 61 1 3 5 5 31; 67 1 3 3 9 7 49; 91 1 1 1 15 21 21; 97 1 3
1 13 27 49; 103 1 1 1 15 7 5; 109 1 3 1 15 13 25; 115 1 1 5 5 19 61; 131 1 3 7 11 23 15 103; 137
1 3 7 13 13 15 69; 143 1 1 3 13 7 35 63; 145 1 3 5 9 1 25 53; 157 1 3 1 13 9 35 107; 167 1 3 1 5
27 61 31; 171 1 1 5 11 19 41 61; 185 1 3 5 3 3 13 69; 191 1 1 7 13 1 19 1; 193 1 3 7 5 13 19 59;
203 1 1 3 9 25 29 41; 211 1 3 5 13 23 1 55; 213 1 3 7 3 13 59 17; 229 1 3 1 3 5 53 69; 239 1 1 5
5 23 33 13; 241 1 1 7 7 1 61 123; 247 1 1 7 9 13 61 49; 253 1 3 3 5 3 55 33; 285 1 3 1 15 31 13
49 245; 299 1 3 5 15 31 59 63 97; 301 1 3 1 11 11 11 77 249; 333 1 3 1 11 27 43 71 9; 351 1 1 7
15 21 11 81 45; 355 1 3 7 3 25 31 65 79; 357 1 3 1 1 19 11 3 205; 361 1 1 5 9 19 21 29 157; 369
1 3 7 11 1 33 89 185; 391 1 3 3 3 15 9 79 71; 397 1 3 7 11 15 39 119 27; 425 1 1 3 1 11 31 97
225; 451 1 1 1 3 23 43 57 177; 463 1 3 7 7 17 17 37 71; 487 1 3 1 5 27 63 123 213; 501 1 1 3 5
11 43 53 133; 529 1 3 5 5 29 17 47 173 479; 539 1 3 3 11 3 1 109 9 69; 545 1 1 1 5 17 39 23 5
343; 557 1 3 1 5 25 15 31 103 499; 563 1 1 1 11 11 17 63 105 183; 601 1 1 5 11 9 29 97 231 363;
607 1 1 5 15 19 45 41 7 383; 617 1 3 7 7 31 19 83 137 221; 623 1 1 1 3 23 15 111 223 83; 631 1 1
5 13 31 15 55 25 161; 637 1 1 3 13 25 47 39 87 257; 647 1 1 1 11 21 53 125 249 293; 661 1 1 7 11
11 7 57 79 323; 675 1 1 5 5 17 13 81 3 131; 677 1 1 7 13 23 7 65 251 475; 687 1 3 5 1 9 43 3 149
11; 695 1 1 3 13 31 13 13 255 487; 701 1 3 3 1 5 63 89 91 127; 719 1 1 3 3 1 19 123 127 237; 721
1 1 5 7 23 31 37 243 289; 731 1 1 5 11 17 53 117 183 491; 757 1 1 1 5 1 13 13 209 345; 761 1 1 3
15 1 57 115 7 33; 787 1 3 1 11 7 43 81 207 175; 789 1 3 1 1 15 27 63 255 49; 799 1 3 5 3 27 61
105 171 305; 803 1 1 5 3 1 3 57 249 149; 817 1 1 3 5 5 57 15 13 159; 827 1 1 1 11 7 11 105 141
225; 847 1 3 3 5 27 59 121 101 271; 859 1 3 5 9 11 49 51 59 115; 865 1 1 7 1 23 45 125 71 419;
875 1 1 3 5 23 5 105 109 75; 877 1 1 7 15 7 11 67 121 453; 883 1 3 7 3 9 13 31 27 449; 895 1 3 1
15 19 39 39 89 15; 901 1 1 1 1 1 33 73 145 379
"""
"""Of each dimension: its primitive polynomial, as a number, and its first direction numbers.

Joe S, Kuo FY, Constructing Sobol sequences with better two-dimensional projections, SIAM J Sci
Comput 2008;30:2635-2654; taken from scipy, whose points a test holds these against.
"""


def sobol_points(dimensions: int, count: int, rng: np.random.Generator) -> FloatArray:
    """Return the first points of a scrambled sequence.

    Parameters
    ----------
    dimensions : int
        D; the table has 90, nine for each of ten tries.
    count : int
        A power of two: other numbers lose the balance of the points.
    rng : Generator
        What it scrambles by is drawn from a child of it.

    Returns
    -------
    (count, D) array
        At least 0 and below 1.

    Raises
    ------
    ValueError
        More dimensions than the table has.

    References
    ----------
    .. [1] Matousek J, On the L2-discrepancy for anchored boxes, J Complexity 1998;14:527-556
       (random linear scrambling with a digital shift).
    """
    own = rng.spawn(1)[0]
    powers = 2 ** np.arange(BITS, dtype=np.uint32)
    shift = own.integers(2, size=(dimensions, BITS), dtype=np.uint32) @ powers
    mixing = np.tril(own.integers(2, size=(dimensions, BITS, BITS), dtype=np.uint32))
    numbers = _mixed(_directions(dimensions), mixing.astype(np.int64))
    steps = np.arange(count)
    gray = steps ^ (steps >> 1)
    points = np.repeat(shift.astype(np.int64)[None], count, axis=0)
    for bit in range(int(gray.max(initial=0)).bit_length()):
        points ^= np.where((gray >> bit & 1)[:, None] == 1, numbers[:, bit], 0)
    return points / 2.0**BITS


def _directions(dimensions: int) -> IntArray:
    """Return the direction numbers (D, BITS)."""
    result = np.zeros((dimensions, BITS), dtype=np.int64)
    result[0] = 1
    for row, line in zip(result, TABLE.split(";")[:dimensions], strict=True):
        polynomial, *first = (int(word) for word in line.split())
        degree = len(first)
        row[:degree] = first
        for j in range(degree, BITS) if degree else ():
            new = int(row[j - degree])
            for k in range(degree):
                if polynomial >> (degree - 1 - k) & 1:
                    new ^= int(row[j - k - 1]) << (k + 1)
            row[j] = new
    return result << np.arange(BITS - 1, -1, -1)


def _mixed(numbers: IntArray, mixing: IntArray) -> IntArray:
    """Multiply the digits of direction numbers (D, BITS), modulo 2, by matrices (D, BITS, BITS).

    The matrices are lower triangular; their diagonals are taken as ones.
    """
    lower = mixing | np.eye(BITS, dtype=np.int64)
    # The first digit is the greatest.
    places = np.arange(BITS - 1, -1, -1)
    digits = numbers[:, None, :] >> places[:, None] & 1
    mixed = lower @ digits & 1
    return np.asarray((mixed << places[:, None]).sum(axis=1))

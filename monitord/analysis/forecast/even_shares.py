"""Which of n equal shares each draw of a forecast takes in each column: even in all columns together.

Kept as a table, for finding it takes scipy.stats a quarter of a second, and loading that half of one.
"""

from __future__ import annotations

import numpy as np

from monitord.model.series import Array

_TAKEN = (
    (
        "8,10,22,18,4,7,11,2,14,21,17,5,1,20,3,6,9,0,12,19,16,13,23,15",
        "4,21,5,14,10,16,6,12,8,9,11,7,18,17,23,15,0,1,19,2,22,13,20,3",
        "9,16,7,23,17,10,2,14,21,0,5,20,1,8,6,3,4,19,22,15,11,13,18,12",
        "0,19,12,9,6,20,10,16,15,2,17,22,14,21,7,3,18,11,1,4,8,5,13,23",
        "3,0,2,5,9,19,22,23,14,10,16,6,4,18,13,15,8,17,21,20,7,1,11,12",
        "16,10,4,14,1,15,22,8,0,9,20,19,13,3,18,2,6,11,7,17,5,23,21,12",
    ),
    (
        "4,9,8,7,10,11,5,3,0,1,2,6",
        "8,7,4,5,1,9,0,3,6,2,10,11",
    ),
)


def even_shares(n: int) -> Array:
    """Middles of n equal shares of 0 to 1, in an order for each column, (n, columns); for each n there is one table.

    Source
    ------
    A Latin hypercube (McKay, Beckman and Conover 1979) whose columns were exchanged until they fill the space evenly,
    by `scipy.stats.qmc` (centred discrepancy; scipy 1.17). `test_draws.py` makes the tables anew.
    """
    tables = [[line.split(",") for line in table] for table in _TAKEN]
    columns = next(table for table in tables if len(table[0]) == n)
    return (np.array(columns, dtype=np.float64).T + 1 / 2) / n

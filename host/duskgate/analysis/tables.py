"""Tables in the shape of `fields.TABLES`."""

from __future__ import annotations

import numpy as np
import pandas as pd

from duskgate.fields import TABLES

EMPTY_VALUE = {"float64": np.nan, "bool": False}


def table(name: str, n: int, columns: dict) -> pd.DataFrame:
    """A table with every column in order and type; columns not given hold 'none' (-1, NaN or empty)."""
    out = {}
    for column, dtype in TABLES[name].items():
        given = columns.get(column)
        if dtype == "category":
            out[column] = (
                given if isinstance(given, pd.Categorical) else pd.Categorical([""] * n if given is None else given)
            )
        elif dtype == "object":
            # as a series, because a bare array of texts would become a column of another type
            out[column] = pd.Series([""] * n if given is None else given, dtype=object)
        elif given is None:
            out[column] = np.full(n, EMPTY_VALUE.get(dtype, -1), dtype=dtype)
        else:
            out[column] = np.asarray(given, dtype=dtype)
    return pd.DataFrame(out, copy=False)


def coded(codes: np.ndarray, words: list[str] | tuple[str, ...]) -> pd.Categorical:
    """A category column from codes; -1 stands for an empty text."""
    words = [*dict.fromkeys([*words, ""])]
    return pd.Categorical.from_codes(np.where(np.asarray(codes) < 0, words.index(""), codes), words)

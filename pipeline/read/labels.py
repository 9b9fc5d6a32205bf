"""Columns of few distinct texts as codes: names, numbers, sessions."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from pipeline.read.keys import alike, distinct, picked

LONGEST_NAME = 120
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u200b-\u200f\u202a-\u202e\u2066-\u2069\ufeff]")
_WITH_NUMBER = re.compile(r"(.*\S)\s*[(\[#]\s*#?(\d{4,12})\s*[)\]]?")


@dataclass(frozen=True)
class Labels:
    """codes (n,) into values; the empty text stands for 'not given'."""

    codes: np.ndarray
    values: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.codes)

    @property
    def given(self) -> np.ndarray:
        """(n,) bool: the text is not empty."""
        given = np.array([bool(v) for v in self.values], dtype=bool)
        if given.all() or not given.any():
            return alike(bool(given.all()), len(self))
        return given[self.codes]

    @property
    def anything(self) -> bool:
        return any(self.values)

    def keep(self, rows: np.ndarray) -> Labels:
        """Only the rows at these indices."""
        return Labels(picked(self.codes, rows), self.values)

    def map(self, change: Callable[[str], str]) -> Labels:
        """Each value changed; values that become equal share a code."""
        return _merged(self.codes, [change(value) for value in self.values])

    def arrow(self, null: bool = False) -> pa.Array:
        """The texts; the empty one as null if asked for."""
        values = pa.array([v if v or not null else None for v in self.values], pa.string())
        return pa.DictionaryArray.from_arrays(pa.array(self.codes, pa.int32()), values).cast(
            pa.string()
        )

    def texts(self) -> np.ndarray:
        return np.array(self.values, dtype=object)[self.codes]


def constant(text: str, count: int) -> Labels:
    return Labels(alike(np.int32(0), count), (text,))


def labels_of(column: pa.Array) -> Labels:
    """A text column as cleaned labels."""
    if not pa.types.is_dictionary(column.type):
        column = column.dictionary_encode()
    values = [clean(value or "") for value in column.dictionary.to_pylist()]
    codes = np.asarray(column.indices, dtype=np.int32)
    return _merged(codes, values) if values else constant("", len(codes))


def clean(text: str) -> str:
    """A name fit to be shown: no control signs, single spaces, one form of each sign, bounded."""
    text = unicodedata.normalize("NFKC", _CONTROL.sub(" ", text[: 4 * LONGEST_NAME]))
    return " ".join(text.split())[:LONGEST_NAME].rstrip()


def clean_number(text: str) -> str:
    """A transponder or car number; a spreadsheet's '.0' and a lone zero or dash go."""
    text = re.sub(r"[.,]0+$", "", unicodedata.normalize("NFKC", text))
    return "" if text.strip("0-–— ") == "" else text


def together(first: Labels, second: Labels, join: Callable[[str, str], str]) -> Labels:
    """One label of two, for the pairs that occur."""
    width = len(second.values)
    if width == 1:
        return first.map(lambda text: join(text, second.values[0]))
    unique, codes = distinct(first.codes.astype(np.int64) * width + second.codes)
    values = [join(first.values[p // width], second.values[p % width]) for p in unique.tolist()]
    return _merged(codes, values)


def filled_in(labels: Labels, others: Labels) -> Labels:
    """Empty labels filled where all rows of the same other label carry one and the same text.

    A driver's name or transponder that is missing in some rows is taken from the rest.
    """
    if not labels.anything or labels.given.all() or not others.anything:
        return labels
    pairs, codes = distinct(labels.codes.astype(np.int64) * len(others.values) + others.codes)
    named = [(labels.values[p // len(others.values)], int(p % len(others.values))) for p in pairs]
    known: dict[int, set[str]] = {}
    for text, other in named:
        known.setdefault(other, set()).update({text} - {""})
    single = {o: next(iter(texts)) for o, texts in known.items() if len(texts) == 1}
    values = [
        text or (single.get(other, "") if others.values[other] else "") for text, other in named
    ]
    return _merged(codes.astype(np.int32), values)


def stacked(parts: Sequence[Labels]) -> Labels:
    """Labels of several tables, one after the other."""
    if len(parts) == 1:
        return parts[0]
    values = list(dict.fromkeys(value for part in parts for value in part.values))
    place = {value: code for code, value in enumerate(values)}
    codes = [
        np.array([place[v] for v in part.values], dtype=np.int32)[part.codes] for part in parts
    ]
    return Labels(np.concatenate(codes), tuple(values))


def split_number(text: str) -> tuple[str, str]:
    """'Ada Quill (1234567)' as name and transponder."""
    found = _WITH_NUMBER.fullmatch(text)
    return (found.group(1), found.group(2)) if found else (text, "")


def _merged(codes: np.ndarray, values: Sequence[str]) -> Labels:
    """Labels in which each value occurs once."""
    unique = list(dict.fromkeys(values))
    if len(unique) == len(values):
        return Labels(codes.astype(np.int32, copy=False), tuple(values))
    place = {value: code for code, value in enumerate(unique)}
    if len(unique) == 1:
        return constant(unique[0], len(codes))
    new = np.array([place[value] for value in values], dtype=np.int32)
    return Labels(new[codes], tuple(unique))

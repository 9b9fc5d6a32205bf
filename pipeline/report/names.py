"""People's names and numbers in a text, in whatever spelling: order, case, accents, joints."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from functools import lru_cache
from itertools import pairwise, permutations
from typing import NamedTuple

# Letters that no decomposition makes plain.
_LETTERS = str.maketrans({"æ": "ae", "œ": "oe", "ø": "o", "ð": "d", "đ": "d", "þ": "th", "ł": "l",
                          "ı": "i"})  # fmt: skip
_WORD = re.compile(r"[^\W_]+")
_DOUBLE = re.compile(r"([aou])e|(a)a")
# A joint between two words of a name: "Ida, Holm", "Ida_Holm", "ida.holm". More parts them.
_JOINT = 3
_GLUED = 6  # letters of a name written as one word; fewer may be any word
_NUMBER = 5  # digits of a transponder; fewer are any number
_GROUPS = 4
_DIGITS = re.compile(r"\d+")
_MARKS = " \u00a0\u2009\u202f'’._-,"


class Found(NamedTuple):
    """A name or number, as it was asked for, and where it stands in the text."""

    name: str
    start: int
    end: int


class _Word(NamedTuple):
    key: str
    start: int
    end: int


class Names:
    """Looks for names of people, and for numbers, as whole words in any spelling.

    single: names of one word too, if it has `single` letters or more; else only those of a script
    that does not part words.
    """

    def __init__(
        self, names: Iterable[str], numbers: Iterable[str] = (), single: int | None = None
    ) -> None:
        self.by_words: dict[tuple[str, ...], str] = {}
        self.glued: dict[str, str] = {}
        for name in sorted(names):
            keys = [word.key for word in _words(name)]
            if len(keys) > 1:
                self.by_words.setdefault(tuple(sorted(keys)), name)
            least = _GLUED if len(keys) > 1 else single or len(name) + 1
            for order in permutations(keys) if len(keys) in (2, 3) else [keys]:
                key = "".join(order)
                if len(key) >= least or _is_unparted(key):
                    self.glued.setdefault(key, name)
        self.most = max(map(len, self.by_words), default=0)
        self.unparted = [key for key in self.glued if _is_unparted(key)]
        self.numbers = {
            digits.lstrip("0"): digits for digits in numbers
            if digits.isdigit() and len(digits.lstrip("0")) >= _NUMBER
        }  # fmt: skip

    def find(self, text: str) -> list[Found]:
        """What stands in the text, in order; the longest of what overlaps."""
        found = [*self._numbers(text), *self._names(list(_words(text)))]
        out: list[Found] = []
        for each in sorted(found, key=lambda f: (f.start, f.start - f.end)):
            if not out or each.start >= out[-1].end:
                out.append(each)
        return out

    def are_all_of(self, text: str) -> bool:
        """The text is one of the names and nothing else."""
        words = list(_words(text))
        return any((f.start, f.end) == (words[0].start, words[-1].end) for f in self.find(text))

    def _names(self, words: list[_Word]) -> Iterator[Found]:
        for place, word in enumerate(words):
            if word.key in self.glued:
                yield Found(self.glued[word.key], word.start, word.end)
            elif self.unparted and _is_unparted(word.key):
                for key in self.unparted:
                    if key in word.key:
                        yield Found(self.glued[key], word.start, word.end)
            for count in range(min(self.most, len(words) - place), 1, -1):
                part = words[place : place + count]
                name = self.by_words.get(tuple(sorted(each.key for each in part)))
                if name is not None and _joined(part):
                    yield Found(name, word.start, part[-1].end)
                    break

    def _numbers(self, text: str) -> Iterator[Found]:
        if not self.numbers:
            return
        groups = list(_DIGITS.finditer(text))
        for place, first in enumerate(groups):
            if re.search(r"\d\.$", text[: first.start()][-2:]):
                continue  # the decimals of a number
            digits, mark = first.group(), ""
            for count, group in enumerate(groups[place : place + _GROUPS]):
                if count:
                    between = text[groups[place + count - 1].end() : group.start()]
                    if between not in _MARKS or len(between) != 1 or mark not in ("", between):
                        break
                    digits, mark = digits + group.group(), between
                number = self.numbers.get(digits.lstrip("0"))
                if number is not None and (mark not in (".", ",") or count > 1):
                    yield Found(number, first.start(), group.end())


def _joined(words: list[_Word]) -> bool:
    return all(after.start - before.end <= _JOINT for before, after in pairwise(words))


def _is_unparted(key: str) -> bool:
    """Of a script that does not part words: a name may stand amid others."""
    return len(key) > 1 and not key.isascii() and all(c.upper() == c.lower() for c in key)


def _words(text: str) -> Iterator[_Word]:
    """The words of a text in plain letters, with their places in it."""
    plain, places = _plain(text)
    for match in _WORD.finditer(plain):
        key = _DOUBLE.sub(lambda m: m[1] or m[2], match.group())
        yield _Word(key, places[match.start()], places[match.end() - 1] + 1)


def _plain(text: str) -> tuple[str, Sequence[int]]:
    """The text without accents, case and signs of no width; where each sign comes from."""
    if text.isascii():
        return text.lower(), range(len(text))
    signs: list[str] = []
    places: list[int] = []
    for place, sign in enumerate(text):
        plain = _plain_sign(sign)
        signs.append(plain)
        places += [place] * len(plain)
    return "".join(signs), places


@lru_cache(maxsize=10_000)
def _plain_sign(sign: str) -> str:
    parts = unicodedata.normalize("NFKD", sign).casefold().translate(_LETTERS)
    return "".join(p for p in parts if unicodedata.category(p) not in ("Mn", "Me", "Cf"))

"""One name for all that a result depends on: another input, another option, another name."""

from __future__ import annotations

import hashlib
import platform
from collections.abc import Callable, Iterator, Mapping, Sequence, Set
from dataclasses import fields, is_dataclass
from datetime import date
from functools import cache, partial
from pathlib import Path
from types import FunctionType
from typing import Any

PACKAGE = Path(__file__).parents[1]
# Their numbers are the result's numbers to the last digit.
LIBRARIES = ("numpy", "scipy", "pandas")
_PLAIN = (str, bytes, int, float, bool, type(None), date, Path)


def digest_of(*of: Any) -> str:
    """SHA-256 of the content of these, in hex, with the tool's own code and its libraries.

    Records are taken whole, with fields that nobody knows yet. Raises TypeError for what has no
    content to go by, as an open file.
    """
    digest = hashlib.sha256()
    for piece in (*_pieces(of), _tool()):
        # The length before each keeps 'ab', 'c' apart from 'a', 'bc'.
        digest.update(len(piece).to_bytes(8, "big") + piece)
    return digest.hexdigest()


def _pieces(value: Any) -> Iterator[bytes]:
    kind = type(value)
    yield f"{kind.__module__}.{kind.__qualname__}".encode()
    if isinstance(value, _PLAIN):
        yield repr(value).encode()
    elif isinstance(value, type):
        yield f"{value.__module__}.{value.__qualname__}".encode()
    elif is_dataclass(value):
        for field in fields(value):
            yield field.name.encode()
            yield from _pieces(getattr(value, field.name))
    elif isinstance(value, Mapping):
        yield from _pieces(list(value.items()))
    elif isinstance(value, Set):
        yield from _pieces(sorted(value, key=repr))
    elif isinstance(value, Sequence):
        yield str(len(value)).encode()
        for one in value:
            yield from _pieces(one)
    else:
        yield from _of_code(value) if callable(value) else _of_array(value)


def _of_code(value: Callable[..., Any]) -> Iterator[bytes]:
    """A function by its name, which the package's code says the rest of, and by what it holds."""
    if isinstance(value, partial):
        yield from _pieces((value.func, value.args, value.keywords))
    elif isinstance(value, FunctionType):
        held = [cell.cell_contents for cell in value.__closure__ or ()]
        yield f"{value.__module__}.{value.__qualname__}".encode()
        yield from _pieces((value.__defaults__, value.__kwdefaults__, held))
    else:
        raise TypeError(f"nothing to go by in {value!r:.80}")


def _of_array(value: Any) -> Iterator[bytes]:
    import numpy as np
    import pandas as pd
    from pandas.util import hash_pandas_object

    if isinstance(value, np.generic | np.ndarray) and value.dtype != object:
        yield f"{value.dtype} {value.shape}".encode()
        yield value.tobytes()
    elif isinstance(value, pd.DataFrame):
        yield from _pieces([*map(str, value.columns), *map(str, value.dtypes)])
        yield hash_pandas_object(value, index=False).to_numpy().tobytes()
    else:
        raise TypeError(f"nothing to go by in {value!r:.80}")


@cache
def _tool() -> bytes:
    """The package's code and the versions of what it counts with, on this kind of machine."""
    from importlib.metadata import version

    from pipeline import __version__

    digest = hashlib.sha256()
    for path in sorted(PACKAGE.rglob("*.py")):
        digest.update(path.relative_to(PACKAGE).as_posix().encode() + path.read_bytes())
    named = [__version__, digest.hexdigest(), platform.python_version(), platform.machine()]
    return " ".join([*named, *map(version, LIBRARIES)]).encode()


def season_name(data: Any, **options: Any) -> str:
    """The name under which the season's result of these data is kept; options: how it was asked
    for, those alone that are not as usual."""
    asked = {name: option for name, option in sorted(options.items()) if option}
    return f"season-{digest_of(data, asked)}"

"""From a path to text: what the file is, its encoding, its bounds.

Nothing here trusts the file: sizes are bounded before anything is read whole.
"""

from __future__ import annotations

import codecs
import re
import stat
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np

from pipeline.errors import Problem, UserError, refusal
from pipeline.read.words import recognised_words

LARGEST_FILE = 300_000_000
LARGEST_HEAD = 1_000_000
SAMPLE = 65_536
_NOTHING = b" \t\r\n\x00\xef\xbb\xbf\xff\xfe"
_NEAR_THE_TOP = 1_000

_MAGIC = (
    (b"%PDF", "a PDF document"),
    (b"\x89PNG", "a picture (PNG)"),
    (b"\xff\xd8\xff", "a picture (JPEG)"),
    (b"GIF8", "a picture (GIF)"),
    (b"BM", "a picture (BMP)"),
    (b"II*\x00", "a picture (TIFF)"),
    (b"RIFF", "a picture, sound or film (RIFF)"),
    (b"\x1f\x8b", "a compressed file (gzip)"),
    (b"7z\xbc\xaf", "a compressed file (7z)"),
    (b"Rar!", "a compressed file (RAR)"),
    (b"PAR1", "a parquet file"),
    (b"SQLite format", "a database"),
    (b"\x7fELF", "a program"),
    (b"MZ", "a program"),
)
_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_CODE_PAGES = (
    "cp1252", "cp932", "euc_jp", "gb18030", "cp949", "big5", "cp1250", "cp1251", "cp1253",
    "cp1254", "cp1257", "mac_roman",
)  # fmt: skip
_EASTERN_PAGES = frozenset({"cp932", "euc_jp", "gb18030", "cp949", "big5"})
_EXPECTED = "a timing export: CSV or other delimited text, .xlsx, .xls or .ods"


@dataclass(frozen=True)
class Text:
    """A file's text as UTF-8 with \\n line ends, and how it was encoded."""

    data: bytes
    encoding: str
    sheet: str = ""

    @cached_property
    def count(self) -> int:
        """Number of lines; an end at the end of the text begins no other."""
        ends = 0
        for first in range(0, len(self.data), SAMPLE):
            block = np.frombuffer(self.data[first : first + SAMPLE], dtype=np.uint8)
            ends += int(np.count_nonzero(block == ord("\n")))
        return ends + (not self.data.endswith(b"\n"))

    @cached_property
    def starts(self) -> np.ndarray:
        """(lines + 1,) offset at which each line begins; the last is the end of the text."""
        ends = np.flatnonzero(np.frombuffer(self.data, dtype=np.uint8) == 10) + 1
        if not len(ends) or ends[-1] != len(self.data):
            ends = np.append(ends, len(self.data) + 1)
        return np.concatenate([[0], ends])

    def line(self, number: int) -> str:
        """Line `number`, from 1, without its end."""
        first, last = self.starts[number - 1], self.starts[number]
        return self.data[first : last - 1].decode("utf-8", "replace").rstrip("\r")

    def lines(self, first: int, last: int) -> memoryview:
        """Lines `first` to `last` with their ends. Most files are wanted from near the top to
        the last line; then the other lines need not be found."""
        begin, number = 0, 1
        while number < min(first, _NEAR_THE_TOP):
            begin, number = self.data.index(b"\n", begin) + 1, number + 1
        begin = begin if number == first else int(self.starts[first - 1])
        end = len(self.data) if last == self.count else int(self.starts[last])
        return memoryview(self.data)[begin : min(end, len(self.data))]

    def head(self, count: int) -> list[str]:
        """The first lines, without their ends."""
        return self.data[:LARGEST_HEAD].decode("utf-8", "replace").split("\n", count)[:count]


def read_bytes(path: Path, name: str) -> bytes:
    """The file's bytes. Raises UserError where it is no file that could be an export."""
    try:
        about = path.stat()
        if stat.S_ISDIR(about.st_mode):
            raise unusable(name, "a folder", "Give a file, or let `import` take the folder.")
        if not stat.S_ISREG(about.st_mode):
            raise unusable(name, "a device or pipe, not a file", "Save the export as a file.")
        if about.st_size > LARGEST_FILE:
            raise unusable(
                name, f"a file of {about.st_size / 1e6:,.0f} MB", "Export one meeting at a time."
            )
        with path.open("rb") as file:
            return file.read()
    except (OSError, ValueError) as error:
        what = refusal(error) if isinstance(error, OSError) else str(error)
        raise UserError(
            f"{name} cannot be read", [Problem(what, "a file that can be read", name)]
        ) from None


def unusable(name: str, found: str, advice: str = "") -> UserError:
    """One clear message about a file that is no timing export."""
    return UserError(
        f"{name} is no timing export", [Problem(found, _EXPECTED, name, advice=advice)]
    )


def decode(data: bytes, name: str) -> Text:
    """Text of a delimited export. Raises UserError for empty files, pictures and the like."""
    if not data[:SAMPLE].strip(_NOTHING) and not data.strip(_NOTHING):
        raise unusable(name, "an empty file")
    _refuse_one_line(data[: 2 * LARGEST_HEAD], name)
    encoding = _marked(data) or _without_mark(data, name)
    if encoding == "utf-8":
        text = data
    else:
        text = data.decode(encoding, "replace").lstrip("\ufeff").encode("utf-8")
    if b"\r" in text[:SAMPLE] and b"\n" not in text[:SAMPLE]:
        text = text.replace(b"\r", b"\n")
    _refuse_one_line(text, name)
    return Text(text, "utf-8" if encoding == "utf-8-sig" else encoding)


def _marked(data: bytes) -> str:
    return next((encoding for mark, encoding in _MARKS if data.startswith(mark)), "")


def _without_mark(data: bytes, name: str) -> str:
    for start, what in _MAGIC:
        if data.startswith(start) and _is_binary(data[:SAMPLE], start):
            raise unusable(name, what)
    sample = np.frombuffer(data[: SAMPLE - SAMPLE % 2], dtype=np.uint8)
    if len(sample) > 1:
        even, odd = (sample[0::2] == 0).mean(), (sample[1::2] == 0).mean()
        if odd > 0.3 and even < 0.05:
            return "utf-16-le"
        if even > 0.3 and odd < 0.05:
            return "utf-16-be"
    if _control_share(data[:SAMPLE]) > 0.02:
        raise unusable(name, "bytes that are not text", "Export the timing as CSV.")
    try:
        if not data.isascii():
            data.decode("utf-8")
    except UnicodeDecodeError:
        return _code_page(data)
    return "utf-8"


def _is_binary(sample: bytes, start: bytes) -> bool:
    return len(start) > 3 or start[0] > 127 or _control_share(sample) > 0.01


def _control_share(sample: bytes) -> float:
    """Share of bytes that no text holds (control signs other than tab and line ends)."""
    values = np.frombuffer(sample, dtype=np.uint8)
    control = (values < 32) & (values != 9) & (values != 10) & (values != 13) & (values != 26)
    return float(control.mean()) if len(values) else 0.0


def _code_page(data: bytes) -> str:
    """The code page in which the header's words make sense; else the likeliest for the letters."""
    lines = [line for line in data[:LARGEST_HEAD].split(b"\n") if not line.isascii()]
    sample = b"\n".join(lines)[:SAMPLE] or data[-SAMPLE:]
    texts = {page: _decoded(sample, page) for page in _CODE_PAGES}
    possible = [page for page in _CODE_PAGES if _makes_sense(texts[page], page)] or ["cp1252"]
    scores = {page: recognised_words(_decoded(data[:4_096], page)) for page in possible}
    likely = [page for page in possible if scores[page] == max(scores.values())]
    kana = [page for page in ("cp932", "euc_jp") if _KANA.search(texts[page])]
    western = [page for page in ("cp1252", "mac_roman") if not _EASTERN_PAGES & set(likely)]
    sure = [page for page in (*kana, *western) if page in likely]
    if len(likely) == 1 or sure:
        return (sure or likely)[0]
    from charset_normalizer import from_bytes

    best = from_bytes(sample, cp_isolation=likely, threshold=0.5).best()
    return str(best.encoding) if best and best.encoding in likely else likely[0]


# Letters that only these languages use: without two of them, western Europe is likelier.
_TYPICAL = {
    "cp1250": "łńśźżčďěňřšťůžőűąęćŁŃŚŹŻČĎĚŇŘŠŤŮŽŐŰĄĘĆ",
    "cp1251": "абвгдежзийклмнопрстуфхцчшщъыьэюя",
    "cp1253": "αβγδεζηθικλμνξοπρστυφχψωάέήίόύώς",
    "cp1254": "ğışİŞĞ",
    "cp1257": "āčēģīķļņūąęėįųšžĀČĒĢĪĶĻŅŪ",
}
_EASTERN = re.compile("[\u3040-\u30ff\u3400-\u9fff\uac00-\ud7af\uff66-\uff9f]")
# A western letter read in an eastern page swallows the letter after it ('J\u9ef5gen') or stands
# before one ('\uff98sterby'), and some become signs that no page defines.
_AMONG_LATIN = re.compile(
    "[A-Za-z][\u3040-\u30ff\u3400-\u9fff\uac00-\ud7af\uff66-\uff9f]|[\uff66-\uff9f][A-Za-z]"
)
_WESTERN = frozenset("éèêëáàâäãåóòôöõúùûüíìîïñçßøæœÉÈÊÀÂÄÖÜÑÇÅØÆ’“”–°º")
_KANA = re.compile("[\u3041-\u30ff]{2}")
_PRIVATE = re.compile("[\ue000-\uf8ff]")


def _makes_sense(text: str, page: str) -> bool:
    """False where the page cannot be read so, or gives a text that nobody would write."""
    if not text:
        return False
    if page in _EASTERN_PAGES:
        signs = len(_EASTERN.findall(text))
        if _PRIVATE.search(text):
            return False
        return signs > 0 and len(_AMONG_LATIN.findall(text)) < 0.2 * signs
    if page == "mac_roman":
        return not {sign for sign in text if sign > "~"} - _WESTERN
    if page in _TYPICAL:
        return len(set(text) & set(_TYPICAL[page])) >= 2
    return re.search("[A-Za-z][¡-¿×÷‚-‡Ÿ][a-z]|(^|[^A-Za-z0-9])[¡-©«-¯²-´¶-»][a-z]", text) is None


def _decoded(data: bytes, page: str) -> str:
    """Decoded, or nothing where the page does not fit (a cut last sign is forgiven)."""
    try:
        return codecs.getincrementaldecoder(page)("strict").decode(data)
    except UnicodeDecodeError:
        return ""


def _refuse_one_line(text: bytes, name: str) -> None:
    head = text[:LARGEST_HEAD]
    if len(text) > LARGEST_HEAD and b"\n" not in head and b"\r" not in head:
        raise unusable(
            name, f"one line of more than {LARGEST_HEAD:,} characters", "Export it again as CSV."
        )

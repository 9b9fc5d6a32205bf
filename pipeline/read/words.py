"""Headers, footers and kinds of session told by their words, in many languages."""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache

from pipeline.read.synonyms import FIELDS, IGNORED, SUMMARY

# Units that a header may carry after its name.
TIMES = frozenset({"lap_s", "at", "elapsed", "time"})  # fields
_UNITS = re.compile(
    r"(?:in |en )?\b(?:ms|msec|msecs|millis|milliseconds?|millisekunden|millisecondes|milisegundos"
    r"|millisecondi|milliseconden|ミリ秒|s|sec|secs|seconds?|sek|sekunden|secondes|segundos|secondi"
    r"|seconden|秒|1 1000|h?h mm ss(?: f+)?|h?h mm ss 0+|m?m ss(?: f+)?|m?m ss 0+|local)$"
)
_MILLISECONDS = re.compile(
    r"\b(?:ms|msec|msecs|millis|milli ?seconds?|millisekunden|millisecondes|milisegundos"
    r"|millisecondi|milliseconden)\b|ミリ秒|1 1000\b"
)
# (kind, words in alphabets that part words, words of Japanese and Chinese). Words that only say
# that something was run come last.
_KINDS = (
    (
        "qualifying",
        r"quali\w*|qualy|q\d{0,2}|vorl[aä]uf\w*|zeittraining|cl?asificaci\w*|clasificatori\w*"
        r"|calificaci\w*|kwalifi\w*|kvalifi\w*|kval|voorronde\w*|eliminacje|aika ajo\w*"
        r"|квалификац\w*|időmérő",
        "予選|计时赛|排位",
    ),
    (
        "practice",
        r"practi[cs]e\w*|free|fp\d{0,2}|p\d{0,2}|prac|training\w*|freies|essais?|libres?"
        r"|entrenamient\w*|entrenos?|pr[aá]cticas?|prove|prova|libere|oefen\w*|vrije|treino\w*"
        r"|warm ?up|trening\w*|tr[aä]ning\w*|harjoitu\w*|тренировк\w*|edz[eé]s",
        "練習|フリー|プラクティス|练习",
    ),
    (
        "final",
        r"final[eis]?|finales|finale[ns]|endl[aä]uf\w*|finall[aä]ufe?|races?|rennen|mains?|course"
        r"|semi\w*|carreras?|gara|gare|hoofdrace|wedstrijd|finaali\w*|финал\w*|d[öo]nt[őo]\w*"
        r"|corrida|f\d{1,2}",
        "決勝|本戦|ファイナル|レース|决赛",
    ),
    (
        "test",
        r"tests?|testing|testday|testtag|testfahrt\w*|pruebas?|collaud\w*",
        "テスト|試走|测试",
    ),
    (
        "qualifying",
        r"heats?|rounds?|manches?|manga|batteri[ae]|batterie|r\d{1,2}|h\d{1,2}|ronde|serie"
        r"|durchgang",
        "ヒート|ラウンド|組",
    ),
    (
        "practice",
        r"sessions?|runs?|stints?|l[aä]ufe?|lauf|s[eé]ances?|sesi[oó]n|tanda|turno|sessione|sessie",
        "走行|セッション",
    ),
)
_LETTER = r"[^\W\d_]"
_KIND_PATTERNS = tuple(
    (kind, re.compile(rf"(?<!{_LETTER})(?:{apart})(?!{_LETTER})|{joined}"))
    for kind, apart, joined in _KINDS
)
_MERELY_RUN = re.compile("|".join(pattern.pattern for _, pattern in _KIND_PATTERNS[-2:]))


def normal(text: str) -> str:
    """Lower case, without accents and signs, words apart: 'Lap_Time' and 'lap-time' agree."""
    text = unicodedata.normalize("NFKC", text[:200])
    text = re.sub(r"(?<=[a-zà-ÿ])(?=[A-ZÀ-Þ][a-zà-ÿ])", " ", text)
    text = re.sub(r"(?<=[A-Z])(?=[A-Z][a-z])", " ", text).casefold()
    text = text.replace("№", " no ").replace("#", " no ").replace("º", "").replace("°", "")
    text = re.sub(r"[^\w\s]|_", " ", _without_accents(text))
    return " ".join(text.split())


def compact(text: str) -> str:
    return normal(text).replace(" ", "")


def _without_accents(text: str) -> str:
    """Latin letters lose their accents; Japanese voicing marks stay."""
    parts = unicodedata.normalize("NFD", text.replace("ß", "ss").replace("ø", "o"))
    kept = "".join(c for c in parts if not ("\u0300" <= c <= "\u036f"))
    return unicodedata.normalize("NFC", kept).replace("ł", "l")


def in_milliseconds(header: str) -> bool:
    """True where the header says that its numbers are thousandths of a second."""
    return _MILLISECONDS.search(normal(header)) is not None


@lru_cache(maxsize=1)
def _lookup() -> dict[str, str]:
    table = {compact(word): "" for word in IGNORED.split(";")}
    for field, words in FIELDS.items():
        table.update({compact(word): field for word in words.split(";")})
    return table


@lru_cache(maxsize=1)
def _summary_words() -> frozenset[str]:
    return frozenset(compact(word) for word in SUMMARY.split(";"))


@lru_cache(maxsize=4_096)
def field_of(header: str) -> str | None:
    """Our field for a header; '' for a known header that is none of ours; None if unknown."""
    name = normal(header)
    candidates = [name, _UNITS.sub("", name).strip(), *_parts(header)]
    for candidate in candidates:
        found = _lookup().get(candidate.replace(" ", ""))
        if found is not None and candidate:
            return found
    return _nearly(name)


def _parts(header: str) -> list[str]:
    """A header in two languages (Lap time / Rundenzeit), or with a remark in brackets."""
    pieces = re.split(r"\s*[/|()\[\]]\s*", header)
    names = [normal(piece) for piece in pieces if piece.strip()]
    return [n for name in names for n in (name, _UNITS.sub("", name).strip())] if names[1:] else []


def _nearly(name: str) -> str | None:
    """A misspelt long header: at least nine letters in ten are right."""
    wanted = name.replace(" ", "")
    if not 7 <= len(wanted) <= 40:
        return None
    from rapidfuzz import fuzz, process

    best = process.extractOne(wanted, _lookup().keys(), scorer=fuzz.ratio, score_cutoff=90)
    return _lookup()[best[0]] if best and len(best[0]) >= 7 else None


def recognised_words(text: str) -> int:
    """How many cells of the text are headers that we know; for choosing a code page."""
    if not text:
        return -1
    cells = [c for line in text.splitlines()[:40] for c in re.split(r"[,;\t|:]", line)]
    known = _lookup()
    return sum(1 for cell in cells[:2_000] if known.get(compact(cell.strip('" ')), ""))


def is_summary(cell: str) -> bool:
    """True for the first cell of a line such as 'Total;12;…' or 'Printed: …'."""
    first = re.split(r"[:=]", cell, maxsplit=1)[0]
    return compact(first) in _summary_words()


@lru_cache(maxsize=4_096)
def kind_of(name: str) -> str | None:
    """Kind of the session from its name; None where no word tells."""
    text = re.sub(r"[_\-./,:()]+", " ", unicodedata.normalize("NFKC", name)).casefold()
    for kind, pattern in _KIND_PATTERNS:
        if pattern.search(text):
            return kind
    return None


def names_a_session(text: str) -> bool:
    return kind_of(text) is not None


def tells_its_kind(text: str) -> bool:
    """The name says more of its session than that it was a heat or a run."""
    return names_a_session(_MERELY_RUN.sub(" ", text.casefold()))


def says_heat(header: str) -> bool:
    """A word of the header is one for heats."""
    return any(field_of(word) == "heat" for word in normal(header).split())


def is_footer(cells: list[str]) -> bool:
    """True for 'Total;…', 'Printed: …' and the like."""
    filled = [cell for cell in cells if cell]
    return bool(filled) and is_summary(filled[0])

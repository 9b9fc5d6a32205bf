"""Invented people."""

from __future__ import annotations

import numpy as np

FIRST = (
    "Aino Alva Anselm Arjun Bente Bruno Carmen Cosmo Dilan Edda Eero Elio Enzo Fenna Finn Gaspard "
    "Greta Hanne Hiro Ida Ilka Ines Jaro Jonna Juno Kaito Kasia Lasse Leni Livio Maren Mats Mei "
    "Milo Nadja Nils Noor Odile Oskar Pia Quirin Rafi Romy Runa Sanna Sefa Silvan Tamsin Tarek "
    "Timo Tova Ugo Vera Viggo Wim Yara Yuki Zeno"
)
LAST = (
    "Aldering Ambervold Bächtold Belmonte-Roux Brandvoll Castrevall Dahlgrün Delacroisée Dorval "
    "Eikemo Ellerby Esposti Fairhurst Fjelltun Gándaras Grünwaldt Haverkorn Holdernath Ingvaldsen "
    "Jarosek Kestrelin Kirchhalt Kuromatsu Langevoort Lindqvarn Lorvain Marchetto Mikamura "
    "Montclar Nordhagel Nyströmer Obermarn Oduyemi Palvanen Petrescue Quintela Rautavuo "
    "Rennenkamp Rosvall Sandquist Sörgelbach Silvestrin Sorhaindo Stavenow Sørvik Tanabashi "
    "Terraverde Thackeridge Tulipan Ullensaker Valdivar Verhagen-Smit Vinterkvist Wachelaar "
    "Wexcombe Yamashiro-Bell Zaunkönig Zielinska"
)


def full_names(count: int, rng: np.random.Generator, taken: tuple[str, ...] = ()) -> list[str]:
    """`count` different names, none of `taken`.

    A name is used once; a field larger than the list of surnames gets numbers behind them.
    """
    free = [last for last in LAST.split() if not any(last in name for name in taken)]
    lasts = [free[i] for i in rng.permutation(len(free))]
    firsts = rng.permutation(FIRST.split())
    names = []
    for place in range(count):
        again = f" {place // len(lasts) + 1}" if place >= len(lasts) else ""
        names.append(f"{firsts[place % len(firsts)]} {lasts[place % len(lasts)]}{again}")
    return names

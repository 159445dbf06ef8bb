"""Text that fits one SMS.

A single SMS holds 160 characters only if all of them are in the GSM 7 bit default alphabet (3GPP TS 23.038, 6.2.1);
the ten of its extension table count twice. With any other character it is sent as UCS-2 and holds 70.
"""

from __future__ import annotations

import unicodedata

LIMIT = 160
UCS2_LIMIT = 70

BASIC = frozenset(
    "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§"
    "¿abcdefghijklmnopqrstuvwxyzäöñüà"
)
EXTENDED = frozenset("\f^{}\\[~]|€")

_PLAIN = str.maketrans(
    {
        "°": "",
        "±": "+/-",
        "×": "x",
        "–": "-",
        "—": "-",
        "−": "-",
        "…": "...",
        "‘": "'",
        "’": "'",
        "“": '"',
        "”": '"',
        "„": '"',
        "·": ".",
        "•": "-",
        "→": "->",
        "≤": "<=",
        "≥": ">=",
        "³": "3",
        "²": "2",
        "µ": "u",
        "\u00a0": " ",
        "\u202f": " ",
        "\u2009": " ",
    }
)


def plain(text: str) -> str:
    """Text in signs that the GSM alphabet has, where there are such."""
    return " ".join(_to_gsm(text[: 4 * LIMIT]).split())


def fit(text: str, tail: str = "", limit: int = LIMIT) -> str:
    """Text cut, at a word if possible, so that with `tail` it goes into one SMS, or into fewer places (`limit`).

    Signs without a place in the GSM alphabet are written in plain ones, accents that it lacks are dropped. Only
    text in another script keeps its letters, and is cut at 70 characters.
    """
    said = plain(text)
    room = limit if is_gsm(said + tail) else min(limit, UCS2_LIMIT)
    if length(said + tail) <= room:
        return said + tail
    kept = said[:room]  # each character takes at least one place
    while length(kept + "..." + tail) > room:
        kept = kept[:-1]
    word = kept.rpartition(" ")[0]
    kept = word if len(word) > len(kept) * 2 / 3 else kept
    return kept.rstrip(" ,;:-") + "..." + tail


def is_gsm(text: str) -> bool:
    """Whether the text needs no other character than those of the GSM alphabet."""
    return all(c in BASIC or c in EXTENDED for c in text)


def length(text: str) -> int:
    """How many places a text takes: septets in the GSM alphabet, else UTF-16 units."""
    if is_gsm(text):
        return sum(2 if c in EXTENDED else 1 for c in text)
    return len(text.encode("utf-16-be")) // 2


def _to_gsm(text: str) -> str:
    return "".join(_letter(c) for c in text.translate(_PLAIN))


def _letter(character: str) -> str:
    if character in BASIC or character in EXTENDED:
        return character
    bare = "".join(c for c in unicodedata.normalize("NFKD", character) if not unicodedata.combining(c))
    return bare if bare and is_gsm(bare) else character
